"""One cell described in two ways gives one answer; every kind of cell keeps the balances."""

import numpy as np
import pytest

from sawfem.design import Electrode, Overcoat, Stack, UnitCell
from sawfem.extract.grating import THRIFTY
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.system import BlochSystem, floor_admittance

AL, TI, COPPER = "aluminium/kaye-laby", "titanium/kaye-laby", "copper/kaye-laby"
SILICA = "silica/auld-1973"
PERIOD, HEIGHT = 2e-6, 0.12e-6
SETTINGS = MeshSettings(order=3, gradings=2, ratio=0.15)
FREQUENCY, PHASE = 0.8e9, 2.3


@pytest.fixture(scope="module")
def stack() -> Stack:
    return Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")


def admittance(cell, settings=SETTINGS, frequency=FREQUENCY, phase=PHASE):
    d = discretise(cell, settings)
    return BlochSystem(d, phase, floor_admittance(d)).admittance(frequency)


def plain(stack, **keys):
    return UnitCell.grating(stack, AL, pitch=PERIOD, thickness=HEIGHT, **keys)


def apart(a, b):
    return float(np.max(np.abs(a - b)) / np.max(np.abs(a)))


def test_metal_under_a_flat_overcoat_of_its_height_is_metal_in_a_groove_of_a_layer(stack):
    coated = plain(stack, overcoat=[Overcoat(SILICA, HEIGHT, top="flat")])
    sunk = plain(stack.with_layer(SILICA, HEIGHT), recess=HEIGHT)
    assert apart(admittance(coated), admittance(sunk)) < 1e-10


def test_metal_buried_in_a_layer_in_two_ways(stack):
    coated = plain(stack, overcoat=[Overcoat(SILICA, 2.5 * HEIGHT, top="flat")])
    sunk = plain(
        stack.with_layer(SILICA, HEIGHT),
        recess=HEIGHT,
        overcoat=[Overcoat(SILICA, 1.5 * HEIGHT)],
    )
    assert apart(admittance(coated), admittance(sunk)) < 1e-10


def test_a_flat_overcoat_in_two_steps(stack):
    """One interface more, between equal media, moves nodes alone: the mesh error is left."""
    fine = MeshSettings(order=5, gradings=3, ratio=0.15)
    once = plain(stack, overcoat=[Overcoat(SILICA, 0.3e-6, top="flat")])
    twice = plain(stack, overcoat=[Overcoat(SILICA, 0.2e-6, top="flat"), Overcoat(SILICA, 0.1e-6)])
    differences = [apart(admittance(once, s), admittance(twice, s)) for s in (SETTINGS, fine)]
    assert differences[1] < 1e-7
    assert differences[1] < differences[0]


def test_films_of_one_metal_are_one_film(stack):
    whole = Electrode(AL, HEIGHT, "1 um", sidewall_angle=75.0)
    split = Electrode(AL, 0.1 * HEIGHT, "1 um", sidewall_angle=75.0)
    split = split.with_film(AL, 0.5 * HEIGHT).with_film(AL, 0.4 * HEIGHT)
    fine = MeshSettings(order=5, gradings=3, ratio=0.15)
    cells = [UnitCell(stack, [strip], PERIOD) for strip in (whole, split)]
    differences = [apart(*(admittance(cell, s) for cell in cells)) for s in (SETTINGS, fine)]
    assert differences[1] < 1e-6
    assert differences[1] < differences[0]


def test_conformal_and_flat_overcoats_agree_on_electrodes_flush_with_the_surface(stack):
    cells = [
        plain(stack, recess=HEIGHT, overcoat=[Overcoat(SILICA, 0.1e-6, top=top)])
        for top in ("conformal", "flat")
    ]
    assert apart(*(admittance(cell) for cell in cells)) < 1e-12


def test_a_conformal_film_that_closes_the_gaps_is_a_flat_one(stack):
    """Between electrodes of one height with upright walls it is level at their height plus its
    thickness; the meshes differ, by 6e-6, 3e-7, 2e-8 from step to step of order and grading."""
    fine = MeshSettings(order=4, gradings=3, ratio=0.15)
    merged = plain(stack, metallisation_ratio=0.6, overcoat=[Overcoat(SILICA, 0.45e-6)])
    flat = plain(
        stack,
        metallisation_ratio=0.6,
        overcoat=[Overcoat(SILICA, 0.45e-6 + HEIGHT, top="flat")],
    )
    differences = [apart(admittance(merged, s), admittance(flat, s)) for s in (SETTINGS, fine)]
    assert differences[1] < 1e-6
    assert differences[1] < 0.2 * differences[0]


@pytest.mark.parametrize(
    ("angle", "ratio", "thickness"), [(105.0, 0.5, 60e-9), (60.0, 0.6, 0.62e-6)]
)
def test_a_conformal_film_under_a_flat_one_of_its_kind_is_one_flat_film(
    stack, angle, ratio, thickness
):
    """Over walls that hang over, and over a groove of merged films: what the second film fills is
    the first film's own material, so that only the mesh knows of the boundary: 3e-4, 2e-5, 2e-6
    from step to step over the groove."""
    fine = MeshSettings(order=4, gradings=3, ratio=0.15)
    keys = {"sidewall_angle": angle, "metallisation_ratio": ratio}
    level = 1.2 * (HEIGHT + thickness)
    filled = [
        Overcoat(SILICA, thickness),
        Overcoat(SILICA, level - thickness, top="flat"),
    ]
    once = plain(stack, **keys, overcoat=[Overcoat(SILICA, level, top="flat")])
    twice = plain(stack, **keys, overcoat=filled)
    differences = [apart(admittance(once, s), admittance(twice, s)) for s in (SETTINGS, fine)]
    assert differences[1] < 5e-5
    assert differences[1] < 0.2 * differences[0]


