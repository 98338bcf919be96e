"""The cells of a table: how a grating is drawn at a place of the box.

A table of one electrode a period goes over (h/lambda, metallisation ratio), one of several
electrodes over (h/lambda, width scale): all widths of a drawn cell, one wave long, are multiplied
by one number, their centres stay where they are. Thicknesses keep their proportions; h is that of
the thickest electrode. The pitch is half the wavelength.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from functools import cached_property

from sawfem.design import Film, Stack, UnitCell
from sawfem.extract.grating import GratingSolution
from sawfem.material import Material
from sawfem.strips import Electrode, Footing
from sawfem.unitcell.connection import Connection


@dataclass(frozen=True)
class TableCells:
    """A drawn cell and what of it changes over a table.

    Attributes
    ----------
    cell : one electrode a period, half a wave long, or several, one wave long.
    connections : of several electrodes, left to right; None for one.
    """

    cell: UnitCell
    connections: tuple[Connection, ...] | None = None

    @classmethod
    def plain(cls, stack: Stack, metal: Material | str, sidewall_angle: float) -> TableCells:
        """Gratings of one rectangular or leaning electrode a period."""
        cell = UnitCell.grating(
            stack, metal, pitch=1e-6, thickness=1e-8, sidewall_angle=sidewall_angle
        )
        return cls(cell)

    @property
    def width_name(self) -> str:
        """Name of the second axis."""
        return "metallisation_ratio" if self.connections is None else "width_scale"

    @property
    def scales(self) -> bool:
        """Whether all its lengths go with the pitch: no layers, overcoats, footings or grooves."""
        fixed = self.cell.stack.layers or self.cell.overcoat or self.cell.recess
        return not fixed and all(strip.footing is None for strip in self.cell.electrodes)

    @property
    def pitch(self) -> float:
        """Half the wavelength of the drawn cell, m."""
        return self.cell.period / (1.0 if self.connections is None else 2.0)

    @cached_property
    def thickest(self) -> float:
        """Height of the thickest electrode as drawn, m."""
        return max(strip.thickness for strip in self.cell.electrodes)

    def ratio(self, width: float) -> float:
        """Metallisation ratio at a place of the second axis."""
        return width if self.connections is None else width * self.cell.metallisation_ratio

    def reference(self, pitch: float) -> float:
        """Where the phases hold: m from the left of the cell; centre of the first hot electrode."""
        if self.connections is None:
            return 0.5 * pitch
        centre = self.cell.electrodes[self.connections.index("hot")].centre
        assert centre is not None  # a cell places its electrodes
        return centre * pitch / self.pitch

    def at(self, thickness: float, width: float, pitch: float) -> UnitCell:
        """The cell at h/lambda, metallisation ratio or width scale, and pitch in m.

        Raises
        ------
        GeometryError : electrodes that touch or leave the cell.
        """
        scale = pitch / self.pitch
        height = 2.0 * pitch * thickness / self.thickest
        strips = [self._strip(strip, scale, height, width, pitch) for strip in self.cell.electrodes]
        return UnitCell(
            self.cell.stack,
            strips,
            self.cell.period * scale,
            overcoat=self.cell.overcoat,
            recess=self.cell.recess,
        )

    def _strip(
        self, strip: Electrode, scale: float, height: float, width: float, pitch: float
    ) -> Electrode:
        assert strip.centre is not None
        footing: Footing | None = strip.footing
        return Electrode.of_films(
            [Film(film.metal, film.thickness * height) for film in strip.films],
            width * pitch if self.connections is None else strip.width * scale * width,
            centre=strip.centre * scale,
            sidewall_angle=strip.sidewall_angle,
            footing=footing,
        )

    def described(self) -> list[dict[str, object]]:
        """Each electrode as drawn, for the provenance of a table; shares of the wavelength."""
        wave = 2.0 * self.pitch
        words = self.connections or ("alternating",)
        return [
            {
                "connection": word,
                "centre_over_wavelength": (strip.centre or 0.0) / wave,
                # The width of a lone electrode is an axis.
                **({"width_over_wavelength": strip.width / wave} if self.connections else {}),
                "sidewall_angle_deg": strip.sidewall_angle,
                "thickness_over_thickest": strip.thickness / self.thickest,
                "films": [film.metal.name for film in strip.films],
            }
            for word, strip in zip(words, self.cell.electrodes, strict=True)
        ]


def launch_turn(solution: GratingSolution) -> complex:
    """exp(j K (x_t - x_0)), K = pi/p: the phase of a at the reference plane."""
    picture = solution.picture
    if picture is None:
        return 1.0 + 0.0j
    distance = picture.transduction_centre - picture.reference
    return cmath.exp(1j * math.pi * distance / picture.com.pitch)
