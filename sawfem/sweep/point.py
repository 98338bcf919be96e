"""One point of a sweep, from the case with its changes to JSON text. Runs in the workers.

What neighbours share is kept by what it depends on: plane waves by stack and wavenumber, gratings
by cell and accuracy. Each is the same number whoever computed it, so a sweep gives the same bits
in whatever order, by however many workers and after however many interruptions.
"""

from __future__ import annotations

import dataclasses
import json
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

from sawfem.case import Case, ResolvedCase, ResolvedResonatorDevice
from sawfem.errors import CaseError, ConvergenceError, SawfemError
from sawfem.quantities import entry, json_key, json_safe, table
from sawfem.sweep.keeping import DEVICE, WAVES
from sawfem.sweep.store import DONE, FAILED, LOST

Value = TypeVar("Value")

#: Figures of a signal through the device that are columns; its others are the device's own.
SIGNAL = (
    "error_vector_magnitude",
    "error_vector_intersymbol",
    "error_vector_interference",
    "time_side_lobe_level",
)


@dataclass(frozen=True)
class Job:
    """What all points of a sweep have in common, as text that travels to workers.

    Attributes
    ----------
    tables : the case without its studies, JSON. base : the folder its paths start from.
    level : how far points are computed (sawfem/sweep/keeping.py).
    numerics : version of the numbers; a worker with another one refuses.
    """

    tables: str
    base: str
    level: str
    numerics: str


@dataclass(frozen=True)
class Task:
    """A few neighbouring points: their places, keys and changes."""

    places: tuple[int, ...]
    keys: tuple[bytes, ...]
    changes: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True)
class Answer:
    """One point computed: DONE with the JSON text of its numbers, or FAILED and why."""

    place: int
    status: int
    text: str
    message: str
    seconds: float


def compute(job: Job, task: Task) -> list[Answer]:
    """Compute the points of a task. What goes wrong with a point becomes its message."""
    _one_thread()
    _same_numerics(job.numerics)
    return [
        _answer(job, place, changes)
        for place, changes in zip(task.places, task.changes, strict=True)
    ]


def _answer(job: Job, place: int, changes: Mapping[str, Any]) -> Answer:
    """Compute one point; whatever goes wrong is part of the answer."""
    begun = time.monotonic()
    try:
        found = numbers(_case(job.tables, job.base).resolved_with(changes), job.level)
        text, message, status = json.dumps(found, allow_nan=False), "", DONE
    except SawfemError as error:
        text, message, status = "", " ".join(error.message.split()), FAILED
        if error.key:
            message = f"{error.key}: {message}"
    except MemoryError:  # another day it may fit
        text, message, status = "", "out of memory", LOST
    except Exception as fault:  # one point must not stop the others
        reason = " ".join(str(fault).split())[:300]
        text, status = "", FAILED
        message = f"a fault of the program ({type(fault).__name__}: {reason})"
    return Answer(place, status, text, message, time.monotonic() - begun)


@lru_cache(maxsize=2)
def _case(tables: str, base: str) -> Case:
    return Case.from_dict(json.loads(tables), base=Path(base))


@lru_cache(maxsize=1)
def _one_thread() -> None:
    """One thread of linear algebra from here on: small matrices, and a worker for every core."""
    import scipy.linalg  # noqa: F401  (its library must be there to be limited)
    from threadpoolctl import threadpool_limits

    threadpool_limits(1, user_api="blas")


@lru_cache(maxsize=4)
def _same_numerics(wanted: str) -> None:
    from sawfem.sweep.identity import numerics

    if numerics() != wanted:
        raise ConvergenceError(
            f"a worker has version {numerics()} of the program and the sweep {wanted}: install "
            "one version everywhere"
        )


def numbers(case: ResolvedCase, level: str) -> dict[str, Any]:
    """Everything that is kept of one case: {"values", "uncertainty", "reasons", "checks"}.

    Columns are "waves.NAME", "constants.NAME" of the first grating, "GRATING.NAME" of others and
    "figures.NAME"; checks hold [value, limit]. Raises as :func:`sawfem.pipeline.run`.
    """
    from sawfem.pipeline.build import build

    answer = _Columns()
    design = build(case)
    if level == WAVES:
        answer.waves(_plane_waves(case, design)[0])
        return answer.tree()
    from sawfem.result import collect_checks

    solutions = {name: _solved(name, case, design) for name in design.cells}
    for number, (name, solution) in enumerate(solutions.items()):
        answer.grating("constants" if number == 0 else name, solution.constants)
    response = None
    if level == DEVICE:
        from sawfem.pipeline.execute import solved_device

        bare = _kept(case)
        reason = ""
        try:
            device, _ = solved_device(bare, design, solutions, fields=False)
        except CaseError as error:
            if bare.signal is None or not (error.key or "").startswith("signal"):
                raise
            # A variant through which the signal does not come is a point of the sweep as well.
            reason = " ".join(error.message.split())
            device, _ = solved_device(
                dataclasses.replace(bare, signal=None), design, solutions, fields=False
            )
        if bare.signal is not None:
            answer.signal(None if device is None else device.signal, reason)
        if device is not None:
            response = device.response
            answer.figures(response)
    first = next(iter(solutions.values()))
    answer.waves(first.wave)
    answer.checks = {
        name: [item["value"], item["limit"]]
        for name, item in collect_checks(solutions, response).items()
    }
    return answer.tree()


