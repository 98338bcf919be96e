"""What the public names are handed: another kind of thing is refused in one sentence."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import sawfem as sf
from sawfem.errors import InputError

STACK = sf.Stack("quartz/bechmann-1958", cut="(YXl)42.75")
METAL = sf.Electrode("aluminium/kaye-laby", thickness=np.float64(1e-7), width="1 um")
CELL = sf.UnitCell(STACK, [METAL], period=np.float64(2e-6))

WRONG: list[tuple[Callable[[], Any], str]] = [
    (lambda: sf.UnitCell("quartz", [METAL], period="2 um"), "stack: found a str"),
    (lambda: sf.UnitCell(STACK, "metal", period="2 um"), "electrodes: found a str"),
    (lambda: sf.UnitCell(STACK, [3], period="2 um"), "electrodes: found an int"),
    (lambda: sf.grating_constants(STACK), "cell: found a Stack; expected a UnitCell"),
    (lambda: sf.grating_constants(CELL, accuracy="1e-5"), "accuracy: found '1e-5'"),
    (lambda: sf.double_electrode_constants(3), "cell: found an int"),
    (lambda: sf.plane_waves("quartz"), "stack: found a str"),
    (lambda: sf.device_response(CELL, {}, [1e9]), "device: found a UnitCell"),
    (
        lambda: sf.device_response(
            sf.Device.resonator(fingers=9, reflector_fingers=9, aperture="1 mm"), 3, [1e9]
        ),
        "constants: found an int; expected those of grating_constants",
    ),
    (lambda: sf.run("buoy.toml"), "case: found a str; expected a Case"),
    (lambda: sf.check("buoy.toml"), "case: found a str"),
    (lambda: sf.run_sweep("buoy.toml"), "case: found a str"),
    (lambda: sf.Case.load(3), "path: found an int"),
    (lambda: sf.open_result(3), "folder: found an int"),
    (lambda: sf.open_sweep(None), "path: found None"),
]


@pytest.mark.parametrize(("call", "message"), WRONG, ids=[text for _, text in WRONG])
def test_another_kind_of_thing_is_refused(call: Callable[[], Any], message: str) -> None:
    with pytest.raises(InputError) as caught:
        call()
    assert message in str(caught.value)


def test_one_electrode_needs_no_list() -> None:
    assert sf.UnitCell(STACK, METAL, period="2 um") == CELL


def test_the_face_lists_its_own_names_alone() -> None:
    """dir() is what a person completes: the public names, and what every module has."""
    assert {name for name in dir(sf) if not name.startswith("__")} == set(sf.__all__)
    assert "__version__" in dir(sf)
