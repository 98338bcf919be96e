"""Losses of the materials inside the certified model: closed forms, full solutions, power."""

import os
from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import solve_sylvester

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.errors import InputError
from sawfem.extract.loss_budget import loss_budget
from sawfem.material.imperfection import LossTangent, Viscosity
from sawfem.planewave.follow import locate
from sawfem.planewave.loss import Loss, damped
from sawfem.planewave.lossy_admittance import LossyAdmittance, branch_velocities
from sawfem.planewave.partial_waves import stroh_matrix
from sawfem.planewave.surface_waves import plane_waves
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.dispersion import dispersion_curves
from sawfem.unitcell.gratingmodes import modes_at_frequency, modes_at_phase
from sawfem.unitcell.losses import lossy_body, material_losses
from sawfem.unitcell.lossyreduced import reduce_lossy
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.modelfile import load_model, save_model
from sawfem.unitcell.modes import polish, value_and_slope
from sawfem.unitcell.perturbation import cell_materials, substituted
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.states import ElectricalState
from sawfem.unitcell.stopband import find_stop_band
from sawfem.unitcell.system import CAPACITANCE, BlochSystem, floor_admittance
from tests.support.losses import turned

PITCH = 2.0e-6
COARSE = MeshSettings(3, 1, 0.2)
SHORTED, OPEN = ElectricalState.shorted(), ElectricalState.open(1)
CENTRE = 3900.0 / (2.0 * PITCH)
#: Random points held against full solutions; SAWFEM_POINTS takes more.
POINTS = int(os.environ.get("SAWFEM_POINTS", "8"))


def niobate():
    """128 deg Y-X lithium niobate, Al 2 %."""
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    return UnitCell.grating(stack, "aluminium/kaye-laby", pitch=PITCH, thickness="80 nm")


def with_losses(cell, strength=1.0):
    """Invented losses: the crystal viscous and dielectric, whatever else there is by its Q."""
    materials = cell_materials(cell)
    crystal = next(material for material in materials if material.is_piezoelectric)
    eta = Viscosity(2e-12 * strength * crystal.stiffness)  # w eta/c = 1/80 near 1 GHz
    lossy = replace(crystal, viscosity=eta, loss_tangent=LossTangent(0.008 * strength))
    cell = substituted(cell, crystal, lossy)
    for other in (material for material in materials if material is not crystal):
        cell = substituted(cell, other, replace(other, mechanical_q=40.0 / strength))
    return cell


def two_strips():
    """Two unlike strips a period on silica on silicon: lossy layers in and below the slab."""
    stack = Stack("silicon/mason-1958", euler=[0.0, 0.0, 0.0])
    stack = stack.with_layer("silica/auld-1973", "1.5 um")
    stack = stack.with_layer("lithium-niobate/kovacs-1990", "1.2 um", cut="(YXl)128")
    strips = [
        Electrode("aluminium/kaye-laby", "80 nm", "0.8 um", centre="1 um"),
        Electrode("aluminium/kaye-laby", "80 nm", "1.2 um", centre="2.8 um"),
    ]
    return UnitCell(stack, strips, "4 um")


