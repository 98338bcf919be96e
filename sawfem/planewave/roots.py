"""Roots of functions of one variable: bracketed on the real line, and in the complex plane."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Real = Callable[[float], float]
Reals = Callable[[Array], Array]
Complex = Callable[[complex], complex]
#: low, high, f(low), f(high), each (m,).
Brackets = tuple[Array, Array, Array, Array]
_THREE = np.array([[-1.0], [0.0], [1.0]])
_TWO = np.array([[-0.5], [0.5]])


def bracketed_root(
    function: Real, low: float, high: float, *, tolerance: float = 1e-15, steps: int = 200
) -> float:
    """Root between two points where the function has opposite signs.

    As :func:`bracketed_roots`, for one root; ValueError where the signs agree.
    """

    def values(x: Array) -> Array:
        return np.array([function(float(point)) for point in x])

    root = bracketed_roots(
        values, np.array([low]), np.array([high]), tolerance=tolerance, steps=steps
    )
    return float(root[0])


def bracketed_roots(
    function: Reals,
    low: Array,
    high: Array,
    *,
    ends: tuple[Array, Array] | None = None,
    guess: Array | None = None,
    tolerance: float = 1e-15,
    accuracy: Array | float = 0.0,
    steps: int = 200,
) -> Array:
    """Roots (m,), each between two points where its function has opposite signs.

    Inverse quadratic interpolation where it can be trusted, else bisection (Chandrupatla, Adv.
    Eng. Softw. 28, 145 (1997)), for all brackets in step, so that one call serves them all.

    Parameters
    ----------
    function : of (m,) points, one in each bracket, to (m,) values.
    ends : values at low and high, where they are known already.
    guess : (m,) first points, in place of the middles.
    tolerance : relative to the larger end. accuracy : absolute, (m,) or for all.
    """
    b, a = np.array(low, dtype=float), np.array(high, dtype=float)
    fb, fa = (function(b), function(a)) if ends is None else (ends[0].copy(), ends[1].copy())
    if np.any(fa * fb > 0.0):
        raise ValueError("no sign change between the ends")
    wanted = np.maximum(0.5 * tolerance * np.maximum(np.abs(a), np.abs(b)), 0.5 * accuracy)
    x = 0.5 * (a + b) if guess is None else _between(guess, np.minimum(a, b), np.maximum(a, b))
    done = (fa == 0.0) | (fb == 0.0)
    best = np.where(fa == 0.0, a, b)
    for _ in range(steps):
        if done.all():
            return best
        fx = function(np.where(done, best, x))
        same = np.sign(fx) == np.sign(fa)
        c, fc = np.where(same, a, b), np.where(same, fa, fb)
        b, fb = np.where(same, b, a), np.where(same, fb, fa)
        a, fa = x, fx
        nearer = np.abs(fa) < np.abs(fb)
        smallest = np.where(nearer, fa, fb)
        best = np.where(done, best, np.where(nearer, a, b))
        width = np.where(a == b, 1.0, np.abs(b - a))
        limit = (2e-16 * np.abs(best) + wanted) / width
        done = done | (limit > 0.5) | (smallest == 0.0) | (a == b)
        limit = np.minimum(limit, 0.5)
        x = a + _between(_fraction(a, b, c, fa, fb, fc), limit, 1.0 - limit) * (b - a)
    return best


def _fraction(a: Array, b: Array, c: Array, fa: Array, fb: Array, fc: Array) -> Array:
    """Where to go between a and b, 0 to 1: by the inverse parabola through a, b, c, or halfway."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        quadratic = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
        inverse = fa / (fb - fa) * fc / (fb - fc)
        inverse = inverse + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
    return np.where(quadratic & np.isfinite(inverse), inverse, 0.5)


