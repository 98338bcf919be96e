"""The picture page of a cut: panels, axes and files."""

import pytest

from sawfem.design import Stack
from sawfem.planewave.cut_curves import cut_curves
from sawfem.plot import style
from sawfem.plot.cutpage import cut_page, draw_cut


@pytest.fixture(scope="module")
def curves():
    """ST-X quartz."""
    return cut_curves(Stack("quartz/bechmann-1958", cut="(YXl)42.75"))


def test_page_is_written_in_both_formats(curves, tmp_path):
    written = {path.name for path in draw_cut(curves, tmp_path)}
    assert {"cut.png", "cut.svg"} <= written
    assert all((tmp_path / name).stat().st_size > 1000 for name in written)


def test_every_axis_of_the_four_panels_carries_its_unit(curves):
    with style.house_style():
        figure = cut_page(curves)
    labels = [axes.get_xlabel() for axes in figure.axes[:4]]
    labels += [axes.get_ylabel() for axes in figure.axes]
    units = ("s/km", "m/s", "(1)", "wavelengths", "deg", "= 1")
    assert all(any(unit in label for unit in units) for label in labels)
