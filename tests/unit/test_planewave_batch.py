"""Many orientations at once: the same waves as one cut at a time, none missed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from sawfem.material import Material, load_material
from sawfem.orientation import Orientation
from sawfem.planewave import batch_table, batch_waves, surface_waves
from sawfem.planewave.batch import TensorBatch, least_of_three, rotations_of_euler
from sawfem.planewave.batch_table import wave_row, wave_table
from sawfem.planewave.generalised import GeneralisedTensor, generalised_tensor, turn_about_normal
from sawfem.planewave.limiting import bulk_onsets

CRYSTALS = (
    "lithium-niobate/kovacs-1990",
    "quartz/bechmann-1958",
    "langasite/kaminskii-1983",
    "bismuth-germanium-oxide/kraut-1970",
)


def orientations(count: int, seed: int) -> np.ndarray:
    """Euler angles, (count, 3): a third of them in planes and along axes of symmetry."""
    random = np.random.default_rng(seed)
    angles = random.uniform(-180.0, 180.0, (count, 3))
    angles[::6] = 15.0 * random.integers(-12, 12, angles[::6].shape)
    angles[1::6, 0] = 0.0
    angles[1::12, 2] = 0.0
    return angles


def test_rotations_are_those_of_single_orientations() -> None:
    angles = orientations(120, 1)
    expected = [Orientation.from_euler(*row).rotation for row in angles]
    np.testing.assert_allclose(rotations_of_euler(angles), expected, atol=1e-15, rtol=0.0)


def test_least_eigenvalue_in_closed_form() -> None:
    random = np.random.default_rng(2)
    matrix = random.standard_normal((200, 3, 3))
    matrix = matrix + np.swapaxes(matrix, 1, 2)
    expected = np.linalg.eigvalsh(matrix)[:, 0]
    np.testing.assert_allclose(least_of_three(matrix), expected, rtol=1e-7, atol=1e-7)
    assert least_of_three(3.0 * np.eye(3)) == pytest.approx(3.0)


def test_blocks_and_their_turn() -> None:
    """The blocks are those of single media, their derivative that of a turned tensor."""
    material = load_material("lithium-niobate/kovacs-1990")
    rotations = rotations_of_euler(orientations(8, 3))
    batch = TensorBatch.of(material, rotations)
    for index, rotation in enumerate(rotations):
        tensor = generalised_tensor(material.rotated(rotation))
        single = GeneralisedTensor.from_tensor(tensor, batch.density)
        np.testing.assert_allclose(batch.g33[index], single.g33, atol=1e-14)
        np.testing.assert_allclose(batch.g31[index], single.g31, atol=1e-14)
        np.testing.assert_allclose(batch.g11[index], single.g11, atol=1e-14)
        step = 1e-5
        for name, part in (("turn33", (2, 2)), ("turn31", (2, 0)), ("turn11", (0, 0))):
            ahead, behind = (
                turn_about_normal(tensor, turn)[part[0], :, :, part[1]] for turn in (step, -step)
            )
            slope = (ahead - behind) / (2.0 * step)
            np.testing.assert_allclose(getattr(batch, name)[index], slope, atol=1e-8)


@pytest.mark.parametrize("name", CRYSTALS)
def test_limiting_velocities(name: str) -> None:
    material = load_material(name)
    rotations = rotations_of_euler(orientations(60, 4))
    limits = TensorBatch.of(material, rotations).limits()
    for rotation, limit in zip(rotations, limits, strict=True):
        single = GeneralisedTensor.from_medium(material.rotated(rotation))
        assert limit == pytest.approx(bulk_onsets(single)[0], rel=1e-12)


def compare(material: Material, angles: np.ndarray) -> int:
    """Assert the batch's waves equal those of single cuts; how many orientations have two."""
    table = wave_table(material, rotations_of_euler(angles))
    several = 0
    for index, rotation in enumerate(rotations_of_euler(angles)):
        waves = surface_waves(material.rotated(rotation))
        assert table.count[index] == len(waves), angles[index]
        several += len(waves) > 1
        for slot, wave in enumerate(waves):
            expected = np.array(wave_row(wave))
            found = np.array(
                [
                    table.velocity_free[index, slot],
                    table.velocity_metallised[index, slot],
                    table.coupling_k2[index, slot],
                    table.power_flow_angle[index, slot],
                    table.shear_horizontal[index, slot],
                ]
            )
            assert np.array_equal(np.isnan(found), np.isnan(expected)), angles[index]
            np.testing.assert_allclose(found[:2], expected[:2], rtol=1e-9)
            np.testing.assert_allclose(found[2], expected[2], atol=2e-9)
            np.testing.assert_allclose(found[3], expected[3], atol=1e-3)
            np.testing.assert_allclose(found[4], expected[4], atol=1e-5)
    return several


