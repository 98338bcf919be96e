"""Plate waves of a free-standing membrane: layers with vacuum on both sides.

The half-space below is empty: it bears no stress and takes up the charge D_3 = -eps_0 |k| phi.
Nothing can be radiated, so every wave is guided, and the count of
:mod:`sawfem.planewave.counting` leaves none out up to the velocity that the search covers
(Lamb, Proc. R. Soc. London A 93, 114 (1917), for the isotropic plate).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sawfem.errors import GeometryError
from sawfem.planewave.surface_waves import Wave, surface_waves

if TYPE_CHECKING:
    from sawfem.material import Medium
    from sawfem.planewave.stack_wave import StackWave

SAGITTAL = "plate, sagittal"
SHEAR_HORIZONTAL = "plate, shear-horizontal"


def vacuum() -> Medium:
    """The empty half-space: no stiffness, no mass, the permittivity of vacuum."""
    from sawfem.material import AIR

    return AIR.rotated(np.eye(3))


def plate_waves(
    layers: Sequence[tuple[Medium, float]],
    frequency: float,
    *,
    shorts: Collection[int] = (),
    order: int | None = None,
) -> tuple[Wave, ...]:
    """Waves of a membrane at a frequency, slowest first.

    Parameters
    ----------
    layers : (medium in the device frame, thickness in metres), upwards.
    frequency : Hz. shorts : interfaces with a perfect conductor without mass, 0 the lower face.
    order : highest order of each kind to keep; all waves by default.

    Returns
    -------
    Waves with ``kind`` SAGITTAL or SHEAR_HORIZONTAL by the motion of the upper face, and their
    order by phase velocity within the kind, from 0. "Metallised" means that the upper face
    conducts; the lower one is free. Velocities up to 20 times the fastest bulk wave are covered.

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
    seen: Counter[str] = Counter()
    found = []
    for wave in surface_waves(vacuum(), layers, 2.0 * math.pi * frequency, shorts=shorts):
        kind = SHEAR_HORIZONTAL if wave.shear_horizontal > 0.5 else SAGITTAL
        if order is None or seen[kind] <= order:
            found.append(replace(wave, kind=kind, order=seen[kind]))
        seen[kind] += 1
    return tuple(found)


def lamb_family(wave: StackWave) -> str:
    """What Lamb's theory would call a located plate wave: "S", "A", "SH" or "" where it is neither.

    By the motion of both faces: in a plate that is its own mirror image, u1 is alike and u3
    opposite (symmetric), or the other way (antisymmetric). In others a wave that is so for three
    quarters is called so.
    """
    top, foot = wave.nodal[-1, :3], wave.nodal[0, :3]
    size = np.sqrt(np.abs(np.vdot(top, top) * np.vdot(foot, foot)).real)
    if size == 0.0:
        return ""
    across = 0.5 * (abs(top[1]) ** 2 / np.vdot(top, top).real)
    across += 0.5 * (abs(foot[1]) ** 2 / np.vdot(foot, foot).real)
    if across > 0.5:
        return "SH"
    alike = float(np.real(top[0] * np.conj(foot[0]) - top[2] * np.conj(foot[2])) / size)
    if abs(alike) < 0.5 * (1.0 - across):
        return ""
    return "S" if alike > 0.0 else "A"
