"""Prominent peaks against the reference library's."""

import numpy as np
import pytest
from scipy.signal import find_peaks

from sawfem.device.peaks import prominent_peaks


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("prominence", [0.0, 0.3, 1.0, 3.0])
def test_peaks_are_those_of_scipy(seed, prominence):
    rng = np.random.default_rng(seed)
    curve = np.cumsum(rng.standard_normal(400))
    # Rounding makes flat tops and plateaus.
    for level in (curve, np.round(curve), curve[:3], np.zeros(7)):
        expected, _ = find_peaks(level, prominence=prominence)
        np.testing.assert_array_equal(prominent_peaks(level, prominence), expected)


def test_a_curve_of_fewer_than_three_samples_has_no_peak():
    for count in range(3):
        assert prominent_peaks(np.arange(count, dtype=float), 0.0).size == 0
