"""Phase over group velocity of a grating: plane waves of its stack, and finite transducers."""

from dataclasses import replace

import numpy as np
import pytest

import sawfem as sf
from sawfem.device import Resonator
from sawfem.device.second_model import compare_models
from sawfem.extract import solve_grating
from sawfem.extract.double_electrode import solve_double_electrodes
from sawfem.extract.grating import MESHES, grating_waves, solve_like, strongest
from sawfem.extract.group_velocity import phase_over_group_velocity
from sawfem.unitcell.beside import Beside
from sawfem.unitcell.connection import ConnectedSystem, connect
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.stopband import find_stop_band, resonances
from sawfem.unitcell.system import BlochSystem


@pytest.fixture(scope="module")
def film():
    """Aluminium on zinc oxide on silicon: the film guides the wave, and slows its energy."""
    stack = sf.Stack("silicon/mason-1958", euler=(0.0, 0.0, 0.0)).with_layer(
        "zinc-oxide/kobyakov-1980", "2.2 um", euler=(0.0, 0.0, 0.0)
    )
    pitch = 2.75e-6
    metal = sf.Electrode("aluminium/kaye-laby", thickness=0.04 * pitch, width=0.5 * pitch)
    cell = sf.UnitCell(stack, [metal], period=pitch)
    return cell, solve_grating(cell, accuracy=1e-4)


def test_group_velocity_of_the_plain_stack(film):
    """d w / d k of the plane waves, free and metallised, without any grating."""
    cell, solution = film
    wavenumbers = np.pi * np.array([0.97, 1.0, 1.03]) / cell.period
    waves = [strongest(grating_waves(cell, phase=k * cell.period)) for k in wavenumbers]
    ratios = []
    for name in ("velocity_free", "velocity_metallised"):
        v = np.array([getattr(wave, name) for wave in waves])
        omega = v * wavenumbers
        group = (omega[2] - omega[0]) / (wavenumbers[2] - wavenumbers[0])
        ratios.append(v[1] / group)
    g = solution.constants.phase_over_group_velocity
    assert g == pytest.approx(np.mean(ratios), rel=0.02)
    assert g > 1.2


def test_a_half_space_hardly_slows_energy():
    """One material has no length of its own: only the thin metal disperses the wave."""
    pitch = 2.228e-6
    metal = sf.Electrode("aluminium/kaye-laby", thickness="89 nm", width=0.5 * pitch)
    stack = sf.Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    constants = solve_grating(sf.UnitCell(stack, [metal], period=pitch), accuracy=1e-2).constants
    assert constants.phase_over_group_velocity == pytest.approx(1.0, abs=0.005)
    assert constants.com().phase_over_group_velocity == constants.phase_over_group_velocity


WAVE = 4.0e-6
NIOBATE = ("lithium-niobate/kovacs-1990", (0.0, 38.0, 0.0), 3978.97, 3870.90)
QUARTZ = ("quartz/bechmann-1958", (0.0, 132.75, 0.0), 3158.07, 3156.24)
TANTALATE = ("lithium-tantalate/smith-welsh-1971", (0.0, -48.0, 0.0), 4211.0, 4109.0)


def band_of(base, shapes, connections, height=0.02):
    """The stop band on a coarse mesh; shapes are (centre, width) in wavelengths."""
    crystal, euler, free, metallised = base
    period = WAVE if connections else 0.5 * WAVE
    strips = [
        sf.Electrode("aluminium/kaye-laby", height * WAVE, width * WAVE, centre=centre * WAVE)
        for centre, width in shapes
    ]
    cell = sf.UnitCell(sf.Stack(crystal, euler=euler), strips, period)
    mesh = MESHES[0] if len(strips) < 8 else MeshSettings(order=2, gradings=1, ratio=0.2)
    return find_stop_band(discretise(cell, mesh), free, metallised, connections=connections)


def even(count):
    return [((2 * i + 1) / (2 * count), 1 / (2 * count)) for i in range(count)]


CELLS = {
    "one electrode": (NIOBATE, [(0.25, 0.25)], None),
    "one, strong": (TANTALATE, [(0.25, 0.25)], None, 0.08),
    "unidirectional": (
        QUARTZ,
        [(1 / 8, 1 / 8), (3 / 8, 1 / 8), (3 / 4, 1 / 4)],
        ("hot", "ground", "ground"),
    ),
    "double": (NIOBATE, even(4), ("hot", "hot", "ground", "ground")),
    "eight": (QUARTZ, even(8), ("hot",) * 4 + ("ground",) * 4),
}


def exact_mode(band, q, low, high):
    """The shorted mode between two frequencies, and its small model, at a phase of q a pitch below
    that of the band: a model of its own there.
    """
    system = band.model.system
    turns = system.phase / np.pi
    phase = system.phase - turns * q
    model = reduce(BlochSystem(system.discretisation, phase, system.floor), low)
    if isinstance(band.model, ConnectedSystem):
        model = connect(model, band.model.connections)
    to_velocity = 2.0 * np.pi * system.discretisation.cell.period / phase
    modes, *_ = resonances(model, low * to_velocity, high * to_velocity, floating=False)
    return max(modes, key=lambda mode: mode.coupling), model


def energy_velocity(model, mode, step=1e-4):
    """-(x^H dA/dgamma x)/(x^H dA/dw x) times the period, of a lossless cell, with full matrices."""
    s, f = model.system, mode.frequency.real
    d = s.discretisation
    x = model.expand(mode.vector)
    after, before = (BlochSystem(d, s.phase + t, s.floor).matrix(f) for t in (step, -step))
    moved = np.vdot(x, (after - before) @ x) / (2.0 * step)
    slope = np.vdot(x, (s.matrix(f * (1 + 1e-6)) - s.matrix(f * (1 - 1e-6))) @ x) / (2e-6 * f)
    return float((-moved / slope).real) * 2.0 * np.pi * d.cell.period


