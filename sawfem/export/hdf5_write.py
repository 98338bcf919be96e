"""Write a result as one self-describing HDF5 file. Layout: sawfem/export/layout.py."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from sawfem import __version__, conventions
from sawfem.device import network
from sawfem.export import layout
from sawfem.export.beams_hdf5 import write_beam
from sawfem.export.cell_hdf5 import write_cell
from sawfem.export.dispersion_hdf5 import write_dispersion
from sawfem.export.hdf5_whole import COMPRESSED, TEXT, whole_file
from sawfem.export.oblique_hdf5 import write_oblique
from sawfem.export.second_model_hdf5 import write_second_model
from sawfem.export.transverse_hdf5 import write_transverse
from sawfem.extract import coupled as com
from sawfem.planewave import Wave
from sawfem.quantities import entry
from sawfem.result import (
    CONSTANTS,
    WAVE_QUANTITIES,
    DeviceResult,
    GratingResult,
    ModeShape,
    Result,
)

#: Names that HDF5 takes as they stand: a material "crystal/publication" becomes two groups.
_PLAIN_NAME = re.compile(r"[a-z0-9][a-z0-9_-]*(/[a-z0-9][a-z0-9_-]*)*")


def write_hdf5(result: Result, path: str | Path, *, source: str = "") -> Path:
    """Write ``result`` to ``path``; an existing file is replaced once the new one is whole.

    Parameters
    ----------
    source : path of the case file as seen from the folder of results; it tells two case files of
        one name apart. "" where there is none.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    target = Path(path)
    with whole_file(target) as file:
        _write_head(file, result, source)
        gratings = file.create_group("grating", track_order=True)
        for name, grating in result.gratings.items():
            _write_grating(gratings.create_group(name), grating)
        if result.gratings:  # one more name for the same group, not a copy
            file["waves"] = file[f"grating/{next(iter(result.gratings))}/waves"]
        if result.device is not None:
            _write_device(file.create_group("device"), result.device)
        _write_checks(file.create_group("checks", track_order=True), result.checks)
    return target


def _write_head(file: h5py.File, result: Result, source: str) -> None:
    """Everything that is text."""
    file.attrs["format"] = layout.FORMAT
    file.attrs["format_version"] = layout.VERSION
    file.attrs["sawfem_version"] = __version__
    file.attrs["created"] = result.created
    file.attrs["title"] = result.title
    file.attrs["case_name"] = result.case_name
    file["case/source"] = result.case_source
    file["case/resolved"] = json.dumps(result.resolved, allow_nan=False)
    file["case"].attrs["source_path"] = source
    materials = file.create_group("materials", track_order=True)
    for number, (name, item) in enumerate(result.materials.items()):
        key = name if _PLAIN_NAME.fullmatch(name) else f"own-{number}"
        materials[key] = item["toml"]
        materials[key].attrs["name"] = name
        for attribute in ("sha256", "source", "provenance"):
            materials[key].attrs[attribute] = item[attribute]
    file.create_group("versions").attrs.update(dict(result.versions))
    file["conventions"] = "\n".join(
        text or "" for text in (conventions.__doc__, com.__doc__, network.__doc__)
    )
    for name in ("warnings", "cautions"):
        sentences = list(getattr(result, name))
        file.create_dataset(name, data=sentences, shape=(len(sentences),), dtype=TEXT)


def _write_quantity(
    group: h5py.Group, name: str, value: Any, *, quantity: str = "", reason: str = ""
) -> h5py.Dataset:
    """One value or array with the attributes of its row in the table.

    None becomes NaN with the attribute ``reason``, also inside a pair.
    """
    row = entry(quantity or name)
    if row.form == "text":
        dataset = group.create_dataset(name, data=value or "", dtype=TEXT)
    elif isinstance(value, np.ndarray) and value.ndim > 0:
        dataset = group.create_dataset(name, data=value, **COMPRESSED)
    else:
        parts = value if isinstance(value, tuple) else (value,)
        numbers = np.array([np.nan if part is None else part for part in parts])
        dtype = np.complex128 if row.form == "complex" else np.float64
        shaped = numbers if isinstance(value, tuple) else numbers[0]
        dataset = group.create_dataset(name, data=shaped, dtype=dtype)
    dataset.attrs.update(row.attributes())
    if reason:
        dataset.attrs["reason"] = reason
    return dataset


