"""What a cut has to give, and what a search tells of one that gives it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from sawfem.errors import InputError
from sawfem.planewave.generalised import Array

#: What may be called best: largest K^2, least |TCD|, least |power-flow angle|, fastest, slowest.
GOALS = ("coupling", "drift", "power-flow", "fast", "slow")


@dataclass(frozen=True)
class Wish:
    """What a cut has to give; None where nothing is wished.

    Attributes
    ----------
    coupling_above : K^2, a fraction. power_flow_below : |psi|, degrees.
    drift_below : |TCD|, 1/K; needs temperature data. leakage_below : dB per wavelength, of the
        free and of the metallised surface; with it, leaky waves are searched as well.
    velocity_above, velocity_below : of the free surface, m/s.
    best : which of the cuts that meet the wish is best, one of :data:`GOALS`.

    Raises
    ------
    InputError : a number that is negative or not finite, or an unknown goal.
    """

    coupling_above: float | None = None
    power_flow_below: float | None = None
    drift_below: float | None = None
    leakage_below: float | None = None
    velocity_above: float | None = None
    velocity_below: float | None = None
    best: str = "coupling"

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name == "best":
                if value not in GOALS:
                    raise InputError(
                        key="best", found=f'"{value}"', expected=f"one of {', '.join(GOALS)}"
                    )
            elif value is not None and not (np.isfinite(value) and value >= 0.0):
                raise InputError(key=item.name, found=f"{value!r}", expected="a number from 0 up")

    @property
    def needs_drift(self) -> bool:
        """Whether temperature data are needed."""
        return self.drift_below is not None or self.best == "drift"


@dataclass(frozen=True)
class CutFamily:
    """One cut, standing for all that symmetry makes equal to it.

    Attributes
    ----------
    euler : degrees. plate : the same in plate notation.
    velocity_free, velocity_metallised : m/s. coupling_k2 : a fraction.
    power_flow_angle : degrees; None for a leaky wave.
    delay_temperature_coefficient : 1/K, or None where it was not needed.
    attenuation_free, attenuation_metallised : dB per wavelength.
    meets : whether every part of the wish is met; if not, ``short`` says what is missing, as the
        sum of the relative shortfalls.
    tolerance : how far (lambda, mu, theta) may each be off, (down, up) in degrees, before the
        velocity has changed by ``velocity_error``; None for leaky waves.
    """

    euler: tuple[float, float, float]
    plate: str
    velocity_free: float
    velocity_metallised: float
    coupling_k2: float
    power_flow_angle: float | None
    delay_temperature_coefficient: float | None
    attenuation_free: float
    attenuation_metallised: float
    meets: bool
    short: float
    tolerance: tuple[tuple[float, float], ...] | None
    velocity_error: float


@dataclass(frozen=True, eq=False)
class Figures:
    """Values of the waves that a wish is about, (m,) each, NaN where there is none."""

    free: Array
    metallised: Array
    coupling: Array
    angle: Array
    drift: Array
    loss_free: Array
    loss_metallised: Array

    def short(self, wish: Wish) -> Array:
        """Sum of the relative shortfalls (m,), 0 where the wish is met, infinite without a wave."""
        parts = []
        if wish.coupling_above is not None:
            parts.append(1.0 - self.coupling / max(wish.coupling_above, 1e-12))
        if wish.power_flow_below is not None:
            parts.append((np.abs(self.angle) - wish.power_flow_below) / 5.0)
        if wish.drift_below is not None:
            parts.append((np.abs(self.drift) - wish.drift_below) / 30e-6)
        if wish.leakage_below is not None:
            parts.append(np.maximum(self.loss_free, self.loss_metallised) - wish.leakage_below)
        if wish.velocity_above is not None:
            parts.append(10.0 * (1.0 - self.free / max(wish.velocity_above, 1e-12)))
        if wish.velocity_below is not None:
            parts.append(10.0 * (self.free / max(wish.velocity_below, 1e-12) - 1.0))
        total = np.zeros(self.free.shape)
        for part in parts:
            total += np.where(np.isnan(part), np.inf, np.maximum(part, 0.0))
        return np.where(np.isnan(self.free) | np.isnan(self.coupling), np.inf, total)

    def score(self, wish: Wish) -> Array:
        """Larger is better (m,): above -1 where the wish is met, below it elsewhere."""
        goal = {
            "coupling": self.coupling,
            "drift": -np.abs(self.drift) * 1e3,
            "power-flow": -np.abs(self.angle) / 360.0,
            "fast": self.free * 1e-5,
            "slow": -self.free * 1e-5,
        }[wish.best]
        short = self.short(wish)
        met = (short <= 0.0) & ~np.isnan(goal)
        return np.where(met, goal, -1.0 - short)
