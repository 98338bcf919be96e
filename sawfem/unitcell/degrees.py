"""Polynomial degrees of the elements: high where elements are large, low towards the corners.

A mesh that shrinks towards a corner by a fixed ratio needs the full degree only far from it: next
to the corner the error is that of the last element, which no degree lessens, and the best degree
rises linearly from there, layer by layer (hp version: Babuska & Guo, SIAM J. Numer. Anal. 25, 837
(1988); Schwab, p- and hp-Finite Element Methods, 1998; from memory). On a tensor mesh the two
directions need degrees of their own: a column that is narrow for a corner's sake runs through the
whole slab, where hardly anything changes across it.

Along an interval whose middle is m and half length h, a function with a singularity at the
complex place x0 + j d, d being the distance across, is approximated by polynomials of degree n to

    rho^n,    1/rho = |z + (z^2 - 1)^(1/2)|,    z = (x0 + j d - m)/h

(Bernstein). Near a corner at distance r the field is r^LAMBDA, and the elements that touch the
corner, of size s, leave s^LAMBDA. So the degree is the least with

    rho^n <= share (s/r)^LAMBDA,

and beside that the one that resolves the smooth part as well as the largest elements do. With
share = 0.3 and ratios of 0.1, an order and a layer more take the errors of edges and of C down by
8 to 12, on every one of four cells (niobate with 2 and 10 % of aluminium, tantalate, quartz).

The shape functions are hierarchical, so that a lower degree is a matter of leaving some out; an
edge has the lower degree of its two elements, and the field stays continuous.
"""

from __future__ import annotations

from math import factorial

import numpy as np
from numpy.typing import NDArray
from skfem import Basis

from sawfem.unitcell.mesh import CellMesh

Array = NDArray[np.float64]
Index = NDArray[np.int64]

#: Exponent of the field at the edge of a conducting strip on a dielectric.
LAMBDA = 0.5
#: k s/4 of the smooth part across the largest element, k its wavenumber: with a fourth of a period
#: waves of half a period are held. Half and twice of it give the same errors to 5 % (four cells).
SMOOTH = 0.8
#: Change of a wall's slope dx/dz below which it is straight.
STRAIGHT = 1e-6
#: Degree of the elements at a corner: 2 halves the error of C at a hundredth more unknowns, 3 does
#: little more.
VERTEX = 2


def left_out(cell_mesh: CellMesh, basis: Basis, order: int, share: float) -> NDArray[np.bool_]:
    """Which scalar shape functions the degrees leave out, (n,).

    Parameters
    ----------
    cell_mesh, basis : the mesh and its hierarchical shape functions of degree ``order``.
    share : of the error of the elements at the corners, that a lower degree may make: 0 to 1.
        0 leaves out nothing.
    """
    dropped = np.zeros(basis.N, dtype=bool)
    if share == 0.0:
        return dropped
    across, up = degrees(cell_mesh, order, share)
    first, second = _local_degrees(order)
    x = cell_mesh.mesh.p[0, cell_mesh.mesh.t]
    if np.ptp(x[:2], axis=0).max() < np.ptp(x[1:3], axis=0).max():
        first, second = second, first
    for functions, n_x, n_z in zip(basis.element_dofs, first, second, strict=True):
        dropped[functions[(n_x > across) | (n_z > up)]] = True
    return dropped


def _local_degrees(order: int) -> tuple[Index, Index]:
    """Degrees in the two local directions of the shape functions of skfem's ElementQuadP.

    Four vertices, then the four edges from vertex 0 on, then the inside, each by rising degree.
    """
    rising = np.arange(2, order + 1)
    none = np.ones_like(rising)
    first = [np.ones(4, dtype=int), rising, none, rising, none, np.repeat(rising, order - 1)]
    second = [np.ones(4, dtype=int), none, rising, none, rising, np.tile(rising, order - 1)]
    return np.concatenate(first), np.concatenate(second)


