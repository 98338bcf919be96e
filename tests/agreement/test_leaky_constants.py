"""The equations of coupled modes against the exact harmonic admittance of a leaky cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.device import Resonator, device_response
from sawfem.device.resonance import resonance_figures
from sawfem.extract import GratingSolution, solve_grating
from sawfem.extract.coupled import ComConstants, two_mode_admittance
from sawfem.extract.edges import FIT_ERROR, sampled_admittance
from sawfem.extract.passive import passive_constants

PITCH = 2.0e-6


@pytest.fixture(scope="module")
def tantalate() -> GratingSolution:
    """42 deg rotated Y-X tantalate, aluminium of 8 % of the wavelength."""
    stack = Stack("lithium-tantalate/smith-welsh-1971", cut="(YXl)42")
    cell = UnitCell.grating(
        stack, "aluminium/kaye-laby", pitch=PITCH, thickness=0.16 * 2 * PITCH / 2
    )
    return solve_grating(cell, accuracy=1e-4)


def test_pole_and_zero_are_as_wide_as_the_exact_ones(tantalate):
    """Frequencies and -3 dB widths of conductance and resistance to 1e-4: both losses are in."""
    com = tantalate.constants.com()
    low, high = (edge for edge in tantalate.picture.band)
    of_modes, _ = resonance_figures(lambda f: two_mode_admittance(com, f), low, 1.045e9)
    exact, _ = resonance_figures(
        lambda f: sampled_admittance(tantalate.band.model, f), low, 1.045e9
    )
    assert high > 1.045e9
    for name in ("resonance", "antiresonance"):
        assert of_modes[name].value == pytest.approx(exact[name].value, rel=1e-8)
        key = f"quality_factor_{name}"
        assert of_modes[key].value == pytest.approx(exact[key].value, rel=1e-4)
    # Heights hold what C and a are there: to the misfit of the picture.
    for name in ("peak_conductance", "peak_resistance"):
        assert of_modes[name].value == pytest.approx(exact[name].value, rel=FIT_ERROR)
    # 1/Q = 2 Im f / Re f of the complex edges, where no other loss is near.
    edge = tantalate.band.antiresonance.frequency
    quality = 0.5 * edge.real / edge.imag
    assert of_modes["quality_factor_antiresonance"].value == pytest.approx(quality, rel=1e-3)


def test_picture_is_passive_and_says_where_it_holds(tantalate):
    """One channel radiates in this cell, so that Q is nearly of rank one: Im a is as large as
    passivity allows, and the fitted loss of C meets the one that the edges demand."""
    constants, picture = tantalate.constants, tantalate.picture
    assert picture.com.least_loss() > -1e-12
    assert picture.overstep < 0.05 * picture.com.capacitance_loss
    low, high = constants.fit_range
    assert low < 0.99 * constants.stopband_short[0]
    assert constants.stopband_open[0] < high < constants.next_bulk_onset
    f = np.linspace(low, high, 301)
    edges = [edge.frequency.real for edge in (*tantalate.band.shorted, *tantalate.band.open)]
    f = f[np.min(np.abs(f[:, None] - edges), axis=1) > 0.02 * np.ptp(picture.band)]
    exact = sampled_admittance(tantalate.band.model, f)
    off = np.abs(two_mode_admittance(constants.com(), f) / exact - 1.0)
    assert off.max() < 1.1 * FIT_ERROR
    assert constants.fit_misfit < 0.02


def test_long_resonator_has_the_quality_of_the_grating(tantalate):
    """The more electrodes, the nearer the antiresonance comes to that of the endless grating."""
    edge = tantalate.band.antiresonance.frequency
    quality = 0.5 * edge.real / edge.imag
    f = np.linspace(0.975e9, 1.04e9, 401)
    found = []
    for fingers in (201, 801):
        device = Resonator(fingers, (80, 80), 80e-6, PITCH)
        response = device_response(device, tantalate.constants, f)
        assert all(check.ok for check in response.checks.values())
        found.append(response.figures["quality_factor_antiresonance"].value)
    assert found[0] < found[1] < quality
    assert found[1] == pytest.approx(quality, rel=0.08)


def test_leaky_cells_without_a_mirror_are_passive():
    """Three electrodes a wave with unlike side walls: the open edges lose less than the shorted
    ones, and no C'' below some 1e-3 C' is passive, zero least of all."""
    wave = 4.0e-6
    stack = Stack("lithium-tantalate/smith-welsh-1971", cut="(YXl)42")
    shapes = ((0.17, 0.15, 67.0), (0.48, 0.14, 71.0), (0.84, 0.18, 85.0))
    strips = [
        Electrode(
            "aluminium/kaye-laby",
            0.065 * wave,
            width * wave,
            centre=centre * wave,
            sidewall_angle=wall,
        )
        for centre, width, wall in shapes
    ]
    cell = UnitCell(stack, strips, wave)
    solution = solve_grating(cell, accuracy=1e-2, connections=("hot", "ground", "ground"))
    assert {name for name, (value, limit) in solution.checks.items() if value > limit} == set()
    shorted, open_ = (
        sum(edge.frequency.imag for edge in edges)
        for edges in (solution.band.shorted, solution.band.open)
    )
    assert open_ < 0.9 * shorted
    com = solution.picture.com
    assert com.capacitance_loss > 1e-4
    # The nearest passive value was taken: nothing is left over in the quietest mixture.
    assert abs(com.least_loss()) < 1e-12


def _random_edges(rng):
    """Shorted and open edges that lose at random, some of them nothing."""
    width = 10.0 ** rng.uniform(-3.5, -1.3)
    real = [*np.sort(1.0 + width * rng.uniform(-1.0, 1.0, 2)), 1.0 + width * rng.uniform(-1.0, 1.0)]
    real.append(1.0 + width * rng.uniform(1.0, 3.0))
    loss = 10.0 ** rng.uniform(-7.0, -2.5, 4) * (rng.random(4) > 0.1)
    f1, f2, f3, f4 = (1e9 * (x + 1j * y) for x, y in zip(real, loss, strict=True))
    return (f1, f2), (f3, f4)


def test_constants_from_any_edges_are_passive_and_the_nearest():
    """The closed form against the eigenvalues of Q: passive always, and not once it moved C'' was
    a value a little nearer to the fitted one passive as well."""
    rng = np.random.default_rng(42)
    moved = 0
    for _ in range(400):
        poles, zeros = _random_edges(rng)
        velocity = 2.0 * PITCH * 0.5 * (poles[0] + poles[1]).real
        fitted = rng.normal() * 10.0 ** rng.uniform(-4.0, -2.0)
        scale = ComConstants(PITCH, velocity, 0j, 0j, 4e-10, capacitance_loss=fitted)
        phase = rng.choice([0.0, np.pi, rng.uniform(-np.pi, np.pi)])
        com, overstep = passive_constants(scale, poles, zeros, phase)
        assert com.least_loss() > -1e-12
        distance = fitted - com.capacitance_loss
        if abs(distance) > 1e-9 and abs(overstep - abs(distance)) < 1e-12 and com.transduction:
            loss = com.capacitance_loss + 1e-3 * distance
            # The constants at that C'' with the same edges: a^2 is proportional to C.
            turn = np.sqrt((1.0 - 1j * loss) / (1.0 - 1j * com.capacitance_loss))
            a = complex(com.transduction * turn)
            nearer = replace(com, capacitance_loss=loss, transduction=a, transduction_back=a)
            assert nearer.least_loss() < 0.0
            moved += 1
    assert moved > 100
