"""Fingers that are missing or touch: drawn as often as told, and doing what they must."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sawfem.device import Resonator
from sawfem.device.assembled import solve_assembly, solve_part
from sawfem.device.assembly import Circuit, ResonatorPart, as_track, ladder
from sawfem.device.faults import FaultRates, Faults, draw_faults, with_faults
from sawfem.device.lump import Lump
from sawfem.device.track import Gratings, Space, Track, Transducer
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants

#: Invented, of the size of aluminium on lithium tantalate.
SERIES = ComConstants(2.26e-6, 4035.0, -0.106, 0.193, 2.3e-10, 30.0)
GRATINGS = Gratings(
    {"a": SERIES, "b": replace(SERIES, pitch=2.3e-6)}, widths={"a": 1.1e-6, "b": 1.1e-6}
)
F = np.linspace(840e6, 920e6, 81)
PART = ResonatorPart(
    Resonator(101, (30, 20), 60e-6, 2.3e-6, sheet_resistance=0.1, electrode_width=1.1e-6), "a", "b"
)


def one(part=PART) -> Circuit:
    return ladder(
        {"s": part, "p": Lump(capacitance=1e-12)},
        [("series", ["s"]), ("shunt", ["p"]), ("series", ["s"])],
        [("1", 50.0), ("2", 50.0)],
    )


def test_a_resonator_as_a_track_is_the_same_device():
    alone = solve_part(PART, GRATINGS, F).admittance
    np.testing.assert_allclose(solve_part(as_track(PART), GRATINGS, F).admittance, alone, rtol=1e-9)


def test_a_missing_finger_launches_what_the_sum_over_electrodes_leaves():
    # Without reflection G = |sum s_n exp(-j k x_n)|^2 of one electrode's (Tancrell & Holland,
    # Proc. IEEE 59, 393 (1971); from memory); at the centre (N - 1)^2 instead of N^2.
    plain = replace(SERIES, reflection=0.0, attenuation=0.0)
    gratings = Gratings({"a": plain}, widths={"a": 1.1e-6})
    part = ResonatorPart(Resonator(101, (0, 0), 60e-6, 2.3e-6), "a")
    circuit = Circuit({"s": part}, (("s", (("in", "ground"),)),), one().ports[:1])
    thin = with_faults(circuit, Faults({0: (40,)}, {}))
    ((name, _),) = thin.placed
    f0 = np.array([plain.centre_frequency])
    whole, without = (
        solve_part(c.parts[n], gratings, f0).admittance[0, 0, 0].real
        for c, n in ((circuit, "s"), (thin, name))
    )
    assert without / whole == pytest.approx((100 / 101) ** 2, rel=1e-3)


def test_placed_twice_one_may_be_faulty_and_the_other_not():
    found = with_faults(one(), Faults({0: (3, 4)}, {2: ("",)}))
    names = [name for name, _ in found.placed]
    assert names[1] == "p"
    assert isinstance(found.parts[names[0]], Track)
    bridge = found.parts[names[2]]
    assert isinstance(bridge, Lump)
    # two fingers of Rs W/(3 w) in a row
    assert bridge.resistance == pytest.approx(2 * 0.1 * 60e-6 / (3 * 1.1e-6))
    s = solve_assembly(found, GRATINGS, F).solution.s
    whole = solve_assembly(one(), GRATINGS, F).solution.s
    assert np.abs(s - whole).max() > 0.1


def test_a_bridge_in_a_track_shorts_its_port():
    row = (Transducer("1", "a", 21), Space(20e-6), Transducer("2", "a", 21))
    circuit = Circuit(
        {"t": Track(60e-6, row)},
        (("t", (("in", "ground"), ("out", "ground"))),),
        (
            replace(one().ports[0], nodes=("in", "ground")),
            replace(one().ports[1], nodes=("out", "ground")),
        ),
    )
    s = solve_assembly(with_faults(circuit, Faults({}, {0: ("2",)})), GRATINGS, F).solution.s
    np.testing.assert_allclose(s[:, 1, 1], (1.0 - 50.0) / (1.0 + 50.0), atol=5e-3)


def test_faults_come_as_often_as_told_and_repeat():
    rates = FaultRates(missing=2e-3, touching=1e-3)
    draws = [draw_faults(one(), rates, np.random.default_rng([5, die])) for die in range(2000)]
    again = draw_faults(one(), rates, np.random.default_rng([5, 17]))
    assert again == draws[17]
    gone = sum(len(places) for fault in draws for places in fault.missing.values())
    expected = 2000 * 2 * 101 * 2e-3
    assert abs(gone - expected) < 4.0 * np.sqrt(expected)
    shorted = sum(bool(fault.bridged) for fault in draws)
    share = 1.0 - (1.0 - 1e-3) ** 200
    assert abs(shorted - 2000 * share) < 4.0 * np.sqrt(2000 * share * (1 - share))


def test_of_double_electrodes_the_pair_is_left_out():
    row = (Transducer("1", "a", 24, (1, 1, -1, -1)), Space(20e-6), Transducer("2", "a", 21))
    circuit = Circuit({"t": Track(60e-6, row)}, (("t", (("in", "ground"),) * 2),), one().ports)
    found = with_faults(circuit, Faults({0: (5, 24)}, {}))
    first, _, second = found.parts[found.placed[0][0]].elements
    assert first.double
    assert np.flatnonzero(first.sequence == 0).tolist() == [4, 5]
    assert np.flatnonzero(second.sequence == 0).tolist() == [0]


def test_what_is_no_probability_is_refused():
    with pytest.raises(InputError, match=r"yield.missing_fingers"):
        FaultRates(missing=1.5)
