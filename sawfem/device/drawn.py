"""A cell of several connected electrodes, one acoustic wave long, as a device sees it.

Its constants (sawfem.extract) are those of half waves: two "electrodes" of the coupling-of-modes
equations a cell, alternately driven, of which every even one stands at the reference of the
constants, the first hot electrode unless said otherwise. With that reference at x_0 in its cell and
p half a wave, a section of n cells reaches from x_0 - p/2 to x_0 + (2n - 1/2) p
(sawfem/device/section.py), which is not where its outer electrodes stand.
"""

from __future__ import annotations

from dataclasses import dataclass

from sawfem.errors import GeometryError


@dataclass(frozen=True)
class DrawnElectrode:
    """``centre`` and mean ``width`` in metres; ``connection``: "hot", "ground" or "floating"."""

    centre: float
    width: float
    connection: str


@dataclass(frozen=True)
class DrawnCell:
    """A cell.

    Attributes
    ----------
    period : m, one acoustic wave. electrodes : left to right.
    reference : m, the plane of the constants in the cell.
    """

    period: float
    electrodes: tuple[DrawnElectrode, ...]
    reference: float

    def cells(self, electrodes: int) -> int:
        """Cells of so many electrodes. Raises GeometryError for a part of a cell."""
        each = len(self.electrodes)
        if electrodes % each:
            raise GeometryError(
                key="fingers",
                found=f"{electrodes} in cells of {each} electrodes",
                expected=f"a multiple of {each}",
            )
        return electrodes // each

    def lead(self, *, right: bool, mirrored: bool = False) -> float:
        """From the centre of the outer electrode to the plane of a section at that end, m."""
        half_wave = 0.5 * self.period
        if right != mirrored:
            return self.reference + 1.5 * half_wave - self.electrodes[-1].centre
        return self.electrodes[0].centre - self.reference + 0.5 * half_wave

    def outer(self, *, right: bool, mirrored: bool = False) -> DrawnElectrode:
        """The electrode at an end."""
        return self.electrodes[-1 if right != mirrored else 0]

    def width(self, connection: str) -> float:
        """Widths of all electrodes of one kind added up, m."""
        return sum(item.width for item in self.electrodes if item.connection == connection)
