"""Independent constants of the classes against the tables of Nye, and their expansion."""

from itertools import chain

import numpy as np
import pytest

from sawfem.errors import MaterialError
from sawfem.pointgroups import POINT_GROUPS
from sawfem.symmetry import (
    allowed_constants,
    choose,
    components,
    constant_names,
    expand,
    independent_constants,
    invariant_basis,
    project,
    projector,
)

# Numbers of independent constants: Nye, Physical Properties of Crystals, 1957, tables 9 (elastic),
# 8 (piezoelectric) and 3 (symmetric rank two); from memory.
ELASTIC = {
    21: ["1", "-1"],
    13: ["2", "m", "2/m"],
    9: ["222", "mm2", "mmm"],
    7: ["4", "-4", "4/m", "3", "-3"],
    6: ["422", "4mm", "-42m", "4/mmm", "32", "3m", "-3m"],
    5: ["6", "-6", "6/m", "622", "6mm", "-6m2", "6/mmm"],
    3: ["23", "m-3", "432", "-43m", "m-3m"],
    2: ["isotropic"],
}
PIEZOELECTRIC = {
    18: ["1"],
    10: ["m"],
    8: ["2"],
    6: ["3"],
    5: ["mm2"],
    4: ["4", "-4", "3m", "6"],
    3: ["222", "4mm", "6mm"],
    2: ["-42m", "32", "-6"],
    1: ["422", "622", "-6m2", "23", "-43m"],
    0: [
        "-1",
        "2/m",
        "mmm",
        "4/m",
        "4/mmm",
        "-3",
        "-3m",
        "6/m",
        "6/mmm",
        "m-3",
        "432",
        "m-3m",
        "isotropic",
    ],
}
RANK_TWO = {
    6: ["1", "-1"],
    4: ["2", "m", "2/m"],
    3: ["222", "mm2", "mmm"],
    2: [
        "4",
        "-4",
        "4/m",
        "422",
        "4mm",
        "-42m",
        "4/mmm",
        "3",
        "-3",
        "32",
        "3m",
        "-3m",
        "6",
        "-6",
        "6/m",
        "622",
        "6mm",
        "-6m2",
        "6/mmm",
    ],
    1: ["23", "m-3", "432", "-43m", "m-3m", "isotropic"],
}
TABLES = {
    "stiffness": ELASTIC,
    "piezoelectric": PIEZOELECTRIC,
    "permittivity": RANK_TWO,
    "expansion": RANK_TWO,
}
NUMBERS = [
    (kind, number, group)
    for kind, table in TABLES.items()
    for number, groups in table.items()
    for group in groups
]


def test_the_tables_cover_every_class():
    for table in TABLES.values():
        assert sorted(chain.from_iterable(table.values())) == sorted(POINT_GROUPS)


@pytest.mark.parametrize(("kind", "number", "group"), NUMBERS)
def test_number_of_independent_constants(kind, number, group):
    assert len(independent_constants(group, kind)) == number
    # The trace of a projector is the dimension of its range: independent of the greedy choice.
    assert np.trace(projector(group, kind)) == pytest.approx(number, abs=1e-9)


@pytest.mark.parametrize("group", POINT_GROUPS)
@pytest.mark.parametrize("kind", TABLES)
def test_projector_is_idempotent(group, kind):
    average = projector(group, kind)
    np.testing.assert_allclose(average @ average, average, atol=1e-12)


# Names as IEEE Std 176-1987 and Nye write the matrices; from memory.
NAMES = {
    ("3m", "stiffness"): "c11 c12 c13 c14 c33 c44",
    ("3m", "piezoelectric"): "e15 e22 e31 e33",
    ("3m", "permittivity"): "eps11 eps33",
    ("3m", "expansion"): "alpha11 alpha33",
    ("32", "piezoelectric"): "e11 e14",
    ("6mm", "piezoelectric"): "e15 e31 e33",
    ("mm2", "piezoelectric"): "e15 e24 e31 e32 e33",
    ("222", "piezoelectric"): "e14 e25 e36",
    ("2", "piezoelectric"): "e14 e16 e21 e22 e23 e25 e34 e36",
    ("m", "piezoelectric"): "e11 e12 e13 e15 e24 e26 e31 e32 e33 e35",
    ("-43m", "piezoelectric"): "e14",
    ("-6m2", "piezoelectric"): "e22",
    ("2", "stiffness"): "c11 c12 c13 c15 c22 c23 c25 c33 c35 c44 c46 c55 c66",
    ("2", "permittivity"): "eps11 eps13 eps22 eps33",
    ("6mm", "stiffness"): "c11 c12 c13 c33 c44",
    ("m-3m", "stiffness"): "c11 c12 c44",
    ("isotropic", "stiffness"): "c11 c12",
}


