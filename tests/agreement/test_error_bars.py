"""The numerical error bars of grating constants against a much finer mesh."""

import pytest

from sawfem.design import Stack, UnitCell
from sawfem.extract.grating import solve_grating
from sawfem.extract.uncertainty import numerical_uncertainty

PITCH = 2.0e-6

GRATINGS = [
    ("lithium-niobate/kovacs-1990", [0.0, 38.0, 0.0], 0.02, 0.5),
    ("lithium-niobate/kovacs-1990", [0.0, 38.0, 0.0], 0.06, 0.35),
    ("quartz/bechmann-1958", [0.0, 132.75, 0.0], 0.02, 0.6),
    ("lithium-tantalate/smith-welsh-1971", [0.0, -48.0, 0.0], 0.08, 0.5),
    ("langasite/bungo-1999", [0.0, 138.5, 26.6], 0.01, 0.5),
]


@pytest.mark.parametrize(("crystal", "euler", "height", "ratio"), GRATINGS)
def test_bars_hold_and_are_not_idle(crystal, euler, height, ratio):
    """Every constant of a coarse solution lies within its bar of the finest one."""
    cell = UnitCell.grating(
        Stack(crystal, euler=euler),
        "aluminium/kaye-laby",
        pitch=PITCH,
        thickness=height * 2.0 * PITCH,
        metallisation_ratio=ratio,
    )
    coarse = solve_grating(cell, accuracy=1e-2).constants
    finest = solve_grating(cell, accuracy=1e-9).constants
    shares = []
    for name, bar in coarse.numerical.items():
        value, truth = getattr(coarse, name), getattr(finest, name)
        for v, t, b in zip(_parts(value), _parts(truth), _parts(bar), strict=True):
            if b > 1e-12 * max(abs(v), 1e-300):
                shares.append(abs(v - t) / b)
    assert len(shares) >= 9
    assert max(shares) <= 1.0
    assert max(shares) > 0.01


def _parts(value):
    if isinstance(value, tuple):
        return value
    if isinstance(value, complex):
        return (value.real, value.imag)
    return (value,)


def test_the_finest_pair_brings_its_own_bars():
    crystal, euler, height, ratio = GRATINGS[0]
    cell = UnitCell.grating(
        Stack(crystal, euler=euler),
        "aluminium/kaye-laby",
        pitch=PITCH,
        thickness=height * 2.0 * PITCH,
        metallisation_ratio=ratio,
    )
    constants = solve_grating(cell, accuracy=1e-2).constants
    again = numerical_uncertainty(constants, constants)
    # Two equal solutions leave nothing open.
    assert max(part for bar in again.values() for part in map(abs, _parts(bar))) == 0.0