def _write_uncertainty(group: h5py.Group, name: str, value: Any) -> None:
    """The numerical uncertainty beside a value, in the same unit."""
    key = f"{name}_uncertainty"
    dataset = _write_quantity(group, key, value, quantity=name)
    for attribute in ("definition", "sign", "normalisation", "symbol"):
        dataset.attrs.pop(attribute, None)
    dataset.attrs["long_name"] = f"numerical uncertainty of {entry(name).label}"
    dataset.attrs["uncertainty_of"] = name
    dataset.attrs["kind"] = "numerical"


def _write_grating(group: h5py.Group, grating: GratingResult) -> None:
    constants = group.create_group("constants")
    reasons = grating.constants.reasons
    for name in CONSTANTS:
        value = getattr(grating.constants, name)
        _write_quantity(constants, name, value, reason=reasons.get(name, ""))
        if name in grating.constants.numerical:
            _write_uncertainty(constants, name, grating.constants.numerical[name])
    constants["reasons"] = json.dumps(dict(reasons))
    if grating.losses:
        losses = {edge: dict(parts) for edge, parts in grating.losses.items()}
        group["losses"] = json.dumps(losses, allow_nan=False)
        group["losses"].attrs["unit"] = "dB per wavelength, by edge and mechanism"
    if grating.temperature:
        drift = {kind: dict(parts) for kind, parts in grating.temperature.items()}
        group["temperature"] = json.dumps(drift, allow_nan=False)
        group["temperature"].attrs["unit"] = "1/K, by constant"
    waves = group.create_group("waves")
    for number, wave in enumerate(grating.waves):
        _write_wave(waves.create_group(str(number)), wave)

    axes = {
        "frequency": _scale(group, "frequency", grating.frequency),
        "phase": _scale(group, "phase", np.array([np.pi])),
    }
    arrays = {
        "harmonic_admittance": grating.harmonic_admittance,
        "two_mode_admittance": grating.two_mode_admittance,
    }
    for name, values in arrays.items():
        if values is not None:
            _attach(_write_quantity(group, name, values[:, None]), axes)
    if grating.dispersion is not None:
        write_dispersion(group.create_group("dispersion"), grating.dispersion)
    if grating.oblique is not None:
        write_oblique(group.create_group("oblique"), grating.oblique)
    if grating.cell is not None:
        write_cell(group.create_group("cell"), grating.cell)
    modes = group.create_group("mode", track_order=True)
    for mode in grating.modes:
        _write_mode(modes.create_group(mode.edge), mode)


def _write_wave(group: h5py.Group, wave: Wave) -> None:
    for name in WAVE_QUANTITIES:
        _write_quantity(group, name, getattr(wave, name))
    _write_quantity(group, "polarisation", np.array(wave.polarisation, dtype=complex))


def _write_mode(group: h5py.Group, mode: ModeShape) -> None:
    """A mode's shape over one period; the attribute phase leads to the next one."""
    group.attrs["frequency"] = complex(mode.frequency)
    group.attrs["period"] = mode.period
    group.attrs["phase"] = mode.phase
    if mode.amplitude is not None:
        group.attrs["amplitude"] = mode.amplitude
    group.attrs["comment"] = (
        "frequency in Hz, period in m, phase gamma in rad: U(x1 + period) = exp(-j gamma) U(x1)"
    )
    _write_quantity(group, "position_x", mode.x).dims[0].label = "node"
    _write_quantity(group, "position_z", mode.z).dims[0].label = "node"
    displacement = _write_quantity(group, "displacement", mode.displacement)
    displacement.dims[0].label, displacement.dims[1].label = "node", "component"
    potential = _write_quantity(group, "potential", mode.potential)
    potential.dims[0].label = "node"
    potential.attrs["volt_per_metre_of_displacement"] = mode.potential_scale
    plain = {
        "triangles": (mode.triangles, "indices of nodes, three a triangle"),
        "region": (mode.region, "of a triangle: 0 air, 1 metal, 2 + i stack, -1 - i overcoat"),
        "outlines": (np.array(mode.outlines), "corners of the electrodes, x1 and x3 in m"),
    }
    for name, (values, definition) in plain.items():
        group.create_dataset(name, data=values, **COMPRESSED).attrs["definition"] = definition
    group["outlines"].attrs["unit"] = "m"


