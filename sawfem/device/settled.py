"""A slowly varying complex function of frequency from few of its values.

A rational function goes through the values (adaptive Antoulas-Anderson: Nakatsukasa, Sete,
Trefethen, SIAM J. Sci. Comput. 40, A1494 (2018)). Values are added halfway between the old ones
wherever it differs from the one before, until it differs nowhere.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.errors import ConvergenceError

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Most values added in one round: the next round may make many of them needless.
AT_ONCE = 6
#: Through fewer values than this go straight lines.
FEWEST = 4
#: Residual of the rational function over the tolerance.
RESOLVED = 0.1


@dataclass(frozen=True, eq=False)
class Settled:
    """The function between its values.

    Attributes
    ----------
    frequency, values : (n,) where it was computed, Hz, and what it is there.
    error : largest relative difference of the last two rational functions, halfway between.
    """

    frequency: Array
    values: Complex
    error: float
    rational: Callable[[Any], Any] = field(repr=False)

    def __call__(self, frequency: ArrayLike) -> Complex:
        """The function at frequencies in hertz between the outermost ones."""
        return np.asarray(self.rational(_scaled(np.asarray(frequency), self.frequency)))

    @classmethod
    def through(cls, frequency: Array, values: Complex, tolerance: float) -> Settled:
        """Through given values, with what every second of them gives instead as its error."""
        full = _rational(frequency, values, frequency, tolerance)
        half = _rational(frequency[::2], values[::2], frequency, tolerance)
        middles = _scaled(0.5 * (frequency[1:] + frequency[:-1]), frequency)
        error = _difference(full(middles), half(middles)).max(initial=0.0)
        return cls(frequency, values, float(error), full)


def settle(
    function: Callable[[float], complex],
    places: Array,
    *,
    tolerance: float,
    most: int,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Settled:
    """Compute a function until it is known between its values.

    Parameters
    ----------
    places : (n,) frequencies in hertz to begin with, rising; the outer ones are its band.
    tolerance : relative difference of two successive rational functions to reach.
    most : values at most.
    progress : called as progress(done, expected) after every value.

    Raises ConvergenceError if ``most`` values do not suffice.
    """
    frequency = np.asarray(places, dtype=float)
    count = 0

    def computed(at: Array) -> Complex:
        nonlocal count
        values = []
        for f in at:
            values.append(function(float(f)))
            count += 1
            progress(count, max(count + 1, frequency.size + AT_ONCE))
        return np.array(values, dtype=complex)

    values = computed(frequency)
    before = _rational(frequency[::2], values[::2], frequency, tolerance)
    while True:
        rational = _rational(frequency, values, frequency, tolerance)
        middles = 0.5 * (frequency[1:] + frequency[:-1])
        at = _scaled(middles, frequency)
        change = _difference(rational(at), before(at))
        if change.max() <= tolerance:
            return Settled(frequency, values, float(change.max()), rational)
        if count >= most:
            raise ConvergenceError(
                f"a function of frequency is not settled to {tolerance:.1e} with {count} values "
                f"(reached {change.max():.1e} near {middles[int(np.argmax(change))]:.6g} Hz)"
            )
        worst = np.argsort(change)[::-1][:AT_ONCE]
        new = np.sort(middles[worst[change[worst] > tolerance]])
        order = np.argsort(np.concatenate([frequency, new]))
        values = np.concatenate([values, computed(new)])[order]
        frequency, before = np.concatenate([frequency, new])[order], rational


def _scaled(frequency: Array, band: Array) -> Array:
    """Frequencies on -1 to 1 over the band of a rising array; as they are if it has no width."""
    if band[-1] == band[0]:
        return frequency
    return np.asarray((2.0 * frequency - band[0] - band[-1]) / (band[-1] - band[0]))


def _difference(one: Complex, other: Complex) -> Array:
    return np.asarray(np.abs(one - other) / np.maximum(np.abs(one), 1e-300))


def _rational(
    frequency: Array, values: Complex, band: Array, tolerance: float
) -> Callable[[Any], Any]:
    """The rational function through the values, straight lines through a few."""
    from scipy.interpolate import AAA  # takes time to load

    if frequency.size < FEWEST:
        places = _scaled(frequency, band)
        return lambda at: np.interp(at, places, values)
    with warnings.catch_warnings():  # what does not suffice shows at new frequencies
        warnings.simplefilter("ignore", RuntimeWarning)
        rational: Callable[[Any], Any] = AAA(
            _scaled(frequency, band),
            values,
            rtol=RESOLVED * tolerance,
            max_terms=max(2, frequency.size // 2),
            clean_up=False,
        )
    return rational
