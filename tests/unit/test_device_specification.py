"""Curves that limits look at: matched and mismatched resistors, whose losses are known."""

import numpy as np
import pytest

from sawfem.device.network import admittance_to_scattering, as_references
from sawfem.device.response import Response
from sawfem.device.specification import Limit, curve, judge

FREQUENCY = np.linspace(860e6, 870e6, 11)


def response(y: list[list[float]]) -> Response:
    matrix = np.broadcast_to(np.array(y, dtype=complex), (FREQUENCY.size, len(y), len(y)))
    reference = as_references(50.0, FREQUENCY.size, len(y))
    return Response(FREQUENCY, matrix, admittance_to_scattering(matrix, 50.0), reference)


def test_return_loss_of_resistors() -> None:
    """-20 log10 |(R - Z)/(R + Z)|: 9.54 dB of 100 ohm and 6.02 dB of 150 ohm at 50 ohm (Pozar,
    Microwave Engineering; the definition from memory). Two ports: the worse of them."""
    alone = curve("return_loss", response([[1.0 / 100.0]]))
    np.testing.assert_allclose(alone, 20.0 * np.log10(3.0), rtol=1e-12)
    both = curve("return_loss", response([[1.0 / 100.0, 0.0], [0.0, 1.0 / 150.0]]))
    np.testing.assert_allclose(both, 20.0 * np.log10(2.0), rtol=1e-12)


def test_insertion_loss_of_a_series_resistor() -> None:
    """S21 = 2 Z/(2 Z + R): 6.02 dB of 100 ohm between 50 and 50 ohm."""
    g = 1.0 / 100.0
    found = curve("insertion_loss", response([[g, -g], [-g, g]]))
    np.testing.assert_allclose(found, 20.0 * np.log10(2.0), rtol=1e-12)


@pytest.mark.parametrize(("bound", "met"), [(5.0, False), (7.0, True)])
def test_margin_is_positive_where_a_limit_is_kept(bound: float, met: bool) -> None:
    g = 1.0 / 100.0
    limit = Limit("pass", "insertion_loss", 862e6, 868e6, at_most=bound)
    (verdict,) = judge((limit,), {25.0: response([[g, -g], [-g, g]])})
    assert verdict.met is met
    assert verdict.margin == pytest.approx(bound - 20.0 * np.log10(2.0))
