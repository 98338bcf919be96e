"""Euler angles and plate notation."""

import numpy as np
import pytest

from sawfem.errors import OrientationError
from sawfem.orientation import Orientation

# Cuts of the trade and their Euler angles, as SAW tables list them (Slobodnik, Conway, Delmonico,
# Microwave Acoustics Handbook 1A, 1973; IEEE Std 176-1987; from memory).
SAME = [
    ("(YXl)128", (0, 38, 0)),
    ("(YXl)36", (0, -54, 0)),
    ("(YXl)41", (0, -49, 0)),
    ("(YXl)64", (0, -26, 0)),
    ("(XYt)112.2", (90, 90, 112.2)),
    ("(ZXt)45", (0, 0, 45)),
    ("(ZX)", (0, 0, 0)),
    ("(YX)", (0, -90, 0)),
    ("(YXlt)42/10", (0, -48, 10)),
    ("(YXwl)22.4/33.9", (22.4, -56.1, 0)),
    ("(YZl)180", (0, 90, 90)),
    ("(YXl)222.75", (0, 132.75, 0)),
]


@pytest.mark.parametrize(("text", "angles"), SAME)
def test_plate_and_euler_name_the_same_axes(text, angles):
    plate, euler = Orientation.from_plate(text), Orientation.from_euler(*angles)
    np.testing.assert_allclose(plate.rotation, euler.rotation, atol=1e-14)
    assert plate.euler == pytest.approx(angles, abs=1e-9)
    if text.count("w") == 0:
        assert euler.plate == text


def test_rotation_is_the_product_of_three_turns():
    """R = Rz(theta) Rx(mu) Rz(lambda), written out (sawfem.conventions)."""
    a, b, c = np.radians([10.0, 25.0, -40.0])
    ca, sa, cb, sb, cc, sc = np.cos(a), np.sin(a), np.cos(b), np.sin(b), np.cos(c), np.sin(c)
    expected = [
        [cc * ca - sc * cb * sa, cc * sa + sc * cb * ca, sc * sb],
        [-sc * ca - cc * cb * sa, -sc * sa + cc * cb * ca, cc * sb],
        [sb * sa, -sb * ca, cb],
    ]
    orientation = Orientation.from_euler(10.0, 25.0, -40.0)
    np.testing.assert_allclose(orientation.rotation, expected, atol=1e-15)


def test_rotated_y_cut_turns_y_towards_z():
    """AT plate of IEEE Std 176: (YXl)35.25 has its normal between +Y and +Z, its length on X."""
    plate = Orientation.from_plate("(YXl)35.25")
    angle = np.radians(35.25)
    np.testing.assert_allclose(plate.normal, [0, np.cos(angle), np.sin(angle)], atol=1e-15)
    np.testing.assert_array_equal(plate.propagation, [1, 0, 0])


def test_faces_that_tables_list_with_the_other_outward_side():
    """YZ lithium niobate and ST quartz: table and plate text differ by the outward side."""
    plate, table = Orientation.from_plate("(YZ)"), Orientation.from_euler(0, 90, 90)
    np.testing.assert_array_equal(plate.propagation, [0, 0, 1])
    np.testing.assert_array_equal(plate.normal, [0, 1, 0])
    np.testing.assert_array_equal(table.propagation, [0, 0, 1])
    np.testing.assert_array_equal(table.normal, [0, -1, 0])
    assert Orientation.from_plate("(YZw)0") == plate
    plate, table = Orientation.from_plate("(YXl)42.75"), Orientation.from_euler(0, 132.75, 0)
    np.testing.assert_allclose(plate.normal, -table.normal, atol=1e-15)
    np.testing.assert_array_equal(plate.propagation, table.propagation)


def test_a_two_fold_axis_x_makes_both_sides_of_st_quartz_equal():
    from sawfem.material import load_material

    quartz = load_material("quartz/bechmann-1958")
    plate = quartz.rotated(Orientation.from_plate("(YXl)42.75").rotation)
    table = quartz.rotated(Orientation.from_euler(0, 132.75, 0).rotation)
    np.testing.assert_allclose(plate.stiffness, table.stiffness, atol=1e-3)
    np.testing.assert_allclose(plate.piezoelectric, table.piezoelectric, atol=1e-15)


def test_second_rotation_is_about_the_edge_that_the_plate_carries():
    """GT plate (YXlt)51/45 of IEEE Std 176: the length turns within the rotated plate."""
    plate = Orientation.from_plate("(YXlt)51/45")
    normal = np.array([0, np.cos(np.radians(51)), np.sin(np.radians(51))])
    np.testing.assert_allclose(plate.normal, normal, atol=1e-15)
    across = np.cross(normal, [1, 0, 0])
    np.testing.assert_allclose(
        plate.propagation, (np.array([1, 0, 0]) + across) / np.sqrt(2), atol=1e-15
    )


