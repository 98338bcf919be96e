"""Losses that only turn the frequency, so that what they do is known."""

from dataclasses import replace

import numpy as np

from sawfem.design import UnitCell
from sawfem.material import Medium
from sawfem.planewave.generalised import layer_tensor
from sawfem.unitcell.losses import LossRule, LossTerm
from sawfem.unitcell.perturbation import cell_materials, substituted


def turned(cell: UnitCell, q: float) -> tuple[UnitCell, LossRule, complex]:
    """A cell with c -> c s^2, e -> e s in every material, s^2 = 1 + j/Q, and s.

    The potential phi = s phi' gives back the equations without loss at w/s: every frequency is s
    times as large. The new crystal has the real part of e s; the rule tells the imaginary parts.
    """
    s = complex(np.sqrt(1.0 + 1j / q))
    crystal = cell_materials(cell)[0]
    changed = replace(crystal, piezoelectric=crystal.piezoelectric * s.real)

    def rule(medium: Medium) -> tuple[LossTerm, ...]:
        real = layer_tensor(medium)
        loss = np.zeros_like(real)
        loss[:, :3, :3, :] = real[:, :3, :3, :] / q
        ratio = s.imag / s.real
        loss[:, :3, 3, :], loss[:, 3, :3, :] = ratio * real[:, :3, 3, :], ratio * real[:, 3, :3, :]
        return (LossTerm("mechanical", loss),)

    return substituted(cell, crystal, changed), rule, s