def interpolated_root(x: Array, f: Array) -> tuple[float, float] | None:
    """Root between x[0] and x[1] of the polynomial through all points (x, f), with an error.

    The error is the distance to the root without the last point, at least 3e-5 of the
    bracket. None where f[0] and f[1] have one sign.
    """
    if f[0] * f[1] > 0.0:
        return None
    if f[0] == f[1]:
        return float(x[0]), 0.0
    places = x.tolist()
    divided = np.array(f, dtype=float)  # Newton's divided differences
    for order in range(1, len(places)):
        divided[order:] = np.diff(divided[order - 1 :]) / (x[order:] - x[: len(x) - order])
    table = list(zip(places, divided.tolist(), strict=True))

    def root(terms: int) -> float:
        """Zero between the first two places of the polynomial through the first ``terms``."""
        low, high, at_low, at_high = places[0], places[1], float(f[0]), float(f[1])
        middle, side = low, 0
        for _ in range(40):  # false position with the Illinois rule
            before = middle
            middle = (low * at_high - high * at_low) / (at_high - at_low)
            value = 0.0
            for place, coefficient in reversed(table[:terms]):
                value = value * (middle - place) + coefficient
            if value == 0.0 or abs(middle - before) < 1e-9 * abs(places[1] - places[0]):
                break
            if (value > 0.0) == (at_low > 0.0):
                at_high *= 0.5 if side == 1 else 1.0
                low, at_low, side = middle, value, 1
            else:
                at_low *= 0.5 if side == -1 else 1.0
                high, at_high, side = middle, value, -1
        return float(middle)

    best = root(len(places))
    error = abs(best - root(max(2, len(places) - 1)))
    return best, max(error, 3e-5 * abs(places[1] - places[0]))


def enclosed_roots(
    function: Reals,
    brackets: Brackets,
    *,
    guess: Array,
    spread: Array,
    accuracy: Array,
    known: tuple[Array, Array] | None = None,
) -> Array:
    """Roots (m,) as by :func:`bracketed_roots` in fewer calls, where good guesses are at hand.

    Three points about each guess, then two about the root of the parabola through them, and again
    about the root of its tangent; where these do not enclose the root to the accuracy wanted,
    the brackets are worked off.

    Parameters
    ----------
    function : of places (m,) or (p, m) to values alike.
    brackets : (low, high, f(low), f(high)), each (m,), of opposite signs.
    guess, spread : (m,), the roots and how far off they may be. accuracy : absolute, (m,).
    known : three places and values (3, m) each, to begin with in place of those about the guess.
    """
    ends = np.minimum(brackets[0], brackets[1]), np.maximum(brackets[0], brackets[1])
    if known is None:
        x = _between(guess + _THREE * spread, *ends)
        values = function(x)
    else:
        x, values = known
    brackets = _tightened(brackets, x, values)
    place = _between(parabola_root(x, values), *ends)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (values[2] - values[0]) / (x[2] - x[0])
    for _ in range(3):
        x = _between(place + _TWO * accuracy, *ends)
        values = function(x)
        low, high, at_low, at_high = brackets = _tightened(brackets, x, values)
        if np.all(np.abs(high - low) <= 1.01 * accuracy + 4e-16 * ends[1]):
            return low - at_low * (high - low) / np.where(at_low == at_high, 1.0, at_high - at_low)
        with np.errstate(divide="ignore", invalid="ignore"):
            ahead = place - values.mean(axis=0) / slope
        inside = (ahead - low) * (ahead - high) < 0.0
        place = np.where(inside, ahead, place)
    return bracketed_roots(
        function, low, high, ends=(at_low, at_high), guess=place, tolerance=0.0, accuracy=accuracy
    )


def _tightened(brackets: Brackets, places: Array, values: Array) -> Brackets:
    """Brackets after values (p, m) at further places (p, m)."""
    low, high, at_low, at_high = brackets
    for x, f in zip(places, values, strict=True):
        inside = (x - low) * (x - high) < 0.0
        same = inside & (np.sign(f) == np.sign(at_low))
        other = inside & ~same
        low, at_low = np.where(same, x, low), np.where(same, f, at_low)
        high, at_high = np.where(other, x, high), np.where(other, f, at_high)
    return low, high, at_low, at_high


def parabola_root(x: Array, f: Array) -> Array:
    """Where the inverse parabola through three points vanishes: x, f (3, m) -> (m,).

    The point of least |f| where the three do not define one.
    """
    (a, b, c), (fa, fb, fc) = x, f
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        root = a * fb * fc / ((fa - fb) * (fa - fc))
        root = root + b * fa * fc / ((fb - fa) * (fb - fc)) + c * fa * fb / ((fc - fa) * (fc - fb))
    finite = np.isfinite(root)
    if finite.all():
        return np.asarray(root)
    smallest = np.take_along_axis(x, np.argmin(np.abs(f), axis=0)[None], axis=0)[0]
    return np.asarray(np.where(finite, root, smallest))


def _between(x: Array, low: Array | float, high: Array | float) -> Array:
    return np.asarray(np.minimum(np.maximum(x, low), high))


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
