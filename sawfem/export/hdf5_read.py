"""Read a result from an HDF5 file. Layout: sawfem/export/layout.py."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np

from sawfem.device.beams import BeamPair
from sawfem.device.response import Check, Response
from sawfem.errors import InputError, NotFoundError
from sawfem.export import layout
from sawfem.export.beams_hdf5 import read_beam
from sawfem.export.cell_hdf5 import read_cell
from sawfem.export.dispersion_hdf5 import read_dispersion
from sawfem.export.hdf5_node import Node
from sawfem.export.oblique_hdf5 import read_oblique
from sawfem.export.second_model_hdf5 import read_second_model
from sawfem.export.transverse_hdf5 import read_transverse
from sawfem.extract.constants import GratingConstants
from sawfem.measured.comparison import MeasuredComparison
from sawfem.planewave import Wave
from sawfem.quantities import Quantity, entry, table
from sawfem.result import (
    CONSTANTS,
    WAVE_QUANTITIES,
    DeviceResult,
    GratingResult,
    ModeShape,
    Port,
    Result,
)


def read_hdf5(path: str | Path) -> Result:
    """The result in a file; ``files`` stays empty.

    Raises
    ------
    NotFoundError : there is no such file.
    InputError : it is no HDF5 file, not one of ours, of a newer major version, or damaged; file
        and key of the trouble are named.
    """
    shown = Path(path).as_posix()
    with _opened(path, shown) as file:
        root = Node(file, shown)
        _check_format(root)
        try:
            return _read(root)
        except OSError as error:  # a compressed block that does not unpack
            raise InputError(
                file=shown, found=f"damaged data ({error})", expected="a whole file"
            ) from error


def source_path(path: str | Path) -> str:
    """Path of the case file, seen from the folder of results, that a file remembers, or "".

    Raises as :func:`read_hdf5`.
    """
    shown = Path(path).as_posix()
    with _opened(path, shown) as file:
        root = Node(file, shown)
        _check_format(root)
        return str(root.child("case").attribute("source_path", str))


def _opened(path: str | Path, shown: str) -> h5py.File:
    if not Path(path).is_file():
        raise NotFoundError(file=shown, found="no such file", expected="a result.h5 of a run")
    try:
        return h5py.File(path, "r")
    except OSError as error:
        found = "a file that is no HDF5 file" if error.errno is None else str(error.strerror)
        raise InputError(file=shown, found=found, expected="a result.h5 of a run") from error


def _check_format(root: Node) -> None:
    """Refuse what is not ours and what a later program wrote."""
    if root.group.attrs.get("format") != layout.FORMAT:
        raise InputError(
            file=root.shown,
            found="an HDF5 file of another kind",
            expected=f'a file with the attribute format = "{layout.FORMAT}"',
        )
    version = str(root.attribute("format_version", str))
    major = version.split(".")[0]
    if not (major.isascii() and major.isdigit()):
        raise root.fail("@format_version", f'"{version[:40]}"', 'a version such as "1.0"')
    if int(major[:9]) > layout.MAJOR:
        raise InputError(
            file=root.shown,
            key="format_version",
            found=f"version {version[:40]}",
            expected=f"version {layout.MAJOR}.x or older: a newer sawfem reads this file",
        )


def _read(root: Node) -> Result:
    case = root.child("case")
    gratings = root.child("grating")
    checks = root.child("checks")
    return Result(
        title=root.attribute("title", str),
        case_name=root.attribute("case_name", str),
        case_source=case.text("source"),
        resolved=case.json("resolved"),
        materials=_read_materials(root.child("materials")),
        gratings={name: _read_grating(name, gratings.child(name)) for name in gratings.names()},
        device=_read_device(root.child("device"), checks) if "device" in root else None,
        checks={
            name: {
                "value": float(checks.array(name, ())),
                "limit": checks.attribute("limit", float, of=name),
                "ok": checks.attribute("ok", bool, of=name),
            }
            for name in checks.names()
        },
        warnings=root.texts("warnings"),
        cautions=root.texts("cautions"),
        versions={
            name: root.child("versions").attribute(name, str)
            for name in root.child("versions").group.attrs
        },
        created=root.attribute("created", str),
    )


def _read_materials(node: Node) -> dict[str, dict[str, str]]:
    """Every text below /materials: a set "crystal/publication" lies two groups deep."""
    found: dict[str, dict[str, str]] = {}
    for name in node.names():
        kind = node.group.get(name, getclass=True)
        if kind is h5py.Group and node.group.name.count("/") < 4:
            found |= _read_materials(node.child(name))
            continue
        item = {key: node.attribute(key, str, of=name) for key in ("sha256", "source")}
        item["provenance"] = node.attribute("provenance", str, of=name)
        found[node.attribute("name", str, of=name)] = {"toml": node.text(name), **item}
    return found


def _number(node: Node, name: str, quantity: str = "") -> Any:
    """A value as its row in the table has it: float, complex, pair or text; NaN becomes None."""
    row = entry(quantity or name)
    if row.form == "text":
        return node.text(name)
    if row.form == "pair":
        if node.dataset(name).shape == ():  # a pair that does not exist is one NaN
            node.array(name, ())
            return None
        pair = node.array(name, (2,)).tolist()
        return tuple(None if np.isnan(part) else part for part in pair)
    if row.form == "complex":
        value = complex(node.array(name, (), np.complex128))
        return None if np.isnan(value.real) else value
    number = float(node.array(name, ()))
    return None if np.isnan(number) else number


def _read_grating(name: str, node: Node) -> GratingResult:
    constants = node.child("constants")
    values = {key: _number(constants, key) for key in CONSTANTS}
    bars = {key: f"{key}_uncertainty" for key in CONSTANTS}
    numerical = {key: _number(constants, bar, key) for key, bar in bars.items() if bar in constants}
    reasons = {key: str(text) for key, text in constants.json("reasons").items()}
    waves = node.child("waves")
    frequency = node.array("frequency", (None,))
    shape = (frequency.size, 1)
    modes = node.child("mode")
    return GratingResult(
        name=name,
        constants=GratingConstants(**values, numerical=numerical, reasons=reasons),
        waves=tuple(_read_wave(waves.child(key)) for key in sorted(waves.names(), key=_as_number)),
        frequency=frequency,
        harmonic_admittance=node.array("harmonic_admittance", shape, np.complex128)[:, 0],
        two_mode_admittance=(
            node.array("two_mode_admittance", shape, np.complex128)[:, 0]
            if "two_mode_admittance" in node
            else None
        ),
        modes=tuple(_read_mode(edge, modes.child(edge)) for edge in modes.names()),
        dispersion=read_dispersion(node.child("dispersion")) if "dispersion" in node else None,
        oblique=read_oblique(node.child("oblique")) if "oblique" in node else None,
        cell=read_cell(node.child("cell")) if "cell" in node else None,
        temperature={
            str(kind): {str(key): float(value) for key, value in parts.items()}
            for kind, parts in (node.json("temperature") if "temperature" in node else {}).items()
        },
        losses={
            str(edge): {str(key): float(value) for key, value in parts.items()}
            for edge, parts in (node.json("losses") if "losses" in node else {}).items()
        },
    )


def _as_number(name: str) -> int:
    return int(name) if name.isascii() and name.isdigit() else -1


def _read_wave(node: Node) -> Wave:
    u = node.array("polarisation", (3,), np.complex128).tolist()
    values = {name: _number(node, name) for name in WAVE_QUANTITIES}
    return Wave(**values, polarisation=(u[0], u[1], u[2]))


def _read_mode(edge: str, node: Node) -> ModeShape:
    x = node.array("position_x", (None,))
    triangles = node.array("triangles", (None, 3), np.int64)
    if triangles.size and not (triangles.min() >= 0 and triangles.max() < x.size):
        raise node.fail("triangles", "an index outside the nodes", f"0 to {x.size - 1}")
    return ModeShape(
        edge=edge,
        frequency=node.attribute("frequency", complex),
        period=node.attribute("period", float),
        phase=node.attribute("phase", float),
        x=x,
        z=node.array("position_z", (x.size,)),
        triangles=triangles,
        region=node.array("region", (len(triangles),), np.int64),
        displacement=node.array("displacement", (x.size, 3), np.complex128),
        potential=node.array("potential", (x.size,), np.complex128),
        potential_scale=node.attribute("volt_per_metre_of_displacement", float, of="potential"),
        outlines=tuple(node.array("outlines", (None, None, 2))),
        amplitude=(node.attribute("amplitude", float) if "amplitude" in node.group.attrs else None),
    )


def _read_device(node: Node, checks: Node) -> DeviceResult:
    frequency = node.array("frequency", (None,))
    names = node.texts("port")
    count, ports = frequency.size, len(names)
    if not (count and ports):
        raise node.fail("frequency", "no frequency or no port", "one at least")
    reference = node.array("reference_impedance", (count, ports), np.complex128)
    figures = node.child("figures")
    found = {}
    for name in figures.names():
        if name in table():
            bar = f"{name}_uncertainty"
            error = float(figures.array(bar, ())) if bar in figures else None
            value = _number(figures, name)
            found[name] = Quantity.of(name, np.nan if value is None else value, error)
    own = [name for name in checks.names() if name.startswith("device.")]
    response = Response(
        frequency=frequency,
        y=node.array("y", (count, ports, ports), np.complex128),
        s=node.array("s", (count, ports, ports), np.complex128),
        reference=reference,
        figures=found,
        reasons={key: str(text) for key, text in figures.json("reasons").items()},
        checks={
            name.removeprefix("device."): Check(
                float(checks.array(name, ())),
                checks.attribute("limit", float, of=name),
                checks.attribute("ok", bool, of=name),
            )
            for name in own
        },
        power=_read_power(node, count),
    )
    impedances = zip(names, reference[0], strict=True)
    limits = node.json("specification")["limits"] if "specification" in node else ()
    return DeviceResult(
        kind=node.attribute("kind", str),
        response=response,
        ports=tuple(Port(name, complex(z)) for name, z in impedances),
        description=node.json("description"),
        spurious=tuple(node.json("spurious")["spurious"]) if "spurious" in node else (),
        quality=node.json("quality") if "quality" in node else {},
        resonators=node.json("resonators") if "resonators" in node else {},
        signal=node.json("signal") if "signal" in node else None,
        transverse=read_transverse(node.child("transverse")) if "transverse" in node else None,
        specification=tuple(limits),
        measurements=_read_measurements(node, ports),
        second_model=(
            read_second_model(node.child("second_model")) if "second_model" in node else ()
        ),
        beams=_read_beams(node.child("diffraction")) if "diffraction" in node else (),
    )


def _read_beams(node: Node) -> tuple[BeamPair, ...]:
    return tuple(read_beam(node.child(name)) for name in sorted(node.names(), key=_as_number))


def _read_measurements(node: Node, ports: int) -> tuple[MeasuredComparison, ...]:
    """Measurements beside the computed response; none in files that have none."""
    if "measurement" not in node:
        return ()
    found = []
    for name in node.child("measurement").names():
        one = node.child("measurement").child(name)
        frequency = one.array("frequency", (None,))
        shape = (frequency.size, ports, ports)
        figures = one.child("figures")
        values = {key: _number(figures, key) for key in figures.names() if key in table()}
        found.append(
            MeasuredComparison(
                name=name,
                file=one.attribute("file", str),
                frequency=frequency,
                measured=one.array("s_measured", shape, np.complex128),
                computed=one.array("s_computed", shape, np.complex128),
                reference=one.array("reference_impedance", shape[:2], np.complex128),
                figures={
                    key: Quantity.of(key, np.nan if value is None else value)
                    for key, value in values.items()
                },
                reasons={key: str(text) for key, text in figures.json("reasons").items()},
                removed=one.attribute("removed", str),
            )
        )
    return tuple(found)


def _read_power(node: Node, count: int) -> dict[str, Any]:
    """Shares of power over frequency; none in files that have none."""
    if "power" not in node:
        return {}
    power = node.child("power")
    return {name: power.array(name, (count,)) for name in power.names()}
