"""The slope through samples of which some are astray."""

import numpy as np
import pytest
from scipy.stats import theilslopes

from sawfem.extract.edges import _median_slope


def test_median_slope_is_that_of_theil_and_sen():
    """Sen, J. Am. Stat. Assoc. 63, 1379 (1968); the reference library is the witness."""
    rng = np.random.default_rng(11)
    x = np.sort(rng.uniform(-1.0, 1.0, 41))
    y = 0.7 * x + 0.01 * rng.standard_normal(41)
    y[5:12] += 3.0
    assert _median_slope(x, y) == pytest.approx(theilslopes(y, x).slope, rel=1e-12)
