"""Polarity sequences: cut into uniform runs, and the capacitance that they make.

Drive. Potentials superpose. An electrode at potential c V/2, c = 1, -1 or 0, in a shorted grating
drives as much as one of a uniform transducer does, with sign c (the element factor; Morgan,
Surface Acoustic Wave Filters, 2nd ed., 2007, ch. 5; from memory). A run in which c alternates is a
uniform section, solved in closed form; electrodes with c = 0, and those of a run of equal c whose
contributions cancel in pairs, come out of the same sections.

Capacitance. Charges do not superpose locally: with the periodic capacitance C(gamma) of strips,

    Q_n = sum_m C_(n-m) phi_m,    C(gamma) = 2 eps sin(gamma/2) P_-s(-cos D)/P_-s(cos D),

s = gamma/(2 pi), D = pi eta (massless strips of metallisation ratio eta; Engan, Electron. Lett. 5
(1969); from memory). With C_e per electrode of a uniform transducer, C(pi)/4,

    C_T = C_e sum_n sum_m c_n kappa_(n-m) c_m,    kappa(gamma) = C(gamma)/C(pi).

Beyond its ends the sequence is taken to go on alternating, so that a uniform transducer has
N C_e; double electrodes then have sqrt(2)/2 C_e per electrode at eta = 0.5.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from sawfem.device.pmatrix import FloatArray

#: (first polarity, electrodes): a run of alternating polarity, or of zeros.
Run = tuple[int, int]
#: A list of runs and how often it is repeated.
Block = tuple[tuple[Run, ...], int]

_REACH = 128
_PHASES = 4096
_LONGEST_PERIOD = 8


def runs_of(sequence: Sequence[int] | np.ndarray[Any, Any]) -> list[Run]:
    """Cut a sequence of 1, -1, 0 into runs of alternating polarity and runs of zeros."""
    c = np.asarray(sequence, dtype=int)
    sign = c * (1 - 2 * (np.arange(c.size) % 2))
    starts = np.flatnonzero(np.concatenate([[True], sign[1:] != sign[:-1]]))
    lengths = np.diff(np.concatenate([starts, [c.size]]))
    return [(int(c[s]), int(n)) for s, n in zip(starts, lengths, strict=True)]


def blocks_of(runs: Sequence[Run]) -> list[Block]:
    """The same with repetitions gathered, so that they can be joined by doubling."""
    blocks: list[Block] = []
    at = 0
    while at < len(runs):
        best = (tuple(runs[at : at + 1]), 1)
        for period in range(1, _LONGEST_PERIOD + 1):
            block = tuple(runs[at : at + period])
            times = 1
            while tuple(runs[at + times * period : at + (times + 1) * period]) == block:
                times += 1
            if times > 1 and times * period > len(best[0]) * best[1]:
                best = (block, times)
        blocks.append(best)
        at += len(best[0]) * best[1]
    return blocks


@lru_cache(maxsize=32)
def _kernel(ratio: float) -> FloatArray:
    """kappa_m for m = -_REACH .. _REACH: the alternating sum is one and the plain sum zero.

    What the cut leaves of the plain sum, kappa(0) = 0, is spread smoothly over the outer entries,
    so that a long stretch of one potential holds charge at its ends alone.
    """
    from scipy.special import hyp2f1

    gamma = 2.0 * np.pi * (np.arange(_PHASES) + 0.5) / _PHASES
    s, cosine = gamma / (2.0 * np.pi), np.cos(np.pi * ratio)
    # Legendre function P_-s(x) = F(s, 1 - s; 1; (1 - x)/2)
    over, under = (hyp2f1(s, 1.0 - s, 1.0, 0.5 * (1.0 - x)) for x in (-cosine, cosine))
    shape = np.sin(0.5 * gamma) * over / under
    m = np.arange(-_REACH, _REACH + 1)
    kernel = np.cos(np.outer(m, gamma)) @ shape / _PHASES
    alternating = np.where(m % 2, -1.0, 1.0)
    outer = np.sin(2.0 * np.pi * m / _REACH) ** 2 * (np.abs(m) > _REACH // 2)
    kernel -= kernel.sum() * outer / outer.sum()
    return np.asarray(kernel / (alternating @ kernel))


def capacitance_in_electrodes(
    sequence: Sequence[float] | np.ndarray[Any, Any], ratio: float = 0.5
) -> float:
    """C_T/C_e of a sequence: as many electrodes of a uniform transducer have its capacitance.

    Parameters
    ----------
    sequence : potentials c of the electrodes in units of V/2. ratio : metallisation ratio.
    """
    c = np.asarray(sequence, dtype=float)
    beyond = np.where(np.arange(1, _REACH + 1) % 2, -1.0, 1.0)
    extended = np.concatenate([c[0] * beyond[::-1], c, c[-1] * beyond])
    charge = np.convolve(extended, _kernel(ratio), mode="valid")
    return float(c @ charge)
