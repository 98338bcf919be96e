"""The search of cuts: the wish, symmetry, tolerances."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.errors import InputError, MaterialError
from sawfem.material import load_material
from sawfem.planewave.batch import rotations_of_euler
from sawfem.planewave.batch_table import wave_table
from sawfem.planewave.cut_family import (
    images,
    normals,
    same_constants,
    simplest,
    tolerances,
    turn_between,
)
from sawfem.planewave.cutsearch import Wish, search_cuts

NIOBATE = load_material("lithium-niobate/kovacs-1990")
Y_CUTS = ((0.0, 0.0), (0.0, 180.0), (0.0, 0.0))


@pytest.mark.parametrize("name", ["lithium-niobate/kovacs-1990", "quartz/bechmann-1958"])
def test_images_carry_the_same_waves(name: str) -> None:
    material = load_material(name)
    rotation = rotations_of_euler(np.array([[17.0, 55.0, 33.0]]))[0]
    found = images(rotation, material)
    assert len(found) >= 24
    np.testing.assert_allclose(np.linalg.det(found), 1.0)
    table = wave_table(material, found)
    np.testing.assert_allclose(table.velocity_free[:, 0], table.velocity_free[0, 0], rtol=1e-12)
    np.testing.assert_allclose(
        np.abs(table.power_flow_angle[:, 0]), abs(table.power_flow_angle[0, 0]), atol=1e-5
    )
    for image in found:
        assert same_constants(material, rotation, image, 1e-9)
    other = rotations_of_euler(np.array([[17.0, 57.0, 33.0]]))[0]
    assert not same_constants(material, rotation, other, 5e-3)


def test_the_simplest_angles() -> None:
    rotation = rotations_of_euler(np.array([[120.0, -142.0, 180.0]]))[0]
    assert simplest(rotation, NIOBATE) == (0.0, 38.0, 0.0)


def test_angle_between_rotations() -> None:
    rotations = rotations_of_euler(np.array([[0.0, 10.0, 0.0], [0.0, 35.0, 0.0]]))
    np.testing.assert_allclose(
        turn_between(rotations, rotations), [[0.0, 25.0], [25.0, 0.0]], atol=1e-5
    )


def test_normals_leave_one_of_each() -> None:
    """Together with their images the chosen normals cover the sphere; the class -3m has twelve."""
    chosen = normals(NIOBATE, 10.0)
    sphere = 4.0 * 180.0**2 / np.pi / 10.0**2
    assert len(chosen) == pytest.approx(sphere / 12.0, rel=0.4)
    angles = np.column_stack([chosen, np.zeros(len(chosen))])
    covered = np.concatenate([images(r, NIOBATE)[:, 2] for r in rotations_of_euler(angles)])
    random = np.random.default_rng(0).standard_normal((400, 3))
    random /= np.linalg.norm(random, axis=1, keepdims=True)
    nearest = np.degrees(np.arccos(np.clip((random @ covered.T).max(axis=1), -1.0, 1.0)))
    assert nearest.max() < 10.0


def test_tolerances_are_what_they_say() -> None:
    """At the told angle the velocity is off by the told error."""
    reach = tolerances(NIOBATE, (0.0, 38.0, 5.0), metallised=False, error=1e-4)
    for axis in range(3):
        for side, degrees in zip((-1.0, 1.0), reach[axis], strict=True):
            angles = np.array([[0.0, 38.0, 5.0]] * 2)
            angles[1, axis] += side * degrees
            v = wave_table(NIOBATE, rotations_of_euler(angles)).velocity_free[:, 0]
            assert abs(v[1] / v[0] - 1.0) == pytest.approx(1e-4, rel=2e-2)


def test_a_search_of_rotated_y_cuts() -> None:
    """The refined cut is the best of a fine scan."""
    (best, *_) = search_cuts(NIOBATE, Wish(coupling_above=0.03), ranges=Y_CUTS, step=6.0)
    mu = np.linspace(38.0, 39.5, 151)
    scan = np.column_stack([np.zeros_like(mu), mu, np.zeros_like(mu)])
    coupling = wave_table(NIOBATE, rotations_of_euler(scan)).coupling_k2[:, 0]
    assert best.meets
    assert best.euler[1] == pytest.approx(mu[int(np.argmax(coupling))], abs=0.02)
    assert best.coupling_k2 == pytest.approx(coupling.max(), abs=1e-8)
    assert best.plate.startswith("(YXl)128")
    assert best.tolerance is not None


def test_a_wish_that_binds_is_kept() -> None:
    wish = Wish(velocity_below=3700.0)
    (best, *_) = search_cuts(NIOBATE, wish, ranges=Y_CUTS, step=5.0)
    assert best.meets
    assert best.velocity_free <= 3700.0 * (1.0 + 1e-4)
    assert best.coupling_k2 < 0.054


def test_what_no_cut_gives_is_said() -> None:
    families = search_cuts(NIOBATE, Wish(coupling_above=0.5), ranges=Y_CUTS, step=10.0, count=2)
    assert families
    assert not any(family.meets for family in families)
    assert families[0].short > 0.5


def test_leaky_cut() -> None:
    """36 to 40 deg Y-X lithium tantalate hardly leaks (Nakamura et al. 1977, mem+rep)."""
    material = load_material("lithium-tantalate/smith-welsh-1971")
    wish = Wish(leakage_below=0.01, coupling_above=0.03)
    found = search_cuts(
        material, wish, ranges=((0.0, 0.0), (-55.0, -53.0), (0.0, 0.0)), step=2.0, count=1
    )
    assert found[0].meets
    assert 4100.0 < found[0].velocity_metallised < found[0].velocity_free < 4220.0
    assert found[0].tolerance is None


def test_unusable_searches() -> None:
    with pytest.raises(InputError, match="best"):
        Wish(best="strongest")
    with pytest.raises(InputError, match="coupling_above"):
        Wish(coupling_above=-0.1)
    with pytest.raises(InputError, match="step"):
        search_cuts(NIOBATE, Wish(), step=0.0)
    with pytest.raises(InputError, match="count"):
        search_cuts(NIOBATE, Wish(), ranges=Y_CUTS, count=0)
    with pytest.raises(InputError, match="three pairs"):
        search_cuts(NIOBATE, Wish(), ranges=((0.0, 0.0), (5.0, 0.0), (0.0, 0.0)))
    with pytest.raises(InputError, match="leaky waves"):
        search_cuts(NIOBATE, Wish(leakage_below=0.1))
    with pytest.raises(MaterialError, match="no coefficients"):
        search_cuts(NIOBATE, Wish(drift_below=1e-6), ranges=Y_CUTS)
