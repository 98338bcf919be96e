"""Touchstone files, version 1, of a device's scattering parameters.

Such a file holds one real reference impedance for all ports and all frequencies. Where the
device's terminations are all that one, S is written as it stands; else it is referred to 50 ohm,
which the file's comments say. Numbers are written so that they read back to the same floats.
"""

from __future__ import annotations

import unicodedata
from pathlib import Path

import numpy as np

from sawfem import __version__
from sawfem.result import DeviceResult
from sawfem.wholefiles import replacing

#: Reference impedance where the terminations are complex or not all the same, ohm.
COMMON_REFERENCE = 50.0


def file_reference(device: DeviceResult) -> float:
    """The one real reference impedance of the file, ohm."""
    z = device.response.reference
    first = complex(z[0, 0])
    same = bool(np.all(z == first)) and first.imag == 0.0
    return first.real if same else COMMON_REFERENCE


def write_touchstone(device: DeviceResult, path: str | Path, *, title: str = "") -> Path:
    """Write ``path`` with the suffix .sNp of N ports, in hertz, real and imaginary parts.

    Parameters
    ----------
    path : without suffix; a stem may hold dots.
    title : of the case, for the comments.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    target = Path(f"{path}.s{device.response.ports}p")
    text = touchstone_text(device, title=title)
    with replacing(target) as new:
        new.write_text(text, encoding="ascii", newline="\n")
    return target


def touchstone_text(device: DeviceResult, *, title: str = "") -> str:
    """The file's text; see :func:`write_touchstone`."""
    reference = file_reference(device)
    network = device.response.network(
        None if np.all(device.response.reference == reference) else reference
    )
    network.frequency.unit = "hz"
    network.comments = "\n".join(_comments(device, reference, title))
    network.name = device.kind
    text = network.write_touchstone(skrf_comment=False, return_string=True, form="ri")
    return str(text)


def _comments(device: DeviceResult, reference: float, title: str) -> list[str]:
    z = device.response.reference
    lines = [
        _plain(title),
        f"sawfem {__version__}: {device.kind}, coupling-of-modes model",
        "estimates, not a warranty",
        "ports: "
        + ", ".join(
            f"{number + 1} {_plain(port.name)}" for number, port in enumerate(device.ports)
        ),
    ]
    if not np.all(z == reference):
        ends = ", ".join(f"{_ohms(port.impedance)} ohm" for port in device.ports)
        lines += [
            f"S is referred to {reference:g} ohm at every port; the device ends in {ends}",
            "between its own terminations it answers differently: renormalise S to them",
        ]
    return [line for line in lines if line]


def _ohms(z: complex) -> str:
    return f"{z.real:g}" if z.imag == 0.0 else f"{z.real:g}{z.imag:+g}j"


def _plain(text: str) -> str:
    """One line of ASCII: the format knows no other letters, and a line end would end a comment."""
    flat = " ".join(text.replace("µ", "u").replace("μ", "u").split())
    return unicodedata.normalize("NFKD", flat).encode("ascii", "ignore").decode("ascii")
