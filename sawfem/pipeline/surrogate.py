"""Circuit and constants as functions of what scatters: quadratic in each key on its own.

Two unit cells are solved for each key and each grating that it moves, REACH standard deviations
to either side, on the mesh of the nominal one, so that what the mesh gets wrong cancels. Every
number c of the circuit and of the constants is then

    c(q) = c_0 + sum_i [ (c+ - c-)/(2 h) q_i + (c+ - 2 c_0 + c-)/(2 h^2) q_i^2 ].

Products of two deviations are left out; one joint variant is solved in full and tells how much
that costs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.case import ResolvedCase
from sawfem.device.assembly import Circuit
from sawfem.device.numbers import Numbered
from sawfem.device.track import Gratings
from sawfem.errors import ConvergenceError, SawfemError
from sawfem.extract import GratingSolution
from sawfem.pipeline.beams import same_spreading, with_spreading
from sawfem.pipeline.build import Design, build, grating_key
from sawfem.pipeline.circuits import CircuitSetting, circuit_setting
from sawfem.pipeline.execute import solved_grating
from sawfem.pipeline.process import ProcessPlan

Complex = NDArray[np.complex128]
Progress = Callable[[str, int, int], None]

#: Where the variants stand, in standard deviations.
REACH = 1.5
#: Parts of a resolved case that a unit cell depends on, besides its own grating.
_CELL_PARTS = ("substrate", "layers", "overcoat", "materials", "temperature")


@dataclass(frozen=True, eq=False)
class Surrogate:
    """The device for any deviation.

    Attributes
    ----------
    nominal : the device and its constants without deviations.
    slopes, bends : key -> first and second coefficient of every number of the device (the order
        of sawfem.device.numbers), in the key's unit.
    error : largest relative deviation of a velocity from a full solution, all keys off by
        REACH / sqrt(number of keys) standard deviations at once.
    solved : unit cells that were solved.
    """

    nominal: CircuitSetting
    slopes: Mapping[str, Complex]
    bends: Mapping[str, Complex]
    error: float
    solved: int

    def device(self, changes: Mapping[str, float]) -> tuple[Circuit, Gratings]:
        """Circuit and constants at deviations of some keys, each in its key's unit.

        Raises GeometryError, InputError for what cannot be built.
        """
        numbers = self._start.numbers
        for key, change in changes.items():
            numbers = numbers + self.slopes[key] * change + self.bends[key] * change**2
        circuit, gratings = self._start.changed(numbers)
        constants = {
            name: replace(item, attenuation=0.0) if item.attenuation < 0.0 else item
            for name, item in gratings.constants.items()
        }
        return circuit, replace(gratings, constants=constants)

    @cached_property
    def _start(self) -> Numbered:
        return _numbered(self.nominal)


def _numbered(setting: CircuitSetting) -> Numbered:
    return Numbered((setting.circuit, setting.gratings))


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
    nominal = with_spreading(plan.resolved, nominal, design.cells, solutions)
    start = _numbered(nominal).numbers
    keys = [(key, REACH * item.deviation) for key, item in plan.keys.items() if item.deviation]
    slopes = {key: np.zeros_like(start) for key in plan.keys}
    bends = dict(slopes)
    count, total = 0, 2 * len(keys) + 1
    for number, (key, step) in enumerate(keys):
        ends = []
        for place, side in enumerate((-1.0, 1.0)):
            report("variants", 2 * number + place, total)
            varied, solved = _variant(plan, {key: side * step}, solutions)
            count += solved
            ends.append(_same_numbers(same_spreading(varied, nominal), start, key))
        slopes[key] = (ends[1] - ends[0]) / (2.0 * step)
        bends[key] = (ends[1] - 2.0 * start + ends[0]) / (2.0 * step**2)
    report("variants", total - 1, total)
    surrogate = Surrogate(nominal, slopes, bends, 0.0, count)
    if count:
        joint = {key: step / np.sqrt(len(keys)) for key, step in keys}
        exact, solved = _variant(plan, joint, solutions)
        guess = surrogate.device(joint)[1]
        error = max(
            abs(guess.constants[name].velocity / item.velocity - 1.0)
            for name, item in exact.gratings.constants.items()
        )
        surrogate = replace(surrogate, error=float(error), solved=count + solved)
    report("variants", total, total)
    return surrogate


def _same_numbers(varied: CircuitSetting, start: Complex, key: str) -> Complex:
    """The numbers of a variant. Raises ConvergenceError where there are others than nominally."""
    numbers = _numbered(varied).numbers
    if numbers.size != start.size:
        raise ConvergenceError(
            key=key,
            found="constants that the nominal grating has and its variant has not, or conversely",
            expected="a smaller spread: both on one side of where the constants change character",
        )
    return numbers


def _variant(
    plan: ProcessPlan, changes: Mapping[str, float], solutions: Mapping[str, GratingSolution]
) -> tuple[CircuitSetting, int]:
    """A variant of the case, and how many unit cells were solved for it."""
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
    return circuit_setting(case, design.cells, own), solved


def _cell_inputs(case: ResolvedCase, name: str) -> Any:
    tree = case.to_dict()
    return [tree[part] for part in _CELL_PARTS], tree["gratings"][name]
