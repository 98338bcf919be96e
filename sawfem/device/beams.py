"""Beams between the transducers of a track: loss, steering, profile and field of each pair.

Sources and receivers are the overlaps of the electrodes where they lie (:mod:`.sources`), each
with its own width and place; on the way lies plain surface. Weights are in phase at the
synchronous frequency of each grating.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sawfem.device.angular_spectrum import ComplexArray, FloatArray
from sawfem.device.diffraction import (
    Factor,
    beam_field,
    factor,
    factors,
    far_field_angles,
    transfer,
)
from sawfem.device.parabolic_beam import pair_factor
from sawfem.device.passages import Passages
from sawfem.device.sources import Segments, parallel
from sawfem.device.spreading import STEP, Pair, Spreading, Transfer
from sawfem.device.track import Gratings, Space, Track, Transducer
from sawfem.device.ways import space_length, ways_of
from sawfem.errors import InputError
from sawfem.planewave.slowness_curve import SlownessCurve
from sawfem.quantities import Quantity

#: Frequencies at which a factor is computed, and how far from the synchronous one, relative.
NODES, REACH = 9, 0.2
#: Points of a map along and across, and of a profile.
ALONG, ACROSS, PROFILE = 121, 141, 281
#: How far a sum over overlaps goes, in zeros of the shorter transducer's response; points a period
#: of the fastest ripple in it; most points.
LOBES, DENSE, MOST = 8.0, 4.0, 801
#: Share of the receiver's aperture by which a beam may walk aside before that is said.
ASIDE = 0.2
#: Share of |D| that directions without data may leave open before the answer is refused.
UNKNOWN = 0.1


@dataclass(frozen=True, eq=False)
class PortSources:
    """The overlaps of all transducer elements of one port.

    ``plain`` has the weights of the polarity, ``phase`` (n,) the phase in radians at which a
    synchronous wave reaches each; ``grating`` and ``double`` tell which constants are meant.
    """

    port: str
    plain: Segments
    phase: FloatArray
    grating: str
    double: bool

    def synchronous(self, *, receiving: bool = False) -> Segments:
        """Weights in phase for a wave that runs to the right."""
        sign = -1.0 if receiving else 1.0
        return replace(self.plain, weight=self.plain.weight * np.exp(1j * sign * self.phase))


def track_sources(track: Track, gratings: Gratings) -> dict[str, PortSources]:
    """Sources of every port of a track, by its name, from the left."""
    parts: dict[str, list[tuple[Segments, FloatArray, Transducer]]] = {}
    x = phase = 0.0
    for position, element in enumerate(track.elements):
        if isinstance(element, Space):
            beside = track.elements[max(position - 1, 0) : position + 2]
            cells = [gratings.half_wave(e) for e in beside if not isinstance(e, Space)]
            length = space_length(track, position, gratings)
            phase += math.pi * length / float(np.mean(cells)) if cells else 0.0
            x += length
            continue
        cell, count = gratings.half_wave(element), gratings.half_waves(element)
        if isinstance(element, Transducer):
            found = _overlaps(element, x, gratings, track.aperture)
            at = phase + math.pi * (found.x - x) / cell
            parts.setdefault(element.port, []).append((found, at, element))
        phase += math.pi * count
        x += count * cell
    return {
        port: PortSources(
            port,
            Segments.joined(segments for segments, _, _ in pieces),
            np.concatenate([at for _, at, _ in pieces]),
            pieces[0][2].grating,
            pieces[0][2].double,
        )
        for port, pieces in parts.items()
    }


def _overlaps(element: Transducer, x: float, gratings: Gratings, aperture: float) -> Segments:
    """Sources of a transducer whose section starts at ``x``, m.

    On a cell drawn in full those of its half waves: one alternating electrode each.
    """
    if element.grating in gratings.drawn:
        waves = gratings.half_waves(element)
        element = replace(element, fingers=waves, polarity=(1, -1), weights=None)
    pitch = gratings.half_wave(element) / element.electrodes_per_cell
    return Segments.of_transducer(element, x, pitch, aperture)


def pairs_of(sources: Mapping[str, PortSources]) -> list[tuple[PortSources, PortSources]]:
    """Pairs of ports of which one lies behind the other, from the left."""
    listed = sorted(sources.values(), key=lambda s: float(np.min(s.plain.x)))
    return [
        (one, other)
        for i, one in enumerate(listed)
        for other in listed[i + 1 :]
        if np.max(one.plain.x) < np.min(other.plain.x)
    ]


def synchronous_frequency(port: PortSources, gratings: Gratings) -> float:
    """v/(2 cell) of the port's grating, Hz."""
    return gratings.of(port.grating, double=port.double).centre_frequency


