"""Plate waves against the Rayleigh-Lamb equations and the shear-horizontal modes of a plate."""

import numpy as np
import pytest
from scipy.optimize import brentq

from sawfem.errors import GeometryError
from sawfem.material import load_material
from sawfem.orientation import Orientation
from sawfem.planewave.follow import locate
from sawfem.planewave.plates import (
    SAGITTAL,
    SHEAR_HORIZONTAL,
    lamb_family,
    plate_waves,
    vacuum,
)

THICKNESS = 1.0e-6


def lamb(omega, longitudinal, shear, *, antisymmetric):
    """Velocities of Lamb waves up to 40 km/s (Lamb 1917; in this form Auld, Acoustic Fields and
    Waves in Solids, 1973, from memory), from sign changes of the secular equation."""

    def secular(v):
        k = omega / v
        p = np.sqrt(complex((omega / longitudinal) ** 2 - k * k))
        q = np.sqrt(complex((omega / shear) ** 2 - k * k))
        a, b = 0.5 * p * THICKNESS, 0.5 * q * THICKNESS
        if antisymmetric:
            value = (q * q - k * k) ** 2 * np.sin(a) * np.cos(b) / p
            value += 4.0 * k * k * q * np.cos(a) * np.sin(b)
        else:
            value = (q * q - k * k) ** 2 * np.cos(a) * np.sin(b) / q
            value += 4.0 * k * k * p * np.sin(a) * np.cos(b)
        return float((value / k**3).real)

    grid = np.linspace(100.0, 40000.0, 20000)
    signs = np.sign([secular(v) for v in grid])
    return [
        brentq(secular, grid[i], grid[i + 1], xtol=1e-9, rtol=1e-14)
        for i in np.flatnonzero(np.diff(signs))
    ]


@pytest.mark.parametrize("frequency", [0.5e9, 2.0e9, 4.0e9])
def test_isotropic_plate(frequency):
    silica = load_material("silica/auld-1973")
    omega = 2.0 * np.pi * frequency
    longitudinal = np.sqrt(silica.stiffness[0, 0] / silica.density)
    shear = np.sqrt(silica.stiffness[3, 3] / silica.density)
    waves = plate_waves([(silica.rotated(np.eye(3)), THICKNESS)], frequency)
    sagittal = sorted(w.velocity_free for w in waves if w.kind == SAGITTAL)
    expected = lamb(omega, longitudinal, shear, antisymmetric=False)
    expected += lamb(omega, longitudinal, shear, antisymmetric=True)
    assert sagittal == pytest.approx(sorted(expected), rel=1e-9)
    # Shear-horizontal: k^2 = (w/c_t)^2 - (n pi/h)^2.
    horizontal = sorted(w.velocity_free for w in waves if w.kind == SHEAR_HORIZONTAL)
    squares = (omega / shear) ** 2 - (np.arange(20) * np.pi / THICKNESS) ** 2
    assert horizontal == pytest.approx(sorted(omega / np.sqrt(squares[squares > 0.0])), rel=1e-9)


def test_piezoelectric_plate_couples_and_metal_slows():
    rotation = Orientation.from_euler(0.0, 90.0, 90.0).rotation
    medium = load_material("lithium-niobate/kovacs-1990").rotated(rotation)
    waves = plate_waves([(medium, 0.5e-6)], 0.5e9)
    coupled = [wave for wave in waves if wave.coupling_k2]
    assert coupled
    assert all(wave.velocity_metallised <= wave.velocity_free * (1 + 1e-9) for wave in coupled)


def test_thick_plate_carries_the_surface_wave_on_each_face():
    """Ten wavelengths: the two slowest Lamb waves run at the Rayleigh velocity, 3411.15 m/s for
    fused silica (Auld 1973; Farnell 1970; from memory, reproduced)."""
    silica = load_material("silica/auld-1973").rotated(np.eye(3))
    waves = plate_waves([(silica, 10e-6)], 3.4e9)
    slowest = [w.velocity_free for w in waves if w.kind == SAGITTAL][:2]
    assert slowest == pytest.approx([3411.15, 3411.15], abs=0.01)


@pytest.mark.parametrize(("layers", "frequency"), [(0, 1e9), (1, 0.0), (1, float("nan"))])
def test_what_is_no_membrane_is_refused(layers, frequency):
    silica = load_material("silica/auld-1973").rotated(np.eye(3))
    with pytest.raises(GeometryError):
        plate_waves([(silica, THICKNESS)] * layers, frequency)


@pytest.mark.parametrize("frequency", [2.0e9, 4.0e9])
def test_families_are_those_of_the_secular_equations(frequency):
    """A and S as the Rayleigh-Lamb equations have them; SH apart."""
    silica = load_material("silica/auld-1973")
    omega = 2.0 * np.pi * frequency
    speeds = (
        np.sqrt(silica.stiffness[0, 0] / silica.density),
        np.sqrt(silica.stiffness[3, 3] / silica.density),
    )
    layers = [(silica.rotated(np.eye(3)), THICKNESS)]
    found = {"A": [], "S": [], "SH": []}
    for wave in plate_waves(layers, frequency):
        located = locate(wave, vacuum(), layers)
        found[lamb_family(located)].append(wave.velocity_free)
    for family, flag in (("A", True), ("S", False)):
        expected = lamb(omega, *speeds, antisymmetric=flag)
        assert found[family] == pytest.approx(expected, rel=1e-9), family
    assert found["SH"]


def test_order_keeps_the_lowest_of_each_kind():
    silica = load_material("silica/auld-1973").rotated(np.eye(3))
    kept = plate_waves([(silica, THICKNESS)], 4.0e9, order=1)
    assert [(wave.kind, wave.order) for wave in kept] == [
        (SAGITTAL, 0),
        (SAGITTAL, 1),
        (SHEAR_HORIZONTAL, 0),
        (SHEAR_HORIZONTAL, 1),
    ]
