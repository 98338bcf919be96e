"""Key paths and edits: the same words for --set, sweeps and Python."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sawfem.case import Case, read_assignment
from sawfem.case.plain import to_toml
from sawfem.errors import CaseError, SawfemError, UnitError

CASES = Path(__file__).parent / "data" / "cases"
LADDER = Case.load(CASES / "ladder.toml")
PLATE = Case.load(CASES / "thin-plate.toml")
BUOY = Case.load(CASES / "resonator.toml")
SWEEP = Case.load(CASES / "sweep.toml")


def test_one_metal_thickness_moves_both_gratings():
    edited = LADDER.edit({"grating.series.thickness": "80 nm"})
    thicknesses = [grating.thickness for grating in edited.resolved().gratings.values()]
    assert thicknesses == [80e-9, 80e-9]
    assert LADDER.resolved().grating.thickness == 0.36e-6


def test_the_copy_can_be_set_alone():
    edited = LADDER.edit({"grating.shunt.thickness": "80 nm"})
    thicknesses = [grating.thickness for grating in edited.resolved().gratings.values()]
    assert thicknesses == [0.36e-6, 80e-9]


def test_setting_below_a_copy_leaves_the_model_alone():
    edited = PLATE.edit({"grating.electrode.cold.film[1].thickness": "150 nm"})
    hot, cold = edited.resolved().grating.electrodes
    assert [film.thickness for film in hot.films] == [10e-9, 170e-9]
    assert [film.thickness for film in cold.films] == [10e-9, 150e-9]


PATHS = [
    (BUOY, "grating.thickness", "89 nm"),
    (BUOY, "grating[0].thickness", "89 nm"),
    (BUOY, "grating.main.thickness", "89 nm"),
    (BUOY, "device.reflector_fingers[1]", 300),
    (BUOY, "band.points", 801),
    (LADDER, "grating.series.pitch", "2.27 um"),
    (LADDER, "grating.shunt.metal", "aluminium/kaye-laby"),
    (LADDER, "resonator.s-mid.fingers", 201),
    (LADDER, "band[1].stop", "3 GHz"),
    (LADDER, "device.ports.receiver.impedance[1]", "-8 ohm"),
    (LADDER, "specification.limit[0].at_most", "3 dB"),
    (PLATE, "layer.guide.thickness", "0.6 um"),
    (PLATE, "layer[0].thickness", "0.5 um"),
    (PLATE, "grating.electrode.hot.film[1].thickness", "170 nm"),
    (PLATE, "grating.electrode.cold.film[0].material", "titanium/kaye-laby"),
    (PLATE, "overcoat.thickness", "30 nm"),
    (PLATE, "material.alu-film.density", 2650),
    (SWEEP, "substrate.rotations[0]", 42),
]


@pytest.mark.parametrize(("case", "path", "value"), PATHS)
def test_paths_read_and_set_the_same_place(case, path, value):
    assert case.get(path) == value
    same = case.edit({path: value})
    assert same.get(path) == value
    assert same.resolved() == case.resolved()


CHANGES = [
    (BUOY, "grating.sidewall_angle", 85, lambda r: r.grating.sidewall_angle == 85.0),
    (BUOY, "grating.main.pitch", 2.3e-6, lambda r: r.grating.pitch == 2.3e-6),
    (
        BUOY,
        "device.reflector_fingers[0]",
        10,
        lambda r: r.device.resonator.reflector_fingers[0] == 10,
    ),
    (
        BUOY,
        "device.propagation_loss",
        "1 dB/us",
        lambda r: r.device.resonator.propagation_loss == 1e6,
    ),
    (BUOY, "results.accuracy", 1e-6, lambda r: r.accuracy == 1e-6),
    (LADDER, "band[0].points", np.int64(11), lambda r: r.bands[0].points == 11),
    (LADDER, "grating.series.pitch", np.float64(2e-6), lambda r: r.grating.pitch == 2e-6),
    (LADDER, "resonator.s-end.fingers", 99, lambda r: r.resonators["s-mid"].fingers == 99),
    (PLATE, "layer.guide.thickness", "1 um", lambda r: r.layers[1].thickness == 1e-6),
    (SWEEP, "substrate.rotations[1]", 5, lambda r: r.substrate.rotations == (42.0, 5.0)),
    (SWEEP, "substrate.rotations", (1, 2), lambda r: r.substrate.rotations == (1.0, 2.0)),
]


@pytest.mark.parametrize(("case", "path", "value", "holds"), CHANGES)
def test_edits_arrive(case, path, value, holds):
    edited = case.edit({path: value})
    assert holds(edited.resolved())
    assert edited.text == edited.to_toml() != case.text
    assert (edited.source, edited.base) == (case.source, case.base)


BAD_EDITS = [
    (
        BUOY,
        "grating.thicknes",
        "80 nm",
        "grating.thicknes: found an unknown key; expected a key of [grating], nearest: thickness",
    ),
    (
        BUOY,
        "gratin.thickness",
        "80 nm",
        "gratin: found an unknown key; expected a key of a case file, nearest: grating",
    ),
    (
        LADDER,
        "grating.thickness",
        "80 nm",
        "grating.thickness: found a key of 2 members; expected one of them: series, shunt",
    ),
    (
        LADDER,
        "grating.serie.thickness",
        "80 nm",
        "grating.serie.thickness: found no member serie; expected one of series, shunt, "
        "nearest: series",
    ),
    (
        PLATE,
        "layer[2].thickness",
        "80 nm",
        "layer[2].thickness: found index [2] of a list with 2 members; expected an index below 2",
    ),
    (
        BUOY,
        "grating",
        "80 nm",
        "grating: found a whole table; expected a key in it",
    ),
    (
        LADDER,
        "grating.series",
        3,
        None,
    ),
    (
        BUOY,
        "title.part",
        3,
        'title.part: found "Buoy 7: 868 MHz resonator of the telemetry oscillator" before part; '
        "expected a table there",
    ),
    (
        BUOY,
        "title[0]",
        "x",
        "title[0]: found an index [0] of what is no list; expected a key",
    ),
    (
        BUOY,
        "grating.thickness",
        -1,
        'grating.thickness: found -1, that is -1 m; expected 0.1 nm to 1 mm, for example "89 nm"',
    ),
    (
        BUOY,
        "grating.thickness",
        None,
        "grating.thickness: found None; expected a value",
    ),
    (
        BUOY,
        "grating..thickness",
        1,
        'found "grating..thickness", no key path; expected names joined by dots, such as '
        '"grating.thickness" or "layer[0].thickness"',
    ),
]


@pytest.mark.parametrize(("case", "path", "value", "message"), BAD_EDITS)
def test_bad_edits(case, path, value, message):
    with pytest.raises((CaseError, UnitError)) as caught:
        case.edit({path: value})
    assert caught.value.file == str(case.source)
    if message is not None:
        assert str(caught.value) == f"{case.source}: {message}"


def test_reading_what_is_not_set():
    with pytest.raises(CaseError, match="nearest: pitch"):
        BUOY.get("grating.pich")


@pytest.mark.parametrize(
    ("text", "path", "value"),
    [
        ("grating.thickness=80 nm", "grating.thickness", "80 nm"),
        ('grating.thickness = "80 nm"', "grating.thickness", "80 nm"),
        ("device.fingers=61", "device.fingers", 61),
        ("substrate.euler=[0, 38, 0]", "substrate.euler", [0, 38, 0]),
        ("substrate.cut=(YXl)128", "substrate.cut", "(YXl)128"),
        ("results.accuracy=1e-5", "results.accuracy", 1e-5),
    ],
)
def test_assignments_of_the_command_line(text, path, value):
    assert read_assignment(text) == (path, value)


@pytest.mark.parametrize("text", ["grating.thickness", "=3", ""])
def test_bad_assignments(text):
    with pytest.raises(CaseError, match="KEY=VALUE"):
        read_assignment(text)


plain_values = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(2**63), 2**63 - 1),
        st.floats(allow_nan=False),
        st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(
            st.text(st.characters(exclude_categories=["Cs"]), max_size=8), inner, max_size=4
        ),
    ),
    max_leaves=12,
)


@given(
    table=st.dictionaries(
        st.text(st.characters(exclude_categories=["Cs"]), max_size=8), plain_values, max_size=5
    )
)
def test_written_toml_reads_back(table):
    import tomllib

    assert tomllib.loads(to_toml(table)) == table


@given(path=st.text(max_size=30), value=plain_values)
def test_any_edit_is_made_or_refused(path, value):
    try:
        edited = BUOY.edit({path: value})
    except SawfemError:
        return
    assert edited.get(path) == value