def _kept(case: ResolvedCase) -> ResolvedCase:
    """The case without what a sweep does not keep."""
    across = case.transverse
    if isinstance(case.device, ResolvedResonatorDevice) and across is not None:
        applied = case.device.transverse_modes
        own = (case.device.resonator.aperture,)
        across = dataclasses.replace(across, apertures=own) if applied else None
    signal = case.signal and dataclasses.replace(case.signal, fingers=())
    return dataclasses.replace(case, signal=signal, transverse=across)


class _Columns:
    """Collects columns, JSON-safe."""

    def __init__(self) -> None:
        self.values: dict[str, Any] = {}
        self.bars: dict[str, Any] = {}
        self.reasons: dict[str, str] = {}
        self.checks: dict[str, list[float]] = {}

    def add(self, column: str, value: Any, bar: Any, reason: str | None) -> None:
        self.values[column] = json_safe(value)
        if bar is not None:
            self.bars[column] = json_safe(bar)
        if reason:
            self.reasons[column] = reason

    def waves(self, wave: Any) -> None:
        from sawfem.result.waves import WAVE_QUANTITIES

        for name in WAVE_QUANTITIES:
            self.add(f"waves.{name}", getattr(wave, name), None, None)

    def grating(self, part: str, constants: Any) -> None:
        from sawfem.result import CONSTANTS

        for name in CONSTANTS:
            bar = constants.numerical.get(name)
            self.add(f"{part}.{name}", getattr(constants, name), bar, constants.reasons.get(name))

    def figures(self, response: Any) -> None:
        for name, figure in response.figures.items():
            if name in table() and entry(name).form == "real":
                value = figure.value if figure.known else None
                self.add(f"figures.{name}", value, figure.uncertainty, response.reasons.get(name))
        for name, reason in response.reasons.items():
            if name in table() and f"figures.{name}" not in self.values:
                self.add(f"figures.{name}", None, None, reason)

    def signal(self, told: Mapping[str, Any] | None, reason: str) -> None:
        """What a device does to the case's signal: those of its figures that are its alone."""
        from sawfem.result.signals import signal_figures

        if told is None:
            for name in SIGNAL:
                self.add(f"figures.{name}", None, None, reason or "nothing of the signal is known")
            return
        known = signal_figures(dict(told))
        for name in SIGNAL:
            if name in known:
                figure = known[name]
                self.add(f"figures.{name}", figure.value, figure.uncertainty, None)
            else:
                why = told["reasons"].get(json_key(name))
                self.add(f"figures.{name}", None, None, why)

    def tree(self) -> dict[str, Any]:
        return {
            "values": self.values,
            "uncertainty": self.bars,
            "reasons": self.reasons,
            "checks": self.checks,
        }


# ---------------------------------------------------------------------- what neighbours share


class _Kept:
    """The last few things computed, by what they depend on."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._found: OrderedDict[str, Any] = OrderedDict()

    def get(self, key: str, compute: Callable[[], Value]) -> Value:
        if key in self._found:
            self._found.move_to_end(key)
        else:
            self._found[key] = compute()
            while len(self._found) > self._most:
                self._found.popitem(last=False)
        value: Value = self._found[key]
        return value


_WAVES, _GRATINGS = _Kept(8), _Kept(3)


def _stack_key(case: ResolvedCase, design: Any) -> str:
    """Everything that the plane waves of a case depend on, but their wavenumber."""
    tree = case.to_dict()
    texts = {name: item["sha256"] for name, item in design.entries.items()}
    parts = [tree["substrate"], tree["layers"], tree["materials"], tree["temperature"], texts]
    return json.dumps(parts, sort_keys=True)


def _plane_waves(case: ResolvedCase, design: Any) -> tuple[Any, ...]:
    """Plane waves on the stack: at the wavelength of the first grating, or of a half-space."""
    if design.cells:
        from sawfem.extract.grating import grating_waves, strongest

        cell = next(iter(design.cells.values()))
        key = f"{_stack_key(case, design)} {cell.period if case.layers else ''}"
        waves = _WAVES.get(key, lambda: grating_waves(cell))
        return (strongest(waves), *waves)
    if case.layers:
        raise ConvergenceError(
            "plane waves of a layered stack need a wavelength, which a [grating] gives; a [map] "
            "takes a frequency"
        )
    from sawfem.planewave import plane_waves

    found = _WAVES.get(_stack_key(case, design), lambda: plane_waves(design.stack))
    if not found:
        raise ConvergenceError("no surface wave on this stack")
    return found


def _solved(name: str, case: ResolvedCase, design: Any) -> Any:
    """A solved grating, with the plane waves that its neighbours have found."""
    from sawfem.extract.grating import grating_waves
    from sawfem.pipeline.execute import solved_grating

    cell = design.cells[name]
    stack = _stack_key(case, design)
    drawn = json_safe(dataclasses.asdict(case.gratings[name]))
    own = json.dumps([stack, drawn, case.to_dict()["overcoat"], case.accuracy], sort_keys=True)

    def solve() -> Any:
        waves = None  # cells of several electrodes look at other wavelengths
        if len(cell.electrodes) == 1:
            key = f"{stack} {cell.period if case.layers else ''}"
            waves = _WAVES.get(key, lambda: grating_waves(cell))
        return solved_grating(name, case, design, waves=waves)

    return _GRATINGS.get(own, solve)
