"""Waves to test on, and stacks with one parameter moved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sawfem import symmetry
from sawfem.design import Layer, Stack
from sawfem.material import Medium
from sawfem.orientation import Orientation
from sawfem.planewave import plane_waves
from sawfem.planewave.follow import locate
from sawfem.planewave.sensitivity import ANGLES, KINDS
from sawfem.planewave.stack_wave import StackWave

YZ_NIOBATE = Stack("lithium-niobate/warner-1967", euler=(0, 90, 90))
TILTED_QUARTZ = Stack("quartz/bechmann-1958", euler=(10, 110, 35))
LEAKY_TANTALATE = Stack("lithium-tantalate/smith-welsh-1971", euler=(0, -54, 0))
#: 6mm, c axis along x2: Bleustein-Gulyaev wave.
ZINC_OXIDE = Stack("zinc-oxide/kobyakov-1980", euler=(0, 90, 0))
SILICA = Stack("silica/auld-1973")
LAYERED = TILTED_QUARTZ.with_layer("silica/auld-1973", "1 um").with_layer(
    "zinc-oxide/kobyakov-1980", "2 um", euler=(20, 30, 40)
)
FREQUENCY = 1.0e9


def located(
    stack: Stack, kind: str = "Rayleigh-type", *, metallised: bool = False, number: int = 0
) -> StackWave:
    """The wave of a kind on a stack, at 1 GHz where layers make it dispersive."""
    found = plane_waves(stack, FREQUENCY, leaky=kind.startswith("leaky"))
    wave = [wave for wave in found if wave.kind == kind][number]
    return locate(wave, *stack.media(), metallised=metallised)


def isotropic(poisson: float, density: float = 2200.0) -> Medium:
    """Isotropic medium with shear modulus 31.2 GPa, not piezoelectric."""
    shear = 31.2e9
    lame = 2.0 * shear * poisson / (1.0 - 2.0 * poisson)
    one = np.eye(3)
    stiffness = lame * np.einsum("ij,kl->ijkl", one, one)
    stiffness += shear * (np.einsum("ik,jl->ijkl", one, one) + np.einsum("il,jk->ijkl", one, one))
    return Medium(density, stiffness, np.zeros((3, 3, 3)), 4.0 * 8.854e-12 * one)


def moved(stack: Stack, name: str, step: float) -> Stack:
    """The stack with one parameter of :mod:`sawfem.planewave.sensitivity` moved by ``step``."""
    parts = [[stack.material, stack.orientation, None]]
    parts += [[layer.material, layer.orientation, layer.thickness] for layer in stack.layers]
    body = 0
    if name.startswith("layer["):
        place, name = name.split(".")
        body = int(place[6:-1]) + 1
    material, orientation, thickness = parts[body]
    if name == "thickness":
        thickness += step
    elif name == "density":
        material = replace(material, density=material.density + step)
    elif name in ANGLES:
        angles = list(orientation.euler)
        angles[ANGLES.index(name)] += np.degrees(step)
        orientation = Orientation.from_euler(*angles)
    else:
        kind = next(kind for kind in KINDS if name in material.constants(kind))
        constants = material.constants(kind)
        constants[name] += step
        matrix = symmetry.expand(material.point_group, kind, constants)
        material = replace(material, **{kind: matrix})
    parts[body] = [material, orientation, thickness]
    first, *films = parts
    return Stack(first[0], orientation=first[1], layers=[Layer(*film) for film in films])
