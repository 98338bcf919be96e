"""The picture of a cell: what it shows, in which places, and the files of a run."""

from pathlib import Path

import numpy as np
import pytest

from sawfem.design import Electrode, Overcoat, Stack, UnitCell
from sawfem.plot import style
from sawfem.plot.cell import draw_cell
from sawfem.unitcell.drawing import draw_mesh

PERIOD = 2e-6


@pytest.fixture(scope="module")
def drawing():
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128").with_layer(
        "silica/auld-1973", "0.2 um"
    )
    strip = Electrode("titanium/kaye-laby", "10 nm", "1 um", sidewall_angle=80.0)
    strip = strip.with_film("aluminium/kaye-laby", "90 nm")
    return draw_mesh(
        UnitCell(stack, [strip], PERIOD, overcoat=[Overcoat("silica/auld-1973", "30 nm")])
    )


def test_every_body_is_named_by_what_it_is_and_of_what(drawing):
    assert set(drawing.bodies) == {
        ("air", ""),
        ("electrode", "titanium/kaye-laby"),
        ("electrode", "aluminium/kaye-laby"),
        ("overcoat", "silica/auld-1973"),
        ("layer", "silica/auld-1973"),
        ("substrate", "lithium-niobate/kovacs-1990"),
    }


def test_bodies_lie_where_they_were_drawn(drawing):
    titanium = drawing.bodies.index(("electrode", "titanium/kaye-laby"))
    x, z = np.moveaxis(drawing.corners[drawing.body == titanium], -1, 0)
    assert (x.min(), x.max()) == pytest.approx((0.5e-6, 1.5e-6))
    assert (z.min(), z.max()) == pytest.approx((0.0, 10e-9), abs=1e-15)
    overcoat = drawing.bodies.index(("overcoat", "silica/auld-1973"))
    assert drawing.corners[drawing.body == overcoat][..., 1].max() == pytest.approx(130e-9)


def test_the_picture_is_to_scale_with_axes_in_micrometres_and_a_legend(drawing, tmp_path: Path):
    with style.house_style():
        figure = draw_cell(drawing)
        files = style.save_figure(figure, tmp_path, "cell")
    whole, detail = figure.axes
    assert whole.get_xlim() == pytest.approx((0.0, 2.0))
    assert whole.get_aspect() == detail.get_aspect() == 1.0
    assert "µm" in whole.get_xlabel()
    assert "µm" in whole.get_ylabel()
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert "electrode: titanium/kaye-laby" in labels
    assert len(labels) == len(set(labels)) == 6
    # The left wall of the electrode lies in the framed part.
    left, right = detail.get_xlim()
    assert left < 0.5 < right
    assert all(file.stat().st_size > 1000 for file in files)
