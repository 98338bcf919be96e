"""A unit cell at another temperature, from the cell as it is drawn, at 25 degC.

Stack, surface and pattern: sawfem/planewave/heated_stack.py. Electrodes and overcoats are taken
as films that the substrate clamps in the plane: they grow along the surface as it does, and along
the normal as a film without stress across does. (An electrode is free at its side walls; what the
stress there relieves is of the order of thickness over width of this thermal strain, and a change
of the thickness of parts in 1e5 moves the frequency by parts in 1e6 or less.) Strips stay as they
were drawn in proportion to the period.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.design import Electrode, Layer, Overcoat, Stack, UnitCell
from sawfem.material import Material
from sawfem.orientation import Orientation
from sawfem.planewave.generalised import Array
from sawfem.planewave.heated_stack import (
    Held,
    clamped_strain,
    free_strain,
    heated_material,
    held_of,
    material_lines,
    refuse_strangers,
    stack_at_temperature,
)
from sawfem.tensors import rotate
from sawfem.unitcell.perturbation import cell_materials


def heated_cell(cell: UnitCell, celsius: float, *, hold_constant: Held = ()) -> UnitCell:
    """The cell at a temperature in degrees Celsius: materials, densities and all lengths.

    Parameters
    ----------
    cell : at 25 degC.
    hold_constant : as for :func:`sawfem.planewave.heated_stack.stack_at_temperature`.

    Raises
    ------
    MaterialError : names a set and every constant whose coefficient is missing.
    """
    if celsius == REFERENCE_TEMPERATURE:
        return cell
    refuse_strangers([material.name for material in cell_materials(cell)], hold_constant)
    crystal = cell.stack.material
    strain = free_strain(crystal, celsius, hold_constant)  # a membrane has none: MaterialError
    bare = Stack(crystal, orientation=cell.stack.orientation)
    heated = stack_at_temperature(bare, celsius, hold_constant=held_of(crystal, hold_constant))
    rotation, stretch, _ = material_lines(cell.stack.orientation.rotation, strain)

    def film(material: Material, turned: Array) -> tuple[Material, Orientation, float]:
        return _clamped(material, turned, heated.strain, celsius, hold_constant)

    layers = []
    for layer in cell.stack.layers:
        material, orientation, thicker = film(layer.material, layer.orientation.rotation)
        thickness = layer.thickness * thicker
        layers.append(Layer(material, orientation, thickness, layer.potential))
    stack = Stack(
        heated_material(crystal, celsius, hold_constant),
        orientation=Orientation(rotation),
        layers=layers,
    )
    coats = []
    for coat in cell.overcoat:
        material, orientation, thicker = film(coat.material, coat.orientation.rotation)
        coats.append(
            Overcoat(material, coat.thickness * thicker, top=coat.top, orientation=orientation)
        )
    electrodes = [_electrode(electrode, film, stretch) for electrode in cell.electrodes]
    return UnitCell(
        stack, electrodes, cell.period * stretch, overcoat=coats, recess=cell.recess * stretch
    )


def _clamped(
    material: Material, rotation: Array, substrate: Array, celsius: float, held: Held
) -> tuple[Material, Orientation, float]:
    """Material, orientation and growth along the normal of a film on the strained substrate."""
    free = rotate(free_strain(material, celsius, held), rotation)
    heated = heated_material(material, celsius, held)
    strain = clamped_strain(heated.rotated(rotation), free, substrate)
    turned, _, thicker = material_lines(rotation, rotate(strain, rotation.T))
    density = material.density / float(np.linalg.det(np.eye(3) + strain))
    return replace(heated, density=density), Orientation(turned), thicker


def _electrode(
    electrode: Electrode,
    film: Callable[[Material, Array], tuple[Material, Orientation, float]],
    stretch: float,
) -> Electrode:
    """An electrode that has grown: films in height, widths with the pattern, walls between."""
    parts = []
    for part in electrode.films:
        material, _, thicker = film(part.metal, np.eye(3))
        parts.append((material, part.thickness * thicker))
    height = sum(thickness for _, thickness in parts)
    taller = height / electrode.thickness
    angle = electrode.sidewall_angle
    if angle != 90.0:
        radians = math.radians(angle)
        angle = math.degrees(math.atan2(math.sin(radians) * taller, math.cos(radians) * stretch))
    foot = electrode.footing
    warm = Electrode(
        *parts[0],
        electrode.width * stretch,
        centre=None if electrode.centre is None else electrode.centre * stretch,
        sidewall_angle=angle,
        footing=None if foot is None else (foot.extent * stretch, foot.height * taller),
    )
    for material, thickness in parts[1:]:
        warm = warm.with_film(material, thickness)
    return warm
