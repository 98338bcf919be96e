"""The [yield] of a case: units, refusals, and a resonator whose yield is known in closed form."""

import json
import re

import numpy as np
import pytest
from scipy.stats import norm

from sawfem.case import Case
from sawfem.errors import CaseError, InputError, SawfemError
from sawfem.export.yields import save_yield, yield_dict
from sawfem.pipeline.process import plan_process
from sawfem.pipeline.yields import grid_error, run_yield

CASE = {
    "title": "Buoy 7: spread of the telemetry resonator",
    "substrate": {"material": "lithium-niobate/kovacs-1990", "cut": "(YXl)128"},
    "grating": {
        "pitch": "2.228 um",
        "metal": "aluminium/kaye-laby",
        "thickness": "89 nm",
        "metallisation_ratio": 0.5,
    },
    "device": {
        "kind": "resonator",
        "fingers": 121,
        "reflector_fingers": 300,
        "aperture": "178 um",
        "sheet_resistance": "0.3 ohm",
    },
    "band": {"start": "862 MHz", "stop": "902 MHz", "points": 401},
    "results": {"accuracy": 1e-4},
    "specification": {"limit": [{"name": "high", "quantity": "resonance", "at_least": 867.72e6}]},
    "yield": {
        "samples": 600,
        "seed": 11,
        "spread": [{"key": "grating.pitch", "standard_deviation": "0.5 nm"}],
    },
}


def with_yield(**changes):
    return Case.from_dict(CASE | {"yield": CASE["yield"] | changes})


def spread(key, deviation, level="die"):
    return [{"key": key, "standard_deviation": deviation, "level": level}]


@pytest.mark.parametrize(
    ("key", "given", "expected"),
    [
        ("grating.pitch", "0.5 nm", 0.5e-9),
        ("grating.pitch", 5e-10, 5e-10),
        ("grating.thickness", "2 %", 0.02 * 89e-9),
        ("grating.metallisation_ratio", 0.01, 0.01),
        ("device.sheet_resistance", "20 mohm", 0.02),
    ],
)
def test_deviations_are_in_the_unit_of_their_key(key, given, expected):
    plan = plan_process(with_yield(spread=spread(key, given)))
    assert plan.keys[key].deviation == pytest.approx(expected)


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"spread": []}, "yield.spread"),
        ({"spread": spread("grating.pitch", "1 MHz")}, "standard_deviation"),
        ({"spread": spread("grating.metal", 1.0)}, "expected a number"),
        ({"spread": spread("device.fingers", 1.0)}, "expected a quantity"),
        ({"spread": spread("grating.pitch", "1 um")}, "a smaller deviation"),
        (
            {"correlation": [{"between": ["grating.pitch", "grating.width"], "coefficient": 0.5}]},
            "does not scatter",
        ),
    ],
)
def test_a_mistake_in_a_yield_is_one_line(changes, word):
    with pytest.raises(SawfemError, match=word):
        plan_process(with_yield(**changes))


@pytest.mark.parametrize("part", ["yield", "device", "specification"])
def test_what_a_yield_needs(part):
    left = {key: value for key, value in CASE.items() if key != part}
    with pytest.raises(CaseError, match=part):
        plan_process(Case.from_dict(left))


def test_rounding_to_a_grid():
    # A pitch that is a multiple of the grid is kept; else edges are off by grid/sqrt(12) rms.
    assert grid_error(2.0e-6, 5e-9) == pytest.approx((0.0, 0.0), abs=1e-15)
    mean, rms = grid_error(2.2283e-6, 5e-9)
    assert abs(mean) < 5e-12
    assert rms == pytest.approx(5e-9 / np.sqrt(12.0), rel=0.05)
    with pytest.raises(InputError, match="half a pitch"):
        grid_error(2e-6, 3e-6)


@pytest.fixture(scope="module")
def found():
    case = Case.from_dict(CASE)
    return run_yield(case, plan_process(case))


@pytest.mark.slow
def test_yield_of_a_resonance_over_a_bound_is_that_of_a_normal_variable(found):
    # f ~ -f dp/p (and a little by h/lambda): one deviation moves it by some 0.2 MHz. With f normal
    # the share above the bound is Phi((f0 - bound)/sigma).
    effect = found.effects[0]
    assert effect.frequency == pytest.approx(-0.5e-9 / 2.228e-6, rel=0.1)
    assert effect.trim == pytest.approx(effect.frequency / 0.5e-9)
    limit = found.limits[0]
    sigma = abs(effect.margin[found.tightest])
    truth = norm.cdf(limit.nominal / sigma)
    assert found.total.low <= truth <= found.total.high
    assert np.std(limit.margin) == pytest.approx(sigma, rel=0.1)
    assert limit.worst == pytest.approx(limit.nominal - 3.0 * sigma, abs=0.05 * sigma)
    assert found.surrogate_error < 1e-6


@pytest.mark.slow
def test_yield_is_written_and_repeats(found, tmp_path):
    files = save_yield(found, tmp_path)
    assert {name.rpartition("/")[2] for name in files} == {"yield.json", "yield.png", "yield.svg"}
    told = json.loads((tmp_path / "yield.json").read_text(encoding="utf-8"))
    assert told["format"] == "sawfem.yield/1"
    assert told["dies"] == 600
    assert told == json.loads(json.dumps(yield_dict(found, files)))
    again = plan_process(Case.from_dict(CASE)).draws()
    assert np.array_equal(again.deviation["grating.pitch"], found.draws.deviation["grating.pitch"])


@pytest.mark.slow
def test_fingers_that_touch_cost_dies_and_missing_ones_rarely(tmp_path):
    # A bridge leaves no resonance; a missing finger of 121 moves it by less than the margin here.
    limit = {"name": "wide", "quantity": "resonance", "at_least": 866e6, "at_most": 870e6}
    faults = {"samples": 80, "missing_fingers": 2e-3, "touching_fingers": 1e-3, "spread": []}
    parts = {"specification": {"limit": [limit]}, "results": {"accuracy": 1e-3}}
    case = Case.from_dict(CASE | parts | {"yield": CASE["yield"] | faults})
    found = run_yield(case, plan_process(case))
    bridged, kept = found.faulty["touching"]
    assert 0 < bridged < 30
    assert kept == 0
    assert found.total.value == pytest.approx(1.0 - bridged / 80)
    thin, passed = found.faulty["missing"]
    assert 0 < passed <= thin
    files = save_yield(found, tmp_path)
    assert any(name.endswith("yield.png") for name in files)


@pytest.mark.slow
def test_what_unlike_fingers_do_beyond_their_mean_is_said():
    # Half waves unlike by 10 nm in 2228 nm: pi^2 s^2 N/12 of the power of 121, 0.009 dB, and
    # s^2 N/4 in the first zeros, -32 dB (sawfem/device/fingerscatter.py).
    case = with_yield(samples=20, spread=spread("grating.pitch", "10 nm", "finger"))
    (told,) = [text for text in run_yield(case, plan_process(case)).warnings if "unlike" in text]
    loss, floor = re.search(r"loses (\S+) dB, and its first zeros fill to (\S+) dB", told).groups()
    s = 10.0 / 2228.0
    assert float(loss) == pytest.approx(4.343 * np.pi**2 * s**2 * 121 / 12.0, rel=0.2)
    assert float(floor) == pytest.approx(10.0 * np.log10(s**2 * 121 / 4.0), abs=1.0)
