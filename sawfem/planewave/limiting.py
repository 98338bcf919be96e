"""Bulk waves in the sagittal plane, and the velocity below which a surface wave cannot leak.

A bulk wave of wave vector (k, 0, p k) travels along the surface with v = omega / k, where

    det(Gamma(p) - rho v^2) = 0,  Gamma(p) = c-part + e-part e-part^T / eps-part,

with the generalised tensor contracted by the direction (1, 0, p): the piezoelectrically stiffened
acoustic tensor. The smallest v over all p is the limiting velocity (Barnett & Lothe 1985): below
it no partial wave oscillates, and the surface admittance is Hermitian. Each minimum of a sheet
v(p) is a branch point of Y, the onset of one more radiated wave.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sawfem.planewave.generalised import Array, GeneralisedTensor, Indices
from sawfem.planewave.roots import enclosed_roots, parabola_root

if TYPE_CHECKING:
    from sawfem.material import Medium

#: Directions in which the sheets are first sampled, radians; coarser for the lowest sheet.
FINE = np.linspace(-0.5, 0.5, 362)[1:-1] * np.pi
COARSE = np.linspace(-0.5, 0.5, 182)[1:-1] * np.pi
#: Accuracy of the direction of a minimum, radians; the velocity is good to its square.
DIRECTION = 3.0e-8
#: Parts into which a cell with several minima is cut.
FINER = 64
#: Names of the three sheets in trade terms, slowest first.
SHEETS = ("slow shear", "fast shear", "longitudinal")


def contracted(tensor: GeneralisedTensor, along: Array, normal: Array) -> Array:
    """Generalised tensor contracted twice with the wave vector (along, 0, normal), (..., n, n)."""
    along, normal = np.asarray(along)[..., None, None], np.asarray(normal)[..., None, None]
    mixed = tensor.g31 + tensor.g31.T
    return np.asarray(along**2 * tensor.g11 + along * normal * mixed + normal**2 * tensor.g33)


def acoustic_tensor(tensor: GeneralisedTensor, along: Array, normal: Array) -> Array:
    """Stiffened acoustic tensor for wave vectors (along, 0, normal): (..., m, m), dimensionless,
    for the m displacements among the components of ``tensor``.
    """
    return stiffened(contracted(tensor, along, normal), tensor.moving)


def stiffened(full: Array, m: int) -> Array:
    """The m displacements' part of a contracted tensor (..., n, n), with phi eliminated."""
    if full.shape[-1] == m:
        return full
    coupling = full[..., :m, m]
    stiffening = coupling[..., :, None] * coupling[..., None, :] / full[..., m:, m:]
    return np.asarray(full[..., :m, :m] - stiffening)


def trace_velocities(tensor: GeneralisedTensor, angle: Array) -> Array:
    """Velocity along the surface of the bulk waves whose vector points ``angle`` (radians) away
    from x1 towards x3; (..., m) in m/s, ascending; infinite at +-pi/2.
    """
    stiffness = acoustic_tensor(tensor, np.cos(angle), np.sin(angle))
    bulk = np.sqrt(np.linalg.eigvalsh(stiffness) / tensor.density)
    return np.asarray(bulk / np.cos(np.asarray(angle))[..., None])


def bulk_onsets(tensor: GeneralisedTensor) -> tuple[float, ...]:
    """Velocities at which a further bulk wave is radiated, m/s, ascending; none into vacuum.

    The smooth minima of the sheets. A kink where two sheets cross is none: there the
    crossing waves only change their order.
    """
    return _extrema(tensor, maxima=False)


def branch_points(tensor: GeneralisedTensor) -> tuple[float, ...]:
    """Velocities at which two partial waves meet and Y has a branch point, m/s, ascending.

    The smooth minima of the sheets, and their smooth maxima.
    """
    return _extrema(tensor, maxima=True)


def _extrema(tensor: GeneralisedTensor, *, maxima: bool) -> tuple[float, ...]:
    """Smooth minima, and maxima where wanted, of all sheets; none for vacuum."""
    return tuple(velocity for velocity, _ in extremal_directions(tensor, maxima=maxima))


def extremal_directions(
    tensor: GeneralisedTensor, *, maxima: bool = True
) -> tuple[tuple[float, float], ...]:
    """(velocity in m/s, direction in radians from x1 towards x3) of each of
    :func:`branch_points`; without ``maxima`` of :func:`bulk_onsets`.
    """
    if tensor.is_vacuum:
        return ()
    angle = FINE
    v = trace_velocities(tensor, angle)
    found: list[tuple[float, float]] = []
    for sign in (1.0, -1.0) if maxima else (1.0,):
        w = sign * v
        index, sheet = np.nonzero((w[1:-1] <= w[:-2]) & (w[1:-1] < w[2:]))
        place = _minima(tensor, sheet, angle[index], angle[index + 2], sign=sign, accuracy=1e-12)
        values = trace_velocities(tensor, place)[np.arange(place.size), sheet]
        smooth = _are_smooth(tensor, sheet, place)
        found.extend(zip(values[smooth].tolist(), place[smooth].tolist(), strict=True))
    distinct: list[tuple[float, float]] = []
    for value in sorted(found):
        if not distinct or value[0] > distinct[-1][0] * (1.0 + 1e-12):
            distinct.append(value)
    return tuple(distinct)


