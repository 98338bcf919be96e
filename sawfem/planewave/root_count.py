"""Roots of a determinant in a region of complex wavenumbers: counted, then found.

The argument principle: round a closed contour, the phase of an analytic f turns by 2 pi times the
number of its zeros less that of its poles (Delves & Lyness, Math. Comp. 21, 543 (1967): from
memory). Edges are refined until the phase turns by less than :data:`TURN` from point to point;
cells with roots are divided until each root stands alone, and the roots are polished.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import ConvergenceError
from sawfem.planewave.generalised import Array, ComplexArray
from sawfem.planewave.leaky_strip import Strip
from sawfem.planewave.roots import muller_root

#: Largest turn of the phase, radians, and change of log |f| between neighbouring points.
TURN = 0.9
CHANGE = 1.6
#: Points of an edge to begin with, refinements of it, and divisions of a cell.
POINTS = 7
REFINEMENTS = 20
DIVISIONS = 7
#: Most places at which edges are refined at once.
MOST = 500
#: Cells of a strip along Re k and along the loss.
COLUMNS, ROWS = 4, 1

Cell = tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class Roots:
    """What a strip holds, of one surface.

    Attributes
    ----------
    found : roots k, rad/m. counted : zeros less poles by the argument principle.
    poles : poles met (waves of a clamped surface), counted negatively.
    """

    found: tuple[complex, ...]
    counted: int
    poles: int


def roots_in(strip: Strip, angles: tuple[float, float], losses: tuple[float, float]) -> list[Roots]:
    """Roots of the free and of the metallised surface in a region of a strip.

    Parameters
    ----------
    angles, losses : bounds of the coordinates of :meth:`.Strip.wavenumber`.

    Raises
    ------
    ConvergenceError : the phase does not become continuous (a branch point off the real axis), or
        a root is counted and not found; names the place.
    """
    x = np.linspace(*angles, COLUMNS + 1)
    y = np.linspace(*losses, ROWS + 1)
    cells = [(x[i], x[i + 1], y[j], y[j + 1]) for i in range(COLUMNS) for j in range(ROWS)]
    found: list[list[complex]] = [[], []]
    counted, poles = [0, 0], [0, 0]
    for depth in range(DIVISIONS + 1):
        turns, moments = _windings(strip, cells)
        if depth == 0:
            counted = turns.sum(axis=0).tolist()
        left: list[Cell] = []
        for cell, turn, moment in zip(cells, turns, moments, strict=True):
            divide = False
            for surface in (0, 1):
                if turn[surface] < 0 and depth > 3:
                    poles[surface] -= int(turn[surface])
                elif turn[surface] == 1:
                    root = _polished(strip, cell, complex(moment[surface]), surface)
                    if root is None:
                        divide = True
                    elif all(abs(root - other) > 1e-10 * abs(root) for other in found[surface]):
                        found[surface].append(root)
                elif turn[surface] != 0:
                    divide = True
            if divide:
                left += _quarters(cell)
        cells = left
        if not cells:
            break
    result = [Roots(tuple(found[s]), counted[s], poles[s]) for s in (0, 1)]
    if any(len(roots.found) - roots.poles != roots.counted for roots in result):
        number = [(roots.counted, len(roots.found), roots.poles) for roots in result]
        raise ConvergenceError(
            f"leaky waves between {strip.slow:.6g} and {strip.fast:.6g} m/s: counted, found, poles "
            f"{number} of the free and the metallised surface"
        )
    return result


def _quarters(cell: Cell) -> list[Cell]:
    # Not in the middle: a root on the line of symmetry would sit on the new edges.
    a, b, c, d = cell
    x, y = a + 0.47 * (b - a), c + 0.53 * (d - c)
    return [(a, x, c, y), (x, b, c, y), (a, x, y, d), (x, b, y, d)]


def _windings(strip: Strip, cells: list[Cell]) -> tuple[Array, ComplexArray]:
    """Zeros less poles of each cell (cells, 2), and the sum of their k (cells, 2)."""
    corners = [((a, c), (b, c), (b, d), (a, d)) for a, b, c, d in cells]
    edges: dict[tuple[tuple[float, float], ...], int] = {}
    paths = []
    for corner in corners:
        for first, last in zip(corner, corner[1:] + corner[:1], strict=True):
            key = tuple(sorted((first, last)))
            edges.setdefault(key, len(edges))
            paths.append((edges[key], 1.0 if key == (first, last) else -1.0))
    turns, moments = _edges(strip, list(edges))
    index = np.array([path[0] for path in paths]).reshape(-1, 4)
    sign = np.array([path[1] for path in paths]).reshape(-1, 4, 1)
    total = np.sum(sign * turns[index], axis=1)
    first = np.sum(sign * moments[index], axis=1)
    # Coordinates (angle, loss) run clockwise in k: angle along Re k, loss along -Im k.
    number = np.rint(-total.imag / (2.0 * np.pi)).astype(int)
    return number, first / (-2j * np.pi)


def _edges(
    strip: Strip, edges: list[tuple[tuple[float, float], ...]]
) -> tuple[ComplexArray, ComplexArray]:
    """Change of log f along each edge (edges, 2), and the integral of k d log f."""
    owner = np.repeat(np.arange(len(edges)), POINTS)
    s = np.tile(np.linspace(0.0, 1.0, POINTS), len(edges))
    ends = np.array(edges)

    def wavenumbers(owner: NDArray[np.intp], s: Array) -> ComplexArray:
        point = ends[owner, 0] + s[:, None] * (ends[owner, 1] - ends[owner, 0])
        return strip.wavenumber(point[:, 0], point[:, 1])

    k = wavenumbers(owner, s)
    f = strip.logarithms(k)
    for _ in range(REFINEMENTS):
        inside = owner[1:] == owner[:-1]
        step = _step(f)
        rough = (np.abs(step.imag) > TURN) | (np.abs(step.real) > CHANGE)
        gaps = np.flatnonzero(inside & rough.any(axis=1))
        if gaps.size == 0:
            break
        if gaps.size > MOST:
            raise ConvergenceError(
                f"the surface determinant is not smooth between {strip.slow:.6g} and "
                f"{strip.fast:.6g} m/s: {gaps.size} jumps, the largest {np.abs(step).max():.2g}"
            )
        middle = 0.5 * (s[gaps] + s[gaps + 1])
        new = wavenumbers(owner[gaps], middle)
        f = np.insert(f, gaps + 1, strip.logarithms(new), axis=0)
        k = np.insert(k, gaps + 1, new)
        s = np.insert(s, gaps + 1, middle)
        owner = np.insert(owner, gaps + 1, owner[gaps])
    else:
        where = k[gaps[0]]
        raise ConvergenceError(
            f"the surface determinant jumps by {np.abs(step[gaps[0]]).max():.2g} at "
            f"{strip.omega / where.real:.8g} m/s, loss {-where.imag / where.real:.3g}"
        )
    step = np.where(inside[:, None], step, 0.0)
    middles = 0.5 * (k[1:] + k[:-1])[:, None]
    sums = np.zeros((2, len(edges), 2), dtype=complex)
    np.add.at(sums[0], owner[1:], step)
    np.add.at(sums[1], owner[1:], middles * step)
    return sums[0], sums[1]


def _step(f: ComplexArray) -> ComplexArray:
    change = np.diff(f, axis=0)
    return np.asarray(change.real + 1j * (np.mod(change.imag + np.pi, 2.0 * np.pi) - np.pi))


def _polished(strip: Strip, cell: Cell, guess: complex, surface: int) -> complex | None:
    """The root of a cell that holds one, or None where it is not found inside."""
    a, b, c, d = cell
    corners = strip.wavenumber(np.array([a, b, b, a]), np.array([c, c, d, d]))
    size = float(np.abs(corners - corners.mean()).max())
    reference = float(strip.logarithms(np.array([guess]))[0, surface].real)

    def function(k: complex) -> complex:
        value = strip.logarithms(np.array([k]))[0, surface]
        return complex(np.exp(value - reference)) if np.isfinite(value) else 0.0j

    def allowed(k: complex) -> bool:
        return abs(k - guess) < 4.0 * size

    if not np.isfinite(reference):
        return guess
    for start in (guess, complex(corners.mean())):
        try:
            root = muller_root(function, start, 0.02 * size, allowed, tolerance=1e-12, steps=40)
        except ConvergenceError:
            continue
        if root is not None and _inside(strip, cell, root):
            return root
    return None


def _inside(strip: Strip, cell: Cell, k: complex) -> bool:
    a, b, c, d = cell
    t = float(strip.place(np.array([k]))[0])
    start = strip.least + t * (strip.largest - strip.least)
    loss = -k.imag / start
    slack = 1e-9 * (d - c)
    first, last = 0.5 - 0.5 * np.cos(a), 0.5 - 0.5 * np.cos(b)
    return bool(first <= t <= last and c - slack <= loss <= d + slack)
