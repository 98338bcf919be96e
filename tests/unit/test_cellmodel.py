"""The certified model as an object: region, growth, files, fields, states."""

import h5py
import numpy as np
import pytest

from sawfem.conventions import FIELD
from sawfem.design import Electrode, Stack, UnitCell
from sawfem.errors import InputError
from sawfem.unitcell.certified import CellModel, described
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.greedy import Growth, silent
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.modelfile import load_model, save_model
from sawfem.unitcell.region import Region
from sawfem.unitcell.snapshots import SnapshotBasis
from sawfem.unitcell.states import ElectricalState, terminal_admittance
from sawfem.unitcell.system import BlochSystem, floor_admittance

COARSE = MeshSettings(3, 1, 0.2)
BAND = (0.9e9, 1.0e9)


def two_strips(width="0.4 um"):
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128").with_layer(
        "silica/auld-1973", "1.5 um"
    )
    strips = [
        Electrode("aluminium/kaye-laby", "80 nm", width, centre="0.5 um"),
        Electrode("aluminium/kaye-laby", "80 nm", "0.6 um", centre="1.4 um"),
    ]
    return UnitCell(stack, strips, "2 um")


@pytest.fixture(scope="module")
def cell():
    return two_strips()


@pytest.fixture(scope="module")
def model(cell):
    return CellModel(cell, BAND, (1.5, 3.0), mesh=COARSE, tolerance=1e-6, training=(5, 5))


@pytest.fixture(scope="module")
def full(cell):
    return discretise(cell, COARSE)


def test_a_file_answers_bit_for_bit(model, tmp_path_factory):
    path = save_model(model, tmp_path_factory.mktemp("models") / "cell.h5")
    again = load_model(path)
    assert again.region == model.region
    assert again.snapshots == model.snapshots
    assert again.sha256 == model.sha256
    for point in ((0.91e9, 2.0), (0.99e9, 2.9)):
        ours, theirs = model.answer(*point), again.answer(*point)
        np.testing.assert_array_equal(ours.admittance, theirs.admittance)
        assert ours.bound == theirs.bound
        field = model.field(*point, [1.0, 0.0])
        np.testing.assert_array_equal(field, again.field(*point, [1.0, 0.0]))


def test_a_loaded_model_grows_with_its_own_cell_only(model, cell, tmp_path):
    again = load_model(save_model(model, tmp_path / "cell.h5"))
    with pytest.raises(InputError, match="mesh is not kept"):
        again.extend((0.85e9, 1.0e9))
    with pytest.raises(InputError, match="another cell"):
        again.extend((0.85e9, 1.0e9), cell=two_strips("0.41 um"))
    larger = again.extend((0.88e9, 0.95e9), cell=cell, training=(4, 4))
    assert larger.region.frequencies == (0.88e9, 1.0e9)
    assert larger.order >= again.order
    assert larger.snapshots[: len(again.snapshots)] == again.snapshots
    known = model.answer(0.95e9, 2.0)
    new = larger.answer(0.95e9, 2.0)
    assert np.max(np.abs(new.admittance - known.admittance)) <= known.bound + new.bound


def test_nothing_is_extrapolated_but_the_model_grows(model, full):
    point = (1.02e9, 2.0)
    with pytest.raises(InputError, match="extend"):
        model.answer(*point)
    larger = model.extend((1.0e9, 1.03e9), training=(4, 4))
    answer = larger.answer(*point)
    exact = BlochSystem(full, point[1], floor_admittance(full)).admittance(point[0])
    assert np.max(np.abs(answer.admittance - exact)) <= answer.bound < 1e-5 * np.max(np.abs(exact))
    with pytest.raises(InputError):  # the first model has not changed
        model.answer(*point)


