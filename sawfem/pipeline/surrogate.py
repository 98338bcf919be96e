"""Constants of all gratings as functions of what scatters: quadratic in each key on its own.

Two unit cells are solved for each key and each grating that it moves, REACH standard deviations
to either side, on the mesh of the nominal one, so that what the mesh gets wrong cancels:

    c(q) = c_0 + sum_i [ (c+ - c-)/(2 h) q_i + (c+ - 2 c_0 + c-)/(2 h^2) q_i^2 ].

Products of two deviations are left out; one joint variant is solved in full and tells how much
that costs.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sawfem.case import ResolvedCase
from sawfem.device.track import Gratings
from sawfem.errors import SawfemError
from sawfem.extract import ComConstants, GratingSolution
from sawfem.pipeline.build import Design, build, grating_key
from sawfem.pipeline.circuits import CircuitSetting, circuit_setting
from sawfem.pipeline.execute import solved_grating
from sawfem.pipeline.process import ProcessPlan

Progress = Callable[[str, int, int], None]

#: Where the variants stand, in standard deviations.
REACH = 1.5
#: Parts of a resolved case that a unit cell depends on, besides its own grating.
_CELL_PARTS = ("substrate", "layers", "overcoat", "materials", "temperature")


@dataclass(frozen=True, eq=False)
class Surrogate:
    """Constants for any deviation.

    Attributes
    ----------
    nominal : the device and its constants without deviations.
    variants : key -> (step in the key's unit, constants below, constants above), for keys that
        move a unit cell.
    error : largest relative deviation of a velocity from a full solution, all keys off by
        REACH / sqrt(number of keys) standard deviations at once.
    solved : unit cells that were solved.
    """

    nominal: CircuitSetting
    variants: Mapping[str, tuple[float, Gratings, Gratings]]
    error: float
    solved: int

    def gratings(self, changes: Mapping[str, float]) -> Gratings:
        """The constants at deviations of some keys, each in its key's unit."""
        base = self.nominal.gratings
        moves = [
            (changes[key], *variant) for key, variant in self.variants.items() if key in changes
        ]
        return _moved_gratings(base, moves)


def build_surrogate(
    plan: ProcessPlan, design: Design, solutions: Mapping[str, GratingSolution], report: Progress
) -> Surrogate:
    """Solve the variants of a plan.

    Parameters
    ----------
    solutions : of the nominal gratings, by name.
    report : called with ("variants", done, total).

    Raises
    ------
    ConvergenceError, GeometryError : a variant that cannot be solved, named by its key.
    """
    nominal = circuit_setting(plan.resolved, design.cells, solutions)
    asked = [
        (key, side * REACH * scattered.deviation)
        for key, scattered in plan.keys.items()
        for side in (-1.0, 1.0)
        if scattered.deviation > 0.0
    ]
    joint = {
        key: REACH * scattered.deviation / np.sqrt(len(plan.keys))
        for key, scattered in plan.keys.items()
    }
    count = 0
    found: dict[str, list[Gratings]] = {}
    total = len(asked) + 1
    for number, (key, change) in enumerate(asked):
        report("variants", number, total)
        gratings, solved = _variant(plan, {key: change}, solutions)
        count += solved
        if solved:
            found.setdefault(key, []).append(gratings)
    report("variants", total - 1, total)
    variants = {
        key: (REACH * plan.keys[key].deviation, pair[0], pair[1]) for key, pair in found.items()
    }
    surrogate = Surrogate(nominal, variants, 0.0, count)
    if variants:
        exact, solved = _variant(plan, joint, solutions)
        guess = surrogate.gratings(joint)
        error = max(
            abs(guess.constants[name].velocity / item.velocity - 1.0)
            for name, item in exact.constants.items()
        )
        surrogate = replace(surrogate, error=float(error), solved=count + solved)
    report("variants", total, total)
    return surrogate


def _variant(
    plan: ProcessPlan, changes: Mapping[str, float], solutions: Mapping[str, GratingSolution]
) -> tuple[Gratings, int]:
    """Constants of a variant of the case, and how many unit cells were solved for it."""
    case = plan.variant(changes)
    design = build(case)
    own = dict(solutions)
    solved = 0
    for name in design.cells:
        if _cell_inputs(case, name) != _cell_inputs(plan.resolved, name):
            try:
                own[name] = solved_grating(name, case, design)
            except SawfemError as error:
                shown = ", ".join(f"{key} {change:+.3g}" for key, change in changes.items())
                raise error.located(key=f"{grating_key(name)} ({shown})") from None
            solved += 1
    return circuit_setting(case, design.cells, own).gratings, solved


def _cell_inputs(case: ResolvedCase, name: str) -> Any:
    tree = case.to_dict()
    return [tree[part] for part in _CELL_PARTS], tree["gratings"][name]


def _moved_gratings(
    base: Gratings, moves: list[tuple[float, float, Gratings, Gratings]]
) -> Gratings:
    """All constants, widths and plain velocities, moved."""

    def number(pick: Callable[[Gratings], Any]) -> Any:
        start = pick(base)
        if start is None or isinstance(start, str | bool):
            return start
        total = start
        for change, step, below, above in moves:
            low, high = pick(below), pick(above)
            if low is None or high is None:
                continue
            t = change / step
            total = total + 0.5 * (high - low) * t + 0.5 * (high - 2.0 * start + low) * t * t
        return total

    def constants(pick: Callable[[Gratings], ComConstants]) -> ComConstants:
        entries = {
            entry.name: number(lambda g, name=entry.name: getattr(pick(g), name))  # type: ignore[misc]
            for entry in dataclasses.fields(ComConstants)
        }
        entries["attenuation"] = max(0.0, entries["attenuation"])
        return ComConstants(**entries)

    return Gratings(
        constants={
            name: constants(lambda g, name=name: g.constants[name])  # type: ignore[misc]
            for name in base.constants
        },
        double={
            name: constants(lambda g, name=name: g.double[name])  # type: ignore[misc]
            for name in base.double
        },
        widths={name: number(lambda g, name=name: g.widths[name]) for name in base.widths},  # type: ignore[misc]
        velocity_free=number(lambda g: g.velocity_free),
        velocity_metallised=number(lambda g: g.velocity_metallised),
    )
