"""Mutual admittances of the electrodes of an endless periodic array, without coupling of modes.

With one electrode a period, or one hot bus-bar (sawfem/device/harmonic_samples.py), the current
into electrode m by a voltage on electrode n alone, all others grounded, is y_(m-n) V_n,

    y_m(f) = (1/2 pi) int Y(f, gamma) exp(-j m gamma) d gamma,      gamma over one period,

where Y(f, gamma) is the harmonic admittance of the cell (Blotekjaer, Ingebrigtsen, Skeie, IEEE
Trans. Electron Devices ED-20, 1133 (1973); Zhang, Desbois, Boyer, IEEE Trans. UFFC 40, 183
(1993); from memory). Reflections, stored energy, other waves and radiation into the bulk are all
in Y(f, gamma), which is that of the finite elements.

Loss. Without losses the waves of the grating are poles on the path of integration. Here every
wave decays in time: the charges are those at the frequency f - j damping, the currents j w times
the charges. In the equations of coupling of modes the same loss is an attenuation alpha = 2 pi
damping / v; the quality factor is f / (2 damping).

Integration. One driven conductor a cell makes Y even in gamma on every cut, a function of x = cos
gamma. The rational function through samples (adaptive Antoulas-Anderson: Nakatsukasa, Sete,
Trefethen, SIAM J. Sci. Comput. 40, A1494 (2018)) has the waves as poles near the path and its other
poles along the branch cuts of the bulk waves. With 2 x_i = z_i + 1/z_i, |z_i| < 1, and the residues
R_i,

    Y = Y_0 + sum_i R_i / (x - x_i)   ->   y_m = Y_0 delta_m0 - sum_i R_i 2 z_i^(|m|+1)/(1 - z_i^2)

exactly: poles need no quadrature at all. Phases are added between the old ones wherever the
function with them differs from the one before, until it differs nowhere; that last difference is
kept as ``error``.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sawfem.device.harmonic_samples import HarmonicSamples
from sawfem.errors import ConvergenceError, InputError
from sawfem.unitcell.certified import CellModel

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Difference of two successive rational functions to reach, over the largest |Y| of the samples.
TOLERANCE = 3.0e-5
#: Relative change of the answer that the mutual admittances are wanted for.
ANSWER_TOLERANCE = 3.0e-4
#: No function is asked to be known better than this.
ROUNDING = 1.0e-8
#: Phases are added where a function changed by this share of the most that it changed anywhere.
AGAIN = 0.1
#: Phases to start with, and most of them.
FIRST_PHASES = 16
MOST_PHASES = 400
#: Residual of a rational function over its tolerance.
RESOLVED = 0.01
#: Degree beyond which a rational function of the samples is not sought.
MOST_TERMS = 60


@dataclass(frozen=True, eq=False)
class MutualAdmittances:
    """Currents of the electrodes beside a driven one.

    Attributes
    ----------
    frequency, damping : hertz.
    values : (lags,) y_0, y_1, ... in S/m: for an aperture of one metre; y_-m = y_m.
    error : difference of the last two rational functions over the largest |Y| sampled.
    at : (n,) phases that were computed.
    poles, residues : (r,) of the rational function of x = cos(gamma) whose coefficients they are,
        in S/m, for the currents.
    """

    frequency: float
    damping: float
    values: Complex
    error: float
    at: Array
    poles: Complex = field(default_factory=lambda: np.empty(0, dtype=complex), repr=False)
    residues: Complex = field(default_factory=lambda: np.empty(0, dtype=complex), repr=False)

    @property
    def phases(self) -> int:
        """How many phases were computed."""
        return int(self.at.size)


def mutual_admittances(
    model: CellModel | HarmonicSamples,
    frequency: float,
    damping: float,
    lags: int,
    *,
    tolerance: float = TOLERANCE,
    answer: Callable[[Complex], complex] | None = None,
    start: Array | None = None,
) -> MutualAdmittances:
    """Mutual admittances y_0 .. y_(lags-1) at one frequency.

    Parameters
    ----------
    model : of a cell with one electrode, over all phases 0..pi; or samples of a cell with this
        damping, which share work between frequencies.
    frequency : hertz. damping : hertz, more than zero: quality factor f / (2 damping).
    lags : how many.
    tolerance : of the rational function, over the largest |Y| sampled.
    answer : what they are wanted for, such as ``ElectrodeSet.admittance``. Phases are then also
        added until two successive answers are within ANSWER_TOLERANCE of each other: an answer
        near an antiresonance is far smaller than the largest |Y|.
    start : phases to begin with, such as those that did at a frequency nearby.

    Raises
    ------
    GeometryError : several electrodes a cell. InputError : no damping, a frequency outside the
        model. ConvergenceError : the rational functions do not settle.
    """
    samples_of = model if isinstance(model, HarmonicSamples) else HarmonicSamples(model, damping)
    _check(damping)
    turn = frequency / complex(frequency, -damping)  # charges at the lossy, currents at the real
    given = start is not None and start.size > FIRST_PHASES
    phases = start if start is not None and given else _even(FIRST_PHASES)
    samples = samples_of(frequency, phases)
    # Of phases that have done before some are left out, to see whether they make a difference.
    fewer = np.arange(phases.size) % 3 != 1
    before = rational = _Rational.through(phases[fewer], samples[fewer], tolerance)
    new = np.empty(0) if given else _middles(phases)[::3]
    aim = tolerance
    answered = answer or (lambda values: 1.0 + 0.0j)
    result = answered(before.coefficients(lags) * turn)
    while True:
        samples = np.append(samples, samples_of(frequency, new)) if new.size else samples
        phases = np.append(phases, new)
        order = np.argsort(phases)
        phases, samples = phases[order], samples[order]
        before, rational = rational, _Rational.through(phases, samples, aim)
        # Where the newest phases moved the function it is not settled; nothing is sampled twice.
        probes = _middles(phases)
        change = np.abs(rational.at(probes) - before.at(probes)) / np.max(np.abs(samples))
        worst = float(change.max())
        values = rational.coefficients(lags) * turn
        last, result = result, answered(values)
        if worst <= aim:
            aim = max(0.1 * aim, ROUNDING)  # for the next time, if the answer still moves
        if worst <= tolerance and abs(result - last) <= ANSWER_TOLERANCE * abs(result):
            break
        if phases.size >= MOST_PHASES:
            raise ConvergenceError(
                f"the harmonic admittance at {frequency:.6g} Hz is not settled to {tolerance:.1e} "
                f"with {phases.size} phases (reached {worst:.1e}); more damping would smooth it"
            )
        new = probes[change > min(tolerance, AGAIN * worst)]
    poles, residues = rational.poles, rational.residues * turn
    return MutualAdmittances(frequency, damping, values, worst, phases, poles, residues)


def _check(damping: float) -> None:
    if not (np.isfinite(damping) and damping > 0.0):
        raise InputError(
            key="damping",
            found=f"{damping!r} Hz",
            expected="more than zero: without it the waves are poles on the path",
        )


def _even(count: int) -> Array:
    """Phases in the middles of equal parts of 0 to pi."""
    return np.asarray((np.arange(count) + 0.5) * np.pi / count)


def _middles(phases: Array) -> Array:
    """Between the phases, and beyond the outer ones."""
    ends = np.concatenate([[0.0], phases, [np.pi]])
    return np.asarray(0.5 * (ends[1:] + ends[:-1]))


@dataclass(frozen=True, eq=False)
class _Rational:
    """Constant + sum of residues / (x - poles), x = cos(gamma)."""

    constant: complex
    poles: Complex
    residues: Complex

    @classmethod
    def through(cls, phases: Array, samples: Complex, tolerance: float) -> _Rational:
        """Through samples at phases, as a function of cos(phase); poles and residues of it."""
        from scipy.interpolate import AAA  # takes time to load

        with warnings.catch_warnings():  # what does not suffice shows at new phases
            warnings.simplefilter("ignore", RuntimeWarning)
            found = AAA(
                np.cos(phases),
                samples,
                rtol=RESOLVED * tolerance,
                max_terms=min(MOST_TERMS, phases.size // 2),
                clean_up=False,
            )
        weights, values = found.weights, found.support_values
        poles = np.asarray(found.poles(), dtype=complex)
        residues = np.asarray(found.residues(), dtype=complex)
        constant = complex(np.sum(weights * values) / np.sum(weights))
        return cls(constant, poles, residues)

    def at(self, phases: Array) -> Complex:
        """Y at real phases, (n,)."""
        x = np.cos(phases)
        return np.asarray(self.constant + (self.residues / (x[:, None] - self.poles)).sum(axis=1))

    def coefficients(self, count: int) -> Complex:
        """Fourier coefficients y_0 .. y_(count-1)."""
        values = pole_coefficients(self.poles, self.residues, count)
        values[0] += self.constant
        return values


def pole_coefficients(poles: Complex, residues: Complex, count: int) -> Complex:
    """Fourier coefficients (count,) of sum_i residues_i / (cos(gamma) - poles_i)."""
    root = np.sqrt(poles - 1.0) * np.sqrt(poles + 1.0)  # cut on [-1, 1]
    z = 1.0 / (poles + root)
    shares = -2.0 * residues * z / (1.0 - z * z)
    powers = z[None, :] ** np.arange(count)[:, None]
    return np.asarray(powers @ shares)