def _scale(group: h5py.Group, name: str, values: np.ndarray[Any, Any]) -> h5py.Dataset:
    """An axis: a dimension scale with the attributes of its quantity."""
    dataset = group.create_dataset(name, data=values)
    dataset.attrs.update(entry(name).attributes())
    dataset.make_scale(name)
    return dataset


def _attach(dataset: h5py.Dataset, axes: Mapping[str, h5py.Dataset]) -> None:
    """Lay axes onto the dimensions of a dataset, in their order."""
    for number, (name, axis) in enumerate(axes.items()):
        dataset.dims[number].label = name
        dataset.dims[number].attach_scale(axis)


def _write_device(group: h5py.Group, device: DeviceResult) -> None:
    response = device.response
    group.attrs["kind"] = device.kind
    group["description"] = json.dumps(device.description, allow_nan=False)
    frequency = _scale(group, "frequency", response.frequency)
    ports = {}
    for name in ("port", "port_driven"):  # two names: tools refuse one axis twice in an array
        ports[name] = group.create_dataset(name, data=[p.name for p in device.ports], dtype=TEXT)
        ports[name].make_scale(name)
    both = {"frequency": frequency, **ports}
    for name, quantity in (("s", "scattering"), ("y", "admittance")):
        _attach(_write_quantity(group, name, getattr(response, name), quantity=quantity), both)
    each = {"frequency": frequency, "port": ports["port"]}
    _attach(_write_quantity(group, "reference_impedance", response.reference), each)
    delay = _write_quantity(group, "group_delay", response.group_delay)
    _attach(delay, {"frequency": frequency})
    figures = group.create_group("figures", track_order=True)
    for name, figure in response.figures.items():
        _write_quantity(figures, name, figure.value)
        if figure.uncertainty is not None:
            _write_uncertainty(figures, name, figure.uncertainty)
    figures["reasons"] = json.dumps(dict(response.reasons))
    limits = [dict(line) for line in device.specification]
    group["specification"] = json.dumps({"limits": limits}, allow_nan=False)
    if device.spurious:
        listed = [dict(item) for item in device.spurious]
        group["spurious"] = json.dumps({"spurious": listed}, allow_nan=False)
    for name in ("quality", "resonators"):
        if told := getattr(device, name):
            group[name] = json.dumps(dict(told), allow_nan=False)
    if device.signal is not None:
        group["signal"] = json.dumps(dict(device.signal), allow_nan=False)
    if device.transverse is not None:
        write_transverse(group.create_group("transverse"), device.transverse)
    if device.measurements:
        _write_measurements(group.create_group("measurement", track_order=True), device)
    if device.second_model:
        write_second_model(
            group.create_group("second_model", track_order=True), device.second_model
        )
    for number, pair in enumerate(device.beams):
        write_beam(group.create_group(f"diffraction/{number}"), pair)
    if response.power:
        power = group.create_group("power", track_order=True)
        for name, share in response.power.items():
            dataset = power.create_dataset(name, data=share)
            dataset.attrs["definition"] = "share of the power available at port 1"
            dataset.attrs["unit"] = ""
            _attach(dataset, {"frequency": frequency})


def _write_measurements(group: h5py.Group, device: DeviceResult) -> None:
    """Measured and computed S of every measurement, at its own frequencies."""
    for item in device.measurements:
        one = group.create_group(item.name)
        one.attrs["file"] = item.file
        one.attrs["removed"] = item.removed
        axis = {"frequency": _scale(one, "frequency", item.frequency)}
        for name, values in (("s_measured", item.measured), ("s_computed", item.computed)):
            _attach(_write_quantity(one, name, values, quantity="scattering"), axis)
        _attach(_write_quantity(one, "reference_impedance", item.reference), axis)
        figures = one.create_group("figures", track_order=True)
        for name, figure in item.figures.items():
            _write_quantity(figures, name, figure.value)
        figures["reasons"] = json.dumps(dict(item.reasons))


def _write_checks(group: h5py.Group, checks: Mapping[str, Mapping[str, Any]]) -> None:
    for name, check in checks.items():
        dataset = group.create_dataset(name, data=float(check["value"]))
        dataset.attrs["limit"] = float(check["limit"])
        dataset.attrs["ok"] = bool(check["ok"])
