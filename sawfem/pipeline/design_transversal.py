"""From the specification of a case to a transversal filter of two uniform transducers.

Pairs from sinc x sinc, aperture from the loss at the centre (sawfem/device/transversal_first.py),
then a search over both counts, the aperture and a small shift of the pitch, with the reflections,
the echoes and the loads that the formulas leave out. The constants are those of the pitch of the
first design; velocities follow the shift.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sawfem.case import Case, ResolvedCase
from sawfem.case.resolved_asks import ResolvedDesign
from sawfem.device.assembly import Circuit
from sawfem.device.pmatrix import FloatArray
from sawfem.device.specification import Verdict
from sawfem.device.track import Track, Transducer
from sawfem.device.transversal_first import (
    FirstTransversal,
    TransversalWish,
    aperture_for,
    first_transversal,
    optimum_pairs,
    verdict_on,
)
from sawfem.errors import CaseError, InputError
from sawfem.extract import ComConstants, GratingSolution, solve_grating
from sawfem.extract.grating import strongest
from sawfem.pipeline.build import build
from sawfem.pipeline.circuits import CircuitSetting, circuit_setting
from sawfem.pipeline.design_plan import Conditions, DesignPlan
from sawfem.pipeline.designed import ACCURACY, Designed, Progress, absolute_thickness, losses_of
from sawfem.pipeline.specified import judged_together
from sawfem.units import format_quantity

#: Apertures in acoustic wavelengths between which the search moves: below, waves spread too much
#: for a model without diffraction; above, fingers are long.
NARROWEST, WIDEST = 20.0, 400.0
#: Room of the search beside the first design: factors of counts and aperture, relative of pitch.
COUNT_ROOM, APERTURE_ROOM, PITCH_ROOM = 1.6, 4.0, 0.003
#: Gap where the case gives none, acoustic wavelengths.
GAP = 20.0
#: Electrodes per pair, and pitches per acoustic wavelength.
ELECTRODES = {"single": 2, "double": 4}


def design_transversal(case: Case, resolved: ResolvedCase, progress: Progress) -> Designed:
    """Design the filter that a case's [specification] and [design] ask for.

    Raises as :func:`sawfem.pipeline.designing.design`.
    """
    wish_of(resolved, 0.0)  # refused before anything is computed
    return _TransversalPlan.of(case, resolved, progress).designed(progress)


def wish_of(case: ResolvedCase, drift: float) -> TransversalWish:
    """What the limits of a case ask of a transversal filter, or a CaseError for what is missing."""
    passed, stops = losses_of(case)
    try:
        return TransversalWish(
            low=min(limit.start or 0.0 for limit in passed),
            high=max(limit.stop or 0.0 for limit in passed),
            loss=min(limit.at_most or 0.0 for limit in passed),
            stops=tuple((q.start or 0.0, q.stop or 0.0, q.at_least or 0.0) for q in stops),
            drift=drift,
        )
    except InputError as error:
        raise error.located(file=case.file) from None


@dataclass(kw_only=True)
class _TransversalPlan(DesignPlan[TransversalWish, FirstTransversal]):
    """A filter of two transducers on the grating of the first design.

    Attributes
    ----------
    setting : the filter of the first design. coupling : K^2 of the cut, None for none.
    pitch : m, at which the grating was solved.
    """

    setting: CircuitSetting
    coupling: float | None
    pitch: float

    @classmethod
    def of(cls, case: Case, resolved: ResolvedCase, progress: Progress) -> _TransversalPlan:
        """Solve the grating at the pitch of the first design."""
        asked = resolved.design
        assert asked is not None
        case = absolute_thickness(case, resolved)
        centre = wish_of(resolved, 0.0).centre
        pitch = resolved.grating.pitch or 0.0
        for number in range(2):
            progress("unit cells", 2 * number, 4)
            setting, solution, stack = _setting(case, asked, pitch, FIRST)
            progress("unit cells", 2 * number + 1, 4)
            pitch = round(pitch * _constants(setting).centre_frequency / centre, 11)
        conditions, assumed = Conditions.of(resolved, stack, {"main": solution})
        wish = wish_of(resolved, conditions.room + 2.0 * asked.spread / centre)
        first = first_transversal(wish)
        progress("unit cells", 4, 4)
        return cls(
            case=case,
            asked=asked,
            conditions=conditions,
            wish=wish,
            first=first,
            feasible=verdict_on(wish, first),
            assumed=[*assumed, *setting.warnings],
            setting=setting,
            coupling=strongest(solution.waves).coupling_k2,
            pitch=pitch,
        )

    @property
    def constants(self) -> ComConstants:
        """Of half an acoustic wavelength."""
        return _constants(self.setting)

    @property
    def wavelength(self) -> float:
        """Acoustic wavelength at the centre, m."""
        return 2.0 * self.constants.pitch

    def start(self) -> FloatArray:
        """Logarithms of both pair numbers and of the aperture, and no shift of the pitch."""
        impedances = np.array([self.asked.source.real, self.asked.load.real])
        long, short = self.first.pairs
        window = (NARROWEST * self.wavelength, WIDEST * self.wavelength)
        aperture = aperture_for(
            self.first.middle_loss, self.constants, (2 * long, 2 * short), impedances, window
        )
        return np.array([math.log(long), math.log(short), math.log(aperture), 0.0])

    def box(self, start: FloatArray) -> FloatArray:
        """Bounds (4, 2) of the search."""
        counts, room = math.log(COUNT_ROOM), math.log(APERTURE_ROOM)
        low, high = (math.log(w * self.wavelength) for w in (NARROWEST, WIDEST))
        aperture = [max(start[2] - room, low), min(start[2] + room, high)]
        pairs = [[value - counts, value + counts] for value in start[:2]]
        return np.array([*pairs, aperture, [-PITCH_ROOM, PITCH_ROOM]])

    def layout(self, x: FloatArray) -> tuple[tuple[int, int], float, float]:
        """Electrodes of both transducers, aperture on a grid of 0.1 um, pitch of 0.1 nm, m."""
        each = ELECTRODES[self.asked.transducer]
        first, second = (each * max(2, round(math.exp(value))) for value in x[:2])
        return (first, second), round(math.exp(x[2]), 7), round(self.pitch * (1.0 + x[3]), 10)

    def made(self, x: FloatArray) -> CircuitSetting:
        """The filter at a point of the box."""
        counts, aperture, pitch = self.layout(x)
        track = self.setting.circuit.parts["track"]
        assert isinstance(track, Track)
        elements = list(track.elements)
        for place, count in ((0, counts[0]), (2, counts[1])):
            transducer = elements[place]
            assert isinstance(transducer, Transducer)
            elements[place] = replace(transducer, fingers=count)
        changed = replace(track, aperture=aperture, elements=tuple(elements))
        circuit = Circuit(
            {"track": changed}, self.setting.circuit.placed, self.setting.circuit.ports
        )
        # A wider pitch works at a lower frequency, as a slower wave would.
        solved = self.constants.centre_frequency / self.wish.centre
        shift = self.pitch / pitch / solved - 1.0
        return replace(self.setting, circuit=circuit, gratings=self.setting.gratings.warmed(shift))

    def judged(self, device: CircuitSetting, offset: float, points: int) -> tuple[Verdict, ...]:
        """Verdicts at every temperature."""
        return judged_together(
            [device],
            self.conditions.limits,
            self.conditions.temperatures,
            lambda celsius: self.conditions.drift(celsius) + offset,
            points=points,
        )[0]

    def told(self) -> list[str]:
        """What the coupling of the cut means for the width, as a sentence; none without one."""
        if not self.coupling:
            return []
        pairs = optimum_pairs(self.coupling)
        width = 1e-6 * self.wish.centre / pairs
        return [
            f"coupling K^2 of {100.0 * self.coupling:.3g} %: tuned transducers have their widest "
            f"band with {pairs:.0f} pairs, about {width:.3g} MHz; wider or untuned ones pay in loss"
        ]

    def case_of(self, x: FloatArray) -> Case:
        """The case file of a point."""
        counts, aperture, pitch = self.layout(x)
        data = copy.deepcopy(self.case.to_dict())
        data.pop("design")
        grating = data["grating"][0] if isinstance(data["grating"], list) else data["grating"]
        grating["pitch"] = format_quantity(pitch, "m")
        data["device"] = _device_table(self.asked, self.wavelength, counts, aperture)
        return Case.from_dict(data, base=self.case.base)


#: Counts of electrodes with which the constants are asked for; they do not depend on them.
FIRST = (80, 80)


def _setting(
    case: Case, asked: ResolvedDesign, pitch: float, counts: tuple[int, int]
) -> tuple[CircuitSetting, GratingSolution, Any]:
    """A filter on the grating at a pitch, its solution and its stack."""
    data = copy.deepcopy(case.to_dict())
    data.pop("design")
    grating = data["grating"][0] if isinstance(data["grating"], list) else data["grating"]
    grating["pitch"] = format_quantity(pitch, "m")
    wavelength = ELECTRODES[asked.transducer] * pitch
    data["device"] = _device_table(asked, wavelength, counts, round(50.0 * wavelength, 7))
    changed = replace(Case.from_dict(data, base=case.base).resolved(), accuracy=ACCURACY)
    made = build(changed)
    name, cell = next(iter(made.cells.items()))
    solution = solve_grating(cell, accuracy=ACCURACY)
    try:
        return circuit_setting(changed, made.cells, {name: solution}), solution, made.stack
    except InputError as error:
        raise CaseError(
            file=changed.file, key=f"design.{error.key}", found=error.found, expected=error.expected
        ) from None


def _device_table(
    asked: ResolvedDesign, wavelength: float, counts: tuple[int, int], aperture: float
) -> dict[str, Any]:
    """The [device] of a filter, as it is written."""
    gap = asked.gap if asked.gap is not None else round(GAP * wavelength, 7)
    found: dict[str, Any] = {
        "kind": "transversal",
        "transducer": asked.transducer,
        "fingers": list(counts),
        "aperture": format_quantity(aperture, "m"),
        "gap": format_quantity(gap, "m"),
        "source": _impedance(asked.source),
        "load": _impedance(asked.load),
    }
    if asked.propagation_loss:
        found["propagation_loss"] = format_quantity(round(asked.propagation_loss / 1e6, 6), "dB/us")
    if asked.sheet_resistance is not None:
        found["sheet_resistance"] = format_quantity(asked.sheet_resistance, "ohm")
    return found


def _impedance(value: complex) -> Any:
    real = format_quantity(value.real, "ohm")
    return [real, format_quantity(value.imag, "ohm")] if value.imag else real


def _constants(setting: CircuitSetting) -> ComConstants:
    """Constants of half an acoustic wavelength of a filter's grating."""
    name = setting.circuit.gratings[0]
    return setting.gratings.double.get(name, setting.gratings.of(name))
