"""The curves of one cut: bulk slowness, effective permittivity, depth profile, directions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sawfem.design import Stack
from sawfem.errors import ConvergenceError, InputError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.batch_table import wave_table
from sawfem.planewave.beam import velocity_by_direction
from sawfem.planewave.follow import locate
from sawfem.planewave.generalised import Array, ComplexArray, GeneralisedTensor
from sawfem.planewave.limiting import acoustic_tensor, bulk_onsets
from sawfem.planewave.modes import HALF_SPACE_FREQUENCY
from sawfem.planewave.permittivity import effective_permittivity
from sawfem.planewave.profile import DepthProfile, depth_profile
from sawfem.planewave.surface_waves import Wave, plane_waves
from sawfem.units import QuantityLike, parse_frequency

#: Points of the permittivity curve, and how near to a wave they gather, relative to its velocity.
POINTS, NEAR = 1600, 1e-5
#: Directions looked at, degrees: of a bare half-space, and of waves that are followed one by one.
TURNS = np.arange(-90.0, 91.0, 1.0)
FEW_TURNS = np.arange(-6.0, 7.0, 1.0)


@dataclass(frozen=True, eq=False)
class CutCurves:
    """What a picture page of one cut shows.

    Attributes
    ----------
    stack, frequency : what was asked; frequency in hertz or None for a half-space.
    waves : slowest first, leaky ones among them. leading : the strongest coupled one.
    angle, slowness : direction of the bulk wave vector from x1 towards x3, radians (a,), and
        slownesses (a, 3), s/m, slowest wave (largest slowness) first.
    bulk_limits : velocities along the surface at which bulk waves start, m/s.
    velocity, permittivity : (m,), m/s, and eps_eff, F/m, complex: negative imaginary part where
        the stack radiates.
    profile : of the leading wave's free (or else metallised) surface; None if it was not to be
        had.
    directions, direction_velocity, direction_angle : theta (t,) in degrees from x1 towards x2,
        velocities (t, w), m/s, and power-flow angles (t, w), degrees; NaN where there is none.
    all_waves : whether the directions hold all waves that do not leak, or the leading one alone.
    """

    stack: Stack
    frequency: float | None
    waves: tuple[Wave, ...]
    leading: Wave | None
    angle: Array
    slowness: Array
    bulk_limits: tuple[float, ...]
    velocity: Array
    permittivity: ComplexArray
    profile: DepthProfile | None
    directions: Array
    direction_velocity: Array
    direction_angle: Array
    all_waves: bool


def cut_curves(stack: Stack, frequency: QuantityLike | None = None) -> CutCurves:
    """Compute the curves of one cut.

    Parameters
    ----------
    stack : substrate and layers. frequency : needed with layers.

    Raises
    ------
    GeometryError : layers without a frequency. UnitError : a frequency that cannot be used.
    """
    hertz = None if frequency is None else parse_frequency(frequency, key="frequency")
    waves = plane_waves(stack, hertz, leaky=True)
    leading = max(waves, key=lambda w: (w.coupling_k2 or 0.0, -w.velocity), default=None)
    tensor = GeneralisedTensor.from_medium(stack.media()[0])
    limits = bulk_onsets(tensor)
    angle = np.radians(np.arange(0.0, 361.0, 1.0))
    stiffness = acoustic_tensor(tensor, np.cos(angle), np.sin(angle))
    slowness = np.sqrt(tensor.density / np.linalg.eigvalsh(stiffness))
    velocity, permittivity = _permittivity(stack, hertz, waves, limits)
    directions, speeds, angles, every = _directions(stack, leading)
    return CutCurves(
        stack=stack,
        frequency=hertz if stack.layers else None,
        waves=waves,
        leading=leading,
        angle=angle,
        slowness=slowness,
        bulk_limits=limits,
        velocity=velocity,
        permittivity=permittivity,
        profile=_profile(stack, leading),
        directions=directions,
        direction_velocity=speeds,
        direction_angle=angles,
        all_waves=every,
    )


def _permittivity(
    stack: Stack, hertz: float | None, waves: tuple[Wave, ...], limits: tuple[float, ...]
) -> tuple[Array, ComplexArray]:
    """eps_eff from below the slowest wave to above the fastest one or the last limit."""
    marks = [*limits]
    for wave in waves:
        marks += [v for v in (wave.velocity_free, wave.velocity_metallised) if v is not None]
    low, high = 0.9 * min(marks), 1.06 * max(marks)
    parts = [np.linspace(low, high, POINTS)]
    for mark in marks:  # poles, zeros and branch points are narrow
        offset = np.geomspace(NEAR, 0.03, 60) * mark
        parts += [mark - offset, mark + offset]
    velocity = np.unique(np.concatenate(parts))
    velocity = velocity[(velocity >= low) & (velocity <= high)]
    omega = 2.0 * math.pi * hertz if stack.layers and hertz else HALF_SPACE_FREQUENCY
    substrate, layers = stack.media()
    admittance = SurfaceAdmittance(substrate, layers)
    return velocity, effective_permittivity(admittance, omega, omega / velocity)


def _profile(stack: Stack, leading: Wave | None) -> DepthProfile | None:
    if leading is None:
        return None
    try:
        found = locate(leading, *stack.media(), metallised=leading.velocity_free is None)
        return depth_profile(found)
    except (ConvergenceError, InputError):
        return None


def _directions(stack: Stack, leading: Wave | None) -> tuple[Array, Array, Array, bool]:
    """Velocities and power-flow angles against direction."""
    leaks = leading is not None and (leading.attenuation_free or 0.0) > 0.0
    if not stack.layers and not leaks:
        radians = np.radians(TURNS)
        turn = np.zeros((len(TURNS), 3, 3))
        turn[:, 0, 0] = turn[:, 1, 1] = np.cos(radians)
        turn[:, 0, 1], turn[:, 1, 0], turn[:, 2, 2] = np.sin(radians), -np.sin(radians), 1.0
        table = wave_table(stack.material, turn @ stack.orientation.rotation)
        return TURNS, table.velocity, table.power_flow_angle, True
    nothing = np.full((len(FEW_TURNS), 1), np.nan)
    if leading is None:
        return FEW_TURNS, nothing, nothing, False
    try:
        located = locate(leading, *stack.media(), metallised=leading.velocity_free is None)
        walk = velocity_by_direction(located, FEW_TURNS)
    except (ConvergenceError, InputError):
        return FEW_TURNS, nothing, nothing, False
    return FEW_TURNS, walk.velocity[:, None], walk.power_flow_angle[:, None], False
