"""Nested variation: variances, correlations, repeatability; the yield's interval covers."""

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from sawfem.device.variation import Correlation, Spread, draw, estimate_yield
from sawfem.errors import InputError

PITCH, THICKNESS = "grating.main.pitch", "grating.main.thickness"


def test_variances_of_the_levels_add_and_those_of_a_lot_are_shared():
    spreads = [
        Spread(PITCH, 3.0, "lot"),
        Spread(PITCH, 2.0, "wafer"),
        Spread(PITCH, 1.0, "die"),
    ]
    found = draw(spreads, 60_000, wafers_per_lot=5, dies_per_wafer=4, seed=3)
    values = found.deviation[PITCH].reshape(3000, 5, 4)
    assert values.var() == pytest.approx(14.0, rel=0.05)
    assert values.var(axis=2, ddof=1).mean() == pytest.approx(1.0, rel=0.03)
    # The mean of a wafer keeps a quarter of the dies' variance.
    assert values.mean(axis=2).var(axis=1, ddof=1).mean() == pytest.approx(4.25, rel=0.05)


def test_fingers_average_out_and_shared_deviations_do_not():
    own = draw([Spread(PITCH, 1.0, "finger")], 400, seed=1)
    shared = draw([Spread(PITCH, 1.0, "die")], 400, seed=1)
    mean_own = [own.fingers(PITCH, die, 100).mean() for die in range(400)]
    mean_shared = [shared.fingers(PITCH, die, 100).mean() for die in range(400)]
    assert np.std(mean_own) == pytest.approx(0.1, rel=0.1)
    assert np.std(mean_shared) == pytest.approx(1.0, rel=0.1)


def test_correlations_are_kept_at_the_level_at_which_both_scatter():
    spreads = [Spread(PITCH, 2.0, "lot"), Spread(THICKNESS, 5.0, "lot")]
    found = draw(spreads, 40_000, correlations=[Correlation(PITCH, THICKNESS, -0.7)], seed=5)
    pair = np.array([found.deviation[PITCH], found.deviation[THICKNESS]])
    assert np.corrcoef(pair)[0, 1] == pytest.approx(-0.7, abs=0.02)
    assert pair.std(axis=1) == pytest.approx([2.0, 5.0], rel=0.02)


def test_a_seed_repeats_and_another_spread_leaves_the_rest_alone():
    one = draw([Spread(PITCH, 1.0)], 50, seed=9)
    two = draw([Spread(PITCH, 1.0), Spread(THICKNESS, 1.0)], 50, seed=9)
    assert np.array_equal(one.deviation[PITCH], two.deviation[PITCH])
    assert not np.array_equal(
        one.deviation[PITCH], draw([Spread(PITCH, 1.0)], 50, seed=10).deviation[PITCH]
    )
    assert np.array_equal(one.fingers(PITCH, 3, 10), two.fingers(PITCH, 3, 10))


@pytest.mark.parametrize(("good", "dies"), [(0, 20), (17, 20), (20, 20), (480, 1000)])
def test_interval_of_independent_dies_is_that_of_clopper_and_pearson(good, dies):
    passed = np.arange(dies) < good
    found = estimate_yield(passed)
    exact = binomtest(good, dies).proportion_ci(0.95, method="exact")
    assert (found.low, found.high) == pytest.approx((exact.low, exact.high), abs=1e-12)


def test_interval_covers_the_true_yield_of_correlated_dies_where_the_plain_one_does_not():
    # Pass if q < 1 for q = lot + die with equal variances: true yield Phi(1/sqrt(2)).
    truth = norm.cdf(1.0 / np.sqrt(2.0))
    spreads = [Spread(PITCH, 1.0, "lot"), Spread(PITCH, 1.0, "die")]
    nested = plain = 0
    for seed in range(300):
        found = draw(spreads, 800, dies_per_wafer=20, seed=seed)
        passed = found.deviation[PITCH] < 1.0
        good, naive = estimate_yield(passed, found.lot), estimate_yield(passed)
        nested += good.low <= truth <= good.high
        plain += naive.low <= truth <= naive.high
    assert nested / 300 > 0.91
    assert plain / 300 < 0.75


@pytest.mark.parametrize(
    ("make", "word"),
    [
        (lambda: Spread(PITCH, 1.0, "batch"), "lot, wafer, die, finger"),
        (lambda: Spread(PITCH, -1.0), "zero or more"),
        (lambda: Correlation(PITCH, THICKNESS, 1.2), "-1 to 1"),
        (lambda: draw([Spread(PITCH, 1.0)], 0), "1 or more"),
        (
            lambda: draw([Spread(PITCH, 1.0)], 5, correlations=[Correlation(PITCH, "x", 0.5)]),
            "does not scatter",
        ),
        (
            lambda: draw(
                [Spread("a", 1.0), Spread("b", 1.0), Spread("c", 1.0)],
                5,
                correlations=[
                    Correlation("a", "b", 0.9),
                    Correlation("b", "c", 0.9),
                    Correlation("a", "c", -0.9),
                ],
            ),
            "negative eigenvalue",
        ),
        (lambda: estimate_yield(np.zeros(0, dtype=bool)), "1 or more"),
    ],
)
def test_impossible_spreads_are_refused(make, word):
    with pytest.raises(InputError, match=word):
        make()
