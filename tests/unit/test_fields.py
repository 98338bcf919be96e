"""Mode shapes: the element's own polynomials, the Bloch factor, and the exact field below."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.errors import InputError
from sawfem.extract.grating import MESHES
from sawfem.result.gather import driven_frequency
from sawfem.unitcell.below import field_below
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.fields import driven_field, edge_names, mode_shape
from sawfem.unitcell.mesh import AIR, METAL, STACK
from sawfem.unitcell.stopband import find_stop_band
from sawfem.unitcell.system import BlochSystem, floor_admittance


@pytest.fixture(scope="module")
def band(solved_grating):
    return solved_grating.band


@pytest.fixture(scope="module")
def shape(band):
    return mode_shape(band, band.resonance)


def at(shape, x, z, inside):
    """Indices of the points at a place (periods), among those that ``inside`` marks."""
    p = shape.period
    return np.flatnonzero(
        (np.abs(shape.x / p - x) < 1e-9) & (np.abs(shape.z / p - z) < 1e-9) & inside
    )


def members(shape, region):
    inside = np.zeros(shape.x.size, dtype=bool)
    inside[shape.triangles[shape.region == region]] = True
    return inside


def test_values_at_mesh_nodes_are_the_unfolded_coefficients(band, shape):
    # The nodal functions of the elements are one at their own node and nothing else is there,
    # so at a node the field is the coefficient itself, whatever the other functions do.
    system = band.model.system
    full = band.model.expand(band.resonance.vector)
    coefficients = system.discretisation.unfold(full, system.phase)
    nodes = system.discretisation.basis.nodal_dofs[0]
    places = system.discretisation.mesh.mesh.p
    solid = members(shape, STACK)
    pairs = [
        (coefficients[component, node], at(shape, *places[:, vertex], solid), component)
        for vertex, node in enumerate(nodes)
        if places[1, vertex] <= 0.0 and places[1, vertex] > -0.349
        for component in range(4)
    ]
    assert len(pairs) > 200
    expected = np.array([value for value, _, _ in pairs])
    first = np.array([index[0] for _, index, _ in pairs])
    component = np.array([c for _, _, c in pairs])
    found = np.where(
        component < 3,
        shape.displacement[first, np.minimum(component, 2)],
        shape.potential[first],
    )
    for part in (component < 3, component == 3):  # each up to one complex factor
        factor = np.vdot(expected[part], found[part]) / np.vdot(expected[part], expected[part])
        assert np.max(np.abs(found[part] - factor * expected[part])) < 1e-12


def test_field_is_continuous_between_elements_and_resolves_curvature(shape):
    # Points on a common side are repeated by the neighbours and must agree.
    solid = np.flatnonzero(members(shape, STACK))
    places = np.round(np.column_stack([shape.x, shape.z])[solid] / shape.period, 9)
    slab = places[:, 1] > -0.349
    _, group = np.unique(places[slab], axis=0, return_inverse=True)
    u = shape.displacement[solid[slab]]
    smallest = np.full((group.max() + 1, 3), np.inf)
    largest = -smallest
    np.minimum.at(smallest, group.ravel(), u.real)
    np.maximum.at(largest, group.ravel(), u.real)
    assert group.max() + 1 < slab.sum()
    assert np.max(largest - smallest) < 1e-12


def test_bloch_factor_ties_the_sides_and_the_periods(shape):
    def side(x):
        # The solid's points there by height, each height once; not the slab's floor, where the
        # elements and the waves below meet within their own accuracy only.
        z = shape.z / shape.period
        on = np.flatnonzero(
            (np.abs(shape.x / shape.period - x) < 1e-9) & (z <= 0.0) & (np.abs(z + 0.35) > 1e-6)
        )
        heights, first = np.unique(np.round(z[on], 9), return_index=True)
        return heights, shape.displacement[on[first]], shape.potential[on[first]]

    factor = np.exp(-1j * shape.phase)
    assert factor == pytest.approx(-1.0)
    (z_left, u_left, phi_left), (z_right, u_right, phi_right) = side(0.0), side(1.0)
    assert z_left.size > 40
    np.testing.assert_array_equal(z_left, z_right)
    np.testing.assert_allclose(u_right, factor * u_left, atol=1e-10)
    np.testing.assert_allclose(phi_right, factor * phi_left, atol=1e-10)


def test_the_next_period_lags_by_the_phase(shape):
    """A wave that runs to +x1 goes as exp(j w t - j k x): gamma = k p > 0 is a lag of the next
    period by gamma (Bloch), here a sixth of a turn."""
    running = replace(shape, phase=np.pi / 3.0).repeated(3)
    n = shape.x.size
    first, second = running.displacement[:n], running.displacement[n : 2 * n]
    known = np.abs(first) > 1e-6 * np.abs(first).max()
    np.testing.assert_allclose(np.angle(second[known] / first[known]), -np.pi / 3.0, atol=1e-9)
    np.testing.assert_allclose(running.x[2 * n :] - running.x[:n], 2.0 * shape.period, rtol=1e-9)
    largest = np.argmax(np.abs(shape.potential))
    turned = running.potential[2 * n + largest] / running.potential[largest]
    assert turned == pytest.approx(np.exp(-2j * np.pi / 3.0))

    wide = shape.repeated(3)
    n = shape.x.size
    np.testing.assert_allclose(wide.displacement[n : 2 * n], -shape.displacement, atol=1e-12)
    np.testing.assert_allclose(wide.displacement[2 * n :], shape.displacement, atol=1e-12)
    np.testing.assert_allclose(wide.x[n : 2 * n], shape.x + shape.period, rtol=1e-12)
    assert len(wide.outlines) == 3
    with pytest.raises(InputError, match="1 or more"):
        shape.repeated(0)


def test_potential_is_constant_along_the_electrodes_boundary(band):
    # An open edge has its electrodes at a potential of their own, a shorted one at zero.
    open_edge = band.antiresonance
    for edge, grounded in ((open_edge, False), (band.resonance, True)):
        shape = mode_shape(band, edge)
        metal = members(shape, METAL)
        own = shape.potential[metal]
        assert np.ptp(own.real) < 1e-12
        assert np.ptp(own.imag) < 1e-12
        assert (abs(own[0]) < 1e-12) == grounded
        (outline,) = shape.outlines
        foot = np.flatnonzero(
            members(shape, STACK)
            & (np.abs(shape.z) < 1e-15)
            & (shape.x > outline[0, 0])
            & (shape.x < outline[1, 0])
        )
        assert foot.size > 10
        assert np.max(np.abs(shape.potential[foot] - own[0])) < 1e-12
        air = np.flatnonzero(
            members(shape, AIR)
            & (np.abs(shape.z - outline[2, 1]) < 1e-12)
            & (shape.x > outline[3, 0])
            & (shape.x < outline[2, 0])
        )
        assert air.size > 10
        assert np.max(np.abs(shape.potential[air] - own[0])) < 1e-12


def test_normalisation_phase_and_what_lives_where(shape):
    size = np.linalg.norm(shape.displacement, axis=1)
    assert np.max(size) == pytest.approx(1.0)
    assert np.max(np.abs(shape.potential)) == pytest.approx(1.0)
    # Without radiation a standing wave is real, with the chosen phase.
    assert np.max(np.abs(shape.displacement.imag)) < 1e-10
    only_air = members(shape, AIR) & ~members(shape, STACK) & ~members(shape, METAL)
    assert np.max(size[only_air]) == 0.0
    assert shape.potential_scale > 0.0


def test_edges_are_named_in_order(band):
    names = edge_names(band)
    assert list(names) == ["short lower", "short upper", "open lower", "open upper"]
    assert names["short lower"] is band.shorted[0]
    with pytest.raises(InputError, match="another stop band"):
        mode_shape(band, replace(band.shorted[0]))


def layered_cell(thickness):
    """The same crystal twice, cut into a layer and a substrate: nothing changes physically."""
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    if thickness:
        stack = stack.with_layer("lithium-niobate/kovacs-1990", thickness, cut="(YXl)128")
    return UnitCell.grating(stack, "aluminium/kaye-laby", pitch=2.228e-6, thickness="89 nm")


def test_field_below_the_slab_goes_on_from_the_elements_and_through_layers():
    # A layer of the substrate's own crystal that reaches below the slab (0.35 periods) changes
    # nothing, though it takes the other way through the code.
    fields = []
    for thickness in (None, 0.8 * 2.228e-6):
        discretisation = discretise(layered_cell(thickness), MESHES[0])
        band = find_stop_band(discretisation, 3979.0, 3871.0)
        full = band.model.expand(band.resonance.vector)
        x, depths = np.linspace(0.0, 1.0, 9), np.linspace(0.0, 1.0, 6)
        field = field_below(band.model.system, band.resonance.frequency, full, x, depths)
        fields.append(field / field[2, 0, 4])
    # The two cells have reduced models of their own, which agree to 2e-5 of the field.
    np.testing.assert_allclose(fields[1], fields[0], atol=5e-5)

    shape = mode_shape(band, band.resonance)
    floor = np.flatnonzero(np.abs(shape.z / shape.period + 0.35) < 1e-9)
    grid = floor[floor >= shape.x.size - 37 * 33]
    fine = floor[floor < shape.x.size - 37 * 33]
    shared = 0
    for index in grid:
        same = fine[np.abs(shape.x[fine] - shape.x[index]) < 1e-9 * shape.period]
        if same.size:
            shared += 1
            difference = shape.displacement[same[0]] - shape.displacement[index]
            assert np.max(np.abs(difference)) < 2e-3
            assert abs(shape.potential[same[0]] - shape.potential[index]) < 2e-3
    assert shared >= 5


def test_driven_field_carries_one_volt_on_its_electrodes(band):
    field = driven_field(band, driven_frequency(band))
    volts = field.potential * field.potential_scale * field.amplitude
    metal = members(field, METAL)
    assert volts[metal] == pytest.approx(np.ones(metal.sum()), abs=1e-9)
    # The next period has the opposite sign at gamma = pi.
    two = field.repeated(2)
    assert two.potential[field.x.size :] == pytest.approx(-field.potential, abs=1e-12)


def test_driven_field_beside_the_resonance_is_the_mode_and_grows_like_one_over_the_distance(band):
    # A lossless resonator: u ~ mode / (f - f_r), closed form of a driven undamped oscillator.
    resonance = band.resonance.frequency.real
    mode = mode_shape(band, band.resonance)
    near, nearer = (driven_field(band, resonance * (1.0 + step)) for step in (2e-6, 1e-6))
    assert nearer.amplitude / near.amplitude == pytest.approx(2.0, rel=2e-3)
    overlap = np.vdot(mode.displacement, nearer.displacement)
    size = np.linalg.norm(mode.displacement) * np.linalg.norm(nearer.displacement)
    assert abs(overlap) / size == pytest.approx(1.0, abs=1e-5)


def test_driven_field_refuses_no_frequency(band):
    with pytest.raises(InputError, match="above zero"):
        driven_field(band, 0.0)


def test_the_uniform_harmonic_goes_on_below_the_slab():
    # At a phase of 2 pi one harmonic has no wavenumber: a constant potential and bulk waves that
    # run straight down. A slab that is meshed deeper holds what a shallow one continues exactly.
    found = []
    for depth in (0.35, 0.6):
        discretisation = discretise(layered_cell(None), replace(MESHES[0], depth=depth))
        system = BlochSystem(discretisation, 2.0 * np.pi, floor_admittance(discretisation))
        full = system.solve(0.9e9, np.ones((1, 1)))[:, 0]
        depths = np.array([0.6 - depth])
        x = (np.arange(64) + 0.5) / 64
        found.append(field_below(system, 0.9e9, full, x, depths)[:, 0].mean(axis=1))
    assert abs(found[0][3]) > 0.1  # the electrode's potential on the whole
    np.testing.assert_allclose(found[0], found[1], atol=2e-4 * np.abs(found[0]).max())
