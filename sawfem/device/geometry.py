"""Where every electrode of a track lies: the layout as rectangles, for pictures and for masks.

x runs along the track from the left plane of its first element, y over the aperture from the
lower bus-bar (0) to the upper one (1). An electrode of polarity 1 hangs on the upper bus-bar.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sawfem.device.assembly import ResonatorPart
from sawfem.device.pmatrix import FloatArray
from sawfem.device.track import Element, Gratings, Reflector, Space, Track, Transducer

#: Metallisation ratio drawn where the width of a grating's electrodes is not known.
HALF = 0.5


@dataclass(frozen=True)
class Strip:
    """One piece of metal.

    ``left``, ``right`` in metres; ``bottom``, ``top`` in units of the aperture; ``kind``:
    "upper", "lower" (the bus-bar it hangs on), "shorted", "open", "middle" (held half-way).
    ``aside``: how far the whole transducer lies off the row, in units of the aperture, which
    ``bottom`` and ``top`` do not hold.
    """

    left: float
    right: float
    bottom: float
    top: float
    kind: str
    aside: float = 0.0


@dataclass(frozen=True)
class Layout:
    """Metal and elements of a track.

    Attributes
    ----------
    strips : every electrode, from the left.
    spans : (left, right, text) of each element, metres.
    length, aperture : m.
    """

    strips: tuple[Strip, ...]
    spans: tuple[tuple[float, float, str], ...]
    length: float
    aperture: float


def as_track(part: ResonatorPart | Track) -> Track:
    """A resonator as the track that it is."""
    if isinstance(part, Track):
        return part
    device = part.resonator
    left, right = device.reflector_fingers
    gap = Space(device.gap)
    elements: list[Element] = [Transducer("1", part.grating, device.fingers)]
    if left:
        elements = [Reflector(part.mirror, left, device.reflector_connection), gap, *elements]
    if right:
        elements = [*elements, gap, Reflector(part.mirror, right, device.reflector_connection)]
    return Track(device.aperture, tuple(elements))


def layout_of(part: ResonatorPart | Track, gratings: Gratings) -> Layout:
    """The layout of a part. Raises InputError for a grating that is not known."""
    track = as_track(part)
    strips: list[Strip] = []
    spans: list[tuple[float, float, str]] = []
    x = 0.0
    elements = track.elements
    for position, element in enumerate(elements):
        if isinstance(element, Space):
            beside = [*elements[max(position - 1, 0) : position], *elements[position + 1 :][:1]]
            pitches = [gratings.of(e.grating).pitch for e in beside if not isinstance(e, Space)]
            length = element.length - 0.5 * sum(pitches)
            text = f"space{' ' + element.surface if element.surface else ''}"
        else:
            pitch = gratings.of(element.grating).pitch
            width = gratings.widths.get(element.grating, HALF * pitch)
            count = element.strips if isinstance(element, Reflector) else element.fingers
            centres = np.asarray(x + (np.arange(count) + 0.5) * pitch, dtype=np.float64)
            aside = getattr(element, "offset", 0.0) / track.aperture
            strips += [
                replace(strip, aside=aside) for strip in _electrodes(element, centres, width)
            ]
            length = count * pitch
            text = (
                f"reflector {count} {element.connection}"
                if isinstance(element, Reflector)
                else f"{element.port}: {count} fingers"
            )
        spans.append((x, x + length, text))
        x += length
    return Layout(tuple(strips), tuple(spans), x, track.aperture)


def _electrodes(element: Reflector | Transducer, centres: FloatArray, w: float) -> list[Strip]:
    found: list[Strip] = []
    if isinstance(element, Reflector):
        return [Strip(c - w / 2, c + w / 2, 0.0, 1.0, element.connection) for c in centres]
    weights = np.ones(element.fingers) if element.weights is None else np.array(element.weights)
    for c, sign, weight in zip(centres, element.sequence, weights, strict=True):
        left, right = c - w / 2, c + w / 2
        if sign == 0:
            found.append(Strip(left, right, 0.0, 1.0, "middle"))
            continue
        tip = 0.5 * (1.0 - weight) if sign > 0 else 0.5 * (1.0 + weight)
        lower, upper = Strip(left, right, 0.0, tip, "lower"), Strip(left, right, tip, 1.0, "upper")
        own, rest = (upper, lower) if sign > 0 else (lower, upper)
        found.append(own)
        if element.dummies and weight < 1.0:
            found.append(rest)
    return found