def degrees(cell_mesh: CellMesh, order: int, share: float) -> tuple[Index, Index]:
    """Degrees along x and along z of every element, 1 to ``order``; (elements,) each."""
    x, z = cell_mesh.mesh.p[:, cell_mesh.mesh.t]
    low, high = z.min(axis=0), z.max(axis=0)
    # Lower and upper side of every element; the sides are level, the walls may lean.
    lower = np.abs(z - low) < 0.5 * (high - low)
    sides = [
        (np.where(side, x, np.inf).min(axis=0), np.where(side, x, -np.inf).max(axis=0))
        for side in (lower, ~lower)
    ]
    width = 0.5 * sum(right - left for left, right in sides)
    largest = max(float(width.max()), float((high - low).max()))
    across = _smooth(width, largest, order)
    up = _smooth(high - low, largest, order)
    finest = float(width.min())
    for corner_x, corner_z in corners(cell_mesh):
        nearer = corner_z <= 0.5 * (low + high)
        left = np.where(nearer, sides[0][0], sides[1][0])
        right = np.where(nearer, sides[0][1], sides[1][1])
        away_z = _gap(low, high, corner_z)
        for place in (corner_x - 1.0, corner_x, corner_x + 1.0):
            away_x = _gap(left, right, place)
            distance = np.hypot(away_x, away_z)
            apart = distance > 1e-12
            wanted = share * (finest / np.where(apart, distance, finest)) ** LAMBDA
            for needed, ratio in (
                (across, _bernstein(left, right, place, away_z)),
                (up, _bernstein(low, high, corner_z, away_x)),
            ):
                count = np.log(wanted) / np.log(np.minimum(ratio, 1.0 - 1e-9))
                count = np.where(apart, np.minimum(np.ceil(count - 1e-9), order), VERTEX)
                np.maximum(needed, count.astype(np.int64), out=needed)
    return across, up


def _smooth(size: Array, largest: float, order: int) -> Index:
    """Least degree with which the smooth part errs no more than on the largest elements.

    Of exp(j k x) on an interval of length s, polynomials of degree n leave (k s/4)^(n+1)/(n+1)!.
    """
    kept = SMOOTH ** (order + 1) / factorial(order + 1)
    result = np.full(size.shape, order, dtype=np.int64)
    for degree in range(order - 1, 0, -1):
        left = (SMOOTH * size / largest) ** (degree + 1) / factorial(degree + 1)
        result[left <= kept] = degree
    return result


def _gap(low: Array, high: Array, place: float) -> Array:
    """Distance of a place from intervals; 0 inside."""
    return np.asarray(np.maximum(np.maximum(low - place, place - high), 0.0))


def _bernstein(low: Array, high: Array, place: float, aside: Array) -> Array:
    """Rho of the module docstring for intervals and a singularity at place + j aside."""
    z = (place + 1j * aside - 0.5 * (low + high)) / (0.5 * (high - low))
    return np.asarray(1.0 / np.abs(z + np.sqrt(z - 1.0) * np.sqrt(z + 1.0)))


def corners(cell_mesh: CellMesh) -> Array:
    """Vertices (x, z) where media meet otherwise than along one straight line; (corners, 2)."""
    x, z = cell_mesh.mesh.p[:, cell_mesh.mesh.t]
    low = z.min(axis=0)
    levels, row = np.unique(np.round(low, 12), return_inverse=True)
    order = np.lexsort((x.mean(axis=0), row)).reshape(levels.size, -1)
    lower = np.abs(z - low) < 0.5 * np.ptp(z, axis=0)
    foot = np.where(lower, x, np.inf).min(axis=0)
    lean = ((np.where(lower, np.inf, x).min(axis=0) - foot) / np.ptp(z, axis=0))[order]
    body = cell_mesh.medium * (cell_mesh.electrode.max() + 2) + cell_mesh.electrode + 1
    patch = body[order]
    before = np.roll(patch, 1, axis=1)
    # Four patches around a vertex: lower left and right, upper left and right.
    a, b, c, d = before[:-1], patch[:-1], before[1:], patch[1:]
    level = (a == b) & (c == d)
    wall = (a == c) & (b == d) & (np.abs(lean[1:] - lean[:-1]) < STRAIGHT)
    chosen = order[1:][~(level | wall)]
    return np.stack([foot[chosen], low[chosen]], axis=1)
