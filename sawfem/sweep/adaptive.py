"""Adaptive sweeps: more points where an interpolant errs most, or where a property vanishes.

Points lie at dyadic shares of every axis: 0, 1/2, 1, then the quarters, the eighths, each one the
child of the one that it halves the way to (Bungartz & Griebel, Acta Numerica 13, 147 (2004)). In
every round the points so far make a smooth interpolant (radial functions), it foretells the
new points before they are computed, and what it was wrong by is the error at these points: they
were left out. Points where it is above the tolerance get children. Where the property ``zero``
changes sign between neighbours, or its size is least, children are added until neighbours are
closer than the tolerance, as a share of the axis.

Everything follows from the answers alone, so that a sweep that was interrupted takes the same way.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import CaseError
from sawfem.quantities import table as quantity_table
from sawfem.result.sweep_interpolant import smooth
from sawfem.sweep.axes import AxisSpan
from sawfem.sweep.keeping import PARTS

if TYPE_CHECKING:
    from sawfem.sweep.hands import Hands
    from sawfem.sweep.identity import Identity
    from sawfem.sweep.plan import SweepPlan
    from sawfem.sweep.run import Keeper

Array = NDArray[np.float64]
#: A point: its share of the way along every axis.
Place = tuple[Fraction, ...]

#: Most axes of an adaptive sweep.
MOST_AXES = 6
#: Halvings of an axis at most.
DEEPEST = 20
_HALF = Fraction(1, 2)


@dataclass(frozen=True)
class Refined:
    """What an adaptive sweep came to.

    Attributes
    ----------
    errors : quantity -> largest error of the interpolant at points that were left out of it, in
        the last round that told, over the range of the quantity.
    reached : whether all of them, and the zero, are within the tolerance.
    """

    errors: Mapping[str, float]
    reached: bool


def check_adaptive(
    spans: Sequence[AxisSpan], places: Sequence[str], asked: Mapping[str, Any], file: str | None
) -> None:
    """Refuse what an adaptive sweep cannot take. Raises CaseError."""
    if len(spans) > MOST_AXES:
        raise CaseError(
            file=file,
            key="sweep.axis",
            found=f"{len(spans)} axes",
            expected=f"at most {MOST_AXES} of an adaptive sweep",
        )
    for span, place in zip(spans, places, strict=True):
        if span.listed or span.whole or span.together:
            what = "a list" if span.listed else "counts" if span.whole else "together"
            raise CaseError(
                file=file,
                key=place,
                found=f"{what} along {span.key}",
                expected="from and to of a quantity: an adaptive sweep chooses values in between",
            )
    if not asked.get("refine") and not asked.get("zero"):
        raise CaseError(
            file=file,
            key="sweep.refine",
            found="nothing",
            expected='quantities to interpolate, such as refine = ["velocity"], or the one whose '
            "zero is followed",
        )
    names = [*asked.get("refine", ()), *filter(None, [asked.get("zero")])]
    for name in names:
        quantity = str(name).rpartition(".")[2]
        if quantity not in quantity_table() or quantity_table()[quantity].form in ("text", "pair"):
            raise CaseError(
                file=file,
                key="sweep.refine" if name in asked.get("refine", ()) else "sweep.zero",
                found=f'"{name}"',
                expected="a quantity that is one number, such as velocity",
            )


def refine(plan: SweepPlan, identity: Identity, hands: Hands, keeper: Keeper) -> Refined:
    """Compute an adaptive sweep, round by round, until its tolerance or its number of points."""
    from sawfem.sweep.run import tasks

    asked = plan.table
    search = _Search(
        len(plan.spans),
        int(asked["points"]),
        float(asked.get("tolerance", 1e-3)),
        tuple(asked.get("refine", ())),
        str(asked.get("zero", "")),
    )
    while new := search.next_round():
        numbers = {
            index: [
                float(span.at([float(t)]).numbers[0])
                for span, t in zip(plan.spans, search.places[index], strict=True)
            ]
            for index in new
        }
        changes = {
            index: {
                span.key: span.written(number)
                for span, number in zip(plan.spans, numbers[index], strict=True)
            }
            for index in new
        }
        notes = {index: json.dumps(numbers[index]) for index in new}
        keeper.keep(
            hands.answers(tasks(plan, identity, keeper, new, changes.__getitem__, notes)), notes
        )
        search.learn(_answers(keeper, new, (*search.columns,)))
    if not search.reached:
        keeper.warn(
            f"{len(search.places)} points were not enough for the tolerance: "
            + ", ".join(f"{name} errs by {error:.1e}" for name, error in search.errors.items())
        )
    return Refined(dict(search.errors), search.reached)


def _answers(
    keeper: Keeper, wanted: Sequence[int], columns: Sequence[str]
) -> dict[int, dict[str, float]]:
    """Column -> number of some places, from the store; NaN where there is none."""
    found: dict[int, dict[str, float]] = {}
    chosen = set(wanted)
    for place, _, answer, _, _ in keeper.store.members(keeper.kept.number):
        if place in chosen:
            values = json.loads(answer)["values"] if answer else {}
            found[place] = {name: _number(values, name) for name in columns}
    return found


def _number(values: Mapping[str, Any], column: str) -> float:
    for key in (column, *(f"{part}.{column}" for part in PARTS)):
        value = values.get(key)
        if value is not None:
            return float(value[0] if isinstance(value, list) else value)
    return float("nan")


class _Search:
    """Which points come next, from the answers so far."""

    def __init__(
        self, axes: int, budget: int, tolerance: float, refine: tuple[str, ...], zero: str
    ) -> None:
        self.axes, self.budget, self.tolerance = axes, budget, tolerance
        self.quantities, self.zero = refine, zero
        self.columns = tuple(dict.fromkeys((*refine, *filter(None, [zero]))))
        self.places: list[Place] = []
        self.errors: dict[str, float] = {}
        self.reached = False
        self._index: dict[Place, int] = {}
        self._values: dict[int, dict[str, float]] = {}
        self._foretold: dict[int, dict[str, float]] = {}
        self._wanted: dict[Place, float] = dict.fromkeys(self._first(), 0.0)

    def _first(self) -> list[Place]:
        """Ends and middles of all axes; of many axes those with one or two that are off middle."""
        stops = (Fraction(0), _HALF, Fraction(1))
        whole = [tuple(place) for place in itertools.product(stops, repeat=self.axes)]
        if len(whole) <= max(3, self.budget // 3):
            return whole
        return [place for place in whole if sum(t != _HALF for t in place) <= 1]

    def next_round(self) -> list[int]:
        """Indices of the points of the next round, the most wanted first; none at the end."""
        room = self.budget - len(self.places)
        chosen = sorted(self._wanted, key=lambda place: (-self._wanted[place], place))
        self.reached = not chosen
        fresh = []
        for place in chosen[: max(0, room)]:
            self._index[place] = len(self.places)
            fresh.append(len(self.places))
            self.places.append(place)
        self._wanted = {}
        if self._values and fresh:
            self._foretell(fresh)
        return fresh

    def _foretell(self, fresh: list[int]) -> None:
        at = np.array([[float(t) for t in self.places[index]] for index in fresh])
        for column in self.quantities:
            known = [n for n, values in self._values.items() if not np.isnan(values[column])]
            if len(known) <= self.axes + 1:
                continue
            points = np.array([[float(t) for t in self.places[n]] for n in known])
            values = np.array([self._values[n][column] for n in known])
            for index, value in zip(fresh, smooth(points, values)(at), strict=True):
                self._foretold.setdefault(index, {})[column] = float(value)

    def learn(self, answers: Mapping[int, Mapping[str, float]]) -> None:
        """Take the answers of a round and choose who gets children."""
        self._values.update({index: dict(values) for index, values in answers.items()})
        for column in self.quantities:
            told = np.array([values[column] for values in self._values.values()])
            spread = float(np.nanmax(told) - np.nanmin(told)) if not np.all(np.isnan(told)) else 0.0
            worst = 0.0
            for index in answers:
                value = self._values[index][column]
                guess = self._foretold.get(index, {}).get(column)
                if np.isnan(value):
                    continue
                error = 1.0 if guess is None else abs(guess - value) / (spread or 1.0)
                worst = max(worst, error)
                if error > self.tolerance:
                    self._want_children(index, error)
            self.errors[column] = worst
        if self.zero:
            self._follow_zero()

    def _want_children(self, index: int, error: float) -> None:
        for axis in range(self.axes):
            for child in _children(self.places[index][axis]):
                self._want(index, axis, child, error)

    def _want(self, index: int, axis: int, share: Fraction, error: float) -> None:
        place = self.places[index]
        new = (*place[:axis], share, *place[axis + 1 :])
        if new not in self._index:
            self._wanted[new] = max(error, self._wanted.get(new, 0.0))

    def _follow_zero(self) -> None:
        """Halve the way between neighbours of other sign, and around the least size."""
        for axis in range(self.axes):
            lines: dict[Place, list[int]] = {}
            for index in self._values:
                place = self.places[index]
                lines.setdefault((*place[:axis], *place[axis + 1 :]), []).append(index)
            for line in lines.values():
                line.sort(key=lambda index: self.places[index][axis])
                self._along(axis, line)

    def _along(self, axis: int, line: Sequence[int]) -> None:
        """Want points along one line of the sweep: where a value changes sign or is least."""
        at = [self.places[index][axis] for index in line]
        values = [self._values[index][self.zero] for index in line]
        for n in range(len(line) - 1):
            gap = at[n + 1] - at[n]
            if gap <= max(Fraction(self.tolerance), Fraction(1, 2**DEEPEST)):
                continue
            a, b = values[n], values[n + 1]
            least = (
                min((abs(v), m) for m, v in enumerate(values) if not np.isnan(v))[1]
                if not (np.all(np.isnan(values)))
                else -1
            )
            crosses = a * b < 0.0
            if crosses or (least in (n, n + 1) and not self._crosses(values)):
                self._want(line[n], axis, at[n] + gap / 2, 2.0 + float(gap))

    @staticmethod
    def _crosses(values: Sequence[float]) -> bool:
        return any(a * b < 0.0 for a, b in itertools.pairwise(values))


def _children(share: Fraction) -> tuple[Fraction, ...]:
    """Dyadic children of a share: halfway to its neighbours of coarser steps."""
    if share == _HALF:
        return (Fraction(1, 4), Fraction(3, 4))
    if share in (0, 1):
        return (Fraction(1, 4) if share == 0 else Fraction(3, 4),)
    step = Fraction(1, 2 * share.denominator)
    return (share - step, share + step) if share.denominator < 2**DEEPEST else ()