def spreading(
    track: Track,
    gratings: Gratings,
    curve: SlownessCurve,
) -> Spreading:
    """Factors of all pairs of ports of a track, over 0.8 to 1.2 of its synchronous frequency.

    With sums over all overlaps for pairs of which one is apodised, and with the passages of waves
    that are turned back where none is.

    Raises
    ------
    InputError : nothing that a beam could spread to, or a curve that leaves the directions open in
        which a pair sees each other.
    """
    pairs = pairs_of(track_sources(track, gratings))
    ways = ways_of(track, gratings)
    if not pairs and not ways:
        raise InputError(
            key="diffraction",
            found="no two transducers on different ports, one behind the other",
            expected="an input and an output transducer, or a reflector far away",
        )
    first = pairs[0][0] if pairs else next(iter(track_sources(track, gratings).values()))
    centre = synchronous_frequency(first, gratings)
    f = centre * np.linspace(1.0 - REACH, 1.0 + REACH, NODES)
    found, sums = {}, {}
    for one, other in pairs:
        ends = one.synchronous(), other.synchronous(receiving=True)
        pair: Pair = (one.port, other.port)
        found[pair] = factors(curve, f, *ends)
        if np.ptp(one.plain.width) > 0.0 or np.ptp(other.plain.width) > 0.0:
            sums[pair] = _summed(one, other, gratings, curve, centre)
    apodised = any(e.weights for e in track.elements if isinstance(e, Transducer))
    passages = Passages.along(curve, f, ways) if ways and not apodised else None
    return Spreading(centre, f, found, sums, passages)


