"""A(w, gamma) of the free unknowns at many points, on one sparsity pattern.

The same matrix as :meth:`sawfem.unitcell.system.BlochSystem.matrix` gives. Where a cell is solved
at a dozen points, finding the pattern of the sum anew would take a third of the time: here every
part knows the places of its entries in the sum.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from sawfem.unitcell.discretisation import Discretisation
from sawfem.unitcell.forms import VELOCITY
from sawfem.unitcell.side import SideIntegrals
from sawfem.unitcell.system import air_weights

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.signedinteger[Any]]


@dataclass(frozen=True, eq=False)
class _Part:
    """A matrix on the free unknowns: places of its entries in the sum, values, and the columns
    of the electrodes.
    """

    places: Index
    values: NDArray[Any]
    electrodes: NDArray[Any]


@dataclass(frozen=True, eq=False)
class _Seen:
    """Free unknowns that one side sees. Entry i adds shape function ``function[i]`` to component
    ``component[i]`` of the unknown number ``place[i]`` among ``unknowns``.
    """

    integrals: SideIntegrals
    unknowns: Index
    place: Index
    component: Index
    function: Index

    @classmethod
    def by(cls, d: Discretisation, integrals: SideIntegrals, components: range) -> _Seen:
        numbers = d.unknowns.number[components.start : components.stop, integrals.used]
        free = (numbers >= 0) & (numbers < d.size - d.electrodes)
        component, function = np.nonzero(free)
        unknowns, place = np.unique(numbers[free], return_inverse=True)
        return cls(integrals, unknowns, place, component, function)

    def traces(self, phase: float, kept: NDArray[np.intp], components: int) -> Complex:
        """P_n on the unknowns seen, (n, components, seen)."""
        scalar = self.integrals.harmonics(phase)[kept]
        found = np.zeros((self.unknowns.size, components, kept.size), dtype=complex)
        np.add.at(found, (self.place, self.component), scalar.T[self.function])
        return found.transpose(2, 1, 0)


class PointMatrix:
    """The assembled cell, ready for any point.

    Parameters
    ----------
    discretisation : the cell.
    bottom, top : integrals along the floor of the slab and the upper side of the air.
    """

    def __init__(
        self, discretisation: Discretisation, bottom: SideIntegrals, top: SideIntegrals
    ) -> None:
        d = discretisation
        self._period = d.cell.period
        self._free = d.size - d.electrodes
        self._bottom = _Seen.by(d, bottom, range(4))
        self._top = _Seen.by(d, top, range(3, 4))
        matrices = [
            sp.coo_array(matrix)
            for affine in (d.stiffness, d.mass, *(loss.matrix for loss in d.losses))
            for matrix in (affine.constant, affine.forward, affine.forward.T)
        ]
        self._viscous = [loss.viscous for loss in d.losses]
        coordinates = [matrix.coords for matrix in matrices]
        for side in (self._bottom, self._top):
            count = side.unknowns.size
            coordinates.append((np.repeat(side.unknowns, count), np.tile(side.unknowns, count)))
        keys = [self._keys(rows, columns) for rows, columns in coordinates]
        pattern = self._pattern([key[key >= 0] for key in keys])
        places = [np.searchsorted(pattern, key[key >= 0]) for key in keys]
        self._rows = (pattern % self._free).astype(np.int32)
        columns = np.arange(self._free + 1) * self._free
        self._starts = np.searchsorted(pattern, columns).astype(np.int32)
        self._parts = [
            _Part(place, matrix.data[key >= 0], self._electrodes(matrix))
            for matrix, key, place in zip(matrices, keys[:-2], places[:-2], strict=True)
        ]
        self._floor_places, self._roof_places = places[-2:]

    def _keys(self, rows: Index, columns: Index) -> Index:
        """Entries numbered column by column; -1 for those of the electrodes."""
        free = np.maximum(rows, columns) < self._free
        return np.where(free, columns.astype(np.int64) * self._free + rows, -1)

    def _pattern(self, keys: list[Index]) -> Index:
        """All different keys, sorted; sparse conversion is faster at it than sorting is."""
        every = np.concatenate(keys)
        rows, columns = every % self._free, every // self._free
        ones = np.ones(every.size, dtype=np.int8)
        shape = (self._free, self._free)
        found = sp.csr_array(sp.coo_array((ones, (columns, rows)), shape=shape))
        found.sort_indices()
        starts = np.repeat(np.arange(self._free), np.diff(found.indptr))
        return np.asarray(starts.astype(np.int64) * self._free + found.indices)

    def _electrodes(self, matrix: sp.coo_array) -> NDArray[Any]:
        return np.asarray(sp.csr_array(matrix)[: self._free, self._free :].toarray())

    def at(
        self,
        frequency: float,
        phase: float,
        harmonics: tuple[NDArray[np.intp], Array],
        blocks: Complex,
        driven: int,
    ) -> tuple[sp.csc_array, Complex]:
        """A on the free unknowns, and the inputs of a snapshot.

        Parameters
        ----------
        frequency, phase : hertz, radians.
        harmonics : places among the integrals' harmonics, and k_n p.
        blocks : (n, 4, 4) scaled p Y(w, k_n).
        driven : harmonics of the floor that become inputs.

        Returns
        -------
        The sparse matrix, and (free, e + 4 driven): minus the electrodes' columns, then P_n^H.
        """
        kept, k = harmonics
        omega = 2.0 * np.pi * frequency * self._period / VELOCITY
        turn = np.exp(-1j * phase)
        data = np.zeros(self._rows.size, dtype=complex)
        inputs = np.zeros((self._free, self._parts[0].electrodes.shape[1]), dtype=complex)
        scales = [1.0, -(omega**2), *(1j * omega if viscous else 1j for viscous in self._viscous)]
        factors = [scale * f for scale in scales for f in (1.0, turn, np.conj(turn))]
        for factor, part in zip(factors, self._parts, strict=True):
            data[part.places] += factor * part.values
            inputs -= factor * part.electrodes
        floor = self._bottom.traces(phase, kept, 4)
        waves = np.matmul(blocks, floor).reshape(-1, floor.shape[-1])
        flat = floor.reshape(waves.shape)
        data[self._floor_places] += (flat.conj().T @ waves).ravel()
        roof = self._top.traces(phase, kept, 1)[:, 0]
        data[self._roof_places] -= (roof.conj().T @ (air_weights(k)[:, None] * roof)).ravel()
        drive = np.zeros((self._free, 4 * driven), dtype=complex)
        drive[self._bottom.unknowns] = flat[: 4 * driven].conj().T
        matrix = sp.csc_array((data, self._rows, self._starts), shape=(self._free, self._free))
        return matrix, np.hstack([inputs, drive])