@pytest.mark.parametrize("name", CRYSTALS)
def test_the_same_waves_as_single_cuts(name: str) -> None:
    compare(load_material(name), orientations(150, 5))


def test_two_waves_where_there_are_two() -> None:
    """6mm with c in the surface across the propagation: a Rayleigh and a Bleustein-Gulyaev wave.

    Bleustein, Appl. Phys. Lett. 13, 412 (1968); closed form of the second:
    v^2 = (c44*/rho) (1 - (K^2 / (1 + eps_r))^2) free and (1 - K^4) metallised, K^2 = e15^2 /
    (c44* eps11), c44* = c44 + e15^2 / eps11.
    """
    material = load_material("zinc-oxide/kobyakov-1980")
    assert compare(material, np.array([[0.0, 90.0, 0.0], [30.0, 90.0, 0.0]])) == 2
    table = wave_table(material, rotations_of_euler(np.array([[0.0, 90.0, 0.0]])))
    e15, eps11 = material.piezoelectric[0, 4], material.permittivity[0, 0]
    stiffened = material.stiffness[3, 3] + e15**2 / eps11
    k2 = e15**2 / (stiffened * eps11)
    bulk = np.sqrt(stiffened / material.density)
    free = bulk * np.sqrt(1.0 - (k2 / (1.0 + eps11 / 8.8541878128e-12)) ** 2)
    slot = table.select(("bleustein-gulyaev",))
    assert slot[0] >= 0
    assert table.picked("velocity_free", slot)[0] == pytest.approx(free, rel=1e-10)
    assert table.picked("velocity_metallised", slot)[0] == pytest.approx(
        bulk * np.sqrt(1.0 - k2**2), rel=1e-10
    )
    rayleigh = table.select(("rayleigh",))
    assert rayleigh[0] != slot[0]
    assert table.select(order="slowest")[0] == 0


def test_isotropic_solid_by_rayleighs_equation() -> None:
    """(2 - x)^2 = 4 sqrt(1 - x) sqrt(1 - x vs^2/vl^2), x = v^2/vs^2 (Rayleigh 1885)."""
    material = load_material("silica/auld-1973")
    shear = np.sqrt(material.stiffness[3, 3] / material.density)
    ratio = material.stiffness[3, 3] / material.stiffness[0, 0]
    x = brentq(
        lambda x: (2 - x) ** 2 - 4 * np.sqrt(1 - x) * np.sqrt(1 - x * ratio), 0.1, 0.99, xtol=1e-15
    )
    table = wave_table(material, rotations_of_euler(orientations(20, 6)))
    assert np.all(table.count == 1)
    np.testing.assert_allclose(table.velocity_free[:, 0], shear * np.sqrt(x), rtol=1e-11)


def test_doubtful_orientations_go_to_the_single_solver(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where coinciding partial waves leave a doubt, the answers come from single cuts."""
    asked: list[np.ndarray] = []
    single = batch_table._one_by_one

    def counted(material: Material, rotation: np.ndarray) -> np.ndarray:
        asked.append(rotation)
        return single(material, rotation)

    monkeypatch.setattr(batch_table, "_one_by_one", counted)
    material = load_material("quartz/bechmann-1958")
    random = orientations(300, 7)[2::6]
    wave_table(material, rotations_of_euler(random))
    assert not asked  # random directions need none of it
    monkeypatch.setattr(batch_waves, "COINCIDING", 0.0)
    compare(material, random[:5])
    assert len(asked) == 5


def test_a_choice_of_no_wave() -> None:
    """Where no wave is of the kind, the slot is -1 and its values are NaN."""
    table = wave_table(
        load_material("quartz/bechmann-1958"), rotations_of_euler(np.array([[5.0, 40.0, 20.0]]))
    )
    slot = table.select(("bleustein-gulyaev",))
    assert slot[0] == -1
    assert np.isnan(table.picked("velocity_free", slot)[0])
