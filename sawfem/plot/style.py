"""How every picture looks: colours, lines, sizes, files that repeat bit by bit.

Colours are those of Okabe & Ito, "Color Universal Design" (2008), which people with any of the
common colour deficiencies tell apart; lines differ in style as well, so that nothing is told by
colour alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from sawfem.quantities import entry

#: Okabe-Ito palette, without the yellow that is too pale for lines on white.
BLACK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"
PALETTE = (BLUE, VERMILION, GREEN, PURPLE, ORANGE, SKY, BLACK)

#: Dots per inch of PNG files.
RESOLUTION = 150

_SETTINGS: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 10.0,
    "axes.titlesize": 10.5,
    "axes.labelsize": 10.0,
    "axes.grid": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "grid.color": "#DDDDDD",
    "grid.linewidth": 0.6,
    "legend.fontsize": 9.0,
    "legend.frameon": True,
    "legend.framealpha": 0.9,
    "legend.edgecolor": "#CCCCCC",
    "lines.linewidth": 1.5,
    "xtick.labelsize": 9.0,
    "ytick.labelsize": 9.0,
    "svg.fonttype": "path",
    "svg.hashsalt": "sawfem",
    "path.simplify": True,
}


@dataclass(frozen=True)
class Line:
    """How a curve is drawn: colour and dash pattern go together."""

    colour: str
    style: str | tuple[float, tuple[float, ...]]

    def keywords(self) -> dict[str, Any]:
        """Arguments of a plot call."""
        return {"color": self.colour, "linestyle": self.style}


FIRST = Line(BLUE, "-")
SECOND = Line(VERMILION, (0.0, (6.0, 2.0)))
THIRD = Line(GREEN, (0.0, (4.0, 1.5, 1.0, 1.5)))
LINES = (FIRST, SECOND, THIRD, Line(PURPLE, ":"))


@contextmanager
def house_style() -> Iterator[None]:
    """Inside, figures look alike whatever the user's own settings are."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(cast(Any, _SETTINGS))
        yield


def new_figure(width: float, height: float) -> Figure:
    """A figure of so many inches that keeps its labels apart."""
    return Figure(figsize=(width, height), dpi=RESOLUTION, layout="constrained")


def save_figure(figure: Figure, folder: Path, name: str) -> tuple[Path, Path]:
    """Write NAME.png and NAME.svg without date, so that a run repeated gives the same bits."""
    png, svg = folder / f"{name}.png", folder / f"{name}.svg"
    # print_figure would draw everything once more to find the layout that drawing finds anyway.
    FigureCanvasAgg(figure).print_png(  # type: ignore[no-untyped-call]
        png, metadata={"Software": "sawfem"}, pil_kwargs={"compress_level": 4}
    )
    figure.set_layout_engine("none")  # the layout is found: keep it, and save the time
    metadata = {"Date": None, "Creator": "sawfem"}
    FigureCanvasSVG(figure).print_svg(svg, metadata=metadata)  # type: ignore[no-untyped-call]
    return png, svg


def quantity_label(name: str, unit: str | None = None) -> str:
    """Text of an axis from the table of quantities: "velocity v (m/s)"; "um" becomes "µm"."""
    return entry(name).axis_label(unit).replace("(um)", "(µm)")


def frequency_axis(axes: Axes) -> None:
    """Frequency in MHz, in plain numbers: no offset, no powers of ten."""
    axes.set_xlabel(quantity_label("frequency", "MHz"))
    axes.ticklabel_format(axis="x", style="plain", useOffset=False)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=7))
