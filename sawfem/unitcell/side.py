"""Floquet harmonics of given vectors along a side of the cell, for any phase, without the mesh.

    P_n(gamma) v = int exp(+j (gamma + 2 pi n) x) v(x) dx,      lengths in periods.

On one period exp(j gamma x) is a polynomial of x to rounding: with Chebyshev points x_m and
their Lagrange polynomials l_m

    exp(j gamma x) = sum_m exp(j gamma x_m) l_m(x),    P_n(gamma) v = sum_m exp(j gamma x_m) R_mn v,

so that the phase stands outside and the integrals R_mn v are done once. A shape function on the
right side belongs to its twin on the left, v exp(-j gamma): it is moved there, to x - 1, and
carries no factor then. All this is analytic in gamma: complex phases need nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.unitcell.affine import Trace
from sawfem.unitcell.discretisation import Discretisation

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Chebyshev points: |gamma| up to 2 pi / 3 beyond the real axis costs no digit.
NODES = 20


@dataclass(frozen=True, eq=False)
class SideIntegrals:
    """R_mn over the shape functions that a side sees.

    Attributes
    ----------
    nodes : (m,) x_m in periods.
    orders : (n,) the harmonics n.
    used : (s,) scalar shape functions that live on the side.
    integrals : (m * n, s) R_mn.
    """

    nodes: Array
    orders: NDArray[np.int64]
    used: NDArray[np.int64]
    integrals: Complex

    @classmethod
    def along(cls, d: Discretisation, trace: Trace, orders: NDArray[np.int64]) -> SideIntegrals:
        """The integrals along the floor or the upper side of a cell."""
        used = np.unique(trace.weighted.indices).astype(np.int64)
        weighted = trace.weighted[:, used].toarray()
        wraps = d.unknowns.wraps[used]
        touched = np.abs(weighted[:, wraps]).max(axis=1) > 0.0
        left = float(trace.x[touched].min()) - 1.0 if touched.any() else 0.0
        nodes = _chebyshev(left, 1.0, NODES)
        result = np.zeros((NODES, orders.size, used.size), dtype=complex)
        for shift, columns in ((0.0, ~wraps), (1.0, wraps)):
            x = trace.x - shift
            waves = np.exp(2j * np.pi * np.multiply.outer(orders, x))
            both = _lagrange(nodes, x)[:, None, :] * waves
            result[..., columns] = both @ weighted[:, columns]
        return cls(nodes, orders, used, result.reshape(-1, used.size))

    def harmonics(self, phase: complex) -> Complex:
        """Int exp(+j k_n x) phi_i dx of the scalar shape functions seen: (n, s)."""
        flat = self.integrals.reshape(self.nodes.size, -1)
        waves = np.exp(1j * phase * self.nodes) @ flat
        return np.asarray(waves.reshape(self.orders.size, self.used.size))

    def of(self, d: Discretisation, components: range, vectors: Complex) -> Complex:
        """R_mn v of vectors (unknowns, v) on the periodic cell: (m, n, components, v)."""
        padded = np.vstack([vectors, np.zeros((1, vectors.shape[1]))])
        values = np.stack([padded[d.unknowns.number[c, self.used]] for c in components], axis=1)
        found = self.integrals @ values.reshape(self.used.size, -1)
        return np.asarray(found.reshape(self.nodes.size, self.orders.size, len(components), -1))


def _chebyshev(start: float, stop: float, count: int) -> Array:
    """Chebyshev points of the first kind."""
    t = np.cos(np.pi * (np.arange(count) + 0.5) / count)
    return np.asarray(0.5 * (start + stop) + 0.5 * (stop - start) * t)


def _lagrange(nodes: Array, x: Array) -> Array:
    """Lagrange polynomials of Chebyshev points at x, (m, points), by the barycentric formula."""
    count = nodes.size
    angle = np.pi * (np.arange(count) + 0.5) / count
    weights = (-1.0) ** np.arange(count) * np.sin(angle)
    distance = x[None, :] - nodes[:, None]
    hit = distance == 0.0
    terms = weights[:, None] / np.where(hit, 1.0, distance)
    values = terms / terms.sum(axis=0)
    values[:, hit.any(axis=0)] = hit[:, hit.any(axis=0)]
    return np.asarray(values)
