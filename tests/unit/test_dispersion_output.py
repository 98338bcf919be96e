"""A dispersion map in a file and as a picture."""

import h5py
import numpy as np
import pytest

from sawfem.errors import InputError
from sawfem.export.dispersion_hdf5 import read_dispersion, write_dispersion
from sawfem.export.hdf5_node import Node
from sawfem.plot.dispersion import draw_dispersion
from sawfem.unitcell.dispersion import DispersionCurve, Doubt
from sawfem.unitcell.dispersionmap import DispersionMap


@pytest.fixture
def found():
    """Two straight lines and a bulk line; numbers of no grating."""
    phases, frequencies = np.linspace(2.5, 3.0, 4), np.linspace(0.8e9, 1.0e9, 5)
    curve = DispersionCurve(
        phases[1:], np.array([0.85, 0.9, 0.95]) * 1e9 + 1e5j, np.ones(3), ("one", "other")
    )
    admittance = np.exp(np.add.outer(phases, 1e-9 * frequencies)) * (1.0 + 0.5j)
    onset = (4000.0, phases, np.linspace(0.8e9, 0.9e9, 4))
    return DispersionMap(
        frequencies,
        phases,
        2e-6,
        admittance,
        1e-6 * np.abs(admittance),
        (curve,),
        (curve, curve),
        (onset,),
        (
            ("short", Doubt(2.5, 0.9e9 + 1e6j, 2e6, "a reason")),
            ("open", Doubt(3.0, None, None, "another")),
        ),
        0.001 * np.abs(admittance),
        2e-5,
    )


def test_everything_comes_back(found, tmp_path):
    with h5py.File(tmp_path / "map.h5", "w") as file:
        write_dispersion(file.create_group("dispersion"), found)
    with h5py.File(tmp_path / "map.h5", "r") as file:
        assert file["dispersion/harmonic_admittance"].attrs["unit"] == "S/m"
        assert file["dispersion/frequency"].attrs["unit"] == "Hz"
        again = read_dispersion(Node(file["dispersion"], "map.h5"))
    assert again.doubts == found.doubts
    assert again.mode_mesh_error == found.mode_mesh_error
    assert again.remarks() == found.remarks()
    assert "1.0e-03" in again.remarks()[0]
    assert len(again.remarks()) == 3
    for name in ("frequencies", "phases", "admittance", "bound", "mesh_error"):
        np.testing.assert_array_equal(getattr(again, name), getattr(found, name))
    assert again.period == found.period
    assert [len(again.short), len(again.open), len(again.onsets)] == [1, 2, 1]
    np.testing.assert_array_equal(again.short[0].frequencies, found.short[0].frequencies)
    assert again.short[0].ends == ("one", "other")
    assert again.onsets[0][0] == 4000.0


def test_a_damaged_map_is_refused(found, tmp_path):
    with h5py.File(tmp_path / "map.h5", "w") as file:
        write_dispersion(file.create_group("dispersion"), found)
        del file["dispersion/short/0/frequency"]
        with pytest.raises(InputError, match=r"map\.h5"):
            read_dispersion(Node(file["dispersion"], "map.h5"))


def test_picture_has_curves_lines_and_labels(found):
    figure = draw_dispersion(found)
    axes = figure.axes[0]
    assert "MHz" in axes.get_ylabel()
    assert "γ/π" in axes.get_xlabel()
    assert len(axes.lines) == 6
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert len(labels) == 5
    assert "S/m" in figure.axes[1].get_ylabel()
