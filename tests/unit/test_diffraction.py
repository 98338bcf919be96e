"""Beams of surface waves: closed forms of optics, conservation laws, the plane wave's power flow.

Goodman: J. W. Goodman, Introduction to Fourier Optics. Szabo & Slobodnik: IEEE Trans. SU-20, 240
(1973), from memory.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import fresnel, hankel2
from support.known_waves import YZ_NIOBATE, located

from sawfem.design import Stack
from sawfem.device.angular_spectrum import spectrum
from sawfem.device.diffraction import (
    beam_field,
    coupling,
    factor,
    factors,
    far_field_angles,
    transfer,
)
from sawfem.device.parabolic_beam import pair_factor, slit_field
from sawfem.device.sources import Segments, driven, parallel
from sawfem.device.track import Transducer
from sawfem.errors import InputError
from sawfem.planewave import plane_waves
from sawfem.planewave.beam import Beam
from sawfem.planewave.slowness_curve import SlownessCurve, slowness_curve
from tests.support.slowness import ellipse

VELOCITY, FREQUENCY = 3000.0, 1e9
WAVELENGTH = VELOCITY / FREQUENCY
CIRCLE = SlownessCurve.isotropic(VELOCITY)


def flat() -> SlownessCurve:
    """s1 is the same in all directions: 1 + g = 0 and no higher order."""
    theta = np.radians(np.arange(-80.0, 80.5, 0.5))
    return SlownessCurve(theta, VELOCITY * np.cos(theta), -theta)


def pair(width: float, distance: float, offset: float = 0.0) -> tuple[Segments, Segments]:
    return Segments.line(width), Segments.line(width, x=distance, y=offset)


@pytest.mark.parametrize("distance", [0.3, 2.0, 30.0])
def test_near_field_against_the_integral_of_hankel_functions(distance: float) -> None:
    """Rayleigh-Sommerfeld in two dimensions (Goodman), evanescent waves and all:
    u = -j k/2 integral u(0, y') (x/r) H1(k r) dy'."""
    k, x, half = 2.0 * math.pi / WAVELENGTH, distance * WAVELENGTH, 2.5 * WAVELENGTH

    def kernel(s: float, y: float) -> complex:
        r = math.hypot(x, y - s)
        return complex(-0.5j * k * x / r * hankel2(1, k * r))

    places = np.array([0.0, 0.7, 2.4, 2.6, 4.0]) * WAVELENGTH
    found = beam_field(CIRCLE, FREQUENCY, Segments.line(2 * half), np.array([x]), places)[0]
    for y, value in zip(places, found, strict=True):
        real, imag = (
            quad(lambda s, y=y, p=p: getattr(kernel(s, y), p), -half, half, limit=400, points=[y])[
                0
            ]
            if abs(y) < half
            else quad(lambda s, y=y, p=p: getattr(kernel(s, y), p), -half, half, limit=400)[0]
            for p in ("real", "imag")
        )
        assert value * np.exp(-1j * k * x) == pytest.approx(complex(real, imag), abs=2e-8)


def test_slit_against_fresnel_integrals() -> None:
    """Goodman: the Fresnel pattern of a slit from C and S; exact spectrum at small angles."""
    width, x = 200.0 * WAVELENGTH, 8000.0 * WAVELENGTH
    y = np.linspace(-150.0, 150.0, 61) * WAVELENGTH
    scale = math.sqrt(2.0 / (WAVELENGTH * x))
    (s2, c2), (s1, c1) = fresnel(scale * (y + width / 2)), fresnel(scale * (y - width / 2))
    intensity = 0.5 * ((c2 - c1) ** 2 + (s2 - s1) ** 2)
    found = beam_field(CIRCLE, FREQUENCY, Segments.line(width), np.array([x]), y)[0]
    # k x q^4 / 8 is what the parabola leaves out: 0.006 rad at the steepest rays here, q = 0.03
    assert np.max(np.abs(np.abs(found) ** 2 - intensity)) < 1e-3
    closed = slit_field(CIRCLE.beam(FREQUENCY), width, x, y)
    assert np.max(np.abs(np.abs(closed) ** 2 - intensity)) < 1e-12


@pytest.mark.parametrize("lengths", [0.01, 0.1, 1.0, 10.0])
def test_isotropic_pair_against_the_parabola(lengths: float) -> None:
    """Loss against distance in Fresnel lengths W^2/lambda, in closed form by Fresnel integrals."""
    width = 200.0 * WAVELENGTH
    distance = lengths * width**2 / WAVELENGTH
    found = factor(CIRCLE, FREQUENCY, *pair(width, distance))
    closed = pair_factor(CIRCLE.beam(FREQUENCY), width, width, distance)
    assert abs(found.value - closed) < 1e-4
    assert found.error < 1e-10


def test_universal_curve_has_the_limits_of_near_and_far() -> None:
    """Near: |D| = 1 - sqrt(F / 2) / pi, from the edges of a slit. Far: |D| = sqrt(1 / F), power
    that falls as 1/distance in two dimensions. F = lambda L / W^2 (Szabo & Slobodnik)."""
    width = 1000.0 * WAVELENGTH
    beam = CIRCLE.beam(FREQUENCY)
    unit = width**2 / WAVELENGTH
    assert beam.fresnel_distance(width) == pytest.approx(unit)
    for f in (1e-4, 1e-3):
        near = abs(pair_factor(beam, width, width, f * unit))
        assert near == pytest.approx(1.0 - math.sqrt(f / 2.0) / math.pi, abs=0.2 * f)
    for f in (100.0, 1000.0):
        assert abs(pair_factor(beam, width, width, f * unit)) == pytest.approx(
            math.sqrt(1.0 / f), rel=0.2 / f**2
        )


@pytest.mark.parametrize("g", [-1.8, -0.6, 0.4, 1.5])
def test_parabolic_scaling(g: float) -> None:
    """A distance L acts as |1 + g| L does on an isotropic surface, phases turned round for
    g < -1 (Szabo & Slobodnik)."""
    width, distance = 300e-6, 20e-3
    plain = pair_factor(Beam(0.0, 0.0, 0.0, 3e-6), width, width, abs(1.0 + g) * distance)
    found = pair_factor(Beam(0.0, g, 0.0, 3e-6), width, width, distance)
    assert found == pytest.approx(plain if g > -1.0 else np.conj(plain), abs=1e-12)


@pytest.mark.parametrize("tilt", [-40.0, 40.0])
def test_a_steered_beam_against_the_parabola(tilt: float) -> None:
    """Steered by psi, a distance L acts as (1 + g) L/cos^2(psi), shifted by L tan(psi) aside
    (Szabo & Slobodnik 1973): the exact spectrum of a tilted ellipse, at small angles."""
    curve = ellipse(1 / 3000.0, 1 / 4200.0, tilt)
    beam = curve.beam(FREQUENCY)
    assert abs(beam.power_flow_angle) > 15.0  # the square of its cosine is off by 4 per cent
    width = 300.0 * beam.wavelength
    for lengths in (0.3, 3.0):
        distance = lengths * width**2 / beam.wavelength
        aside = distance * math.tan(math.radians(beam.power_flow_angle))
        found = factor(curve, FREQUENCY, *pair(width, distance, aside))
        closed = pair_factor(beam, width, width, distance, aside)
        assert abs(found.coupling) / width == pytest.approx(abs(closed), abs=3e-5)


def test_exact_scaling_on_an_ellipse() -> None:
    """1 + g = (a/b)^2 at the vertex of an ellipse; a stretched y makes a circle of it, exactly."""
    a, b = 1 / 3000.0, 1 / 3600.0
    width, distance = 40.0 * WAVELENGTH, 900.0 * WAVELENGTH
    found = factor(ellipse(a, b), FREQUENCY, *pair(width, distance))
    same = factor(CIRCLE, FREQUENCY, *pair(width * b / a, distance))
    assert found.value == pytest.approx(same.value, abs=3e-6)
    assert found.directions < 3e-6


def test_no_spreading_where_the_curve_is_flat() -> None:
    """g = -1: the beam arrives as it started, at any distance."""
    curve = flat()
    assert curve.anisotropy == pytest.approx(-1.0, abs=1e-6)
    width = 50.0 * WAVELENGTH
    assert curve.beam(FREQUENCY).fresnel_distance(width) > 1e5 * width**2 / WAVELENGTH
    for distance in (100.0, 3000.0):
        found = factor(curve, FREQUENCY, *pair(width, distance * WAVELENGTH))
        # What is lost are the directions beyond 80 deg (s2 of 5.7 / v) that the data leave out.
        assert abs(found.value) == pytest.approx(1.0, abs=3e-3)
    assert pair_factor(Beam(0.0, -1.0, 0.0, 3e-6), width, width, 1.0) == pytest.approx(1.0)


def test_far_field_angle() -> None:
    """Half power of sinc^2 at sin = 0.443 lambda/W, its first zero at lambda/W (Goodman)."""
    width = 30.0 * WAVELENGTH
    low, high = far_field_angles(CIRCLE, FREQUENCY, width)
    assert math.sin(high) == pytest.approx(0.4429 / 30.0, rel=2e-4)
    assert low == pytest.approx(-high)
    distance = 3e5 * WAVELENGTH
    angle = np.array([0.0, high, math.asin(1.0 / 30.0)])
    field = beam_field(
        CIRCLE, FREQUENCY, Segments.line(width), np.array([distance]), distance * np.tan(angle)
    )[0]
    power = np.abs(field / field[0]) ** 2
    assert power[1] == pytest.approx(0.5, rel=2e-3)
    assert power[2] < 1e-4
    with pytest.raises(InputError, match="runs forward"):
        far_field_angles(CIRCLE, FREQUENCY, 0.4 * WAVELENGTH)


def smooth(width: float) -> Segments:
    """A cosine-squared profile, whose spectrum falls fast, on strips below a wavelength."""
    t = (np.arange(192) + 0.5) / 192 - 0.5
    return Segments.profile(width, np.cos(np.pi * t) ** 2)


@pytest.mark.parametrize(
    ("material", "euler"),
    [
        ("quartz/bechmann-1958", (0, 132.75, 25)),
        ("lithium-tantalate/warner-1967", (0, 90, 75)),
    ],
)
def test_a_beam_walks_off_at_the_power_flow_angle(material, euler) -> None:
    """Centroid of the intensity against the angle of the plane wave, by another route."""
    stack = Stack(material, euler=euler)
    wave = plane_waves(stack)[0]
    assert abs(wave.power_flow_angle) > 2.0
    curve = slowness_curve(located(stack))
    frequency = 868e6
    width = 150.0 * wave.velocity_free / frequency
    source = smooth(width)
    x = np.array([1.0, 4.0]) * width
    across = np.tan(math.radians(wave.power_flow_angle)) * x
    y = np.linspace(-1.5, 1.5, 301) * width
    middles = []
    for place, shift in zip(x, across, strict=True):
        power = np.abs(beam_field(curve, frequency, source, np.array([place]), shift + y)[0]) ** 2
        middles.append(float(np.sum(power * (shift + y)) / np.sum(power)))
    angle = math.degrees(math.atan2(middles[1] - middles[0], x[1] - x[0]))
    assert angle == pytest.approx(wave.power_flow_angle, abs=2e-3)
    # The rest is the bend of the curve over the directions of a beam so narrow: the mean of
    # tan(theta + psi) to second order in q = s2 / s, and <q^2> = (4/3) (wavelength / 2 W)^2 for
    # cosine squared. It goes with 1 / W^2.
    beam, square = curve.beam(frequency), 4.0 / 3.0 / 300.0**2
    t, g = math.tan(math.radians(wave.power_flow_angle)), beam.anisotropy
    mean = t + (1 + t**2) * square * (0.5 * beam.second_order + t * (1 + g) * (2 + g))
    assert angle == pytest.approx(math.degrees(math.atan(mean)), abs=1e-4)


def test_power_is_the_same_at_all_distances_and_in_the_spectrum() -> None:
    """Parseval, on a tilted ellipse with walk-off."""
    curve = ellipse(1 / 3000.0, 1 / 3500.0, 15.0)
    width = 40.0 * WAVELENGTH
    source = smooth(width)
    y = np.linspace(-4.0, 4.0, 801) * width
    x = np.array([1.0, 100.0, 500.0]) * WAVELENGTH
    field = beam_field(curve, FREQUENCY, source, x, y)
    power = np.sum(np.abs(field) ** 2, axis=1) * (y[1] - y[0])
    waves = spectrum(curve, FREQUENCY, 1e-6, 4.0 * width).carried()
    sent = driven(source, waves.excess, waves.k2, 0.0) / np.sum(source.weight)
    assert power == pytest.approx(float(np.sum(waves.weight * np.abs(sent) ** 2)), rel=3e-6)
    strips = np.sum(source.width * np.abs(source.weight / np.sum(source.weight)) ** 2)
    assert power == pytest.approx(strips, rel=1e-3)


def test_reciprocity() -> None:
    """Source and receiver change places: the device turned by 180 deg on the same curve."""
    curve = ellipse(1 / 3000.0, 1 / 3500.0, 15.0)
    wide, narrow = 60.0 * WAVELENGTH, 25.0 * WAVELENGTH
    source = Segments.profile(wide, np.linspace(0.2, 1.0, 7))
    receiver = Segments.profile(narrow, [1.0, 0.3, 0.0, 0.6]).moved(
        300.0 * WAVELENGTH, 8.0 * WAVELENGTH
    )
    there = factor(curve, FREQUENCY, source, receiver)
    back = factor(curve, FREQUENCY, receiver.mirrored(), source.mirrored())
    assert back.coupling == pytest.approx(there.coupling, rel=1e-10)
    assert back.parallel == pytest.approx(there.parallel, rel=1e-12)
    # and without turning: s2 goes to -s2 for waves that run the other way
    other = factor(ellipse(1 / 3000.0, 1 / 3500.0, -15.0), FREQUENCY, source, receiver)
    assert abs(other.value - there.value) > 0.05


def test_coupling_is_what_the_receiver_reads_of_the_field() -> None:
    curve = ellipse(1 / 3000.0, 1 / 3500.0, 10.0)
    width, distance = 30.0 * WAVELENGTH, 150.0 * WAVELENGTH
    source, receiver = pair(width, distance, 10.0 * WAVELENGTH)
    found = factor(curve, FREQUENCY, source, receiver)
    y, w = np.polynomial.legendre.leggauss(400)
    places = 10.0 * WAVELENGTH + 0.5 * width * y
    field = beam_field(curve, FREQUENCY, source, np.array([distance]), places)[0]
    assert found.coupling == pytest.approx(complex(np.sum(0.5 * width * w * field)), rel=1e-9)


def test_overlaps_of_an_apodised_transducer_one_by_one() -> None:
    """All pairs of segments, each alone, add up to the coupling of the two transducers."""
    weights = (0.2, 0.5, 1.0, 0.8, 0.3)
    first = Segments.of_transducer(
        Transducer("1", "g", 5, weights=weights), 0.0, 0.5 * WAVELENGTH, 40.0 * WAVELENGTH
    )
    second = Segments.of_transducer(
        Transducer("2", "g", 4), 60.0 * WAVELENGTH, 0.5 * WAVELENGTH, 40.0 * WAVELENGTH
    )
    assert first.width == pytest.approx(np.array([14.0, 30.0, 36.0, 22.0]) * WAVELENGTH)
    assert first.weight.tolist() == [1.0, -1.0, 1.0, -1.0]
    # Electrode 0 (upper) from -4 up, electrode 1 (lower) to +10: the middle is at 3 wavelengths.
    assert first.y == pytest.approx(np.array([3.0, -5.0, -2.0, 5.0]) * WAVELENGTH)
    k = math.pi / (0.5 * WAVELENGTH)
    first, second = first.phased(k), second.phased(-k)
    whole = factor(CIRCLE, FREQUENCY, first, second)
    single = 0j
    for n in range(len(first)):
        for m in range(len(second)):
            a, b = (
                Segments(s.x[[i]], s.y[[i]], s.width[[i]], s.weight[[i]])
                for s, i in ((first, n), (second, m))
            )
            single += factor(CIRCLE, FREQUENCY, a, b).coupling
    assert whole.coupling == pytest.approx(single, rel=1e-9)
    assert whole.parallel == pytest.approx(parallel(first, second))
    assert abs(whole.value) < 1.0


def test_directions_without_data_are_said_by_the_error() -> None:
    """A circle that is known to 25 deg alone: the error that is stated covers the one made."""
    theta = np.radians(np.arange(-25.0, 25.5, 1.0))
    short = SlownessCurve(theta, np.full(theta.shape, VELOCITY), np.zeros(theta.shape))
    ends = pair(30.0 * WAVELENGTH, 25.0 * WAVELENGTH)
    found, true = (factor(curve, FREQUENCY, *ends) for curve in (short, CIRCLE))
    assert 1e-4 < abs(found.value - true.value) < 2.0 * found.ends
    far = pair(30.0 * WAVELENGTH, 500.0 * WAVELENGTH)
    assert abs(factor(short, FREQUENCY, *far).value - factor(CIRCLE, FREQUENCY, *far).value) < 1e-6


def test_yz_niobate_keeps_its_beam_better_than_the_parabola_says() -> None:
    """g = -1.08 (Slobodnik, Conway, Delmonico 1973, tabled): the autocollimating cut. At its
    Fresnel length an isotropic surface loses 1.56 dB."""
    curve = slowness_curve(located(YZ_NIOBATE))
    wavelength = curve.at(0.0)[0] / FREQUENCY
    width = 60.0 * wavelength
    found = factor(curve, FREQUENCY, *pair(width, width**2 / wavelength))
    assert 0.0 < found.loss < 0.8
    closed = pair_factor(curve.beam(FREQUENCY), width, width, width**2 / wavelength)
    assert found.loss < -20.0 * math.log10(abs(closed))
    assert found.loss_error < 1e-3


def test_a_wave_that_fades_off_its_axis() -> None:
    """Loss along the power flow, on a circle of uniform beta: the k2 component has
    k1 = sqrt((k (1 - j beta))^2 - k2^2), exact; and fading that is the same for all is no loss."""
    beta = 2e-4
    curve = SlownessCurve(
        CIRCLE.angle,
        CIRCLE.velocity,
        CIRCLE.power_flow_angle,
        fading=np.full(CIRCLE.angle.shape, beta),
    )
    waves = spectrum(curve, FREQUENCY, 1e-4, 1e-4)
    k = waves.straight
    steep = np.abs(waves.k2) < 0.9 * k
    exact = np.sqrt((k * (1.0 - 1j * beta)) ** 2 - waves.k2[steep] ** 2) + 1j * beta * k
    np.testing.assert_allclose(waves.k1[steep], exact, rtol=0.0, atol=7.0 * k * beta**2)
    ends = pair(20.0 * WAVELENGTH, 400.0 * WAVELENGTH)
    plain, faded = (factor(c, FREQUENCY, *ends).value for c in (CIRCLE, curve))
    assert abs(faded / plain - 1.0) < 2e-3
    # beta that rises as 3 theta^2 takes most from the wide part of the beam
    rising = replace(curve, fading=3.0 * curve.angle**2)
    assert abs(factor(rising, FREQUENCY, *ends).value) < 0.95 * abs(plain)


def test_factors_over_frequency_are_those_of_single_frequencies() -> None:
    ends = pair(40.0 * WAVELENGTH, 400.0 * WAVELENGTH)
    f = np.array([0.9, 1.0, 1.1]) * FREQUENCY
    for frequency, value in zip(f, factors(CIRCLE, f, *ends), strict=True):
        assert value == pytest.approx(factor(CIRCLE, frequency, *ends).value, abs=1e-12)


def test_transfer_of_a_pair_over_frequency() -> None:
    """Without diffraction two uniform transducers of N and M pairs make sinc x sinc (Tancrell &
    Holland 1971); at the synchronous frequency diffraction costs what the factor says."""
    pitch, aperture = 0.5 * WAVELENGTH, 60.0 * WAVELENGTH
    first = Segments.of_transducer(Transducer("1", "g", 21), 0.0, pitch, aperture)
    second = Segments.of_transducer(Transducer("2", "g", 31), 40.0 * WAVELENGTH, pitch, aperture)
    f = np.array([0.97, 1.0, 1.04]) * FREQUENCY
    spread, straight = transfer(CIRCLE, f, first, second, VELOCITY)
    half = 0.5 * math.pi * (f / FREQUENCY - 1.0)
    expected = 1.0
    for n in (20, 30):
        with np.errstate(invalid="ignore"):
            array = np.sin(n * half) / (n * np.sin(half))
        expected = expected * np.where(half == 0.0, 1.0, array)
    np.testing.assert_allclose(np.abs(straight), np.abs(expected), atol=1e-10)
    k = 2.0 * math.pi / WAVELENGTH
    at_centre = factor(CIRCLE, FREQUENCY, first.phased(k), second.phased(-k))
    assert spread[1] / straight[1] == pytest.approx(at_centre.value, abs=1e-12)
    assert 0.01 < at_centre.loss < 1.0


def test_refused() -> None:
    line = Segments.line(1e-4)
    with pytest.raises(InputError, match="behind"):
        factor(CIRCLE, FREQUENCY, line, line)
    with pytest.raises(InputError, match="positive widths"):
        Segments.line(0.0)
    with pytest.raises(InputError, match="apertures that overlap"):
        factors(CIRCLE, FREQUENCY, line, line.moved(1e-3, 2e-4))
    assert math.isnan(factor(CIRCLE, FREQUENCY, line, line.moved(1e-3, 2e-4)).value.real)
    with pytest.raises(InputError, match="frequency"):
        spectrum(CIRCLE, math.nan, 1e-3, 1e-3)
    with pytest.raises(InputError, match="behind"):
        beam_field(CIRCLE, FREQUENCY, line, np.array([0.0]), np.array([0.0]))
    waves = spectrum(CIRCLE, FREQUENCY, 1e-3, 1e-3)
    with pytest.raises(InputError, match="behind the source"):
        coupling(waves, line.moved(1e-3), line)
    with pytest.raises(InputError, match="overlap"):
        Segments.of_transducer(Transducer("1", "g", 4, (1, 1)), 0.0, 1e-6, 1e-4)
    with pytest.raises(InputError, match="distance"):
        pair_factor(CIRCLE.beam(FREQUENCY), 1e-4, 1e-4, -1.0)
