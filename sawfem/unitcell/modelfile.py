"""A certified model as an HDF5 file: all that is needed to answer, and no matrix of the mesh.

/                      format="sawfem-cell-model", format_version, sawfem_version, sha256
                       (of the description), tolerance, reached, capacitance [F/m], period
                       [m], electrodes, largest harmonic |k_n| p
/cell                  JSON, SI: the cell and its mesh settings
/region                (2, 2): frequencies [Hz]; phases [rad]
/snapshots             (n, 2): frequency [Hz], phase [rad] of the full solutions
/projected/<name>      small matrices and traces (sawfem/unitcell/projected.py), scaled units;
                       losses by the names in /projected/loss_names (material, mechanism)
/basis, /lift          (free unknowns, r) and (free unknowns, e), to expand fields over the mesh
/floor/substrate, /floor/layer-<i>    blocks g33, g31, g11; attributes density, electric,
                       conducting, thickness [m]; /floor has the attribute shorts. What is lost
                       below in groups static and viscous [s] of the same blocks

Version 1 knew no losses, versions 1 and 2 no lift of the electrodes; they are read as such.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from sawfem import __version__
from sawfem.errors import InputError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.lossy_admittance import Floor, LossyAdmittance, LossyBody
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.identity import description_hash
from sawfem.unitcell.projected import ProjectedCell
from sawfem.unitcell.region import Region
from sawfem.wholefiles import replacing, unwritable

FORMAT = "sawfem-cell-model"
VERSION = 3
READ = (1, 2, 3)
#: Arrays of a ProjectedCell by name, and whether they are complex.
ARRAYS = {
    "stiffness": "c",
    "mass": "c",
    "stiffness_tests": "c",
    "mass_tests": "c",
    "orders": "i",
    "bottom_nodes": "f",
    "top_nodes": "f",
    "bottom": "c",
    "top": "c",
    "loss": "c",
    "loss_tests": "c",
    "cancelling": "f",
}
#: Those that files of earlier versions have not.
LATER = ("loss", "loss_tests", "cancelling")


def save_model(model: CellModel, path: str | Path) -> Path:
    """Write a model to a file, in one step; an existing file is replaced.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    import h5py

    target = Path(path)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(target, error) from error
    with replacing(target) as new, h5py.File(new, "w") as file:
        write_model(file, model)
    return target


def write_model(group: Any, model: CellModel) -> None:
    """Put a model into an open HDF5 group."""
    small = model.projected
    group.attrs["format"], group.attrs["format_version"] = FORMAT, VERSION
    group.attrs["sawfem_version"], group.attrs["sha256"] = __version__, model.sha256
    for name in ("tolerance", "reached", "capacitance", "period", "electrodes"):
        group.attrs[name] = getattr(model, name)
    group.attrs["largest"] = small.largest
    group["cell"] = model.description
    group["region"] = np.array([model.region.frequencies, model.region.phases])
    group["snapshots"] = np.array(model.snapshots)
    for name in ARRAYS:
        group[f"projected/{name}"] = getattr(small, name)
    names = [list(pair) for pair in small.loss_names]
    group["projected/loss_names"] = json.dumps(names)
    group["basis"], group["lift"] = model.basis, model.lift
    _write_floor(group.create_group("floor"), small.floor)


def load_model(path: str | Path) -> CellModel:
    """Read a model back: it answers, gives modes and expands fields; with its cell it grows.

    Raises
    ------
    InputError : no such file, another kind of file, a later version, or contents that contradict
        each other.
    """
    import h5py

    source = Path(path)
    try:
        with h5py.File(source, "r") as file:
            return read_model(file)
    except InputError as error:
        raise InputError(
            file=source.as_posix(), key=error.key, found=error.found, expected=error.expected
        ) from None
    except (OSError, KeyError, ValueError, TypeError, RuntimeError) as error:
        missing = not source.is_file()
        raise InputError(
            file=source.as_posix(),
            found="no such file" if missing else f"a file that cannot be read ({error})",
            expected="a model of a cell as save_model writes it",
        ) from error


def read_model(group: Any) -> CellModel:
    """Take a model out of an open HDF5 group. InputError for contents that cannot be a model."""
    _check_format(group)
    description = group["cell"].asstr()[()]
    if description_hash(description) != group.attrs["sha256"]:
        raise InputError(
            key="cell", found="a description that does not match its hash", expected="a whole file"
        )
    frequencies, phases = group["region"][()].tolist()
    small = _read_projected(group)
    basis = group["basis"][()]
    if basis.ndim != 2 or basis.shape[1] != small.order or basis.dtype.kind != "c":
        raise InputError(
            key="basis", found=f"shape {basis.shape}", expected=f"{small.order} complex columns"
        )
    lift = np.zeros((basis.shape[0], small.electrodes), dtype=complex)
    if int(group.attrs["format_version"]) > 2:
        lift = group["lift"][()]
    if lift.shape != (basis.shape[0], small.electrodes) or lift.dtype.kind != "c":
        raise InputError(
            key="lift", found=f"shape {lift.shape}", expected=f"{small.electrodes} complex columns"
        )
    return CellModel.from_parts(
        region=Region(tuple(frequencies), tuple(phases)),
        tolerance=float(group.attrs["tolerance"]),
        reached=float(group.attrs["reached"]),
        snapshots=tuple((float(f), float(g)) for f, g in group["snapshots"][()]),
        capacitance=float(group.attrs["capacitance"]),
        description=description,
        projected=small,
        basis=basis,
        lift=lift,
    )