@pytest.mark.parametrize(("group", "kind"), NAMES)
def test_names_of_independent_constants(group, kind):
    assert " ".join(independent_constants(group, kind)) == NAMES[group, kind]


def test_stiffness_of_class_3m():
    """Matrix of the trigonal classes 32, 3m, -3m: IEEE Std 176-1987, table 3 (from memory)."""
    a, b, c, d, f, g = 203.0, 53.0, 75.0, 9.0, 245.0, 60.0
    matrix = expand("3m", "stiffness", {"c11": a, "c12": b, "c13": c, "c14": d, "c33": f, "c44": g})
    expected = [
        [a, b, c, d, 0, 0],
        [b, a, c, -d, 0, 0],
        [c, c, f, 0, 0, 0],
        [d, -d, 0, g, 0, 0],
        [0, 0, 0, 0, g, d],
        [0, 0, 0, 0, d, (a - b) / 2],
    ]
    np.testing.assert_allclose(matrix, expected, rtol=1e-13, atol=1e-12)


@pytest.mark.parametrize(
    ("group", "constants", "expected"),
    [
        (
            "3m",
            {"e15": 3.7, "e22": 2.5, "e31": 0.2, "e33": 1.3},
            [[0, 0, 0, 0, 3.7, -2.5], [-2.5, 2.5, 0, 3.7, 0, 0], [0.2, 0.2, 1.3, 0, 0, 0]],
        ),
        (
            "32",
            {"e11": 0.171, "e14": -0.0406},
            [[0.171, -0.171, 0, -0.0406, 0, 0], [0, 0, 0, 0, 0.0406, -0.171], [0] * 6],
        ),
        (
            "6mm",
            {"e15": -0.48, "e31": -0.573, "e33": 1.32},
            [[0, 0, 0, 0, -0.48, 0], [0, 0, 0, -0.48, 0, 0], [-0.573, -0.573, 1.32, 0, 0, 0]],
        ),
        (
            "-43m",
            {"e14": 0.99},
            [[0, 0, 0, 0.99, 0, 0], [0, 0, 0, 0, 0.99, 0], [0, 0, 0, 0, 0, 0.99]],
        ),
        ("-6m2", {"e22": 1.0}, [[0, 0, 0, 0, 0, -1], [-1, 1, 0, 0, 0, 0], [0] * 6]),
        (
            "-42m",
            {"e14": 1.0, "e36": 2.0},
            [[0, 0, 0, 1, 0, 0], [0, 0, 0, 0, 1, 0], [0, 0, 0, 0, 0, 2]],
        ),
    ],
)
def test_piezoelectric_matrices(group, constants, expected):
    """Matrices of the stress constants e: IEEE Std 176-1987, table 3 (from memory)."""
    matrix = expand(group, "piezoelectric", constants)
    np.testing.assert_allclose(matrix, expected, rtol=1e-13, atol=1e-13)


def test_isotropic_shear_follows():
    matrix = expand("isotropic", "stiffness", {"c11": 78.5, "c12": 16.1})
    assert matrix[3, 3] == pytest.approx((78.5 - 16.1) / 2, rel=1e-13)
    assert matrix[4, 4] == pytest.approx(matrix[3, 3], rel=1e-13)


def test_another_complete_choice_gives_the_same_matrix():
    usual = {"c11": 203, "c12": 53, "c13": 75, "c14": 9, "c33": 245, "c44": 60}
    other = {"c22": 203, "c66": 75, "c23": 75, "c56": 9, "c33": 245, "c55": 60}
    np.testing.assert_allclose(
        expand("3m", "stiffness", usual), expand("3m", "stiffness", other), rtol=1e-12, atol=1e-11
    )


