"""The slowness curve of a wave: against circles and ellipses, single searches and derivatives."""

import math

import numpy as np
import pytest
from support.known_waves import SILICA, TILTED_QUARTZ, YZ_NIOBATE, located

from sawfem.design import Stack
from sawfem.errors import InputError
from sawfem.planewave import plane_waves
from sawfem.planewave.beam import beam
from sawfem.planewave.follow import locate
from sawfem.planewave.slowness_curve import SlownessCurve, slowness_curve
from tests.support.slowness import ellipse


def test_a_circle() -> None:
    curve = SlownessCurve.isotropic(3000.0)
    assert np.degrees(curve.forward) == pytest.approx([-90.0, 90.0])
    assert curve.closed == (True, True)
    s2 = np.array([-0.9, 0.0, 0.3]) / 3000.0
    np.testing.assert_allclose(curve.longitudinal(s2), np.sqrt(3000.0**-2 - s2**2), rtol=1e-12)
    assert curve.beam(1e9).fresnel_distance(300e-6) == pytest.approx(0.03)


def test_an_ellipse() -> None:
    """s1 = a sqrt(1 - (s2/b)^2), and 1 + g = (a/b)^2 at its vertex (elementary geometry)."""
    a, b = 1 / 3000.0, 1 / 3600.0
    curve = ellipse(a, b)
    s2 = np.linspace(-0.999, 0.999, 41) * b
    np.testing.assert_allclose(curve.longitudinal(s2), a * np.sqrt(1 - (s2 / b) ** 2), rtol=2e-8)
    assert curve.anisotropy == pytest.approx((a / b) ** 2 - 1.0, abs=1e-6)
    assert curve.interpolation_error < 1e-9


def test_a_tilted_ellipse_turns_where_its_tangent_lies_along_x1() -> None:
    """Largest s2 of a tilted ellipse: sqrt((a sin t)^2 + (b cos t)^2)."""
    a, b, tilt = 1 / 3000.0, 1 / 3600.0, 20.0
    curve = ellipse(a, b, tilt)
    t = math.radians(tilt)
    most = math.hypot(a * math.sin(t), b * math.cos(t))
    assert curve.closed == (True, True)
    assert curve.components(curve.forward[1])[1] == pytest.approx(most, rel=1e-9)
    assert curve.components(curve.forward[0])[1] == pytest.approx(-most, rel=1e-9)
    assert curve.turned(t).flow(0.0) == pytest.approx(0.0, abs=1e-7)


def test_followed_curves_agree_with_searches_and_with_the_beam() -> None:
    """Velocity and psi between the nodes from a search of each cut alone; g and the second
    order from differences of the exact angle."""
    wave = located(TILTED_QUARTZ)
    curve = slowness_curve(wave)
    for turn in (-33.4, -7.3, 0.61, 12.5, 48.7):
        (found, *_) = plane_waves(Stack("quartz/bechmann-1958", euler=(10, 110, 35 + turn)))
        velocity, psi = curve.at(math.radians(turn))
        assert velocity == pytest.approx(found.velocity_free, rel=3e-7)
        assert math.degrees(psi) == pytest.approx(found.power_flow_angle, abs=1e-3)
    exact = beam(wave)
    assert curve.beam(868e6).power_flow_angle == pytest.approx(exact.power_flow_angle, abs=1e-9)
    assert curve.anisotropy == pytest.approx(exact.anisotropy, abs=1e-6)
    assert curve.beam(868e6).second_order == pytest.approx(exact.second_order, abs=1e-4)
    assert curve.interpolation_error < 1e-6


def test_followed_curves_close() -> None:
    for stack in (SILICA, YZ_NIOBATE):
        curve = slowness_curve(located(stack))
        assert curve.closed == (True, True)
        assert np.degrees(curve.forward) == pytest.approx([-90.0, 90.0], abs=1e-3)


def test_a_leaky_wave_fades_as_a_search_of_the_direction_says() -> None:
    """36 deg Y-X lithium tantalate: -Im k / Re k of the leaky wave 2 deg beside, found alone."""
    stack = Stack("lithium-tantalate/smith-welsh-1971", cut="(YXl)36")
    wave = max(plane_waves(stack, leaky=True), key=lambda w: w.coupling_k2 or 0.0)
    assert wave.attenuation_free > 0.0
    curve = slowness_curve(locate(wave, *stack.media()), limit=3.0)
    first, second, third = stack.orientation.euler
    other = Stack("lithium-tantalate/smith-welsh-1971", euler=(first, second, third + 2.0))
    aside = max(plane_waves(other, leaky=True), key=lambda w: w.coupling_k2 or 0.0)
    per_wavelength = 2.0 * np.pi * 20.0 / np.log(10.0)
    found = float(curve.fade(math.radians(2.0))) * per_wavelength
    assert found == pytest.approx(aside.attenuation_free, rel=1e-4)
    assert curve.thinned().fading.size < curve.fading.size


def test_a_wave_that_ends_says_why() -> None:
    """The Rayleigh-type wave of (001) silicon along [100] ends towards [110]."""
    curve = slowness_curve(located(Stack("silicon/mason-1958")), limit=50.0)
    assert curve.closed == (False, False)
    with pytest.raises(InputError, match=r"no wave at 60 deg.*directions from"):
        curve.slowness(math.radians(60.0))
    with pytest.raises(InputError, match="runs forward"):
        curve.direction(1e-3)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"angle": [-2, -1, 1, 0, 2]}, "increasing"),
        ({"angle": [1, 2, 3, 4, 5]}, "both sides of 0"),
        ({"velocity": [1.0, 1.0, -1.0, 1.0, 1.0]}, "velocity"),
        ({"velocity": [1.0, 1.1, 1.2, 1.5, 1.8]}, "closer directions"),
        ({"power_flow_angle": [0.0, 0.0, 2.0, 0.0, 0.0]}, "right angle"),
        ({"velocity": [1.0, 1.0]}, "as many of each"),
    ],
)
def test_refused_data(change, message: str) -> None:
    data = {"angle": [-2, -1, 0, 1, 2], "velocity": [1.0] * 5, "power_flow_angle": [0.0] * 5}
    given = {name: np.asarray(value, float) for name, value in (data | change).items()}
    with pytest.raises(InputError, match=message):
        SlownessCurve(**given)
