"""Axes, samples and the order of a sweep; what of it is refused before anything is computed."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest
from scipy.stats import qmc

from sawfem.case import Case
from sawfem.case.keykinds import base_unit_at, counts_at
from sawfem.errors import CaseError, SawfemError
from sawfem.sweep.identity import Identity
from sawfem.sweep.plan import plan_sweep
from sawfem.sweep.samples import unit_samples

TABLES: dict[str, Any] = {
    "substrate": {
        "material": "lithium-niobate/kovacs-1990",
        "cut": "(YXl)",
        "rotations": [128],
    },
    "grating": {
        "pitch": "2 um",
        "metal": "aluminium/kaye-laby",
        "thickness": "0.02 wavelength",
        "metallisation_ratio": 0.5,
    },
}


def case_of(*axes: dict[str, Any], **sweep: Any) -> Case:
    tables = copy.deepcopy(TABLES)
    tables["sweep"] = {"axis": list(axes), **sweep}
    return Case.from_dict(tables)


ROTATION = {"key": "substrate.rotations[0]", "from": 120, "to": 130, "points": 3}
RATIO = {"key": "grating.metallisation_ratio", "values": [0.4, "50 %"]}
THICK = {"key": "grating.thickness", "from": "0.01 wavelength", "to": "0.04 wavelength"}


def test_a_grid_turns_the_stack_slowest() -> None:
    """First axis first in the result; the cut moves slowest in the work, whatever its place."""
    plan = plan_sweep(case_of(RATIO, ROTATION))
    assert plan.shape == (2, 3)
    assert plan.changes(1) == {
        "grating.metallisation_ratio": 0.4,
        "substrate.rotations[0]": 125.0,
    }
    assert list(plan.order()) == [0, 3, 1, 4, 2, 5]
    cuts = [plan.changes(place)["substrate.rotations[0]"] for place in plan.order()]
    assert cuts == [120.0, 120.0, 125.0, 125.0, 130.0, 130.0]
    np.testing.assert_allclose(plan.axes[0].numbers, [0.4, 0.5])
    assert plan.axes[1].unit == "deg"


def test_steps_by_factors_keep_their_unit() -> None:
    plan = plan_sweep(case_of({**THICK, "points": 3, "spacing": "log"}))
    assert plan.axes[0].unit == "wavelength"
    np.testing.assert_allclose(plan.axes[0].numbers, [0.01, 0.02, 0.04], rtol=1e-14)
    assert plan.axes[0].values[0] == "0.01 wavelength"
    thin = plan.case.resolved_with(plan.changes(2)).grating.thickness
    assert thin == pytest.approx(0.04 * 4e-6, rel=1e-14)


def test_lengths_of_different_units_become_metres() -> None:
    plan = plan_sweep(
        case_of({"key": "grating.thickness", "from": "80 nm", "to": "0.12 um", "points": 3})
    )
    assert plan.axes[0].unit == "m"
    np.testing.assert_allclose(plan.axes[0].numbers, [80e-9, 100e-9, 120e-9], rtol=1e-14)


def test_axes_that_move_together_are_one_dimension() -> None:
    metal = {
        "key": "grating.metal",
        "values": ["aluminium/kaye-laby", "gold/kaye-laby", "copper/kaye-laby"],
        "together": "metal",
    }
    thick = {**THICK, "points": 3, "together": "metal"}
    plan = plan_sweep(case_of(metal, RATIO, thick))
    assert [d.name for d in plan.dimensions] == ["metal", "grating.metallisation_ratio"]
    assert plan.shape == (3, 2)
    assert plan.axes[0].is_words
    assert plan.changes(2)["grating.metal"] == "gold/kaye-laby"
    assert plan.changes(2)["grating.thickness"] == f"{0.025!r} wavelength"


@pytest.mark.parametrize("kind", ["random", "latin-hypercube", "sobol"])
def test_samples_fill_the_box(kind: str) -> None:
    """Within the box, the same for a seed; low discrepancy where promised (SciPy measures it)."""
    points = unit_samples(kind, 128, 3, 7)
    assert points.shape == (128, 3)
    assert points.min() >= 0.0
    assert points.max() < 1.0
    np.testing.assert_array_equal(points, unit_samples(kind, 128, 3, 7))
    assert not np.array_equal(points, unit_samples(kind, 128, 3, 8))
    measured = qmc.discrepancy(points)
    plain = np.mean([qmc.discrepancy(unit_samples("random", 128, 3, s)) for s in range(8)])
    assert measured < {"random": 2.0, "latin-hypercube": 1.0, "sobol": 0.2}[kind] * plain
    if kind == "latin-hypercube":
        for column in points.T:
            assert sorted((column * 128).astype(int)) == list(range(128))


def test_more_points_prolong_a_sequence() -> None:
    np.testing.assert_array_equal(
        unit_samples("sobol", 40, 2, 3)[:20], unit_samples("sobol", 20, 2, 3)
    )
    # Seed 0 is the sequence as published: its second point is the middle of the box.
    np.testing.assert_array_equal(unit_samples("sobol", 1, 4, 0), [[0.5] * 4])


def test_a_sample_of_numbers_words_and_counts() -> None:
    metal = {"key": "grating.metal", "values": ["aluminium/kaye-laby", "gold/kaye-laby"]}
    plan = plan_sweep(case_of(ROTATION, metal, sample="sobol", points=16))
    assert plan.shape == (16,)
    assert plan.dimensions[0].name == "point"
    assert set(plan.axes[1].values) == set(metal["values"])
    assert 120 < min(plan.axes[0].numbers) < max(plan.axes[0].numbers) < 130


@pytest.mark.parametrize(
    ("path", "unit", "counts"),
    [
        ("grating.thickness", "m", False),
        ("grating.series.electrode.hot.film[1].thickness", "m", False),
        ("substrate.euler[1]", "deg", False),
        ("layer[0].rotations[2]", "deg", False),
        ("conditions.temperature", "degC", False),
        ("grating.metallisation_ratio", "", False),
        ("device.fingers", "", True),
        ("device.reflector_fingers[1]", "", True),
        ("device.aperture", "m", False),
        ("resonator.p.fingers", "", True),
        ("lump.bond.inductance", "H", False),
        ("grating.metal", "", False),
    ],
)
def test_units_of_bare_numbers(path: str, unit: str, counts: bool) -> None:
    assert base_unit_at(path) == unit
    assert counts_at(path) is counts


@pytest.mark.parametrize(
    ("axes", "sweep", "words"),
    [
        ([{**RATIO, "key": "grating.metalisation_ratio"}], {}, "metallisation_ratio"),
        ([{**RATIO, "values": [0.4, 1.4]}], {}, "1.4"),
        ([{**RATIO, "values": [0.4, 1.4, 0.5]}], {}, "sweep.axis[0]"),
        ([RATIO, RATIO], {}, "moves already"),
        (
            [{**RATIO, "together": "a"}, {**ROTATION, "together": "a"}],
            {},
            "found 3 values of substrate.rotations[0]; expected 2",
        ),
        ([{**THICK, "to": "80 nm", "points": 3}], {}, "both ends in wavelengths"),
        ([{**ROTATION, "from": 0, "spacing": "log"}], {}, "not zero"),
        (
            [{"key": "grating.metal", "from": "gold/kaye-laby", "to": 1, "points": 3}],
            {},
            "grating.metal",
        ),
        ([ROTATION], {"sample": "sobol"}, "sweep.points"),
        ([ROTATION], {"keep": ["velocit"]}, "nearest: velocity"),
        ([ROTATION], {"keep": ["shunt.velocity"]}, "of no grating"),
        ([ROTATION], {"keep": ["resonance"]}, "no [device]"),
        ([RATIO], {"sample": "adaptive", "points": 9, "refine": ["velocity"]}, "a list"),
        ([ROTATION], {"sample": "adaptive", "points": 9}, "sweep.refine"),
        (
            [ROTATION],
            {"sample": "adaptive", "points": 9, "refine": ["stopband_open"]},
            "one number",
        ),
    ],
)
def test_what_is_refused(axes: list[dict[str, Any]], sweep: dict[str, Any], words: str) -> None:
    with pytest.raises(SawfemError) as refused:
        plan_sweep(case_of(*axes, **sweep))
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_grid_of_a_billion_points_is_refused_with_its_cost() -> None:
    axes = [
        {"key": f"substrate.rotations[{n}]", "from": 0, "to": 1, "points": 1000} for n in range(3)
    ]
    tables = copy.deepcopy(TABLES)
    tables["substrate"] |= {"cut": "(YXltl)", "rotations": [0, 0, 0]}
    tables["sweep"] = {"axis": axes}
    with pytest.raises(CaseError) as refused:
        plan_sweep(Case.from_dict(tables))
    text = str(refused.value)
    assert text.startswith("sweep.limit: found 1000000000 points, about 127 years on one core")
    assert "2.5 TB" in text
    assert "at most 100000 points" in text


def key(case: Case, place: int = 0) -> bytes:
    plan = plan_sweep(case)
    return Identity(plan).of(plan.case.resolved_with(plan.changes(place)))


def test_keys_say_what_an_answer_depends_on() -> None:
    """The same point of two sweeps has one key; what the numbers depend on changes it."""
    one = case_of(ROTATION)
    wider = case_of({**ROTATION, "from": 110, "points": 5}, RATIO)
    assert key(one, 1) == key(wider, 7)  # 125 deg, ratio 0.5
    assert key(one, 0) != key(one, 1)
    assert key(one) == key(one.edit({"title": "another title"}))
    assert key(one) != key(one.edit({"results.accuracy": 1e-4}))
    assert key(one) != key(one.edit({"grating.metal": "gold/kaye-laby"}))
    assert key(one) == key(one.edit({"sweep.keep": ["velocity"]}))
    # Plane waves know nothing of the metal, but of the wavelength.
    waves = one.edit({"sweep.keep": ["velocity_free"]})
    assert key(waves) == key(waves.edit({"grating.metal": "gold/kaye-laby"}))
    assert key(waves) != key(waves.edit({"grating.pitch": "3 um"}))


def test_the_contents_of_a_material_count_and_not_its_place(tmp_path: Any) -> None:
    from sawfem.datafiles import shipped_file

    text = shipped_file("materials", "quartz/bechmann-1958").read_text(encoding="utf-8")
    keys = []
    for folder, written in (("a", text), ("b", text), ("c", text.replace("86.74", "86.75"))):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "own.toml").write_text(written, encoding="utf-8")
        tables = copy.deepcopy(TABLES)
        tables["substrate"]["material"] = "./own.toml"
        tables["sweep"] = {"axis": [ROTATION]}
        keys.append(key(Case.from_dict(tables, base=tmp_path / folder)))
    assert keys[0] == keys[1]
    assert "86.74" in text
    assert keys[0] != keys[2]