def lowest_onset(tensor: GeneralisedTensor) -> float:
    """The first of :func:`bulk_onsets`, m/s: infinite over vacuum, which radiates nothing.

    The lowest sheet has no kinks that are minima, so its least value is enough.
    """
    if tensor.is_vacuum:
        return np.inf
    angle = COARSE
    v = np.sqrt(_least(acoustic_tensor(tensor, np.cos(angle), np.sin(angle)))) / np.cos(angle)
    index = np.flatnonzero((v[1:-1] <= v[:-2]) & (v[1:-1] < v[2:]))
    index = index[v[index + 1] < 1.01 * v.min()]
    before, here, after = v[index] ** 2, v[index + 1] ** 2, v[index + 2] ** 2
    shift = 0.5 * (before - after) / (before - 2.0 * here + after)  # foot of a parabola
    first = angle[index + 1] + shift * (angle[1] - angle[0])
    seen: list[float] = []
    _minima(tensor, np.zeros_like(index), angle[index], angle[index + 2], first=first, seen=seen)
    # A velocity 3e-8 radians away from its minimum is right to the square of that.
    return min(seen)


def _least(matrix: Array) -> Array:
    """Least eigenvalue of symmetric matrices (m, n, n); of 3 x 3 to the square root of rounding."""
    if matrix.shape[-1] == 3:
        return least_of_three(matrix)
    return np.asarray(np.linalg.eigvalsh(matrix)[..., 0], dtype=np.float64)


def sheet_limits(tensor: GeneralisedTensor) -> tuple[float, ...]:
    """Lowest velocity along the surface of each sheet of bulk waves, m/s, ascending.

    The limits that a wave can exceed, named by :data:`SHEETS`; a tensor of fewer displacements
    has fewer of them.
    """
    if tensor.is_vacuum:
        return ()
    angle = FINE
    lowest = np.argmin(trace_velocities(tensor, angle), axis=0)
    lowest = np.clip(lowest, 1, angle.size - 2)
    sheet = np.arange(tensor.moving)
    place = _minima(tensor, sheet, angle[lowest - 1], angle[lowest + 1])
    return tuple(trace_velocities(tensor, place)[sheet, sheet].tolist())


def _minima(
    tensor: GeneralisedTensor,
    sheet: Indices,
    low: Array,
    high: Array,
    *,
    sign: float = 1.0,
    accuracy: float = DIRECTION,
    first: Array | None = None,
    seen: list[float] | None = None,
) -> Array:
    """Directions (m,) of the minima of given sheets, each between two directions.

    With ``sign`` -1 of the maxima. The zero of the exact derivative: with p the tangent of the
    angle, d(rho v^2)/dp = a^T (dG/dp) a for the eigenvector a = (u, phi) of norm |u| = 1.
    ``first`` guesses them; ``seen`` takes up the least velocity met at each look.
    """
    low, high = np.tan(low), np.tan(high)
    middle = 0.5 * (low + high) if first is None else np.tan(first)
    start = np.array([low, middle, high])
    values = sign * _slopes(tensor, sheet, start, seen)
    for number in np.flatnonzero((values[0] > 0.0) | (values[2] < 0.0)):
        one = _single_minimum(tensor, sheet[number], low[number], high[number], sign)
        start[:, number], values[:, number] = one
        low[number], high[number] = one[0][0], one[0][2]
    guess = np.minimum(np.maximum(parabola_root(start, values), low), high)
    p = enclosed_roots(
        lambda p: sign * _slopes(tensor, sheet, p, seen),
        (low, high, values[0], values[2]),
        guess=guess,
        spread=1e-4 * (high - low),
        accuracy=accuracy * (1.0 + guess**2),
        known=None if first is None else (start, values),
    )
    return np.asarray(np.arctan(p))


