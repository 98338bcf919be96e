"""Cuts that are the same by symmetry, and how far a cut may be off.

Two cuts carry the same waves if one of the eight sign changes of the device axes takes the
constants of one into those of the other, e perhaps with its sign changed: x1 and x2 may be
turned about by relabelling the axes and by reversing the wave, and the inversion of space takes
the other face to this one and e to -e, which only reverses the potential.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sawfem.orientation import Orientation
from sawfem.planewave.batch import rotations_of_euler
from sawfem.planewave.batch_table import wave_table
from sawfem.planewave.generalised import Array, generalised_tensor
from sawfem.pointgroups import group_operations

if TYPE_CHECKING:
    from sawfem.material import Material

#: The eight sign changes of the device axes, (8, 3, 3).
SIGNS: Array = np.array([np.diag(s) for s in itertools.product((1.0, -1.0), repeat=3)])
#: Farthest misorientation that is looked at, degrees.
FARTHEST = 10.0


def images(rotation: Array, material: Material) -> Array:
    """All device axes (n, 3, 3) that carry the same waves by the crystal's class, proper ones."""
    operations = group_operations(material.point_group)
    found = np.einsum("aij,jk,blk->abil", SIGNS, rotation, operations).reshape(-1, 3, 3)
    return np.asarray(found[np.linalg.det(found) > 0.0])


def turn_between(rotations: Array, others: Array) -> Array:
    """Angles of the rotations between device axes (m, 3, 3) and (n, 3, 3), degrees: (m, n)."""
    trace = np.einsum("mij,nij->mn", rotations, others)
    return np.asarray(np.degrees(np.arccos(np.clip(0.5 * (trace - 1.0), -1.0, 1.0))))


def same_constants(material: Material, first: Array, second: Array, tolerance: float) -> bool:
    """Whether the constants of a crystal agree in two sets of device axes, up to the signs.

    ``tolerance`` is relative to the norm of the tensor; a turn by a degree changes it by some
    one per cent.
    """
    a = generalised_tensor(material.rotated(first))
    b = generalised_tensor(material.rotated(second))
    size = float(np.linalg.norm(a))
    for sign in np.einsum("aii->ai", SIGNS):
        for charge in (1.0, -1.0):
            field = np.append(sign, charge)
            turned = np.einsum("i,j,k,l,ijkl->ijkl", sign, field, field, sign, b)
            if np.linalg.norm(a - turned) < tolerance * size:
                return True
    return False


def simplest(rotation: Array, material: Material) -> tuple[float, float, float]:
    """Euler angles of the image of a cut with the least |lambda|, then with mu and theta from 0
    to 180 degrees, rounded to 0.01 degrees.
    """
    best = None
    for image in images(rotation, material):
        first, second, third = Orientation(image).euler
        for angles in ((first, second, third), (first + 180.0, -second, third + 180.0)):
            rounded = tuple(round((a + 180.0) % 360.0 - 180.0, 2) + 0.0 for a in angles)
            one, two, three = (180.0 if angle == -180.0 else angle for angle in rounded)
            outside = int(not 0.0 <= two <= 180.0) + int(not 0.0 <= three < 180.0)
            rank = (abs(one), outside, abs(three), two, one)
            if best is None or rank < best[0]:
                best = rank, (one, two, three)
    assert best is not None
    return best[1]


def tolerances(
    material: Material, euler: tuple[float, float, float], *, metallised: bool, error: float
) -> tuple[tuple[float, float], ...]:
    """How far each Euler angle may be off, degrees, before the velocity is off by ``error``.

    Returns
    -------
    ((down, up), (down, up), (down, up)) for lambda, mu, theta; FARTHEST where the error is not
    reached within, or the wave ends there.
    """
    offsets = np.concatenate([[0.0], np.geomspace(1e-3, FARTHEST, 81)])
    angles = []
    for axis, side in itertools.product(range(3), (-1.0, 1.0)):
        moved = np.tile(np.array(euler, dtype=float), (len(offsets), 1))
        moved[:, axis] += side * offsets
        angles.append(moved)
    table = wave_table(material, rotations_of_euler(np.concatenate(angles)))
    velocities = table.velocity_metallised if metallised else table.velocity_free
    slot = table.select()
    found = []
    for number in range(6):
        rows = slice(number * len(offsets), (number + 1) * len(offsets))
        found.append(_reach(velocities[rows], int(slot[rows][0]), offsets, error))
    return tuple(zip(found[0::2], found[1::2], strict=True))


def _reach(velocities: Array, slot: int, offsets: Array, error: float) -> float:
    """Offset at which one wave, followed from offset 0 through (m, slots), is off by ``error``."""
    first = last = float(velocities[0, slot])
    before = 0.0
    for step in range(1, len(offsets)):
        distance = np.abs(velocities[step] / last - 1.0)
        if np.all(np.isnan(distance)) or np.nanmin(distance) > 5e-3:
            return float(offsets[step - 1])
        last = float(velocities[step, int(np.nanargmin(distance))])
        off = abs(last / first - 1.0)
        if off >= error:
            share = (error - before) / (off - before)
            return float(offsets[step - 1] + share * (offsets[step] - offsets[step - 1]))
        before = off
    return FARTHEST


def normals(material: Material, step: float) -> NDArray[np.float64]:
    """Euler angles (lambda, mu) of normals about ``step`` degrees apart, one of each set that the
    crystal's class and the inversion make equal: (n, 2).
    """
    operations = group_operations(material.point_group)
    generic = np.array([0.6071, 0.1633, 0.7777])
    found, highest, top = [], (0.0, 0.0), -1.0
    for mu in np.linspace(0.0, 180.0, round(180.0 / step) + 1):
        ring = max(1, round(360.0 * np.sin(np.radians(mu)) / step / 12.0) * 12)
        for angle in 360.0 * np.arange(ring) / ring:
            normal = rotations_of_euler(np.array([[angle, mu, 0.0]]))[0, 2]
            heights = np.abs(operations @ normal @ generic)
            if normal @ generic >= heights.max() - 1e-9:
                found.append((angle, mu))
            if normal @ generic > top:
                highest, top = (angle, mu), float(normal @ generic)
    return np.array(found or [highest])  # a coarse grid may miss a small set of a high symmetry
