"""What fingers conduct: sheet resistance and width, from the case or from the metal."""

from __future__ import annotations

from sawfem.design import UnitCell


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


def conducting_width(cell: UnitCell) -> float:
    """Cross-section of the electrode over its thickness, m."""
    return cell.electrodes[0].mean_width
