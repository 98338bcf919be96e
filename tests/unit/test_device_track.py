"""Tracks: against resonators, filters and electrodes taken one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sawfem.device import Resonator, Transversal
from sawfem.device.pmatrix import cascade, delay
from sawfem.device.polarity import blocks_of, capacitance_in_electrodes, runs_of
from sawfem.device.resonator import resonator_sections
from sawfem.device.rows import solve_track
from sawfem.device.section import transducer_section
from sawfem.device.track import Gratings, Reflector, Space, Track, Transducer
from sawfem.device.transversal import transversal_sections
from sawfem.errors import GeometryError, InputError
from sawfem.extract.constants import ComConstants

PITCH = 2.0e-6
MAIN = ComConstants(PITCH, 3900.0, -0.02, 0.17, 2.4e-10, 20.0)
FINE = replace(MAIN, pitch=1.98e-6, reflection=0.03 - 0.01j)
PAIR = ComConstants(2 * PITCH, 3900.0, 0.0, 0.25, 3.4e-10)
GRATINGS = Gratings(
    {"main": MAIN, "fine": FINE},
    {"main": PAIR},
    {"main": 1e-6, "fine": 1e-6},
    velocity_free=3990.0,
    velocity_metallised=3880.0,
)
F = np.linspace(0.9, 1.1, 41) * MAIN.centre_frequency
W = 100e-6


def test_resonator_as_a_track():
    resonator = Resonator(101, (40, 60), W, 1.1 * PITCH)
    direct = resonator_sections(resonator, MAIN, FINE, F)
    gap = Space(1.1 * PITCH)
    elements = (
        Reflector("fine", 40),
        gap,
        Transducer("p", "main", 101),
        gap,
        Reflector("fine", 60),
    )
    track = solve_track(Track(W, elements), GRATINGS, F)
    np.testing.assert_allclose(track.strips[0].matrix, direct.matrix, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("double", [False, True])
def test_transversal_filter_as_a_track(double):
    constants = PAIR if double else MAIN
    sequence = ("++--", "++--") if double else ("+-", "+-")
    filter_ = Transversal((24, 16), W, 30e-6, sequence, gap_velocity=3990.0)
    direct = transversal_sections(filter_, constants, constants, F)
    polarity = (1, 1, -1, -1) if double else (1, -1)
    elements = (
        Transducer("a", "main", 24, polarity),
        Space(30e-6, "free"),
        Transducer("b", "main", 16, polarity),
    )
    f = F / 2 if double else F
    direct = transversal_sections(filter_, constants, constants, f)
    track = solve_track(Track(W, elements), GRATINGS, f)
    np.testing.assert_allclose(track.strips[0].matrix, direct.matrix, rtol=1e-9, atol=1e-12)


SEQUENCES = [
    (1, -1),
    (1, -1, 1, 1, -1, 1),
    (1, -1, 0, 0, 0, 0, 1, -1, 1, -1),
    (1, 1, 1, 1, 1, -1, 1, -1, -1, -1, 1),
    (-1, 1, -1),
]


@pytest.mark.parametrize("polarity", SEQUENCES)
def test_sequences_are_the_sum_of_their_electrodes(polarity):
    transducer = Transducer("p", "main", 53, polarity)
    whole = solve_track(Track(W, (transducer,)), GRATINGS, F).strips[0].matrix
    single = [transducer_section(MAIN, 1, W, F) for _ in range(53)]
    signs = transducer.sequence.astype(float)[:, None]
    summed = cascade(single).connected(signs).matrix
    cells = capacitance_in_electrodes(transducer.sequence) - np.count_nonzero(signs)
    summed[:, 2, 2] += 2j * np.pi * F * MAIN.capacitance * W * cells
    np.testing.assert_allclose(whole, summed, rtol=1e-9, atol=1e-11)


def test_sections_of_two_pitches_are_one_transducer():
    elements = (Transducer("p", "main", 21), Transducer("p", "fine", 30, (-1, 1)))
    whole = solve_track(Track(W, elements), GRATINGS, F).strips[0].matrix
    parts = [
        transducer_section(MAIN, 21, W, F),
        transducer_section(FINE, 30, W, F, polarity=-1),
    ]
    np.testing.assert_allclose(whole, cascade(parts).connected([[1], [1]]).matrix, rtol=1e-9)


def test_gaps_have_the_velocity_of_their_surface():
    for surface, velocity in (("free", 3990.0), ("metallised", 3880.0), ("", 3900.0)):
        elements = (
            Transducer("a", "main", 5),
            Space(30e-6, surface),
            Transducer("b", "main", 5),
        )
        track = solve_track(Track(W, elements), GRATINGS, F).strips[0]
        gap = delay(30e-6 - PITCH, velocity, F)
        side = transducer_section(MAIN, 5, W, F)
        np.testing.assert_allclose(track.matrix, cascade([side, gap, side]).matrix, rtol=1e-9)


def test_apodised_transducer_into_a_uniform_one_weighs_its_electrodes():
    # Without reflections the transfer admittance is the sum of the electrodes' contributions, each
    # times its overlap (linear in it: the uniform transducer adds all strips up).
    bare = replace(MAIN, reflection=0.0, attenuation=0.0)
    gratings = replace(GRATINGS, constants={"main": bare})
    weights = tuple(np.round(0.25 + 0.75 * np.sin(np.pi * (np.arange(31) + 0.5) / 31), 1))
    out = Transducer("b", "main", 2)
    elements = (Transducer("a", "main", 31, weights=weights), Space(50e-6), out)
    track = solve_track(Track(W, elements), gratings, F)
    k = 2 * np.pi * F / bare.velocity
    place = (np.arange(31) - 15)[:, None] * PITCH
    signs = np.resize([1.0, -1.0], 31)[:, None]
    array = (np.array(weights)[:, None] * signs * np.exp(1j * k * place)).sum(axis=0)
    uniform = (Transducer("a", "main", 31), Space(50e-6), out)
    plain = solve_track(Track(W, uniform), gratings, F).bare[:, 1, 0]
    full = (signs * np.exp(1j * k * place)).sum(axis=0)
    keep = np.abs(full) > 1.0
    ratio = track.bare[keep, 1, 0] / plain[keep]
    # an electrode acts over its width of one pitch in the equations, whatever its sign: the ratio
    # of two sums does not know it, but electrodes that regenerate do, by |a p|^2
    np.testing.assert_allclose(ratio, (array / full)[keep], rtol=5e-3, atol=5e-3)


def test_apodisation_without_weight_is_none():
    weights = tuple([1.0] * 20)
    with_, without = (
        solve_track(Track(W, (Transducer("p", "main", 20, weights=w),)), GRATINGS, F)
        for w in (weights, None)
    )
    np.testing.assert_allclose(with_.admittance, without.admittance, rtol=1e-12)


@pytest.mark.parametrize("dummies", [True, False])
def test_apodised_track_balances_its_power(dummies):
    weights = tuple(np.hanning(43)[1:-1])
    transducer = Transducer("p", "main", 41, weights=weights, dummies=dummies)
    track = solve_track(Track(W, (transducer,)), GRATINGS, F, lossless=True)
    assert len(track.strips) > 10
    assert track.power_error() < 1e-10
    assert track.reciprocity_error() < 1e-10


def test_capacitance_of_double_electrodes_is_root_two_of_eps():
    # W sqrt(2) eps a period of four electrodes against W eps of two at eta = 0.5 (Morgan 2007,
    # ch. 5; from memory)
    ratio = capacitance_in_electrodes(np.resize([1, 1, -1, -1], 4000)) / 4000
    assert ratio == pytest.approx(np.sqrt(0.5), rel=2e-4)
    # a withdrawn stretch at one potential holds no charge but at its ends
    long, longer = (capacitance_in_electrodes([1, -1] + [1] * n) for n in (1000, 2000))
    assert longer == pytest.approx(long, rel=1e-2)


def test_capacitance_of_thin_and_thick_strips():
    # three phases (gamma = 2 pi/3): C(gamma)/C(pi) in closed form at eta = 0.5 is sin(gamma/2)
    wave = np.cos(2 * np.pi / 3 * np.arange(3000))
    assert capacitance_in_electrodes(wave) / (wave @ wave) == pytest.approx(
        np.sin(np.pi / 3), rel=2e-3
    )


def test_runs_and_blocks_put_the_sequence_together_again():
    for polarity in SEQUENCES:
        c = np.resize(polarity, 97)
        runs = [run for block, times in blocks_of(runs_of(c)) for run in block * times]
        again = [first * (-1) ** n for first, length in runs for n in range(length)]
        np.testing.assert_array_equal(again, c)
    assert len(runs_of(np.resize([1, -1], 100_000))) == 1
    assert len(blocks_of(runs_of(np.ones(5000)))) <= 2


def test_losses_by_mechanism_add_up():
    elements = (Reflector("main", 50), Transducer("p", "main", 81), Reflector("main", 50))
    track = Track(W, elements, sheet_resistance=0.3, attenuation=30.0)
    solution = solve_track(track, GRATINGS, F)
    V = np.ones((F.size, 1), dtype=complex)
    lost = solution.losses(V)
    np.testing.assert_allclose(sum(lost.values()), solution.admittance[:, 0, 0].real, rtol=1e-9)
    assert all(np.all(power >= 0.0) for power in lost.values())
    lossless = solve_track(track, GRATINGS, F, lossless=True)
    lost = lossless.losses(V)
    np.testing.assert_allclose(lost["ends"], lossless.bare[:, 0, 0].real, rtol=1e-9)


@pytest.mark.parametrize(
    ("make", "error"),
    [
        (lambda: Track(W, (Reflector("main", 10),)), GeometryError),
        (lambda: Transducer("p", "main", 1), GeometryError),
        (lambda: Transducer("p", "main", 10, (2, -1)), GeometryError),
        (lambda: Transducer("p", "main", 10, ()), GeometryError),
        (lambda: Transducer("p", "main", 11, (1, 1, -1, -1)), GeometryError),
        (lambda: Transducer("p", "main", 10, weights=(1.0, 0.5)), GeometryError),
        (lambda: Transducer("p", "main", 2, weights=(1.0, 1.5)), GeometryError),
        (lambda: Space(0.0), GeometryError),
        (lambda: Space(1e-6, "painted"), GeometryError),
        (lambda: Reflector("main", 0), GeometryError),
        (lambda: Track(0.0, (Transducer("p", "main", 10),)), GeometryError),
        (
            lambda: solve_track(Track(W, (Transducer("p", "other", 9),)), GRATINGS, F),
            InputError,
        ),
        (
            lambda: solve_track(
                Track(W, (Reflector("main", 9), Space(0.9e-6), Transducer("p", "main", 9))),
                GRATINGS,
                F,
            ),
            GeometryError,
        ),
    ],
)
def test_what_cannot_be_built_is_refused(make, error):
    with pytest.raises(error) as caught:
        make()
    assert "\n" not in str(caught.value)
