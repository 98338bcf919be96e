"""What share of the devices keeps the specification, and what spoils the others.

Every die draws its deviations (sawfem/device/variation.py), gets its layout and its constants
from a surrogate (sawfem/pipeline/surrogate.py), and is held against the specification at every
temperature. A deviation of single fingers acts to first order through its
mean over the fingers of a transducer; what they scatter beside is of second order and left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from sawfem.case import Case, ResolvedCase
from sawfem.device.faults import Faults, draw_faults, with_faults
from sawfem.device.fingerscatter import velocity_floor, velocity_loss
from sawfem.device.specification import Verdict
from sawfem.device.variation import Draws, estimate_yield
from sawfem.errors import InputError
from sawfem.pipeline.build import Design, build
from sawfem.pipeline.circuits import CircuitSetting
from sawfem.pipeline.execute import solved_grating
from sawfem.pipeline.process import ProcessPlan
from sawfem.pipeline.specified import Drift, drift_of, judged_at, judged_together
from sawfem.pipeline.surrogate import build_surrogate
from sawfem.result.yields import KeyEffect, LimitYield, YieldResult

Array = NDArray[np.float64]
Progress = Callable[[str, int, int], None]

#: Dies that are solved together.
TOGETHER = 16
#: Frequencies at which each limit of a die is looked at; the nominal one is at POINTS.
DIE_POINTS = 81
#: Standard deviations of the corners of the worst case.
CORNER = 3.0
#: Figures that tell where a device works, the first that it has.
_PLACES = ("resonance", "centre_frequency")


class _Dies:
    """Evaluates dies of one plan."""

    def __init__(
        self, plan: ProcessPlan, design: Design, solutions: Mapping[str, Any], report: Progress
    ) -> None:
        self.plan = plan
        self._solutions = solutions
        self.surrogate = build_surrogate(plan, design, solutions, report)
        self.drift: Drift
        self.drift, self.told = drift_of(plan.resolved, design.stack, solutions)
        self._temperatures = plan.resolved.specification_temperatures or (25.0,)

    def setting(self, changes: Mapping[str, float]) -> CircuitSetting:
        """The device with deviations at some keys."""
        if not changes:
            return self.surrogate.nominal
        circuit, gratings = self.surrogate.device(changes)
        return replace(self.surrogate.nominal, circuit=circuit, gratings=gratings)

    def verdicts(self, changes: Mapping[str, float]) -> tuple[Verdict, ...]:
        """Every limit at every temperature."""
        return judged_at(self.setting(changes), self.plan.limits, self._temperatures, self.drift)

    def faults(self, die: int) -> Faults:
        """What befell the fingers of a die: the same whatever else was drawn before."""
        stream = np.random.default_rng([self.plan.seed, die, *b"faults"])
        return draw_faults(self.surrogate.nominal.circuit, self.plan.faults, stream)

    def many(
        self, dies: Sequence[Mapping[str, float]], faults: Sequence[Faults]
    ) -> list[tuple[Verdict, ...]]:
        """The same for several dies at once; those with faults, each on its own."""
        settings = [self.setting(changes) for changes in dies]
        whole = [setting for setting, fault in zip(settings, faults, strict=True) if not fault]
        found = iter(self._judged(whole) if whole else [])
        return [
            self._judged([replace(setting, circuit=with_faults(setting.circuit, fault))])[0]
            if fault
            else next(found)
            for setting, fault in zip(settings, faults, strict=True)
        ]

    def _judged(self, settings: Sequence[CircuitSetting]) -> list[tuple[Verdict, ...]]:
        return judged_together(
            settings, self.plan.limits, self._temperatures, self.drift, points=DIE_POINTS
        )

    def place(self, changes: Mapping[str, float]) -> float | None:
        """Frequency at which the device works, Hz."""
        figures = self.setting(changes).response().figures
        for name in _PLACES:
            if name in figures and figures[name].known:
                return float(figures[name].value.real)
        return None


def run_yield(case: Case, plan: ProcessPlan, *, progress: Progress | None = None) -> YieldResult:
    """Draw the dies of a case's [yield] and hold each against its specification.

    An interruption (KeyboardInterrupt) after the first twenty dies ends the draw there: the
    result then says how many it holds.

    Raises
    ------
    CaseError, GeometryError, ConvergenceError : as sawfem.pipeline.run, for the nominal case or
        one of its variants.
    """
    report = progress or (lambda stage, done, total: None)
    with threadpool_limits(limits=1, user_api="blas"):
        resolved = case.resolved()
        design = build(resolved)
        solutions = {name: solved_grating(name, resolved, design, report) for name in design.cells}
        dies = _Dies(plan, design, solutions, report)
        if plan.faults.any and dies.surrogate.nominal.gratings.drawn:
            raise InputError(
                key="yield.missing_fingers",
                found="faults on cells of several electrodes",
                expected="none there: such a cell is known as a whole",
            )
        nominal = dies.verdicts({})
        effects, worst = _effects(dies, nominal, report)
        draws = plan.draws()
        margins = _margins(dies, draws, report)
    return _result(dies, draws, margins, nominal, worst, effects)


def _margins(dies: _Dies, draws: Draws, report: Progress) -> Array:
    """(dies, verdicts) margins; fewer dies after an interruption."""
    mean = _finger_means(dies.plan.resolved, draws)
    rows: list[list[float]] = []
    try:
        for first in range(0, draws.count, TOGETHER):
            report("dies", first, draws.count)
            some = range(first, min(first + TOGETHER, draws.count))
            faults = [dies.faults(die) for die in some]
            found = dies.many([_changes(draws, mean, die) for die in some], faults)
            rows += [[_margin(verdict) for verdict in verdicts] for verdicts in found]
    except KeyboardInterrupt:
        if len(rows) < 20:
            raise
    report("dies", len(rows), len(rows))
    return np.array(rows)


def _changes(draws: Draws, mean: Mapping[str, tuple[float, int]], die: int) -> dict[str, float]:
    """Deviations of the keys of one die, those of its fingers by their mean."""
    changes = {key: float(values[die]) for key, values in draws.deviation.items()}
    for key, (sigma, count) in mean.items():
        stream = np.random.default_rng([draws.seed, die, *key.encode()])
        scatter = sigma / np.sqrt(count) * float(stream.standard_normal())
        changes[key] = changes.get(key, 0.0) + scatter
    return changes


def _margin(verdict: Verdict) -> float:
    return float("nan") if verdict.margin is None else float(verdict.margin)


def _finger_means(case: ResolvedCase, draws: Draws) -> dict[str, tuple[float, int]]:
    """Key -> (deviation of a finger, fingers of the smallest transducer): their mean scatters."""
    counts = _finger_counts(case)
    return {key: (sigma, min(counts, default=1)) for key, sigma in draws.finger.items()}


def _finger_counts(case: ResolvedCase) -> list[int]:
    """Fingers of every transducer of a case."""
    counts = [part.fingers for part in case.resonators.values()]
    device = case.device
    single = getattr(device, "resonator", None)
    if single is not None:
        counts.append(single.fingers)
    counts += list(getattr(device, "fingers", ()))
    for track in case.tracks.values():
        counts += [element.count for element in track.elements if element.kind == "transducer"]
    return counts


def _effects(
    dies: _Dies, nominal: tuple[Verdict, ...], report: Progress
) -> tuple[tuple[KeyEffect, ...], list[float]]:
    """Effects of the keys, by central differences over one deviation, and the worst corners."""
    names = [f"{verdict.limit.name}, {verdict.kind}" for verdict in nominal]
    slopes: dict[str, Array] = {}
    found = []
    keys = [item for item in dies.plan.keys.values() if item.deviation > 0.0]
    for number, item in enumerate(keys):
        report("sensitivities", number, len(keys))
        ends = [dies.verdicts({item.key: side * item.deviation}) for side in (-1.0, 1.0)]
        low, high = (np.array([_margin(v) for v in end]) for end in ends)
        slopes[item.key] = 0.5 * (high - low)
        places = [dies.place({item.key: side * item.deviation}) for side in (-1.0, 1.0)]
        shift = None
        if places[0] is not None and places[1] is not None:
            shift = (places[1] - places[0]) / (places[1] + places[0])
        is_length = item.unit == "m" and shift is not None
        found.append(
            KeyEffect(
                key=item.key,
                unit=item.unit,
                deviation=item.deviation,
                margin=dict(zip(names, slopes[item.key].tolist(), strict=True)),
                frequency=shift,
                trim=shift / item.deviation if is_length and shift is not None else None,
            )
        )
    report("sensitivities", len(keys), len(keys))
    worst = []
    for index in range(len(nominal)):
        corner = {
            item.key: -CORNER * float(np.sign(slopes[item.key][index])) * item.deviation
            for item in keys
            if np.isfinite(slopes[item.key][index]) and slopes[item.key][index] != 0.0
        }
        worst.append(_margin(dies.verdicts(corner)[index]))
    return tuple(found), worst


def _result(
    dies: _Dies,
    draws: Draws,
    margins: Array,
    nominal: tuple[Verdict, ...],
    worst: list[float],
    effects: tuple[KeyEffect, ...],
) -> YieldResult:
    """Yield, limits and effects from the margins (dies, limits)."""
    plan = dies.plan
    kept = np.nan_to_num(margins, nan=-1.0) >= 0.0
    passed = np.all(kept, axis=1)
    count = passed.size
    limits = tuple(
        LimitYield(
            name=verdict.limit.name,
            quantity=verdict.limit.quantity,
            kind=verdict.kind,
            bound=verdict.bound,
            share=float(kept[:, index].mean()),
            margin=margins[:, index],
            nominal=_margin(verdict),
            worst=worst[index],
        )
        for index, verdict in enumerate(nominal)
    )
    return YieldResult(
        case_name=plan.case.stem,
        title=plan.case.title,
        seed=plan.seed,
        cells_solved=dies.surrogate.solved,
        surrogate_error=dies.surrogate.error,
        total=estimate_yield(passed, draws.lot[:count], confidence=plan.confidence),
        limits=limits,
        effects=_ranked(effects, limits),
        draws=draws,
        passed=passed,
        asked=plan.dies,
        grid=_rounded(plan),
        faulty=_faulty(dies, passed),
        warnings=tuple(_warnings(dies, plan, count)),
    )


def _faulty(dies: _Dies, passed: NDArray[np.bool_]) -> dict[str, tuple[int, int]]:
    """Kind of fault -> dies that have it, and how many of them keep the specification."""
    if not dies.plan.faults.any:
        return {}
    befallen = [dies.faults(die) for die in range(passed.size)]
    kinds = {
        "missing": np.array([bool(fault.missing) for fault in befallen]),
        "touching": np.array([bool(fault.bridged) for fault in befallen]),
    }
    return {name: (int(has.sum()), int((has & passed).sum())) for name, has in kinds.items()}


def _ranked(
    effects: tuple[KeyEffect, ...], limits: tuple[LimitYield, ...]
) -> tuple[KeyEffect, ...]:
    """The key that moves the tightest limit most first."""
    worst = min(limits, key=lambda limit: (limit.share, limit.nominal))
    name = f"{worst.name}, {worst.kind}"
    return tuple(sorted(effects, key=lambda effect: -abs(effect.margin[name])))


def _rounded(plan: ProcessPlan) -> dict[str, tuple[float, float]]:
    """What rounding the edges of electrodes to the mask's grid does to each grating."""
    if plan.layout_grid is None:
        return {}
    return {
        name: grid_error(grating.pitch, plan.layout_grid)
        for name, grating in plan.resolved.gratings.items()
        if grating.pitch is not None
    }


