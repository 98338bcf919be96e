"""What waves lose that pass a track more than once: quadratures, closed forms, arrival times."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sawfem.device.beams import spreading
from sawfem.device.drawn import DrawnCell, DrawnElectrode
from sawfem.device.passages import Passages, Way, functions, passage, spread_admittance
from sawfem.device.pmatrix import cascade, delay
from sawfem.device.rows import solve_track
from sawfem.device.section import grating_section, transducer_section
from sawfem.device.spurious import envelope
from sawfem.device.track import Gratings, Reflector, Space, Track, Transducer
from sawfem.device.ways import groups_of, ways_of
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants
from sawfem.planewave.slowness_curve import SlownessCurve

PITCH, VELOCITY = 1.8e-6, 3150.0
WAVE = 2.0 * PITCH
CENTRE = VELOCITY / WAVE
CIRCLE = SlownessCurve.isotropic(VELOCITY)
#: Invented.
REFLECTING = ComConstants(PITCH, VELOCITY, -0.02, 0.002, 5e-11)
STILL = replace(REFLECTING, reflection=0j)
F = CENTRE * np.linspace(0.9, 1.1, 1601)


def fox_li(width: float, distance: float, times: int) -> complex:
    """The passages by Gauss-Legendre quadrature of Fresnel's kernel from strip to strip."""
    x, w = np.polynomial.legendre.leggauss(400)
    y, w = 0.5 * width * x, 0.5 * width * w
    q = WAVE * distance
    kernel = np.sqrt(1j / q) * np.exp(-1j * np.pi * (y[:, None] - y) ** 2 / q) * w
    field = np.ones(y.size, dtype=complex)
    for _ in range(times):
        field = kernel @ field
    return complex(np.sum(w * field) / width)


