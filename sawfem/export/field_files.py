"""Fields for other viewers: VTU files of modes and driven fields, XDMF frames of their motion.

meshio writes both. VTU knows no complex numbers, so every array comes as a real and an imaginary
part; at the time t of a period T the field is Re[(re + j im) exp(2 pi j t/T)]. Coordinates are in
micrometres, since many viewers lose points that are a millionth apart.

    <name>.vtu            displacement_re, displacement_im, potential_re, potential_im at points,
                          region of each triangle
    <name>-motion.xdmf    the same field at FRAMES times of one period, data in <name>-motion.h5
    units.txt             what the arrays mean, with their units
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import meshio
import numpy as np
from meshio.xdmf import TimeSeriesWriter
from numpy.typing import NDArray

from sawfem.result import Result
from sawfem.unitcell.fields import ModeShape

#: Times of one period in the frames.
FRAMES = 16

_UNITS = """\
points          x1, x2 = 0, x3 in micrometres; x3 = 0 is the surface of the stack, one period
displacement    u1, u2, u3 along the device axes
                of a mode: relative, the largest magnitude is 1 (a mode has no size of its own)
                of a driven field: metres, with the hot electrodes of the period at 1 V and those
                of the next period at 1 V times cos(phase)
potential       of a mode: volts for a largest displacement of one metre
                of a driven field: volts
_re, _im        real and imaginary part; at time t: Re[(re + j im) exp(+j 2 pi f t)]
region          of a triangle: 0 air, 1 metal, 2 + i part i of the stack from the surface down,
                -1 - i overcoat i upwards
next period     multiply by exp(-j phase)
time            of the frames, in periods 1/f

"""


def write_fields(result: Result, folder: Path) -> tuple[Path, ...]:
    """Write the fields of all gratings that were asked for them into an existing folder.

    A grating was asked when it holds a driven field. Names are those of the edges with hyphens;
    further gratings add their name.
    """
    files: list[Path] = []
    lines = [_UNITS]
    for number, (name, grating) in enumerate(result.gratings.items()):
        if grating.driven is None:
            continue
        ending = f"-{name}" if number else ""
        for mode in grating.modes:
            stem = mode.edge.replace(" ", "-") + ending
            files += [_write_vtu(mode, folder / f"{stem}.vtu")]
            files += _write_motion(mode, folder / f"{stem}-motion.xdmf")
            lines.append(f"{stem:<22}{_described(mode)}\n")
    if files:
        units = folder / "units.txt"
        units.write_text("".join(lines), encoding="utf-8", newline="\n")
        files.append(units)
    return tuple(files)


def _described(mode: ModeShape) -> str:
    f = mode.frequency
    return f"f = {f.real:.9g} Hz {f.imag:+.3g}j Hz, phase {mode.phase:.9g} rad"


def _points(mode: ModeShape) -> NDArray[np.float64]:
    return 1e6 * np.column_stack([mode.x, np.zeros_like(mode.x), mode.z])


def _values(mode: ModeShape) -> dict[str, NDArray[np.complex128]]:
    """Displacement (n, 3) and potential (n,) as units.txt says."""
    size = 1.0 if mode.amplitude is None else mode.amplitude
    return {
        "displacement": mode.displacement * size,
        "potential": mode.potential * mode.potential_scale * size,
    }


def _write_vtu(mode: ModeShape, path: Path) -> Path:
    parts: dict[str, Any] = {}
    for name, values in _values(mode).items():
        parts[f"{name}_re"], parts[f"{name}_im"] = values.real.copy(), values.imag.copy()
    mesh = meshio.Mesh(
        _points(mode),
        [("triangle", mode.triangles)],
        point_data=parts,
        cell_data={"region": [mode.region]},
    )
    meshio.write(path, mesh, file_format="vtu")
    return path


class _Frames(TimeSeriesWriter):  # type: ignore[misc]
    """meshio's writer, with the data beside the XDMF file and not in the working folder."""

    def __enter__(self) -> _Frames:
        self.h5_filename = f"{self.filename.stem}.h5"
        self.h5_file = h5py.File(self.filename.with_suffix(".h5"), "w")
        return self


def _write_motion(mode: ModeShape, path: Path) -> tuple[Path, Path]:
    values = _values(mode)
    with _Frames(path) as writer:
        writer.write_points_cells(_points(mode), [("triangle", mode.triangles)])
        for time in np.arange(FRAMES) / FRAMES:
            turn = np.exp(2j * np.pi * time)
            writer.write_data(
                float(time), point_data={name: (v * turn).real for name, v in values.items()}
            )
    return path, path.with_suffix(".h5")
