"""Direction and spreading of a beam of surface waves.

theta turns the wave vector in the surface from x1 towards x2, psi(theta) is the angle from the
wave vector to the power flow. In the parabolic approximation a beam spreads as in an isotropic
medium, but by the factor |1 + g|, g = d psi / d theta (Cohen, J. Appl. Phys. 38, 2821 (1967);
Szabo & Slobodnik, IEEE Trans. SU-20, 240 (1973): both from memory). Where 1 + g vanishes, the
next order, d^2 psi / d theta^2, rules.

psi is exact at each direction, from the energy form of the wave (:mod:`.wave_form`); g and the
second order are its derivatives, by differences of the fourth order. Tables that quote
differences of one degree give other digits: YZ lithium niobate -1.08 instead of -1.105.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sawfem.errors import ConvergenceError, InputError
from sawfem.planewave.follow import follow_scaled
from sawfem.planewave.generalised import Array
from sawfem.planewave.stack_wave import StackWave
from sawfem.planewave.wave_form import WaveForm

#: Step of the differences, radians (0.2 degrees).
STEP = 3.5e-3
#: Largest turn between one direction and the next when a wave is followed, degrees.
LARGEST_TURN = 1.0
#: Widest gap across which a wave is taken up again, degrees: where it meets a bulk wave in a
#: single direction, as on (001) of a cubic crystal along [110].
GAP = 3.0


@dataclass(frozen=True)
class Beam:
    """How a wave steers and spreads.

    Attributes
    ----------
    power_flow_angle : psi, degrees, from the wave vector to the power flow, positive from x1
        towards x2.
    anisotropy : g = d psi / d theta, a pure number; -1 is a beam that does not spread.
    second_order : d^2 psi / d theta^2, per radian.
    wavelength : m, of the wave for which it was computed.
    """

    power_flow_angle: float
    anisotropy: float
    second_order: float
    wavelength: float

    def fresnel_distance(self, aperture: float) -> float:
        """Distance W^2 / (lambda |1 + g|) within which a beam keeps its width W, m.

        Infinite for g = -1, where the second order rules. Szabo & Slobodnik 1973: from memory.
        InputError for an aperture that is not positive.
        """
        if not (math.isfinite(aperture) and aperture > 0.0):
            raise InputError(key="aperture", found=f"{aperture!r} m", expected="a positive length")
        spreading = abs(1.0 + self.anisotropy) * self.wavelength
        return aperture**2 / spreading if spreading > 0.0 else math.inf


@dataclass(frozen=True, eq=False)
class Directions:
    """One wave against direction in the surface, arrays (m,) in the order asked for.

    Attributes
    ----------
    angle : theta, degrees from x1 towards x2.
    velocity : m/s; nan where the wave could not be followed.
    power_flow_angle : degrees. attenuation : dB per wavelength.
    reasons : where and why the wave was not found.
    """

    angle: Array
    velocity: Array
    power_flow_angle: Array
    attenuation: Array
    reasons: tuple[str, ...]


def beam(wave: StackWave, *, step: float = STEP) -> Beam:
    """Power-flow angle, anisotropy and second-order spreading of a wave.

    Parameters
    ----------
    wave : located or followed. step : of the differences, radians.

    Raises
    ------
    ConvergenceError : the wave ends within two steps of its direction.
    """
    turns = step * np.arange(-2, 3)
    psi = [math.radians(_angle(turned(wave, turn))) for turn in turns]
    first = (8.0 * (psi[3] - psi[1]) - (psi[4] - psi[0])) / (12.0 * step)
    second = (16.0 * (psi[3] + psi[1]) - (psi[4] + psi[0]) - 30.0 * psi[2]) / (12.0 * step**2)
    return Beam(math.degrees(psi[2]), first, second, 2.0 * math.pi / wave.wavenumber.real)


def turned(wave: StackWave, angle: float) -> StackWave:
    """The same wave running ``angle`` (radians) from x1 towards x2, in axes turned with it."""
    return wave if angle == 0.0 else follow_scaled(wave, wave.stack.turned(angle))


def _angle(wave: StackWave) -> float:
    return WaveForm(wave).power_flow_angle


def velocity_by_direction(wave: StackWave, angles: ArrayLike) -> Directions:
    """Follow a wave through directions in the surface.

    Parameters
    ----------
    wave : at angle zero. angles : degrees from x1 towards x2, (m,), in any order.

    Returns
    -------
    Directions. Where the wave ends (at the onset of a bulk wave) or cannot be told from another
    it is nan, and so is all beyond unless it is found again within 3 degrees; reasons say why.
    """
    theta = np.atleast_1d(np.asarray(angles, dtype=float))
    if theta.ndim != 1 or not np.all(np.isfinite(theta)):
        raise InputError(key="angles", found="not a list of numbers", expected="degrees")
    values = np.full((3, len(theta)), np.nan)
    reasons: list[str] = []
    for side in (1.0, -1.0):
        ahead = [i for i in np.argsort(side * theta) if theta[i] * side > 0.0]
        ahead = [*np.flatnonzero(theta == 0.0), *ahead]
        walk = _Walk(wave)
        for index in ahead:
            here = walk.to(theta[index])
            if here is not None:
                values[:, index] = here.velocity, _angle(here), here.attenuation
        reasons += walk.reasons
    return Directions(theta, values[0], values[1], values[2], tuple(reasons))


class _Walk:
    """A wave on its way from direction zero to one side."""

    def __init__(self, wave: StackWave) -> None:
        self.start, self.here, self.at, self.passed = wave, wave, 0.0, 0.0
        self.reasons: list[str] = []

    def to(self, angle: float) -> StackWave | None:
        """The wave at an angle, degrees, farther out than the one before; None if it is lost."""
        for turn in _stages(self.passed, angle):
            self.passed = turn
            if abs(turn - self.at) > GAP:
                return None
            try:
                stack = self.start.stack.turned(math.radians(turn))
                self.here, self.at = follow_scaled(self.here, stack), turn
            except ConvergenceError as error:
                self.reasons.append(f"at {turn:g} deg: {error}")
        return self.here if self.at == angle else None


def _stages(start: float, end: float) -> Array:
    """Angles from start (left out) to end in equal steps that are not too long."""
    count = math.ceil(abs(end - start) / LARGEST_TURN)
    return np.linspace(start, end, count + 1)[1:]