def test_scaled_constants_turn_the_frequency():
    """c -> c s^2, e -> e s in every material, with s^2 = 1 + j/Q: the potential phi = s phi' gives
    back the lossless equations with w/s for w. So f -> f s for every mode, and
    Y(w) = j w C(w/s), where j w C(w) is that of the lossless cell. The air keeps its eps0.
    """
    cell = niobate()
    changed, rule, s = turned(cell, 40.0)
    plain, lossy = discretise(cell, COARSE), discretise(changed, COARSE, losses=rule)
    for phase, f in ((2.0, 1.3 * CENTRE), (np.pi, CENTRE)):
        quiet = BlochSystem(plain, phase, floor_admittance(plain))
        x = quiet.solve(f / s, np.eye(1))
        reaction = complex((quiet.matrix(f / s)[-1:] @ x)[0, 0])
        found = BlochSystem(lossy, phase, floor_admittance(lossy)).admittance(f)[0, 0]
        assert found == pytest.approx(-2j * np.pi * f * CAPACITANCE * reaction, rel=1e-11)

    region = (0.95 * CENTRE, 1.04 * CENTRE), (2.9, np.pi)
    models = [CellModel(d, *region, tolerance=1e-7, training=(5, 3)) for d in (plain, lossy)]
    for state in (SHORTED, OPEN):
        sets = [modes_at_phase(model, np.pi, state=state) for model in models]
        f = [np.array([mode.frequency for mode in found.modes]) for found in sets]
        assert len(f[0]) >= 2
        np.testing.assert_allclose(f[1], s * f[0], rtol=1e-10)
        assert sets[1].counted
    # Curves over the phase, which keep their identity from phase to phase.
    grid = np.linspace(2.9, np.pi, 3)
    plain_curves, lossy_curves = (dispersion_curves(model, grid, seeds=2) for model in models)
    for curve in lossy_curves:
        same = [c for c in plain_curves if np.array_equal(c.phases, curve.phases)]
        apart = [np.max(np.abs(curve.frequencies / (s * c.frequencies) - 1.0)) for c in same]
        assert min(apart) < 1e-9
    assert len(lossy_curves) >= 2
    # A wave that runs at f with losses is one of the lossless cell at f/s, with the same phase.
    f = 0.97 * CENTRE
    running = modes_at_frequency(models[1], f)
    assert running.counted
    assert len(running.modes) == 2
    for mode in running.modes:
        assert mode.attenuation > 0.01
        a = models[0].at(mode.phase).matrix(f / s)[: models[0].order, : models[0].order]
        sizes = np.linalg.svd(a, compute_uv=False)
        elsewhere = np.linalg.svd(models[0].at(mode.phase.real).matrix(f), compute_uv=False)
        assert sizes[-1] < 1e-7 * elsewhere[-1]  # each basis is good to 1e-7


@pytest.fixture(scope="module")
def lossy_strips():
    """The two strips with losses, assembled, and a model of them."""
    d = discretise(with_losses(two_strips()), COARSE, losses=material_losses)
    return d, CellModel(d, (0.9 * CENTRE, CENTRE), (1.5, 3.0), tolerance=1e-7, training=(5, 5))


def test_certificate_power_and_reciprocity_of_a_lossy_cell(lossy_strips):
    """Against full solutions; power in = through the floor + what each material takes up."""
    d, model = lossy_strips
    floor = floor_admittance(d)
    names = {name for name, _ in model.projected.loss_names}
    assert len(names) == 3  # crystal, silica, metal; silicon lies below the slab
    assert isinstance(floor, LossyAdmittance)
    rng = np.random.default_rng(5)
    ratios = []
    for _ in range(POINTS):
        f, phase = CENTRE * rng.uniform(0.9, 1.0), rng.uniform(1.5, 3.0)
        exact = BlochSystem(d, phase, floor).admittance(f)
        answer = model.answer(f, phase)
        error = np.max(np.abs(answer.admittance - exact))
        assert error <= answer.bound < 1e-4 * np.max(np.abs(exact))
        ratios.append(answer.bound / error)
        hermitian = 0.5 * (answer.admittance + answer.admittance.conj().T)
        assert np.linalg.eigvalsh(hermitian)[0] > 0.0
        drives = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 1j]])
        x = model.at(phase).driven(f, drives)
        power = 0.5 * np.einsum("iv,ij,jv->v", drives.conj(), hermitian, drives).real
        taken = model.at(phase).dissipated(f, x)
        assert {mechanism for _, mechanism in taken} == {"mechanical", "viscous", "dielectric"}
        assert all(np.all(part > 0.0) for part in taken.values())
        radiated = model.at(phase).radiated(f, x)
        np.testing.assert_allclose(radiated + sum(taken.values()), power, rtol=1e-8)
        assert np.all(sum(taken.values()) > 0.01 * power)
    print(f"bound over error: {np.min(ratios):.1f} at least, median {np.median(ratios):.1f}")
    assert np.median(ratios) < 100.0
    back = BlochSystem(d, -2.2, floor).admittance(0.93 * CENTRE)
    answer = model.answer(0.93 * CENTRE, 2.2)
    assert np.max(np.abs(back - answer.admittance.T)) <= answer.bound


