"""Process variation in four nested levels, its draws, and the yield with its confidence.

A process spreads from lot to lot, between the wafers of a lot, between the dies of a wafer, and
from finger to finger within a die. A deviation q of a die is

    q = q_lot + q_wafer + q_die,        var q = sum of the variances,

and that of a finger adds its own q_finger. Deviations of the upper levels move all fingers of a
device together and shift its frequency; those of single fingers are independent and average out
over N fingers like 1/sqrt(N). Calling all variation "per finger" flatters the yield.

The interval of the yield is that of Clopper and Pearson (Biometrika 26, 404 (1934)). Dies of one
lot are alike, so that n dies count as fewer independent ones: n is divided by the design effect
1 + (m - 1) r, m dies a lot and r the correlation within a lot by analysis of variance, as Korn and
Graubard do for surveys (Survey Methodology 24, 193 (1998)); both from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from sawfem.errors import InputError

Array = NDArray[np.float64]
Index = NDArray[np.int64]

#: Levels from the widest to the narrowest.
LEVELS = ("lot", "wafer", "die", "finger")
#: Smallest eigenvalue of a correlation matrix that counts as not negative.
ROUNDING = 1e-9


@dataclass(frozen=True)
class Spread:
    """How much one parameter scatters at one level.

    Attributes
    ----------
    key : the parameter, for example "grating.series.pitch".
    standard_deviation : in the parameter's SI unit, zero or more.
    level : "lot", "wafer", "die" or "finger".

    Raises
    ------
    InputError : a level that is none, a deviation that is negative or no number.
    """

    key: str
    standard_deviation: float
    level: str = "die"

    def __post_init__(self) -> None:
        if self.level not in LEVELS:
            raise InputError(
                key="yield.spread.level",
                found=f'"{self.level}"',
                expected=f"one of {', '.join(LEVELS)}",
            )
        if not (np.isfinite(self.standard_deviation) and self.standard_deviation >= 0.0):
            raise InputError(
                key="yield.spread.standard_deviation",
                found=f"{self.standard_deviation!r}",
                expected="zero or more",
            )


@dataclass(frozen=True)
class Correlation:
    """Correlation of two parameters at every level at which both scatter, -1 to 1.

    Raises InputError for a coefficient outside that.
    """

    first: str
    second: str
    coefficient: float

    def __post_init__(self) -> None:
        if not -1.0 <= self.coefficient <= 1.0:
            raise InputError(
                key="yield.correlation.coefficient",
                found=f"{self.coefficient!r}",
                expected="a number from -1 to 1",
            )


@dataclass(frozen=True, eq=False)
class Draws:
    """Deviations of many dies.

    Attributes
    ----------
    deviation : parameter -> (dies,) sum of the lot's, the wafer's and the die's own deviation.
    finger : parameter -> standard deviation of a single finger's own part.
    lot, wafer : (dies,) number of each die's lot and, counted through, of its wafer.
    seed : that repeats the draw.
    """

    deviation: Mapping[str, Array]
    finger: Mapping[str, float]
    lot: Index
    wafer: Index
    seed: int

    @property
    def count(self) -> int:
        """Number of dies."""
        return int(self.lot.size)

    def fingers(self, key: str, die: int, count: int) -> Array:
        """(count,) deviations of the fingers of one die, its common part included.

        Drawn from a stream of their own for this die and parameter: the same numbers whatever
        else was drawn before.
        """
        common = float(self.deviation[key][die]) if key in self.deviation else 0.0
        sigma = self.finger.get(key, 0.0)
        stream = np.random.default_rng([self.seed, die, *key.encode()])
        return common + sigma * stream.standard_normal(count)


def draw(
    spreads: Sequence[Spread],
    dies: int,
    *,
    correlations: Sequence[Correlation] = (),
    wafers_per_lot: int = 1,
    dies_per_wafer: int = 1,
    seed: int = 0,
) -> Draws:
    """Draw normal deviations of ``dies`` dies, repeatably.

    With one die a wafer and one wafer a lot every die is independent of the others: the draw of
    least noise for a yield over many lots. Every parameter and level has a random stream of its
    own, so that one spread more leaves the other deviations as they were.

    Raises
    ------
    InputError : no die; counts below one; correlations of unknown parameters, or ones that no
        set of variables can have (their matrix is not positive semidefinite).
    """
    for name, count in (
        ("samples", dies),
        ("wafers_per_lot", wafers_per_lot),
        ("dies_per_wafer", dies_per_wafer),
    ):
        if count < 1:
            raise InputError(key=f"yield.{name}", found=str(count), expected="1 or more")
    keys = tuple(dict.fromkeys(spread.key for spread in spreads))
    mixing = _mixing(keys, correlations)
    wafer = np.arange(dies) // dies_per_wafer
    lot = wafer // wafers_per_lot
    members = {"lot": lot, "wafer": wafer, "die": np.arange(dies)}
    total = {key: np.zeros(dies) for key in keys}
    for level, member in members.items():
        sigma = _sigmas(spreads, keys, level)
        if not np.any(sigma):
            continue
        groups = int(member[-1]) + 1
        normal = np.array(
            [
                np.random.default_rng([seed, LEVELS.index(level), *key.encode()]).standard_normal(
                    groups
                )
                for key in keys
            ]
        )
        values = sigma[:, None] * (mixing @ normal)
        for number, key in enumerate(keys):
            total[key] += values[number, member]
    finger = dict(zip(keys, _sigmas(spreads, keys, "finger").tolist(), strict=True))
    return Draws(
        deviation=total,
        finger={key: sigma for key, sigma in finger.items() if sigma > 0.0},
        lot=lot.astype(np.int64),
        wafer=wafer.astype(np.int64),
        seed=seed,
    )


def _sigmas(spreads: Sequence[Spread], keys: Sequence[str], level: str) -> Array:
    """Standard deviation of every parameter at a level; several spreads add their variances."""
    variance = np.zeros(len(keys))
    for spread in spreads:
        if spread.level == level:
            variance[keys.index(spread.key)] += spread.standard_deviation**2
    return np.sqrt(variance)


def _mixing(keys: Sequence[str], correlations: Sequence[Correlation]) -> Array:
    """M with M M^T = R, the correlation matrix: independent normals -> correlated ones."""
    matrix = np.eye(len(keys))
    for item in correlations:
        for name in (item.first, item.second):
            if name not in keys:
                raise InputError(
                    key="yield.correlation",
                    found=f'"{name}", which does not scatter',
                    expected=f"one of {', '.join(keys)}",
                )
        a, b = keys.index(item.first), keys.index(item.second)
        matrix[a, b] = matrix[b, a] = item.coefficient if a != b else 1.0
    values, vectors = np.linalg.eigh(matrix)
    if keys and values[0] < -ROUNDING:
        raise InputError(
            key="yield.correlation",
            found="coefficients that no three variables can have together",
            expected="a matrix of correlations without negative eigenvalue",
        )
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)) @ vectors.T)


@dataclass(frozen=True)
class Yield:
    """Share of dies that keep a specification.

    Attributes
    ----------
    value : estimate, 0 to 1. low, high : confidence interval.
    confidence : of the interval, for example 0.95.
    dies : that were drawn; independent : how many independent ones they are worth.
    """

    value: float
    low: float
    high: float
    confidence: float
    dies: int
    independent: float

    def __str__(self) -> str:
        return (
            f"{100.0 * self.value:.1f} % ({100.0 * self.confidence:g} % interval "
            f"{100.0 * self.low:.1f} to {100.0 * self.high:.1f} %, {self.dies} dies)"
        )


def estimate_yield(
    passed: NDArray[np.bool_], lot: Index | None = None, *, confidence: float = 0.95
) -> Yield:
    """Yield and its interval from dies that passed or not.

    Parameters
    ----------
    passed : (dies,). lot : (dies,) lot of every die; None for independent dies.

    Raises
    ------
    InputError : no die, or a confidence that is not between 0 and 1.
    """
    n = int(passed.size)
    if n == 0:
        raise InputError(key="yield.samples", found="no die", expected="1 or more")
    if not 0.0 < confidence < 1.0:
        raise InputError(
            key="yield.confidence", found=f"{confidence!r}", expected="a number between 0 and 1"
        )
    share = float(np.mean(passed))
    independent = n / _design_effect(passed.astype(float), lot)
    good, bad = share * independent, (1.0 - share) * independent
    tail = 0.5 * (1.0 - confidence)
    low = float(betaincinv(good, bad + 1.0, tail)) if good > 0.0 else 0.0
    high = float(betaincinv(good + 1.0, bad, 1.0 - tail)) if bad > 0.0 else 1.0
    return Yield(share, low, high, confidence, n, independent)


def _design_effect(passed: Array, lot: Index | None) -> float:
    """1 + (m - 1) r with r from one-way analysis of variance; 1 for independent dies."""
    if lot is None:
        return 1.0
    _, member, sizes = np.unique(lot, return_inverse=True, return_counts=True)
    groups, n = sizes.size, passed.size
    if groups == n:
        return 1.0
    if groups == 1:
        # One lot tells nothing about others: all its dies together are one draw.
        return float(n)
    means = np.bincount(member, passed) / sizes
    within = float(np.sum((passed - means[member]) ** 2)) / (n - groups)
    between = float(np.sum(sizes * (means - passed.mean()) ** 2)) / (groups - 1)
    m = (n - float(np.sum(sizes**2)) / n) / (groups - 1)
    total = between + (m - 1.0) * within
    r = (between - within) / total if total > 0.0 else 0.0
    return float(np.clip(1.0 + (m - 1.0) * max(r, 0.0), 1.0, n))
