"""A dispersion map inside result.h5: /grating/<name>/dispersion.

frequency, phase        axes
harmonic_admittance     (phase, frequency) complex, S/m, of the driven terminal
harmonic_admittance_uncertainty   bound on its error by the small basis, S/m
short/<n>, open/<n>     curves of the modes: phase, frequency (complex), frequency_error; attributes
                        begins, ends: why
onset/<n>               phase, frequency; attribute velocity in m/s
doubt/<n>               what is not sure about the modes: attributes state ("short", "open"),
                        phase, reason, and frequency and frequency_error of an unconfirmed root
harmonic_admittance_mesh_error    distance to the map on the next coarser mesh, S/m, with the
                        group's attribute mode_mesh_error (relative, frequencies of the modes);
                        missing where no second mesh was computed

Sentences about all this stand in the group's attribute remarks.
"""

from __future__ import annotations

import h5py
import numpy as np

from sawfem.export.hdf5_node import Node
from sawfem.export.hdf5_whole import write_quantity
from sawfem.unitcell.dispersion import DispersionCurve, Doubt
from sawfem.unitcell.dispersionmap import DispersionMap


def write_dispersion(group: h5py.Group, found: DispersionMap) -> None:
    """Put a map into a group of its own."""
    group.attrs["period"] = found.period
    group.attrs["period_unit"] = "m"
    axes = [
        write_quantity(group, "phase", found.phases),
        write_quantity(group, "frequency", found.frequencies),
    ]
    for axis, name in zip(axes, ("phase", "frequency"), strict=True):
        axis.make_scale(name)
    arrays = {
        "harmonic_admittance": found.admittance,
        "harmonic_admittance_uncertainty": found.bound,
    }
    for name, numbers in arrays.items():
        dataset = write_quantity(group, name, numbers, "harmonic_admittance")
        for number, axis in enumerate(axes):
            dataset.dims[number].attach_scale(axis)
    if found.mesh_error is not None and found.mode_mesh_error is not None:
        dataset = write_quantity(
            group, "harmonic_admittance_mesh_error", found.mesh_error, "harmonic_admittance"
        )
        for number, axis in enumerate(axes):
            dataset.dims[number].attach_scale(axis)
        group.attrs["mode_mesh_error"] = found.mode_mesh_error
    group.attrs["remarks"] = "\n".join(found.remarks())
    for number, (state, doubt) in enumerate(found.doubts):
        place = group.create_group(f"doubt/{number}")
        place.attrs["state"], place.attrs["reason"] = state, doubt.reason
        place.attrs["phase"] = doubt.phase
        if doubt.frequency is not None and doubt.error is not None:
            place.attrs["frequency"] = np.complex128(doubt.frequency)
            place.attrs["frequency_error"] = doubt.error
    for kind in ("short", "open"):
        for number, curve in enumerate(getattr(found, kind)):
            place = group.create_group(f"{kind}/{number}")
            write_quantity(place, "phase", curve.phases)
            write_quantity(place, "frequency", curve.frequencies)
            write_quantity(place, "frequency_error", curve.errors, "frequency")
            place.attrs["begins"], place.attrs["ends"] = curve.ends
        group.require_group(kind)
    group.require_group("onset")
    for number, (velocity, phases, line) in enumerate(found.onsets):
        place = group.create_group(f"onset/{number}")
        write_quantity(place, "phase", phases)
        write_quantity(place, "frequency", line)
        place.attrs["velocity"] = velocity


def read_dispersion(node: Node) -> DispersionMap:
    """Take a map out of its group. InputError for contents that cannot be one."""
    phases, frequencies = node.array("phase", (None,)), node.array("frequency", (None,))
    shape = (phases.size, frequencies.size)
    mesh = "harmonic_admittance_mesh_error"
    onsets = []
    lines = node.child("onset")
    for name in _numbered(lines):
        line = lines.child(name)
        at = line.array("phase", (None,))
        velocity = float(line.attribute("velocity", float))
        onsets.append((velocity, at, line.array("frequency", (at.size,))))
    return DispersionMap(
        frequencies=frequencies,
        phases=phases,
        period=float(node.attribute("period", float)),
        admittance=node.array("harmonic_admittance", shape, np.complex128),
        bound=node.array("harmonic_admittance_uncertainty", shape),
        short=_read_curves(node.child("short")),
        open=_read_curves(node.child("open")),
        onsets=tuple(onsets),
        doubts=_read_doubts(node.child("doubt")) if "doubt" in node else (),
        mesh_error=node.array(mesh, shape) if mesh in node else None,
        mode_mesh_error=float(node.attribute("mode_mesh_error", float)) if mesh in node else None,
    )


def _read_doubts(node: Node) -> tuple[tuple[str, Doubt], ...]:
    doubts = []
    for name in _numbered(node):
        one = node.child(name)
        known = "frequency" in one.group.attrs
        doubt = Doubt(
            float(one.attribute("phase", float)),
            complex(one.attribute("frequency", complex)) if known else None,
            float(one.attribute("frequency_error", float)) if known else None,
            str(one.attribute("reason", str)),
        )
        doubts.append((str(one.attribute("state", str)), doubt))
    return tuple(doubts)


def _read_curves(node: Node) -> tuple[DispersionCurve, ...]:
    curves = []
    for name in _numbered(node):
        curve = node.child(name)
        phases = curve.array("phase", (None,))
        ends = (str(curve.attribute("begins", str)), str(curve.attribute("ends", str)))
        frequencies = curve.array("frequency", phases.shape, np.complex128)
        errors = curve.array("frequency_error", phases.shape)
        curves.append(DispersionCurve(phases, frequencies, errors, ends))
    return tuple(curves)


def _numbered(node: Node) -> list[str]:
    return sorted(node.names(), key=lambda name: (len(name), name))
