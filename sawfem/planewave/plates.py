"""Plate waves of a free-standing membrane: layers with vacuum on both sides.

The half-space below is empty: it bears no stress and takes up the charge D_3 = -eps_0 |k| phi.
Nothing can be radiated, so every wave is guided, and the count of
:mod:`sawfem.planewave.counting` leaves none out up to the velocity that the search covers
(Lamb, Proc. R. Soc. London A 93, 114 (1917), for the isotropic plate).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sawfem.conventions import EPSILON_0
from sawfem.errors import GeometryError
from sawfem.planewave.surface_waves import Wave, surface_waves

if TYPE_CHECKING:
    from sawfem.material import Medium

SAGITTAL = "plate, sagittal"
SHEAR_HORIZONTAL = "plate, shear-horizontal"


def vacuum() -> Medium:
    """The empty half-space: no stiffness, no mass, the permittivity of vacuum."""
    from sawfem.material import Medium

    return Medium(
        density=0.0,
        stiffness=np.zeros((3, 3, 3, 3)),
        piezoelectric=np.zeros((3, 3, 3)),
        permittivity=EPSILON_0 * np.eye(3),
        name="vacuum",
    )


def plate_waves(layers: Sequence[tuple[Medium, float]], frequency: float) -> tuple[Wave, ...]:
    """Waves of a membrane at a frequency, slowest first.

    Parameters
    ----------
    layers : (medium in the device frame, thickness in metres), upwards.
    frequency : Hz.

    Returns
    -------
    Waves with ``kind`` SAGITTAL or SHEAR_HORIZONTAL by the motion of the upper face. "Metallised"
    means that the upper face conducts; the lower one is free.

    Raises
    ------
    GeometryError : no layers, or a frequency that is not positive.
    """
    if not layers:
        raise GeometryError(key="layer", found="none", expected="the layers of the membrane")
    if not (math.isfinite(frequency) and frequency > 0.0):
        raise GeometryError(
            key="frequency", found=f"{frequency!r} Hz", expected="a positive frequency"
        )
    waves = surface_waves(vacuum(), layers, 2.0 * math.pi * frequency)
    return tuple(
        replace(wave, kind=SHEAR_HORIZONTAL if wave.shear_horizontal > 0.5 else SAGITTAL)
        for wave in waves
    )
