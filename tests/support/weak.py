"""A surface that electrodes without mass hardly change: what a grating at an angle does is known.

Lithium niobate with a tenth of its piezoelectricity (K^2 = 6.5e-4), 20 deg off a symmetric
direction.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sawfem.design import Stack
from sawfem.material import Material, load_material
from sawfem.planewave import Wave, surface_waves
from sawfem.unitcell.obliquewaves import ObliqueBranch

Plane = Callable[[float], Wave]


def weak_surface() -> tuple[Stack, Material, Plane]:
    """The stack, a metal without mass or stiffness, and its wave in a direction (radians)."""
    niobate = load_material("lithium-niobate/kovacs-1990")
    aluminium = load_material("aluminium/kaye-laby")
    weak = replace(niobate, piezoelectric=0.1 * niobate.piezoelectric)
    metal = replace(aluminium, stiffness=1e-6 * aluminium.stiffness, density=1e-3)

    def plane(angle: float) -> Wave:
        medium = Stack(weak, euler=(0.0, 38.0, 20.0 + np.degrees(angle))).media()[0]
        return next(w for w in surface_waves(medium) if w.coupling_k2 and w.coupling_k2 > 1e-6)

    return Stack(weak, euler=(0.0, 38.0, 20.0)), metal, plane


def without_grating(branch: ObliqueBranch, plane: Plane) -> tuple[ObliqueBranch, ObliqueBranch]:
    """The branch that the free and the metallised surface have in place of the grating's."""
    k1 = branch.phase / branch.period
    planes = [plane(float(np.arctan2(k2, k1))) for k2 in branch.transverse]
    size = np.hypot(k1, branch.transverse)
    free, metallised = (
        replace(
            branch,
            frequency=size * np.array([getattr(w, name) for w in planes]) / (2 * np.pi) + 0j,
        )
        for name in ("velocity_free", "velocity_metallised")
    )
    return free, metallised
