"""The shipped sweeps, thinned to a few points, against what is known of them without sawfem."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.special import ellipk

import sawfem as sf
from sawfem.case import Case
from sawfem.datafiles import shipped_file
from sawfem.result.sweep_table import SweepTable


def thinned(name: str, folder: Path, *values: list[Any]) -> SweepTable:
    """The sweep of a shipped case with other values along its axes."""
    tables = Case.load(shipped_file("cases", name)).to_dict()
    for axis, chosen in zip(tables["sweep"]["axis"], values, strict=True):
        for key in ("from", "to", "points"):
            axis.pop(key, None)
        axis["values"] = chosen
    return sf.run_sweep(Case.from_dict(tables), folder=folder, workers=0)


@pytest.mark.slow
def test_tantalate_leaks_least_where_published(tmp_path: Path) -> None:
    """Kawachi et al., IEEE Trans. UFFC 48, 1442 (2001): 40 to 42 degrees for h/lambda 0.07 to 0.10,
    rising with thickness (found, abstract). The loss is the square of what is radiated, which
    passes through zero: its signed root is interpolated.
    """
    rotations = [38, 42, 46]
    thick = ["0.06 wavelength", "0.08 wavelength"]
    table = thinned("buoy-tantalate-leakage", tmp_path, rotations, thick)
    assert table.done == 6
    zeros = []
    for column in range(2):
        root = np.sqrt(table.values["attenuation"][:, column])
        signed = [
            np.append(-root[:n], root[n:]) for n in range(4)
        ]  # of the four ways to give signs the one nearest to a line
        fits = [np.polyfit(rotations, line, 1, full=True) for line in signed]
        best = min(fits, key=lambda fit: fit[1][0])
        zeros.append(-best[0][1] / best[0][0])
    assert 40.0 < zeros[1] < 42.0
    assert 37.0 < zeros[0] < zeros[1] - 0.5


@pytest.mark.slow
def test_capacitance_of_strips_on_niobate(tmp_path: Path) -> None:
    """Thin strips, against the closed form of massless ones, C ~ K(sin^2)/K(cos^2) of pi eta/2
    with the complete elliptic integral K (Engan, IEEE Trans. ED-16, 1014 (1969); from memory).
    """
    ratios = [0.3, 0.7]
    table = thinned("buoy-niobate-space", tmp_path, ["0.005 wavelength", "0.04 wavelength"], ratios)
    assert table.done == 4
    known = [
        ellipk(np.sin(x) ** 2) / ellipk(np.cos(x) ** 2) for x in np.pi / 2.0 * np.array(ratios)
    ]
    found = table.values["capacitance_per_pair"][0]
    assert found[1] / found[0] == pytest.approx(known[1] / known[0], rel=0.01)
    # More metal slows the wave.
    assert np.all(np.diff(table.values["velocity"], axis=0) < 0.0)