def test_two_equal_electrodes_a_period_are_one_a_half_period(stack):
    """Y(f, gamma) of p is that of 2p at 2 gamma with the second electrode at exp(-j gamma)."""
    single = plain(stack, overcoat=[Overcoat(SILICA, 40e-9)])
    strip = Electrode(AL, HEIGHT, 0.5 * PERIOD)
    double = UnitCell(
        stack,
        [strip.at(0.5 * PERIOD), strip.at(1.5 * PERIOD)],
        2.0 * PERIOD,
        overcoat=[Overcoat(SILICA, 40e-9)],
    )
    fine = MeshSettings(order=4, gradings=3, ratio=0.15)
    y = admittance(single, fine)[0, 0]
    pair = admittance(double, fine, phase=2.0 * PHASE)
    volts = np.array([1.0, np.exp(-1j * PHASE)])
    # What a coarser mesh changes is the error bar.
    bar = apart(y, admittance(single)[0, 0])
    assert bar < 1e-3
    assert apart(pair @ volts, y * volts) < 0.2 * bar


def unlike(stack) -> UnitCell:
    """Three electrodes of unlike height, metal and walls under a conformal film, in a groove."""
    strips = [
        Electrode(TI, "10 nm", "0.4 um", centre="0.4 um", sidewall_angle=80.0).with_film(
            AL, "110 nm"
        ),
        Electrode(COPPER, "80 nm", "0.3 um", centre="1 um"),
        Electrode(AL, "60 nm", "0.3 um", centre="1.6 um", footing=("30 nm", "15 nm")),
    ]
    return UnitCell(stack, strips, PERIOD, overcoat=[Overcoat(SILICA, "30 nm")], recess="20 nm")


KINDS = {
    "conformal": lambda s: plain(s, sidewall_angle=75.0, overcoat=[Overcoat(SILICA, 40e-9)]),
    "buried": lambda s: plain(s, overcoat=[Overcoat(SILICA, 0.4e-6, top="flat")]),
    "recessed": lambda s: plain(s, recess=0.5 * HEIGHT),
    "unlike": unlike,
    "hanging over": lambda s: plain(s, sidewall_angle=110.0, overcoat=[Overcoat(SILICA, 40e-9)]),
    "merged": lambda s: plain(
        s, sidewall_angle=60.0, metallisation_ratio=0.6, overcoat=[Overcoat(SILICA, 0.62e-6)]
    ),
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("frequency", [0.7e9, 1.3e9])
def test_every_kind_of_cell_is_reciprocal_passive_and_balanced(stack, kind, frequency):
    """Y(gamma) = Y(-gamma)^T; Re of every quadratic form >= 0 and equal to the power radiated."""
    d = discretise(KINDS[kind](stack), MeshSettings(3, 1, 0.15))
    floor = floor_admittance(d)
    y, back = (BlochSystem(d, g, floor).admittance(frequency) for g in (PHASE, -PHASE))
    assert apart(y, back.T) < 1e-9
    heat = np.linalg.eigvalsh(0.5 * (y + y.conj().T))
    size = np.max(np.abs(y))
    assert heat.min() > -1e-9 * size
    if frequency > 1e9:
        assert heat.max() > 1e-3 * size
    model = reduce(BlochSystem(d, PHASE, floor), frequency)
    assert model.power_balance(frequency) < 1e-8


@pytest.mark.parametrize("kind", ["conformal", "recessed", "hanging over"])
def test_refining_order_and_grading_together_converges_exponentially(stack, kind):
    """Exponential convergence (sawfem/unitcell/spacing.py): the error falls by a factor a step.

    With a ratio of 0.15 and singularities like the root of the distance, one grading gains 1/0.15
    in the square of the energy error that Y sees.
    """
    cell = KINDS[kind](stack)
    answers = [admittance(cell, MeshSettings(n + 1, n, 0.15)) for n in (1, 2, 3)]
    first, second = (apart(answer, answers[-1]) for answer in answers[:2])
    assert second < 1e-3
    assert first > 4.0 * second


@pytest.mark.parametrize("kind", ["conformal", "hanging over"])
def test_falling_degrees_keep_the_order_under_a_conformal_film(stack, kind):
    """A mesh and the next of an endless sequence that gains a factor q a step differ by its error
    times 1 - 1/q: differences fall by q as well, here by 8 to 12 (sawfem/unitcell/degrees.py)."""
    cell = KINDS[kind](stack)
    answers = [admittance(cell, settings) for settings in THRIFTY[:3]]
    first, second = apart(*answers[:2]), apart(*answers[1:])
    assert second < 3e-4
    assert 6.0 * second < first < 16.0 * second
