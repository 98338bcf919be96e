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

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from skfem import Basis
from skfem.element import ElementQuadP

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


def shape_functions(cell_mesh: CellMesh, order: int) -> Basis:
    """Hierarchical shape functions of a degree on a mesh, with points to integrate at.

    The integrals are exact on rectangles; on trapezoids the map makes them rational, and a point
    more in each direction keeps that error below the error of the elements.
    """
    return Basis(cell_mesh.mesh, ElementQuadP(order), intorder=2 * order + 1)


def scalar_forms(
    cell_mesh: CellMesh, basis: Basis, alive: NDArray[np.bool_]
) -> dict[int, ScalarForms]:
    """Assemble the scalar forms of every medium of a mesh: {index of the medium: forms}.

    ``alive`` (n,) tells which shape functions are unknowns; the others have no entries.
    """
    # (functions, elements, points) -> elements first, so that a product is one matrix a element.
    values = np.stack([np.asarray(f[0]) for f in basis.basis], axis=1)
    slopes = np.stack([np.asarray(f[0].grad) for f in basis.basis], axis=2)
    weights = basis.dx[:, None, :]

    def integral(v: Array, u: Array) -> Array:
        return np.asarray(np.matmul(v * weights, u.transpose(0, 2, 1)))

    xx, zz = integral(slopes[0], slopes[0]), integral(slopes[1], slopes[1])
    xz, mass = integral(slopes[0], slopes[1]), integral(values, values)
    dofs = basis.element_dofs.T.astype(np.int64)
    kept = alive[dofs]
    forms = {}
    for medium in np.unique(cell_mesh.medium):
        e = np.flatnonzero(cell_mesh.medium == medium)
        place, row, column = np.nonzero(kept[e][:, :, None] & kept[e][:, None, :])
        place = e[place]
        forms[int(medium)] = ScalarForms(
            rows=dofs[place, row],
            columns=dofs[place, column],
            gradient=(
                (xx[place, row, column], xz[place, row, column]),
                (xz[place, column, row], zz[place, row, column]),
            ),
            mass=mass[place, row, column],
        )
    return forms


def transverse_forms(
    basis: Basis, elements: Index
) -> tuple[Index, Index, tuple[Array, Array], Array]:
    """Rows, columns, (int d_1 v u, int d_3 v u) and int v u over some elements; (entries,) each."""
    values = np.stack([np.asarray(f[0])[elements] for f in basis.basis], axis=1)
    slopes = np.stack([np.asarray(f[0].grad)[:, elements] for f in basis.basis], axis=2)
    weighted = (values * basis.dx[elements, None, :]).transpose(0, 2, 1)
    dofs = basis.element_dofs.T.astype(np.int64)[elements]
    rows, columns = np.broadcast_arrays(dofs[:, :, None], dofs[:, None, :])
    across, up = (np.asarray(np.matmul(slope, weighted)).ravel() for slope in slopes)
    mass = np.asarray(np.matmul(values, weighted)).ravel()
    return rows.ravel(), columns.ravel(), (across, up), mass


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
