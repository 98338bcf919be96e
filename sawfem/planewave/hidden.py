"""Whether a wave still feels the substrate under its layers, decided before anything is computed.

The wave of a film that is thick against its own surface wave is that surface wave: with D the depth
above which 1 - exp(-2) of its kinetic energy lies (:mod:`.profile`), a film of thickness h leaves
about exp(-2 h/D) of the energy to what is below. Films of the substrate's own crystal hide nothing.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from sawfem.conventions import EPSILON_0
from sawfem.errors import ConvergenceError, GeometryError, InputError
from sawfem.planewave.follow import locate
from sawfem.planewave.profile import penetration_depth
from sawfem.planewave.surface_waves import surface_waves
from sawfem.units import format_quantity

if TYPE_CHECKING:
    from sawfem.design import Layer, Stack
    from sawfem.material import Material, Medium

#: Depths D of the layers' own waves that hide what is below: exp(-16) = 1e-7 of the energy.
DEPTHS = 8.0
#: Thickest membrane, in wavelengths of its slowest bulk wave: it carries some two hundred waves.
MEMBRANE = 50.0
#: Depth of a wave in wavelengths where a crystal has no surface wave of its own.
USUAL = 1.0
#: Materials, each in one orientation, whose reach is remembered: a map asks again and again.
REMEMBERED = 4096


def refuse_hidden_substrate(stack: Stack, frequency: float) -> None:
    """Refuse layers under which a wave no longer feels the substrate; takes milliseconds.

    Parameters
    ----------
    stack : substrate and layers. frequency : Hz.

    Raises
    ------
    GeometryError : how many times thicker they are than a wave reaches; or a membrane of more
        than 50 wavelengths, which carries waves by the hundred.
    """
    films = [layer for layer in stack.layers if not _same_crystal(stack, layer)]
    thickness = sum(layer.thickness for layer in films)
    where = f"{format_quantity(thickness, 'm')} at {format_quantity(frequency, 'Hz')}"
    if stack.is_membrane:
        wavelengths = sum(
            layer.thickness * frequency / _slowest(layer.material.rotated(np.eye(3)))
            for layer in films
        )
        if wavelengths > MEMBRANE:
            raise GeometryError(
                key="layer",
                found=f"a membrane of {wavelengths:.3g} wavelengths ({where})",
                expected=f"at most {MEMBRANE:g}: thicker ones carry waves by the hundred",
            )
        return
    depths = sum(layer.thickness / _reach(layer, frequency) for layer in films)
    if depths > DEPTHS:
        raise GeometryError(
            key="layer",
            found=f"layers that hide the substrate: {depths:.3g} times as thick as a surface wave "
            f"of theirs reaches ({where})",
            expected=f"at most {DEPTHS:g} times, by thinner layers or a lower frequency: beyond, "
            "the wave is that of the layers alone",
        )


def _same_crystal(stack: Stack, layer: Layer) -> bool:
    """Whether a layer goes on with the crystal of the substrate."""
    alike = layer.material is stack.material
    alike = alike or layer.material.contents() == stack.material.contents()
    turned = np.abs(layer.orientation.rotation - stack.orientation.rotation).max()
    return bool(alike and turned < 1e-9)


def _reach(layer: Layer, frequency: float) -> float:
    """Penetration depth of the slowest surface wave of the layer's material alone, m."""
    turned = tuple(layer.orientation.rotation.ravel().tolist())
    return _reach_times_frequency(layer.material, turned) / frequency


@lru_cache(maxsize=REMEMBERED)
def _reach_times_frequency(material: Material, rotation: tuple[float, ...]) -> float:
    """Penetration depth times frequency, m Hz, which no frequency changes."""
    medium = material.rotated(np.reshape(rotation, (3, 3)))
    if medium.is_conductor:  # its waves are those of an insulator without piezoelectricity
        medium = replace(medium, is_conductor=False, permittivity=EPSILON_0 * np.eye(3))
    try:
        for wave in surface_waves(medium):
            located = locate(wave, medium, metallised=wave.velocity_free is None)
            share = penetration_depth(located) * located.wavenumber.real / (2.0 * math.pi)
            return share * wave.velocity
    except (ConvergenceError, InputError):
        pass
    return USUAL * _slowest(medium)


def _slowest(medium: Medium) -> float:
    """Slowest bulk wave along the axes, m/s; near enough for a bound."""
    stiffness = np.asarray(medium.stiffness)
    christoffel = [stiffness[axis, :, :, axis] for axis in range(3)]
    least = min(float(np.linalg.eigvalsh(tensor)[0]) for tensor in christoffel)
    return math.sqrt(least / medium.density)
