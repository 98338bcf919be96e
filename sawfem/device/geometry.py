"""Where every electrode of a track lies: the layout as rectangles, for pictures and for masks.

x runs along the track from the left plane of its first element, y over the aperture from the
lower bus-bar (0) to the upper one (1). An electrode of polarity 1 hangs on the upper bus-bar.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sawfem.device.assembly import ResonatorPart, as_track
from sawfem.device.drawn import DrawnCell
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
            if any(not isinstance(e, Space) and e.grating in gratings.drawn for e in beside):
                length = element.length - _leads(elements, position, gratings)
            text = f"space{' ' + element.surface if element.surface else ''}"
        else:
            pitch = gratings.of(element.grating).pitch
            width = gratings.widths.get(element.grating, HALF * pitch)
            count = element.strips if isinstance(element, Reflector) else element.fingers
            drawn = gratings.drawn.get(element.grating)
            if drawn is not None:
                cell_strips, length = _drawn(element, drawn, x)
                strips += cell_strips
                spans.append((x, x + length, _named(element, count)))
                x += length
                continue
            centres = np.asarray(x + (np.arange(count) + 0.5) * pitch, dtype=np.float64)
            aside = getattr(element, "offset", 0.0) / track.aperture
            strips += [
                replace(strip, aside=aside) for strip in _electrodes(element, centres, width)
            ]
            length = count * pitch
            text = _named(element, count)
        spans.append((x, x + length, text))
        x += length
    return Layout(tuple(strips), tuple(spans), x, track.aperture)


def _named(element: Reflector | Transducer, count: int) -> str:
    if isinstance(element, Reflector):
        return f"reflector {count} {element.connection}"
    return f"{element.port}: {count} fingers"


def _leads(elements: tuple[Element, ...], position: int, gratings: Gratings) -> float:
    """What the sections beside a space take of its length, m."""
    total = 0.0
    for place, right in ((position - 1, True), (position + 1, False)):
        if not 0 <= place < len(elements):
            continue
        element = elements[place]
        if isinstance(element, Space):
            continue
        drawn = gratings.drawn.get(element.grating)
        mirrored = getattr(element, "mirrored", False)
        pitch = gratings.of(element.grating).pitch
        total += 0.5 * pitch if drawn is None else drawn.lead(right=right, mirrored=mirrored)
    return total


def _drawn(element: Reflector | Transducer, cell: DrawnCell, x: float) -> tuple[list[Strip], float]:
    """The electrodes of whole cells from the left plane of their section on, and its length."""
    kinds = {"hot": "upper", "ground": "lower", "floating": "open"}
    count = element.strips if isinstance(element, Reflector) else element.fingers
    length = cell.cells(count) * cell.period
    mirrored = getattr(element, "mirrored", False)
    start = x + cell.lead(right=False) - cell.electrodes[0].centre
    found = []
    for n in range(cell.cells(count)):
        for item in cell.electrodes:
            at = start + n * cell.period + item.centre
            at = 2.0 * x + length - at if mirrored else at
            kind = element.connection if isinstance(element, Reflector) else kinds[item.connection]
            found.append(Strip(at - item.width / 2, at + item.width / 2, 0.0, 1.0, kind))
    return sorted(found, key=lambda strip: strip.left), length


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
