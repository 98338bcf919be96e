"""The energy form of a wave: what its derivatives, energies and power flow are made from.

With U ~ exp(-j (k1 x1 + k2 x2)) and W ~ exp(+j (k1 x1 + k2 x2)), the wave and its reverse,

    F(W, U) = int W_J,i G_iJKl U_K,l - rho w^2 W_J I'_JK U_K dx3  - eps_0 |k| W_4 U_4 (surface),

the last term for a free surface. F = 0 for a wave, and F is stationary in both fields, so that a
change of any parameter p moves the wave by its explicit derivative alone,

    dk/dp = -F_p / F_k:

Rayleigh's quotient, in bilinear form so that it holds for leaky and damped waves (reciprocity
principle of perturbation: Auld, Acoustic Fields and Waves in Solids, vol. 2, ch. 12, 1973).
Lengths are in units of 1 / kappa, k = q kappa, s = w / kappa.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from sawfem.planewave.counting import VACUUM
from sawfem.planewave.generalised import Numbers
from sawfem.planewave.stack_matrix import StackMatrix
from sawfem.planewave.stack_wave import StackWave
from sawfem.planewave.wave_fields import Moments, StackField, moments, stack_field


class WaveForm:
    """F of one wave and its derivatives, up to one common factor.

    Parameters
    ----------
    wave : a wave that :func:`.locate` or :func:`.follow` has returned.
    """

    def __init__(self, wave: StackWave) -> None:
        self.wave = wave
        self.system: StackMatrix = wave.system
        self.q = wave.wavenumber / self.system.kappa

    @cached_property
    def field(self) -> StackField:
        """U against depth."""
        return stack_field(self.system, self.wave.wavenumber, self.wave.nodal)

    @cached_property
    def reverse(self) -> StackField:
        """W against depth."""
        return stack_field(self.system, self.wave.wavenumber, self.wave.reverse, reverse=True)

    @cached_property
    def moments(self) -> tuple[Moments, ...]:
        """Integrals of the products of both fields: substrate, then layers upwards."""
        return moments(self.field, self.reverse, self.wave.family)

    def stored(self, body: int, tensor: Numbers) -> complex:
        """Int W_J,i G_iJKl U_K,l dx3 over one body for any tensor (3, 4, 4, 3), scaled.

        body : 0 the substrate, then the layers upwards.
        """
        m, q = self.moments[body], self.q
        return complex(
            np.sum(q**2 * tensor[0, :, :, 0] * m.plain)
            + 1j * q * np.sum(tensor[0, :, :, 2] * m.right)
            - 1j * q * np.sum(tensor[2, :, :, 0] * m.left)
            + np.sum(tensor[2, :, :, 2] * m.both)
        )

    def inertia(self, body: int) -> complex:
        """Rho w^2 int W_J I'_JK U_K dx3 over one body."""
        density = self.wave.stack.media[body].density
        return complex(density * self.system.s**2 * np.trace(self.moments[body].plain[:3, :3]))

    def stretching(self, body: int) -> complex:
        """DF / d ln h for the thickness h of one layer: x3 and 1 / d/dx3 both grow with it."""
        m, g = self.moments[body], self.wave.stack.media[body].tensor
        lying = self.q**2 * np.sum(g[0, :, :, 0] * m.plain) - self.inertia(body)
        return complex(lying - np.sum(g[2, :, :, 2] * m.both))

    @property
    def vacuum(self) -> complex:
        """eps_0 |k| W_4 U_4 at a free surface; 0 under a metallised one."""
        if self.wave.metallised:
            return 0.0j
        return complex(VACUUM * self.q * self.wave.reverse[-1, 3] * self.wave.nodal[-1, 3])

    @cached_property
    def total(self) -> complex:
        """F itself, which vanishes to rounding."""
        bodies = range(len(self.moments))
        media = self.wave.stack.media
        return sum(self.stored(b, media[b].tensor) - self.inertia(b) for b in bodies) - self.vacuum

    @cached_property
    def by_wavenumber(self) -> complex:
        """DF / d ln k1, at k2 = 0."""
        total = -self.vacuum
        for m, medium in zip(self.moments, self.wave.stack.media, strict=True):
            g, q = medium.tensor, self.q
            total += complex(
                2.0 * q**2 * np.sum(g[0, :, :, 0] * m.plain)
                + 1j * q * np.sum(g[0, :, :, 2] * m.right)
                - 1j * q * np.sum(g[2, :, :, 0] * m.left)
            )
        return total

    @cached_property
    def by_wavenumber_across(self) -> complex:
        """DF / d(k2 / k1), at k2 = 0."""
        total = 0.0j
        for m, medium in zip(self.moments, self.wave.stack.media, strict=True):
            g, q = medium.tensor, self.q
            total += complex(
                q**2 * np.sum((g[1, :, :, 0] + g[0, :, :, 1]) * m.plain)
                + 1j * q * np.sum(g[1, :, :, 2] * m.right)
                - 1j * q * np.sum(g[2, :, :, 1] * m.left)
            )
        return total

    @cached_property
    def by_frequency(self) -> complex:
        """DF / d ln w."""
        return -2.0 * sum(self.inertia(body) for body in range(len(self.moments)))

    def wavenumber_change(self, change: complex) -> complex:
        """D ln k for a change dF of the form at fixed frequency."""
        return -change / self.by_wavenumber

    @property
    def group_slowness_ratio(self) -> complex:
        """D ln k / d ln w at fixed direction: phase over group velocity along x1."""
        return self.wavenumber_change(self.by_frequency)

    @property
    def group_velocity(self) -> float:
        """Component along x1 of the group velocity, d w / d Re k1 at k2 = 0, m/s."""
        k, w = self.wave.wavenumber, self.wave.omega
        return w / (self.group_slowness_ratio * k).real

    @property
    def power_flow_angle(self) -> float:
        """From x1 to the group velocity in the surface, degrees, positive towards x2.

        tan(psi) = -(1/k) dk/dtheta = F_k2 / F_k1 along the curve of real parts of k.
        """
        k = self.wave.wavenumber
        along = self.by_wavenumber_across / self.by_wavenumber
        return math.degrees(math.atan((along * k).real / k.real))