def grid_error(pitch: float, grid: float, *, electrodes: int = 1000) -> tuple[float, float]:
    """Mean error of the pitch and rms error of an edge in m, edges rounded to a grid.

    Raises InputError for a grid that is no length or coarser than half a pitch.
    """
    if not 0.0 < grid <= 0.5 * pitch:
        raise InputError(
            key="yield.layout_grid", found=f"{grid:.3g} m", expected="above zero, to half a pitch"
        )
    edges = np.arange(electrodes) * pitch
    off = np.round(edges / grid) * grid - edges
    return float((off[-1] - off[0]) / (electrodes - 1)), float(np.sqrt(np.mean(off**2)))


def _coherence(dies: _Dies) -> list[str]:
    """What unlike fingers do to the longest transducer beyond their mean, in words."""
    found = []
    longest = max(_finger_counts(dies.plan.resolved), default=0)
    for key, sigma in dies.plan.draws().finger.items():
        ends = [dies.place({key: side * sigma}) for side in (-1.0, 1.0)]
        if not longest or ends[0] is None or ends[1] is None:
            continue
        slow = abs(ends[1] - ends[0]) / (ends[1] + ends[0])
        loss, floor = velocity_loss(slow, longest), velocity_floor(slow, longest)
        found.append(
            f"fingers unlike in {key} act on the dies by their mean alone; beyond it the peak of "
            f"{longest} of them loses {loss:.1e} dB, and its first zeros fill to {floor:.0f} dB"
        )
    return found


def _warnings(dies: _Dies, plan: ProcessPlan, count: int) -> list[str]:
    """What the drawn dies do not tell."""
    found = [*dies.told, *_coherence(dies)]
    if count < plan.dies:
        found.append(f"interrupted: {count} of {plan.dies} dies were drawn")
    if dies.surrogate.error > 1e-4:
        found.append(
            f"the constants of joint deviations are off by {dies.surrogate.error:.1e} in velocity: "
            "smaller deviations, or a yield that is judged with that in mind"
        )
    if plan.wafers_per_lot * plan.dies_per_wafer >= plan.dies:
        found.append(
            "all dies are of one lot: nothing is known of other lots, and the interval says so"
        )
    return found
