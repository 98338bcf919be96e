"""The curves of one cut: bulk slowness, effective permittivity, depth profile, directions.

A surface that conducts has no effective permittivity, and a membrane no substrate: there phase and
group velocity against frequency take their place (:mod:`.dispersion`).
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from sawfem.design import Stack
from sawfem.errors import ConvergenceError, InputError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.batch_table import wave_table
from sawfem.planewave.beam import velocity_by_direction
from sawfem.planewave.dispersion import Branch, dispersion
from sawfem.planewave.follow import locate
from sawfem.planewave.generalised import Array, ComplexArray, GeneralisedTensor
from sawfem.planewave.limiting import acoustic_tensor, bulk_onsets
from sawfem.planewave.modes import HALF_SPACE_FREQUENCY
from sawfem.planewave.permittivity import effective_permittivity
from sawfem.planewave.plates import lamb_family
from sawfem.planewave.profile import DepthProfile, depth_profile
from sawfem.planewave.stack_wave import StackWave
from sawfem.planewave.surface_waves import Wave, plane_waves
from sawfem.units import QuantityLike, parse_frequency

#: Points of the permittivity curve, and how near to a wave they gather, relative to its velocity.
POINTS, NEAR = 1600, 1e-5
#: Directions looked at, degrees: of a bare half-space, and of waves that are followed one by one.
TURNS = np.arange(-90.0, 91.0, 1.0)
FEW_TURNS = np.arange(-6.0, 7.0, 1.0)
#: Frequencies of a dispersion, over the one asked for, which is among them: steps of 5 per cent,
#: and of 2 per cent above it, where waves set in.
FREQUENCIES = np.concatenate([1.05 ** np.arange(-32.0, 0.0), 1.02 ** np.arange(0.0, 25.0)])


@dataclass(frozen=True, eq=False)
class CutCurves:
    """What a picture page of one cut shows.

    Attributes
    ----------
    stack, frequency : what was asked; frequency in hertz or None for a half-space.
    waves : slowest first, leaky ones among them. leading : the strongest coupled one.
    angle, slowness : direction of the bulk wave vector from x1 towards x3, radians (a,), and
        slownesses (a, 3), s/m, slowest wave (largest slowness) first; a = 0 under a membrane.
    bulk_limits : velocities along the surface at which bulk waves start, m/s; none of a membrane.
    velocity, permittivity : (m,), m/s, and eps_eff, F/m, complex: negative imaginary part where
        the stack radiates; m = 0 of a membrane and where the surface conducts.
    branches, names : guided waves against frequency where there is no permittivity, and of a
        membrane what Lamb's theory calls each, such as "A0"; "" where it has no name.
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
    branches: tuple[Branch, ...]
    names: tuple[str, ...]
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
    limits: tuple[float, ...] = ()
    angle, slowness = np.empty(0), np.empty((0, 3))
    if not stack.is_membrane:
        tensor = GeneralisedTensor.from_medium(stack.media()[0])
        limits = bulk_onsets(tensor)
        angle = np.radians(np.arange(0.0, 361.0, 1.0))
        stiffness = acoustic_tensor(tensor, np.cos(angle), np.sin(angle))
        slowness = np.sqrt(tensor.density / np.linalg.eigvalsh(stiffness))
    velocity, permittivity = np.empty(0), np.empty(0, dtype=complex)
    branches: tuple[Branch, ...] = ()
    names: tuple[str, ...] = ()
    if not (stack.is_membrane or stack.conducts):
        velocity, permittivity = _permittivity(stack, hertz, waves, limits)
    elif hertz is not None and stack.layers:
        branches, names = _branches(stack, hertz)
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
        branches=branches,
        names=names,
        profile=_profile(stack, leading),
        directions=directions,
        direction_velocity=speeds,
        direction_angle=angles,
        all_waves=every,
    )


def _branches(stack: Stack, hertz: float) -> tuple[tuple[Branch, ...], tuple[str, ...]]:
    """Guided waves about a frequency, and the names of those that are there at the highest one."""
    frequencies = hertz * FREQUENCIES
    try:
        found = dispersion(stack, frequencies.tolist())
    except (ConvergenceError, InputError):
        return (), ()
    named: dict[float, str] = {}
    seen: Counter[str] = Counter()
    for wave in plane_waves(stack, float(frequencies[-1])) if stack.is_membrane else ():
        if wave.velocity_free is None:
            continue
        family = lamb_family(locate(wave, *stack.media(), shorts=stack.shorts))
        named[wave.velocity_free] = f"{family}{seen[family]}" if family else ""
        seen[family] += 1
    names = []
    for branch in found:
        speed = float(branch.phase_velocity[-1])  # nan where the branch has ended
        near = [name for known, name in named.items() if abs(known / speed - 1.0) < 1e-9]
        names.append(near[0] if near else "")
    return found, tuple(names)


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
    admittance = SurfaceAdmittance(substrate, layers, shorts=stack.shorts)
    return velocity, effective_permittivity(admittance, omega, omega / velocity)


def _profile(stack: Stack, leading: Wave | None) -> DepthProfile | None:
    if leading is None:
        return None
    try:
        found = _located(stack, leading)
        return depth_profile(found)
    except (ConvergenceError, InputError):
        return None


def _located(stack: Stack, leading: Wave) -> StackWave:
    metallised = leading.velocity_free is None
    return locate(leading, *stack.media(), shorts=stack.shorts, metallised=metallised)


def _directions(stack: Stack, leading: Wave | None) -> tuple[Array, Array, Array, bool]:
    """Velocities and power-flow angles against direction."""
    leaks = leading is not None and (leading.attenuation_free or 0.0) > 0.0
    if not (stack.layers or stack.shorts or leaks):
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
        located = _located(stack, leading)
        walk = velocity_by_direction(located, FEW_TURNS)
    except (ConvergenceError, InputError):
        return FEW_TURNS, nothing, nothing, False
    angle = np.where(np.abs(walk.power_flow_angle) < 1e-8, 0.0, walk.power_flow_angle)  # rounding
    return FEW_TURNS, walk.velocity[:, None], angle[:, None], False
