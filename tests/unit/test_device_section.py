"""The closed-form section: special points, planes, polarity, refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sawfem.device.section import (
    _Entire,
    grating_section,
    transducer_section,
)
from sawfem.errors import GeometryError, InputError
from sawfem.extract.constants import ComConstants

# Invented: strong enough that every term shows.
BUOY = ComConstants(
    pitch=2.2e-6,
    velocity=3870.0,
    reflection=0.02 * np.exp(0.7j),
    transduction=0.1 * np.exp(-0.4j),
    capacitance=250e-12,
)
F0 = BUOY.centre_frequency


@pytest.mark.parametrize("size", [1e-9, 1e-3, 0.3, 0.499999, 0.500001, 3.0, 40.0])
@pytest.mark.parametrize("angle", [0.0, 0.4, 1.5, np.pi / 2])
def test_entire_functions_meet_their_integrals(size, angle):
    # i0(z) = (1/2) int_-1^1 cosh(z t) dt and g(z) = (1/2) int_0^1 2 t sinh(z t)/z dt, by Gauss.
    z = size * np.exp(1j * angle)
    t, weight = np.polynomial.legendre.leggauss(80)
    t, weight = 0.5 * (t + 1), 0.5 * weight
    i0_exact = np.sum(weight * np.cosh(z * t))
    g_exact = np.sum(weight * t * t * np.sinc(1j * z * t / np.pi))
    i0_half = np.sum(weight * np.cosh(0.5 * z * t))
    g_half = np.sum(weight * t * t * np.sinc(0.5j * z * t / np.pi))
    found = _Entire.of(np.array([z * z]))
    growth = np.exp(z.real)
    for values, exact in (
        (found.i0, i0_exact),
        (found.g, g_exact),
        (found.i0_half_squared, i0_half**2),
        (found.i0_g_half, i0_half * g_half),
        (found.cosh, np.cosh(z)),
        (found.decay, 1.0),
    ):
        assert values[0] * growth == pytest.approx(exact, rel=1e-12, abs=1e-14)


def test_without_coupling_a_section_is_a_stretch_of_surface():
    bare = replace(BUOY, reflection=0.0, transduction=0.0, attenuation=120.0)
    f = np.linspace(0.3 * F0, 1.7 * F0, 11)
    for electrodes in (1, 2, 7):
        P = transducer_section(bare, electrodes, 1e-4, f)
        length = electrodes * bare.pitch
        expected = np.exp(-(2j * np.pi * f / bare.velocity + 120.0) * length)
        np.testing.assert_allclose(P.transmission, expected, rtol=1e-12)
        assert np.all(P.matrix[:, 0, 0] == 0.0)
        np.testing.assert_allclose(
            P.admittance[:, 0, 0], 2j * np.pi * f * electrodes * 250e-12 * 1e-4, rtol=1e-12
        )


def test_one_weak_electrode_scatters_from_its_centre():
    # First order in k p and a p: dR = j k p S + j a p V at the electrode, and half a pitch of
    # propagation to either plane. S leaves with -dS: j k* p R + j a* p V.
    weak = replace(BUOY, reflection=1e-6 * np.exp(0.7j), transduction=1e-6 * np.exp(-0.4j))
    P = transducer_section(weak, 1, 1.0, [F0]).matrix[0]
    half = np.exp(-1j * np.pi / 2)
    assert P[0, 0] == pytest.approx(1j * np.conj(weak.reflection) * half**2, rel=1e-5)
    assert P[1, 1] == pytest.approx(1j * weak.reflection * half**2, rel=1e-5)
    assert P[0, 2] == pytest.approx(1j * np.conj(weak.transduction) * half, rel=1e-5)
    assert P[1, 2] == pytest.approx(1j * weak.transduction * half, rel=1e-5)


def test_polarity_turns_the_sign_of_what_is_launched():
    f = np.linspace(0.95 * F0, 1.05 * F0, 7)
    plus = transducer_section(BUOY, 9, 1e-4, f).matrix
    minus = transducer_section(BUOY, 9, 1e-4, f, polarity=-1).matrix
    sign = np.array([1.0, 1.0, -1.0])
    np.testing.assert_array_equal(minus, sign[:, None] * plus * sign)


def test_stop_band_edge_and_centre_are_ordinary_points():
    edge = F0 * (1 + abs(BUOY.reflection) / np.pi)
    for centre, constants in ((edge, BUOY), (F0, replace(BUOY, reflection=0.0))):
        f = centre * (1 + np.array([-1e-9, 0.0, 1e-9]))
        P = transducer_section(constants, 200, 1e-4, f).matrix
        assert np.all(np.isfinite(P))
        scale = np.abs(P[1]).max()
        assert np.abs(P[0] + P[2] - 2 * P[1]).max() < 1e-10 * scale


def test_five_thousand_electrodes_inside_the_stop_band_do_not_overflow():
    strong = replace(BUOY, reflection=0.5)  # exp(2500)
    P = transducer_section(strong, 5000, 1e-4, [F0])
    assert np.all(np.isfinite(P.matrix))
    assert abs(P.reflection[0]) == pytest.approx(1.0, abs=1e-14)
    assert P.transmission[0] == 0.0


def test_transduction_grows_as_the_root_of_frequency():
    bare = replace(BUOY, reflection=0.0)
    P = transducer_section(bare, 1, 1.0, [F0, 1.0001 * F0])
    # one electrode: sinc of a vanishing argument
    ratio = abs(P.matrix[1, 0, 2] / P.matrix[0, 0, 2])
    assert ratio == pytest.approx(np.sqrt(1.0001), rel=1e-8)


@pytest.mark.parametrize("electrodes", [0, -3, 2.0, True, "5"])
def test_refuses_electrode_counts(electrodes):
    with pytest.raises(GeometryError, match="electrodes"):
        transducer_section(BUOY, electrodes, 1e-4, [F0])


@pytest.mark.parametrize("aperture", [0.0, -1e-4, np.nan, np.inf])
def test_refuses_apertures(aperture):
    with pytest.raises(GeometryError, match="aperture"):
        transducer_section(BUOY, 5, aperture, [F0])


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("pitch", 0.0),
        ("pitch", np.nan),
        ("velocity", -1.0),
        ("capacitance", -1e-12),
        ("attenuation", -0.1),
        ("reflection", complex(np.nan, 0)),
        ("transduction", np.inf),
    ],
)
def test_refuses_constants(key, value):
    with pytest.raises(InputError, match=key):
        transducer_section(replace(BUOY, **{key: value}), 5, 1e-4, [F0])


@pytest.mark.parametrize("frequency", [[], [[F0]], [0.0], [-1.0], [np.nan], "fast"])
def test_refuses_frequencies(frequency):
    with pytest.raises(InputError, match="frequency"):
        transducer_section(BUOY, 5, 1e-4, frequency)


def test_refuses_unknown_connections_and_polarities():
    with pytest.raises(GeometryError, match="connection"):
        grating_section(BUOY, 5, [F0], connection="half")
    with pytest.raises(GeometryError, match="polarity"):
        transducer_section(BUOY, 5, 1e-4, [F0], polarity=0)
    with pytest.raises(InputError, match="capacitance"):
        grating_section(replace(BUOY, capacitance=0.0), 5, [F0], connection="open")
