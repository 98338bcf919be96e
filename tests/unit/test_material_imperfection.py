"""Losses and uncertainty of material sets: reading, variants, refusals.

The numbers are invented; nothing here is a property of a crystal.
"""

import numpy as np
import pytest

from sawfem.errors import MaterialError
from sawfem.material import load_material, material_variant
from sawfem.planewave.loss import Loss

TEXT = """
crystal = "test crystal"
point_group = "m-3m"
density = 5000
source = "invented for this test"
mark = "unconfirmed"
[stiffness_GPa]
c11 = 120.0
c12 = 50.0
c44 = 60.0
[permittivity_relative]
eps11 = 10.0
"""
MORE = """
[viscosity_Pa_s]
source = "invented"
mark = "unconfirmed"
eta11 = 2.0e-3
eta12 = 0.5e-3
eta44 = 0.7e-3
[loss_tangent]
source = "invented"
mark = "unconfirmed"
value = 0.002
[uncertainty]
source = "invented"
mark = "unconfirmed"
c11 = 0.01
eps11 = 0.03
density = 0.001
"""


@pytest.fixture
def read(tmp_path):
    def reader(text):
        (tmp_path / "own.toml").write_text(text)
        return load_material("./own.toml", base=tmp_path)

    return reader


def test_a_set_carries_them_into_the_device_frame(read):
    material = read(TEXT + MORE)
    assert material.is_lossy
    assert material.deviations() == pytest.approx(
        {"c11": 1.2e9, "eps11": 0.03 * material.permittivity[0, 0], "density": 5.0}
    )
    turn = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    loss = Loss.of(material.rotated(turn))  # a quarter turn of a cubic crystal changes nothing
    assert loss.loss_tangent == 0.002
    eta = np.asarray(loss.viscosity)
    assert eta[0, 0] == pytest.approx(2.0e-3)
    assert eta[0, 1] == pytest.approx(0.5e-3)
    assert eta[3, 3] == pytest.approx(0.7e-3)
    assert "eta44 0.0007" in material.summary()
    assert "c11 1" in material.summary()


def test_a_set_without_them_has_none(read):
    material = read(TEXT)
    assert not material.is_lossy
    assert material.deviations() == {}


def test_a_variant_needs_no_source_of_its_own():
    base = load_material("aluminium/kaye-laby")
    own = material_variant(
        base,
        "film",
        {"viscosity_Pa_s": {"eta11": 1e-3, "eta12": 4e-4}, "uncertainty": {"density": 0.02}},
    )
    assert own.viscosity.matrix[3, 3] == pytest.approx(3e-4)  # (eta11 - eta12)/2, isotropic
    assert own.deviations() == {"density": pytest.approx(0.02 * base.density)}
    glass = material_variant(load_material("silica/auld-1973"), "g", {"loss_tangent": 1e-3})
    assert glass.loss_tangent.value == 1e-3
    assert glass.contents() != load_material("silica/auld-1973").contents()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('source = "invented"\nmark = "unconfirmed"\neta11', "eta11"), "viscosity_Pa_s.source"),
        (("eta44 = 0.7e-3", "eta45 = 0.7e-3"), "eta45"),
        (("eta44 = 0.7e-3", "eta44 = -0.7e-3"), "a loss, no gain"),
        (("eta44 = 0.7e-3", ""), "viscosity_Pa_s"),
        (("value = 0.002", "value = -0.002"), "loss_tangent: found -0.002"),
        (("value = 0.002", ""), "loss_tangent.value"),
        (("c11 = 0.01", "c13 = 0.01"), "uncertainty.c13: found no independent constant"),
        (("c11 = 0.01", "c11 = -0.01"), "uncertainty.c11"),
        (("c11 = 0.01", 'c11 = "1 %"'), "uncertainty.c11"),
    ],
)
def test_what_makes_no_sense_is_refused(read, change, words):
    text = TEXT + MORE.replace(*change, 1)
    assert text != TEXT + MORE
    with pytest.raises(MaterialError, match=words.replace(".", r"\.")):
        read(text)
