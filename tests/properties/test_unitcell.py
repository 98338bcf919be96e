"""Invariants of the unit cell over random crystals, orientations, electrodes and phases."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.material import Material, load_material
from sawfem.orientation import Orientation
from sawfem.tensors import (
    piezoelectric_matrix,
    piezoelectric_tensor,
    rotate,
    stiffness_matrix,
    stiffness_tensor,
)
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.system import BlochSystem, floor_admittance

COARSE = MeshSettings(2, 1, 0.25)
PITCH = 1.0e-6
SOME = settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)

crystals = st.sampled_from(
    [
        "lithium-niobate/kovacs-1990",
        "lithium-tantalate/smith-welsh-1971",
        "quartz/bechmann-1958",
        "langasite/bungo-1999",
        "gallium-arsenide/auld-1973",
        "zinc-oxide/bateman-1962",
    ]
)
angles = st.tuples(*[st.floats(-180.0, 180.0)] * 3)
ratios = st.floats(0.2, 0.8)
heights = st.floats(0.01, 0.2)
shares = st.floats(0.2, 1.6)
phases = st.floats(0.15 * np.pi, np.pi)


def triclinic(material: Material, rotation: np.ndarray) -> Material:
    """The same crystal described in turned axes: a set of class 1."""
    return replace(
        material,
        point_group="1",
        stiffness=stiffness_matrix(rotate(stiffness_tensor(material.stiffness), rotation)),
        piezoelectric=piezoelectric_matrix(
            rotate(piezoelectric_tensor(material.piezoelectric), rotation)
        ),
        permittivity=rotate(material.permittivity, rotation),
    )


def admittance(
    stack: Stack, ratio: float, height: float, share: float, phase: float, scale: float = 1.0
) -> complex:
    """Y(f, gamma) at ``share`` of a frequency near the shear waves' stop band."""
    pitch = scale * PITCH
    cell = UnitCell.grating(
        stack,
        "aluminium/kaye-laby",
        pitch=pitch,
        thickness=height * pitch,
        metallisation_ratio=ratio,
    )
    discretisation = discretise(cell, COARSE)
    system = BlochSystem(discretisation, phase, floor_admittance(discretisation))
    return complex(system.admittance(share * 3500.0 / (2.0 * pitch))[0, 0])


@SOME
@given(crystals, angles, ratios, heights, shares, phases)
def test_passive_and_even_in_the_phase(crystal, euler, ratio, height, share, phase):
    """Re Y >= 0; with one electrode a period Y(f, gamma) = Y(f, -gamma) on every cut."""
    stack = Stack(crystal, euler=euler)
    forward = admittance(stack, ratio, height, share, phase)
    backward = admittance(stack, ratio, height, share, -phase)
    assert forward.real >= -1e-9 * abs(forward)
    assert abs(forward - backward) < 1e-7 * abs(forward)


@SOME
@given(crystals, angles, ratios, heights, shares, phases, st.floats(0.2, 5.0))
def test_scaling_the_cell_scales_the_frequency(crystal, euler, ratio, height, share, phase, factor):
    """p -> a p with f -> f/a: the charge per potential and aperture stays, so Y -> Y/a."""
    stack = Stack(crystal, euler=euler)
    one = admittance(stack, ratio, height, share, phase)
    other = admittance(stack, ratio, height, share, phase, factor)
    assert abs(other * factor - one) < 1e-8 * abs(one)


@SOME
@given(crystals, angles, angles, shares, phases)
def test_turning_crystal_and_frame_together_changes_nothing(crystal, euler, turn, share, phase):
    material = load_material(crystal)
    rotation = Orientation.from_euler(*turn).rotation
    cut = Orientation.from_euler(*euler).rotation
    turned = Stack(triclinic(material, rotation), orientation=Orientation(cut @ rotation.T))
    one = admittance(Stack(material, euler=euler), 0.5, 0.05, share, phase)
    other = admittance(turned, 0.5, 0.05, share, phase)
    assert abs(other - one) < 1e-7 * abs(one)


@SOME
@given(crystals, angles, shares, phases)
def test_electrode_matrix_is_reciprocal(crystal, euler, share, phase):
    """Two unlike electrodes a period: Y(f, -gamma) = Y(f, gamma)^T, and Hermitian part >= 0."""
    electrodes = [
        Electrode("aluminium/kaye-laby", "40 nm", "0.2 um", centre="0.25 um"),
        Electrode("aluminium/kaye-laby", "40 nm", "0.35 um", centre="0.7 um"),
    ]
    cell = UnitCell(Stack(crystal, euler=euler), electrodes, PITCH)
    discretisation = discretise(cell, COARSE)
    floor = floor_admittance(discretisation)
    frequency = share * 3500.0 / (2.0 * PITCH)
    forward = BlochSystem(discretisation, phase, floor).admittance(frequency)
    backward = BlochSystem(discretisation, -phase, floor).admittance(frequency)
    size = np.linalg.norm(forward)
    assert np.linalg.norm(backward - forward.T) < 1e-7 * size
    assert np.min(np.linalg.eigvalsh(forward + forward.conj().T)) > -1e-7 * size


@pytest.mark.parametrize("phase", [0.0, 1e-4, 1e-2])
def test_long_waves_carry_no_current(phase):
    """With all electrodes on one potential nothing closes the circuit: Y -> 0 with gamma."""
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    value = abs(admittance(stack, 0.5, 0.05, 0.3, phase))
    reference = abs(admittance(stack, 0.5, 0.05, 0.3, np.pi))
    assert value < 3.0 * max(phase, 1e-6) * reference
