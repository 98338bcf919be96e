"""From the bottom of a layer to its top, without growing exponentials.

In a layer the field is a sum of the waves that a half-space below would carry (group a, referenced
to the layer's top) and those of a half-space above (group b, referenced to its bottom):

    U(bottom) = Qa a + b,   U(top) = a + Qb b,   L = Za U_a + Zb U_b,
    Qa = exp(-j kappa h Aa),  Qb = exp(+j kappa h Ab),  A = M11 + M12 Z,

so that no exponential exceeds one, whatever the thickness h. Carrying the impedance Z instead
of amplitudes keeps thick layers stable (Rokhlin & Wang 2002; Tan 2006; Collet & Destrade 2004),
and taking the groups as a whole, by Za and Zb, makes coinciding waves (isotropic media) harmless.
"""

from __future__ import annotations

import numpy as np

from sawfem.planewave.generalised import Array, ComplexArray, GeneralisedTensor, Numbers
from sawfem.planewave.partial_waves import COINCIDING, impedances, stroh_matrix

#: Distance of a partial wave of group a from one of group b below which the layer is taken as the
#: mean over a small circle of frequencies.
GRAZING = 1.0e-5
#: Radius of that circle, relative to the frequency.
CIRCLE = 1.0e-5

Groups = tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]


def wave_groups(
    tensor: GeneralisedTensor, q: Numbers, s: Numbers, height: Numbers
) -> tuple[Groups, Array]:
    """(Za, Zb, Qa, Qb), each (m, n, n), and the least distance between the two groups (m,).

    Parameters
    ----------
    q, s : (m,), as in :func:`sawfem.planewave.partial_waves.stroh_matrix`.
    height : (m,), kappa times the thickness.
    """
    matrix = stroh_matrix(tensor, q, s)
    below, above = impedances(tensor, q, s, both=True)
    mu_below, down = _transport(matrix, below, -1j * height)
    mu_above, up = _transport(matrix, above, 1j * height)
    gap = np.abs(mu_below[:, :, None] - mu_above[:, None, :]).min(axis=(1, 2))
    return (below, above, down, up), gap


def _transport(
    matrix: Numbers, z: ComplexArray, phase: Numbers
) -> tuple[ComplexArray, ComplexArray]:
    """Eigenvalues of A = M11 + M12 Z and exp(phase A)."""
    n = z.shape[-1]
    generator = matrix[:, :n, :n] + matrix[:, :n, n:] @ z
    mu, vectors = np.linalg.eig(generator)
    independent = np.abs(np.linalg.det(vectors)) > 1e-13
    inverse = np.linalg.inv(np.where(independent[:, None, None], vectors, np.eye(n)))
    result = (vectors * np.exp(phase[:, None] * mu)[:, None, :]) @ inverse
    sound = independent & (np.linalg.norm(inverse, axis=(1, 2)) < COINCIDING)
    bad = np.flatnonzero(~sound)
    if bad.size:
        result[bad] = exponential(phase[bad, None, None] * generator[bad])
    return mu, result


def exponential(matrix: ComplexArray) -> ComplexArray:
    """Exponential of a stack (m, n, n) by scaling, Taylor's series and squaring.

    For defective matrices, whose eigenvectors do not span.
    """
    norm = float(np.linalg.norm(matrix, axis=(-2, -1)).max())
    squarings = max(0, int(np.ceil(np.log2(norm + 1e-300))) + 1)
    small = matrix / 2.0**squarings
    one = np.eye(matrix.shape[-1])
    result = one + small / 18.0
    for order in range(17, 0, -1):
        result = one + small @ result / order
    for _ in range(squarings):
        result = result @ result
    return np.asarray(result)


def through(groups: Groups, z: ComplexArray) -> ComplexArray:
    """Impedance at the top of a layer from the impedance z at its bottom, (m, n, n).

    With U(top) given and L(bottom) = z U(bottom):
        (Za - z) Qa a + (Zb - z) b = 0,   a + Qb b = U(top),   L(top) = Za a + Zb Qb b.
    A z without the potential's row and column is one whose surface is held at phi = 0.
    """
    below, above, _, up = groups
    a, b = amplitudes(groups, z)
    return np.asarray(below @ a + above @ up @ b)


