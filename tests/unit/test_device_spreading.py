"""What diffraction makes of the admittance of a track."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.device.beams import beam_pair, pairs_of, spreading, track_sources
from sawfem.device.rows import solve_track
from sawfem.device.spreading import Spreading
from sawfem.device.track import Gratings, Reflector, Space, Track, Transducer
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants
from sawfem.planewave.slowness_curve import SlownessCurve

PITCH, VELOCITY = 1.8e-6, 3150.0
CENTRE = VELOCITY / (2.0 * PITCH)
WEAK = ComConstants(
    pitch=PITCH, velocity=VELOCITY, reflection=0j, transduction=0.002, capacitance=5e-11
)
GRATINGS = Gratings({"g": WEAK}, velocity_free=VELOCITY, velocity_metallised=VELOCITY)
CURVE = SlownessCurve.isotropic(VELOCITY)


def hamming(count: int) -> tuple[float, ...]:
    x = (np.arange(count) + 0.5) / count
    return tuple(0.54 - 0.46 * np.cos(2.0 * np.pi * x))


def row(weights: tuple[float, ...] | None, spread: Spreading | None = None) -> Track:
    count = len(weights or range(101))
    elements = (
        Transducer("a", "g", count, weights=weights),
        Space(300 * 2.0 * PITCH, "free"),
        Transducer("b", "g", 61),
    )
    return Track(60.0 * 2.0 * PITCH, elements, spreading=spread)


@pytest.fixture(scope="module")
def apodised() -> Spreading:
    return spreading(row(hamming(101)), GRATINGS, CURVE)


def test_an_apodised_response_goes_with_the_sum_over_its_overlaps(apodised) -> None:
    """Without reflections a track is the delta-function model: side lobes that diffraction lifts
    come out of the admittance as they come out of the sum, which knows of no P-matrix."""
    f = CENTRE * np.linspace(0.93, 1.07, 281)
    y = solve_track(row(hamming(101), apodised), GRATINGS, f).bare[:, 1, 0]
    straight = solve_track(row(hamming(101)), GRATINGS, f).bare[:, 1, 0]
    sums = apodised.transfers["a", "b"]
    middle = len(f) // 2
    found, bare = (20.0 * np.log10(np.abs(v / straight[middle])) for v in (y, straight))
    peak = abs(sums.straight[len(sums.frequency) // 2])
    with_it, without = (
        20.0 * np.log10(np.interp(f, sums.frequency, np.abs(v)) / peak)
        for v in (sums.spread, sums.straight)
    )
    lifted = (with_it - without > 6.0) & (with_it > -62.0)
    assert np.count_nonzero(lifted) > 10
    assert np.max(np.abs(found - with_it)[lifted]) < 1.5
    assert np.max(np.abs(bare - with_it)[lifted]) > 6.0
    # N electrodes have N - 1 gaps: sum and track differ a little in width, with it and without
    passing = with_it > -10.0
    assert np.max(np.abs((found - bare) - (with_it - without))[passing]) < 0.05


def test_reciprocity_and_diagonal_stay(apodised) -> None:
    f = CENTRE * np.linspace(0.95, 1.05, 21)
    y = solve_track(row(hamming(101), apodised), GRATINGS, f).bare
    bare = solve_track(row(hamming(101)), GRATINGS, f).bare
    np.testing.assert_allclose(y[:, 0, 1], y[:, 1, 0], rtol=1e-10)
    np.testing.assert_allclose(y[:, [0, 1], [0, 1]], bare[:, [0, 1], [0, 1]], rtol=1e-12)


def test_the_spreading_moves_with_the_synchronous_frequency(apodised) -> None:
    """Other velocities, as of another temperature: the same at frequencies as many times higher."""
    f = CENTRE * np.linspace(0.95, 1.05, 41)
    track = row(hamming(101), apodised)
    warm = GRATINGS.warmed(0.01)
    ratio, moved = (
        solve_track(track, g, at).bare[:, 1, 0]
        / solve_track(row(hamming(101)), g, at).bare[:, 1, 0]
        for g, at in ((GRATINGS, f), (warm, 1.01 * f))
    )
    np.testing.assert_allclose(moved, ratio, rtol=1e-3)


def test_uniform_transducers_have_the_factor_alone() -> None:
    found = spreading(row(None), GRATINGS, CURVE)
    assert not found.transfers
    f = CENTRE * np.array([0.97, 1.0, 1.02])
    y = solve_track(row(None, found), GRATINGS, f).bare[:, 1, 0]
    bare = solve_track(row(None), GRATINGS, f).bare[:, 1, 0]
    np.testing.assert_allclose(y / bare, found.of(("b", "a"), f), rtol=1e-12)
    assert np.all(np.abs(y / bare) < 1.0)


def test_a_beam_that_misses_the_receiver_is_said() -> None:
    """Power that flows at 9 deg in all directions walks 51 of 60 wavelengths aside."""
    theta = CURVE.angle
    tilted = SlownessCurve(  # s1 = s - tan(9 deg) s2: a plane slowness, all power one way
        theta[abs(theta) < 1.2],
        (VELOCITY * (np.cos(theta) + np.tan(np.radians(9.0)) * np.sin(theta)))[abs(theta) < 1.2],
        np.radians(9.0) - theta[abs(theta) < 1.2],
    )
    ends = pairs_of(track_sources(row(None), GRATINGS))[0]
    for given, said in ((CURVE, False), (tilted, True)):
        found = spreading(row(None), GRATINGS, given)
        pair = beam_pair("row", ends, GRATINGS, given, found, applied=False)
        assert any("aside on the way" in text for text in pair.remarks) is said
    walk = float(pair.figures["walk_off"])
    distance = float(pair.figures["transducer_distance"])
    assert walk == pytest.approx(np.tan(np.radians(9.0)) * distance, rel=1e-9)
    # A receiver that lies aside by as much meets it: nothing spreads on a plane slowness.
    there = _offset(row(None), walk)
    ends = pairs_of(track_sources(there, GRATINGS))[0]
    met = spreading(there, GRATINGS, tilted)
    caught = beam_pair("row", ends, GRATINGS, tilted, met, applied=False)
    assert caught.remarks == ()
    assert caught.outlines[1][2:] == pytest.approx(
        (walk - 0.5 * there.aperture, walk + 0.5 * there.aperture)
    )
    # Electrodes at other distances still miss each other by a little: elementary geometry.
    one, other = (part.plain.x for part in ends)
    missed = np.abs((other - one[:, None]) - distance) * np.tan(np.radians(9.0))
    loss = -20.0 * np.log10(np.mean(1.0 - missed / there.aperture))
    assert 0.1 < loss < 0.5
    assert float(caught.figures["diffraction_loss"]) == pytest.approx(loss, abs=0.01)
    assert pair.figures["diffraction_loss"].value > 15.0
    assert float(caught.figures["diffraction_loss_parabolic"]) == pytest.approx(0.0, abs=0.01)


def test_refused() -> None:
    with pytest.raises(InputError, match="4, increasing"):
        Spreading(CENTRE, np.array([1.0, 2.0]), {})
    with pytest.raises(InputError, match="zeros or another count"):
        Spreading(CENTRE, np.arange(5.0), {("a", "b"): np.zeros(5, complex)})
    lonely = Track(1e-4, (Reflector("g", 20), Transducer("a", "g", 21)))
    with pytest.raises(InputError, match="one behind the other"):
        spreading(lonely, GRATINGS, CURVE)
    short = SlownessCurve(*(a[abs(CURVE.angle) < 0.1] for a in _data()))
    ends = pairs_of(track_sources(_near(), GRATINGS))[0]
    found = spreading(_near(), GRATINGS, short)
    with pytest.raises(InputError, match="known from -5 to 5 deg alone"):
        beam_pair("row", ends, GRATINGS, short, found, applied=False)


def _offset(track: Track, offset: float) -> Track:
    *others, last = track.elements
    return replace(track, elements=(*others, replace(last, offset=offset)))


def _data():
    return CURVE.angle, CURVE.velocity, CURVE.power_flow_angle


def _near() -> Track:
    """Narrow and short transducers side by side: they see each other under all angles."""
    near = (Transducer("a", "g", 3), Space(3.0 * PITCH), Transducer("b", "g", 3))
    return Track(3.0 * PITCH, near)


def test_a_factor_that_only_delays() -> None:
    """D = exp(-j w t) is a path longer by t, the half of it 6 dB: the group delay grows by t."""
    f = CENTRE * np.linspace(0.9, 1.1, 21)
    found = Spreading(CENTRE, f, {("a", "b"): 0.5 * np.exp(-2j * np.pi * f * 3e-9)})
    assert found.delay(("a", "b"), CENTRE) == pytest.approx(3e-9, rel=1e-6)
    assert found.loss(("a", "b")) == pytest.approx(20.0 * np.log10(2.0), rel=1e-9)
