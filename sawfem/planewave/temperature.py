"""How a surface wave drifts with temperature, by evaluating the stack at temperatures.

Everything moves: constants, density, thickness of layers and the pattern on the surface. With
v the phase velocity of the wave at the wavelength that an electrode pattern fixes (it expands with
the substrate, or the membrane, along x1, strain alpha), per kelvin and relative,

    TCV = (1/v) dv/dT,   TCD = (1/tau) d tau/dT = alpha - TCV,   TCF = (1/f) df/dT = -TCD,

tau = L/v the delay between two points of the surface and f = v / wavelength the frequency of the
pattern. To second order X(T) = X0 (1 + a1 dT + a2 dT^2), v, tau and f each with its own
a2. The stack at each temperature is that of :mod:`.heated_stack`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.design import Stack
from sawfem.errors import ConvergenceError, InputError
from sawfem.material import MARKS
from sawfem.planewave.follow import at_wavelength, locate
from sawfem.planewave.generalised import Array
from sawfem.planewave.heated_stack import Held, heated_material, held_of, stack_at_temperature
from sawfem.planewave.scaled_stack import ScaledStack
from sawfem.planewave.stack_wave import StackWave
from sawfem.planewave.surface_waves import Wave

#: Step of the differences, K; temperatures up to two steps away are evaluated.
STEP = 10.0
#: Farthest turnover temperature from the reference that is reported, K.
FARTHEST = 200.0


@dataclass(frozen=True)
class Drift:
    """Coefficients of one quantity: X(T) = X0 (1 + first dT + second dT^2), 1/K and 1/K^2."""

    first: float
    second: float


@dataclass(frozen=True)
class TemperatureCoefficients:
    """Drift of one wave.

    Attributes
    ----------
    celsius : temperature at which the coefficients hold.
    velocity, delay, frequency : TCV, TCD and TCF = -TCD, at the wavelength of a fixed pattern.
    expansion : of the pattern along x1.
    turnover : temperature at which the frequency is stationary, degrees Celsius, or None where
        there is none within 200 K.
    held : material -> constants and parts kept as they are because they were named in
        ``hold_constant``; empty if the data were complete.
    mark : the weakest mark among the sets and coefficients used.
    frameless : of a membrane, which is taken to expand freely.
    """

    celsius: float
    velocity: Drift
    delay: Drift
    frequency: Drift
    expansion: Drift
    turnover: float | None
    held: Mapping[str, tuple[str, ...]]
    mark: str
    frameless: bool = False

    @property
    def caution(self) -> str | None:
        """A sentence about what was held constant or left out, or None."""
        told = []
        if self.held:
            parts = "; ".join(f"{', '.join(names)} of {name}" for name, names in self.held.items())
            told.append(f"kept constant in temperature, as hold_constant asks: {parts}")
        if self.frameless:
            told.append("the membrane expands freely; the stress of a frame is not in it")
        return "; ".join(told) or None

    def __str__(self) -> str:
        text = (
            f"at {self.celsius:g} degC: TCV {self.velocity.first * 1e6:+.3g}, TCD "
            f"{self.delay.first * 1e6:+.3g}, TCF {self.frequency.first * 1e6:+.3g} ppm/K; second "
            f"order of the frequency {self.frequency.second * 1e9:+.3g}e-9/K^2"
        )
        if self.turnover is not None:
            text += f"; turnover at {self.turnover:.1f} degC"
        return text + (f"; {self.caution}" if self.caution else "")


def temperature_coefficients(
    stack: Stack,
    wave: Wave,
    *,
    metallised: bool = False,
    celsius: float = REFERENCE_TEMPERATURE,
    hold_constant: Held = (),
    step: float = STEP,
) -> TemperatureCoefficients:
    """Temperature coefficients of a wave by evaluating it at five temperatures.

    Parameters
    ----------
    stack : dimensions and constants at 25 degC. wave : found in it (:func:`.plane_waves`).
    metallised : of the metallised surface instead of the free one.
    celsius : temperature at which the coefficients are taken.
    hold_constant : as for :func:`stack_at_temperature`; the result then says so.
    step : of the differences, K.

    Raises
    ------
    MaterialError : temperature data are missing; names them. ConvergenceError : the wave
        ends or is lost between the temperatures. InputError : no such wave at this surface.
    """
    if not (math.isfinite(step) and step > 0.0):
        raise InputError(key="step", found=f"{step!r} K", expected="a positive number")
    track = _Track(stack, wave, metallised, hold_constant)
    samples = [track.at(celsius + n * step) for n in range(-2, 3)]
    velocity, stretch = np.array(samples).T
    frequency = velocity / stretch
    below = () if stack.is_membrane else (stack.material,)
    materials = [*below, *(layer.material for layer in stack.layers)]
    held = {m.name: names for m in materials if (names := held_of(m, hold_constant))}
    marks = [heated_material(m, celsius, hold_constant).mark for m in materials]
    return TemperatureCoefficients(
        celsius=celsius,
        velocity=_drift(velocity, step),
        delay=_drift(1.0 / frequency, step),
        frequency=_drift(frequency, step),
        expansion=_drift(stretch, step),
        turnover=_turnover(track, celsius, _drift(frequency, step), step),
        held=held,
        mark=max(marks, key=MARKS.index),
        frameless=stack.is_membrane,
    )


class _Track:
    """One wave against temperature, at the wavelength of its pattern."""

    def __init__(self, stack: Stack, wave: Wave, metallised: bool, hold_constant: Held) -> None:
        self.stack, self.hold_constant = stack, hold_constant
        self.wave: StackWave = locate(
            wave, *stack.media(), shorts=stack.shorts, metallised=metallised
        )
        self.wavenumber = self.wave.wavenumber.real

    def at(self, celsius: float) -> tuple[float, float]:
        """Phase velocity, m/s, and length of the pattern over that at 25 degC."""
        heated = stack_at_temperature(self.stack, celsius, hold_constant=self.hold_constant)
        scaled = ScaledStack.from_media(*heated.media(), shorts=self.stack.shorts)
        try:
            found = at_wavelength(self.wave, scaled, self.wavenumber / heated.stretch)
        except ConvergenceError as error:
            raise ConvergenceError(f"at {celsius:g} degC: {error}") from error
        return found.velocity, heated.stretch


def _drift(values: Array, step: float) -> Drift:
    """Coefficients from five values at equal steps, by differences of the fourth order."""
    first = (8.0 * (values[3] - values[1]) - (values[4] - values[0])) / (12.0 * step)
    second = 16.0 * (values[3] + values[1]) - (values[4] + values[0]) - 30.0 * values[2]
    second /= 24.0 * step**2
    return Drift(float(first / values[2]), float(second / values[2]))


def _turnover(track: _Track, celsius: float, drift: Drift, step: float) -> float | None:
    """Temperature at which the frequency is stationary, by Newton's method on its slope."""
    place = celsius
    for _ in range(12):
        if drift.second == 0.0:
            return None
        move = -drift.first / (2.0 * drift.second)
        place += move
        if not abs(place - celsius) < FARTHEST:
            return None
        if abs(move) < 1e-3:
            return place
        try:
            samples = np.array([track.at(place + n * step) for n in range(-2, 3)])
        except ConvergenceError:
            return None
        drift = _drift(samples[:, 0] / samples[:, 1], step)
    return None
