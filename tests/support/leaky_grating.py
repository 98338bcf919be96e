"""Leakage of aluminium gratings on rotated Y-X lithium tantalate, from the unit cell.

h/lambda is the height of a strip over two pitches; ratio and width are those of the foot.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import NDArray

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.extract.grating import MESHES
from sawfem.material import Material, load_material, material_variant
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.stopband import StopBand, find_stop_band, refine_stop_band

Array = NDArray[np.float64]

PITCH = 2.0e-6
SMITH_WELSH = "smith-welsh-1971"
BULK_METAL = "aluminium/kaye-laby"
BULK_DENSITY = 2700.0

#: v_free and v_metallised of 36 deg Y-X, m/s: where to look for the edges.
VELOCITIES = 4211.3, 4112.8
#: Degrees, through which a cubic is laid; the loss is nearly a parabola around its minimum.
ROTATIONS = (39.0, 42.0, 45.0, 48.0)


class Section(NamedTuple):
    """Cross-section and metal of a strip: ratio at the foot, wall in degrees, kg/m^3."""

    ratio: float = 0.5
    wall: float = 90.0
    density: float = BULK_DENSITY

    def metal(self) -> Material:
        bulk = load_material(BULK_METAL)
        if self.density == BULK_DENSITY:
            return bulk
        return material_variant(bulk, "aluminium/film", {"density": self.density})

    def strip(self, height: float) -> Electrode:
        return Electrode(
            self.metal(), height * 2.0 * PITCH, self.ratio * PITCH, sidewall_angle=self.wall
        )


#: The strip of the textbooks.
UPRIGHT = Section()
#: Strips as they come out of the process (common practice, no source): lines and spaces of one
#: width on the mask lose a twentieth of the pitch or so at either edge, walls lean by ten to
#: twenty degrees, and a film is a few per cent lighter than the bulk.
ETCHED = Section(0.4, 80.0)
LESS_ETCHED = Section(0.45, 80.0, 2600.0)
LEANING = Section(0.5, 70.0, 2600.0)


def rotated_stack(rotation: float, set_name: str = SMITH_WELSH) -> Stack:
    return Stack(f"lithium-tantalate/{set_name}", euler=[0.0, rotation - 90.0, 0.0])


def rotated_tantalate(strip: Electrode, rotation: float, set_name: str = SMITH_WELSH) -> UnitCell:
    return UnitCell(rotated_stack(rotation, set_name), [strip], PITCH)


@dataclass(frozen=True)
class Leakage:
    """1/Q of a grating against the rotation, and antiresonance over resonance - 1.

    ``interval`` is the mean from resonance to antiresonance.
    """

    rotations: Array
    resonance: Array
    antiresonance: Array
    interval: Array
    spread: Array

    def least(self, losses: Array) -> float:
        """Rotation at which a cubic through the losses has its minimum, degrees."""
        cubic = Polynomial.fit(self.rotations, losses, 3)
        turns = [turn for turn in cubic.deriv().roots() if cubic.deriv(2)(turn) > 0.0]
        assert len(turns) == 1
        assert self.rotations[0] - 2.0 < turns[0] < self.rotations[-1] + 2.0
        return float(turns[0])


def leakage(
    section: Section,
    height: float,
    set_name: str = SMITH_WELSH,
    rotations: tuple[float, ...] = ROTATIONS,
) -> Leakage:
    """The grating of ``section`` at h/lambda ``height``."""
    rows = []
    band: StopBand | None = None
    for rotation in rotations:
        cell = discretise(rotated_tantalate(section.strip(height), rotation, set_name), MESHES[0])
        if band is None:
            band = find_stop_band(cell, *VELOCITIES)
        else:
            band = refine_stop_band(cell, band, moved=1e-2, alike=0.9)
        # The wave is the lower shorted edge; the Rayleigh wave, 20 % below, is not driven here.
        assert band.resonance is band.shorted[0]
        low, high = band.resonance.frequency, band.antiresonance.frequency
        ends = [2.0 * edge.imag / edge.real for edge in (low, high)]
        rows.append((*ends, _mean_loss(band, low.real, high.real), high.real / low.real - 1.0))
    return Leakage(np.array(rotations), *np.array(rows).T)


def _mean_loss(band: StopBand, low: float, high: float) -> float:
    """Mean of 1/Q = 2 G/(w dB/dw): power through the floor over stored energy, driven (Foster).

    At the poles and zeros of Y = G + jB it is 2 Im f/Re f.
    """
    f = np.linspace(low, high, 13)[1:-1]
    step = 1e-5
    y, above, below = (
        band.model.admittances(f * stretch)[:, 0, 0] for stretch in (1.0, 1.0 + step, 1.0 - step)
    )
    slope = (above.imag - below.imag) / (2.0 * step)
    return float(np.mean(2.0 * y.real / slope))
