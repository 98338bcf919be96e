"""Every shipped case that is a map alone gives the values that it says to expect."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.case import Case
from sawfem.cli.map import map_dict
from sawfem.datafiles import shipped_file
from sawfem.pipeline.mapping import plan_map, run_map
from tests.cases.test_cases import CASES, EXPECT, SHIPPED, at

MAPS = sorted(set(SHIPPED) - set(CASES))


def test_what_has_no_grating_is_a_map() -> None:
    assert MAPS == ["buoy-quartz-cuts"]
    assert all(Case.load(shipped_file("cases", name)).asks_for("map") for name in MAPS)


@pytest.mark.parametrize("name", MAPS)
def test_map(name: str) -> None:
    case = Case.load(shipped_file("cases", name))
    plan = plan_map(case)
    result = run_map(plan)
    told = map_dict(plan, result)
    expected = list(EXPECT.finditer(case.text))
    assert len(expected) == case.text.count("# expect:")
    assert len(expected) >= 7
    for match in expected:
        value, bar = float(match["value"]), float(match["bar"])
        assert 0.0 < bar <= 0.1 * abs(value), match["place"]
        assert at(told, match["place"]) == pytest.approx(value, rel=0.0, abs=bar), match["place"]
    assert np.all(result.found.status == 0)


def test_the_delay_of_quartz_is_stationary_at_st() -> None:
    """ST means stable in temperature: along X the drift vanishes within a degree of 132.75
    (Schulz, Matsinger & Holland, J. Appl. Phys. 41, 2755 (1970): from memory).
    """
    found = run_map(plan_map(Case.load(shipped_file("cases", "buoy-quartz-cuts")))).found
    drift = found.values["delay_temperature_coefficient"][:, 0]
    mu = found.asked.axes[0].values
    (place,) = np.flatnonzero(np.diff(np.sign(drift)))
    zero = np.interp(0.0, drift[place : place + 2], mu[place : place + 2])
    assert zero == pytest.approx(132.75, abs=1.0)
