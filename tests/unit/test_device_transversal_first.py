"""First design of transversal filters: the trade's formulas, and what they refuse."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.device import Transversal, transversal_response
from sawfem.device.transversal_first import (
    LEAST_LOSS,
    TransversalWish,
    aperture_for,
    centre_loss,
    first_transversal,
    optimum_pairs,
    verdict_on,
)
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants

FIFTY = np.array([50.0, 50.0])


def wish(*, loss=23.0, least=40.0, width=4e6, drift=0.0) -> TransversalWish:
    low, high = 868e6 - 0.5 * width, 868e6 + 0.5 * width
    return TransversalWish(low, high, loss, ((828e6, 856e6, least), (880e6, 908e6, least)), drift)


def test_matched_bidirectional_transducers_lose_six_decibels():
    # Common knowledge of the trade: half of the power leaves on the wrong side, twice.
    bare = ComConstants(1.8e-6, 3150.0, 0.0, 0.01, 1e-18)
    matched = 1.0 / (50.0 * 2.0 * 0.01**2 * 80**2)  # aperture where G = 1/50 S
    assert centre_loss(bare, (80, 80), matched, FIFTY) == pytest.approx(6.0206, abs=1e-3)
    assert centre_loss(bare, (80, 80), 0.5 * matched, FIFTY) > LEAST_LOSS + 1.0
    window = (0.1 * matched, 3.0 * matched)
    found = aperture_for(12.0, bare, (80, 80), FIFTY, window)
    assert centre_loss(bare, (80, 80), found, FIFTY) == pytest.approx(12.0, abs=0.1)


def test_the_loss_at_the_centre_is_that_of_the_p_matrices():
    # The formula against the cascade of the sections, without reflections.
    bare = ComConstants(1.8136e-6, 3148.0, 0.0, 0.0071, 3.6e-11)
    device = Transversal((200, 160), 0.5e-3, 100e-6)
    f0 = bare.centre_frequency
    s = transversal_response(device, bare, bare, f0 * np.array([0.9999, 1.0, 1.0001])).s
    exact = -20.0 * np.log10(abs(s[1, 1, 0]))
    assert centre_loss(bare, (200, 160), 0.5e-3, FIFTY) == pytest.approx(exact, abs=0.15)


def test_first_pairs_do_what_sinc_times_sinc_says():
    asked = wish()
    first = first_transversal(asked)
    x = np.linspace(-0.05, 0.05, 40001)
    long, short = first.pairs
    loss = -20.0 * np.log10(np.abs(np.sinc(long * x) * np.sinc(short * x)) + 1e-9)
    passed = np.abs(868e6 * x) <= 2e6
    stopped = (np.abs(868e6 * x) >= 12e6) & (np.abs(868e6 * x) <= 40e6)
    assert loss[passed].max() == pytest.approx(first.droop, abs=0.02)
    contrast = loss[stopped].min() - loss[passed].max() - (40.0 - 23.0)
    assert contrast >= first.spare - 0.05  # zeros are not relied on
    assert first.spare > 5.0
    assert verdict_on(asked, first)[0]
    # drift takes its share: a wider band must pass and stop bands come nearer
    assert first_transversal(wish(drift=2e-3)).spare < first.spare


@pytest.mark.parametrize(
    ("asked", "words"),
    [(wish(loss=5.5), "lose 6 dB beside that"), (wish(least=90.0), "side lobes of uniform")],
)
def test_what_uniform_transducers_cannot_do_is_said(asked: TransversalWish, words: str):
    feasible, told = verdict_on(asked, first_transversal(asked))
    assert not feasible
    assert words in told


def test_optimum_pairs_of_strong_coupling():
    # Smith et al. 1969 (from memory): N^2 = pi/(4 K^2), about 4 pairs on YZ niobate of 4.9 %.
    assert optimum_pairs(0.049) == pytest.approx(4.0, abs=0.05)


def test_bands_that_overlap_are_refused():
    with pytest.raises(InputError, match="over the pass band"):
        TransversalWish(866e6, 870e6, 20.0, ((869e6, 880e6, 40.0),), 0.0)
