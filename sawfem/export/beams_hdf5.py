"""Beams between transducers inside result.h5: /device/diffraction/<n>.

figures              quantities and <quantity>_uncertainty
factor/frequency, diffraction_factor            D over frequency
map/position_x, position_y, beam_intensity      (x, y) behind the source
profile/position_y, beam_intensity              at the receiver; attribute position_x
slowness/angle, velocity, power_flow_angle      the curve that was used
transfer/frequency, with_diffraction, without   of apodised pairs; empty otherwise
outline              (2, 4): left, right, low, high of source and receiver, m

Attributes: track, source, receiver, surface, applied, frequency, misalignment, material (JSON),
remarks.
"""

from __future__ import annotations

import json
from typing import Any

import h5py
import numpy as np

from sawfem.device.beams import BeamPair
from sawfem.export.hdf5_node import Node
from sawfem.export.hdf5_whole import write_quantity
from sawfem.quantities import Quantity, table


def write_beam(group: h5py.Group, pair: BeamPair) -> None:
    """Put a pair into a group of its own."""
    texts = ("track", "source", "receiver", "surface")
    group.attrs.update({name: getattr(pair, name) for name in texts})
    group.attrs["applied"] = bool(pair.applied)
    group.attrs["frequency"], group.attrs["frequency_unit"] = pair.frequency, "Hz"
    group.attrs["misalignment"], group.attrs["misalignment_unit"] = pair.misalignment, "deg"
    group.attrs["material"] = json.dumps(dict(pair.material), allow_nan=False)
    group.attrs["remarks"] = json.dumps(list(pair.remarks))
    figures = group.create_group("figures", track_order=True)
    for name, quantity in pair.figures.items():
        write_quantity(figures, name, quantity.value)
        if quantity.uncertainty is not None:
            write_quantity(figures, f"{name}_uncertainty", quantity.uncertainty, name)
    factor = group.create_group("factor")
    _with_axes(factor, "diffraction_factor", pair.factor, {"frequency": pair.factor_frequency})
    axes = {"position_x": pair.map_x, "position_y": pair.map_y}
    _with_axes(group.create_group("map"), "beam_intensity", pair.intensity, axes)
    profile = group.create_group("profile")
    _with_axes(profile, "beam_intensity", pair.profile, {"position_y": pair.profile_y})
    profile.attrs["position_x"], profile.attrs["position_x_unit"] = pair.profile_x, "m"
    slowness = group.create_group("slowness")
    angle = write_quantity(slowness, "angle", pair.angle, "power_flow_angle")
    angle.attrs["long_name"] = "direction of the wave vector from x1 towards x2"
    for unwanted in ("definition", "sign", "symbol"):
        angle.attrs.pop(unwanted, None)
    write_quantity(slowness, "velocity", pair.velocity, "velocity_free")
    write_quantity(slowness, "power_flow_angle", pair.flow)
    if pair.transfer_frequency.size:
        both = group.create_group("transfer")
        axis = {"frequency": pair.transfer_frequency}
        _with_axes(both, "with_diffraction", pair.transfer, axis, "pair_transfer")
        write_quantity(both, "without", pair.transfer_straight, "pair_transfer")
    group.create_dataset("outline", data=np.array(pair.outlines)).attrs["unit"] = "m"


def read_beam(node: Node) -> BeamPair:
    """Take a pair out of its group. InputError for contents that cannot be one."""
    factor, mapped, profile = (node.child(name) for name in ("factor", "map", "profile"))
    slowness = node.child("slowness")
    f = factor.array("frequency", (None,))
    x, y = mapped.array("position_x", (None,)), mapped.array("position_y", (None,))
    profile_y = profile.array("position_y", (None,))
    angle = slowness.array("angle", (None,))
    extra: dict[str, Any] = {}
    if "transfer" in node:
        both = node.child("transfer")
        at = both.array("frequency", (None,))
        extra = {
            "transfer_frequency": at,
            "transfer": both.array("with_diffraction", at.shape, np.complex128),
            "transfer_straight": both.array("without", at.shape, np.complex128),
        }
    outline = node.array("outline", (2, 4)).tolist()
    return BeamPair(
        track=str(node.attribute("track", str)),
        source=str(node.attribute("source", str)),
        receiver=str(node.attribute("receiver", str)),
        surface=str(node.attribute("surface", str)),
        applied=bool(node.attribute("applied", bool)),
        frequency=float(node.attribute("frequency", float)),
        figures=_read_figures(node.child("figures")),
        material=_json(node, "material", dict),
        misalignment=float(node.attribute("misalignment", float)),
        factor_frequency=f,
        factor=factor.array("diffraction_factor", f.shape, np.complex128),
        map_x=x,
        map_y=y,
        intensity=mapped.array("beam_intensity", (x.size, y.size)),
        profile_x=float(profile.attribute("position_x", float)),
        profile_y=profile_y,
        profile=profile.array("beam_intensity", profile_y.shape),
        angle=angle,
        velocity=slowness.array("velocity", angle.shape),
        flow=slowness.array("power_flow_angle", angle.shape),
        outlines=(tuple(outline[0]), tuple(outline[1])),
        remarks=tuple(str(text) for text in _json(node, "remarks", list)),
        **extra,
    )


def _read_figures(node: Node) -> dict[str, Quantity]:
    found = {}
    for name in node.names():
        if name in table():
            bar = f"{name}_uncertainty"
            error = float(node.array(bar, ())) if bar in node else None
            found[name] = Quantity.of(name, float(node.array(name, ())), error)
    return found


def _json(node: Node, name: str, kind: type) -> Any:
    try:
        found = json.loads(node.attribute(name, str))
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, kind):
        raise node.fail(f"@{name}", "text that is no such JSON", f"a {kind.__name__} of JSON")
    return found


def _with_axes(
    group: h5py.Group, name: str, values: Any, axes: dict[str, Any], quantity: str = ""
) -> None:
    dataset = write_quantity(group, name, values, quantity)
    for number, (axis, numbers) in enumerate(axes.items()):
        scale = write_quantity(group, axis, numbers)
        scale.make_scale(axis)
        dataset.dims[number].attach_scale(scale)