def test_a_lossy_model_is_kept_and_grows(lossy_strips, tmp_path):
    _, model = lossy_strips
    again = load_model(save_model(model, tmp_path / "cell.h5"))
    assert again.is_lossy
    assert again.projected.loss_names == model.projected.loss_names
    point = (0.95 * CENTRE, 2.1)
    np.testing.assert_array_equal(again.admittance(*point), model.admittance(*point))
    assert again.certificate(*point) == model.certificate(*point)
    state = ElectricalState(floating=[(0,)])
    ours, theirs = (
        modes_at_frequency(one, 0.95 * CENTRE, (2.2, 2.4), state=state) for one in (model, again)
    )
    assert [mode.phase for mode in ours.modes] == [mode.phase for mode in theirs.modes]
    with pytest.raises(InputError, match="another cell"):
        again.extend((0.89 * CENTRE, CENTRE), cell=with_losses(two_strips(), 0.5))
    with pytest.raises(InputError, match="another cell"):
        again.extend((0.89 * CENTRE, CENTRE), cell=two_strips())


def test_edges_agree_with_perturbation_to_second_order():
    """Half the loss: a quarter of the difference."""
    cell = with_losses(niobate())
    plain = discretise(cell, COARSE)
    band = find_stop_band(plain, 4000.0, 3700.0)
    budget = loss_budget(band)
    count = len(band.shorted)
    differences = []
    for strength in (1.0, 0.5, 0.25):
        d = discretise(with_losses(niobate(), strength), COARSE, losses=material_losses)
        model = CellModel(
            d, (0.97 * CENTRE, 1.03 * CENTRE), (3.0, np.pi), tolerance=1e-8, training=(5, 3)
        )
        found = []
        for place, state in ((slice(0, count), SHORTED), (slice(count, None), OPEN)):
            exact = [mode.frequency for mode in modes_at_phase(model, np.pi, state=state).modes]
            first_order = (budget.frequency + strength * budget.shift)[place]
            found.extend(min(abs(other - f) for other in exact) for f in first_order)
        differences.append(found)
    first, second, third = (np.array(row) / CENTRE for row in differences)
    assert np.all(first < 3e-4)
    assert np.all(np.abs(budget.shift.imag / budget.frequency.real) > 3e-3)
    np.testing.assert_allclose(first / second, 4.0, rtol=0.02)
    np.testing.assert_allclose(second / third, 4.0, rtol=0.02)


def exact_edges(cell, band, guesses):
    """Complex frequencies of the four edges of a cell with its losses inside, small model."""
    d = discretise(cell, COARSE, losses=material_losses)
    model = reduce_lossy(BlochSystem(d, np.pi, floor_admittance(d)), guesses[0].real)
    found = []
    for place, guess in enumerate(guesses):
        kept = model.order + (model.electrodes if place >= len(band.shorted) else 0)

        def matrices(f, kept=kept):
            return model.matrices(f)[:, :kept, :kept]

        start = guess * (1.0 + 1e-5)
        a, slope = value_and_slope(matrices, start)
        inverse, vectors = np.linalg.eig(-np.linalg.solve(a, slope))
        nearest = np.argsort(-np.abs(inverse))[:4]
        modes = [polish(matrices, start + 1.0 / inverse[i], vectors[:, i]) for i in nearest]
        found.append(min((m.frequency for m in modes if m), key=lambda f: abs(f - guess)))
    return np.array(found)


def test_edges_with_second_order_keep_their_bound():
    """Losses inside the matrices against perturbation: what is left out is known.

    First order alone leaves some f/(8 Q^2) of the real part: sqrt(1 + j/Q), as in any resonator
    whose stiffness loses. At 1/Q of 1/50 in turn in crystal and metal, and of all kinds together.
    """
    plain = niobate()
    band = find_stop_band(discretise(plain, COARSE), 4000.0, 3700.0)
    crystal, metal = cell_materials(plain)[0], cell_materials(plain)[-1]
    cells = {
        "all but e": substituted(
            substituted(plain, crystal, replace(crystal, mechanical_q=50.0)),
            metal,
            replace(metal, mechanical_q=50.0),
        ),
        "metal": substituted(plain, metal, replace(metal, mechanical_q=50.0)),
        "every kind": with_losses(plain),
    }
    for name, cell in cells.items():
        lossy_band = find_stop_band(discretise(cell, COARSE), 4000.0, 3700.0)
        budget = loss_budget(lossy_band)
        exact = exact_edges(cell, band, budget.lossy)
        left = np.abs(exact - budget.lossy)
        assert np.all(left < budget.remainder), name
        # Not idle, though kinds of loss may cancel; and of the loss itself below a part in 1000.
        assert np.max(left / budget.remainder) > 0.05, name
        np.testing.assert_allclose(exact.imag, budget.lossy.imag, rtol=1e-3)
        if name != "metal":
            first = np.abs(exact - budget.frequency - budget.shift)
            assert np.all(left < 0.45 * first), name


