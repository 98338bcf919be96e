"""Random fingers: closed forms against cascades of half waves that differ, drawn with a seed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sawfem.device.fingerscatter import (
    position_floor,
    position_loss,
    velocity_floor,
    velocity_loss,
)
from sawfem.device.pmatrix import cascade, delay
from sawfem.device.section import transducer_section
from sawfem.extract.constants import ComConstants

#: Invented.
CONSTANTS = ComConstants(2e-6, 3900.0, 0j, 0.01, 1e-10)
HALF_WAVES, DRAWS = 40, 700


def launched(slow: np.ndarray, moved: np.ndarray, zero: int) -> np.ndarray:
    """Wave that leaves to the right for one volt, all draws at once, at f0 or a zero of sinc.

    Coupled-mode sections of one electrode each, alternately driven, of which every one has its own
    velocity and place; each draw at its own mean velocity.
    """
    f0 = CONSTANTS.centre_frequency * (1.0 + slow.mean(axis=1))
    f = f0 * (1.0 + 2.0 * zero / HALF_WAVES)
    sections = []
    signs = []
    before = np.zeros(len(slow))
    for n in range(HALF_WAVES):
        # One velocity a draw: a section of the mean velocity at the frequency scaled for it.
        scaled = transducer_section(CONSTANTS, 1, 1e-4, f / (1.0 + slow[:, n]))
        shift = delay(moved[:, n] - before, CONSTANTS.velocity, f)
        sections += [replace(shift, frequency=f), replace(scaled, frequency=f)]
        signs.append([(-1.0) ** n])
        before = moved[:, n]
    whole = cascade(sections).connected(signs)
    return np.asarray(whole.matrix[:, 1, 2])


@pytest.mark.parametrize("kind", ["velocity", "position"])
def test_peak_and_zeros_against_half_waves_that_differ(kind: str) -> None:
    random = np.random.default_rng(868)
    drawn = random.standard_normal((DRAWS, HALF_WAVES))
    none = np.zeros_like(drawn)
    wavelength = 2.0 * CONSTANTS.pitch
    ideal = abs(launched(none[:1], none[:1], 0)[0]) ** 2
    if kind == "velocity":
        s = 0.02
        args = s * drawn, none
        loss = velocity_loss(s, HALF_WAVES)
        floor = velocity_floor(s, HALF_WAVES)
    else:
        s = 0.03 * wavelength
        args = none, s * drawn
        loss = position_loss(s, wavelength)
        floor = position_floor(s, wavelength, HALF_WAVES)
    peak = np.mean(np.abs(launched(*args, 0)) ** 2) / ideal
    # Beyond the first order, and by the number of draws: a tenth of it.
    assert -10.0 * math.log10(peak) == pytest.approx(loss, rel=0.12)
    # Phase errors grow with the frequency, by 5 % at the first zero of so short a transducer.
    floor += 20.0 * math.log10(1.0 + 2.0 / HALF_WAVES)
    filled = np.mean(np.abs(launched(*args, 1)) ** 2) / ideal
    assert 10.0 * math.log10(filled) == pytest.approx(floor, abs=0.5)


def test_nothing_without_errors() -> None:
    assert velocity_loss(0.0, 100) == position_loss(0.0, 4e-6) == 0.0
    assert velocity_floor(0.0, 100) == position_floor(0.0, 4e-6, 100) == -math.inf