def _check_format(group: Any) -> None:
    if group.attrs.get("format") != FORMAT:
        raise InputError(
            key="format", found=repr(group.attrs.get("format", "nothing")), expected=repr(FORMAT)
        )
    if int(group.attrs["format_version"]) not in READ:
        raise InputError(
            key="format_version",
            found=str(group.attrs["format_version"]),
            expected=" or ".join(map(str, READ)),
        )


def _read_projected(group: Any) -> ProjectedCell:
    known = [name for name in ARRAYS if name in group["projected"] or name not in LATER]
    arrays: dict[str, Any] = {name: group[f"projected/{name}"][()] for name in known}
    electrodes = int(group.attrs["electrodes"])
    r = arrays["mass"].shape[-1] - electrodes
    tests = arrays["mass_tests"].shape[1]
    names: list[list[str]] = []
    if int(group.attrs["format_version"]) == 1:
        arrays["loss"] = np.zeros((0, 3, r + electrodes, r + electrodes), dtype=complex)
        arrays["loss_tests"] = np.zeros((0, 3, tests, r + electrodes), dtype=complex)
    else:
        names = json.loads(group["projected/loss_names"].asstr()[()])
    if int(group.attrs["format_version"]) < 3:
        arrays["cancelling"] = np.zeros(r + electrodes)
    traces = (arrays["orders"].size, r + electrodes + tests)
    shapes = {
        "stiffness": (3, r + electrodes, r + electrodes),
        "mass": (3, r + electrodes, r + electrodes),
        "stiffness_tests": (3, tests, r + electrodes),
        "mass_tests": (3, tests, r + electrodes),
        "loss": (len(names), 3, r + electrodes, r + electrodes),
        "loss_tests": (len(names), 3, tests, r + electrodes),
        "cancelling": (r + electrodes,),
        "bottom": (arrays["bottom_nodes"].size, traces[0], 4, traces[1]),
        "top": (arrays["top_nodes"].size, traces[0], 1, traces[1]),
    }
    for name, kind in ARRAYS.items():
        array = arrays[name]
        shape = shapes.get(name, array.shape)
        if array.dtype.kind != kind or array.shape != shape or not np.all(np.isfinite(array)):
            raise InputError(
                key=f"projected/{name}",
                found=f"{array.dtype} of shape {array.shape}",
                expected=f"finite numbers of shape {shape}",
            )
    return ProjectedCell(
        period=float(group.attrs["period"]),
        electrodes=electrodes,
        largest=float(group.attrs["largest"]),
        floor=_read_floor(group["floor"]),
        loss_names=tuple((str(material), str(mechanism)) for material, mechanism in names),
        **arrays,
    )


def _write_floor(group: Any, floor: Floor) -> None:
    group.attrs["shorts"] = np.array(sorted(floor.shorts), dtype=np.int64)
    if isinstance(floor, LossyAdmittance):
        substrate, layers = floor.substrate, floor.layers
    else:
        real, above = floor.tensors
        substrate = LossyBody(real)
        layers = tuple((LossyBody(tensor), height) for tensor, height in above)
    group.attrs["layers"] = len(layers)
    _write_body(group.create_group("substrate"), substrate)
    for index, (body, thickness) in enumerate(layers):
        layer = group.create_group(f"layer-{index}")
        _write_body(layer, body)
        layer.attrs["thickness"] = thickness


def _read_floor(group: Any) -> Floor:
    layers = []
    for index in range(int(group.attrs["layers"])):
        layer = group[f"layer-{index}"]
        layers.append((_read_body(layer), float(layer.attrs["thickness"])))
    shorts = [int(index) for index in group.attrs["shorts"]]
    substrate = _read_body(group["substrate"])
    if substrate.is_lossy or any(body.is_lossy for body, _ in layers):
        return LossyAdmittance.of(substrate, layers, shorts)
    above = [(body.real, height) for body, height in layers]
    return SurfaceAdmittance.from_tensors(substrate.real, above, shorts=shorts)


def _write_body(group: Any, body: LossyBody) -> None:
    _write_tensor(group, body.real)
    for name in ("static", "viscous"):
        part = getattr(body, name)
        if part is not None:
            _write_tensor(group.create_group(name), part)


def _read_body(group: Any) -> LossyBody:
    parts = [_read_tensor(group[name]) if name in group else None for name in ("static", "viscous")]
    return LossyBody(_read_tensor(group), *parts)


def _write_tensor(group: Any, tensor: GeneralisedTensor) -> None:
    for name in ("g33", "g31", "g11"):
        group[name] = getattr(tensor, name)
    for name in ("density", "electric", "conducting"):
        group.attrs[name] = getattr(tensor, name)


def _read_tensor(group: Any) -> GeneralisedTensor:
    # Plain copies in C order, so that a loaded model answers bit for bit.
    g33, g31, g11 = (np.ascontiguousarray(group[name][()]) for name in ("g33", "g31", "g11"))
    return GeneralisedTensor(
        g33,
        g31,
        g11,
        density=float(group.attrs["density"]),
        electric=bool(group.attrs["electric"]),
        conducting=bool(group.attrs["conducting"]),
    )