def test_branch_points_of_an_isotropic_half_space():
    """v = sqrt(c (1 + j/Q)/rho), with a viscosity v(w) = sqrt((c + j w eta)/rho)."""
    silica = Stack("silica/auld-1973").material
    medium = replace(silica, mechanical_q=20.0).rotated(np.eye(3))
    c11, c44 = silica.stiffness[0, 0], silica.stiffness[3, 3]
    expected = np.sqrt(np.array([c44, c11]) / silica.density) * np.sqrt(1.0 + 0.05j)
    floor = LossyAdmittance(lossy_body(medium, material_losses))
    np.testing.assert_allclose(branch_velocities(floor, 6e9), expected, rtol=1e-12)
    viscous = replace(silica, viscosity=Viscosity(1e-11 * silica.stiffness)).rotated(np.eye(3))
    floor = LossyAdmittance(lossy_body(viscous, material_losses))
    expected = np.sqrt(np.array([c44, c11]) / silica.density) * np.sqrt(1.0 + 0.06j)
    np.testing.assert_allclose(branch_velocities(floor, 6e9), expected, rtol=1e-12)


def test_the_floor_of_a_crystal_against_its_damped_wave():
    """A wave of the metallised crystal with complex constants, followed by the plane-wave solver
    with its own matrices, makes the mechanical block of Y singular.
    """
    crystal = with_losses(niobate()).stack
    medium, _ = crystal.media()
    wave = locate(
        next(w for w in plane_waves(crystal, CENTRE) if w.kind == "Rayleigh-type"),
        medium,
        metallised=True,
    )
    lossy = damped(wave, [Loss.of(medium)])
    floor = LossyAdmittance(lossy_body(medium, material_losses))
    y = floor.scaled(lossy.omega, lossy.wavenumber)[:3, :3]
    sizes = np.linalg.svd(y, compute_uv=False)
    quiet = np.linalg.svd(floor.scaled(lossy.omega, wave.wavenumber)[:3, :3], compute_uv=False)
    assert sizes[-1] < 1e-10 * sizes[0]
    assert quiet[-1] > 1e-3 * sizes[0]


def test_the_floor_takes_what_its_volume_dissipates():
    """U^H (Y - Y^H)/(2j) U = integral over the depth of the imaginary part of the constants: the
    field below is exp(-j kappa (M11 + M12 Z) d) U, so that the integral is a Lyapunov equation.
    """
    medium, _ = with_losses(niobate()).stack.media()
    body = lossy_body(medium, material_losses)
    omega, k = 2.0 * np.pi * CENTRE, np.pi / PITCH
    for wavenumber in (k, 0.3 * k, 2.5 * k):
        y = LossyAdmittance(body).scaled(omega, wavenumber)
        tensor = body.at(omega)
        m = stroh_matrix(tensor, np.array([wavenumber]), np.array([omega]))[0]  # kappa = 1/m
        z = y / 1j
        a = -1j * (m[:4, :4] + m[:4, 4:] @ z)  # dU/dd = a U downwards
        along = -1j * wavenumber * np.eye(4)
        strain = np.vstack([along, -a])  # dU/dx1 and dU/dx3
        imaginary = np.block([[tensor.g11, tensor.g31.T], [tensor.g31, tensor.g33]]).imag
        volume = solve_sylvester(a.conj().T, a, -strain.conj().T @ imaginary @ strain)
        taken = (y - y.conj().T) / 2j
        assert np.max(np.abs(taken - volume)) < 1e-9 * np.max(np.abs(volume))
        assert np.linalg.eigvalsh(taken)[0] > -1e-12 * np.max(np.abs(taken))


def test_a_small_model_at_one_phase_refuses_losses():
    d = discretise(with_losses(niobate()), COARSE, losses=material_losses)
    with pytest.raises(InputError, match="lossy"):
        reduce(BlochSystem(d, np.pi, floor_admittance(d)), CENTRE)
