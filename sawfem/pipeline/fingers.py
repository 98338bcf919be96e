"""What fingers conduct: sheet resistance and width, from the case or from the metal."""

from __future__ import annotations

from sawfem.case import ResolvedGrating
from sawfem.design import UnitCell


def sheet_resistance(
    given: float | None, key: str, grating: ResolvedGrating, cell: UnitCell
) -> tuple[float, list[str]]:
    """Ohm per square of the fingers: as the case says at ``key``, or resistivity over thickness.

    Returns sentences about what was assumed.
    """
    if given is not None:
        return given, []
    metal = cell.electrodes[0].metal
    if metal.resistivity is None:
        return 0.0, [
            f"{metal.name} has no resistivity: the fingers are taken to conduct without loss; "
            f"{key} would say otherwise"
        ]
    sheet = metal.resistivity / grating.thickness
    return sheet, [
        f"sheet resistance {sheet:.3g} ohm per square taken from the bulk resistivity of "
        f"{metal.name}; a thin film has more, so quality factors come out too high. "
        f"{key} takes a measured value"
    ]


def conducting_width(cell: UnitCell) -> float:
    """Mean of foot and top of the electrode, m: its cross-section over its thickness."""
    electrode = cell.electrodes[0]
    return 0.5 * (electrode.width + electrode.top_width)
