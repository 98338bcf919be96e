"""Stacks, electrodes and cells: what may exist, and how a mistake is told."""

import numpy as np
import pytest

from sawfem.design import Electrode, Layer, Stack, UnitCell
from sawfem.errors import GeometryError, UnitError
from sawfem.material import load_material
from sawfem.orientation import Orientation


@pytest.fixture
def stack():
    return Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0])


def test_lengths_are_taken_as_text_or_metres(stack):
    a = Electrode("aluminium/kaye-laby", "89 nm", "1.114 um")
    b = Electrode("aluminium/kaye-laby", 89e-9, 1.114e-6)
    assert (a.thickness, a.width) == (b.thickness, b.width)


def test_media_are_turned_into_device_axes(stack):
    substrate, layers = stack.with_layer("silica/auld-1973", "0.2 um").media()
    assert substrate.density == pytest.approx(2651.0)
    assert layers[0][1] == pytest.approx(0.2e-6)
    # Along x1 = X the rotated Y-cut keeps c11 of the crystal.
    crystal = load_material("quartz/bechmann-1958")
    assert substrate.stiffness[0, 0, 0, 0] == pytest.approx(crystal.stiffness[0, 0])


def test_plate_notation_and_euler_angles_give_the_same_stack():
    a = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128").media()[0]
    b = Stack("lithium-niobate/kovacs-1990", euler=[0.0, 38.0, 0.0]).media()[0]
    assert np.allclose(a.stiffness, b.stiffness, rtol=1e-12, atol=1.0)


@pytest.mark.parametrize(
    ("build", "error", "words"),
    [
        (lambda s: Stack("aluminium/kaye-laby"), GeometryError, "conductor"),
        (lambda s: Stack("quartz/bechmann-1958", euler=[0, 0]), GeometryError, "three angles"),
        (
            lambda s: Stack("quartz/bechmann-1958", euler=[0, 0, 0], cut="(YXl)0"),
            GeometryError,
            "not both",
        ),
        (
            lambda s: s.with_layer("gold/kaye-laby", "10 nm", potential="live"),
            GeometryError,
            "floating",
        ),
        (lambda s: s.shorted(3), GeometryError, "interface 3"),
        (lambda s: s.with_layer("silica/auld-1973", "0 nm"), UnitError, "layer.thickness"),
        (lambda s: s.with_layer("silica/auld-1973", float("nan")), UnitError, "layer.thickness"),
        (lambda s: Electrode("aluminium/kaye-laby", "-1 nm", "1 um"), UnitError, "thickness"),
        (lambda s: Electrode("silica/auld-1973", "10 nm", "1 um"), GeometryError, "a dielectric"),
        (
            lambda s: Electrode("aluminium/kaye-laby", "1 um", "1 um", sidewall_angle=45.0),
            GeometryError,
            "side walls meet",
        ),
        (
            lambda s: UnitCell.grating(
                s, "aluminium/kaye-laby", pitch="1 um", thickness="10 nm", metallisation_ratio=1.0
            ),
            GeometryError,
            "between 0 and 1",
        ),
        (
            lambda s: UnitCell(s, [Electrode("aluminium/kaye-laby", "10 nm", "2 um")], "1 um"),
            GeometryError,
            "neither touch nor leave",
        ),
        (lambda s: UnitCell(s, [], "1 um"), GeometryError, "at least one electrode"),
    ],
)
def test_what_cannot_exist_is_refused(stack, build, error, words):
    with pytest.raises(error, match=words):
        build(stack)


def test_layers_of_no_thickness_are_refused():
    silica = load_material("silica/auld-1973")
    with pytest.raises(GeometryError, match="above zero"):
        Layer(silica, Orientation.from_euler(0.0, 0.0, 0.0), 0.0)


def test_a_stack_prints_what_it_is(stack):
    text = str(stack.with_layer("silica/auld-1973", "0.2 um"))
    assert "quartz/bechmann-1958" in text
    assert "200 nm" in text or "0.2 um" in text
