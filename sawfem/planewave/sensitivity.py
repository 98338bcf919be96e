"""How the velocity of a wave answers to each constant, angle and thickness, and its uncertainty.

Exact first derivatives from the energy form of the wave (:mod:`.wave_form`), at fixed frequency,

    d ln v / dp = Re( F_p / F_k ) with F_k = dF / d ln k,

where F_p puts dG/dp, the change of the tensor in device axes, between the gradients of the fields
(perturbation theory of surface waves: Auld, Acoustic Fields and Waves in Solids, vol. 2, ch. 12,
1973). Leaky waves included: their Re k is what moves.

Names: the substrate's are bare, those of a layer begin with "layer[i]." (i = 0 the lowest):

    c11, e15, eps33 ..   independent constants of the crystal class    Pa, C/m^2, F/m
    density                                                            kg/m^3
    lambda, mu, theta    Euler angles of that material                 radians
    layer[0].thickness                                                 m
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from sawfem import symmetry
from sawfem.conventions import CHARGE, FIELD, STRESS
from sawfem.design import Stack
from sawfem.errors import InputError, NotFoundError, nearest
from sawfem.material import Material
from sawfem.orientation import Orientation
from sawfem.planewave.follow import locate
from sawfem.planewave.generalised import Array
from sawfem.planewave.stack_wave import StackWave
from sawfem.planewave.surface_waves import Wave
from sawfem.planewave.wave_form import WaveForm
from sawfem.tensors import piezoelectric_tensor, rotate, stiffness_tensor

#: Constants of a material and where the scaled tensor holds them.
KINDS: tuple[symmetry.Kind, ...] = ("stiffness", "piezoelectric", "permittivity")
ANGLES = ("lambda", "mu", "theta")


@dataclass(frozen=True)
class Sensitivity:
    """Derivatives of one phase velocity.

    Attributes
    ----------
    velocity : v, m/s.
    derivatives : name -> dv/dp, m/s per unit of p as in the head of this module.
    values : name -> p, in the same units.
    by_frequency : d ln v / d ln f at fixed thicknesses; 0 for a half-space.
    """

    velocity: float
    derivatives: Mapping[str, float]
    values: Mapping[str, float]
    by_frequency: float

    def relative(self, name: str) -> float:
        """D ln v / d ln p of one parameter. NotFoundError names the nearest."""
        self._known(name)
        return self.derivatives[name] * self.values[name] / self.velocity

    def uncertainty(self, deviations: Mapping[str, float]) -> float:
        """Standard deviation of the velocity, m/s, from those of independent parameters.

        sigma_v^2 = sum over p of (dv/dp sigma_p)^2, to first order.

        Parameters
        ----------
        deviations : name -> standard deviation, in the units of the derivatives.

        Raises
        ------
        NotFoundError : an unknown name. InputError : a negative deviation, or not a number.
        """
        return math.sqrt(sum(part**2 for part in self.contributions(deviations).values()))

    def contributions(self, deviations: Mapping[str, float]) -> dict[str, float]:
        """Name -> |dv/dp| sigma_p, m/s, largest first. Parameters and errors as above."""
        parts = {}
        for name, deviation in deviations.items():
            self._known(name)
            if not (math.isfinite(deviation) and deviation >= 0.0):
                raise InputError(
                    key=name, found=f"{deviation!r}", expected="a standard deviation, zero or more"
                )
            parts[name] = abs(self.derivatives[name]) * deviation
        return dict(sorted(parts.items(), key=lambda item: -item[1]))

    def _known(self, name: str) -> None:
        if name not in self.derivatives:
            near = nearest(name, self.derivatives) or list(self.derivatives)
            raise NotFoundError(key=name, found="an unknown parameter", expected=", ".join(near))


def sensitivity(stack: Stack, wave: Wave | StackWave, *, metallised: bool = False) -> Sensitivity:
    """Derivatives of the velocity by every constant, angle and thickness of a stack.

    Parameters
    ----------
    stack : of the wave. wave : found in it by a search, or located already.
    metallised : of the metallised surface; without meaning for a located wave, which knows.

    Raises
    ------
    InputError : no such wave at this surface.
    """
    found = (
        wave
        if isinstance(wave, StackWave)
        else locate(wave, *stack.media(), shorts=stack.shorts, metallised=metallised)
    )
    form = WaveForm(found)
    derivatives: dict[str, float] = {}
    values: dict[str, float] = {}
    parts = [(stack.material, stack.orientation)]
    parts += [(layer.material, layer.orientation) for layer in stack.layers]
    for body, (material, orientation) in enumerate(parts):
        if body == 0 and stack.is_membrane:
            continue
        prefix = f"layer[{body - 1}]." if body else ""
        for name, value, change in _parameters(form, body, material, orientation):
            derivatives[prefix + name] = _velocity_change(form, change)
            values[prefix + name] = value
        if body:
            thickness = stack.layers[body - 1].thickness
            change = form.stretching(body) / thickness
            derivatives[prefix + "thickness"] = _velocity_change(form, change)
            values[prefix + "thickness"] = thickness
    # v = w / Re k, so that d ln v = d ln w - d ln Re k.
    by_frequency = 1.0 + _relative_change(form, form.by_frequency) if stack.layers else 0.0
    return Sensitivity(found.velocity, derivatives, values, by_frequency)


def _relative_change(form: WaveForm, change: complex) -> float:
    """D ln Re k, with a minus: d ln v, for a change of F at fixed frequency."""
    k = form.wave.wavenumber
    return -(form.wavenumber_change(change) * k).real / k.real


def _velocity_change(form: WaveForm, change: complex) -> float:
    return form.wave.velocity * _relative_change(form, change)


def _parameters(
    form: WaveForm, body: int, material: Material, orientation: Orientation
) -> Iterator[tuple[str, float, complex]]:
    """(name, value, dF/dp) of the constants, the density and the angles of one material."""
    rotation = orientation.rotation
    for kind in KINDS[:1] if material.is_conductor else KINDS:
        names = symmetry.independent_constants(material.point_group, kind)
        constants = material.constants(kind)
        for name, matrix in zip(
            names, symmetry.invariant_basis(material.point_group, kind), strict=True
        ):
            tensor = _scaled(kind, rotate(_tensor(kind, matrix), rotation))
            yield name, constants[name], form.stored(body, tensor)
    yield "density", material.density, -form.inertia(body) / material.density
    for name, angle, generator in zip(
        ANGLES, orientation.euler, _generators(orientation), strict=True
    ):
        tensor = np.zeros((3, 4, 4, 3))
        for kind in KINDS:
            turned = rotate(_tensor(kind, material.matrix(kind)), rotation)
            tensor += _scaled(kind, _turning(turned, generator))
        yield name, math.radians(angle), form.stored(body, tensor)


def _tensor(kind: symmetry.Kind, matrix: Array) -> Array:
    """Matrix of one kind -> tensor of rank four, three or two."""
    if kind == "stiffness":
        return stiffness_tensor(matrix)
    return piezoelectric_tensor(matrix) if kind == "piezoelectric" else np.asarray(matrix)


def _scaled(kind: symmetry.Kind, tensor: Array) -> Array:
    """A tensor of one kind in its place in the scaled G_iJKl, (3, 4, 4, 3)."""
    result = np.zeros((3, 4, 4, 3))
    if kind == "stiffness":
        result[:, :3, :3, :] = tensor / STRESS
    elif kind == "piezoelectric":
        result[:, :3, 3, :] = np.einsum("lij->ijl", tensor) * (FIELD / STRESS)
        result[:, 3, :3, :] = tensor / CHARGE
    else:
        result[:, 3, 3, :] = -tensor * (FIELD / CHARGE)
    return result


def _turning(tensor: Array, generator: Array) -> Array:
    """Derivative of a tensor of any rank as its axes turn by dR = generator R."""
    result = np.zeros_like(tensor)
    for axis in range(tensor.ndim):
        result += np.moveaxis(np.tensordot(generator, tensor, axes=(1, axis)), 0, axis)
    return result


def _generators(orientation: Orientation) -> tuple[Array, Array, Array]:
    """dR/d(angle) R^T for lambda, mu and theta of R = Rz(theta) Rx(mu) Rz(lambda)."""
    about_z = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
    about_x = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
    last = Orientation.from_euler(0.0, 0.0, orientation.euler[2]).rotation
    rotation = orientation.rotation
    return rotation @ about_z @ rotation.T, last @ about_x @ last.T, about_z


def vacuum_sensitivity(wave: StackWave) -> float:
    """Exponent d ln v / d ln eps_0 of the vacuum above a free surface; 0 under a metal.

    With it the exponents of a half-space add up as dimensions demand: all c, e and eps and this
    one to 1/2 (e counting once, as G scales), and those of the density to -1/2.
    """
    form = WaveForm(wave)
    return _relative_change(form, -form.vacuum)