@pytest.mark.parametrize(("width", "distance"), [(30, 200), (30, 900), (10, 300), (138, 118)])
def test_echoes_against_fresnel_mirrors(width: float, distance: float) -> None:
    """Strips of equal width facing one another: Fox & Li, Bell Syst. Tech. J. 40, 453 (1961)."""
    way = Way(distance * WAVE, width * WAVE)
    ways = Passages.along(CIRCLE, CENTRE * np.linspace(0.99, 1.01, 4), [way])
    for times in (1, 2, 3, 5):
        expected = fox_li(way.aperture, way.distance, times)
        # What is left is the parabola of the kernel against the circle of the curve.
        assert abs(ways.echo(0, CENTRE, times) - expected) < 4e-3
    more = passage(CIRCLE, CENTRE, way, 3 * functions(way, WAVE) // 2)
    assert abs((more @ more.T @ more)[0, 0] - ways.echo(0, CENTRE)) < 5e-4


def test_neither_d_cubed_nor_d_of_three_distances() -> None:
    """Near by the echo lies between the two, far away mirrors are points and make it D^3."""

    def losses(width: float, distance: float) -> list[float]:
        way = Way(distance * WAVE, width * WAVE)
        K = passage(CIRCLE, CENTRE, way, functions(way, WAVE))
        tripled = passage(CIRCLE, CENTRE, replace(way, distance=3.0 * way.distance), 1)
        values = K[0, 0] ** 3, (K @ K.T @ K)[0, 0], tripled[0, 0]
        return [-20.0 * math.log10(abs(value)) for value in values]

    cubed, echo, tripled = losses(30, 200)
    assert cubed - 0.5 > echo > tripled + 0.5  # 2.86, 1.96 and 1.35 dB
    cubed, echo, tripled = losses(10, 300)
    assert echo == pytest.approx(cubed, abs=0.15)  # 14.87 and 14.97 dB
    assert tripled < echo - 5.0


def test_a_beam_that_walks_aside_walks_back() -> None:
    """A straight slowness curve steers without spreading: s aside on each way, and back.

    Once, W - s of W meet the receiver. What met it is turned round and comes back to where it
    started: W - s again after two and after three ways, not W - 2 s and W - 3 s.
    """
    psi = math.radians(2.0)
    theta = np.radians(np.arange(-80.0, 80.5, 0.5))
    curve = SlownessCurve(
        theta, VELOCITY * (np.cos(theta) + math.tan(psi) * np.sin(theta)), psi - theta
    )
    way = Way(400.0 * WAVE, 60.0 * WAVE)
    K = passage(curve, CENTRE, way, 40)
    kept = 1.0 - way.distance * math.tan(psi) / way.aperture
    assert kept == pytest.approx(0.767, abs=1e-3)
    for value, tolerance in ((K[0, 0], 2e-3), ((K.T @ K)[0, 0], 0.01), ((K @ K.T @ K)[0, 0], 0.01)):
        assert abs(value) == pytest.approx(kept, abs=tolerance)
    caught = passage(curve, CENTRE, replace(way, aside=way.distance * math.tan(psi)), 40)
    assert abs(caught[0, 0]) == pytest.approx(1.0, abs=2e-3)


def row(element: object, spread: bool, constants: ComConstants) -> tuple[Track, Gratings]:
    gratings = Gratings({"g": constants}, velocity_free=VELOCITY)
    elements = (Transducer("a", "g", 41), Space(150 * WAVE, "free"), element)
    track = Track(40 * WAVE, elements)
    if spread:
        track = replace(track, spreading=spreading(track, gratings, CIRCLE))
    return track, gratings


def test_every_echo_arrives_with_its_own_loss() -> None:
    """Gated in time, the response holds D once, and each echo by what its passages cost."""
    element = Transducer("b", "g", 31)
    (bare, gratings), (track, _) = (row(element, yes, REFLECTING) for yes in (False, True))
    straight, y = (solve_track(one, gratings, F).bare for one in (bare, track))
    np.testing.assert_allclose(y, y.swapaxes(1, 2), rtol=1e-9, atol=1e-12)
    # Lossless rows stay passive: spreading only takes power away.
    assert np.linalg.eigvalsh(0.5 * (y + y.conj().swapaxes(1, 2)).real).min() > -1e-12
    ways, D = track.spreading.passages, track.spreading.of(("a", "b"), np.array([CENTRE]))[0]
    assert abs(ways.echo(0, CENTRE, 1)) == pytest.approx(abs(D), abs=1e-3)
    tau = (150 * WAVE + 35.0 * PITCH) / VELOCITY
    around = np.linspace(-0.2, 0.2, 41) * tau
    for i, j, times in ((1, 0, 1), (0, 0, 2), (1, 1, 2), (1, 0, 3), (0, 0, 4)):
        gated = [np.abs(envelope(F, v[:, i, j], times * tau + around)).max() for v in (y, straight)]
        expected = abs(ways.echo(0, CENTRE, times))
        assert gated[0] / gated[1] == pytest.approx(expected, abs=2e-3)


def test_without_reflections_only_the_transfer_changes() -> None:
    element = Transducer("b", "g", 31)
    (bare, gratings), (track, _) = (row(element, yes, STILL) for yes in (False, True))
    straight, y = (solve_track(one, gratings, F).bare for one in (bare, track))
    np.testing.assert_allclose(y[:, 0, 0], straight[:, 0, 0], rtol=1e-12)
    D = track.spreading.of(("a", "b"), F)
    np.testing.assert_allclose(y[:, 1, 0], D * straight[:, 1, 0], rtol=1e-9, atol=1e-14)


def test_a_reflector_sends_back_what_meets_it() -> None:
    """A delay line of one transducer and a reflector: two passages, at the depth of its echo."""
    element = Reflector("g", 60)
    gratings = Gratings({"g": REFLECTING}, velocity_free=VELOCITY)
    bare, gratings = row(element, False, REFLECTING)
    (way,) = ways_of(bare, gratings)
    depth = math.tanh(60 * 0.02) / (2.0 * 0.02 / PITCH)
    assert way.distance == pytest.approx(150 * WAVE - PITCH + 20.5 * PITCH + depth)
    f = CENTRE * np.linspace(0.8, 1.2, 9)
    ways = Passages.along(CIRCLE, f, [way])
    # The same cascade with beams of its own ways, by hand: K in place of one.
    idt = transducer_section(REFLECTING, 41, bare.aperture, F)
    mirror = grating_section(REFLECTING, 60, F)
    t = delay(150 * WAVE - PITCH, VELOCITY, F)
    straight = cascade([idt, t, mirror]).admittance[:, 0, 0]
    ends = [idt, mirror.connected(np.zeros((0, 1)))]
    y = ways.admittance(ends, [t.transmission], F)[:, 0, 0]
    tau = 2.0 * way.distance / VELOCITY
    around = np.linspace(-0.2, 0.2, 41) * tau
    gated = [np.abs(envelope(F, v, tau + around)).max() for v in (y, straight)]
    assert gated[0] / gated[1] == pytest.approx(abs(ways.echo(0, CENTRE, 2)), abs=3e-3)


def test_ways_that_lose_nothing_are_the_plain_cascade() -> None:
    """Three groups and both ports in each end: the matrices against the star product."""
    one = transducer_section(REFLECTING, 21, 1e-4, F)
    two = transducer_section(REFLECTING, 31, 1e-4, F)
    mirror = grating_section(REFLECTING, 50, F)
    t = delay(40 * WAVE, VELOCITY, F)
    whole = cascade([one, t, mirror, t, two]).admittance
    groups = [one.connected([[1.0, 0.0]]), mirror.connected(np.zeros((0, 2)))]
    groups.append(two.connected([[0.0, 1.0]]))
    same = np.broadcast_to(np.eye(3), (F.size, 3, 3))
    y = spread_admittance(groups, [t.transmission] * 2, [same, same])
    np.testing.assert_allclose(y, whole, rtol=1e-10, atol=1e-15)


def test_elements_within_a_wave_stand_together() -> None:
    gratings = Gratings({"g": REFLECTING}, velocity_free=VELOCITY)
    elements = (
        Space(50 * WAVE, "free"),
        Reflector("g", 40),
        Space(0.7 * WAVE),
        Transducer("a", "g", 21),
        Space(30 * WAVE, "free"),
        Space(1.5 * WAVE, "free"),
        Transducer("b", "g", 21),
        Reflector("g", 40),
        Space(50 * WAVE, "free"),
    )
    track = Track(1e-4, elements)
    assert groups_of(track, gratings) == ((1, 2, 3), (6, 7))
    assert len(ways_of(track, gratings)) == 1
    with_it = replace(track, spreading=spreading(track, gratings, CIRCLE))
    y, bare = (solve_track(one, gratings, F[::40]).bare for one in (with_it, track))
    assert 0.0 < np.abs(y / bare - 1.0).max() < 1.0


def test_a_plain_grating_drawn_as_pairs_spreads_alike() -> None:
    pair = (DrawnElectrode(0.5 * PITCH, 0.9e-6, "hot"), DrawnElectrode(1.5 * PITCH, 9e-7, "ground"))
    gratings = Gratings(
        {"g": REFLECTING, "two": REFLECTING},
        velocity_free=VELOCITY,
        drawn={"two": DrawnCell(WAVE, pair, 0.5 * PITCH)},
    )
    found = []
    for name in ("g", "two"):
        elements = (Transducer("a", name, 40), Space(150 * WAVE, "free"), Transducer("b", name, 30))
        track = Track(40 * WAVE, elements)
        track = replace(track, spreading=spreading(track, gratings, CIRCLE))
        found.append(solve_track(track, gratings, F[::40]).bare)
    np.testing.assert_allclose(found[1], found[0], rtol=1e-12)


def test_refused() -> None:
    with pytest.raises(InputError, match="positive lengths"):
        Way(0.0, 1e-4)
