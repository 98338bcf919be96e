"""First design of a ladder by formulas, and the search that goes on from there."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.device.circuit import CircuitPart, CircuitPort, solve_circuit
from sawfem.device.laddering import (
    LadderWish,
    capacitor_loss,
    chosen_fingers,
    feasibility,
    first_ladder,
    ladder_names,
    quadratic,
)
from sawfem.device.lump import Lump
from sawfem.device.optimise import minimise
from sawfem.errors import InputError

WISH = LadderWish(863e6, 870e6, 0.0055, 25.0, 50.0, 7)


def test_names_are_symmetric():
    assert ladder_names(7) == ("s1", "p1", "s2", "p2", "s2", "p1", "s1")
    assert ladder_names(3) == ("s1", "p1", "s1")


def test_image_impedance_and_far_off_attenuation():
    found = first_ladder(WISH)
    image = 1 / (2 * np.pi * WISH.centre * np.sqrt(found.series * found.shunt))
    assert image == pytest.approx(50.0, rel=1e-9)
    assert capacitor_loss(found, WISH.centre, 50.0) == pytest.approx(25.0, abs=1e-3)
    assert found.capacitance("s1") == 2 * found.capacitance("s2")


def test_capacitor_loss_is_that_of_the_circuit():
    found = first_ladder(WISH)
    f = np.array([WISH.centre])
    parts, here = [], 0
    for name in found.names:
        y = Lump(capacitance=found.capacitance(name)).admittance(f)[:, None, None]
        if name.startswith("s"):
            parts.append(CircuitPart(name, ((f"n{here}", f"n{here + 1}"),), y))
            here += 1
        else:
            parts.append(CircuitPart(name, ((f"n{here}", "ground"),), y))
    ports = [CircuitPort("1", ("n0", "ground")), CircuitPort("2", (f"n{here}", "ground"))]
    s = solve_circuit(f, parts, ports).s
    assert -20 * np.log10(abs(s[0, 1, 0])) == pytest.approx(25.0, abs=1e-3)


def test_coupling_that_cannot_give_the_width_is_said():
    assert feasibility(WISH, 860e6, 892e6)[0]
    possible, told = feasibility(WISH, 868.0e6, 868.5e6)
    assert not possible
    assert "coupling" in told
    assert "1.36 %" in told


@pytest.mark.parametrize("count", [1, 2, 4, 8])
def test_a_ladder_has_an_odd_number(count):
    with pytest.raises(InputError, match="odd"):
        LadderWish(863e6, 870e6, 0.0, 25.0, 50.0, count)


def test_fingers_give_the_capacitance():
    count, aperture = chosen_fingers(2.8e-12, 230e-12, 4.54e-6)
    assert count % 2 == 1
    assert count * aperture * 230e-12 == pytest.approx(2.8e-12)


def test_parabola_is_exact_on_parabolas():
    nodes = np.array([1.0, 1.3, 1.9])
    values = (2 + 1j) * nodes**2 - 3 * nodes + 1
    assert quadratic(nodes, values, 1.55) == pytest.approx((2 + 1j) * 1.55**2 - 3 * 1.55 + 1)


BOX = np.array([[-2.0, 2.0], [-1.0, 3.0]])


def valley(x):
    """Rosenbrock's function (1960): smallest, zero, at (1, 1)."""
    return 100 * (x[1] - x[0] ** 2) ** 2 + (1 - x[0]) ** 2


def test_search_finds_the_valley_and_repeats():
    one, two = (
        minimise(valley, np.array([-1.5, 2.5]), BOX, evaluations=3000, seed=3) for _ in range(2)
    )
    np.testing.assert_allclose(one.x, 1.0, atol=1e-2)
    np.testing.assert_array_equal(one.x, two.x)
    assert one.evaluations <= 3000
    assert one.value <= one.first


def test_search_keeps_the_best_so_far():
    calls = []

    def interrupted(x):
        calls.append(valley(x))
        if len(calls) == 50:
            raise KeyboardInterrupt
        return calls[-1]

    found = minimise(interrupted, np.array([0.0, 0.0]), BOX, evaluations=500)
    assert "interrupted" in found.stopped
    assert found.value == min(calls[:49])

    def failing(x):
        if len(calls) > 80:
            raise np.linalg.LinAlgError("singular")
        calls.append(0.0)
        return valley(x)

    found = minimise(failing, np.array([0.0, 0.0]), BOX, evaluations=500)
    assert "failed" in found.stopped
    assert np.isfinite(found.value)


def test_refused_points_are_bad_ones():
    def refusing(x):
        if x[0] < 0.5:
            raise InputError(key="x", found="small", expected="larger")
        return valley(x)

    found = minimise(refusing, np.array([0.0, 0.0]), BOX, evaluations=800, seed=1)
    assert found.x[0] >= 0.5