def test_constants_named_first_decide():
    constants = {"c11": 200.0, "c12": 50.0, "c13": 70.0, "c33": 240.0, "c44": 60.0, "c66": 75.01}
    usual = expand("6mm", "stiffness", constants)
    first = expand("6mm", "stiffness", constants, first=["c66", "c11"])
    assert usual[0, 1] == pytest.approx(50.0, rel=1e-13)
    assert first[0, 1] == pytest.approx(200.0 - 2 * 75.01, rel=1e-13)


def test_missing_constant_is_named():
    with pytest.raises(MaterialError, match="c14") as caught:
        expand("3m", "stiffness", {"c11": 203, "c12": 53, "c13": 75, "c33": 245, "c44": 60})
    assert caught.value.key == "c14"
    with pytest.raises(MaterialError) as caught:
        expand("3m", "stiffness", {"c11": 203, "c66": 75, "c13": 75, "c33": 245, "c44": 60})
    assert caught.value.key == "c14"


def test_a_derived_constant_may_be_rounded_but_not_contradict():
    """AlN: c66 = 235 GPa is printed beside (c11 - c12)/2 = 110 GPa (MPOD 1000161, found)."""
    good = {"c11": 345.0, "c12": 125.0, "c13": 120.0, "c33": 395.0, "c44": 118.0, "c66": 110.0}
    expand("6mm", "stiffness", good)
    expand("6mm", "stiffness", good | {"c66": 110.05})
    with pytest.raises(MaterialError, match="110, which follows from c11, c12") as caught:
        expand("6mm", "stiffness", good | {"c66": 235.0})
    assert caught.value.key == "c66"


def test_a_constant_that_the_class_forbids():
    constants = {"e15": 3.7, "e22": 2.5, "e31": 0.2, "e33": 1.3}
    expand("3m", "piezoelectric", constants | {"e11": 0.0})
    with pytest.raises(MaterialError, match="zero in class 3m") as caught:
        expand("3m", "piezoelectric", constants | {"e11": 0.1})
    assert caught.value.key == "e11"
    with pytest.raises(MaterialError, match="none"):
        expand("m-3m", "piezoelectric", {"e14": 0.1})


def test_an_unknown_constant_names_the_nearest():
    with pytest.raises(MaterialError, match=r"nearest: .*c44"):
        expand("m-3m", "stiffness", {"c11": 1, "c12": 0, "c4 4": 1})


def test_basis_times_constants_is_the_matrix():
    constants = {"c11": 203.0, "c12": 53.0, "c13": 75.0, "c14": 9.0, "c33": 245.0, "c44": 60.0}
    basis = invariant_basis("3m", "stiffness")
    names = independent_constants("3m", "stiffness")
    combined = np.tensordot([constants[name] for name in names], basis, axes=1)
    np.testing.assert_allclose(combined, expand("3m", "stiffness", constants), atol=1e-11)
    assert invariant_basis("m-3m", "piezoelectric").shape == (0, 3, 6)


def test_choice_stops_when_complete_and_skips_dependent_names():
    assert choose("3m", "stiffness", ["c11", "c22", "c66", "c12", "c13"]) == ("c11", "c66", "c13")


def test_allowed_constants_are_the_places_that_do_not_vanish():
    assert set(allowed_constants("3m", "piezoelectric")) == {
        "e15",
        "e16",
        "e21",
        "e22",
        "e24",
        "e31",
        "e32",
        "e33",
    }
    assert allowed_constants("m-3m", "piezoelectric") == ()


def test_components_name_the_places():
    matrix = np.arange(9.0).reshape(3, 3)
    assert components("permittivity", matrix + matrix.T)["eps13"] == 2.0 + 6.0
    assert constant_names("expansion")[3] == "alpha23"


def test_projection_removes_what_is_forbidden():
    matrix = np.zeros((3, 6))
    matrix[0, 0], matrix[2, 2] = 1.0, 2.0
    kept = project("3m", "piezoelectric", matrix)
    assert kept[2, 2] == pytest.approx(2.0)
    assert np.abs(kept[0]).max() < 1e-14
