"""Touchstone files: what scikit-rf reads back is what was written, to the bit."""

from dataclasses import replace

import numpy as np
import pytest
import skrf

from sawfem.device.network import admittance_to_scattering
from sawfem.errors import OutputError
from sawfem.export import write_touchstone
from sawfem.result import device_result


def test_one_port_reads_back_identically(one_port, tmp_path):
    device = device_result("resonator", one_port)
    path = write_touchstone(device, tmp_path / "b-buoy", title="Büoy 7: 868 MHz, µm\nline two")
    assert path.name == "b-buoy.s1p"
    network = skrf.Network(str(path))
    np.testing.assert_array_equal(network.f, one_port.frequency)
    np.testing.assert_array_equal(network.s, one_port.s)
    np.testing.assert_array_equal(network.z0, np.full((161, 1), 50.0))
    text = path.read_bytes()
    assert text.isascii()
    lines = text.decode().splitlines()
    assert lines[0] == "!Buoy 7: 868 MHz, um line two"
    assert any("estimates, not a warranty" in line for line in lines if line.startswith("!"))
    assert any("sawfem 0." in line for line in lines if line.startswith("!"))
    options = [line for line in lines if line.startswith("#")]
    assert options == ["# Hz S RI R 50.0 "]


def test_other_real_reference_stands_in_the_option_line(one_port, tmp_path):
    z = np.full(one_port.reference.shape, 75.0 + 0j)
    other = replace(one_port, reference=z, s=admittance_to_scattering(one_port.y, z))
    path = write_touchstone(device_result("resonator", other), tmp_path / "x")
    network = skrf.Network(str(path))
    np.testing.assert_array_equal(network.s, other.s)
    np.testing.assert_array_equal(network.z0.real, 75.0)
    assert "R 75.0" in path.read_text()


def test_complex_terminations_are_referred_to_50_ohm_and_it_is_said(two_port, tmp_path):
    device = device_result("transversal", two_port, names=["antenna", "receiver"])
    path = write_touchstone(device, tmp_path / "filter")
    assert path.name == "filter.s2p"
    network = skrf.Network(str(path))
    # Y does not depend on the reference; scikit-rf computes it back from the file.
    np.testing.assert_allclose(network.y, two_port.y, rtol=1e-8, atol=1e-12)
    np.testing.assert_array_equal(network.z0, np.full((141, 2), 50.0))
    # scikit-rf's own renormalisation to the terminations gives the device's response.
    network.renormalize(two_port.reference, s_def="power")
    np.testing.assert_allclose(network.s, two_port.s, atol=1e-9)
    comments = [line for line in path.read_text().splitlines() if line.startswith("!")]
    assert any("referred to 50 ohm" in line and "60-8j ohm" in line for line in comments)
    assert any("1 antenna, 2 receiver" in line for line in comments)


def test_port_order_of_a_two_port(two_port, tmp_path):
    # The format lists S11 S21 S12 S22; swapped, a filter would be turned round.
    lopsided = two_port.s.copy()
    lopsided[:, 1, 0] *= 0.5
    z = np.full(two_port.reference.shape, 50.0 + 0j)
    odd = replace(two_port, s=lopsided, reference=z)
    network = skrf.Network(str(write_touchstone(device_result("x", odd), tmp_path / "odd")))
    np.testing.assert_array_equal(network.s, lopsided)


def test_stem_with_dots_and_place_that_cannot_be_written(one_port, tmp_path):
    device = device_result("resonator", one_port)
    assert write_touchstone(device, tmp_path / "v1.2").name == "v1.2.s1p"
    with pytest.raises(OutputError, match="expected a place"):
        write_touchstone(device, tmp_path / "missing" / "x")
