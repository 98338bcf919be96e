"""Leaky surface waves, estimated: complex wavenumbers near the real axis.

At a fixed real frequency a leaky wave is a complex k at which the surface matrix A(k) is singular.
Minima of |det A| along the real axis start Muller's method for det A(k) = 0, which has no poles
for a half-space. The branch is the one of :class:`.SurfaceAdmittance`: the partial waves that a
half-space carries at Re k, continued to k. A wave whose root lies on another sheet, beyond the
onset of a further bulk wave, is not seen. Hence "estimate": no claim that none is missed.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np

from sawfem.errors import ConvergenceError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.counting import surface_matrix
from sawfem.planewave.generalised import ComplexArray, Numbers, uncoupled_components
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.modes import SurfaceMode, embedded
from sawfem.planewave.roots import muller_root

#: Points of the scan between two onsets of bulk waves.
POINTS = 200
#: Largest loss that still counts as a surface wave, -Im k / Re k (1.6 dB per wavelength).
LARGEST_LOSS = 0.03
#: How often a step into the complex plane may be halved: a root nearer to a branch point than
#: 2^-12 of its loss is left to a full treatment.
HALVINGS = 12


def leaky_modes(
    admittance: SurfaceAdmittance, omega: float, *, metallised: bool
) -> dict[tuple[int, ...], tuple[SurfaceMode, ...]]:
    """Leaky waves above the limiting velocity of their family of components, slowest first.

    Parameters and returns as for :func:`.modes.surface_modes`; velocity is omega / Re k, and
    ``attenuation`` is -Im k / Re k.
    """
    substrate, layers = admittance.tensors
    result = {}
    for family in uncoupled_components([substrate, *(tensor for tensor, _ in layers)]):
        if family == (3,):
            continue
        part = admittance.restricted(family, halvings=HALVINGS)
        search = _Search(part, omega, metallised)
        onsets = bulk_onsets(part.tensors[0])
        roots: list[complex] = []
        for low, high in pairwise(onsets):
            for root in search.between(low, high):
                if all(abs(root - other) > 1e-7 * abs(root) for other in roots):
                    roots.append(root)
        roots.sort(key=lambda k: -k.real)
        result[family] = tuple(search.mode(root, family) for root in roots)
    return result


class _Search:
    """Complex roots of the determinant of one family's surface matrix, at one frequency."""

    def __init__(self, admittance: SurfaceAdmittance, omega: float, metallised: bool) -> None:
        self.admittance, self.omega, self.metallised = admittance, omega, metallised

    def matrix(self, k: Numbers) -> ComplexArray:
        return surface_matrix(self.admittance, self.omega, k, metallised=self.metallised)

    def determinant(self, k: complex) -> complex:
        return complex(np.linalg.det(self.matrix(np.array([k])))[0])

    def between(self, low: float, high: float) -> Iterable[complex]:
        """Roots with omega / Re k between two onsets of bulk waves, as k."""
        fraction = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, POINTS + 2)[1:-1])
        v = low + (high - low) * fraction
        k = self.omega / v
        size = np.abs(np.linalg.det(self.matrix(k)))
        dips = np.flatnonzero((size[1:-1] < size[:-2]) & (size[1:-1] <= size[2:])) + 1
        margin = 0.1 * (high - low)

        def allowed(point: complex) -> bool:
            inside = low - margin < self.omega / point.real < high + margin
            return inside and abs(point.imag) < 3.0 * LARGEST_LOSS * point.real

        for index in (*dips, 0, len(v) - 1):
            spacing = abs(k[max(index - 1, 0)] - k[min(index + 1, len(k) - 1)])
            step = 0.25 * min(spacing, 0.02 * k[index])
            try:
                root = muller_root(self.determinant, complex(k[index]), step, allowed)
            except ConvergenceError:
                continue
            if root is None:
                continue
            loss = -root.imag / root.real
            if low < self.omega / root.real < high and -1e-10 < loss < LARGEST_LOSS:
                yield root

    def mode(self, k: complex, family: tuple[int, ...]) -> SurfaceMode:
        vectors = np.linalg.svd(self.matrix(np.array([k]))[0])[2]
        displacement = embedded(vectors[-1].conj(), family)
        return SurfaceMode(self.omega / k.real, displacement, max(-k.imag / k.real, 0.0))
