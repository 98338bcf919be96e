"""Attenuation by the losses of the materials: perturbation, and the damped wave itself.

Loss makes the constants complex, at exp(+j w t):

    c -> c (1 + j/Q)          mechanical quality factor Q, the same for all stiffnesses,
    c -> c + j w eta          viscosity eta, Pa s,
    eps -> eps (1 - j tan d)  dielectric loss tangent.

To first order each share of energy loses on its own (:mod:`.wave_form`),

    d ln k = -F(dG) / (dF / d ln k),  attenuation = -Im d ln k  nepers per radian of phase,

so that a medium's loss counts by its share of the strain (the electric) energy. Attenuation by
radiation is not in here: it is that of the wave itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sawfem.conventions import DECIBEL, STRESS
from sawfem.errors import MaterialError
from sawfem.material import Medium
from sawfem.planewave.follow import follow_scaled
from sawfem.planewave.generalised import Array, ComplexArray, Numbers
from sawfem.planewave.scaled_stack import ScaledMedium, ScaledStack
from sawfem.planewave.stack_wave import StackWave
from sawfem.planewave.wave_form import WaveForm
from sawfem.tensors import stiffness_matrix, stiffness_tensor


@dataclass(frozen=True, eq=False)
class Loss:
    """Losses of one medium.

    Attributes
    ----------
    mechanical_q : quality factor of all stiffnesses, or None for none.
    viscosity : (6, 6), Pa s, device axes, Voigt order as the stiffness; or (eta11, eta44) of an
        isotropic one; or None.
    loss_tangent : dielectric, >= 0.

    Raises
    ------
    MaterialError : a quality factor that is not positive, a loss that would be a gain.
    """

    mechanical_q: float | None = None
    viscosity: Array | tuple[float, float] | None = None
    loss_tangent: float = 0.0

    def __post_init__(self) -> None:
        if self.mechanical_q is not None and not self.mechanical_q > 0.0:
            raise MaterialError(
                key="mechanical_q", found=f"{self.mechanical_q!r}", expected="a positive number"
            )
        if not (math.isfinite(self.loss_tangent) and self.loss_tangent >= 0.0):
            raise MaterialError(
                key="loss_tangent", found=f"{self.loss_tangent!r}", expected="zero or more"
            )
        if self.viscosity is not None:
            matrix = self._viscosity_matrix()
            good = matrix.shape == (6, 6) and np.allclose(matrix, matrix.T)
            if not good or np.linalg.eigvalsh(matrix)[0] < -1e-12 * np.abs(matrix).max():
                raise MaterialError(
                    key="viscosity", found="a gain", expected="(eta11, eta44) or (6, 6), Pa s"
                )

    @classmethod
    def of(cls, medium: Medium) -> Loss:
        """What the medium says of itself: quality factor, viscosity and loss tangent."""
        return cls(
            mechanical_q=medium.mechanical_q,
            viscosity=None if medium.viscosity is None else stiffness_matrix(medium.viscosity),
            loss_tangent=medium.loss_tangent or 0.0,
        )

    def _viscosity_matrix(self) -> Array:
        given = np.asarray(self.viscosity, dtype=float)
        if given.shape != (2,):
            return given
        eta11, eta44 = given
        matrix = np.diag([eta11] * 3 + [eta44] * 3)
        matrix[:3, :3] += (eta11 - 2.0 * eta44) * (1.0 - np.eye(3))
        return matrix

    def imaginary(self, medium: ScaledMedium, omega: float) -> tuple[ComplexArray, ComplexArray]:
        """Imaginary parts (times j) of the scaled tensor: mechanical, dielectric, (3, 4, 4, 3)."""
        mechanical = np.zeros(medium.tensor.shape, dtype=complex)
        dielectric = np.zeros(medium.tensor.shape, dtype=complex)
        real = medium.tensor.real
        if self.mechanical_q is not None:
            mechanical[:, :3, :3, :] += 1j * real[:, :3, :3, :] / self.mechanical_q
        if self.viscosity is not None:
            eta = stiffness_tensor(self._viscosity_matrix())
            mechanical[:, :3, :3, :] += 1j * omega * eta / STRESS
        dielectric[:, 3, 3, :] = -1j * self.loss_tangent * real[:, 3, 3, :]
        return mechanical, dielectric


@dataclass(frozen=True)
class Attenuation:
    """Attenuation of one wave, dB per wavelength, and what makes it.

    Attributes
    ----------
    radiation : by leaking into the substrate.
    mechanical, dielectric : by the materials, substrate first, then the layers upwards.
    wavelength : m. group_velocity : m/s, along x1.
    """

    radiation: float
    mechanical: tuple[float, ...]
    dielectric: tuple[float, ...]
    wavelength: float
    group_velocity: float

    @property
    def material(self) -> float:
        """By all materials together, dB per wavelength."""
        return sum(self.mechanical) + sum(self.dielectric)

    @property
    def total(self) -> float:
        """By radiation and materials, dB per wavelength."""
        return self.radiation + self.material

    @property
    def per_microsecond(self) -> float:
        """The same per microsecond of delay, dB/us: per metre times the group velocity."""
        return self.total / self.wavelength * self.group_velocity * 1e-6


def attenuation(
    wave: StackWave, losses: Sequence[Loss], *, frequency: float | None = None
) -> Attenuation:
    """Attenuation of a wave of a lossless stack by the losses of its materials, first order.

    Parameters
    ----------
    wave : of the lossless stack, located or followed.
    losses : of the substrate, then of the layers upwards.
    frequency : Hz, for a half-space, to which the viscosity and the wavelength refer; default:
        that of the wave.

    Raises
    ------
    MaterialError : not as many losses as media.
    """
    _check(wave, losses)
    form = WaveForm(wave)
    omega = wave.omega if frequency is None else 2.0 * math.pi * frequency
    nepers: list[list[float]] = [[], []]
    for body, (medium, loss) in enumerate(zip(wave.stack.media, losses, strict=True)):
        for kind, change in enumerate(loss.imaginary(medium, omega)):
            nepers[kind].append(_nepers(form, body, change))
    scale = 2.0 * math.pi * DECIBEL
    return Attenuation(
        radiation=wave.attenuation,
        mechanical=tuple(scale * value for value in nepers[0]),
        dielectric=tuple(scale * value for value in nepers[1]),
        wavelength=2.0 * math.pi * wave.velocity / omega,
        group_velocity=form.group_velocity,
    )


def _nepers(form: WaveForm, body: int, change: Numbers) -> float:
    """-Im dk / Re k of a change of one medium's tensor."""
    k = form.wave.wavenumber
    return -(form.wavenumber_change(form.stored(body, change)) * k).imag / k.real


def damped(wave: StackWave, losses: Sequence[Loss]) -> StackWave:
    """The wave of the stack with complex constants, without approximation.

    Parameters and errors as for :func:`attenuation`; ConvergenceError if the losses are so large
    that the wave cannot be followed.
    """
    _check(wave, losses)
    media = []
    for medium, loss in zip(wave.stack.media, losses, strict=True):
        mechanical, dielectric = loss.imaginary(medium, wave.omega)
        tensor = medium.tensor + mechanical + dielectric
        media.append(ScaledMedium(tensor, medium.density, medium.conducting))
    heights = [height for _, height in wave.stack.layers]
    layers = tuple(zip(media[1:], heights, strict=True))
    stack = ScaledStack(media[0], layers, wave.stack.shorts)
    return follow_scaled(wave, stack)


def _check(wave: StackWave, losses: Sequence[Loss]) -> None:
    if len(losses) != len(wave.stack.media):
        raise MaterialError(
            key="losses",
            found=f"{len(losses)} losses",
            expected=f"{len(wave.stack.media)}: of the substrate, then of the layers upwards",
        )
