"""A stack at another temperature: constants, densities, thicknesses, surface and pattern.

A film clamped to the substrate expands in the plane like the substrate, without stress across:
sigma_3j = 0 gives its strain along the normal, for an isotropic film alpha_f + 2 nu / (1 - nu)
(alpha_f - alpha_s). The stress changes no constants here (they would need third-order ones).

A membrane hangs from nothing that would hold its size: its films expand together, flat, without a
force in the plane, sum h_i Q_i (strain - free_i) = 0 with Q the stiffness of plane stress; a single
film expands as the free material. A frame would impose its own expansion, and a stress.

Device axes stay material lines: as the crystal expands by F = 1 + strain, a surface of normal n
has the normal F^-T n, and a direction t becomes F t.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.design import Layer, Stack
from sawfem.errors import MaterialError
from sawfem.material import Material, Medium
from sawfem.planewave.generalised import Array
from sawfem.tensors import VOIGT, rotate, stiffness_matrix

#: Voigt places in the plane and out of it.
_IN, _OUT = [0, 1, 5], [2, 3, 4]

#: Parts and constants held, for all materials or by the name of the material.
Held = Collection[str] | Mapping[str, Collection[str]]


@dataclass(frozen=True, eq=False)
class StackAtTemperature:
    """A stack at another temperature.

    Attributes
    ----------
    celsius : the temperature.
    substrate, layers : media in device axes, thickness in metres, upwards.
    strain : (3, 3), thermal strain of the substrate since 25 degC, device axes; of a membrane that
        in its plane alone.
    stretch : length of a line along x1 over its length at 25 degC.
    """

    celsius: float
    substrate: Medium
    layers: tuple[tuple[Medium, float], ...]
    strain: Array
    stretch: float

    def media(self) -> tuple[Medium, tuple[tuple[Medium, float], ...]]:
        """Substrate, then (medium, thickness in metres) upwards."""
        return self.substrate, self.layers


def stack_at_temperature(
    stack: Stack, celsius: float, *, hold_constant: Held = ()
) -> StackAtTemperature:
    """Constants, densities and dimensions of a stack at a temperature.

    Parameters
    ----------
    stack : dimensions at 25 degC. celsius : degrees Celsius.
    hold_constant : parts ("piezoelectric", "permittivity", "expansion", ...) or constants ("e31")
        that shall not change because their coefficients are unknown; for all materials, or by
        the name of the material. A part that matters gives a wrong result when it is held: on
        36 deg Y-X lithium tantalate even the sign of e's and eps' share counts.

    Raises
    ------
    MaterialError : names the set and every constant whose coefficient is missing.
    """
    names = [stack.material.name, *(layer.material.name for layer in stack.layers)]
    refuse_strangers(names, hold_constant)
    if stack.is_membrane:
        return _heated_membrane(stack, celsius, hold_constant)
    strain = free_strain(stack.material, celsius, hold_constant)
    rotation, stretch, _ = material_lines(stack.orientation.rotation, strain)
    heated = heated_material(stack.material, celsius, hold_constant)
    device = rotate(strain, stack.orientation.rotation)
    layers = [_heated_layer(layer, celsius, device, hold_constant) for layer in stack.layers]
    return StackAtTemperature(celsius, heated.rotated(rotation), tuple(layers), device, stretch)


def _heated_membrane(stack: Stack, celsius: float, hold_constant: Held) -> StackAtTemperature:
    """A membrane whose films expand together, flat and without a force in the plane."""
    stiffness, pull = np.zeros((3, 3)), np.zeros(3)
    for layer in stack.layers:
        rotation = layer.orientation.rotation
        free = rotate(free_strain(layer.material, celsius, hold_constant), rotation)
        medium = heated_material(layer.material, celsius, hold_constant).rotated(rotation)
        own = layer.thickness * plane_stress_stiffness(medium)
        stiffness += own
        pull += own @ [free[0, 0], free[1, 1], 2.0 * free[0, 1]]
    along, across, shear = np.linalg.solve(stiffness, pull)
    plane = np.zeros((3, 3))
    plane[:2, :2] = [[along, 0.5 * shear], [0.5 * shear, across]]
    layers = [_heated_layer(layer, celsius, plane, hold_constant) for layer in stack.layers]
    stretch = float(np.hypot(1.0 + along, 0.5 * shear))
    return StackAtTemperature(celsius, stack.media()[0], tuple(layers), plane, stretch)


def plane_stress_stiffness(medium: Medium) -> Array:
    """Stiffness (3, 3) of a film without stress across, for strains 11, 22 and 2 x 12; Pa."""
    stiffness = stiffness_matrix(medium.stiffness)
    out = np.linalg.solve(stiffness[np.ix_(_OUT, _OUT)], stiffness[np.ix_(_OUT, _IN)])
    return np.asarray(stiffness[np.ix_(_IN, _IN)] - stiffness[np.ix_(_IN, _OUT)] @ out)


def refuse_strangers(names: Sequence[str], hold_constant: Held) -> None:
    """Raise MaterialError for a name in ``hold_constant`` that is none of the materials."""
    for name in hold_constant if isinstance(hold_constant, Mapping) else ():
        if name not in names:
            raise MaterialError(
                key="hold_constant", found=f'"{name}"', expected=" or ".join(dict.fromkeys(names))
            )


def held_of(material: Material, hold_constant: Held) -> tuple[str, ...]:
    """What is held constant of one material."""
    if isinstance(hold_constant, str):
        return (hold_constant,)
    if isinstance(hold_constant, Mapping):
        return tuple(hold_constant.get(material.name, ()))
    return tuple(hold_constant)


def heated_material(material: Material, celsius: float, hold_constant: Held) -> Material:
    """One material, free of clamps, at a temperature. MaterialError names what is missing."""
    return material.at_temperature(celsius, hold_constant=held_of(material, hold_constant))


def free_strain(material: Material, celsius: float, hold_constant: Held) -> Array:
    """Strain of the free material since 25 degC, crystal axes, (3, 3)."""
    heated_material(
        material, celsius, hold_constant
    )  # names all that is missing, not expansion alone
    if "expansion" in held_of(material, hold_constant):
        return np.zeros((3, 3))
    start = material.expansion_strain(REFERENCE_TEMPERATURE)
    return np.asarray(material.expansion_strain(celsius) - start)


def material_lines(rotation: Array, strain: Array) -> tuple[Array, float, float]:
    """Device axes after the crystal has been strained (crystal axes): x1 and the surface move.

    Returns the rotation, and how much longer lines along x1 and how much thicker plates are.
    """
    gradient = np.eye(3) + strain
    along, normal = gradient @ rotation[0], np.linalg.solve(gradient.T, rotation[2])
    stretch, thickening = float(np.linalg.norm(along)), 1.0 / float(np.linalg.norm(normal))
    along, normal = along / stretch, normal * thickening
    return np.array([along, np.cross(normal, along), normal]), stretch, thickening


def _heated_layer(
    layer: Layer, celsius: float, substrate: Array, hold_constant: Held
) -> tuple[Medium, float]:
    """Medium and thickness of a film that the substrate's strain (device axes) clamps."""
    material = layer.material
    rotation = layer.orientation.rotation
    free = rotate(free_strain(material, celsius, hold_constant), rotation)
    heated = heated_material(material, celsius, hold_constant)
    medium = heated.rotated(rotation)
    strain = clamped_strain(medium, free, substrate)
    turned, _, thickening = material_lines(rotation, rotate(strain, rotation.T))
    density = material.density / float(np.linalg.det(np.eye(3) + strain))
    medium = replace(heated.rotated(turned), density=density)
    return medium, layer.thickness * thickening


def clamped_strain(film: Medium, free: Array, substrate: Array) -> Array:
    """Thermal strain (3, 3) of a film that follows its substrate in the plane, device axes.

    Parameters
    ----------
    film : its medium. free : its strain without a substrate; substrate : the substrate's. Both
        (3, 3), device axes.

    Notes
    -----
    The elastic strain is the difference; its components out of the plane follow from
    sigma_3j = 0 with the stiffness at constant field.
    """
    stiffness = stiffness_matrix(film.stiffness)
    elastic = np.zeros(6)
    difference = np.asarray(substrate) - free
    elastic[_IN] = difference[0, 0], difference[1, 1], 2.0 * difference[0, 1]
    pull = stiffness[np.ix_(_OUT, _IN)] @ elastic[_IN]
    elastic[_OUT] = -np.linalg.solve(stiffness[np.ix_(_OUT, _OUT)], pull)
    strain = np.array(free, dtype=float)
    for value, (i, j) in zip(elastic, VOIGT, strict=True):
        share = value if i == j else 0.5 * value
        strain[i, j] += share
        if i != j:
            strain[j, i] += share
    return strain
