"""The two axis conventions of quartz, and the warning for a mixed pair."""

import dataclasses

import numpy as np
import pytest

from sawfem.material import load_material
from sawfem.orientation import Orientation
from sawfem.quartz import orientation_warnings

SETS = {"1949": "quartz/bechmann-1958", "1978": "quartz/bechmann-1958-ieee1978"}


def warnings(axes, text):
    return orientation_warnings(load_material(SETS[axes]), Orientation.from_plate(text))


@pytest.mark.parametrize("angle", [35.25, 36, 38, 42.75, -49.2, -52])
def test_right_pairs_are_silent(angle):
    assert warnings("1949", f"(YXl){angle}") == ()
    assert warnings("1978", f"(YXl){-angle}") == ()


@pytest.mark.parametrize("angle", [35.25, 36, 38, 42.75, -49.2, -52])
def test_wrong_pairs_warn_and_say_what_to_write(angle):
    (text,) = warnings("1978", f"(YXl){angle}")
    assert f"write (YXl){-angle:g} with this set" in text
    assert "c14 > 0" in text
    (text,) = warnings("1949", f"(YXl){-angle}")
    assert f"write (YXl){angle:g} with this set" in text
    assert "quartz/bechmann-1958" in text


def test_message_names_the_cut_and_both_conventions():
    (text,) = warnings("1978", "(YXl)42.75")
    assert "ST" in text
    assert "+42.75 deg in the axes of 1949" in text


@pytest.mark.parametrize(
    "text", ["(YXl)0", "(YX)", "(YXl)90", "(YXl)10", "(YXl)-10", "(ZX)", "(XY)"]
)
def test_unrotated_and_other_plates_are_silent(text):
    assert warnings("1949", text) == ()
    assert warnings("1978", text) == ()


def test_directions_within_the_plate_and_the_other_face_count_too():
    for text in ("(YXlt)42.75/25", "(YXl)222.75", "(YXwl)120/42.75"):
        assert warnings("1949", text) == ()
        assert len(warnings("1978", text)) == 1
    table = Orientation.from_euler(0, 132.75, 0)
    assert orientation_warnings(load_material(SETS["1949"]), table) == ()
    assert len(orientation_warnings(load_material(SETS["1978"]), table)) == 1


def test_doubly_rotated_plates_are_silent():
    assert warnings("1978", "(YXwl)22.4/34.3") == ()


def test_the_sign_of_c14_decides_and_not_the_name():
    own = dataclasses.replace(load_material(SETS["1949"]), name="./my-quartz.toml")
    assert orientation_warnings(own, Orientation.from_plate("(YXl)-42.75"))
    assert not orientation_warnings(own, Orientation.from_plate("(YXl)42.75"))


@pytest.mark.parametrize(
    "name", ["langasite/kaminskii-1983", "silica/auld-1973", "lithium-niobate/kovacs-1990"]
)
def test_other_crystals_are_silent(name):
    for angle in (42.75, -42.75):
        plate = Orientation.from_plate(f"(YXl){angle}")
        assert orientation_warnings(load_material(name), plate) == ()


def test_both_sets_describe_one_crystal_up_to_handedness():
    """Turning the axes of 1949 by 180 degrees about Z reverses c14; e keeps its size."""
    old, new = load_material(SETS["1949"]), load_material(SETS["1978"])
    turned = old.rotated(np.diag([-1.0, -1.0, 1.0]))
    fresh = new.rotated(np.eye(3))
    np.testing.assert_allclose(turned.stiffness, fresh.stiffness, atol=1e-3)
    np.testing.assert_allclose(turned.piezoelectric, -fresh.piezoelectric, atol=1e-15)
