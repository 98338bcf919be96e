"""Transverse modes inside result.h5: /device/transverse.

attributes aperture, wavelength in m
regions (JSON): name, width in m or null, cut-off in Hz, anisotropy; from the middle outwards
remarks (JSON)
number, transverse_mode_frequency, _excitation, _strength, _confinement, and
transverse_mode_frequency_uncertainty: (n,), one a mode
position_y, transverse_mode_profile: (n, m)
frequency, admittance: (F,) with all modes, uniform_admittance without, figures/<quantity>
leaky_number, leaky_frequency: of modes under endless bus-bars, complex Hz
apertures (A,), swept_frequency, swept_excitation (A, n): nan where there is no such mode
"""

from __future__ import annotations

import json
from typing import Any

import h5py
import numpy as np

from sawfem.device.transverse import TransverseMode
from sawfem.device.transverse_leaky import LeakyMode
from sawfem.device.transverse_study import TransverseStudy
from sawfem.export.hdf5_node import Node
from sawfem.export.hdf5_whole import write_quantity
from sawfem.quantities import Quantity, table

#: Numbers of a mode -> their quantities.
_OF_MODES = {
    name: f"transverse_mode_{name}"
    for name in ("frequency", "excitation", "strength", "confinement")
}


def write_transverse(group: h5py.Group, study: TransverseStudy) -> None:
    """Put a study into a group of its own."""
    group.attrs["aperture"], group.attrs["wavelength"] = study.aperture, study.wavelength
    group.attrs["length_unit"] = "m"
    regions = [
        [name, width if np.isfinite(width) else None, cutoff, anisotropy]
        for name, width, cutoff, anisotropy in study.regions
    ]
    group["regions"] = json.dumps({"regions": regions}, allow_nan=False)
    group["remarks"] = json.dumps({"remarks": list(study.remarks)})
    modes = study.modes
    numbers = group.create_dataset("number", data=[mode.number for mode in modes], dtype="i8")
    numbers.attrs["definition"] = "of the mode: zeros of its profile plus one"
    for name, quantity in _OF_MODES.items():
        write_quantity(group, quantity, [getattr(mode, name) for mode in modes])
    error = write_quantity(
        group, "transverse_mode_frequency_uncertainty", study.errors, _OF_MODES["frequency"]
    )
    error.attrs["kind"] = "numerical"
    points = modes[0].position.size if modes else 0
    for name, quantity in (("position", "position_y"), ("profile", "transverse_mode_profile")):
        values = np.array([getattr(mode, name) for mode in modes]).reshape(len(modes), points)
        write_quantity(group, quantity, values)
    write_quantity(group, "frequency", study.frequency)
    write_quantity(group, "admittance", study.admittance)
    write_quantity(group, "uniform_admittance", study.uniform, "admittance")
    group.create_dataset("leaky_number", data=[m.number for m in study.leaky], dtype="i8")
    leaky = np.array([mode.frequency for mode in study.leaky], dtype=complex)
    write_quantity(group, "leaky_frequency", leaky, _OF_MODES["frequency"])
    figures = group.create_group("figures", track_order=True)
    for name, figure in study.figures.items():
        write_quantity(figures, name, figure.value)
    write_quantity(group, "apertures", study.apertures, "aperture")
    write_quantity(group, "swept_frequency", study.swept_frequency, _OF_MODES["frequency"])
    write_quantity(group, "swept_excitation", study.swept_excitation, _OF_MODES["excitation"])


def read_transverse(node: Node) -> TransverseStudy:
    """Take a study out of its group. InputError for contents that cannot be one."""
    numbers = node.array("number", (None,), np.int64)
    count = (numbers.size,)
    columns = {name: node.array(quantity, count) for name, quantity in _OF_MODES.items()}
    position = node.array("position_y", (*count, None))
    profile = node.array("transverse_mode_profile", position.shape)
    modes = tuple(
        TransverseMode(
            number=int(numbers[index]),
            **{name: float(values[index]) for name, values in columns.items()},
            position=position[index],
            profile=profile[index],
        )
        for index in range(numbers.size)
    )
    frequency = node.array("frequency", (None,))
    apertures = node.array("apertures", (None,))
    swept = node.array("swept_frequency", (apertures.size, None))
    figures = node.child("figures")
    return TransverseStudy(
        aperture=float(node.attribute("aperture", float)),
        wavelength=float(node.attribute("wavelength", float)),
        regions=_regions(node),
        modes=modes,
        errors=node.array("transverse_mode_frequency_uncertainty", count),
        apertures=apertures,
        swept_frequency=swept,
        swept_excitation=node.array("swept_excitation", swept.shape),
        frequency=frequency,
        admittance=node.array("admittance", frequency.shape, np.complex128),
        uniform=node.array("uniform_admittance", frequency.shape, np.complex128),
        figures={
            name: Quantity.of(name, float(figures.array(name, ())))
            for name in figures.names()
            if name in table()
        },
        leaky=_leaky(node),
        remarks=tuple(str(text) for text in _listed(node, "remarks")),
    )


def _leaky(node: Node) -> tuple[LeakyMode, ...]:
    numbers = node.array("leaky_number", (None,), np.int64)
    frequency = node.array("leaky_frequency", numbers.shape, np.complex128)
    pairs = zip(numbers.tolist(), frequency.tolist(), strict=True)
    return tuple(LeakyMode(int(number), complex(f)) for number, f in pairs)


def _regions(node: Node) -> tuple[tuple[str, float, float, float], ...]:
    found: list[tuple[str, float, float, float]] = []
    for row in _listed(node, "regions"):
        if not (isinstance(row, list) and len(row) == 4):
            raise node.fail("regions", "a row of another kind", "name, width, cut-off, anisotropy")
        name, width, cutoff, anisotropy = row
        found.append(
            (str(name), np.inf if width is None else float(width), float(cutoff), float(anisotropy))
        )
    return tuple(found)


def _listed(node: Node, name: str) -> list[Any]:
    """The list that stands under its own name in a JSON object."""
    found = node.json(name).get(name)
    if not isinstance(found, list):
        raise node.fail(name, "an object without that list", f'{{"{name}": [...]}}')
    return found