def amplitudes(groups: Groups, z: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Amplitudes (a, b) per displacement of the top, each (m, n, n); z as for :func:`through`."""
    below, above, down, up = groups
    n, held = below.shape[-1], z.shape[-1]
    padded = z
    if held < n:
        padded = np.zeros_like(below)
        padded[..., :held, :held] = z
    system = np.empty((*z.shape[:-2], 2 * n, 2 * n), dtype=complex)
    system[..., :n, :n] = (below - padded) @ down
    system[..., :n, n:] = above - padded
    system[..., held:n, :n] = down[..., held:, :]  # phi = 0 at the bottom
    system[..., held:n, n:] = np.eye(n)[held:]
    system[..., n:, :n] = np.eye(n)
    system[..., n:, n:] = up
    given = np.zeros((2 * n, n))
    given[n:] = np.eye(n)
    both = np.linalg.solve(system, np.broadcast_to(given, (*z.shape[:-2], 2 * n, n)))
    return both[..., :n, :], both[..., n:, :]


def two_point_stiffness(groups: Groups) -> ComplexArray:
    """Impedance of the slab alone: (-L(bottom), L(top)) = K (U(bottom), U(top)), (m, 2n, 2n)."""
    below, above, down, up = groups
    n = below.shape[-1]
    one = np.broadcast_to(np.eye(n), below.shape)
    field = np.block([[down, one], [one, up]])
    traction = np.block([[-below @ down, -above], [below, above @ up]])
    return np.asarray(traction @ np.linalg.inv(field))


def slab_stiffness(
    tensor: GeneralisedTensor, q: Numbers, s: Numbers, height: Numbers
) -> ComplexArray:
    """Stiffness j :func:`two_point_stiffness`, real where nothing is lost; analytic in q and s.

    Where a wave of the slab runs exactly along it, the mean over a circle as in
    :func:`top_impedance`. Arguments as for :func:`wave_groups`.
    """
    groups, gap = wave_groups(tensor, q, s, height)
    grazing = gap < GRAZING
    if not grazing.any():
        return np.asarray(1j * two_point_stiffness(groups))
    result = np.empty((len(gap), 2 * tensor.size, 2 * tensor.size), dtype=complex)
    plain = ~grazing
    result[plain] = 1j * two_point_stiffness(tuple(part[plain] for part in groups))  # type: ignore[arg-type]
    mean = np.zeros_like(result[grazing])
    for direction in np.exp(1j * np.pi * (0.25 + 0.5 * np.arange(4))):
        nearby = s[grazing] * (1.0 + CIRCLE * direction)
        around, _ = wave_groups(tensor, q[grazing], nearby, height[grazing])
        mean += 0.25j * two_point_stiffness(around)
    result[grazing] = mean
    return result


def top_impedance(
    tensor: GeneralisedTensor, q: Numbers, s: Numbers, height: Array, z: ComplexArray
) -> ComplexArray:
    """Impedance at the top of a layer of ``tensor``, given z at its bottom.

    A metal takes the mechanical part of z, which is that for phi = 0, and hands on its own; a
    dielectric that finds no potential in z stands on a plane of phi = 0.

    At a frequency where a wave of the layer runs exactly along it, the two groups share a wave
    and do not span. The layer itself has no branch there (its map from bottom to top is analytic
    in the frequency), so its value is the mean over a circle of four frequencies, whose error
    is of the fourth order in the radius.
    """
    if z.shape[-1] > tensor.size:
        z = z[..., : tensor.size, : tensor.size]
    groups, gap = wave_groups(tensor, q, s, height)
    grazing = (gap < GRAZING) & (np.abs(s) > 0.0)
    if not grazing.any():
        return through(groups, z)
    result = np.empty_like(groups[0])
    plain = ~grazing
    if plain.any():
        result[plain] = through(tuple(part[plain] for part in groups), z[plain])  # type: ignore[arg-type]
    turned = np.exp(1j * np.pi * (0.25 + 0.5 * np.arange(4)))
    mean = np.zeros_like(result[grazing])
    for direction in turned:
        nearby = s[grazing] * (1.0 + CIRCLE * direction)
        at_point, _ = wave_groups(tensor, q[grazing], nearby, height[grazing])
        mean += through(at_point, z[grazing]) / turned.size
    result[grazing] = mean
    return result
