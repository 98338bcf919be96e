"""Oblique waves of a grating inside result.h5: /grating/<name>/oblique.

curve/<n>            transverse_wavenumber, longitudinal_wavenumber [rad/m], frequency (complex),
                     with <name>_uncertainty; slowness (m, 2) [s/m]; attributes name, electrodes,
                     flow_angle, flow_angle_error [deg], anisotropy, anisotropy_error, begins, ends
plane/<n>            angle [deg], velocity [m/s] of the plane wave of a surface; attributes surface,
                     flow_angle [deg], anisotropy

Attributes: period [m], wavenumber [rad/m] of the stop band, remarks (JSON).
"""

from __future__ import annotations

import json
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from sawfem.export.hdf5_node import Node
from sawfem.extract.oblique_grating import ObliqueCurve, ObliqueWaves, PlaneCurve

#: Arrays of a curve: attribute, dataset, unit, meaning.
_ARRAYS = (
    ("transverse", "transverse_wavenumber", "rad/m", "wavenumber k2 along the electrodes"),
    ("longitudinal", "longitudinal_wavenumber", "rad/m", "wavenumber k1 across the electrodes"),
    ("frequency", "frequency", "Hz", "frequency; a positive imaginary part is loss"),
    (
        "longitudinal_error",
        "longitudinal_wavenumber_uncertainty",
        "rad/m",
        "numerical; NaN unknown",
    ),
    ("frequency_error", "frequency_uncertainty", "Hz", "numerical; NaN is not known"),
)
_NUMBERS = ("flow_angle", "flow_angle_error", "anisotropy", "anisotropy_error")


def write_oblique(group: h5py.Group, found: ObliqueWaves) -> None:
    """Put oblique waves into a group of their own."""
    group.attrs["period"], group.attrs["period_unit"] = found.period, "m"
    group.attrs["wavenumber"], group.attrs["wavenumber_unit"] = found.wavenumber, "rad/m"
    group.attrs["remarks"] = json.dumps(list(found.remarks))
    for number, curve in enumerate(found.curves):
        place = group.create_group(f"curve/{number}")
        place.attrs["name"], place.attrs["electrodes"] = curve.name, curve.electrodes
        place.attrs["begins"], place.attrs["ends"] = curve.ends
        for name in _NUMBERS:
            place.attrs[name] = getattr(curve, name)
        for attribute, name, unit, meaning in _ARRAYS:
            _put(place, name, getattr(curve, attribute), unit, meaning)
        _put(place, "slowness", curve.slowness, "s/m", "k/omega along x1 and x2")
    for number, plane in enumerate(found.planes):
        place = group.create_group(f"plane/{number}")
        place.attrs["surface"] = plane.surface
        place.attrs["flow_angle"], place.attrs["anisotropy"] = plane.flow_angle, plane.anisotropy
        _put(place, "angle", plane.angle, "deg", "direction of the wave vector from x1 towards x2")
        _put(place, "velocity", plane.velocity, "m/s", "velocity of the plane wave")
    for name in ("curve", "plane"):
        group.require_group(name)


def read_oblique(node: Node) -> ObliqueWaves:
    """Take them out of their group. InputError for contents that cannot be any."""
    curves, planes = node.child("curve"), node.child("plane")
    try:
        remarks = tuple(str(text) for text in json.loads(node.attribute("remarks", str)))
    except (ValueError, TypeError):
        raise node.fail("@remarks", "text that is no JSON", "a list of sentences") from None
    return ObliqueWaves(
        period=float(node.attribute("period", float)),
        wavenumber=float(node.attribute("wavenumber", float)),
        curves=tuple(_read_curve(curves.child(name)) for name in _numbered(curves)),
        planes=tuple(_read_plane(planes.child(name)) for name in _numbered(planes)),
        remarks=remarks,
    )


def _read_curve(node: Node) -> ObliqueCurve:
    shape = node.array("transverse_wavenumber", (None,)).shape
    arrays: dict[str, Any] = {
        attribute: node.array(name, shape, np.complex128 if attribute == "frequency" else float)
        for attribute, name, _, _ in _ARRAYS
    }
    numbers: dict[str, Any] = {name: float(node.attribute(name, float)) for name in _NUMBERS}
    return ObliqueCurve(
        name=str(node.attribute("name", str)),
        electrodes=str(node.attribute("electrodes", str)),
        ends=(str(node.attribute("begins", str)), str(node.attribute("ends", str))),
        **numbers,
        **arrays,
    )


def _read_plane(node: Node) -> PlaneCurve:
    angle = node.array("angle", (None,))
    return PlaneCurve(
        surface=str(node.attribute("surface", str)),
        angle=angle,
        velocity=node.array("velocity", angle.shape),
        flow_angle=float(node.attribute("flow_angle", float)),
        anisotropy=float(node.attribute("anisotropy", float)),
    )


def _numbered(node: Node) -> list[str]:
    return sorted(node.names(), key=lambda name: (len(name), name))


def _put(group: h5py.Group, name: str, values: NDArray[Any], unit: str, meaning: str) -> None:
    dataset = group.create_dataset(name, data=values)
    dataset.attrs["unit"], dataset.attrs["long_name"] = unit, meaning
