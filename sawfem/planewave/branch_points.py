"""Velocities along the surface at which a bulk wave of the substrate starts to be radiated.

At a given velocity v = omega / k a partial wave exp(-j k (x1 - mu x3)) either decays with depth
or runs off as a bulk wave. Where the number of running ones changes two of them meet, and the
surface admittance has a branch point there (transonic states: Chadwick & Smith, Adv. Appl. Mech.
17, 303 (1977); from memory). A contour in the frequency plane must keep clear of them.

The minima of the bulk sheets (:func:`.limiting.bulk_onsets`) are such points, and their local
maxima are others.
"""

from __future__ import annotations

import numpy as np

from sawfem.material import Medium
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.partial_waves import OSCILLATING, stroh_matrix

#: Relative width to which a branch point is bisected.
TOLERANCE = 1e-12
#: Branch points closer than this, relative, are one.
SAME = 1e-9


def branch_velocities(
    medium: Medium, low: float, high: float, *, samples: int = 400
) -> tuple[float, ...]:
    """Branch points of the half-space between two velocities, m/s, ascending.

    The minima are found from the sheets themselves; a maximum closer to another branch point
    than (high - low) / samples may go unseen.
    """
    tensor = GeneralisedTensor.from_medium(medium)

    def running(velocities: np.ndarray) -> np.ndarray:
        ones = np.ones_like(velocities)
        mu = np.linalg.eigvals(stroh_matrix(tensor, ones, velocities))
        return np.asarray(np.sum(np.abs(mu.imag) <= OSCILLATING, axis=-1))

    grid = np.linspace(low, high, samples)
    counts = running(grid)
    found = []
    for i in np.flatnonzero(np.diff(counts)):
        a, b, below = grid[i], grid[i + 1], counts[i]
        while b - a > TOLERANCE * b:
            middle = 0.5 * (a + b)
            if middle in (a, b):
                break
            if running(np.array([middle]))[0] == below:
                a = middle
            else:
                b = middle
        found.append(0.5 * (a + b))
    found.extend(v for v in bulk_onsets(tensor) if low < v < high)
    distinct: list[float] = []
    for velocity in sorted(found):
        if not distinct or velocity > distinct[-1] * (1.0 + SAME):
            distinct.append(float(velocity))
    return tuple(distinct)
