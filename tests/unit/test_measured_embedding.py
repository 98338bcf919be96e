"""Pads, leads and lines: put on as scikit-rf's circuits have them, taken off exactly."""

import numpy as np
import pytest
import skrf
from numpy.typing import NDArray

from sawfem.errors import InputError
from sawfem.measured.embedding import Fixture, deembedded, embedded, referred, without_fixture
from sawfem.touchstone import TouchstoneData

F = np.linspace(0.8e9, 0.95e9, 31)
AXIS = skrf.Frequency.from_f(F, unit="hz")
BOTH = Fixture(
    delay=(37e-12, 21e-12),
    impedance=(65.0, 42.0),
    capacitance=(0.2e-12, 0.11e-12),
    inductance=(0.5e-9, 0.3e-9),
    resistance=(1.3, 0.7),
)


def first(count: int) -> Fixture:
    return Fixture(**{name: getattr(BOTH, name)[:count] for name in BOTH.__dataclass_fields__})


def device(ports: int) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """A passive network without symmetry, and 50 ohm."""
    random = np.random.default_rng(ports)
    s = random.normal(size=(F.size, ports, ports)) + 1j * random.normal(size=(F.size, ports, ports))
    return 0.9 * s / np.linalg.norm(s, 2, axis=(1, 2))[:, None, None], np.full(
        (F.size, ports), 50.0 + 0j
    )


def data(s: NDArray[np.complex128], file: str = "w.sNp") -> TouchstoneData:
    return TouchstoneData(F, s, np.full(s.shape[:2], 50.0 + 0j), file)


@pytest.mark.parametrize("ports", [1, 2])
def test_embedding_is_the_cascade_of_lines_pads_and_leads(ports: int) -> None:
    """By scikit-rf's own media, joined port by port; taking it off again is exact."""
    s, z = device(ports)
    media = skrf.media.DefinedGammaZ0(frequency=AXIS, z0_port=50.0, z0=50.0)
    sides = []
    for n in range(ports):
        line = skrf.media.DefinedGammaZ0(
            frequency=AXIS, gamma=2j * np.pi * F, z0=BOTH.impedance[n], z0_port=50.0
        ).line(BOTH.delay[n], "m")
        pad = media.shunt_capacitor(BOTH.capacitance[n]) ** media.inductor(BOTH.inductance[n])
        sides.append(line**pad ** media.resistor(BOTH.resistance[n]))
    whole = sides[0] ** skrf.Network(frequency=AXIS, s=s, z0=50.0)
    if ports == 2:
        whole = whole ** sides[1].flipped()
    seen = embedded(s, z, F, first(ports))
    np.testing.assert_allclose(seen, whole.s, rtol=0.0, atol=1e-12)
    assert np.max(np.abs(seen - s)) > 0.1
    np.testing.assert_allclose(deembedded(seen, z, F, first(ports)), s, rtol=0.0, atol=1e-12)


@pytest.mark.parametrize("ports", [1, 2])
def test_open_and_short_dummies_take_pads_and_leads_off(ports: int) -> None:
    s, z = device(ports)
    fixture = first(ports)
    omega = 2.0 * np.pi * F[:, None]
    pad = 1j * omega * np.array(fixture.capacitance)
    lead = np.array(fixture.resistance) + 1j * omega * np.array(fixture.inductance)
    dummies = []
    for y in (pad, pad + 1.0 / lead):  # diagonal: every port by itself
        inside = np.zeros_like(s)
        inside[:, range(ports), range(ports)] = (1.0 - 50.0 * y) / (1.0 + 50.0 * y)
        line = Fixture(delay=fixture.delay, impedance=fixture.impedance)
        dummies.append(data(embedded(inside, z, F, line)))
    seen = data(embedded(s, z, F, fixture))
    line = Fixture(delay=fixture.delay, impedance=fixture.impedance)
    freed = without_fixture(seen, line, opened=dummies[0], shorted=dummies[1])
    np.testing.assert_allclose(freed.scattering, s, rtol=0.0, atol=1e-12)
    # one of the two alone leaves the other in place
    pads = Fixture(capacitance=fixture.capacitance)
    only_pads = data(embedded(s, z, F, pads))
    bare = data(np.where(np.eye(ports), ((1 - 50 * pad) / (1 + 50 * pad))[:, :, None], 0.0))
    freed = without_fixture(only_pads, Fixture(), opened=bare)
    np.testing.assert_allclose(freed.scattering, s, rtol=0.0, atol=1e-12)


def test_a_matched_line_is_a_port_extension() -> None:
    """In its own reference a line turns the phase alone: S exp(-2 j w tau)."""
    s, z = device(1)
    seen = embedded(s, z, F, Fixture(delay=(50e-12,)))
    np.testing.assert_allclose(seen[:, 0, 0], s[:, 0, 0] * np.exp(-4j * np.pi * F * 50e-12))


def test_references_complex_and_unequal_as_scikit_rf_has_them() -> None:
    s, z = device(2)
    to = np.tile([20.0 + 7.0j, 110.0 - 30.0j], (F.size, 1))
    network = skrf.Network(frequency=AXIS, s=s, z0=50.0, s_def="power")
    network.renormalize(to, s_def="power")
    moved = referred(s, z, to)
    np.testing.assert_allclose(moved, network.s, atol=1e-12)
    np.testing.assert_allclose(referred(moved, to, z), s, atol=1e-13)
    # the device that has no admittance, a short, has S all the same
    short = np.full((F.size, 1, 1), -1.0 + 0j)
    np.testing.assert_allclose(referred(short, z[:, :1], z[:, :1] + 25.0), -1.0)


def test_one_line_for_fixtures_that_do_not_fit() -> None:
    s, _ = device(1)
    seen = data(s, "wafer.s1p")
    other = TouchstoneData(F[1:], s[1:], np.full((F.size - 1, 1), 50.0 + 0j), "open.s1p")
    two = data(device(2)[0], "open.s2p")
    for call, words in (
        (lambda: without_fixture(seen, Fixture(), opened=other), "open.s1p: found 30 frequencies"),
        (lambda: without_fixture(seen, Fixture(), shorted=two), "open.s2p: found 2 ports; exp"),
        (lambda: without_fixture(seen, BOTH), "found 2 values; expected one, or 1"),
        (
            lambda: without_fixture(seen, Fixture(resistance=(1.0,)), opened=seen),
            "found dummies and a pad or a lead",
        ),
    ):
        with pytest.raises(InputError) as caught:
            call()
        assert words in str(caught.value)
        assert "\n" not in str(caught.value)
