"""What a yield computation found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sawfem.device.variation import Draws, Yield

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LimitYield:
    """One limit over all dies.

    Attributes
    ----------
    name, quantity, kind, bound : of the limit.
    share : of the dies that keep it. margin : (dies,) positive where it is kept, NaN where the
        quantity does not exist.
    nominal, worst : margin of the nominal device, and with every key three standard deviations
        off to the side that hurts this limit most.
    """

    name: str
    quantity: str
    kind: str
    bound: float
    share: float
    margin: Array
    nominal: float
    worst: float


@dataclass(frozen=True)
class KeyEffect:
    """What one key does.

    Attributes
    ----------
    key, unit, deviation : the key, its unit and its standard deviation.
    margin : limit -> change of its margin for one standard deviation.
    frequency : relative change of the device's frequency for one standard deviation; None where
        the device has no such figure.
    trim : relative change of frequency per metre, for a length: 1e-6 trim/1e9 is ppm per nm.
    """

    key: str
    unit: str
    deviation: float
    margin: Mapping[str, float]
    frequency: float | None
    trim: float | None


@dataclass(frozen=True, eq=False)
class YieldResult:
    """The answer.

    Attributes
    ----------
    case_name, title, seed : of the case and its draw.
    cells_solved, surrogate_error : unit cells behind the constants of all dies, and the largest
        relative error of a velocity where all keys deviate together.
    total : yield of all limits together. limits : each on its own.
    effects : keys, the one that hurts the tightest limit most first.
    draws : the deviations. passed : (dies,) of those that were computed.
    asked : dies that were asked for; more than ``passed`` holds after an interruption.
    grid : grating -> (mean error of the pitch, rms error of an edge) in m of a rounded layout.
    faulty : "missing" and "touching" -> (dies with such fingers, how many of them pass).
    warnings : sentences.
    """

    case_name: str
    title: str
    seed: int
    cells_solved: int
    surrogate_error: float
    total: Yield
    limits: tuple[LimitYield, ...]
    effects: tuple[KeyEffect, ...]
    draws: Draws
    passed: NDArray[np.bool_]
    asked: int
    grid: Mapping[str, tuple[float, float]]
    warnings: tuple[str, ...]
    faulty: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def tightest(self) -> str:
        """The limit that the fewest dies keep, as "name, kind"; of equals the least margin."""
        worst = min(self.limits, key=lambda limit: (limit.share, limit.nominal))
        return f"{worst.name}, {worst.kind}"
