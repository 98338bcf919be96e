"""Finger resistance by a resistor ladder; loss units by definition."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.device.losses import attenuation_of_loss, finger_resistance
from sawfem.errors import GeometryError, InputError


def test_one_finger_is_a_third_of_its_sheet():
    # A finger cut into 2000 pieces, an equal current leaving at each joint: dissipated power.
    pieces, aperture, width, sheet = 2000, 100e-6, 1e-6, 0.3
    current = 1.0 - (np.arange(pieces) + 0.5) / pieces
    power = np.sum(current**2) * sheet * aperture / (width * pieces)
    # two fingers: one per bus-bar, in series
    assert finger_resistance(2, aperture, width, sheet) == pytest.approx(2 * power, rel=1e-6)


def test_pairs_are_parallel_and_odd_counts_uneven():
    one = finger_resistance(2, 1e-4, 1e-6, 0.3)
    assert finger_resistance(60, 1e-4, 1e-6, 0.3) == pytest.approx(one / 30, rel=1e-12)
    expected = one / 2 * (1 / 2 + 1 / 1)
    assert finger_resistance(3, 1e-4, 1e-6, 0.3) == pytest.approx(expected, rel=1e-12)


def test_decibel_per_microsecond():
    alpha = attenuation_of_loss(2.0e6, 3158.0)
    power_after_one_us = np.exp(-2 * alpha * 3158.0 * 1e-6)
    assert -10 * np.log10(power_after_one_us) == pytest.approx(2.0, rel=1e-12)


def test_refusals():
    with pytest.raises(GeometryError, match="fingers"):
        finger_resistance(1, 1e-4, 1e-6, 0.3)
    with pytest.raises(GeometryError, match="electrode_width"):
        finger_resistance(2, 1e-4, 0.0, 0.3)
    with pytest.raises(InputError, match="sheet_resistance"):
        finger_resistance(2, 1e-4, 1e-6, -0.3)
    with pytest.raises(InputError, match="propagation_loss"):
        attenuation_of_loss(-1.0, 3158.0)
