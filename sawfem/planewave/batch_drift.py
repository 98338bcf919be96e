"""Temperature coefficients of the waves of many orientations at once.

As :mod:`.temperature`: constants, density, the axes that the cut's lines keep in the strained
crystal, and the pattern along x1 all move. With a = ln of the pattern's length and v the velocity,

    TCD = da/dT - d(ln v)/dT,   TCF = -TCD,

by central differences over +-STEP.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

import numpy as np

from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.planewave.batch_table import Indices, WaveTable, wave_table
from sawfem.planewave.generalised import Array

if TYPE_CHECKING:
    from sawfem.material import Material

#: Step of the differences, K.
STEP = 10.0
#: Largest relative change of the velocity over a step by which a wave is still known.
LARGEST_CHANGE = 5.0e-3


def delay_drift(
    material: Material,
    rotations: Array,
    table: WaveTable,
    slot: Indices,
    *,
    hold_constant: Collection[str] = (),
) -> Array:
    """TCD of one wave of each orientation at 25 degrees Celsius, 1/K: (m,).

    Parameters
    ----------
    rotations : (m, 3, 3). table, slot : the waves at 25 degrees and which of them is meant.
    hold_constant : as for :meth:`sawfem.material.Material.at_temperature`.

    Returns
    -------
    NaN where the wave is not there (slot -1) or is lost within STEP. Of the free wave, or of
    the metallised one where there is none.

    Raises
    ------
    MaterialError : temperature data are missing; names them.
    """
    velocity = table.picked("velocity", slot)
    free = ~np.isnan(table.picked("velocity_free", slot))
    logarithms = []
    for side in (-1.0, 1.0):
        celsius = REFERENCE_TEMPERATURE + side * STEP
        heated = material.at_temperature(celsius, hold_constant=hold_constant)
        strain = np.zeros((3, 3))
        if "expansion" not in hold_constant:
            strain = material.expansion_strain(celsius)
            strain = strain - material.expansion_strain(REFERENCE_TEMPERATURE)
        turned, stretch = strained_axes(rotations, strain)
        other = wave_table(heated, turned)
        candidates = np.where(free[:, None], other.velocity_free, other.velocity_metallised)
        distance = np.abs(candidates / velocity[:, None] - 1.0)
        distance = np.where(np.isnan(distance), np.inf, distance)
        nearest = np.argmin(distance, axis=1)
        rows = np.arange(len(nearest))
        known = distance[rows, nearest] < LARGEST_CHANGE
        found = np.where(known, candidates[rows, nearest], np.nan)
        logarithms.append(np.log(stretch / found))
    return np.asarray((logarithms[1] - logarithms[0]) / (2.0 * STEP))


def strained_axes(rotations: Array, strain: Array) -> tuple[Array, Array]:
    """Device axes (m, 3, 3) in a strained crystal, and the stretch along x1 (m,).

    Lines of the crystal move with F = 1 + strain and faces with its inverse transpose. ``strain``
    (3, 3) in crystal axes.
    """
    gradient = np.eye(3) + strain
    along = rotations[:, 0] @ gradient.T
    normal = rotations[:, 2] @ np.linalg.inv(gradient)
    stretch = np.linalg.norm(along, axis=1)
    along = along / stretch[:, None]
    normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    return np.stack([along, np.cross(normal, along), normal], axis=1), stretch
