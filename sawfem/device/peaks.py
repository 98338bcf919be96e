"""Peaks of a sampled curve that stand out.

The prominence of a peak is its height above the higher one of two valleys: to either side the
lowest sample before a higher one, or before the end of the curve, is met.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]


def prominent_peaks(level: Array, prominence: float) -> Index:
    """Places of the local maxima of a curve whose prominence is at least the given one, rising.

    Parameters
    ----------
    level : (n,) samples; a flat top counts as one peak at its middle, the ends do not count.
    prominence : in the unit of the samples.
    """
    if level.size < 3:
        return np.zeros(0, dtype=np.int64)
    # Runs of equal samples, and those that are higher than both neighbours.
    starts = np.flatnonzero(np.r_[True, level[1:] != level[:-1]])
    values = level[starts]
    ends = np.r_[starts[1:], level.size] - 1
    top = np.flatnonzero((values[1:-1] > values[:-2]) & (values[1:-1] > values[2:])) + 1
    found = [
        int(starts[i] + ends[i]) // 2
        for i in top
        if values[i] - max(_valley(values[i::-1]), _valley(values[i:])) >= prominence
    ]
    return np.array(found, dtype=np.int64)


def _valley(outwards: Array) -> float:
    """Lowest sample from a peak outwards, up to the first one that is higher than the peak."""
    higher = np.flatnonzero(outwards > outwards[0])
    return float(outwards[: higher[0]].min() if higher.size else outwards.min())
