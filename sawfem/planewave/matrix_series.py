"""A smooth matrix function of one variable as a Chebyshev series.

The surface matrix of a half-space is analytic in sqrt(1 - v^2 / v_limit^2) up to the limit, its
entries more so than its eigenvalues, which avoid each other: a dozen samples give it to some six
digits in between (Trefethen, Approximation Theory and Approximation Practice, ch. 4 and 8).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from sawfem.planewave.generalised import Array, ComplexArray


def lobatto(low: float, high: float, cells: int) -> Array:
    """The cells + 1 places at which :class:`MatrixSeries` wants its samples, rising."""
    return np.asarray(low + (high - low) * (0.5 - 0.5 * np.cos(_angles(cells))))


@cache
def _angles(cells: int) -> Array:
    return np.linspace(0.0, np.pi, cells + 1)


@cache
def _coefficients(cells: int) -> Array:
    """From samples at the rising places to coefficients of T_0 .. T_cells."""
    number = np.arange(cells + 1)
    half = np.where((number == 0) | (number == cells), 0.5, 1.0)
    table = np.cos(np.outer(number, np.pi - _angles(cells)))
    return np.asarray(2.0 / cells * half[:, None] * table * half)


@dataclass(frozen=True, eq=False)
class MatrixSeries:
    """Sum over n of coefficients[n] T_n(y), y from -1 to 1 between ``low`` and ``high``.

    coefficients : (terms, n, n). tail : size of the last two, about the error in between.
    """

    low: float
    high: float
    coefficients: ComplexArray

    @classmethod
    def of(cls, low: float, high: float, samples: ComplexArray) -> MatrixSeries:
        """Through samples (terms, n, n) at the places :func:`lobatto`."""
        flat = _coefficients(len(samples) - 1) @ samples.reshape(len(samples), -1)
        return cls(low, high, flat.reshape(samples.shape))

    @property
    def tail(self) -> float:
        """Norm of the last two coefficients."""
        return float(np.linalg.norm(self.coefficients[-2:]))

    def at(self, x: Array) -> tuple[ComplexArray, ComplexArray]:
        """The matrices at places x (m,) and their derivatives, (m, n, n) each."""
        scale = 2.0 / (self.high - self.low)
        y = np.clip(scale * (x - self.low) - 1.0, -1.0 + 1e-14, 1.0 - 1e-14)
        angle, number = np.arccos(y)[:, None], np.arange(len(self.coefficients))
        turn = angle * number
        slope = np.sin(turn) * (scale * number / np.sin(angle))
        flat = self.coefficients.reshape(len(number), -1)
        shape = (len(x), *self.coefficients.shape[1:])
        return (np.cos(turn) @ flat).reshape(shape), (slope @ flat).reshape(shape)