def _summed(
    one: PortSources, other: PortSources, gratings: Gratings, curve: SlownessCurve, centre: float
) -> Transfer:
    """Sums over the overlaps of a pair, some zeros of the shorter transducer to either side."""
    velocity = gratings.of(one.grating, double=one.double).velocity
    lengths = [max(float(np.ptp(part.plain.x)), velocity / centre) for part in (one, other)]
    reach = min(LOBES * velocity / min(lengths), REACH * centre)
    # Taken without its delay, a sum ripples no faster than both lengths together allow.
    half = math.ceil(DENSE * reach * sum(lengths) / velocity)
    f = centre + reach * np.linspace(-1.0, 1.0, 2 * min(half, MOST // 2) + 1)
    spread, straight = transfer(curve, f, one.plain, other.plain, velocity)
    near = centre * (1.0 + STEP * np.array([-1.0, 1.0]))
    ends = [
        parallel(one.plain.phased(k), other.plain.phased(-k))
        for k in 2.0 * math.pi * near / velocity
    ]
    slope = float(np.angle(ends[1] / ends[0])) / (2.0 * math.pi * (near[1] - near[0]))
    return Transfer(f, spread, straight, -slope)


@dataclass(frozen=True, eq=False)
class BeamPair:
    """The beam from one transducer to another.

    Attributes
    ----------
    track, source, receiver : names of the part and of its ports.
    surface : "free" or "metallised", of the plain surface on the way.
    applied : whether the factor is in the response of the device.
    frequency : Hz, synchronous.
    figures : quantities with their numerical uncertainty; material : what the misalignment makes
        of them, absolute; misalignment : degrees either way, 0 where none was asked for.
    factor_frequency, factor : (n,), Hz, and D.
    map_x, map_y, intensity : m, m, and |u|^2 (x, y), 1 in the middle of a beam that does not
        spread; x from the first overlap of the source, y from the middle of the aperture.
    profile_y, profile, profile_x : |u|^2 (m,) at the middle of the receiver.
    angle, velocity, flow : slowness curve, degrees, m/s, degrees.
    outlines : (left, right, low, high) of source and receiver, m.
    transfer_frequency, transfer, transfer_straight : delta-function model of the pair with and
        without diffraction, where one of the two is apodised; empty otherwise.
    remarks : sentences.
    """

    track: str
    source: str
    receiver: str
    surface: str
    applied: bool
    frequency: float
    figures: Mapping[str, Quantity]
    material: Mapping[str, float]
    misalignment: float
    factor_frequency: FloatArray
    factor: ComplexArray
    map_x: FloatArray
    map_y: FloatArray
    intensity: FloatArray
    profile_x: float
    profile_y: FloatArray
    profile: FloatArray
    angle: FloatArray
    velocity: FloatArray
    flow: FloatArray
    outlines: tuple[tuple[float, float, float, float], ...]
    transfer_frequency: FloatArray = field(default_factory=lambda: np.zeros(0))
    transfer: ComplexArray = field(default_factory=lambda: np.zeros(0, dtype=complex))
    transfer_straight: ComplexArray = field(default_factory=lambda: np.zeros(0, dtype=complex))
    remarks: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Track and ports, for titles and file names."""
        return f"{self.track}-{self.source}-{self.receiver}"


def beam_pair(
    name: str,
    ends: tuple[PortSources, PortSources],
    gratings: Gratings,
    curve: SlownessCurve,
    found: Spreading,
    *,
    applied: bool,
    misalignment: float = 0.0,
) -> BeamPair:
    """Everything about one pair of ports of the track ``name``.

    Parameters
    ----------
    found : factors of the track over frequency. misalignment : degrees by which the propagation
        may be off, either way.

    Raises
    ------
    InputError : a curve that does not reach the directions in which the pair sees each other.
    """
    one, other = ends
    centre = synchronous_frequency(one, gratings)
    source, receiver = one.synchronous(), other.synchronous(receiving=True)
    at_centre = factor(curve, centre, source, receiver)
    _check_known(curve, at_centre)
    figures = _figures(curve, centre, source, receiver, at_centre)
    pair = (one.port, other.port)
    figures |= _tripled(found, centre)
    figures["diffraction_delay"] = Quantity.of("diffraction_delay", found.delay(pair, centre))
    material = _material(curve, centre, source, receiver, at_centre, misalignment)
    x0 = float(np.min(source.x))
    x, y = _grid(curve, centre, source, receiver)
    profile_x = receiver.middle
    fine = np.linspace(y[0], y[-1], PROFILE)
    across = np.abs(beam_field(curve, centre, source, np.array([profile_x]), fine)[0]) ** 2
    extra: dict[str, Any] = {}
    if pair in found.transfers:
        sums = found.transfers[pair]
        extra = {
            "transfer_frequency": sums.frequency,
            "transfer": sums.spread,
            "transfer_straight": sums.straight,
        }
    return BeamPair(
        track=name,
        source=one.port,
        receiver=other.port,
        surface=curve.surface,
        applied=applied,
        frequency=centre,
        figures=figures,
        material=material,
        misalignment=misalignment,
        factor_frequency=np.asarray(found.frequency),
        factor=np.asarray(found.factors[pair]),
        map_x=x - x0,
        map_y=y,
        intensity=np.abs(beam_field(curve, centre, source, x, y)) ** 2,
        profile_x=profile_x - x0,
        profile_y=fine,
        profile=across,
        angle=np.degrees(curve.angle),
        velocity=curve.velocity,
        flow=np.degrees(curve.power_flow_angle),
        outlines=(_outline(source, x0), _outline(receiver, x0)),
        remarks=_remarks(curve, centre, one, other),
        **extra,
    )


def _tripled(found: Spreading, frequency: float) -> dict[str, Quantity]:
    """Loss of what passes three times, where there is but one way."""
    if found.passages is None or len(found.passages.ways) != 1:
        return {}
    loss = -20.0 * math.log10(abs(found.passages.echo(0, frequency)))
    return {"diffraction_loss_triple": Quantity.of("diffraction_loss_triple", loss)}


def _check_known(curve: SlownessCurve, found: Factor) -> None:
    if found.ends > UNKNOWN * abs(found.value):
        low, high = (math.degrees(end) for end in curve.forward)
        why = "; ".join(end for end in curve.ends if end)
        raise InputError(
            key="slowness",
            found=f"a wave known from {low:.4g} to {high:.4g} deg alone ({why or 'no more data'})",
            expected="directions to where the transducers no longer see each other: a longer gap "
            "or a narrower aperture",
        )


def _figures(
    curve: SlownessCurve, frequency: float, source: Segments, receiver: Segments, found: Factor
) -> dict[str, Quantity]:
    """Loss, phase, steering and lengths of a pair, with their numerical uncertainty."""
    beam = curve.beam(frequency)
    distance = receiver.middle - source.middle
    angle = beam.power_flow_angle if abs(beam.power_flow_angle) > 1e-9 else 0.0  # rounding
    widths = [float(np.ptp(part.extent)) for part in (source, receiver)]
    offset = float(np.mean(receiver.aside) - np.mean(source.aside))
    closed = pair_factor(beam, widths[0], widths[1], distance, offset)
    closed *= math.sqrt(widths[0] * widths[1]) / min(widths)
    values = {
        "transducer_distance": distance,
        "power_flow_angle": angle,
        "beam_anisotropy": beam.anisotropy,
        "walk_off": distance * math.tan(math.radians(angle)),
        "diffraction_loss_parabolic": -20.0 * math.log10(abs(closed)),
    }
    fresnel = beam.fresnel_distance(widths[0])
    if math.isfinite(fresnel):
        values["fresnel_distance"] = fresnel
    try:
        low, high = far_field_angles(curve, frequency, widths[0])
        values["far_field_width"] = math.degrees(abs(high - low))
    except InputError:
        pass  # an aperture below a wavelength: no lobe to speak of
    figures = {
        "diffraction_loss": Quantity.of("diffraction_loss", found.loss, found.loss_error),
        "diffraction_phase": Quantity.of(
            "diffraction_phase",
            math.degrees(float(np.angle(found.value))),
            math.degrees(found.error / abs(found.value)),
        ),
    }
    return figures | {name: Quantity.of(name, value) for name, value in values.items()}


def _material(
    curve: SlownessCurve,
    frequency: float,
    source: Segments,
    receiver: Segments,
    found: Factor,
    misalignment: float,
) -> dict[str, float]:
    """Largest change of loss and walk-off by turning the device on its wafer either way."""
    if not misalignment:
        return {}
    distance = receiver.middle - source.middle
    losses, walks = [], []
    for sign in (-1.0, 1.0):
        turned = curve.turned(sign * math.radians(misalignment))
        value = complex(factors(turned, [frequency], source, receiver)[0])
        losses.append(abs(-20.0 * math.log10(abs(value)) - found.loss))
        walks.append(abs(math.tan(turned.at(0.0)[1]) - math.tan(curve.at(0.0)[1])) * distance)
    return {"diffraction_loss": max(losses), "walk_off": max(walks)}


def _grid(
    curve: SlownessCurve, frequency: float, source: Segments, receiver: Segments
) -> tuple[FloatArray, FloatArray]:
    """Places of a map: from behind the source to the end of the receiver, and to both sides."""
    last, end = float(np.max(source.x)), float(np.max(receiver.x))
    start = last + min(curve.at(0.0)[0] / frequency, 0.05 * (end - last))
    walk = math.tan(curve.at(0.0)[1]) * (end - source.middle)
    low = min(source.extent[0], receiver.extent[0], source.extent[0] + walk)
    high = max(source.extent[1], receiver.extent[1], source.extent[1] + walk)
    margin = 0.25 * (high - low)
    return np.linspace(start, end, ALONG), np.linspace(low - margin, high + margin, ACROSS)


def _outline(part: Segments, x0: float) -> tuple[float, float, float, float]:
    low, high = part.extent
    return float(np.min(part.x)) - x0, float(np.max(part.x)) - x0, low, high


def _remarks(
    curve: SlownessCurve, frequency: float, one: PortSources, other: PortSources
) -> tuple[str, ...]:
    """What the model of a pair does not know, and an offset that would catch a beam that walks."""
    wavelength = curve.at(0.0)[0] / frequency
    widths = np.concatenate([one.plain.width, other.plain.width])
    told = []
    narrow = int(np.count_nonzero(widths < wavelength))
    if narrow:
        told.append(
            f"{narrow} of {widths.size} overlaps are narrower than a wavelength: how they drive "
            "plane waves far from x1 is not known, and taken as equal"
        )
    walk = (other.plain.middle - one.plain.middle) * math.tan(curve.at(0.0)[1])
    low, high = other.plain.extent
    lies = float(np.mean(other.plain.aside) - np.mean(one.plain.aside))
    if abs(walk - lies) > ASIDE * (high - low):
        told.append(
            f"the power walks {walk * 1e6:.4g} um aside on the way and the receiver lies "
            f"{lies * 1e6:.4g} um aside, off by {abs(walk - lies) / (high - low):.2g} of its "
            f"aperture: an offset of {walk * 1e6:.4g} um would catch it"
        )
    return tuple(told)