def _single_minimum(
    tensor: GeneralisedTensor, sheet: np.intp, low: float, high: float, sign: float
) -> tuple[Array, Array]:
    """Three tangents around the lowest of several minima between two, and the slopes there.

    Two directions at one velocity may enclose a summit: two valleys share the cell, and its ends
    do not tell where they lie. A kink is no zero of the derivative: there all three coincide.
    """
    p = np.linspace(low, high, FINER + 1)
    slopes = sign * _slopes(tensor, np.full(p.size, sheet), p)
    valleys = np.flatnonzero((slopes[:-1] <= 0.0) & (slopes[1:] >= 0.0))
    heights = sign * trace_velocities(tensor, np.arctan(p))[:, sheet]
    if valleys.size == 0:
        return np.full(3, p[int(np.argmin(heights))]), np.zeros(3)
    valley = valleys[int(np.argmin(np.minimum(heights[valleys], heights[valleys + 1])))]
    place = np.array([p[valley], 0.5 * (p[valley] + p[valley + 1]), p[valley + 1]])
    return place, sign * _slopes(tensor, np.full(3, sheet), place)


def _slopes(
    tensor: GeneralisedTensor, sheet: Indices, p: Array, seen: list[float] | None = None
) -> Array:
    """d(rho v^2)/dp of sheets (m,) at tangents p (..., m)."""
    m = tensor.moving
    full = contracted(tensor, np.ones_like(p), p)
    squares, vectors = np.linalg.eigh(stiffened(full, m))
    if seen is not None:
        seen.append(math.sqrt(float(squares.min()) / tensor.density))
    a = vectors[..., np.arange(sheet.size), :, sheet]
    a = np.moveaxis(a, 0, -2)
    if tensor.electric:
        phi = -np.sum(full[..., :m, m] * a, axis=-1) / full[..., m, m]
        a = np.concatenate([a, phi[..., None]], axis=-1)
    slope = tensor.g31 + tensor.g31.T + 2.0 * p[..., None, None] * tensor.g33
    return np.asarray(np.sum((slope @ a[..., None])[..., 0] * a, axis=-1))


def _are_smooth(tensor: GeneralisedTensor, sheet: Indices, place: Array) -> NDArray[np.bool_]:
    """Whether the slope of a sheet vanishes at its extremum, rather than jumps across zero.

    Two sheets that come closer to each other than some 1e-9 in p count as crossing.
    """
    p = np.tan(place)
    steps = np.array([-1e-3, -1e-9, 1e-9, 1e-3])[:, None] * (1.0 + p**2)
    slopes = np.abs(_slopes(tensor, sheet, p + steps))
    return np.asarray(slopes[1:3].max(axis=0) < 0.1 * slopes[[0, 3]].max(axis=0) + 1e-8)


def least_of_three(matrix: Array) -> Array:
    """Least eigenvalue of symmetric matrices (..., 3, 3), to the square root of rounding.

    Trigonometric solution of the characteristic equation (Smith, Commun. ACM 4, 168 (1961)).
    """
    a, b, c = matrix[..., 0, 0], matrix[..., 1, 1], matrix[..., 2, 2]
    d, e, f = matrix[..., 1, 2], matrix[..., 0, 2], matrix[..., 0, 1]
    mean = (a + b + c) / 3.0
    a, b, c = a - mean, b - mean, c - mean
    size = np.sqrt((a**2 + b**2 + c**2 + 2.0 * (d**2 + e**2 + f**2)) / 6.0)
    half = 0.5 * (a * (b * c - d**2) - f * (f * c - d * e) + e * (f * d - b * e))
    ratio = np.clip(half / np.where(size > 0.0, size, 1.0) ** 3, -1.0, 1.0)
    return np.asarray(mean + 2.0 * size * np.cos((np.arccos(ratio) + 2.0 * np.pi) / 3.0))


def limiting_velocity(medium: Medium) -> float:
    """Limiting velocity of a half-space, m/s: above it a surface wave radiates into the bulk."""
    return lowest_onset(GeneralisedTensor.from_medium(medium))


def slowest_unstiffened(tensor: GeneralisedTensor) -> float:
    """Lower bound for the velocity of every bulk wave in the sagittal plane at constant field,
    m/s (sampled every half degree, less 2 %).
    """
    angle = np.linspace(0.0, np.pi, 361)
    full = contracted(tensor, np.cos(angle), np.sin(angle))
    least = np.linalg.eigvalsh(full[:, : tensor.moving, : tensor.moving]).min()
    return 0.98 * float(np.sqrt(least / tensor.density))


def fastest_bulk(tensors: Iterable[GeneralisedTensor]) -> float:
    """Upper bound for the velocity of every bulk wave in the sagittal plane of any medium, m/s
    (stiffened, sampled every half degree, plus 2 %).
    """
    angle = np.linspace(0.0, np.pi, 361)
    return 1.02 * max(
        float(np.sqrt(np.linalg.eigvalsh(stiffness).max() / tensor.density))
        for tensor in tensors
        for stiffness in [acoustic_tensor(tensor, np.cos(angle), np.sin(angle))]
    )
