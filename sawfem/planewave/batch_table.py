"""All surface waves of a crystal in many orientations: free and metallised paired and named.

The batch counterpart of :func:`.surface_waves`, with the same answers; where coinciding partial
waves or an eigenvalue at the edge of rounding leave a doubt, that function is asked itself.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sawfem.planewave.batch import TensorBatch
from sawfem.planewave.batch_waves import FamilyWaves, family_waves
from sawfem.planewave.generalised import Array
from sawfem.planewave.surface_waves import Wave, surface_waves

if TYPE_CHECKING:
    from sawfem.material import Material

Indices = NDArray[np.intp]

#: Most waves below the limiting velocity that a table has room for.
SLOTS = 4
#: Likeness |u_free^H u_metallised|^2 above which two waves are one (as for single cuts).
ALIKE = 0.25


@dataclass(frozen=True, eq=False)
class WaveTable:
    """Waves that do not leak, of m orientations: arrays (m, SLOTS), slowest first, NaN if empty.

    Attributes
    ----------
    velocity_free, velocity_metallised : m/s; NaN where that surface carries no such wave.
    coupling_k2 : 2 (v_free - v_metallised) / v_free; NaN unless both exist.
    power_flow_angle : degrees, from x1 towards x2; of the free wave, or else the metallised one.
    shear_horizontal : share of the motion at the surface that is along x2, 0 to 1.
    limit : (m,), limiting velocity of the half-space, m/s.
    """

    velocity_free: Array
    velocity_metallised: Array
    coupling_k2: Array
    power_flow_angle: Array
    shear_horizontal: Array
    limit: Array

    def __len__(self) -> int:
        return len(self.limit)

    @property
    def velocity(self) -> Array:
        """The free velocity, or the metallised one where there is none, (m, SLOTS)."""
        free = self.velocity_free
        return np.where(np.isnan(free), self.velocity_metallised, free)

    @property
    def count(self) -> Indices:
        """Number of waves of each orientation, (m,)."""
        return np.asarray(np.sum(~np.isnan(self.velocity), axis=1))

    def select(self, kinds: Collection[str] = (), order: str = "strongest") -> Indices:
        """Slot of one wave of each orientation, (m,); -1 where there is none of these kinds.

        Parameters
        ----------
        kinds : "rayleigh" (motion mostly in the sagittal plane), "bleustein-gulyaev" or "love"
            (mostly along x2); all kinds if empty.
        order : "strongest" coupling (the slowest of equal ones) or "slowest".
        """
        there = ~np.isnan(self.velocity)
        if kinds:
            across = self.shear_horizontal > 0.5
            wanted = across & bool({"bleustein-gulyaev", "love"} & set(kinds))
            wanted |= ~across & ("rayleigh" in kinds)
            there &= wanted
        coupling = np.where(np.isnan(self.coupling_k2), 0.0, self.coupling_k2)
        rank = np.where(there, 0.0 if order == "slowest" else coupling, -np.inf)
        return np.where(there.any(axis=1), np.argmax(rank, axis=1), -1)

    def picked(self, name: str, slot: Indices) -> Array:
        """One column of the table at the slots (m,), NaN for slot -1."""
        column: Array = getattr(self, name)
        chosen = column[np.arange(len(self)), np.maximum(slot, 0)]
        return np.where(slot >= 0, chosen, np.nan)


def wave_table(material: Material, rotations: Array) -> WaveTable:
    """All waves below the limiting velocity of bare half-spaces of one crystal.

    Parameters
    ----------
    material : a dielectric. rotations : (m, 3, 3), as of :class:`sawfem.orientation.Orientation`.

    Raises
    ------
    MaterialError : a conductor.
    """
    rotations = np.asarray(rotations, dtype=float)
    count = len(rotations)
    columns = np.full((5, count, 2 * SLOTS), np.nan)
    limit, sound = np.full(count, np.inf), np.ones(count, dtype=bool)
    used = np.zeros(count, dtype=int)
    tensors = TensorBatch.of(material, rotations)
    for families, members in tensors.families().items():
        there = tensors.at(members)
        for family in families:
            part = there if len(family) == 4 else there.restricted(family)
            if family == (3,):
                continue
            if len(family) == 1:  # shear along x2 that no field holds at the surface
                limit[members] = np.minimum(limit[members], part.limits())
                continue
            found = family_waves(part)
            limit[members] = np.minimum(limit[members], found.limit)
            sound[members] &= found.sound
            _enter(columns, used, members, _paired(found, family))
    for index in np.flatnonzero(~sound | (used > SLOTS)):
        columns[:, index] = _one_by_one(material, rotations[index])
    velocity = np.where(np.isnan(columns[0]), columns[1], columns[0])
    order = np.argsort(np.where(np.isnan(velocity), np.inf, velocity), axis=1, kind="stable")
    sorted_columns = np.take_along_axis(columns, order[None], axis=2)[:, :, :SLOTS]
    free, metallised, coupling, angle, shear = sorted_columns
    return WaveTable(free, metallised, coupling, angle, shear, limit)


def _enter(columns: Array, used: NDArray[np.int_], members: Indices, pairs: Array) -> None:
    """Add the waves of a family (5, members, slots) to the columns."""
    there = ~(np.isnan(pairs[0]) & np.isnan(pairs[1]))
    place = np.minimum(used[members, None] + np.cumsum(there, axis=1) - 1, columns.shape[2] - 1)
    rows, slots = np.nonzero(there)
    columns[:, members[rows], place[rows, slots]] = pairs[:, rows, slots]
    used[members] += there.sum(axis=1)


def _paired(found: FamilyWaves, family: tuple[int, ...]) -> Array:
    """Pairs of free and metallised waves, then what is left alone: (5, m, 2 slots).

    As for single cuts: the most alike first, a metal never speeds a wave up.
    """
    moving = [place for place, component in enumerate(family) if component < 3]
    free, metallised = found.free_vector[..., moving], found.metallised_vector[..., moving]
    likeness = np.abs(np.einsum("msi,mti->mst", free.conj(), metallised)) ** 2
    allowed = found.metallised[:, None, :] <= found.free[:, :, None] * (1.0 + 1e-9)
    likeness = np.where(allowed & (likeness > ALIKE), likeness, -1.0)
    m, slots = found.free.shape
    partner, taken = np.full((m, slots), -1), np.zeros((m, slots), dtype=bool)
    rows = np.arange(m)
    for _ in range(slots):
        best = np.argmax(likeness.reshape(m, -1), axis=1)
        i, j = best // slots, best % slots
        good = np.flatnonzero(likeness[rows, i, j] > 0.0)
        partner[good, i[good]] = j[good]
        taken[good, j[good]] = True
        likeness[good, i[good], :] = -1.0
        likeness[good, :, j[good]] = -1.0
    with_partner = np.where(
        partner >= 0, np.take_along_axis(found.metallised, np.maximum(partner, 0), axis=1), np.nan
    )
    coupling = 2.0 * (found.free - with_partner) / found.free
    coupling[np.abs(coupling) < 1e-12] = 0.0  # rounding
    shear = _shear_share(found.free_vector, family)
    pairs = np.stack([found.free, with_partner, coupling, found.free_angle, shear])
    none = np.full((m, slots), np.nan)
    alone = np.where(taken, np.nan, found.metallised)
    angle = found.metallised_angle
    single = np.stack([none, alone, none, angle, _shear_share(found.metallised_vector, family)])
    return np.concatenate([pairs, single], axis=2)


def _shear_share(vector: NDArray[np.complex128], family: tuple[int, ...]) -> Array:
    """|u2|^2 of motions of norm one, (m, slots)."""
    if 1 not in family:
        return np.zeros(vector.shape[:2])
    return np.abs(vector[..., family.index(1)]) ** 2


def _one_by_one(material: Material, rotation: Array) -> Array:
    """The columns (5, 2 slots) of one orientation by the solver of single cuts."""
    found = np.full((5, 2 * SLOTS), np.nan)
    for place, wave in enumerate(surface_waves(material.rotated(rotation))[: 2 * SLOTS]):
        found[:, place] = wave_row(wave)
    return found


def wave_row(wave: Wave) -> tuple[float, ...]:
    """The columns of a table for one wave; NaN for what it lacks."""
    values = (
        wave.velocity_free,
        wave.velocity_metallised,
        wave.coupling_k2,
        wave.power_flow_angle,
        wave.shear_horizontal,
    )
    return tuple(np.nan if value is None else value for value in values)
