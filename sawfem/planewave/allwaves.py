"""Every wave of a stack: the ones that do not leak and the leaky ones, counted and classified.

Waves below the limiting velocity come from :mod:`.surface_waves`, where inertia counts them. Above
it leaky waves are roots of the surface determinant at complex k, counted by the argument
principle (:mod:`.root_count`) strip by strip between the branch points of the substrate
(:mod:`.leaky_strip`), on the sheet of the real axis and on its continuation past both branch
points by as much as the loss. What was searched is part of the answer: :class:`Coverage`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from sawfem.errors import GeometryError, InputError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.leaky_search import LOSS, LeakyRoot, leaky_roots
from sawfem.planewave.leaky_search import Coverage as Coverage
from sawfem.planewave.limiting import SHEETS, sheet_limits
from sawfem.planewave.modes import HALF_SPACE_FREQUENCY
from sawfem.planewave.surface_waves import HasMedia, Wave, surface_waves
from sawfem.units import QuantityLike, parse_frequency

if TYPE_CHECKING:
    from sawfem.material import Medium

#: Attenuation up to which leaky waves are sought unless told otherwise, dB per wavelength.
ATTENUATION = 1.0
#: Likeness from which waves of the two surfaces are one wave, and largest ratio of velocities.
ALIKE, RATIO = 0.25, 0.25
#: Thickest layer, in wavelengths of its substrate's slowest bulk wave.
THICKEST = 300.0

LEAKY_RAYLEIGH = "leaky Rayleigh-type"
LEAKY_SEZAWA = "leaky Sezawa-type"
LEAKY_SHEAR = "leaky shear-horizontal-type"
LEAKY_LOVE = "leaky Love-type"
LONGITUDINAL = "leaky longitudinal"
KINDS = (
    "Rayleigh-type",
    "Sezawa-type",
    "Bleustein-Gulyaev-type",
    "shear-horizontal-type",
    "Love-type",
    LEAKY_RAYLEIGH,
    LEAKY_SEZAWA,
    LEAKY_SHEAR,
    LEAKY_LOVE,
    LONGITUDINAL,
)


@dataclass(frozen=True)
class ClassifiedWave(Wave):
    """A wave with what it exceeds.

    Attributes
    ----------
    exceeds : names of the bulk waves (:data:`.limiting.SHEETS`) whose limit its velocity exceeds.
    order : 0 for the slowest wave of its kind, then 1, 2...
    across : velocity of the branch point, m/s, past which its sheet had to be continued; None on
        the sheet of the real axis.
    residual : least over largest singular value of the surface matrix at a leaky root.
    """

    exceeds: tuple[str, ...] = ()
    order: int = 0
    across: float | None = None
    residual: float = 0.0

    @property
    def is_leaky(self) -> bool:
        """Found above the limit of its components; its attenuation may still be nil."""
        return self.kind.startswith("leaky")


@dataclass(frozen=True)
class WaveSearch:
    """All waves, slowest first, the coverage of the leaky ones, and the bulk limits (m/s)."""

    waves: tuple[ClassifiedWave, ...]
    coverage: tuple[Coverage, ...]
    limits: dict[str, float]

    @property
    def complete(self) -> bool:
        """Every strip was searched to the attenuation asked for."""
        return not any(strip.note for strip in self.coverage)

    def __str__(self) -> str:
        lines = [str(wave) for wave in self.waves]
        lines.extend(
            f"leaky waves sought {strip.slow:.1f} to {strip.fast:.1f} m/s up to "
            f"{strip.attenuation:.3g} dB/wavelength: counted {strip.counted}, found "
            f"{strip.found} {strip.note}".rstrip()
            for strip in self.coverage
        )
        return "\n".join(lines)


def search_waves(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]] = (),
    omega: float | None = None,
    *,
    attenuation: float = ATTENUATION,
    shorts: Collection[int] = (),
) -> WaveSearch:
    """Every wave of a stack below 1.1 times the fastest onset of a bulk wave.

    Parameters
    ----------
    substrate : medium in the device frame. layers : (medium, thickness in metres) upwards.
    omega : rad/s, needed with layers only. attenuation : bound for leaky waves, dB per wavelength.
    shorts : interfaces with a perfect conductor without mass, 0 below the first layer.

    Returns
    -------
    Guided waves: none missed, as :func:`.surface_waves`. Leaky waves: every root of the strips of
    ``coverage``, zeros less poles being counted; left out are the 2.5e-7 of each strip's width next
    to its branch points, strips narrower than 1e-6, losses larger than the strip is wide, and where
    a branch point off the real axis forbids more, and all of it under layers of more than 30
    wavelengths (``note`` says so). A membrane has no leaky waves.

    Raises
    ------
    GeometryError : layers without a frequency, one that is not positive, or one so high that a
    layer is thicker than 300 wavelengths. InputError : an attenuation that is not positive.
    """
    if not (math.isfinite(attenuation) and attenuation > 0.0):
        raise InputError(key="attenuation", found=f"{attenuation!r}", expected="more than 0 dB")
    refuse_absurd_frequency(substrate, layers, omega)
    guided = surface_waves(substrate, layers, omega, shorts=shorts)
    stack = SurfaceAdmittance(substrate, layers, shorts=shorts)
    frequency = omega if (layers and omega) else HALF_SPACE_FREQUENCY
    tensor = stack.tensors[0]
    limits = dict(zip(SHEETS, sheet_limits(tensor), strict=False))
    waves = [_classified(wave, limits) for wave in guided]
    coverage: list[Coverage] = []
    for _, found, strips in leaky_roots(stack, frequency, attenuation / LOSS):
        coverage += strips
        waves += [_leaky(pair, limits, frequency, bool(layers)) for pair in _paired(*found)]
    return WaveSearch(_ordered(_joined(waves)), tuple(coverage), limits)


def refuse_absurd_frequency(
    substrate: Medium, layers: Sequence[tuple[Medium, float]], omega: float | None
) -> None:
    """GeometryError where the layers hide the substrate altogether and guide waves by hundreds."""
    if not layers or omega is None or not omega > 0.0:
        return  # the search of guided waves says what is wrong
    tensor = GeneralisedTensor.from_medium(substrate)
    slowest = min(sheet_limits(tensor), default=1e3)
    wavelengths = sum(height for _, height in layers) * omega / (2.0 * math.pi * slowest)
    if not wavelengths < THICKEST:
        raise GeometryError(
            key="frequency",
            found=f"{omega / (2.0 * math.pi):.4g} Hz, layers {wavelengths:.4g} wavelengths thick",
            expected=f"at most {THICKEST:g} wavelengths: thicker ones hide the substrate",
        )


def all_waves(
    stack: HasMedia,
    frequency: QuantityLike | None = None,
    *,
    kinds: Collection[str] | None = None,
    order: int | None = None,
) -> tuple[ClassifiedWave, ...]:
    """Every wave of a stack, leaky ones included, slowest first.

    Coverage as for :func:`search_waves`, attenuation up to 1 dB per wavelength.

    Parameters
    ----------
    stack : for example a :class:`sawfem.design.Stack`.
    frequency : "868 MHz" or Hz; needed with layers only.
    kinds : names of :data:`KINDS` to keep; all of them by default.
    order : highest order of each kind to keep; all of them by default.

    Raises
    ------
    GeometryError, UnitError : a layered stack without a frequency, or an unusable one.
    InputError : a kind that does not exist, or a negative order.
    """
    strange = sorted(set(kinds or ()) - set(KINDS))
    if strange:
        raise InputError(key="kinds", found=strange[0], expected=", ".join(KINDS))
    if order is not None and order < 0:
        raise InputError(key="order", found=f"{order}", expected="0 or more")
    omega = None
    if frequency is not None:
        omega = 2.0 * math.pi * parse_frequency(frequency, key="frequency")
    found = search_waves(*stack.media(), omega).waves
    return tuple(
        wave
        for wave in found
        if (not kinds or wave.kind in kinds) and (order is None or wave.order <= order)
    )


def no_surface_wave(search: WaveSearch) -> str | None:
    """The sentence for a direction without a guided wave; None where there is one."""
    if any(not wave.is_leaky for wave in search.waves):
        return None
    name, limit = min(search.limits.items(), key=lambda item: item[1])
    leaky = sum(wave.is_leaky for wave in search.waves)
    return (
        f"no surface wave without leakage in this direction: none below {limit:.6g} m/s, the limit "
        f"of the {name} bulk wave; {leaky} leaky above it"
    )


def _paired(
    free: list[LeakyRoot], metallised: list[LeakyRoot]
) -> list[tuple[LeakyRoot | None, LeakyRoot | None]]:
    """Waves of the two surfaces that move most alike; leaky ones may cross in velocity."""
    order = sorted(
        (
            (-(abs(np.vdot(a.displacement[:3], b.displacement[:3])) ** 2), i, j)
            for i, a in enumerate(free)
            for j, b in enumerate(metallised)
            if abs(b.velocity / a.velocity - 1.0) < RATIO
        ),
    )
    pairs: list[tuple[LeakyRoot | None, LeakyRoot | None]] = []
    left, right = set(range(len(free))), set(range(len(metallised)))
    for unlike, i, j in order:
        if i in left and j in right and -unlike > ALIKE:
            pairs.append((free[i], metallised[j]))
            left.remove(i)
            right.remove(j)
    return [*pairs, *((free[i], None) for i in left), *((None, metallised[j]) for j in right)]


def exceeded(velocity: float, limits: dict[str, float]) -> tuple[str, ...]:
    """Names of the bulk waves whose limit a velocity exceeds, slowest first."""
    return tuple(name for name, limit in limits.items() if velocity > limit * (1.0 + 1e-12))


def _kind(u: np.ndarray, exceeds: tuple[str, ...], *, layered: bool) -> str:
    """By the motion at the surface, and for longitudinal waves by the limits."""
    along, across = abs(u[0]) ** 2, abs(u[1]) ** 2
    if across > 0.5:
        return LEAKY_LOVE if layered else LEAKY_SHEAR
    if along > 0.5 and "fast shear" in exceeds:
        return LONGITUDINAL
    return LEAKY_SEZAWA if layered else LEAKY_RAYLEIGH


def _leaky(
    pair: tuple[LeakyRoot | None, LeakyRoot | None],
    limits: dict[str, float],
    omega: float,
    layered: bool,
) -> ClassifiedWave:
    """A leaky wave of one or both surfaces, named by its motion and by what it radiates into."""
    free, metallised = pair
    leading = free or metallised
    assert leading is not None
    velocity = [None if root is None else root.velocity for root in pair]
    exceeds = exceeded(leading.velocity, limits)
    u1, u2, u3 = (complex(u) for u in leading.displacement[:3])
    return ClassifiedWave(
        _kind(leading.displacement, exceeds, layered=layered),
        velocity[0],
        velocity[1],
        _coupling(*velocity),
        None,
        (u1, u2, u3),
        None if free is None else LOSS * free.attenuation,
        None if metallised is None else LOSS * metallised.attenuation,
        omega / (2.0 * math.pi) if layered else None,
        exceeds=exceeds,
        across=leading.across,
        residual=max(root.residual for root in pair if root is not None),
    )


def _coupling(free: float | None, metallised: float | None) -> float | None:
    if free is None or metallised is None:
        return None
    coupling = 2.0 * (free - metallised) / free
    return 0.0 if abs(coupling) < 1e-12 else coupling


def _classified(wave: Wave, limits: dict[str, float]) -> ClassifiedWave:
    values = {field.name: getattr(wave, field.name) for field in fields(wave)}
    return ClassifiedWave(**values, exceeds=exceeded(wave.velocity, limits))


def _joined(waves: list[ClassifiedWave]) -> list[ClassifiedWave]:
    """A leaky wave of the free surface may be guided by the metallised one: one wave then."""
    result = list(waves)
    for leaky in waves:
        if not leaky.is_leaky or leaky.velocity_metallised is not None:
            continue
        partners = [
            wave
            for wave in result
            if not wave.is_leaky
            and wave.velocity_free is None
            and abs(np.vdot(wave.polarisation, leaky.polarisation)) ** 2 > ALIKE
            and abs(wave.velocity / leaky.velocity - 1.0) < RATIO
        ]
        if partners:
            partner = min(partners, key=lambda wave: abs(wave.velocity - leaky.velocity))
            result.remove(partner)
            result[result.index(leaky)] = replace(
                leaky,
                velocity_metallised=partner.velocity_metallised,
                attenuation_metallised=0.0,
                coupling_k2=_coupling(leaky.velocity_free, partner.velocity_metallised),
            )
    return result


def _ordered(waves: list[ClassifiedWave]) -> tuple[ClassifiedWave, ...]:
    seen: Counter[str] = Counter()
    result = []
    for wave in sorted(waves, key=lambda wave: wave.velocity):
        result.append(replace(wave, order=seen[wave.kind]))
        seen[wave.kind] += 1
    return tuple(result)


def limits_of(medium: Medium) -> dict[str, float]:
    """Limit of each bulk wave of a half-space by name, m/s."""
    return dict(zip(SHEETS, sheet_limits(GeneralisedTensor.from_medium(medium)), strict=False))
