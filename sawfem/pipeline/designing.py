"""From the specification of a case to a device that keeps it: a case file that can be run.

Of a ladder here; of a transversal filter in sawfem/pipeline/design_transversal.py.

Constants are computed at three pitches around the first design, at one film thickness, and
interpolated; the search moves two pitches and the static capacitances. What it finds is written
out and to be run, which solves the unit cells at the very pitches.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from sawfem.case import Case, ResolvedCase
from sawfem.device import Resonator
from sawfem.device.assembled import bare_response
from sawfem.device.assembly import Circuit, ResonatorPart, ladder
from sawfem.device.laddering import (
    FirstLadder,
    LadderWish,
    chosen_fingers,
    feasibility,
    first_ladder,
    quadratic,
)
from sawfem.device.losses import attenuation_of_loss
from sawfem.device.pmatrix import FloatArray
from sawfem.device.specification import Verdict, judge, responses_at
from sawfem.device.track import Gratings
from sawfem.errors import CaseError, InputError
from sawfem.extract import ComConstants, GratingSolution, solve_grating
from sawfem.pipeline.build import Design, build
from sawfem.pipeline.design_plan import FINAL_POINTS, Conditions, DesignPlan
from sawfem.pipeline.design_transversal import design_transversal
from sawfem.pipeline.designed import ACCURACY, Designed, Progress, absolute_thickness, losses_of
from sawfem.pipeline.fingers import conducting_width, sheet_resistance
from sawfem.units import format_quantity

#: Room of the search beside the first design: relative of pitches, factor of capacitances.
PITCH_ROOM, CAPACITANCE_ROOM = 0.012, 2.5


def design(case: Case, *, progress: Progress = lambda stage, done, total: None) -> Designed:
    """Design the device that a case's [specification] and [design] ask for.

    Raises
    ------
    CaseError : no [design], no limit on the loss of a pass band, several gratings, ...
    ConvergenceError : a grating without a stop band.
    """
    resolved = case.resolved()
    if resolved.design is not None and resolved.design.kind == "transversal":
        return design_transversal(case, resolved, progress)
    wish_of(resolved, 0.0)  # refused before anything is computed
    return _LadderPlan.of(case, resolved, progress).designed(progress)


def wish_of(case: ResolvedCase, drift: float) -> LadderWish:
    """What the limits of a case ask of a ladder, or a CaseError that says what is missing."""
    passed, stops = losses_of(case)
    assert case.design is not None
    stopped = [limit.at_least for limit in stops if limit.at_least is not None]
    try:
        return LadderWish(
            low=min(limit.start or 0.0 for limit in passed),
            high=max(limit.stop or 0.0 for limit in passed),
            drift=drift,
            rejection=max(stopped, default=20.0) + 5.0,
            impedance=50.0,
            resonators=case.design.resonators,
        )
    except InputError as error:
        raise error.located(file=case.file) from None


@dataclass(kw_only=True)
class _LadderPlan(DesignPlan[LadderWish, FirstLadder]):
    """A ladder, its constants by pitch.

    Attributes
    ----------
    nodes : (3,) pitches, m, at which ``constants`` were solved.
    targets : pitches, m, that put the resonance of the series resonators and the antiresonance
        of the shunt ones at the middle of the pass band.
    sheet : resistance of the electrodes, ohm per square. ratio : conducting width over pitch.
    ports : names and impedances, ohm. fingers : of each distinct resonator.
    """

    nodes: FloatArray
    constants: tuple[ComConstants, ...]
    targets: tuple[float, float]
    sheet: float
    ratio: float
    ports: tuple[tuple[str, complex], tuple[str, complex]]
    fingers: dict[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, case: Case, resolved: ResolvedCase, progress: Progress) -> _LadderPlan:
        """Solve the gratings around the first design."""
        asked = resolved.design
        assert asked is not None
        case = absolute_thickness(case, resolved)
        solution, made = _solved(case, resolved.grating.pitch or 0.0, progress, 0)
        conditions, assumed = Conditions.of(resolved, made.stack, {"main": solution})
        centre = wish_of(resolved, 0.0).centre
        wish = wish_of(resolved, conditions.room + 2.0 * asked.spread / centre)
        low, high = _edges(solution)
        pitch = resolved.grating.pitch or 0.0
        targets = (pitch * low / wish.centre, pitch * high / wish.centre)
        middle = 0.5 * (min(targets) + max(targets))
        reach = 0.5 * abs(targets[1] - targets[0]) + PITCH_ROOM * middle
        nodes = middle + reach * np.array([-0.87, 0.0, 0.87])
        found = [_solved(case, float(p), progress, 1 + n)[0] for n, p in enumerate(nodes)]
        cell = solution.cell
        sheet, told = sheet_resistance(asked.sheet_resistance, "design.sheet_resistance", cell)
        device = resolved.device
        ends = getattr(device, "ports", ()) if device is not None else ()
        ports = [(port.name, port.impedance) for port in ends] or [("1", 50.0), ("2", 50.0)]
        return cls(
            case=case,
            asked=asked,
            conditions=conditions,
            wish=wish,
            first=first_ladder(wish),
            feasible=feasibility(wish, low, high),
            assumed=[*assumed, *told],
            nodes=nodes,
            constants=tuple(item.constants.com() for item in found),
            targets=targets,
            sheet=sheet,
            ratio=conducting_width(cell) / pitch,
            ports=(ports[0], ports[1]),
        )

    @property
    def names(self) -> list[str]:
        """Distinct resonators, in the order of the chain."""
        return list(dict.fromkeys(self.first.names))

    def at(self, pitch: float) -> ComConstants:
        """Constants at a pitch, by a parabola through those at the nodes."""
        values: dict[str, Any] = {}
        for item in fields(ComConstants):
            column = [getattr(known, item.name) for known in self.constants]
            if any(value is None for value in column):
                values[item.name] = None
                continue
            found = quadratic(self.nodes, np.array(column, dtype=complex), pitch)
            real = not any(isinstance(value, complex) for value in column)
            values[item.name] = found.real if real else found
        values["pitch"] = pitch
        return ComConstants(**values)

    def start(self) -> FloatArray:
        """Pitches of series and shunt, then ln C of each distinct resonator."""
        logs = [np.log(self.first.capacitance(name)) for name in self.names]
        for name in self.names:
            pitch = self.targets[1 if name.startswith("p") else 0]
            self.fingers[name], _ = chosen_fingers(
                self.first.capacitance(name), self.at(pitch).static, 2.0 * pitch
            )
        return np.array([*self.targets, *logs])

    def box(self, start: FloatArray) -> FloatArray:
        """Bounds (n, 2) of the search."""
        room = np.log(CAPACITANCE_ROOM)
        pitches = [[p * (1.0 - PITCH_ROOM), p * (1.0 + PITCH_ROOM)] for p in start[:2]]
        return np.array([*pitches, *[[c - room, c + room] for c in start[2:]]])

    def rounded(self, x: FloatArray) -> FloatArray:
        """The same on a grid: pitches of 0.1 nm, apertures of 10 nm."""
        x = x.copy()
        x[:2] = np.round(x[:2], 10)
        for n, name in enumerate(self.names):
            per_metre = self.fingers[name] * self._constants(x, name).static
            x[2 + n] = np.log(np.round(np.exp(x[2 + n]) / per_metre, 8) * per_metre)
        return x

    def _constants(self, x: FloatArray, name: str) -> ComConstants:
        return self.at(float(x[1 if name.startswith("p") else 0]))

    def made(self, x: FloatArray) -> tuple[Circuit, Gratings]:
        """The ladder at a point of the box, and its gratings."""
        series, shunt = self.at(float(x[0])), self.at(float(x[1]))
        widths = {"series": self.ratio * series.pitch, "shunt": self.ratio * shunt.pitch}
        gratings = Gratings({"series": series, "shunt": shunt}, widths=widths)
        parts = {}
        for n, name in enumerate(self.names):
            grating = "shunt" if name.startswith("p") else "series"
            constants = gratings.of(grating)
            resonator = Resonator(
                fingers=self.fingers[name],
                reflector_fingers=(self.asked.reflector_fingers,) * 2,
                aperture=float(np.exp(x[2 + n])) / (self.fingers[name] * constants.static),
                gap=constants.pitch,
                sheet_resistance=self.sheet,
                electrode_width=widths[grating],
                attenuation=attenuation_of_loss(self.asked.propagation_loss, constants.velocity),
            )
            parts[name] = ResonatorPart(resonator, grating)
        return ladder(parts, self.chain, self.ports), gratings

    @property
    def chain(self) -> list[tuple[str, list[str]]]:
        """Links from port 1 to port 2."""
        kinds = {"s": "series", "p": "shunt"}
        return [(kinds[name[0]], [name]) for name in self.first.names]

    def judged(
        self, device: tuple[Circuit, Gratings], offset: float, points: int
    ) -> tuple[Verdict, ...]:
        """Verdicts at every temperature; in the search, at those that matter."""
        circuit, gratings = device
        limits = self.conditions.limits
        changes = {
            celsius: self.conditions.drift(celsius) for celsius in self.conditions.temperatures
        }
        responses = responses_at(
            limits,
            _extremes(changes, offset) if points < FINAL_POINTS else list(changes),
            lambda celsius, f: bare_response(
                circuit, gratings.warmed(changes[celsius] + offset), f
            ),
            np.empty(0),
            points=points,
        )
        return judge(limits, responses)

    def case_of(self, x: FloatArray) -> Case:
        """The case file of a point: two gratings, the resonators, the chain."""
        data = copy.deepcopy(self.case.to_dict())
        data.pop("design")
        base = data["grating"][0] if isinstance(data["grating"], list) else data["grating"]
        base = {key: value for key, value in base.items() if key not in ("name", "pitch")}
        pitches = [format_quantity(round(float(p), 10), "m") for p in x[:2]]
        data["grating"] = [
            {"name": "series", "pitch": pitches[0], **base},
            {"name": "shunt", "like": "series", "pitch": pitches[1]},
        ]
        data["resonator"] = [self._resonator(x, n, name) for n, name in enumerate(self.names)]
        device = data.get("device", {})
        data["device"] = {
            "kind": "ladder",
            **({"ports": device["ports"]} if "ports" in device else {}),
            "chain": [{kind: members[0]} for kind, members in self.chain],
        }
        return Case.from_dict(data, base=self.case.base)

    def _resonator(self, x: FloatArray, n: int, name: str) -> dict[str, Any]:
        per_metre = self.fingers[name] * self._constants(x, name).static
        found: dict[str, Any] = {
            "name": name,
            "grating": "shunt" if name.startswith("p") else "series",
            "fingers": self.fingers[name],
            "reflector_fingers": self.asked.reflector_fingers,
            "aperture": format_quantity(round(float(np.exp(x[2 + n])) / per_metre, 8), "m"),
        }
        if self.asked.propagation_loss:
            found["propagation_loss"] = format_quantity(
                round(self.asked.propagation_loss / 1e6, 6), "dB/us"
            )
        if self.asked.sheet_resistance is not None:
            found["sheet_resistance"] = format_quantity(self.asked.sheet_resistance, "ohm")
        return found


def _extremes(changes: Mapping[float, float], offset: float) -> list[float]:
    """Temperatures of the extreme drifts; with an offset, of the one on its side."""
    order = sorted(changes, key=lambda celsius: changes[celsius])
    if offset < 0.0:
        return order[:1]
    return order[-1:] if offset > 0.0 else list(dict.fromkeys((order[0], order[-1])))


def _solved(
    case: Case, pitch: float, progress: Progress, number: int
) -> tuple[GratingSolution, Design]:
    """The grating at a pitch, to the accuracy of a design."""
    progress("unit cells", number, 4)
    changed = case.edit({"grating.pitch": format_quantity(round(pitch, 12), "m")}).resolved()
    made = build(replace(changed, accuracy=ACCURACY))
    solution = solve_grating(next(iter(made.cells.values())), accuracy=ACCURACY)
    progress("unit cells", number + 1, 4)
    return solution, made


def _edges(solution: GratingSolution) -> tuple[float, float]:
    """Resonance and antiresonance of an endless resonator, Hz."""
    constants = solution.constants
    side = 0 if constants.resonant_edge == "lower" else 1
    resonance = constants.stopband_short[side]
    opened = [edge for edge in constants.stopband_open if edge is not None]
    above = [edge for edge in opened if resonance is not None and edge > resonance]
    if resonance is None or not above:
        raise CaseError(
            key="grating", found="no resonance and antiresonance", expected="a cut that has both"
        )
    return resonance, min(above)
