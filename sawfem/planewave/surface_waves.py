"""Surface waves of a stack as its user knows them: velocities, coupling, direction of the power."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from sawfem.conventions import DECIBEL
from sawfem.errors import GeometryError, InputError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.leaky import leaky_modes
from sawfem.planewave.modes import HALF_SPACE_FREQUENCY, SurfaceMode, both_surfaces
from sawfem.planewave.pairing import likeness, paired
from sawfem.planewave.power_flow import half_space_flows, power_flow_angles
from sawfem.units import QuantityLike, parse_frequency

if TYPE_CHECKING:
    from sawfem.material import Medium

#: Kind of every wave of :func:`leaky_estimates`.
LEAKY = "leaky-estimate"


@dataclass(frozen=True)
class Wave:
    """One surface wave of a stack.

    Attributes
    ----------
    kind : "Rayleigh-type" or "Sezawa-type" (motion in the sagittal plane; the second where layers
        guide further ones), "Bleustein-Gulyaev-type" (shear-horizontal motion with potential, alone
        by symmetry), "shear-horizontal-type" (mostly so, bare half-space), "Love-type" (mostly
        so, with layers), "leaky-estimate". By the motion at the surface.
    velocity_free, velocity_metallised : phase velocities, m/s, with vacuum above or with a
        massless perfect conductor on the surface; None where that surface carries no such wave.
    coupling_k2 : K^2 = 2 (v_free - v_metallised) / v_free, a fraction; None if either is None.
    power_flow_angle : from the wave vector to the power flow in the surface, degrees, positive
        from x1 towards x2; of the free wave (of the metallised one where there is none); None for
        leaky waves, and for waves buried so deep in layers that the surface hardly moves.
    polarisation : (u1, u2, u3) at the surface, complex, norm one, of that same wave.
    attenuation_free, attenuation_metallised : dB per wavelength, 0 for a wave that does not leak.
    frequency : Hz at which a layered stack was computed; None for a half-space, which has no
        dispersion.
    order : of a plate wave within its kind, from 0; 0 for others.
    """

    kind: str
    velocity_free: float | None
    velocity_metallised: float | None
    coupling_k2: float | None
    power_flow_angle: float | None
    polarisation: tuple[complex, complex, complex]
    attenuation_free: float | None = 0.0
    attenuation_metallised: float | None = 0.0
    frequency: float | None = None
    order: int = 0

    @property
    def shear_horizontal(self) -> float:
        """Share of the motion at the surface that is along x2, 0 to 1."""
        return abs(self.polarisation[1]) ** 2

    @property
    def velocity(self) -> float:
        """The free velocity, or the metallised one where there is none, m/s."""
        velocity = self.velocity_free or self.velocity_metallised
        assert velocity is not None  # one of the two is always there
        return velocity

    def __str__(self) -> str:
        def show(value: float | None, unit: str, scale: float = 1.0) -> str:
            if value is None:
                return "none"
            told = value * scale
            return f"{told if abs(told) > 1e-9 else 0.0:.6g} {unit}"

        return (
            f"{self.kind}: free {show(self.velocity_free, 'm/s')}, metallised "
            f"{show(self.velocity_metallised, 'm/s')}, K^2 {show(self.coupling_k2, '%', 100.0)}, "
            f"power flow {show(self.power_flow_angle, 'deg')}"
        )


class HasMedia(Protocol):
    """Anything that can name its media: the design's Stack."""

    @property
    def shorts(self) -> tuple[int, ...]:
        """Interfaces with a perfect conductor without mass, 0 below the first layer."""
        ...

    def media(self) -> tuple[Medium, tuple[tuple[Medium, float], ...]]:
        """Substrate, then (medium, thickness in metres) upwards."""
        ...


