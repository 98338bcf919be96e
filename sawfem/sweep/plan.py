"""A sweep that was understood: its axes, the case at each of its points, the order of the work."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sawfem.case import Case, ResolvedCase
from sawfem.case.axes import STUDIES
from sawfem.case.served import unserved, unserved_waves
from sawfem.errors import CaseError, SawfemError
from sawfem.pipeline.fitted import refuse_fitted
from sawfem.sweep.axes import AxisSpan, SweepAxis, axis_span
from sawfem.sweep.keeping import DEVICE, GRATINGS, WAVES, Keeping, keeping
from sawfem.sweep.samples import MOST_AXES, unit_samples

#: Values of one axis that are tried on the case before anything is computed.
TRIED = 60
#: Seconds a point takes on one core by how far it is computed, and bytes it takes in the store:
#: rough, for the refusal of a sweep that is too large.
SECONDS: Mapping[str, float] = {WAVES: 0.05, GRATINGS: 4.0, DEVICE: 4.5}
BYTES = 2500
#: First words of key paths: what must be done anew when they move, from all to nothing of a cell.
_STACK = ("substrate", "layer", "material", "conditions")
_CELL = ("grating", "overcoat", "results")
#: Name of the one dimension of a sample.
POINT = "point"


@dataclass(frozen=True)
class Dimension:
    """One dimension of the result: the numbers of the axes that move along it, and its length."""

    name: str
    axes: tuple[int, ...]
    length: int


@dataclass(frozen=True, eq=False)
class SweepPlan:
    """The [sweep] of a case.

    Attributes
    ----------
    case : with its [sweep].
    keep : what of every point is kept.
    axes : as they are swept; those of a sample at its points.
    dimensions : of the result, in order: one for every axis or zip of a grid, or "point" alone.
    spans : the axes as the case gives them, for choosing other points between their ends.
    sample : "grid", "sobol", "random", "latin-hypercube" or "adaptive".
    """

    case: Case
    keep: Keeping
    axes: tuple[SweepAxis, ...]
    dimensions: tuple[Dimension, ...]
    spans: tuple[AxisSpan, ...]
    sample: str

    @property
    def shape(self) -> tuple[int, ...]:
        """Lengths of the dimensions."""
        return tuple(dimension.length for dimension in self.dimensions)

    @property
    def size(self) -> int:
        """Number of points."""
        return math.prod(self.shape)

    @property
    def table(self) -> Mapping[str, Any]:
        """The [sweep] as written."""
        found: Mapping[str, Any] = self.case.to_dict()["sweep"]
        return found

    def changes(self, point: int) -> dict[str, Any]:
        """Key paths and values of one point; points count through the dimensions, last fastest."""
        places = np.unravel_index(point, self.shape)
        return {
            self.axes[axis].key: self.axes[axis].values[int(place)]
            for dimension, place in zip(self.dimensions, places, strict=True)
            for axis in dimension.axes
        }

    def order(self) -> Iterator[int]:
        """All points in the order in which they are worked on.

        Where the stack moves, everything is new; where a grating moves, the plane waves stay;
        else the gratings stay, too. So the dimensions that move the stack turn slowest.
        """
        ranks = [min(_rank(self.axes[axis].key) for axis in d.axes) for d in self.dimensions]
        turned = sorted(range(len(ranks)), key=lambda number: ranks[number])
        if turned == list(range(len(ranks))):
            yield from range(self.size)
            return
        steps = [math.prod(self.shape[number + 1 :]) for number in range(len(ranks))]
        lengths = [self.shape[number] for number in turned]
        for position in range(self.size):
            places = np.unravel_index(position, lengths)
            yield sum(
                int(place) * steps[number] for number, place in zip(turned, places, strict=True)
            )


#: Tables on which the constants of a grating depend.
BELOW_CONSTANTS = ("substrate", "layer", "grating", "overcoat", "material", "conditions")


def plan_sweep(case: Case) -> SweepPlan:
    """What the [sweep] of a case asks for; nothing is computed.

    Raises
    ------
    CaseError : no [sweep], axes that do not go together, a value that the case cannot take, more
        points than the limit, something to keep that there is not, or a case that asks for what
        is not computed yet.
    """
    resolved = case.resolved()
    tables = case.to_dict()
    asked = tables.get("sweep")
    file = resolved.file
    if asked is None:
        raise CaseError(
            file=file,
            key="sweep",
            found="nothing",
            expected="a table [sweep] with one or more [[sweep.axis]] of key and values, or from, "
            "to and points",
        )
    listed = asked["axis"] if isinstance(asked["axis"], list) else [asked["axis"]]
    places = [f"sweep.axis[{number}]" for number in range(len(listed))]
    spans = [axis_span(table, place, file) for table, place in zip(listed, places, strict=True)]
    _refuse_twice(spans, places, file)
    kept = keeping(resolved, asked.get("keep"))
    sample = str(asked.get("sample", "grid"))
    if sample == "grid":
        dimensions = _grid(spans, places, file)
        _refuse_too_many(math.prod(d.length for d in dimensions), asked, kept, file)
        axes = tuple(span.spread() for span in spans)
    else:
        axes, dimensions = _sampled(spans, places, sample, asked, kept, file)
    plan = SweepPlan(case, kept, axes, dimensions, tuple(spans), sample)
    _try_values(plan, places, resolved)
    if kept.level == DEVICE and any(axis.key.startswith(BELOW_CONSTANTS) for axis in axes):
        refuse_fitted(resolved, "sweep of what the constants depend on")
    return plan


def _rank(key: str) -> int:
    """What a key moves: 0 the stack, 1 a cell on it, 2 neither."""
    head = key.partition(".")[0].partition("[")[0]
    return 0 if head in _STACK else 1 if head in _CELL else 2


def _refuse_twice(spans: list[AxisSpan], places: list[str], file: str | None) -> None:
    seen: dict[str, str] = {}
    for span, place in zip(spans, places, strict=True):
        if span.key in seen:
            raise CaseError(
                file=file,
                key=f"{place}.key",
                found=f'"{span.key}", which {seen[span.key]} moves already',
                expected="a key for each axis",
            )
        seen[span.key] = place


def _grid(spans: list[AxisSpan], places: list[str], file: str | None) -> tuple[Dimension, ...]:
    """Dimensions of a grid; axes of one label share one."""
    labels: dict[str, list[int]] = {}
    for number, span in enumerate(spans):
        labels.setdefault(span.together or f"\0{number}", []).append(number)
    found = []
    for label, numbers in labels.items():
        first = numbers[0]
        for number in numbers[1:]:
            if len(spans[number]) != len(spans[first]):
                raise CaseError(
                    file=file,
                    key=f"{places[number]}.together",
                    found=f"{len(spans[number])} values of {spans[number].key}",
                    expected=f"{len(spans[first])}, as {spans[first].key} has, which moves "
                    f'together with it ("{label}")',
                )
        name = spans[first].key if len(numbers) == 1 else label
        found.append(Dimension(name, tuple(numbers), len(spans[first])))
    return tuple(found)


def _sampled(
    spans: list[AxisSpan],
    places: list[str],
    sample: str,
    asked: Mapping[str, Any],
    kept: Keeping,
    file: str | None,
) -> tuple[tuple[SweepAxis, ...], tuple[Dimension, ...]]:
    """Axes at the points of a sample; those of one label share their random number."""
    count = asked.get("points")
    if count is None:
        raise CaseError(
            file=file,
            key="sweep.points",
            found="nothing",
            expected=f'a count of points, since sample = "{sample}"',
        )
    _refuse_too_many(int(count), asked, kept, file)
    columns: dict[str, int] = {}
    which = [
        columns.setdefault(span.together or f"\0{number}", len(columns))
        for number, span in enumerate(spans)
    ]
    if len(columns) > MOST_AXES:
        raise CaseError(
            file=file,
            key="sweep.axis",
            found=f"{len(columns)} axes",
            expected=f"at most {MOST_AXES} that move on their own",
        )
    if sample == "adaptive":
        from sawfem.sweep.adaptive import check_adaptive

        check_adaptive(spans, places, asked, file)
        empty = tuple(span.at([]) for span in spans)
        return empty, (Dimension(POINT, tuple(range(len(spans))), 0),)
    shares = unit_samples(sample, int(count), len(columns), int(asked.get("seed", 0)))
    axes = tuple(span.at(shares[:, c]) for span, c in zip(spans, which, strict=True))
    return axes, (Dimension(POINT, tuple(range(len(spans))), int(count)),)


def _refuse_too_many(size: int, asked: Mapping[str, Any], kept: Keeping, file: str | None) -> None:
    limit = int(asked.get("limit", 100_000))
    if size <= limit:
        return
    seconds = size * SECONDS[kept.level]
    raise CaseError(
        file=file,
        key="sweep.limit",
        found=f"{size} points, about {_duration(seconds)} on one core and {_space(size * BYTES)}",
        expected=f"at most {limit} points: fewer points, a sample, or a larger limit",
    )


def _duration(seconds: float) -> str:
    for unit, length in (("years", 3.156e7), ("days", 86400.0), ("hours", 3600.0)):
        if seconds >= 2.0 * length:
            return f"{seconds / length:.3g} {unit}"
    return f"{seconds:.0f} s"


def _space(size: float) -> str:
    for unit, length in (("TB", 1e12), ("GB", 1e9)):
        if size >= length:
            return f"{size / length:.3g} {unit}"
    return f"{max(1.0, size / 1e6):.0f} MB"


def _try_values(plan: SweepPlan, places: list[str], resolved: ResolvedCase) -> None:
    """Try values of every axis on the case, the others at their first; refuse what is no case."""
    file = resolved.file
    firsts = {axis.key: axis.values[0] for axis in plan.axes if axis.values}
    if not firsts:
        firsts = {span.key: span.at([0.0]).values[0] for span in plan.spans}
    for number, axis in enumerate(plan.axes):
        values = axis.values or plan.spans[number].at([0.0, 1.0]).values
        step = max(1, len(values) // TRIED)
        for value in (*values[::step], values[-1]):
            changes = {**firsts, axis.key: value}
            try:
                variant = plan.case.resolved_with(changes)
            except SawfemError as error:
                raise type(error)(
                    file=file,
                    key=places[number],
                    found=f"{axis.key} = {value!r}: {error.found or error.message}",
                    expected=error.expected,
                ) from None
            left = _left(variant, plan.keep.level)
            if left:
                raise CaseError(
                    file=file,
                    key=left[0].split(" ")[0],
                    found=", ".join(left),
                    expected="a case without, since this version does not compute it yet",
                )


def _left(case: ResolvedCase, level: str) -> list[str]:
    """Keys that are not computed yet and would change what is kept."""
    if level == WAVES:
        return list(unserved_waves(case))
    heads = ["measurement", "results.include"]
    heads += ["device", "resonator", "lump", "network", "track"] * (level == GRATINGS)
    return [text for text in unserved(case) if not text.startswith(tuple(heads))]


def without_studies(case: Case) -> dict[str, Any]:
    """The tables of a case without [sweep], [map] and [yield]."""
    return {key: value for key, value in case.to_dict().items() if key not in STUDIES}
