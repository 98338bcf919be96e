"""A track solved: elements joined strip by strip of the aperture, ports in parallel.

Apodisation by overlap cuts the aperture into strips in which every electrode either alternates or
does not take part. A strip is an acoustic row of its own (no diffraction between strips); the
electrical ports of all strips are in parallel. Outside its overlap an electrode and its dummy
hang on the bus-bar of their side: a run of equal potential, which drives nothing but its ends,
and with opposite sign on the two sides of the middle, so that to first order not even those.
There the strip is a shorted grating; without dummies every second electrode is missing, and the
strip has half the reflection and the mean slowness of grating and free surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np

from sawfem.device.joining import in_parallel, repeated, with_capacitance, with_idle_port
from sawfem.device.losses import bus_bar_resistance
from sawfem.device.network import in_series
from sawfem.device.pmatrix import ComplexArray, FloatArray, PMatrix, cascade, delay
from sawfem.device.polarity import Block, blocks_of, capacitance_in_electrodes, runs_of
from sawfem.device.section import grating_section, transducer_section
from sawfem.device.track import (
    Element,
    Gratings,
    Reflector,
    Space,
    Track,
    Transducer,
    strip_levels,
)
from sawfem.device.ways import groups_of
from sawfem.errors import GeometryError, InputError
from sawfem.extract.constants import ComConstants

Sequence8 = np.ndarray[Any, np.dtype[np.int8]]


@dataclass(frozen=True)
class TrackSolution:
    """P-matrices of a track.

    Attributes
    ----------
    frequency : (F,) in hertz.
    strips : one P-matrix for each strip of the aperture, electrical ports in the track's order.
    resistance : (E,) ohm of the fingers of each port.
    radiated : share of the gratings' own attenuation in all attenuation.
    spread : (F, E, E), S, Y without finger resistance where beams spread (:mod:`.spreading`,
        :mod:`.passages`); None for beams that stay as they are.
    """

    frequency: FloatArray
    strips: tuple[PMatrix, ...]
    resistance: FloatArray
    radiated: float = 0.0
    spread: ComplexArray | None = None

    @property
    def bare(self) -> ComplexArray:
        """Y (F, E, E) without finger resistance, S."""
        return self.straight if self.spread is None else self.spread

    @property
    def straight(self) -> ComplexArray:
        """The same of beams that stay as they are."""
        return np.asarray(sum(strip.admittance for strip in self.strips))

    @property
    def admittance(self) -> ComplexArray:
        """Y (F, E, E) in siemens with finger resistance; nothing comes in at the ends."""
        return in_series(self.bare, self.resistance)

    def losses(self, voltage: ComplexArray) -> dict[str, FloatArray]:
        """Power lost by mechanism for voltages (F, E) at the ports, effective values, W.

        ``resistance`` of the fingers, ``ends``: waves that leave the track; the rest is what the
        waves lose on their way: ``radiation``, the gratings' own attenuation, and ``propagation``,
        what the device adds, in the ratio of the two. What receivers miss of a beam that spreads
        leaves the track as well.
        """
        current = np.einsum("fij,fj->fi", self.admittance, voltage)
        inner = voltage - self.resistance * current
        resistance = (np.abs(current) ** 2) @ self.resistance
        ends = np.zeros(self.frequency.size)
        for strip in self.strips:
            leaving = np.einsum("fij,fj->fi", strip.matrix[:, :2, 2:], inner)
            ends += (np.abs(leaving) ** 2).sum(axis=1)
        total = np.einsum("fi,fi->f", voltage.conj(), current).real
        if self.spread is not None:
            changed = self.spread - self.straight
            ends += np.einsum("fi,fij,fj->f", inner.conj(), changed, inner).real
        rest = total - resistance - ends
        return {
            "resistance": resistance,
            "ends": ends,
            "radiation": self.radiated * rest,
            "propagation": (1.0 - self.radiated) * rest,
        }

    def power_error(self) -> float:
        """Largest violation of power balance in any strip; for a track without losses."""
        return max(strip.power_error() for strip in self.strips)

    def reciprocity_error(self) -> float:
        """Largest violation of reciprocity in any strip."""
        return max(strip.reciprocity_error() for strip in self.strips)


@dataclass
class _Builder:
    """Sections of one track at one set of frequencies; equal ones are computed once."""

    track: Track
    gratings: Gratings
    frequency: FloatArray
    known: dict[Any, PMatrix] = field(default_factory=dict)

    def constants(self, element: Reflector | Transducer) -> ComConstants:
        double = isinstance(element, Transducer) and element.double
        found = self.gratings.of(element.grating, double=double)
        return replace(found, attenuation=found.attenuation + self.track.attenuation)

    def width(self, element: Element, *, right: bool) -> float:
        """Width of the outer electrode at an end, m; 0 where it is not known."""
        if isinstance(element, Space):
            return 0.0
        drawn = self.gratings.drawn.get(element.grating)
        if drawn is None:
            return self.gratings.widths.get(element.grating, 0.0)
        return drawn.outer(right=right, mirrored=getattr(element, "mirrored", False)).width

    def half_pitch(self, element: Reflector | Transducer) -> float:
        """Half the distance from electrode to electrode, m."""
        cells = element.electrodes_per_cell if isinstance(element, Transducer) else 1
        return 0.5 * self.constants(element).pitch / cells

    def reflector(self, element: Reflector) -> PMatrix:
        """Its section; equal reflectors are computed once."""
        key = (element.grating, element.strips, element.connection)
        drawn = self.gratings.drawn.get(element.grating)
        if drawn is not None and element.connection == "open":
            raise GeometryError(
                key="connection", found="open cells of several electrodes", expected="shorted"
            )
        if key not in self.known:
            strips = element.strips if drawn is None else 2 * drawn.cells(element.strips)
            self.known[key] = grating_section(
                self.constants(element),
                strips,
                self.frequency,
                connection=element.connection,
            )
        return self.known[key]

    def space(self, position: int) -> PMatrix:
        """The stretch of surface that the sections beside it leave of a space."""
        elements = self.track.elements
        element = elements[position]
        assert isinstance(element, Space)
        before = elements[position - 1] if position > 0 else element
        after = elements[position + 1] if position + 1 < len(elements) else element
        length = element.length - self.gratings.lead(before, right=True)
        length -= self.gratings.lead(after, right=False)
        beside = [e for e in (before, after) if not isinstance(e, Space)]
        widths = [self.width(before, right=True), self.width(after, right=False)]
        if element.length <= 0.5 * sum(widths):
            raise GeometryError(
                key=f"elements[{position}].space",
                found=f"{element.length:g} m",
                expected=f"more than {0.5 * sum(widths):g} m, where the electrodes beside it touch",
            )
        velocity = self._velocity(element, beside)
        return delay(length, velocity, self.frequency, attenuation=self.track.attenuation)

    def _velocity(self, space: Space, beside: Sequence[Reflector | Transducer]) -> float:
        """Phase velocity of a space, m/s: of the surface it names, else of what stands beside."""
        named = {
            "free": self.gratings.velocity_free,
            "metallised": self.gratings.velocity_metallised,
        }
        if space.surface:
            velocity = named[space.surface]
            if velocity is None:
                raise InputError(
                    key="surface", found=f"{space.surface}, of unknown velocity", expected="known"
                )
            return velocity
        if not beside:
            raise GeometryError(
                key="surface", found="nothing", expected="free or metallised, far from a grating"
            )
        return float(np.mean([self.constants(e).velocity for e in beside]))

    def run(
        self, element: Transducer, constants: ComConstants, aperture: float, first: int, cells: int
    ) -> PMatrix:
        """One run of a transducer, with one electrical port."""
        key = (element.grating, element.double, cells, abs(first), aperture)
        if key not in self.known:
            if first:
                found = transducer_section(constants, cells, aperture, self.frequency)
            else:
                found = with_idle_port(grating_section(constants, cells, self.frequency))
            self.known[key] = found
        return self.known[key] if first >= 0 else self.known[key].connected([[-1.0]])

    def block(
        self, element: Transducer, constants: ComConstants, aperture: float, block: Block
    ) -> PMatrix:
        """Runs that are repeated, joined by doubling."""
        runs, times = block
        return repeated(
            in_parallel(
                [self.run(element, constants, aperture, first, cells) for first, cells in runs]
            ),
            times,
        )

    def transducer(self, element: Transducer, aperture: float, level: float) -> PMatrix:
        """A transducer in the strip at height ``level``, ``aperture`` wide; one port."""
        constants = self.constants(element)
        drawn = self.gratings.drawn.get(element.grating)
        if drawn is not None:
            cells = drawn.cells(element.fingers)
            found = transducer_section(constants, 2 * cells, aperture, self.frequency)
            return found.mirrored() if element.mirrored else found
        c = element.sequence
        active = np.ones(c.size, dtype=bool)
        if element.weights is not None:
            active = np.asarray(element.weights) > level
        step = element.electrodes_per_cell
        sections: list[PMatrix] = []
        for piece, taking_part in _stretches(c[::step], active[::step]):
            if taking_part:
                sections += [
                    self.block(element, constants, aperture, block)
                    for block in blocks_of(runs_of(piece))
                ]
            else:
                chosen = constants if element.dummies else self._sparse(constants)
                sections.append(with_idle_port(grating_section(chosen, piece.size, self.frequency)))
        joined = in_parallel(sections)
        extra = _static_cells(element, c, active, self._ratio(element)) - _driven(c, active, step)
        whole = with_capacitance(joined, extra * constants.capacitance * aperture)
        return whole.mirrored() if element.mirrored else whole

    def _ratio(self, element: Transducer) -> float:
        """Metallisation ratio; 0.5 where the width is not known."""
        pitch = 2.0 * self.half_pitch(element)
        width = self.gratings.widths.get(element.grating)
        return 0.5 if width is None else min(max(width / pitch, 0.05), 0.95)

    def _sparse(self, constants: ComConstants) -> ComConstants:
        """A grating in which every second electrode is missing (module docstring)."""
        free = self.gratings.velocity_free or constants.velocity
        slowness = 0.5 * (1.0 / constants.velocity + 1.0 / free)
        k, k_back = (0.5 * part for part in constants.both_reflections)
        return replace(constants, velocity=1.0 / slowness, reflection=k, reflection_back=k_back)


def solve_track(
    track: Track, gratings: Gratings, frequency: FloatArray, *, lossless: bool = False
) -> TrackSolution:
    """P-matrices of a track at ``frequency`` (F,) in hertz.

    ``lossless`` leaves every attenuation and the finger resistance out. Raises GeometryError for
    electrodes that overlap, InputError for a grating or velocity that is not known.
    """
    if lossless:
        track = replace(track, attenuation=0.0, sheet_resistance=0.0)
        gratings = gratings.lossless()
    builder = _Builder(track, gratings, frequency)
    levels, shares = strip_levels(track)
    merged: dict[tuple[Any, ...], list[float]] = {}
    for level, share in zip(levels, shares, strict=True):
        pattern = tuple(
            (np.asarray(e.weights) > level).tobytes()
            for e in track.elements
            if isinstance(e, Transducer) and e.weights is not None
        )
        merged.setdefault(pattern, [float(level), 0.0])[1] += float(share)
    strips = tuple(_row(builder, share * track.aperture, level) for level, share in merged.values())
    resistance = np.array([_port_resistance(track, gratings, port) for port in track.ports])
    own = max(gratings.of(name).attenuation for name in track.gratings)
    total = own + track.attenuation
    share = own / total if total else 0.0
    return _spread(TrackSolution(frequency, strips, resistance, share), builder)


def _spread(solution: TrackSolution, builder: _Builder) -> TrackSolution:
    """The solution with the spreading of the track's beams, if it has any.

    A spreading belongs to a synchronous frequency: with another velocity it holds at frequencies
    as many times higher.
    """
    track, gratings = builder.track, builder.gratings
    found = track.spreading
    if found is None:
        return solution
    first = next(e for e in track.elements if isinstance(e, Transducer))
    own = gratings.of(first.grating, double=first.double).centre_frequency
    at = solution.frequency * (found.centre / own)
    y = solution.straight
    if found.passages is not None:
        groups, spaces, standing = _groups(builder)
        y = found.passages.admittance(groups, spaces, at)
        y = y * found.single(track.ports, standing, at)
    else:
        y = y * found.matrix(track.ports, at)
    if found.transfers:
        anchors = found.anchors * (own / found.centre)
        straight = solve_track(replace(track, spreading=None), gratings, anchors).straight
        y = y + found.rest(track.ports, at, straight)
    return replace(solution, spread=y)


def _groups(
    builder: _Builder,
) -> tuple[list[PMatrix], list[ComplexArray], dict[str, int | None]]:
    """Groups of elements of a row that is not apodised, the spaces between, and port -> group.

    None for a port that stands in several groups.
    """
    track = builder.track
    places = groups_of(track, builder.gratings)
    found = [_row(builder, track.aperture, 0.0, group) for group in places]
    spaces = []
    for left, right in pairwise(places):
        between = [builder.space(place) for place in range(left[-1] + 1, right[0])]
        spaces.append(cascade(between).transmission)
    standing: dict[str, int | None] = {}
    for number, group in enumerate(places):
        for place in group:
            element = track.elements[place]
            if isinstance(element, Transducer):
                known = standing.setdefault(element.port, number)
                standing[element.port] = number if known == number else None
    return found, spaces, standing


def _row(
    builder: _Builder, aperture: float, level: float, places: Sequence[int] | None = None
) -> PMatrix:
    """All elements of one strip, or those at some places, transducers of one name in parallel."""
    sections, hung = [], []
    ports = builder.track.ports
    for position, element in enumerate(builder.track.elements):
        if places is not None and position not in places:
            continue
        if isinstance(element, Reflector):
            sections.append(builder.reflector(element))
        elif isinstance(element, Space):
            sections.append(builder.space(position))
        else:
            sections.append(builder.transducer(element, aperture, level))
            hung.append(ports.index(element.port))
    incidence = np.zeros((len(hung), len(ports)))  # ports of other places are idle
    incidence[range(len(hung)), hung] = 1.0
    return cascade(sections).connected(incidence)


def _port_resistance(track: Track, gratings: Gratings, port: str) -> float:
    """Resistance of all fingers of one port, ohm."""
    if track.sheet_resistance == 0.0:
        return 0.0
    conductance = np.zeros(2)
    for element in track.elements:
        if not isinstance(element, Transducer) or element.port != port:
            continue
        width = gratings.widths.get(element.grating)
        if width is None:
            raise InputError(
                key="electrode_width",
                found="nothing",
                expected=f'a width of "{element.grating}", to get a resistance',
            )
        drawn = gratings.drawn.get(element.grating)
        if drawn is not None:
            cells = drawn.cells(element.fingers)
            conductance += cells * np.array([drawn.width("hot"), drawn.width("ground")])
            continue
        for side, c in enumerate((1, -1)):
            count = int(np.count_nonzero(element.sequence == c))
            conductance[side] += count * width
    if not conductance.all():
        return 0.0
    return bus_bar_resistance(conductance, track.aperture, track.sheet_resistance)


def _stretches(c: Sequence8, active: np.ndarray[Any, Any]) -> list[tuple[Sequence8, bool]]:
    """Pieces of a sequence that take part, or do not, in turn."""
    cuts = np.flatnonzero(np.diff(active.astype(np.int8))) + 1
    starts = [0, *cuts.tolist()]
    pieces = np.split(c, cuts)
    return [(piece, bool(active[s])) for piece, s in zip(pieces, starts, strict=True)]


def _driven(c: Sequence8, active: np.ndarray[Any, Any], step: int) -> float:
    """Cells whose capacitance the sections have already."""
    return float(np.count_nonzero(c[::step][active[::step]]))


def _static_cells(
    element: Transducer, c: Sequence8, active: np.ndarray[Any, Any], ratio: float
) -> float:
    """Static capacitance in cells of a uniform transducer of this kind.

    Electrodes that do not take part are on the bus-bar of their side: mean of both sides.
    """
    polarity = np.array(element.polarity[:: element.electrodes_per_cell])
    uniform = np.array_equal(polarity[::2], -polarity[1::2]) and len(set(polarity[::2])) == 1
    if uniform and active.all():
        return float(c.size // element.electrodes_per_cell)
    sides = (1.0, -1.0) if element.dummies and not active.all() else (0.0,)
    values = [capacitance_in_electrodes(np.where(active, c, side), ratio) for side in sides]
    unit = 1.0
    if element.double:
        unit = capacitance_in_electrodes(np.resize([1, 1, -1, -1], 400), ratio) / 200.0
    return float(np.mean(values)) / unit
