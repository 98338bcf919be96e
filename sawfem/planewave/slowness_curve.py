"""The slowness curve of one surface wave: what beams and transverse modes stand on.

theta turns the wave vector in the surface from x1 towards x2 and psi(theta) is the angle from the
wave vector to the power flow (:mod:`.power_flow`). The curve s(theta) = 1/v(theta) has

    s1 = s cos(theta),   s2 = s sin(theta),
    d ln s / d theta = -tan(psi),   d s1 / d s2 = -tan(theta + psi),

the second line because the power flows along the normal of the curve (Auld, Acoustic Fields and
Waves in Solids, vol. 1, 1973, on slowness surfaces). Around theta = 0, with g = d psi / d theta,

    s1 = s [1 - tan(psi) q - (1 + g) q^2 / (2 cos^2 psi) + ...],   q = s2 / s:

the parabola of Cohen, J. Appl. Phys. 38, 2821 (1967), and of Szabo & Slobodnik, IEEE Trans. SU-20,
240 (1973) (both from memory), for a beam that may steer. At fixed frequency k = 2 pi f s.

Between its nodes ln s is the cubic through values and slopes; both are exact at the nodes, so that
the nodes that are left out tell the error of what lies between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from sawfem.errors import ConvergenceError, InputError
from sawfem.planewave.beam import GAP, Beam
from sawfem.planewave.follow import follow_scaled
from sawfem.planewave.generalised import Array
from sawfem.planewave.stack_wave import StackWave
from sawfem.planewave.wave_form import WaveForm

#: Distance of the nodes, degrees, where a wave is followed: beyond the first ones, and of those.
STEP, FINE, FIRST = 1.0, 0.25, 2.0
#: How far a wave is followed, degrees: past 90, to where the power flows sideways.
LIMIT = 105.0
#: How near to a right angle the power flow may come to the side, degrees.
GRAZING = 1.0e-6
#: Relative size of d ln s / d theta + tan(psi) that counts as an error of the data.
INCONSISTENT = 1.0e-3
_RIGHT = 0.5 * math.pi


@dataclass(frozen=True, eq=False)
class SlownessCurve:
    """Slowness of one wave against direction in the surface.

    Attributes
    ----------
    angle : (n,) theta, radians, increasing; direction zero lies within.
    velocity : (n,) m/s.
    power_flow_angle : (n,) psi, radians, in agreement with the velocities.
    surface : "free" or "metallised", "" where nobody said.
    ends : why the curve ends before the power flows at a right angle to x1, a sentence for the
        lower and one for the upper end; "" where it goes all the way.
    fading : (n,) -Im k / Re k of a wave that loses power on its way, 0 where None is given.

    Raises InputError for angles that do not increase or leave zero out, for a velocity that is
    not positive, and where velocities and power-flow angles contradict each other.
    """

    angle: Array
    velocity: Array
    power_flow_angle: Array
    surface: str = ""
    ends: tuple[str, str] = ("", "")
    fading: Array | None = None
    _log: CubicHermiteSpline = field(init=False, repr=False)

    def __post_init__(self) -> None:
        theta, v, psi = (
            np.asarray(a, dtype=float) for a in (self.angle, self.velocity, self.power_flow_angle)
        )
        if theta.ndim != 1 or theta.size < 5 or not theta.shape == v.shape == psi.shape:
            raise InputError(
                key="angle",
                found=f"{theta.size} directions, {v.size} velocities, {psi.size} angles",
                expected="as many of each, five or more",
            )
        if not (np.all(np.isfinite(theta)) and np.all(np.diff(theta) > 0.0)):
            raise InputError(key="angle", found="not in order", expected="increasing directions")
        if not theta[0] < 0.0 < theta[-1]:
            raise InputError(
                key="angle",
                found=f"{math.degrees(theta[0]):g} to {math.degrees(theta[-1]):g} deg",
                expected="directions on both sides of 0",
            )
        if not (np.all(np.isfinite(v)) and np.all(v > 0.0)):
            raise InputError(key="velocity", found="not a positive number", expected="m/s")
        if not np.all(np.abs(psi) < _RIGHT):
            raise InputError(
                key="power_flow_angle", found="90 deg or more", expected="less than a right angle"
            )
        for name, value in zip(
            ("angle", "velocity", "power_flow_angle"), (theta, v, psi), strict=True
        ):
            object.__setattr__(self, name, value)
        object.__setattr__(self, "_log", CubicHermiteSpline(theta, -np.log(v), -np.tan(psi)))
        if self.interpolation_error > INCONSISTENT:
            raise InputError(
                key="power_flow_angle",
                found=f"velocities off by {self.interpolation_error:.1e} of what they lead to",
                expected=f"agreement within {INCONSISTENT:g}: closer directions, or other angles",
            )

    def __repr__(self) -> str:
        low, high = np.degrees(self.angle[[0, -1]])
        return (
            f"SlownessCurve({self.surface or 'surface wave'}: {low:g} to {high:g} deg, "
            f"{self.at(0.0)[0]:.6g} m/s, psi {math.degrees(self.flow(0.0)):.4g} deg, "
            f"g {self.anisotropy:.4g})"
        )

    @classmethod
    def isotropic(cls, velocity: float) -> SlownessCurve:
        """The circle of an isotropic surface."""
        theta = np.radians(np.arange(-100.0, 101.0))
        return cls(theta, np.full(theta.shape, velocity), np.zeros(theta.shape))

    @cached_property
    def interpolation_error(self) -> float:
        """Relative error of the velocity between nodes.

        Every other node is left out and looked up: that error, over 16 (fourth order).
        """
        kept = self._every_other
        coarse = CubicHermiteSpline(
            self.angle[kept], -np.log(self.velocity[kept]), -np.tan(self.power_flow_angle[kept])
        )
        missed = coarse(self.angle[~kept]) + np.log(self.velocity[~kept])
        return float(np.max(np.abs(missed))) / 16.0

    @property
    def _every_other(self) -> NDArray[np.bool_]:
        """Nodes that stay when every other one is left out: both ends and the one nearest zero."""
        index = np.arange(len(self.angle)) - int(np.argmin(np.abs(self.angle)))
        kept = index % 2 == 0
        kept[[0, -1]] = True
        return np.asarray(kept)

    def thinned(self) -> SlownessCurve:
        """The same from every other node: what it changes is 15 times what the nodes leave open."""
        kept = self._every_other
        return SlownessCurve(
            self.angle[kept],
            self.velocity[kept],
            self.power_flow_angle[kept],
            self.surface,
            self.ends,
            None if self.fading is None else self.fading[kept],
        )

    def slowness(self, theta: ArrayLike) -> Array:
        """s, s/m, at directions theta, radians. InputError outside of the curve."""
        return np.asarray(np.exp(self._log(self._inside(theta))))

    def components(self, theta: ArrayLike) -> tuple[Array, Array]:
        """(s1, s2), s/m, at directions theta, radians."""
        t = np.asarray(theta, dtype=float)
        s = self.slowness(t)
        return s * np.cos(t), s * np.sin(t)

    def flow(self, theta: ArrayLike) -> Array:
        """psi, radians, at directions theta, radians: slope of the same cubic."""
        return np.asarray(-np.arctan(self._log.derivative()(self._inside(theta))))

    def fade(self, theta: ArrayLike) -> Array:
        """-Im k / Re k at directions theta, radians: monotonic between the nodes."""
        t = self._inside(theta)
        if self.fading is None:
            return np.zeros_like(t)
        return np.asarray(PchipInterpolator(self.angle, self.fading)(t))

    def at(self, theta: float) -> tuple[float, float]:
        """(velocity in m/s, psi in radians) in one direction, radians."""
        return float(1.0 / self.slowness(theta)), float(self.flow(theta))

    def _inside(self, theta: ArrayLike) -> Array:
        t = np.asarray(theta, dtype=float)
        low, high = self.angle[0], self.angle[-1]
        if np.any(t < low - 1e-12) or np.any(t > high + 1e-12):
            beyond = math.degrees(float(t.flat[np.argmax(np.maximum(low - t, t - high))]))
            why = self.ends[0 if beyond < 0.0 else 1]
            raise InputError(
                key="slowness",
                found=f"no wave at {beyond:.4g} deg{f': {why}' if why else ''}",
                expected=f"directions from {math.degrees(low):.4g} to {math.degrees(high):.4g} deg",
            )
        return np.asarray(np.clip(t, low, high))

    @cached_property
    def forward(self) -> tuple[float, float]:
        """Directions (radians) between which the power flows forward: |theta + psi| < 90 deg.

        The first right angle on either side of zero, or the end of the curve. In between s2
        grows with theta.
        """
        found = []
        for side in (-1.0, 1.0):
            end = self.angle[0] if side < 0.0 else self.angle[-1]
            grid = np.linspace(0.0, end, max(2, math.ceil(abs(end) / math.radians(0.25))))
            past = np.flatnonzero(side * (grid + self.flow(grid)) >= _RIGHT)
            if past.size == 0:
                found.append(float(end))
                continue
            inner, outer = float(grid[past[0] - 1]), float(grid[past[0]])
            for _ in range(60):
                middle = 0.5 * (inner + outer)
                if side * (middle + float(self.flow(middle))) < _RIGHT:
                    inner = middle
                else:
                    outer = middle
            found.append(inner)
        return found[0], found[1]

    @cached_property
    def closed(self) -> tuple[bool, bool]:
        """Whether the curve reaches a power flow at a right angle to x1, below and above."""
        low, high = (side + float(self.flow(side)) for side in self.forward)
        edge = _RIGHT - math.radians(1e3 * GRAZING)
        return low <= -edge, high >= edge

    def direction(self, transverse: ArrayLike) -> Array:
        """theta, radians, of transverse slownesses s2, s/m, where the power flows forward.

        InputError where no such wave runs.
        """
        s2 = np.asarray(transverse, dtype=float)
        low, high = self.forward
        grid = np.linspace(low, high, 2 * len(self.angle))
        reached = self.components(grid)[1]
        if np.any(s2 < reached[0]) or np.any(s2 > reached[-1]):
            raise InputError(
                key="slowness",
                found=f"s2 of {float(np.max(np.abs(s2))):.4g} s/m",
                expected=f"{reached[0]:.4g} to {reached[-1]:.4g} s/m, where the wave runs forward",
            )
        theta = np.interp(s2, reached, grid)
        for _ in range(8):  # Newton; ds2/dtheta = s cos(theta + psi) / cos(psi)
            s, psi = self.slowness(theta), self.flow(theta)
            slope = s * np.cos(theta + psi) / np.cos(psi)
            step = (s * np.sin(theta) - s2) / np.maximum(slope, 1e-6 * s)
            theta = np.clip(theta - step, low, high)
            if np.max(np.abs(step), initial=0.0) < 1e-14:
                break
        return np.asarray(theta)

    def longitudinal(self, transverse: ArrayLike) -> Array:
        """s1, s/m, of transverse slownesses s2, s/m, of the wave that runs forward."""
        return self.components(self.direction(transverse))[0]

    @cached_property
    def _bend(self) -> tuple[float, float]:
        """Anisotropy g and d^2 psi / d theta^2 at direction zero; differences of fourth order."""
        middle = int(np.argmin(np.abs(self.angle)))
        near = np.diff(self.angle[max(middle - 2, 0) : middle + 3])
        h = min(float(np.max(near)), -0.5 * self.angle[0], 0.5 * self.angle[-1])
        psi = self.flow(h * np.arange(-2, 3))
        first = (8.0 * (psi[3] - psi[1]) - (psi[4] - psi[0])) / (12.0 * h)
        second = (16.0 * (psi[3] + psi[1]) - (psi[4] + psi[0]) - 30.0 * psi[2]) / (12.0 * h**2)
        return float(first), float(second)

    @property
    def anisotropy(self) -> float:
        """Anisotropy g = d psi / d theta at direction zero; -1 is a beam that does not spread."""
        return self._bend[0]

    def beam(self, frequency: float) -> Beam:
        """Power-flow angle and spreading along direction zero at a frequency, Hz."""
        velocity, psi = self.at(0.0)
        return Beam(math.degrees(psi), *self._bend, velocity / frequency)

    def turned(self, angle: float) -> SlownessCurve:
        """The same wave seen from axes turned by ``angle``, radians, from x1 towards x2.

        What a device sees that lies askew on its wafer. InputError where direction zero would
        leave the curve.
        """
        return SlownessCurve(
            self.angle - angle,
            self.velocity,
            self.power_flow_angle,
            self.surface,
            self.ends,
            self.fading,
        )


def slowness_curve(wave: StackWave, *, limit: float = LIMIT, surface: str = "") -> SlownessCurve:
    """Follow a wave to both sides until the power flows sideways, the wave ends or ``limit``.

    Parameters
    ----------
    wave : located at direction zero (:func:`.follow.locate`). limit : degrees.
    surface : "free" or "metallised", for those who read the curve.

    Raises
    ------
    InputError : a wave that cannot be followed by ``FIRST`` degrees: no curve to speak of.
    """
    (before, below), (after, above) = (_side(wave, sign, limit) for sign in (-1.0, 1.0))
    for nodes, why in ((before, below), (after, above)):
        if not nodes or abs(nodes[-1][0]) < math.radians(FIRST) * (1.0 - 1e-9):
            raise InputError(
                key="slowness",
                found=why or f"a limit of {limit:g} deg",
                expected=f"a wave that can be followed {FIRST:g} deg to either side",
            )
    theta, velocity, psi, fading = np.array([*reversed(before), _node(wave, 0.0), *after]).T
    return SlownessCurve(
        theta, velocity, psi, surface, (below, above), fading if fading.any() else None
    )


Node = tuple[float, float, float, float]


def _node(wave: StackWave, theta: float) -> Node:
    k = complex(wave.wavenumber)
    psi = math.radians(WaveForm(wave).power_flow_angle)
    return theta, wave.velocity, psi, -k.imag / k.real


def _side(wave: StackWave, sign: float, limit: float) -> tuple[list[Node], str]:
    """Nodes outwards from direction zero, without it, and why they end.

    A gap where the wave meets a bulk wave in a single direction is crossed.
    """
    found: list[Node] = []
    here, last, why = wave, 0.0, ""
    for turn in (*np.arange(FINE, FIRST, FINE), *np.arange(FIRST, limit + 1e-9, STEP)):
        if turn - last > GAP:
            break
        theta = math.radians(sign * turn)
        try:
            here = follow_scaled(here, wave.stack.turned(theta))
        except ConvergenceError as error:
            why = why or f"at {sign * turn:g} deg: {error}"
            continue
        last, why = turn, ""
        found.append(_node(here, theta))
        if sign * (theta + found[-1][2]) > _RIGHT + math.radians(STEP):
            break
    return found, why
