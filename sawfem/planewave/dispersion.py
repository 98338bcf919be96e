"""Dispersion of a stack: phase and group velocity of its guided waves against frequency.

At each frequency all guided waves are found by counting; the group velocity of each is the
derivative of the energy form (:mod:`.wave_form`), exact at that frequency. A branch goes on with
the wave that lies nearest to where both group velocities lead, by the trapezoidal rule

    k_b^2 - k_a^2 = (k_a / v_a + k_b / v_b) d omega,    v group velocities,

which is exact without dispersion and at a cut-off, k^2 ~ omega - omega_c; and whose motion at the
surface is most alike: branches that cross keep their identity. A branch begins where a
wave separates from the bulk waves of the substrate (cut-off) and may end there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from sawfem.errors import InputError
from sawfem.planewave.allwaves import refuse_absurd_frequency
from sawfem.planewave.follow import locate
from sawfem.planewave.generalised import Array, ComplexArray
from sawfem.planewave.surface_waves import HasMedia, Wave, plane_waves
from sawfem.planewave.wave_form import WaveForm
from sawfem.units import QuantityLike, parse_frequency

#: Largest relative distance of k from where the branch is led, per relative step of frequency.
ASTRAY = 0.3
#: Weight of the unlikeness of the motion against that distance.
MOTION = 0.5


@dataclass(frozen=True, eq=False)
class Branch:
    """One wave against frequency; NaN where it does not exist.

    Attributes
    ----------
    kind : of the wave where the branch begins (:class:`.Wave`).
    frequency : (n,), Hz, rising. thickness : of all layers together, m.
    phase_velocity, group_velocity : (n,), m/s, along x1.
    polarisation : (n, 3) at the surface.
    """

    kind: str
    frequency: Array
    thickness: float
    phase_velocity: Array
    group_velocity: Array
    polarisation: ComplexArray

    @property
    def exists(self) -> NDArray[np.bool_]:
        """Where the wave is guided, (n,)."""
        return np.isfinite(self.phase_velocity)

    @property
    def frequency_thickness(self) -> Array:
        """Frequency times thickness of the layers, Hz m."""
        return np.asarray(self.frequency * self.thickness)

    @property
    def cut_off(self) -> float | None:
        """First frequency at which the branch was found, Hz; None if it is there from the start."""
        first = int(np.argmax(self.exists))
        return float(self.frequency[first]) if first > 0 else None


@dataclass(frozen=True, eq=False)
class _Point:
    wave: Wave
    k: float
    group: float
    motion: ComplexArray


def dispersion(
    stack: HasMedia, frequencies: Sequence[QuantityLike], *, metallised: bool = False
) -> tuple[Branch, ...]:
    """Branches of the guided waves of a stack, in the order in which they begin, slowest first.

    Parameters
    ----------
    stack : for example a :class:`sawfem.design.Stack`. frequencies : rising, text or Hz; steps of
        a few per cent keep the identity of crossing branches. metallised : surface at phi = 0.

    Raises
    ------
    InputError : no frequencies, or not rising. UnitError, GeometryError : an unusable frequency.
    ConvergenceError : a wave could not be taken up; names the velocity and the residual.
    """
    values = np.array([parse_frequency(item, key="frequency") for item in frequencies])
    if values.size == 0 or np.any(np.diff(values) <= 0.0):
        raise InputError(key="frequencies", found="not rising", expected="rising frequencies")
    substrate, layers = stack.media()
    tracks: list[dict[int, _Point]] = []
    for index, frequency in enumerate(values):
        omega = 2.0 * math.pi * float(frequency)
        refuse_absurd_frequency(substrate, layers, omega)
        points = []
        for wave in plane_waves(stack, float(frequency)):
            velocity = wave.velocity_metallised if metallised else wave.velocity_free
            if velocity is not None:
                located = locate(
                    wave, substrate, layers, shorts=stack.shorts, metallised=metallised
                )
                motion = np.array(located.polarisation)
                group = WaveForm(located).group_velocity
                points.append(_Point(wave, omega / velocity, group, motion))
        open_tracks = [track for track in tracks if index - 1 in track]
        step = 2.0 * math.pi * float(frequency - values[index - 1])
        taken = _continued([track[index - 1] for track in open_tracks], points, step, omega)
        for track, chosen in zip(open_tracks, taken, strict=True):
            if chosen is not None:
                track[index] = points[chosen]
        tracks += [{index: point} for number, point in enumerate(points) if number not in taken]
    thickness = float(sum(height for _, height in layers))
    return tuple(_branch(track, values, thickness) for track in tracks)


def _continued(
    ends: list[_Point], points: list[_Point], step: float, omega: float
) -> list[int | None]:
    """For each branch the point that goes on with it, or None."""
    taken: list[int | None] = [None] * len(ends)
    if not ends or not points:
        return taken
    k = np.array([point.k for point in points])
    before = np.array([end.k for end in ends])[:, None]
    rise = k / [point.group for point in points] + before / [[end.group] for end in ends]
    astray = np.abs(k**2 - before**2 - step * rise) / (2.0 * k**2) * omega / step
    alike = np.array([[abs(np.vdot(a.motion, b.motion)) ** 2 for b in points] for a in ends])
    cost = astray + MOTION * (1.0 - alike)
    for row, column in zip(*linear_sum_assignment(np.minimum(cost, 1e3)), strict=True):
        if astray[row, column] < ASTRAY:
            taken[int(row)] = int(column)
    return taken


def _branch(track: dict[int, _Point], frequency: Array, thickness: float) -> Branch:
    phase, group = np.full(frequency.size, np.nan), np.full(frequency.size, np.nan)
    motion = np.full((frequency.size, 3), np.nan, dtype=complex)
    for index, point in track.items():
        phase[index] = 2.0 * math.pi * frequency[index] / point.k
        group[index], motion[index] = point.group, point.motion
    kind = track[min(track)].wave.kind
    return Branch(kind, frequency, thickness, phase, group, motion)
