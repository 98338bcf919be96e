"""Acoustic tracks, in SI: elements left to right, with what they leave open filled in."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sawfem.case.reader import Reader
from sawfem.case.resolve_devices import Gratings, aperture_of, grating_of, offset_of
from sawfem.case.resolved_devices import ResolvedElement, ResolvedTrack

_KINDS = ("reflector", "space", "transducer")


def track(reader: Reader, gratings: Gratings) -> ResolvedTrack:
    """An acoustic row. Raises CaseError for elements that are none or several at once."""
    readers = reader.below("elements")
    if not readers:
        raise reader.missing("elements", "a list of reflectors, spaces and transducers")
    kinds = [_kind(reader, element) for element in readers]
    if "transducer" not in kinds:
        raise reader.refuse("elements", "no transducer", "at least one transducer")
    spreads = bool(reader.table.get("diffraction", False))
    wavelengths = [
        None if kind == "space" else grating_of(element, gratings).wavelength
        for kind, element in zip(kinds, readers, strict=True)
    ]
    elements: list[ResolvedElement] = []
    for position, (kind, element) in enumerate(zip(kinds, readers, strict=True)):
        if kind == "space":
            elements.append(_space(element, _nearest(wavelengths, position)))
        elif kind == "reflector":
            elements.append(
                ResolvedElement(
                    kind,
                    grating_of(element, gratings).name,
                    element.table["reflector"],
                    element.table.get("connection", "shorted"),
                )
            )
        else:
            elements.append(_transducer(element, gratings, elements, spreads=spreads))
    first = next(w for w in wavelengths if w is not None)
    return ResolvedTrack(
        reader.table["name"],
        aperture_of(reader, first),
        tuple(elements),
        reader.optional("sheet_resistance", "resistance"),
        reader.quantity("propagation_loss", "loss rate", default=0.0),
        spreads,
        reader.angle("misalignment", "misalignment", 0.0),
    )


def _kind(reader: Reader, element: Reader) -> str:
    given = [key for key in _KINDS if key in element]
    if len(given) != 1:
        raise reader.place.refuse(
            element.location,
            " and ".join(given) or "an empty element",
            "one of reflector, space, transducer",
        )
    return given[0]


def _nearest(wavelengths: Sequence[float | None], position: int) -> float | None:
    """Wavelength of the grating before a space, or else behind it."""
    before = [w for w in wavelengths[:position] if w is not None]
    behind = [w for w in wavelengths[position:] if w is not None]
    return before[-1] if before else (behind[0] if behind else None)


def _space(element: Reader, wavelength: float | None) -> ResolvedElement:
    return ResolvedElement(
        "space",
        length=element.length("space", "gap", wavelength=wavelength),
        surface=element.table.get("surface", ""),
    )


def _transducer(
    element: Reader,
    gratings: Gratings,
    before: Sequence[ResolvedElement],
    *,
    spreads: bool,
) -> ResolvedElement:
    """A transducer; without ``polarity`` it alternates, on from its own section just before."""
    fingers = element.need("fingers", "61")
    _check_drawn(element, len(grating_of(element, gratings).electrodes), fingers)
    port = element.table["transducer"]
    polarity = tuple(element.table.get("polarity", ()))
    if not polarity:
        last = before[-1] if before else None
        first = 1
        if last is not None and last.kind == "transducer" and last.port == port:
            first = -last.polarity[(last.count - 1) % len(last.polarity)] or 1
        polarity = (first, -first)
    weights = element.table.get("weights")
    if weights is not None and "window" in element:
        raise element.refuse("window", "weights and window", "one of the two")
    if weights is not None and len(weights) != fingers:
        raise element.refuse(
            "weights", f"{len(weights)} overlaps for {fingers} fingers", "one for each finger"
        )
    if "window" in element:
        weights = window_overlaps(element.table["window"], fingers)
    return ResolvedElement(
        "transducer",
        grating_of(element, gratings).name,
        fingers,
        port=port,
        polarity=polarity,
        weights=None if weights is None else tuple(float(w) for w in weights),
        dummies=element.table.get("dummies", True),
        mirrored=element.table.get("mirrored", False),
        offset=offset_of(element, grating_of(element, gratings).wavelength, spreads=spreads),
    )


def _check_drawn(element: Reader, each: int, fingers: int) -> None:
    """On cells of several electrodes: whole cells, tied as the cell is."""
    if each <= 1:
        return
    if fingers % each:
        raise element.refuse(
            "fingers", f"{fingers} in cells of {each} electrodes", f"a multiple of {each}"
        )
    for key in ("polarity", "weights", "window"):
        if key in element:
            raise element.refuse(
                key,
                "one on cells of several electrodes",
                "none: the cell says what is tied to what",
            )


def window_overlaps(name: str, fingers: int) -> list[float]:
    """Overlaps of electrodes at (n + 1/2)/N of a window, none of them zero.

    cosine sin(pi x); hann, hamming and blackman as in Harris, Proc. IEEE 66, 51 (1978).
    """
    found = []
    for n in range(fingers):
        x = (n + 0.5) / fingers
        one, two = math.cos(2.0 * math.pi * x), math.cos(4.0 * math.pi * x)
        shapes = {
            "cosine": math.sin(math.pi * x),
            "hann": 0.5 - 0.5 * one,
            "hamming": 0.54 - 0.46 * one,
            "blackman": 0.42 - 0.5 * one + 0.08 * two,
        }
        found.append(shapes[name])
    return found
