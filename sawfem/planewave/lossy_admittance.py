"""The surface admittance of a stack whose materials lose energy, and where its waves set in.

At exp(+j w t) loss makes the scaled tensor of a medium complex,

    G(w) = G + j (G_s + w G_v),

G_s holding c/Q and eps tan(delta), G_v the viscosity (c -> c + j w eta), both at the frequency
itself: nothing is linearised. The equations of :mod:`sawfem.planewave.admittance` hold as they
are. In a half-space that loses, every wave whose power flows down decays downwards, so that the
choice of the branch is the same; Y(w, -k) = Y(w, k)^T stays true, Hermitian it is no more.

A branch point leaves the real axis: at a real wavenumber k it lies at w = v k with Im v > 0. Two
partial waves meet where, over directions (1, p), the eigenvalue rho v^2 of the acoustic tensor is
stationary (:mod:`sawfem.planewave.limiting`); with complex constants p and v are complex.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any, cast

import numpy as np
from numpy.typing import ArrayLike

from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import ComplexArray, GeneralisedTensor
from sawfem.planewave.limiting import branch_points, extremal_directions
from sawfem.planewave.scaled_stack import LossyTensor

#: Steps of the search for a complex branch point, and the relative step at which it has settled.
STEPS = 30
SETTLED = 1e-13


@dataclass(frozen=True, eq=False)
class LossyBody:
    """One medium that may lose.

    Attributes
    ----------
    real : G. static : G_s, or None. viscous : G_v in s, or None. All scaled blocks.
    """

    real: GeneralisedTensor
    static: GeneralisedTensor | None = None
    viscous: GeneralisedTensor | None = None

    @property
    def is_lossy(self) -> bool:
        """Whether there is an imaginary part at all."""
        return self.static is not None or self.viscous is not None

    def at(self, omega: complex) -> GeneralisedTensor:
        """G(w) at an angular frequency in rad/s."""
        if not self.is_lossy:
            return self.real
        blocks = {}
        for name in ("g33", "g31", "g11"):
            total = np.asarray(getattr(self.real, name), dtype=complex)
            if self.static is not None:
                total = total + 1j * getattr(self.static, name)
            if self.viscous is not None:
                total = total + 1j * omega * getattr(self.viscous, name)
            blocks[name] = total
        real = self.real
        return LossyTensor(
            **cast(Any, blocks),
            density=real.density,
            electric=real.electric,
            conducting=real.conducting,
        )


@dataclass(frozen=True, eq=False)
class LossyAdmittance:
    """Y(w, k) of a lossy half-space with lossy layers; as :class:`.SurfaceAdmittance` is used by
    the unit cell.

    Attributes
    ----------
    substrate : medium below. layers : (medium, thickness in m) upwards.
    shorts : interfaces held at phi = 0.
    """

    substrate: LossyBody
    layers: tuple[tuple[LossyBody, float], ...] = ()
    shorts: frozenset[int] = field(default_factory=frozenset)

    @classmethod
    def of(
        cls,
        substrate: LossyBody,
        layers: Sequence[tuple[LossyBody, float]],
        shorts: Collection[int] = (),
    ) -> LossyAdmittance:
        """From bodies."""
        return cls(substrate, tuple(layers), frozenset(int(index) for index in shorts))

    @property
    def tensors(
        self,
    ) -> tuple[GeneralisedTensor, tuple[tuple[GeneralisedTensor, float], ...]]:
        """The real parts, as of :attr:`.SurfaceAdmittance.tensors`."""
        return self.substrate.real, tuple((body.real, height) for body, height in self.layers)

    @cached_property
    def is_viscous(self) -> bool:
        """Whether the constants depend on the frequency."""
        bodies = (self.substrate, *(body for body, _ in self.layers))
        return any(body.viscous is not None for body in bodies)

    def at(self, omega: complex) -> SurfaceAdmittance:
        """With the constants of one angular frequency in rad/s."""
        layers = [(body.at(omega), height) for body, height in self.layers]
        return SurfaceAdmittance.from_tensors(self.substrate.at(omega), layers, shorts=self.shorts)

    def scaled(self, omega: ArrayLike, k: ArrayLike) -> ComplexArray:
        """Scaled Y as :meth:`.SurfaceAdmittance.scaled` gives it, (..., 4, 4).

        Raises
        ------
        InputError : a negative frequency. ConvergenceError : as there.
        """
        if not self.is_viscous:
            return self.at(0.0).scaled(omega, k)
        frequency, wavenumber = np.broadcast_arrays(
            np.asarray(omega, dtype=complex), np.asarray(k, dtype=complex)
        )
        result = np.zeros((*frequency.shape, 4, 4), dtype=complex)
        for value in np.unique(frequency):
            there = frequency == value
            result[there] = self.at(complex(value)).scaled(frequency[there], wavenumber[there])
        return result


Floor = SurfaceAdmittance | LossyAdmittance


def branch_velocities(floor: Floor, omega: complex) -> ComplexArray:
    """Velocities w/k, m/s, at which partial waves of the half-space meet near a frequency, (b,).

    Real without loss; with it Im v > 0.

    Parameters
    ----------
    omega : rad/s, at which a viscosity counts; complex to settle on w = v(w) k.
    """
    if isinstance(floor, LossyAdmittance) and floor.substrate.is_lossy:
        return _complex_branches(floor.substrate, complex(omega))
    return np.array(branch_points(floor.tensors[0]), dtype=complex)


@lru_cache(maxsize=256)
def _complex_branches(body: LossyBody, omega: complex) -> ComplexArray:
    """Complex branch velocities of a half-space, each followed from its real one."""
    lossy = body.at(omega)
    pairs = extremal_directions(body.real)
    return np.array([_stationary(lossy, velocity, angle) for velocity, angle in pairs])


def _stationary(tensor: GeneralisedTensor, velocity: float, angle: float) -> complex:
    """Complex v at which rho v^2 of the acoustic tensor is stationary, near a real extremum.

    The secant method on d(rho v^2)/dp = a^T F'(p) a, with F the contracted tensor and a its
    vector, a^T I' a = 1 (complex symmetric: the left vector is the right one).
    """
    square = tensor.density * velocity**2

    def slope(p: complex, near: complex) -> tuple[complex, complex]:
        """d(rho v^2)/dp, and the eigenvalue rho v^2 near a guess, at the slope p."""
        m = tensor.moving
        mixed = tensor.g31 + tensor.g31.T
        full = tensor.g11 + p * mixed + p**2 * tensor.g33
        inner = full[:m, :m]
        if tensor.electric:
            inner = inner - np.outer(full[:m, m], full[m, :m]) / full[m, m]
        values, vectors = np.linalg.eig(inner)
        place = int(np.argmin(np.abs(values - near)))
        a = vectors[:, place]
        a = a / np.sqrt(complex(a @ a))
        if tensor.electric:
            a = np.append(a, -(full[m, :m] @ a) / full[m, m])
        return complex(a @ ((mixed + 2.0 * p * tensor.g33) @ a)), complex(values[place])

    p = complex(np.tan(angle))
    before, value = slope(p, square)
    ahead = p + 1e-4 * (1.0 + abs(p))
    for _ in range(STEPS):
        after, value = slope(ahead, value)
        if after == before:
            break
        step = -after * (ahead - p) / (after - before)
        p, before, ahead = ahead, after, ahead + step
        if abs(step) < SETTLED**0.5 * (1.0 + abs(ahead)):
            value = slope(ahead, value)[1]
            break
    return complex(np.sqrt(value / tensor.density))
