"""Derivatives of grating constants: laws of similarity, first-order perturbation, plane waves."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.design import Overcoat, Stack, UnitCell
from sawfem.errors import InputError, MaterialError
from sawfem.extract import GratingSolution, solve_grating
from sawfem.extract.derivatives import Derivatives, constants_derivatives, numbers
from sawfem.extract.grating import MESHES, solve_like
from sawfem.extract.heated_cell import heated_cell
from sawfem.planewave.temperature import temperature_coefficients
from sawfem.unitcell.perturbation import EdgeDerivatives

PITCH = 2.0e-6
QUARTZ, METAL = "quartz/bechmann-1958", "aluminium/kaye-laby"
HELD = {QUARTZ: ("piezoelectric", "permittivity"), METAL: ("stiffness",)}
STACK = Stack(QUARTZ, euler=[0.0, 132.75, 0.0])


def cell(height: float = 0.02, ratio: float = 0.5, angle: float = 80.0) -> UnitCell:
    return UnitCell.grating(
        STACK,
        METAL,
        pitch=PITCH,
        thickness=2.0 * PITCH * height,
        metallisation_ratio=ratio,
        sidewall_angle=angle,
    )


@pytest.fixture(scope="module")
def quartz() -> GratingSolution:
    return solve_grating(cell(), accuracy=1e-2)


@pytest.fixture(scope="module")
def moved(quartz) -> Derivatives:
    return constants_derivatives(quartz, hold_constant=HELD, mesh=MESHES[0])


def test_similarity_of_the_materials(moved):
    """f goes as 1/sqrt(rho) of all densities, and as sqrt(c) of all stiffnesses with e ~ sqrt(c)
    (the equations of piezoelectricity hold no other scale); C goes with neither."""
    for name in ("resonance", "antiresonance", "velocity"):
        total = dict.fromkeys(("density", "stiffness", "piezoelectric"), 0.0)
        for parameter in moved.parameters:
            _, _, part = parameter.rpartition(".")
            if part in total:
                total[part] += moved.relative(parameter, name)
        assert total["density"] == pytest.approx(-0.5, abs=1e-8)
        assert total["stiffness"] + 0.5 * total["piezoelectric"] == pytest.approx(0.5, abs=1e-8)
    k = sum(moved.values[p]["reflection_per_electrode"] for p in moved.values if "density" in p)
    assert abs(k) < 1e-8


def test_materials_agree_with_first_order_perturbation(quartz, moved):
    """dA between two mode shapes, with nothing solved again, gives the same slopes of the edges."""
    base = solve_like(quartz, quartz.cell, MESHES[0])
    adjoint = EdgeDerivatives(base.band)
    for material in (quartz.cell.stack.material, quartz.cell.electrodes[0].metal):
        for part in ("density", "stiffness"):
            exact = getattr(adjoint, part)(material)[:2].real
            here = moved.values[f"{material.name}.{part}"]["stopband_short"]
            assert here == pytest.approx(exact, rel=2e-5)


def test_errors_bound_what_larger_steps_tell(quartz, moved):
    """Secant slopes over steps of several per cent, extrapolated, meet the derivatives."""
    height = quartz.cell.electrodes[0].thickness
    steps = np.array([0.02, 0.04])
    slopes = []
    for step in steps:
        low, high = (
            numbers(solve_like(quartz, cell(0.02 * (1.0 + sign * step)), MESHES[0]))["resonance"]
            for sign in (-1.0, 1.0)
        )
        slopes.append((high - low) / (2.0 * step * height))
    secant = (4.0 * slopes[0] - slopes[1]) / 3.0
    assert moved.values["thickness"]["resonance"] == pytest.approx(secant, rel=1e-4)
    for parameter in ("thickness", "width", "sidewall_angle"):
        value = moved.values[parameter]["velocity"]
        assert moved.errors[parameter]["velocity"] < 1e-3 * abs(value)


def test_temperature_of_a_grating_without_metal_is_that_of_the_plane_waves():
    """Carried to zero thickness (squares included) the resonance of massless strips, of half the
    pitch, lies 0.957 of the way from the free to the metallised surface and the antiresonance
    0.043 (tests/reference/test_massless_strips.py): so do their drifts."""
    drifts = {"resonance": [], "antiresonance": []}
    for height in (0.002, 0.004, 0.008):
        solution = solve_grating(cell(height, angle=90.0), accuracy=1e-2)
        found = constants_derivatives(solution, ["temperature"], hold_constant=HELD, mesh=MESHES[0])
        for name, values in drifts.items():
            values.append(found.relative("temperature", name))
    free, metallised = (
        temperature_coefficients(
            STACK, solution.wave, hold_constant={QUARTZ: HELD[QUARTZ]}, metallised=covered
        ).frequency.first
        for covered in (False, True)
    )
    for name, share in (("resonance", 0.957), ("antiresonance", 0.0433)):
        thin = np.dot([8.0, -6.0, 1.0], drifts[name]) / 3.0
        expected = free + share * (metallised - free)
        assert thin == pytest.approx(expected, abs=2e-8)  # 1/K; metal of 0.8 % adds 80e-8


def test_spread_is_the_root_of_the_squares(quartz, moved):
    tolerances = {"thickness": 1e-9, "width": 8e-9}
    spread = moved.spread(tolerances)
    expected = np.hypot(
        moved.values["thickness"]["resonance"] * 1e-9, moved.values["width"]["resonance"] * 8e-9
    )
    assert spread["resonance"] == pytest.approx(expected)
    constants = moved.with_process(quartz.constants, tolerances)
    assert constants.process["velocity"] == pytest.approx(spread["velocity"])
    assert constants.numerical == quartz.constants.numerical
    with pytest.raises(InputError, match="layer"):
        moved.spread({"layer[3].thickness": 1e-9})
    with pytest.raises(InputError, match="0 or more"):
        moved.spread({"width": -1e-9})


def test_every_part_of_a_cell_is_heated():
    """Lengths along the surface with the substrate, across it as clamped films; what has no
    coefficients is named."""
    coated = UnitCell.grating(
        STACK,
        METAL,
        pitch=PITCH,
        thickness=80e-9,
        sidewall_angle=80.0,
        overcoat=[Overcoat(QUARTZ, "30 nm")],
    )
    warm = heated_cell(coated, 75.0, hold_constant=HELD)
    stretch = warm.period / coated.period
    assert 1.0 + 50.0 * 7e-6 < stretch < 1.0 + 50.0 * 15e-6
    strip, old = warm.electrodes[0], coated.electrodes[0]
    assert strip.width / old.width == pytest.approx(stretch, rel=1e-12)
    # sigma_33 = 0: alpha_f + 2 nu/(1 - nu) (alpha_f - alpha_s), between both directions in plane.
    ratio = 0.345
    bounds = [
        1.0 + 50.0 * (2.31e-5 + 2.0 * ratio / (1.0 - ratio) * (2.31e-5 - alpha))
        for alpha in (14e-6, 7e-6)
    ]
    assert bounds[0] < strip.thickness / old.thickness < bounds[1]
    assert warm.overcoat[0].thickness > coated.overcoat[0].thickness
    assert heated_cell(coated, 25.0) is coated
    with pytest.raises(MaterialError, match="c11"):
        heated_cell(coated, 75.0, hold_constant={QUARTZ: HELD[QUARTZ]})
    with pytest.raises(MaterialError, match="gold"):
        heated_cell(coated, 75.0, hold_constant={"gold/kaye-laby": ("stiffness",)})
