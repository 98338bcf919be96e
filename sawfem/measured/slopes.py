"""Numbers over frequency that carry their slopes by the parameters of a model along.

A :class:`Sloped` holds a value (K,) and its derivatives (P, K) by P real parameters; arithmetic
follows the rules of differentiation, so that a model written once as its equation gives its
Jacobian to rounding. Everything here is holomorphic: conjugates and magnitudes are not.

The transcendental functions of a coupling-of-modes section are entire in u = z^2:

    c(u) = cosh z,   i0(u) = sinh z/z,   g(u) = (z cosh z - sinh z)/z^3
    dc/du = i0/2,    d i0/du = g/2,      dg/du = (i0 - 3 g)/(2 u)

(i0 and z g are modified spherical Bessel functions; Abramowitz & Stegun 1964, 10.2.22, from
memory, and held against differences in the tests). All three come times exp(-|Re z|), which a
quotient of two of them loses again; the slopes treat that factor as the constant that it is there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.device.pmatrix import ComplexArray, FloatArray

#: What joins such numbers: one number, or one a frequency.
Number = complex | NDArray[Any]

#: Below this |u| the power series are used; fourteen terms then reach rounding.
_SERIES_LIMIT, _TERMS = 1.0, 14


@dataclass(frozen=True, eq=False)
class Sloped:
    """A value (K,) or (1,) and its slopes (P, K) or (P, 1)."""

    value: ComplexArray
    slope: ComplexArray

    def __add__(self, other: Sloped | Number) -> Sloped:
        if isinstance(other, Sloped):
            return Sloped(self.value + other.value, self.slope + other.slope)
        return Sloped(self.value + other, self.slope)

    __radd__ = __add__

    def __neg__(self) -> Sloped:
        return Sloped(-self.value, -self.slope)

    def __sub__(self, other: Sloped | Number) -> Sloped:
        if isinstance(other, Sloped):
            return Sloped(self.value - other.value, self.slope - other.slope)
        return Sloped(self.value - other, self.slope)

    def __rsub__(self, other: Number) -> Sloped:
        return Sloped(other - self.value, -self.slope)

    def __mul__(self, other: Sloped | Number) -> Sloped:
        if isinstance(other, Sloped):
            slope = self.slope * other.value + other.slope * self.value
            return Sloped(self.value * other.value, slope)
        return Sloped(self.value * other, self.slope * other)

    __rmul__ = __mul__
    #: numpy leaves products of its arrays with these to us
    __array_ufunc__ = None

    def __truediv__(self, other: Sloped | Number) -> Sloped:
        if isinstance(other, Sloped):
            quotient = self.value / other.value
            return Sloped(quotient, (self.slope - other.slope * quotient) / other.value)
        return Sloped(self.value / other, self.slope / other)

    def __rtruediv__(self, other: Number) -> Sloped:
        quotient = other / self.value
        return Sloped(quotient, self.slope * (-quotient / self.value))

    def through(self, value: ComplexArray, derivative: ComplexArray) -> Sloped:
        """A function of this: its value and its derivative here."""
        return Sloped(value, self.slope * derivative)


def parameters(values: FloatArray, slopes: bool = True) -> list[Sloped]:
    """Each of P real numbers as what the slopes are taken by; without ``slopes`` by none."""
    unit = np.eye(values.size if slopes else 0, values.size, dtype=complex)
    return [Sloped(np.array([value + 0j]), unit[:, n : n + 1]) for n, value in enumerate(values)]


def constant(value: Number, count: int) -> Sloped:
    """A number, or one a frequency, that depends on none of ``count`` parameters."""
    array = np.atleast_1d(np.asarray(value, dtype=complex))
    return Sloped(array, np.zeros((count, 1), dtype=complex))


def exp(x: Sloped) -> Sloped:
    """The exponential."""
    value = np.exp(x.value)
    return x.through(value, value)


def sqrt(x: Sloped) -> Sloped:
    """The principal root."""
    value: ComplexArray = np.sqrt(x.value)
    return x.through(value, np.asarray(0.5 / value))


def tanh(x: Sloped) -> Sloped:
    """The hyperbolic tangent."""
    value: ComplexArray = np.tanh(x.value)
    return x.through(value, np.asarray(1.0 - value**2))


def section_functions(u: Sloped) -> tuple[Sloped, Sloped, Sloped]:
    """c, i0 and g of u = z^2, each times exp(-|Re z|) (module docstring)."""
    z = np.sqrt(u.value)
    growth = np.abs(z.real)
    near = np.abs(u.value) < _SERIES_LIMIT
    far = np.where(near, 1.0 + 0.0j, z)
    up, down = np.exp(far - np.abs(far.real)), np.exp(-far - np.abs(far.real))
    cosh, sinh = 0.5 * (up + down), 0.5 * (up - down)
    i0 = sinh / far
    g = (cosh - i0) / far**2
    slope_g = 0.5 * (i0 - 3.0 * g) / far**2
    if near.any():
        scale = np.exp(-growth[near])
        series = _series(u.value[near])
        for array, values in zip((cosh, i0, g, slope_g), series, strict=True):
            array[near] = values * scale
    return (
        u.through(cosh, 0.5 * i0),
        u.through(i0, 0.5 * g),
        u.through(g, slope_g),
    )


def _series(u: ComplexArray) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
    """c, i0, g and dg/du by their powers of u.

    c = sum u^n/(2n)!,  i0 = sum u^n/(2n+1)!,  g = sum (2n+2) u^n/(2n+3)!,
    dg/du = sum (n+1)(2n+4) u^n/(2n+5)!
    """
    c, i0, g, slope = (np.zeros_like(u) for _ in range(4))
    term = np.ones_like(u)  # u^n/(2n)!
    for n in range(_TERMS):
        c += term
        odd = term / (2 * n + 1)
        i0 += odd
        third = odd / ((2 * n + 2) * (2 * n + 3))  # u^n/(2n+3)!
        g += (2 * n + 2) * third
        slope += (n + 1) * (2 * n + 4) * third / ((2 * n + 4) * (2 * n + 5))
        term = odd * u / (2 * n + 2)
    return c, i0, g, slope