def test_width_rotation_is_about_the_positive_crystal_axis():
    plate = Orientation.from_plate("(YXw)30")
    c, s = np.cos(np.radians(30)), np.sin(np.radians(30))
    np.testing.assert_allclose(plate.propagation, [c, s, 0], atol=1e-15)
    np.testing.assert_allclose(plate.normal, [-s, c, 0], atol=1e-15)


@pytest.mark.parametrize(
    "text",
    [
        "(YXl)42.5",
        " ( Y X l ) 42.5 ",
        "(yxl)+42.5",
        "(YXl)42.5°",
        "(YXl)42.5 deg",
        "(YXl)42°30'",
        "(YXl)42° 30\u2032",
    ],
)
def test_spellings_of_one_plate(text):
    assert Orientation.from_plate(text).plate == "(YXl)42.5"


def test_unicode_minus_and_numbers_apart():
    assert Orientation.from_plate("(YXl)\u221242.75").plate == "(YXl)-42.75"
    apart = Orientation.from_plate("(YXlt)", rotations=[42, 10])
    assert apart == Orientation.from_plate("(YXlt)42/10")
    assert apart.plate == "(YXlt)42/10"
    assert hash(apart) == hash(Orientation.from_plate("(YXlt)42/10"))


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "for example"),
        ("YXl 128", r'found "YXl 128"; expected plate notation.*for example "\(YXl\)128"'),
        ("128 YX", "plate notation"),
        ("(ABl)3", "plate notation"),
        ("(YXs)3", "plate notation"),
        ("(YX", "plate notation"),
        ("(YYl)1", "Y for both thickness and length"),
        ("(YXlt)42", "1 angles for 2 rotation edges"),
        ("(YXl)1/2", "2 angles for 1 rotation edges"),
        ("(YXl)", "0 angles for 1 rotation edges"),
        ("(YX)3", "1 angles for 0 rotation edges"),
        ("(YXlwtl)1/2/3/4", "at most three"),
        ("(YXl)x", 'the angle "x"'),
        ("(YXl)nan", 'the angle "nan"'),
        ("(YXl)1e2", 'the angle "1e2"'),
        ("(YXl)42/", 'the angle ""'),
        ("(YXl)400", "between -360 and 360"),
        ("(YXl)" + "1" * 5000, "plate notation"),
    ],
)
def test_bad_plate_texts(text, match):
    with pytest.raises(OrientationError, match=match) as caught:
        Orientation.from_plate(text)
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize("rotations", [[1, 2], [float("nan")], [True], ["42"], [1e9]])
def test_bad_rotations(rotations):
    with pytest.raises(OrientationError):
        Orientation.from_plate("(YXl)", rotations=rotations)


def test_angles_in_text_and_apart():
    with pytest.raises(OrientationError, match="only one of the two"):
        Orientation.from_plate("(YXl)42", rotations=[42])


@pytest.mark.parametrize("angle", [float("nan"), float("inf"), True, "3", 1e3, None])
def test_bad_euler_angles(angle):
    with pytest.raises(OrientationError, match="between -360 and 360"):
        Orientation.from_euler(0, angle, 0)


@pytest.mark.parametrize(
    "matrix", [np.diag([1, 1, -1]), 2 * np.eye(3), np.eye(2), np.full((3, 3), np.nan)]
)
def test_matrices_that_are_no_rotation(matrix):
    with pytest.raises(OrientationError, match="right-handed"):
        Orientation(matrix)


@pytest.mark.parametrize(
    ("given", "canonical"),
    [
        ((30, 0, 15), (0, 0, 45)),
        ((30, 180, 15), (0, 180, -15)),
        ((30, 360, 15), (0, 0, 45)),
        ((180, 90, 90), (0, -90, -90)),
        ((120, 132.75, 0), (-60, -132.75, 180)),
    ],
)
def test_ambiguous_euler_angles_have_one_canonical_form(given, canonical):
    orientation = Orientation.from_euler(*given)
    assert orientation.euler == given
    again = Orientation(orientation.rotation)
    assert again.euler == pytest.approx(canonical, abs=1e-9)
    np.testing.assert_allclose(
        Orientation.from_euler(*again.euler).rotation, orientation.rotation, atol=1e-12
    )


def test_right_angles_are_exact():
    for angle in (-270, -180, -90, 0, 90, 180, 270, 360):
        matrix = Orientation.from_euler(angle, angle, angle).rotation
        assert set(np.unique(matrix)) <= {-1.0, 0.0, 1.0}


def test_orientation_prints_both_names():
    assert str(Orientation.from_euler(0, 38, 0)) == "(YXl)128 = Euler (0, 38, 0) deg"
    assert repr(Orientation.from_plate("(YZ)")) == "<Orientation (YZ) = Euler (0, -90, -90) deg>"
    assert str(Orientation.from_euler(10, 20, 30)).startswith("(YXwlt)10/110/30 = ")


def test_orientation_cannot_be_changed():
    orientation = Orientation.from_euler(0, 38, 0)
    with pytest.raises(ValueError, match="read-only"):
        orientation.rotation[0, 0] = 2.0
    with pytest.raises(AttributeError):
        orientation.rotation = np.eye(3)
    assert orientation != "(YXl)128"