@pytest.mark.parametrize("version", [1, 2])
def test_files_of_earlier_versions_are_read(full, tmp_path, version):
    """Version 1 knew no losses, both no lift of the electrodes: a column was its unknown alone."""
    source = SnapshotBasis(full, 0.95e9, np.zeros((full.size - 2, 2)))
    region = Region(BAND, (1.5, 3.0))
    growth = Growth(source, region, 1e-6, 40, (3, 3), silent)
    old = object.__new__(CellModel)
    old._put(region, growth, (), described(full))
    path = save_model(old, tmp_path / "cell.h5")
    with h5py.File(path, "r+") as file:
        file.attrs["format_version"] = version
        del file["lift"], file["projected/cancelling"]
        if version == 1:
            for name in ("loss", "loss_tests", "loss_names"):
                del file[f"projected/{name}"]
    again = load_model(path)
    for point in ((0.91e9, 2.0), (0.99e9, 2.9)):
        exact = BlochSystem(full, point[1], floor_admittance(full)).admittance(point[0])
        answer = again.answer(*point)
        assert np.max(np.abs(answer.admittance - exact)) <= answer.bound
        np.testing.assert_array_equal(
            old.field(*point, [1.0, 0.0]), again.field(*point, [1.0, 0.0])
        )


@pytest.mark.parametrize("damage", ["not hdf5", "format", "hash", "shape", "missing", "nan"])
def test_damaged_files_are_refused_in_one_line(model, tmp_path, damage):
    path = tmp_path / "cell.h5"
    if damage == "not hdf5":
        path.write_text("nothing of the kind")
    else:
        save_model(model, path)
        with h5py.File(path, "r+") as file:
            if damage == "format":
                file.attrs["format"] = "something else"
            elif damage == "hash":
                file.attrs["sha256"] = "0" * 64
            elif damage == "missing":
                del file["projected/bottom"]
            elif damage == "nan":
                file["projected/mass"][0, 0, 0] = np.nan
            else:
                del file["projected/mass"]
                file["projected/mass"] = np.zeros((3, 4, 4), dtype=complex)
    with pytest.raises(InputError) as caught:
        load_model(path)
    assert "cell.h5" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        load_model(tmp_path / "none.h5")


def test_reciprocity_of_the_matrix(model, full):
    """Y(-gamma) = Y(gamma)^T, the left side by a full solution at -gamma."""
    back = BlochSystem(full, -2.2, floor_admittance(full)).admittance(0.93e9)
    answer = model.answer(0.93e9, 2.2)
    assert np.max(np.abs(back - answer.admittance.T)) <= answer.bound
    np.testing.assert_array_equal(model.admittance(0.93e9, -2.2), answer.admittance.T)


def test_fields_are_those_of_the_full_cell(model, full):
    """The driven field, over all unknowns of the mesh."""
    field = model.field(0.93e9, 2.2, [1.0, 0.5j])
    scaled = np.array([1.0, 0.5j]) / (FIELD * model.period)
    exact = BlochSystem(full, 2.2, floor_admittance(full)).solve(0.93e9, scaled)[:, 0]
    assert np.max(np.abs(field - exact)) < 1e-4 * np.max(np.abs(exact))
    with pytest.raises(InputError):
        model.field(0.93e9, 2.2, [1.0])


def test_a_floating_electrode_takes_the_potential_without_charge(model, full):
    """The Schur complement against a full solution in which the electrode is held there."""
    y = model.admittance(0.93e9, 2.2)
    state = ElectricalState(driven=[0], floating=[1])
    driven = terminal_admittance(y, state)[0, 0]
    assert driven == pytest.approx(1.0 / np.linalg.inv(y)[0, 0], rel=1e-12)


def test_bad_requests():
    for bad in (("1 GHz",), ("1 GHz", "0.9 GHz"), ("1 m", "2 m")):
        with pytest.raises(InputError):
            CellModel(two_strips(), bad, mesh=COARSE)
    with pytest.raises(InputError, match="tolerance"):
        CellModel(two_strips(), BAND, tolerance=0.0, mesh=COARSE)