def surface_waves(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]] = (),
    omega: float | None = None,
    *,
    shorts: Collection[int] = (),
) -> tuple[Wave, ...]:
    """All surface waves that do not leak, slowest first.

    Parameters
    ----------
    substrate : medium in the device frame. layers : (medium, thickness in metres) upwards.
        A layer may be a conductor: elastic, with zero potential at both faces.
    omega : angular frequency, rad/s; needed with layers, without meaning for a half-space.
    shorts : interfaces with a perfect conductor without mass, 0 below the first layer.

    Returns
    -------
    Waves below the limiting velocity of the substrate (of the components that take part, where a
    plane of symmetry separates them). Found by counting, see :mod:`.modes` for the coverage; free
    and metallised velocities are polished to rounding.

    Raises
    ------
    GeometryError : layers without a frequency, or a frequency that is not positive.
    """
    frequency = _frequency(layers, omega)
    stack = SurfaceAdmittance(substrate, layers, shorts=shorts)
    pairs: list[tuple[str, SurfaceMode | None, SurfaceMode | None]] = []
    for family, modes in both_surfaces(stack, frequency).items():
        order = 0
        both = modes[False], modes[True]
        if layers:
            alike = likeness(stack.restricted(family), frequency, *both)
            matched = paired(*both, alike)
        else:
            matched = _pairs(*both)
        for a, b in matched:
            kind = _kind(_leading(a, b), family, layered=bool(layers), order=order)
            order += kind in ("Rayleigh-type", "Sezawa-type")
            pairs.append((kind, a, b))
    angles = _power_flow_angles(substrate, layers, frequency, pairs, shorts)
    waves = [
        _wave(kind, a, b, angle, frequency if layers else None)
        for (kind, a, b), angle in zip(pairs, angles, strict=True)
    ]
    return tuple(sorted(waves, key=lambda wave: wave.velocity))


def _leading(a: SurfaceMode | None, b: SurfaceMode | None) -> SurfaceMode:
    """The free wave, or the metallised one where there is none."""
    leading = a or b
    assert leading is not None  # pairs hold one at least
    return leading


def _power_flow_angles(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]],
    omega: float,
    pairs: Sequence[tuple[str, SurfaceMode | None, SurfaceMode | None]],
    shorts: Collection[int],
) -> list[float | None]:
    """Angles of the leading waves, degrees."""
    modes = [_leading(a, b) for _, a, b in pairs]
    free = [a is not None for _, a, _ in pairs]
    if modes and not layers and not shorts:
        return list(half_space_flows(substrate, modes, np.array(free)).tolist())
    return power_flow_angles(substrate, layers, omega, modes, free, shorts=shorts)


def leaky_estimates(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]] = (),
    omega: float | None = None,
    *,
    shorts: Collection[int] = (),
) -> tuple[Wave, ...]:
    """Leaky surface waves above the limiting velocity, slowest first; parameters as above.

    Complex roots on the branch described in :mod:`.leaky`, without a claim of completeness; meant
    to tell where a grating on a leaky cut has its stop band. None on a membrane, below which
    nothing is radiated.
    """
    frequency = _frequency(layers, omega)
    stack = SurfaceAdmittance(substrate, layers, shorts=shorts)
    if stack.tensors[0].is_vacuum:
        return ()
    found = [(modes[False], modes[True]) for modes in leaky_modes(stack, frequency).values()]
    return leaky_pairs(found, frequency if layers else None)


def leaky_pairs(
    found: Iterable[tuple[Sequence[SurfaceMode], Sequence[SurfaceMode]]], omega: float | None
) -> tuple[Wave, ...]:
    """Leaky waves from those of both surfaces, (free, metallised) by families; slowest first.

    ``omega`` is that of a layered stack, rad/s, or None.
    """
    waves = [
        _wave(LEAKY, a, b, None, omega)
        for free, metallised in found
        for a, b in _pairs(free, metallised)
    ]
    return tuple(sorted(waves, key=lambda wave: wave.velocity))


def plane_waves(
    stack: HasMedia, frequency: QuantityLike | None = None, *, leaky: bool = False
) -> tuple[Wave, ...]:
    """Surface waves of a stack, or plate waves of a membrane, slowest first.

    Parameters
    ----------
    stack : for example a :class:`sawfem.design.Stack`.
    frequency : "868 MHz" or a number in Hz; needed with layers only.
    leaky : whether to add the leaky estimates.

    Raises
    ------
    InputError : ``stack`` is none.
    GeometryError, UnitError : a layered stack without a frequency, or an unusable frequency.
    """
    if not hasattr(stack, "media"):
        raise InputError(key="stack", found=f"a {type(stack).__name__}", expected="a Stack")
    substrate, layers = stack.media()
    omega = None
    if frequency is not None:
        omega = 2.0 * math.pi * parse_frequency(frequency, key="frequency")
    if substrate.density == 0.0:
        from sawfem.planewave.plates import plate_waves

        return plate_waves(layers, _frequency(layers, omega) / (2.0 * math.pi), shorts=stack.shorts)
    waves = surface_waves(substrate, layers, omega, shorts=stack.shorts)
    if leaky:
        estimates = leaky_estimates(substrate, layers, omega, shorts=stack.shorts)
        waves = tuple(sorted((*waves, *estimates), key=lambda wave: wave.velocity))
    return waves


