"""Pictures of maps: colours with labelled contours over two axes, curves over one."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import Normalize, TwoSlopeNorm
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from sawfem.planewave.generalised import Array
from sawfem.planewave.maps import MapAxis, WaveMap
from sawfem.plot import style
from sawfem.quantities import entry

#: Colours that grow evenly in lightness and are told apart with any colour deficiency.
SEQUENTIAL, DIVERGING = "viridis", "PuOr"
#: Quantities whose zero is what matters.
SIGNED = (
    "power_flow_angle",
    "delay_temperature_coefficient",
    "frequency_temperature_coefficient",
)
#: Unit of the table of quantities -> (unit shown, factor).
_SHOWN = {"%": ("%", 1e2), "ppm/K": ("ppm/K", 1e6), "1/K": ("ppm/K", 1e6)}
_AXIS_UNITS = {"m": ("µm", 1e6), "Hz": ("MHz", 1e-6), "deg": ("deg", 1.0)}
#: Share of values at each end that a colour scale leaves out where they lie far off.
TAILS = 0.5

_EULER = {"0": "λ", "1": "µ", "2": "θ"}


def draw_map(
    found: WaveMap,
    folder: str | Path,
    *,
    title: str = "",
    each: Callable[[str], None] | None = None,
) -> list[Path]:
    """Draw every quantity of a map into an existing folder: map-QUANTITY.png and .svg.

    ``each`` is called with the quantity's name before it is drawn. Quantities without a single
    value are left out.
    """
    files: list[Path] = []
    for name, values in found.values.items():
        if np.all(np.isnan(values)):
            continue
        if each is not None:
            each(name)
        with style.house_style():
            figure = map_figure(found, name, title=title)
            files.extend(style.save_figure(figure, Path(folder), f"map-{name.replace('_', '-')}"))
    return files


def map_figure(found: WaveMap, name: str, *, title: str = "") -> Figure:
    """One quantity of a map: a figure in the style that is set."""
    if len(found.asked.axes) == 1:
        return _curve(found, name, title)
    figure = style.new_figure(7.2, 5.6)
    axes = figure.subplots()
    x, y = (_axis_numbers(axis) for axis in reversed(found.asked.axes))
    unit, factor = _unit(name)
    values = np.ma.masked_invalid(found.values[name] * factor)
    draw_hatching(axes)
    norm, colours = colour_scale(name, values.compressed())
    image = axes.pcolormesh(
        x, y, values, norm=norm, cmap=colours, shading="nearest", rasterized=True
    )
    if min(values.shape) > 1:
        draw_contours(axes, x, y, values, norm, signed=name in SIGNED)
    low, high = scale_ends(norm)
    below, above = bool(values.min() < low), bool(values.max() > high)
    extend = {(False, False): "neither", (True, False): "min", (False, True): "max"}
    bar = figure.colorbar(image, ax=axes, extend=extend.get((below, above), "both"))
    bar.set_label(style.quantity_label(name, unit))
    axes.grid(visible=False)
    axes.set_xlabel(axis_label(found.asked.axes[1]))
    axes.set_ylabel(axis_label(found.asked.axes[0]))
    _name(axes, found, title, failed=bool(np.any(values.mask)))
    return figure


def axis_label(axis: MapAxis) -> str:
    """Words for an axis with its unit: "Euler angle µ (deg)"."""
    unit = _AXIS_UNITS[axis.unit][0]
    if axis.key == "frequency":
        return f"frequency f ({unit})"
    whose, _, what = axis.key.rpartition(".")
    index = re.search(r"\[([0-9])\]$", what)
    if what.startswith("euler") and index:
        words = f"Euler angle {_EULER[index[1]]}"
    elif what.startswith("rotations") and index:
        words = f"rotation {int(index[1]) + 1} of the plate"
    else:
        words = what
    return f"{words}{'' if whose == 'substrate' else f' of {whose}'} ({unit})"


def _unit(name: str) -> tuple[str, float]:
    show = entry(name).show
    return _SHOWN.get(show, (show, 1.0))


def _axis_numbers(axis: MapAxis) -> Array:
    return np.asarray(axis.values * _AXIS_UNITS[axis.unit][1])


def draw_hatching(axes: Axes) -> None:
    """What shows through where a point has no value."""
    axes.add_patch(
        Rectangle(
            (0.0, 0.0),
            1.0,
            1.0,
            transform=axes.transAxes,
            facecolor="#EEEEEE",
            edgecolor="#999999",
            hatch="////",
            linewidth=0.0,
            zorder=0,
        )
    )


def colour_scale(name: str, values: Array, *, signed: bool | None = None) -> tuple[Normalize, str]:
    """Colour scale over nearly all values; about zero where the sign matters."""
    low, high = np.percentile(values, [TAILS, 100.0 - TAILS])
    spread = high - low
    if values.min() > low - 0.3 * spread:
        low = values.min()
    if values.max() < high + 0.3 * spread:
        high = values.max()
    if high <= low:
        high = low + max(abs(low) * 1e-6, 1e-12)
    if (name in SIGNED if signed is None else signed) and low < 0.0 < high:
        size = max(-low, high)
        return TwoSlopeNorm(0.0, -size, size), DIVERGING
    return Normalize(low, high), SEQUENTIAL


def scale_ends(norm: Normalize) -> tuple[float, float]:
    """Least and largest value of a colour scale."""
    assert norm.vmin is not None
    assert norm.vmax is not None
    return norm.vmin, norm.vmax


def draw_contours(
    axes: Axes, x: Array, y: Array, values: Any, norm: Normalize, *, signed: bool
) -> None:
    """Lines at round values, labelled; the zero is thick where the sign matters."""
    finder = MaxNLocator(nbins=15 if signed else 11, steps=[1, 2, 2.5, 5, 10])
    levels = finder.tick_values(*scale_ends(norm))
    levels = levels[(levels > values.min()) & (levels < values.max())]
    if len(levels) == 0:
        return
    colour = style.BLACK if signed else "#FFFFFF"
    widths = [1.6 if signed and abs(level) < 1e-12 else 0.7 for level in levels]
    lines = axes.contour(
        x, y, values, levels=levels, colors=colour, linewidths=widths, linestyles="solid"
    )
    texts = axes.clabel(lines, fmt=lambda level: f"{level:g}", fontsize=8.0, inline=True)
    for text in texts:
        text.set_color(style.BLACK)
        text.set_bbox({"facecolor": "white", "alpha": 0.75, "edgecolor": "none", "pad": 0.8})


def _curve(found: WaveMap, name: str, title: str) -> Figure:
    figure = style.new_figure(7.2, 4.4)
    axes = figure.subplots()
    axis = found.asked.axes[0]
    unit, factor = _unit(name)
    x, values = _axis_numbers(axis), found.values[name] * factor
    order = np.argsort(x)
    axes.plot(x[order], values[order], marker=".", markersize=4.0, **style.FIRST.keywords())
    missing = np.isnan(values)
    if np.any(missing):
        axes.plot(
            x[missing],
            np.full(int(missing.sum()), 0.02),
            linestyle="none",
            marker="x",
            color=style.VERMILION,
            transform=axes.get_xaxis_transform(),
        )
    axes.set_xlabel(axis_label(axis))
    axes.set_ylabel(style.quantity_label(name, unit))
    axes.ticklabel_format(axis="y", useOffset=False)
    _name(axes, found, title, failed=bool(np.any(missing)))
    return figure


def _name(axes: Axes, found: WaveMap, title: str, *, failed: bool) -> None:
    """Title, material, which wave, and what the hatching means."""
    asked = found.asked
    kinds = " or ".join(asked.kinds)
    words = [title] if title else []
    wave = f"{asked.order} {kinds + ' ' if kinds else ''}wave"
    mark = "x" if len(asked.axes) == 1 else "hatched"
    hidden = any("hide the substrate" in text for text in found.message.ravel())
    why = "no such wave, or layers that hide the substrate" if hidden else "no such wave"
    materials = " on ".join(member.material.name for member in reversed(asked.members))
    words.append(f"{materials}: {wave}")
    if failed:  # a line of its own: names of materials are long
        words.append(f"{mark}: {why}")
    axes.set_title("\n".join(words), loc="left")
