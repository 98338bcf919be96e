"""Reciprocity, power balance and passivity of sections, cascades and devices, at random.

The identities hold for any constants (Morgan, Surface Acoustic Wave Filters, 2nd ed., 2007, ch. 8;
Tobolka, IEEE Trans. Sonics Ultrason. SU-26, 426 (1979); from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sawfem.device import Resonator, Transversal, device_response
from sawfem.device.pmatrix import cascade
from sawfem.device.section import grating_section, transducer_section
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants

unit = st.floats(0.0, 1.0)
phase = st.floats(-np.pi, np.pi)
counts = st.one_of(st.integers(1, 12), st.integers(13, 5000))
offsets = st.floats(-0.5, 0.5)


@st.composite
def grating_constants(draw, attenuation=0.0):
    reflection = draw(st.sampled_from([0.0, 1e-9, 1e-4])) + 0.3 * draw(unit) ** 3
    return ComConstants(
        pitch=draw(st.floats(0.2e-6, 20e-6)),
        velocity=draw(st.floats(1500.0, 6000.0)),
        reflection=reflection * np.exp(1j * draw(phase)),
        transduction=(1e-4 + 0.3 * draw(unit) ** 2) * np.exp(1j * draw(phase)),
        capacitance=draw(st.floats(10e-12, 500e-12)),
        attenuation=attenuation * draw(unit),
    )


@st.composite
def leaky_constants(draw):
    """Constants of a grating that radiates through two channels u R + u* S + y V, y real."""
    base = draw(grating_constants())
    w = 2 * np.pi * base.centre_frequency
    channels = [
        (0.1 * draw(unit) * np.exp(1j * draw(phase)), 0.1 * draw(st.floats(-1.0, 1.0)))
        for _ in range(2)
    ]
    alpha = sum(abs(u) ** 2 for u, _ in channels) / base.pitch
    # Q of sawfem/extract/coupled.py: Q_RS = sum u*^2, Q_RV = sum u* y, Q_VV = sum y^2
    k = 2j * sum(np.conj(u) ** 2 for u, _ in channels)
    a = 2j * sum(np.conj(u) * y for u, y in channels) * np.sqrt(w * base.capacitance)
    return replace(
        base,
        reflection=base.reflection + 0.5 * k,
        reflection_back=base.reflection.conjugate() - 0.5 * np.conj(k),
        transduction=base.transduction + 0.5 * a,
        transduction_back=base.transduction.conjugate() - 0.5 * np.conj(a),
        attenuation=alpha,
        capacitance_loss=2.0 * sum(y * y for _, y in channels),
        capacitance_slope=draw(st.floats(-2.0, 2.0)),
        slope_width=draw(st.floats(0.01, 0.1)),
    )


@settings(max_examples=100, deadline=None)
@given(leaky_constants(), counts, offsets, st.floats(1e-6, 1e-3))
def test_leaky_section_is_passive_and_reciprocal(constants, electrodes, offset, aperture):
    f = frequencies(constants, offset)
    assert constants.least_loss() > -1e-12
    P = transducer_section(constants, electrodes, aperture, f)
    assert P.least_loss() > -1e-9
    assert P.reciprocity_error() < 1e-9
    for connection in ("shorted", "open"):
        mirror = grating_section(constants, electrodes, f, connection=connection)
        assert mirror.least_loss() > -1e-9
        assert mirror.reciprocity_error() < 1e-9
    assert transducer_section(constants.lossless(), electrodes, aperture, f).power_error() < 1e-9


def test_constants_that_make_power_are_refused():
    good = ComConstants(2e-6, 4000.0, 0.05 + 0j, 0.1 + 0j, 2e-10, attenuation=10.0)
    bad = replace(good, reflection=0.05 + 1e-3j, reflection_back=0.05 + 1e-3j)
    assert bad.least_loss() == pytest.approx(10.0 * 2e-6 - 1e-3)
    with pytest.raises(InputError, match="make power"):
        transducer_section(bad, 10, 1e-4, [1e9])
    covered = replace(bad, attenuation=510.0)
    assert covered.least_loss() >= 0.0
    assert transducer_section(covered, 10, 1e-4, [0.9e9, 1e9]).least_loss() > -1e-12


def frequencies(constants, offset):
    """Stop-band edges, centre, beside them, and anywhere within an octave."""
    edge = abs(constants.reflection) / np.pi
    relative = np.array([0, edge, -edge, edge * (1 + 1e-12), 0.5 * edge, 1.5 * edge + 1e-6, offset])
    return constants.centre_frequency * (1 + np.clip(relative, -0.9, 0.9))


@settings(max_examples=150, deadline=None)
@given(grating_constants(), counts, offsets, st.floats(1e-6, 1e-3))
def test_lossless_section(constants, electrodes, offset, aperture):
    f = frequencies(constants, offset)
    P = transducer_section(constants, electrodes, aperture, f)
    assert P.reciprocity_error() < 1e-10
    assert P.power_error() < 1e-10
    M = P.matrix
    P11, P12, P22, P13, P23, P33 = (
        M[:, i, j] for i, j in ((0, 0), (0, 1), (1, 1), (0, 2), (1, 2), (2, 2))
    )
    np.testing.assert_allclose(abs(P11) ** 2 + abs(P12) ** 2, 1.0, atol=1e-10)
    scale = np.abs(P33).max()
    np.testing.assert_allclose(abs(P13) ** 2 + abs(P23) ** 2, P33.real, atol=1e-10 * scale)
    for passed in (
        P13 + P11 * P13.conj() + P12 * P23.conj(),
        P23 + P22 * P23.conj() + P12 * P13.conj(),
    ):
        assert np.abs(passed).max() < 1e-10 * np.sqrt(scale)
    for connection in ("shorted", "open"):
        mirror = grating_section(constants, electrodes, f, connection=connection)
        assert mirror.power_error() < 1e-10
        assert mirror.reciprocity_error() < 1e-10


@settings(max_examples=50, deadline=None)
@given(grating_constants(), counts, offsets)
def test_symmetric_section_launches_alike(constants, electrodes, offset):
    # k and a real: P11 = P22, |P13| = |P23|, hence 2 |P13|^2 = Re P33
    even = replace(
        constants, reflection=abs(constants.reflection), transduction=abs(constants.transduction)
    )
    P = transducer_section(even, electrodes, 1e-4, frequencies(even, offset)).matrix
    np.testing.assert_allclose(P[:, 0, 0], P[:, 1, 1], atol=1e-12)
    scale = np.abs(P[:, 2, 2]).max()
    np.testing.assert_allclose(2 * np.abs(P[:, 0, 2]) ** 2, P[:, 2, 2].real, atol=1e-10 * scale)


@settings(max_examples=50, deadline=None)
@given(grating_constants(attenuation=3000.0), counts, offsets)
def test_lossy_section_is_passive_and_reciprocal(constants, electrodes, offset):
    P = transducer_section(constants, electrodes, 1e-4, frequencies(constants, offset))
    assert P.least_loss() > -1e-10
    assert P.reciprocity_error() < 1e-10


@settings(max_examples=60, deadline=None)
@given(
    grating_constants(attenuation=1000.0),
    st.lists(st.integers(1, 1600), min_size=2, max_size=3),
    offsets,
)
def test_a_section_cut_in_pieces_is_the_section(constants, pieces, offset):
    f = frequencies(constants, offset)
    parts, polarity = [], 1
    for electrodes in pieces:
        parts.append(transducer_section(constants, electrodes, 1e-4, f, polarity=polarity))
        polarity *= (-1) ** electrodes
    joined = cascade(parts).connected(np.ones((len(pieces), 1))).matrix
    whole = transducer_section(constants, sum(pieces), 1e-4, f).matrix
    for rows, columns in ((slice(2), slice(2)), (slice(2), 2), (2, slice(2)), (2, 2)):
        scale = np.abs(whole[:, rows, columns]).max()
        assert np.abs(joined[:, rows, columns] - whole[:, rows, columns]).max() < 1e-10 * scale


@settings(max_examples=40, deadline=None)
@given(
    grating_constants(attenuation=1000.0),
    st.integers(2, 300),
    st.tuples(st.integers(0, 2000), st.integers(0, 2000)),
    st.floats(0.3, 20.0),
    st.sampled_from(["shorted", "open"]),
    st.floats(0.95, 1.05),
)
def test_resonators_pass_their_checks(constants, fingers, strips, gap, connection, stretch):
    device = Resonator(
        fingers=fingers,
        reflector_fingers=strips,
        aperture=1e-4,
        gap=gap * constants.pitch,
        reflector_connection=connection,
        attenuation=50.0,
        sheet_resistance=0.3,
        electrode_width=0.2 * constants.pitch,
    )
    sets = {
        "transducer": constants,
        "reflector": replace(constants, pitch=stretch * constants.pitch),
    }
    f = constants.centre_frequency * np.linspace(0.9, 1.1, 41)
    response = device_response(device, sets, f)
    assert all(check.ok for check in response.checks.values()), response.checks
    assert np.all(response.y[:, 0, 0].real > 0.0)


@settings(max_examples=40, deadline=None)
@given(
    grating_constants(attenuation=1000.0),
    grating_constants(attenuation=1000.0),
    st.tuples(st.integers(1, 100), st.integers(1, 100)),
    st.floats(1.0, 500.0),
    st.floats(-80.0, 80.0),
)
def test_filters_pass_their_checks(source, sink, cells, gap, reactance):
    device = Transversal(
        fingers=(4 * cells[0], 2 * cells[1]),
        aperture=1e-4,
        gap=gap * (source.pitch + sink.pitch),
        polarity=("++--", "+-"),
        terminations=(50.0 + 1j * reactance, 75.0),
    )
    f = source.centre_frequency * np.linspace(0.9, 1.1, 41)
    response = device_response(device, {"input": source, "output": sink}, f)
    assert all(check.ok for check in response.checks.values()), response.checks
    assert np.all(response.insertion_loss > -1e-9)


@pytest.mark.parametrize("factor", [1e-3, 1.0, 1e3])
def test_devices_scale(factor):
    # every length times m, every frequency over m, C and a p per metre of aperture unchanged:
    # Y goes with the aperture alone
    constants = ComConstants(2e-6, 3500.0, 0.02 * np.exp(0.4j), 0.1, 200e-12)
    device = Resonator(61, (100, 120), 1e-4, 3e-6)
    f = constants.centre_frequency * np.linspace(0.95, 1.05, 31)
    y = device_response(device, constants, f).y
    # a p ~ sqrt(w C p): per metre of aperture |a p|^2 ~ w C, so it falls by m as w does
    larger = replace(
        constants, pitch=factor * 2e-6, transduction=constants.transduction / np.sqrt(factor)
    )
    scaled = replace(device, aperture=factor * 1e-4, gap=factor * 3e-6)
    np.testing.assert_allclose(device_response(scaled, larger, f / factor).y, y, rtol=1e-8)