def estimate_velocities(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]] = (),
    omega: float | None = None,
) -> tuple[Wave, ...]:
    """Waves that a grating may use, leaky ones included, strongest coupling first.

    Waves with both velocities come first; among equal couplings (a stack without piezoelectricity)
    the slowest leads. Parameters and errors as for :func:`surface_waves`.
    """
    waves = (*surface_waves(substrate, layers, omega), *leaky_estimates(substrate, layers, omega))
    return tuple(sorted(waves, key=lambda wave: (-(wave.coupling_k2 or 0.0), wave.velocity)))


def _frequency(layers: Sequence[tuple[Medium, float]], omega: float | None) -> float:
    """Angular frequency at which a stack is computed; half-spaces know no scale."""
    if omega is None:
        if layers:
            raise GeometryError(
                key="frequency",
                found="a layered stack without a frequency",
                expected="the frequency: waves of a layered stack are dispersive",
            )
        return HALF_SPACE_FREQUENCY
    if not (math.isfinite(omega) and omega > 0.0):
        raise GeometryError(
            key="frequency", found=f"{omega!r} rad/s", expected="a positive frequency"
        )
    return float(omega) if layers else HALF_SPACE_FREQUENCY


def _pairs(
    free: Sequence[SurfaceMode], metallised: Sequence[SurfaceMode]
) -> list[tuple[SurfaceMode | None, SurfaceMode | None]]:
    """Pair the waves of the two surfaces that move most alike.

    A metal can only slow a guided wave down (it removes the stiffening by the field), so a partner
    is never faster than its free wave, but for rounding; real parts of leaky waves may cross.
    """
    slack = 1e-3 if any(mode.attenuation for mode in (*free, *metallised)) else 1e-9
    likeness = [
        (abs(np.vdot(a.displacement[:3], b.displacement[:3])) ** 2, i, j)
        for i, a in enumerate(free)
        for j, b in enumerate(metallised)
        if b.velocity <= a.velocity * (1.0 + slack)
    ]
    pairs: list[tuple[SurfaceMode | None, SurfaceMode | None]] = []
    left, right = set(range(len(free))), set(range(len(metallised)))
    for alike, i, j in sorted(likeness, reverse=True):
        if i in left and j in right and alike > 0.25:
            pairs.append((free[i], metallised[j]))
            left.remove(i)
            right.remove(j)
    pairs += [(free[i], None) for i in left] + [(None, metallised[j]) for j in right]
    return sorted(pairs, key=lambda pair: (pair[0] or pair[1]).velocity)  # type: ignore[union-attr]


def _kind(mode: SurfaceMode, family: tuple[int, ...], *, layered: bool, order: int) -> str:
    if abs(mode.displacement[1]) ** 2 > 0.5:
        if layered:
            return "Love-type"
        return "Bleustein-Gulyaev-type" if family == (1, 3) else "shear-horizontal-type"
    return "Sezawa-type" if layered and order > 0 else "Rayleigh-type"


def _wave(
    kind: str,
    free: SurfaceMode | None,
    metallised: SurfaceMode | None,
    angle: float | None,
    omega: float | None,
) -> Wave:
    """One wave from its modes on the free and on the metallised surface."""
    leading = free or metallised
    assert leading is not None
    coupling = None
    if free is not None and metallised is not None:
        coupling = 2.0 * (free.velocity - metallised.velocity) / free.velocity
        coupling = 0.0 if abs(coupling) < 1e-12 else coupling  # rounding
    u1, u2, u3 = (complex(u) for u in leading.displacement[:3])
    loss = 2.0 * math.pi * DECIBEL
    return Wave(
        kind=kind,
        velocity_free=None if free is None else free.velocity,
        velocity_metallised=None if metallised is None else metallised.velocity,
        coupling_k2=coupling,
        power_flow_angle=angle,
        polarisation=(u1, u2, u3),
        attenuation_free=None if free is None else loss * free.attenuation,
        attenuation_metallised=None if metallised is None else loss * metallised.attenuation,
        frequency=None if omega is None else omega / (2.0 * math.pi),
    )
