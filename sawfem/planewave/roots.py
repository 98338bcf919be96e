"""Roots of functions of one variable: bracketed on the real line, and in the complex plane."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

Real = Callable[[float], float]
Complex = Callable[[complex], complex]


def bracketed_root(
    function: Real, low: float, high: float, *, tolerance: float = 1e-15, steps: int = 200
) -> float:
    """Root between two points where the function has opposite signs.

    Inverse quadratic interpolation where it can be trusted, else bisection (Chandrupatla, Adv.
    Eng. Softw. 28, 145 (1997)). ``tolerance`` is relative to the larger end.
    """
    b, a = low, high
    fb, fa = function(b), function(a)
    if fa == 0.0:
        return a
    if fb == 0.0:
        return b
    if np.sign(fa) == np.sign(fb):
        raise ValueError("no sign change between the ends")
    scale = max(abs(low), abs(high))
    fraction = 0.5
    for _ in range(steps):
        x = a + fraction * (b - a)
        fx = function(x)
        if np.sign(fx) == np.sign(fa):
            c, fc = a, fa
        else:
            c, fc, b, fb = b, fb, a, fa
        a, fa = x, fx
        best, smallest = (a, fa) if abs(fa) < abs(fb) else (b, fb)
        limit = (2e-16 * abs(best) + 0.5 * tolerance * scale) / abs(b - a) if b != a else 1.0
        if limit > 0.5 or smallest == 0.0:
            return best
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        if phi**2 < xi and (1.0 - phi) ** 2 < 1.0 - xi:
            fraction = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (
                fc - fb
            )
        else:
            fraction = 0.5
        fraction = min(max(fraction, limit), 1.0 - limit)
    return a


def muller_root(
    function: Complex,
    start: complex,
    step: float,
    allowed: Callable[[complex], bool],
    *,
    tolerance: float = 1e-12,
    steps: int = 20,
) -> complex | None:
    """Root near ``start`` by Muller's parabola through three points; None if it does not settle.

    ``step`` is the distance of the first points, ``tolerance`` is relative to the root; the
    search ends where a point is not ``allowed`` or farther from the start than 50 steps.
    """
    x = [start - step, start + step, start]
    f = [function(point) for point in x]
    for _ in range(steps):
        if f[2] == 0.0:
            return x[2]
        d1, d2 = (f[1] - f[0]) / (x[1] - x[0]), (f[2] - f[1]) / (x[2] - x[1])
        curvature = (d2 - d1) / (x[2] - x[0])
        slope = d2 + curvature * (x[2] - x[1])
        root = np.sqrt(complex(slope**2 - 4.0 * f[2] * curvature))
        larger = max(slope + root, slope - root, key=abs)
        if larger == 0.0 or not np.isfinite(larger):
            return None
        move = -2.0 * f[2] / larger
        if abs(x[2] + move - start) > 50.0 * step or not allowed(x[2] + move):
            return None
        if abs(move) <= tolerance * abs(x[2]):
            return complex(x[2] + move)
        x = [x[1], x[2], x[2] + move]
        f = [f[1], f[2], function(x[2])]
    return None
