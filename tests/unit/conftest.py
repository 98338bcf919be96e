"""One solved grating and one whole result, shared by all tests of what is made of them."""

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.device import Resonator, Transversal, device_response
from sawfem.extract import solve_grating
from sawfem.result import (
    Result,
    collect_checks,
    device_result,
    grating_result,
    material_entry,
)

PITCH = 2.228e-6


@pytest.fixture(scope="session")
def solved_grating():
    """Aluminium strips of h/lambda 2 % on 128 deg Y-X lithium niobate."""
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    cell = UnitCell.grating(
        stack,
        "aluminium/kaye-laby",
        pitch=PITCH,
        thickness="89 nm",
        sidewall_angle=80.0,
    )
    return solve_grating(cell, accuracy=1e-4)


@pytest.fixture(scope="session")
def one_port(solved_grating):
    resonator = Resonator(
        fingers=121,
        reflector_fingers=(300, 300),
        aperture=178e-6,
        gap=PITCH,
        sheet_resistance=0.34,
        electrode_width=0.5 * PITCH,
    )
    frequency = np.linspace(840e6, 920e6, 161)
    return device_response(resonator, solved_grating.constants.com(), frequency)


@pytest.fixture(scope="session")
def two_port(solved_grating):
    filter_ = Transversal(
        fingers=(31, 21), aperture=178e-6, gap=40e-6, terminations=(50.0, 60.0 - 8.0j)
    )
    frequency = np.linspace(800e6, 940e6, 141)
    return device_response(filter_, solved_grating.constants.com(), frequency)


@pytest.fixture(scope="session")
def whole_result(solved_grating, one_port):
    gratings = {"main": grating_result("main", solved_grating, samples=41)}
    toml = 'crystal = "lithium niobate"\n'
    return Result(
        title="Buoy 7: 868 MHz resonator – µm",
        case_name="b-buoy-resonator",
        case_source='title = "Buoy 7"  # Kommentar: ä\r\n',
        resolved={"title": "Buoy 7", "gratings": {"main": {"pitch": PITCH}}},
        materials={
            "lithium-niobate/kovacs-1990": material_entry(toml, "Kovacs 1990", "reproduced"),
            "./own.toml": material_entry("a = 1\n", "measured here", "unconfirmed"),
        },
        gratings=gratings,
        device=device_result("resonator", one_port, {"fingers": 121}),
        checks=collect_checks({"main": solved_grating}, one_port),
        warnings=("a warning",),
        cautions=("Radiated power and band use are regulated: follow local rules.",),
    )
