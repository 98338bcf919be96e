"""The second model of a run: on by itself, off by its key, silent where it does not apply."""

import pytest

from sawfem.case import Case
from sawfem.errors import CaseError
from sawfem.extract import solve_grating
from sawfem.pipeline.build import build
from sawfem.pipeline.devices import solve_any_device
from sawfem.pipeline.second import applies, with_second_model
from sawfem.unitcell.mesh import MeshSettings
from tests.unit.test_pipeline import CASE, TRANSVERSAL


@pytest.fixture(scope="module")
def solved():
    case = Case.from_dict(CASE).resolved()
    design = build(case)
    return design, {"main": solve_grating(design.cells["main"], accuracy=1e-2)}


def _compared(tables, solved):
    case = Case.from_dict(tables).resolved()
    design, solutions = solved
    device, _ = solve_any_device(case, design.stack, design.cells, solutions)
    steps = []

    def report(*step):
        steps.append(step)

    return (*with_second_model(case, device, design.cells, solutions, report), steps)


def test_a_resonator_is_computed_twice(solved):
    device, told, steps = _compared(CASE, solved)
    (found,) = device.second_model
    assert found.name == "resonator"
    assert not found.leaky
    assert found.fit_band == solved[1]["main"].constants.fit_band
    assert len(found.peaks) == 2
    check = device.response.checks["second_model"]
    assert check.ok
    assert check.limit == found.limit
    assert check.value < 1.0
    assert check.value == found.disagreement
    (sentence,) = told  # the other wave of tests/agreement/test_second_model.py
    assert f"{found.worst[0] / 1e6:.2f} MHz" in sentence
    assert sentence.endswith("another wave of the grating meets the main one there")
    assert {stage for stage, _, _ in steps} == {"second model"}
    assert steps[-1][1] == steps[-1][2] == found.computed.size


def test_unlike_transducers_of_a_filter_are_both_compared(solved):
    device, _, _ = _compared(CASE | {"device": TRANSVERSAL | {"fingers": [121, 101]}}, solved)
    assert [found.name for found in device.second_model] == ["input", "output"]
    assert all(found.fit_band is None for found in device.second_model)


def test_off_by_its_key_and_unknown_to_others(solved, monkeypatch):
    off = CASE | {"results": {"accuracy": 1e-2, "second_model": False}}
    device, told, steps = _compared(off, solved)
    assert device.second_model == ()
    assert told == ()
    assert steps == []
    with pytest.raises(CaseError, match=r"results\.second_model"):
        Case.from_dict(CASE | {"results": {"second_model": "no"}}).resolved()
    assert not applies(Case.from_dict({k: v for k, v in CASE.items() if k != "device"}).resolved())
    # A failure of the second model leaves the first one as it is, and is told.
    design, solutions = solved
    case = Case.from_dict(CASE).resolved()
    first, _ = solve_any_device(case, design.stack, design.cells, solutions)
    monkeypatch.setattr("sawfem.device.second_model.MESH", MeshSettings(order=2, gradings=1))
    monkeypatch.setattr("sawfem.device.second_model.MOST", 3)
    same, told = with_second_model(case, first, design.cells, solutions)
    assert same is first
    assert "second device model was not computed" in told[0]
