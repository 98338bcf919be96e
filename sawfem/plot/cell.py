"""Cross-section of a unit cell with its materials and its mesh, to scale."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from numpy.typing import NDArray

from sawfem.plot import style
from sawfem.unitcell.drawing import CellDrawing

Array = NDArray[np.float64]

#: Colours by what a body is, in the order in which several of a kind take them, and how strong.
_COLOURS: dict[str, tuple[tuple[str, ...], float]] = {
    "air": (("#FFFFFF",), 1.0),
    "substrate": (("#9A9A9A",), 0.45),
    "layer": ((style.SKY, style.PURPLE, style.BLUE), 0.55),
    "overcoat": ((style.GREEN, "#E3D44F", style.SKY), 0.55),
    "electrode": ((style.ORANGE, style.VERMILION, "#5A4A3A", style.PURPLE), 0.85),
}
#: Hatches of further bodies of a kind: told apart without colour too.
_HATCHES = ("", "///", "...", "xxx")


def draw_cell(drawing: CellDrawing) -> Figure:
    """Figure of one period and, beside it, of the neighbourhood of the first electrode's wall."""
    figure = style.new_figure(10.5, 5.2 + 0.3 * -(-len(drawing.bodies) // 3))
    whole, detail = figure.subplots(1, 2, width_ratios=(1.5, 1.0))
    looks = _looks(drawing)
    for axes, width in ((whole, 0.25), (detail, 0.4)):
        _fill(axes, drawing, looks, width)
        axes.set_aspect("equal")
        axes.grid(False)
        axes.set_xlabel(style.quantity_label("position_x", "um"))
    whole.set_ylabel(style.quantity_label("position_z", "um"))
    x, z = 1e6 * drawing.corners[..., 0], 1e6 * drawing.corners[..., 1]
    whole.set_xlim(float(x.min()), float(x.max()))
    whole.set_ylim(float(z.min()), float(z.max()))
    left, right, bottom, top = (1e6 * value for value in drawing.focus)
    detail.set_xlim(left, right)
    detail.set_ylim(bottom, top)
    frame = Rectangle(
        (left, bottom), right - left, top - bottom, fill=False, edgecolor=style.BLACK, linewidth=1.2
    )
    whole.add_patch(frame)
    degree = "" if drawing.order is None else f" of degree up to {drawing.order}"
    whole.set_title(f"one period, to scale: {len(drawing.body)} elements{degree}")
    detail.set_title("the framed part")
    handles = [
        Patch(facecolor=colour, edgecolor="#555555", hatch=hatch, label=label)
        for label, colour, hatch in looks
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=min(3, len(handles)))
    return figure


def _looks(drawing: CellDrawing) -> list[tuple[str, tuple[float, float, float], str]]:
    """(label, colour, hatch) of every body."""
    taken: dict[str, int] = {}
    found = []
    for role, material in drawing.bodies:
        number = taken.get(role, 0)
        taken[role] = number + 1
        colours, strength = _COLOURS[role]
        red, green, blue = to_rgb(colours[number % len(colours)])
        colour = tuple(1.0 - strength * (1.0 - part) for part in (red, green, blue))
        label = role if not material else f"{role}: {material}"
        found.append((label, colour, _HATCHES[min(number, len(_HATCHES) - 1)]))
    return found  # type: ignore[return-value]


def _fill(
    axes: Axes,
    drawing: CellDrawing,
    looks: list[tuple[str, tuple[float, float, float], str]],
    width: float,
) -> None:
    """The elements in the colours of their bodies, and the edges of the mesh."""
    for number, (_, colour, hatch) in enumerate(looks):
        corners = 1e6 * drawing.corners[drawing.body == number]
        axes.add_collection(
            PolyCollection(
                list(corners), facecolor=colour, edgecolor="#777777", linewidth=width, hatch=hatch
            )
        )
    for ends in _borders(drawing):
        axes.plot(*(1e6 * ends.T), color=style.BLACK, linewidth=1.0)


def _borders(drawing: CellDrawing) -> list[Array]:
    """Edges between two bodies, each (2, 2) m."""
    owner: dict[bytes, int] = {}
    found = []
    scale = 1e9 / drawing.period
    for corners, body in zip(drawing.corners, drawing.body.tolist(), strict=True):
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            ends = np.round(np.stack([a, b]) * scale).astype(np.int64)
            key = ends[np.lexsort(ends.T)].tobytes()
            if owner.setdefault(key, body) != body:
                found.append(np.stack([a, b]))
    return found
