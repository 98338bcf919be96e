"""Derivatives of the edges without a second solution: against solving again, and identities."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.errors import InputError
from sawfem.extract import solve_grating
from sawfem.extract.loss_budget import loss_budget, with_losses
from sawfem.material.imperfection import Viscosity
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.perturbation import EdgeDerivatives, cell_materials, substituted
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.stopband import refine_stop_band
from sawfem.unitcell.system import BlochSystem, floor_admittance


def grating(substrate, cut, thickness):
    cell = UnitCell.grating(
        Stack(substrate, cut=cut), "aluminium/kaye-laby", pitch=2e-6, thickness=thickness * 4e-6
    )
    return solve_grating(cell, accuracy=1e-4).band


@pytest.fixture(scope="module")
def weak(solved_grating):
    return solved_grating.band


@pytest.fixture(scope="module")
def leaky():
    return grating("lithium-tantalate/smith-welsh-1971", "(YXl)42", 0.08)


def frequencies(band):
    return np.array([edge.frequency for edge in (*band.shorted, *band.open)])


def solved_again(band, cell):
    settings = band.model.system.discretisation.settings
    return frequencies(refine_stop_band(discretise(cell, settings), band))


@pytest.mark.parametrize("which", ["weak", "leaky"])
@pytest.mark.parametrize("part", ["substrate", "metal"])
def test_stiffness_derivative_is_what_solving_again_gives(which, part, request):
    band = request.getfixturevalue(which)
    cell = band.model.system.discretisation.cell
    material = cell_materials(cell)[0 if part == "substrate" else 1]
    step = 1e-4
    ends = [
        solved_again(
            band,
            substituted(cell, material, replace(material, stiffness=material.stiffness * factor)),
        )
        for factor in (1.0 - step, 1.0 + step)
    ]
    expected = (ends[1] - ends[0]) / (2.0 * step)
    found = EdgeDerivatives(band).stiffness(material)
    # The edge near a bulk onset bends: its difference has an error of its own, some 1e-5 of f.
    assert np.abs(found - expected).max() < 2e-5 * np.abs(frequencies(band)).max()
    rounding = 1e-11 * abs(frequencies(band)[0]) / (2.0 * step)  # of the two solved again
    assert np.abs(found[0] - expected[0]) < 1e-6 * abs(expected[0]) + rounding


@pytest.mark.parametrize("which", ["weak", "leaky"])
def test_all_densities_together_scale_the_frequency_by_their_inverse_root(which, request):
    # f ~ rho^-1/2 exactly when every density is multiplied alike: sum df/d ln rho = -f/2.
    band = request.getfixturevalue(which)
    derivatives = EdgeDerivatives(band)
    cell = band.model.system.discretisation.cell
    total = sum(derivatives.density(material) for material in cell_materials(cell))
    assert total == pytest.approx(-0.5 * frequencies(band), rel=1e-6)


def test_a_lossy_uniform_cell_has_the_quality_of_its_material(weak):
    # Not piezoelectric and all of one Q: f^2 ~ c (1 + j/Q), so Im f / Re f = 1/(2Q). Here with
    # piezoelectricity: the strain energy at constant field is the share 2 df/d ln c / f.
    cell = weak.model.system.discretisation.cell
    substrate, metal = cell_materials(cell)
    lossy = substituted(cell, substrate, replace(substrate, mechanical_q=1000.0))
    lossy = substituted(lossy, metal, replace(metal, mechanical_q=1000.0))
    settings = weak.model.system.discretisation.settings
    band = refine_stop_band(discretise(lossy, settings), weak)
    budget = loss_budget(band)
    share = sum(EdgeDerivatives(weak).stiffness(m) for m in (substrate, metal))
    assert budget.shift == pytest.approx(1j / 1000.0 * share, rel=1e-6)
    # K^2 of 5 to 6 per cent: less than the whole stiffness is at constant field, not much less.
    assert 1000.0 < budget.quality(0) < 1250.0


def test_loss_of_the_metal_against_complex_stiffness(leaky):
    # Second way: the cell's matrices with a complex stiffness of the metal, x^T (K + jK_m/Q) x,
    # solved as a nonlinear eigenproblem on the same basis.
    from scipy.optimize import newton

    cell = leaky.model.system.discretisation.cell
    metal = cell_materials(cell)[1]
    q = 200.0
    lossy = substituted(cell, metal, replace(metal, mechanical_q=q))
    settings = leaky.model.system.discretisation.settings
    band = refine_stop_band(discretise(lossy, settings), leaky)
    budget = loss_budget(band)

    stiffer = substituted(cell, metal, replace(metal, stiffness=2.0 * metal.stiffness))
    discretised = discretise(stiffer, settings)
    other = BlochSystem(discretised, np.pi, floor_admittance(discretised))
    model = reduce(leaky.model.system, leaky.resonance.frequency.real)
    full = np.vstack([model.basis, np.zeros((1, model.order))])
    metal_part = full.T @ ((other.stiffness - leaky.model.system.stiffness) @ full)
    r = model.order

    def determinant(f):
        a = model.matrix(f)[:r, :r] + 1j / q * metal_part
        return 1.0 / complex(np.linalg.inv(a)[0, 0])

    for edge, shift in zip(band.shorted[:1], budget.shift[:1], strict=True):
        start = edge.frequency + shift
        found = newton(determinant, start * (1 + 1e-7), x1=start, tol=1e-3, maxiter=60)
        assert found - edge.frequency == pytest.approx(shift, rel=0.01)


def test_losses_move_the_edges_and_name_their_mechanisms(leaky):
    cell = leaky.model.system.discretisation.cell
    metal = cell_materials(cell)[1]
    lossy = substituted(cell, metal, replace(metal, mechanical_q=100.0))
    settings = leaky.model.system.discretisation.settings
    band = refine_stop_band(discretise(lossy, settings), leaky)
    budget = loss_budget(band)
    parts = budget.by_mechanism(0)
    assert set(parts) == {"radiation", "aluminium/kaye-laby, mechanical"}
    assert all(value >= 0.0 for value in parts.values())
    moved = with_losses(band, budget)
    assert frequencies(moved).imag == pytest.approx((budget.frequency + budget.shift).imag)


def test_another_phase_is_refused(weak):
    discretised = weak.model.system.discretisation
    system = BlochSystem(discretised, 2.0, floor_admittance(discretised))
    model = reduce(system, weak.resonance.frequency.real)
    with pytest.raises(InputError, match="expected pi"):
        EdgeDerivatives(replace(weak, model=model))


@pytest.mark.parametrize("constant", ["stiffness", "permittivity"])
def test_capacitance_derivative_is_what_solving_again_gives(weak, constant):
    cell = weak.model.system.discretisation.cell
    substrate = cell_materials(cell)[0]
    settings = weak.model.system.discretisation.settings
    step = 1e-3
    ends = []
    for factor in (1.0 - step, 1.0 + step):
        changed = replace(substrate, **{constant: getattr(substrate, constant) * factor})
        discretised = discretise(substituted(cell, substrate, changed), settings)
        system = BlochSystem(discretised, np.pi, floor_admittance(discretised))
        model = reduce(system, weak.resonance.frequency.real)
        ends.append(float(model.capacitance()[0, 0].real))
    expected = (ends[1] - ends[0]) / (2.0 * step) / (0.5 * (ends[0] + ends[1]))
    found = EdgeDerivatives(weak).capacitance(substrate, constant)
    assert found == pytest.approx(expected, rel=1e-5)


def test_capacitance_shares_are_those_of_clamped_and_free_permittivity(weak):
    # eps at constant stress is eps + e^2/c: multiplying eps, c and e by one number multiplies it,
    # and e enters squared. What is left of one is e's share and the air's, both positive.
    substrate = cell_materials(weak.model.system.discretisation.cell)[0]
    derivatives = EdgeDerivatives(weak)
    stiffness = derivatives.capacitance(substrate, "stiffness")
    permittivity = derivatives.capacitance(substrate, "permittivity")
    # Clamped and free eps_inf of the Kovacs set, 355.5 and 493.1 pF/m: -138/493 and 356/493 of
    # the total, less the air's 8.85 (calculated in closed form from the tensors).
    assert stiffness == pytest.approx(-0.28, abs=0.03)
    assert permittivity == pytest.approx(0.71, abs=0.03)


def test_constants_of_a_lossy_grating_lose_what_the_budget_says():
    # 128 deg Y-X, all of Q = 1000: about 1/(2Q) of 54.6 dB/wavelength, and the same velocity.
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    plain = UnitCell.grating(stack, "aluminium/kaye-laby", pitch=2e-6, thickness="80 nm")
    lossy = plain
    for material in cell_materials(plain):
        lossy = substituted(lossy, material, replace(material, mechanical_q=1000.0))
    one, two = (solve_grating(cell, accuracy=1e-4) for cell in (plain, lossy))
    assert one.losses is None
    assert two.losses is not None
    assert two.constants.attenuation == pytest.approx(
        sum(two.losses.by_mechanism(0).values()), rel=1e-6
    )
    assert two.constants.attenuation == pytest.approx(54.6 / 2000.0, rel=0.2)
    # f sqrt(1 + 2 j x) = f (1 + j x + x^2/2) with x = Im f/Re f.
    x = two.constants.attenuation_coupled / (40.0 * np.pi / np.log(10.0))
    expected = one.constants.velocity * (1.0 + 0.5 * x**2)
    assert two.constants.velocity == pytest.approx(expected, rel=1e-9)
    assert two.constants.numerical["velocity"] > one.constants.numerical["velocity"]
    assert two.constants.fit_misfit == pytest.approx(one.constants.fit_misfit)
    assert two.checks["constants_passive"][0] == 0.0


def test_a_viscosity_like_the_stiffness_is_a_quality_factor_at_its_frequency(weak):
    # eta = c/(w Q): c + j w eta = c (1 + j/Q) at w, and in proportion to w elsewhere.
    cell = weak.model.system.discretisation.cell
    metal = cell_materials(cell)[1]
    q, f = 300.0, frequencies(weak).real
    matrix = metal.stiffness / (2.0 * np.pi * f[0] * q)
    viscous = replace(metal, viscosity=Viscosity(matrix, "invented for this test", "unconfirmed"))
    settings = weak.model.system.discretisation.settings
    found = []
    for lossy in (replace(metal, mechanical_q=q), viscous):
        discretised = discretise(substituted(cell, metal, lossy), settings)
        found.append(loss_budget(refine_stop_band(discretised, weak)).shift)
    assert found[1] == pytest.approx(found[0] * f / f[0], rel=1e-5)
