"""Points that fill a box: numbers from 0 to 1, the same on every machine for the same seed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Axes that the low-discrepancy sequence has directions for.
MOST_AXES = 40


def unit_samples(kind: str, count: int, axes: int, seed: int) -> Array:
    """(count, axes) numbers in [0, 1).

    Parameters
    ----------
    kind : "random": independent and uniform. "latin-hypercube": along every axis one point in
        each of ``count`` equal slices (McKay, Beckman, Conover, Technometrics 21, 239 (1979)).
        "sobol": the low-discrepancy sequence of Sobol' with the directions of Joe & Kuo (SIAM J.
        Sci. Comput. 30, 2635 (2008)), its first point left out (it is a corner); with another
        seed than 0 shifted as a whole, modulo 1 (Cranley & Patterson, 1976). More points prolong
        the sequence: those that were there stay.
    """
    random = np.random.Generator(np.random.PCG64(seed))
    if kind == "random":
        # Row by row, so that more points prolong the sequence here as well.
        return random.random((count, axes))
    if kind == "latin-hypercube":
        places = np.argsort(random.random((count, axes)), axis=0, kind="stable")
        return np.asarray((places + random.random((count, axes))) / count)
    if kind != "sobol":
        raise ValueError(f"no kind of samples is called {kind!r}")
    from scipy.stats.qmc import Sobol

    sequence = Sobol(axes, scramble=False)
    sequence.fast_forward(1)
    points = sequence.random(count)
    shift = random.random(axes) if seed else np.zeros(axes)
    return np.asarray((points + shift) % 1.0)
