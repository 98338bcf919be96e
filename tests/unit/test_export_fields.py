"""Field files: what meshio reads back is what was computed, in the units that units.txt states."""

from dataclasses import replace

import meshio
import numpy as np
import pytest

from sawfem.export import open_result, save_result
from sawfem.export.field_files import FRAMES
from sawfem.result import grating_result
from sawfem.unitcell.fields import DRIVEN


@pytest.fixture(scope="module")
def saved(solved_grating, whole_result, tmp_path_factory):
    grating = grating_result("main", solved_grating, samples=11, driven=True)
    result = replace(whole_result, gratings={"main": grating})
    folder = tmp_path_factory.mktemp("fields") / "case"
    return save_result(result, folder), folder


def test_one_vtu_a_mode_and_one_for_the_drive(saved):
    result, folder = saved
    names = {path.name for path in (folder / "fields").glob("*.vtu")}
    expected = {f"{mode.edge.replace(' ', '-')}.vtu" for mode in result.grating.modes}
    assert names == expected
    assert "driven.vtu" in names


def test_vtu_holds_the_driven_field_in_metres_and_volts(saved):
    result, folder = saved
    field = result.grating.driven
    read = meshio.read(folder / "fields" / "driven.vtu")
    displacement = read.point_data["displacement_re"] + 1j * read.point_data["displacement_im"]
    potential = read.point_data["potential_re"] + 1j * read.point_data["potential_im"]
    assert displacement == pytest.approx(field.displacement * field.amplitude, rel=1e-12)
    metal = np.unique(read.cells_dict["triangle"][read.cell_data_dict["region"]["triangle"] == 1])
    assert potential[metal] == pytest.approx(np.ones(metal.size), abs=1e-9)
    assert read.points[:, 0] == pytest.approx(1e6 * field.x)
    assert read.points[:, 2] == pytest.approx(1e6 * field.z)


def test_frames_are_one_period_of_the_motion(saved):
    result, folder = saved
    mode = next(mode for mode in result.grating.modes if mode.edge == "short lower")
    with meshio.xdmf.TimeSeriesReader(folder / "fields" / "short-lower-motion.xdmf") as reader:
        reader.read_points_cells()
        frames = [reader.read_data(number) for number in range(reader.num_steps)]
    assert len(frames) == FRAMES
    for time, points, _ in frames:
        expected = (mode.displacement * np.exp(2j * np.pi * time)).real
        assert points["displacement"] == pytest.approx(expected, abs=1e-12)


def test_driven_field_survives_the_result_file_and_a_second_save(saved):
    result, folder = saved
    again = open_result(folder)
    assert again.grating.driven is not None
    assert again.grating.driven.amplitude == result.grating.driven.amplitude
    assert again.grating.driven.edge == DRIVEN
    save_result(again, folder)  # its own files are no strangers
    assert (folder / "fields" / "units.txt").read_text(encoding="utf-8").count("driven") >= 2


def test_pictures_show_the_drive_and_the_motion(saved):
    _, folder = saved
    assert {"driven.png", "mode.gif"} <= {path.name for path in (folder / "pictures").iterdir()}
