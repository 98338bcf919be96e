"""Weak form of the equation of motion, assembled from five scalar forms a medium.

Multiply dT_iJ/dx_i + rho w^2 I'_JK U_K = 0 by a test function V_J and integrate by parts over a
cross-section on which nothing depends on x2 (i, l run over x1 and x3):

    sum over regions of  G_iJKl  int dV_J/dx_i dU_K/dx_l  -  w^2 rho I'_JK  int V_J U_K
        =  closed integral of  V_J T_nJ                                    (n outward)

G and rho are constant in a medium, so the integrals ``int d_i v d_l u`` and ``int v u`` of
scalar shape functions are assembled once a medium, and a new crystal or cut costs a product with
small numbers. Conventions and scales: sawfem/conventions.py; lengths are in periods.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from skfem import Basis
from skfem.element import ElementQuadP
from skfem.quadrature import get_quadrature
from skfem.refdom import RefQuad

from sawfem.conventions import STRESS
from sawfem.material import Medium
from sawfem.unitcell.mesh import CellMesh

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Narrow = NDArray[np.int32]

#: Velocity unit inside the cell, m/s, and density unit, kg/m^3: their product rho v^2 is STRESS.
VELOCITY = 1.0e4
DENSITY = 1.0e3


@dataclass(frozen=True)
class ScalarForms:
    """Scalar integrals over the elements of one medium, as triplets (row, column, value).

    Attributes
    ----------
    rows, columns : (entries,) scalar unknowns v and u of every entry.
    gradient : gradient[i][l] = int d_i v d_l u with i, l = x1, x3; (entries,) each.
    mass : int v u, (entries,).
    """

    rows: Index
    columns: Index
    gradient: tuple[tuple[Array, Array], tuple[Array, Array]]
    mass: Array


#: Entries of element matrices that are in memory at one time; five numbers each, and their points.
AT_ONCE = 1_000_000


def shape_functions(cell_mesh: CellMesh, order: int) -> Basis:
    """Hierarchical shape functions of a degree on a mesh: their numbering.

    Their values at the points of integration, which take more memory than all else, are made piece
    by piece where they are needed.
    """
    return Basis(cell_mesh.mesh, ElementQuadP(order), intorder=1)


@dataclass(frozen=True)
class _Piece:
    """Some elements: their numbers, dofs (elements, functions), weights (elements, 1, points),
    values (elements, functions, points) and slopes (2, elements, functions, points).
    """

    elements: Index
    dofs: Index
    weights: Array
    values: Array
    slopes: Array


def _pieces(basis: Basis, elements: Index) -> Iterator[_Piece]:
    """The elements, a few at a time, at the points of a Gauss rule.

    The integrals are exact on rectangles; on trapezoids the map makes them rational, and a point
    more in each direction keeps that error below the error of the elements.
    """
    functions = int(basis.element_dofs.shape[0])
    order = math.isqrt(functions) - 1
    points, weights = get_quadrature(RefQuad, 2 * order + 1)
    on_square = [basis.elem.lbasis(points, i) for i in range(functions)]
    values = np.stack([np.asarray(value) for value, _ in on_square])
    slopes = np.stack([np.asarray(slope) for _, slope in on_square], axis=1)
    count = max(1, AT_ONCE // functions**2)
    for start in range(0, elements.size, count):
        chosen = elements[start : start + count]
        turned, area = _jacobian(basis.mesh.p[:, basis.mesh.t[:, chosen]], points)
        # d(phi)/dx_i = sum_a d(phi)/dt_a dt_a/dx_i; elements first, so that a product is a matrix
        # an element.
        both = [
            turned[0, i][:, None] * slopes[0] + turned[1, i][:, None] * slopes[1] for i in (0, 1)
        ]
        dofs = basis.element_dofs.T[chosen].astype(np.int64)
        here = np.broadcast_to(values, (chosen.size, *values.shape))
        yield _Piece(chosen, dofs, (area * weights)[:, None, :], here, np.stack(both))


def _jacobian(corners: Array, points: Array) -> tuple[Array, Array]:
    """Of the bilinear map of the unit square onto quadrilaterals with corners (2, 4, elements).

    Returns dt_a/dx_i (a, i, elements, points) and the area |dx/dt| (elements, points).
    """
    t, s = points
    along = np.stack([s - 1.0, 1.0 - s, s, -s]), np.stack([t - 1.0, -t, t, 1.0 - t])
    a, b = (np.einsum("ice,cp->iep", corners, slope) for slope in along)
    area = a[0] * b[1] - a[1] * b[0]
    return np.array([[b[1], -b[0]], [-a[1], a[0]]]) / area, np.abs(area)


def scalar_forms(
    cell_mesh: CellMesh, basis: Basis, alive: NDArray[np.bool_]
) -> dict[int, ScalarForms]:
    """Assemble the scalar forms of every medium of a mesh: {index of the medium: forms}.

    ``alive`` (n,) tells which shape functions are unknowns; the others have no entries.
    """
    forms = {}
    for medium in np.unique(cell_mesh.medium):
        parts = [
            _entries(group)
            for piece in _pieces(basis, np.flatnonzero(cell_mesh.medium == medium))
            for group in _alike(piece, alive)
        ]
        rows, columns, xx, xz, zx, zz, mass = map(np.concatenate, zip(*parts, strict=True))
        forms[int(medium)] = ScalarForms(rows, columns, ((xx, xz), (zx, zz)), mass)
    return forms


def _alike(piece: _Piece, alive: NDArray[np.bool_]) -> Iterator[_Piece]:
    """The elements in groups with the same living shape functions, and these functions alone."""
    kept = alive[piece.dofs]
    patterns, first, group = np.unique(
        np.packbits(kept, axis=1), axis=0, return_index=True, return_inverse=True
    )
    for number in range(len(patterns)):
        e = np.flatnonzero(group.ravel() == number)
        functions = np.flatnonzero(kept[first[number]])
        yield _Piece(
            piece.elements[e],
            piece.dofs[np.ix_(e, functions)],
            piece.weights[e],
            piece.values[np.ix_(e, functions)],
            np.stack([slope[np.ix_(e, functions)] for slope in piece.slopes]),
        )


def _entries(piece: _Piece) -> tuple[Array, ...]:
    """Rows, columns, the four gradient integrals xx, xz, zx, zz and the mass; (entries,) each."""

    def integral(v: Array, u: Array) -> Array:
        return np.asarray(np.matmul(v * piece.weights, u.transpose(0, 2, 1)))

    x, z = piece.slopes
    rows, columns = np.broadcast_arrays(piece.dofs[:, :, None], piece.dofs[:, None, :])
    xz = integral(x, z)
    found = (
        rows,
        columns,
        integral(x, x),
        xz,
        xz.transpose(0, 2, 1),
        integral(z, z),
        integral(piece.values, piece.values),
    )
    return tuple(array.ravel() for array in found)


def transverse_forms(
    basis: Basis, elements: Index
) -> tuple[Index, Index, tuple[Array, Array], Array]:
    """Rows, columns, (int d_1 v u, int d_3 v u) and int v u over some elements; (entries,) each."""
    parts = []
    for piece in _pieces(basis, elements):
        weighted = (piece.values * piece.weights).transpose(0, 2, 1)
        rows, columns = np.broadcast_arrays(piece.dofs[:, :, None], piece.dofs[:, None, :])
        integrals = [np.matmul(factor, weighted) for factor in (*piece.slopes, piece.values)]
        parts.append([array.ravel() for array in (rows, columns, *integrals)])
    if not parts:
        parts = [[np.zeros(0, dtype=np.int64)] * 2 + [np.zeros(0)] * 3]
    rows, columns, across, up, mass = map(np.concatenate, zip(*parts, strict=True))
    return rows, columns, (across, up), mass


def elastic_tensor(medium: Medium) -> Array:
    """Scaled G_iJKl of a conductor: the stiffness alone, shape (3, 4, 4, 3)."""
    tensor = np.zeros((3, 4, 4, 3))
    tensor[:, :3, :3, :] = medium.stiffness / STRESS
    return tensor


def stiffness_values(forms: ScalarForms, tensor: Array, j: int, k: int) -> Array:
    """sum_im G_iJKm int d_i v d_m u for one pair of components (J, K); (entries,)."""
    axes = (0, 2)
    total = np.zeros_like(forms.mass)
    for a, i in enumerate(axes):
        for b, m in enumerate(axes):
            if tensor[i, j, k, m] != 0.0:
                total += tensor[i, j, k, m] * forms.gradient[a][b]
    return total


def sparse_from(parts: list[tuple[Narrow, Narrow, Array]], size: int) -> sp.csr_array:
    """One matrix from triplets; entries at the same place add up, zeros are dropped."""
    rows = np.concatenate([part[0] for part in parts])
    columns = np.concatenate([part[1] for part in parts])
    values = np.concatenate([part[2] for part in parts])
    matrix = sp.csr_array((values, (rows, columns)), shape=(size, size))
    matrix.eliminate_zeros()
    return matrix