@pytest.mark.parametrize("name", list(CELLS))
def test_the_exact_cell_far_from_its_stop_band(name):
    """Curves q(f) and their slopes: of the constants, and of the cell solved at other phases.

    Twice: the slope by differences between two phases, and the energy velocity of one mode. g
    itself varies along the curve (by 1e-4 to 2e-3 here), which the picture leaves out.
    """
    band = band_of(*CELLS[name])
    g = phase_over_group_velocity(band)
    f1, f2 = (edge.frequency for edge in band.shorted)
    scale = 2.0 * np.pi / (f1 + f2).real
    # Below the band, where a leaky cut leaks the least; several widths away from it.
    size = 0.5 * scale * abs(f2 - f1)
    far = max(1.5 * size, 0.03)
    found = []
    for q in (far, 1.1 * far):
        reach = np.hypot(q, size) / scale
        centre = 0.5 * (f1 + f2).real
        mode, model = exact_mode(band, q, centre - 1.06 * reach, centre - 0.94 * reach)
        f = mode.frequency
        found.append((f, q / (scale * np.sqrt((f - f1) * (f - f2))), mode, model))
    tolerance = 0.02 if name == "one, strong" else 2e-3
    for _, ratio, _, _ in found:
        assert ratio.real == pytest.approx(g, rel=tolerance)
    # dq/df of q^2 = g^2 [2 pi/(f1 + f2)]^2 (f - f1)(f - f2), at the middle of the two.
    (first, _, mode, model), (second, *_) = found
    middle = 0.5 * (first + second).real
    slope = 0.1 * far / (first - second).real
    expected = g * scale * (middle - centre) / np.sqrt((middle - f1.real) * (middle - f2.real))
    assert slope == pytest.approx(abs(expected), rel=2.0 * tolerance)
    if name != "one, strong":
        carried = energy_velocity(model, mode)
        f = first.real
        expected = g * scale * (f - centre) / np.sqrt((f - f1.real) * (f - f2.real))
        assert carried == pytest.approx(2.0 * np.pi * band.pitch / abs(expected), rel=tolerance)


def test_two_ways_to_double_electrodes():
    """A cell of four at 2 pi, and the plain grating at pi/2: one wave, one group velocity."""
    g = phase_over_group_velocity(band_of(*CELLS["double"]))
    stack = sf.Stack(NIOBATE[0], euler=NIOBATE[1])
    cell = sf.UnitCell.grating(
        stack, "aluminium/kaye-laby", pitch=0.25 * WAVE, thickness=0.02 * WAVE
    )
    solution = solve_double_electrodes(cell)
    assert solution.constants.phase_over_group_velocity == pytest.approx(g, abs=1e-4)
    assert 0.0 < solution.numerical["phase_over_group_velocity"] < 1e-3


def test_modes_beside_the_band_are_those_of_the_cell():
    """Expansion from the edges against a model at the phase itself: the error goes with t^4."""
    band = band_of(*CELLS["one electrode"])
    beside = Beside.of(band)
    f1, f2 = (edge.frequency.real for edge in band.shorted)
    errors = []
    for q in (0.04, 0.02):
        reach = np.hypot(q, 0.006) / np.pi * f1
        below, _ = exact_mode(band, q, f1 - 1.3 * reach, f1 - 0.5 * reach)
        above, _ = exact_mode(band, q, f2 + 0.5 * reach, f2 + 1.3 * reach)
        found = [beside.mode(q, f, below=f == f1).frequency for f in (f1, f2)]
        errors.append(
            [abs(f / e.frequency - 1.0) for f, e in zip(found, (below, above), strict=True)]
        )

    assert np.max(errors[0]) < 1e-5
    assert np.min(np.array(errors[0]) / errors[1]) > 10.0


def test_its_bar_holds_against_a_finer_mesh():
    """Two meshes apart, and one that is finer than both."""
    for base, height in ((NIOBATE, 0.02), (TANTALATE, 0.08), (QUARTZ, 0.02)):
        cell = sf.UnitCell.grating(
            sf.Stack(base[0], euler=base[1]),
            "aluminium/kaye-laby",
            pitch=0.5 * WAVE,
            thickness=height * WAVE,
        )
        solution = solve_grating(cell, accuracy=1e-2)
        finer = solve_like(solution, cell, MESHES[2]).constants.phase_over_group_velocity
        bar = solution.constants.numerical["phase_over_group_velocity"]
        assert abs(solution.constants.phase_over_group_velocity - finer) < bar < 3e-3
        assert solution.constants.quantity("phase_over_group_velocity").uncertainty == bar


@pytest.mark.slow
def test_a_finite_transducer_needs_the_group_velocity(film):
    """Sums over electrodes know of no velocity: coupling of modes meets them with g alone."""
    cell, solution = film
    constants = solution.constants
    com = constants.com()
    alpha = np.pi * com.centre_frequency / (1000.0 * com.velocity)
    device = Resonator(201, (300, 300), 1e-4, com.pitch, attenuation=alpha)

    def compared(com):
        (found,) = compare_models(device, com, cell, fit_band=constants.fit_band)
        return found

    found = compared(com)
    assert np.abs(found.difference[found.apart]).max() < 0.3
    assert found.conductance_ratio == pytest.approx(1.0, abs=0.01)
    for coupled, summed in found.peaks:
        assert summed == pytest.approx(coupled, rel=3e-5)
    without = compared(replace(com, phase_over_group_velocity=1.0))
    assert without.typical_difference > 1.0
