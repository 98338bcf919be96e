"""Resonators as a case lays them out, and what their fingers conduct.

Sheet resistance and width come from the case or from the metal.
"""

from __future__ import annotations

from typing import Any

from sawfem.case import ResolvedResonator
from sawfem.design import UnitCell
from sawfem.device import Resonator


def sheet_resistance(given: float | None, key: str, cell: UnitCell) -> tuple[float, list[str]]:
    """Ohm per square of the fingers: as the case says at ``key``, or resistivity over thickness.

    Returns sentences about what was assumed.
    """
    if given is not None:
        return given, []
    films = cell.electrodes[0].films
    known = [film for film in films if film.metal.resistivity]
    if not known:
        return 0.0, [
            f"{films[0].metal.name} has no resistivity: the fingers are taken to conduct without "
            f"loss; {key} would say otherwise"
        ]
    # Films side by side along the finger: their conductances add.
    sheet = 1.0 / sum(film.thickness / (film.metal.resistivity or 1.0) for film in known)
    names = " and ".join(dict.fromkeys(film.metal.name for film in known))
    return sheet, [
        f"sheet resistance {sheet:.3g} ohm per square taken from the bulk resistivity of "
        f"{names}; a thin film has more, so quality factors come out too high. "
        f"{key} takes a measured value"
    ]


def resonator_of(part: ResolvedResonator, **more: Any) -> Resonator:
    """The resonator of a case, without loss; ``more`` are further fields of a Resonator."""
    return Resonator(
        fingers=part.fingers,
        reflector_fingers=part.reflector_fingers,
        aperture=part.aperture,
        gap=part.gap,
        reflector_connection="open" if part.reflector_connection == "open" else "shorted",
        **more,
    )


def conducting_width(cell: UnitCell) -> float:
    """Cross-section of the electrode over its thickness, m."""
    return cell.electrodes[0].mean_width
