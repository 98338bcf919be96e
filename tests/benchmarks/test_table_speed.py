"""Ten thousand designs from a table against single gratings.

    python -m pytest tests/benchmarks/test_table_speed.py --benchmark-only

The table is solved, checked on gratings left out and asked for 10,000 designs, in each round; the
gratings beside it are solved one by one to the accuracy that the table is checked for.
"""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.extract import grating_table, solve_grating

METAL = "aluminium/kaye-laby"
STACK = "lithium-tantalate/smith-welsh-1971"
DESIGNS, SINGLES = 10_000, 4
#: The table may take as long as so many single gratings.
MOST = 100.0


@pytest.mark.benchmark(group="table")
def test_ten_thousand_designs(against):
    stack = Stack(STACK, cut="(YXl)42")
    rng = np.random.default_rng(0)
    height, ratio = rng.uniform(0.05, 0.10, DESIGNS), rng.uniform(0.4, 0.6, DESIGNS)

    def designs():
        table = grating_table(
            stack, METAL, thickness=(0.05, 0.10), metallisation_ratio=(0.4, 0.6), accuracy=1e-5
        )
        return table.arrays(height, ratio)

    def singles():
        for h, eta in zip(height[:SINGLES], ratio[:SINGLES], strict=True):
            cell = UnitCell.grating(
                stack, METAL, pitch=1e-6, thickness=2e-6 * h, metallisation_ratio=eta
            )
            solve_grating(cell, accuracy=1e-5)

    ratio_of_times = against(
        "10,000 designs from a table",
        designs,
        singles,
        unit=f"{SINGLES} gratings, solved one by one",
        limit=MOST / SINGLES,
        rounds=1,
    )
    assert ratio_of_times < MOST / SINGLES
