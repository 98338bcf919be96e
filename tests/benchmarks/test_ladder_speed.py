"""A ladder of seven resonators: closed sections against electrodes taken one by one.

The three-stage ladder has seven resonators, each of 200 electrodes between two gratings of 40, at
801 frequencies. Its cost must not depend on the number of electrodes, and the cascade of single
electrodes that a first program would write (below: one P-matrix for each electrode, joined by the
textbook's formulas, all frequencies at once) must take twenty times as long at least. A thousand
dies of it, drawn and held against limits in pass and stop bands, must not take more than four
hundred evaluations of the nominal one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sawfem.device import Resonator
from sawfem.device.assembled import solve_assembly
from sawfem.device.assembly import ResonatorPart, ladder
from sawfem.device.circuit import CircuitPart, solve_circuit
from sawfem.device.numbers import Numbered
from sawfem.device.section import grating_section, transducer_section
from sawfem.device.specification import Limit
from sawfem.device.track import Gratings
from sawfem.extract.constants import ComConstants
from sawfem.pipeline.circuits import CircuitSetting
from sawfem.pipeline.specified import judged_together
from sawfem.pipeline.surrogate import Surrogate
from sawfem.pipeline.yields import DIE_POINTS, TOGETHER

F = np.linspace(800e6, 940e6, 801)
#: 42 deg Y-X lithium tantalate with aluminium of h/lambda 9 %.
SERIES = ComConstants(2.24e-6, 4055.0, -0.106, 0.193, 2.3e-10, 30.0)
GRATINGS = Gratings({"series": SERIES, "shunt": replace(SERIES, pitch=2.31e-6)})
CHAIN = [(k, [f"r{n}"]) for n, k in enumerate(["series", "shunt"] * 3 + ["series"])]


def circuit(electrodes: int):
    """All seven differ, so that none is computed once for two."""
    parts = {
        f"r{n}": ResonatorPart(
            Resonator(electrodes, (40, 40), (30 + 10 * n) * 1e-6, 2.3e-6),
            "shunt" if n % 2 else "series",
        )
        for n in range(7)
    }
    return ladder(parts, CHAIN, [("1", 50.0), ("2", 50.0)])


def joined(A: np.ndarray, B: np.ndarray) -> np.ndarray:
    """Two sections (3, 3, F) side by side, ports in parallel (Morgan 2007, ch. 8; from memory)."""
    D = 1.0 / (1.0 - A[1, 1] * B[0, 0])
    P = np.empty_like(A)
    P[0, 0] = A[0, 0] + A[0, 1] * B[0, 0] * A[1, 0] * D
    P[0, 1] = A[0, 1] * B[0, 1] * D
    P[1, 0] = P[0, 1]
    P[1, 1] = B[1, 1] + B[1, 0] * A[1, 1] * B[0, 1] * D
    P[0, 2] = A[0, 2] + A[0, 1] * (B[0, 2] + B[0, 0] * A[1, 2]) * D
    P[1, 2] = B[1, 2] + B[1, 0] * (A[1, 2] + A[1, 1] * B[0, 2]) * D
    P[2, 0] = -2.0 * P[0, 2]
    P[2, 1] = -2.0 * P[1, 2]
    P[2, 2] = A[2, 2] + B[2, 2] + A[2, 1] * (B[0, 2] + B[0, 0] * A[1, 2]) * D
    P[2, 2] += B[2, 0] * (A[1, 2] + A[1, 1] * B[0, 2]) * D
    return P


def electrode_by_electrode(electrodes: int) -> np.ndarray:
    described = circuit(electrodes)
    placed = []
    for name, nodes in described.placed:
        part = described.parts[name]
        constants = GRATINGS.of(part.grating)
        strip = np.zeros((3, 3, F.size), dtype=complex)
        strip[:2, :2] = grating_section(constants, 1, F).matrix.transpose(1, 2, 0)
        driven = {
            sign: np.ascontiguousarray(
                transducer_section(
                    constants, 1, part.resonator.aperture, F, polarity=sign
                ).matrix.transpose(1, 2, 0)
            )
            for sign in (1, -1)
        }
        turn = np.exp(-2j * np.pi * F / constants.velocity * (2.3e-6 - constants.pitch))
        loss = np.zeros((3, 3, F.size), dtype=complex)
        loss[0, 1] = loss[1, 0] = turn
        row = [strip] * 40 + [loss]
        row += [driven[1 - 2 * (n % 2)] for n in range(electrodes)]
        row += [loss] + [strip] * 40
        total = row[0]
        for section in row[1:]:
            total = joined(total, section)
        placed.append(CircuitPart(name, nodes, total[2, 2][:, None, None]))
    return solve_circuit(F, placed, described.ports).s


def ours(electrodes: int) -> np.ndarray:
    return solve_assembly(circuit(electrodes), GRATINGS, F).solution.s


def test_both_ways_give_the_same_ladder():
    np.testing.assert_allclose(ours(200), electrode_by_electrode(200), atol=1e-8)


@pytest.mark.benchmark(group="ladder")
def test_twenty_times_faster_than_electrode_by_electrode(against):
    ratio = against(
        "ladder, 7 x 200 electrodes, 801 f",
        lambda: [ours(200) for _ in range(10)],
        lambda: electrode_by_electrode(200),
        unit="electrode by electrode",
        limit=1 / 20,
        rounds=5,
        calls=10,
    )
    assert ratio <= 1 / 20


@pytest.mark.benchmark(group="ladder")
def test_cost_does_not_depend_on_the_electrodes(against):
    ratio = against(
        "ladder, 2000 electrodes against 200",
        lambda: ours(2000),
        lambda: ours(200),
        unit="200 electrodes",
        limit=1.2,
        rounds=15,
    )
    assert ratio <= 1.2


LIMITS = (
    Limit("pass", "insertion_loss", 863e6, 870e6, at_most=3.0),
    Limit("match", "return_loss", 863e6, 870e6, at_least=10.0),
    Limit("below", "insertion_loss", 800e6, 835e6, at_least=20.0),
    Limit("above", "insertion_loss", 895e6, 940e6, at_least=20.0),
)


def dies(count: int) -> list[float]:
    """Margins of dies: the constants of each grating scatter, and all lengths of the layout."""
    nominal = CircuitSetting(circuit(200), GRATINGS, {}, F)
    numbers = Numbered((nominal.circuit, nominal.gratings)).numbers
    random = np.random.default_rng(868)
    layout = np.arange(numbers.size) < Numbered(nominal.circuit).numbers.size
    lengths = np.where(layout & (np.abs(numbers) < 1e-3), 1e-3 * numbers, 0.0)
    constants = np.where(layout, 0.0, 1e-3 * numbers)
    slopes = {
        "film": constants * random.uniform(-1.0, 1.0, numbers.size),
        "line": constants * random.uniform(-1.0, 1.0, numbers.size),
        "mask": lengths,
    }
    surrogate = Surrogate(nominal, slopes, dict.fromkeys(slopes, 0.0 * numbers), 0.0, 0)
    margins = []
    for first in range(0, count, TOGETHER):
        some = []
        for _ in range(first, min(first + TOGETHER, count)):
            found, gratings = surrogate.device({key: random.standard_normal() for key in slopes})
            some.append(replace(nominal, circuit=found, gratings=gratings))
        for verdicts in judged_together(
            some, LIMITS, (25.0,), lambda celsius: 0.0, points=DIE_POINTS
        ):
            margins += [min(verdict.margin for verdict in verdicts)]
    return margins


@pytest.mark.benchmark(group="ladder")
def test_a_thousand_dies_in_four_hundred_evaluations(against):
    assert np.ptp(dies(8)) > 0.0
    ratio = against(
        "1,000 dies of the ladder",
        lambda: dies(100),
        lambda: [ours(200) for _ in range(10)],
        unit="evaluation",
        limit=400.0 / 100.0,
        rounds=5,
    )
    assert ratio <= 400.0 / 100.0
