"""Pictures of sweeps: curves over one axis, contours over two, parallel coordinates over all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sawfem.plot import style
from sawfem.plot.maps import colour_scale, draw_contours, draw_hatching, scale_ends
from sawfem.result.sweep_table import SweepCoordinate, SweepTable, quantity_of
from sawfem.wholefiles import unwritable

Array = NDArray[np.float64]

#: Unit stored -> (unit shown, factor) of axes and of quantities.
_SHOWN = {
    "m": ("µm", 1e6),
    "Hz": ("MHz", 1e-6),
    "s": ("ns", 1e9),
    "F/m": ("pF/m", 1e12),
    "F": ("pF", 1e12),
    "1/K": ("ppm/K", 1e6),
}
#: Columns of the picture of parallel coordinates, and points of it at most.
_PARALLEL, _LINES = 5, 2000
#: Dimension of a sample.
_POINT = "point"


@dataclass(frozen=True, eq=False)
class _Column:
    """Real numbers of one column, in the unit in which they are drawn."""

    name: str
    label: str
    values: Array
    #: Whether its zero is what matters.
    signed: bool


def draw_sweep(
    table: SweepTable,
    folder: str | Path,
    *,
    each: Callable[[str], None] | None = None,
) -> list[Path]:
    """Draw every column of a sweep that holds numbers: sweep-COLUMN.png and .svg, and
    sweep-parallel of all; ``each`` is called with a name before it is drawn.

    Over one axis a curve, over two contours; of more axes the two longest are drawn and the
    others held at their middle. Points of a sample are drawn where they lie.

    Raises
    ------
    OutputError : the folder cannot be made or written.
    """
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
        files: list[Path] = []
        for column in _columns(table):
            name = f"sweep-{column.name.replace('_', '-').replace('.', '-')}"
            if each is not None:
                each(column.name)
            with style.house_style():
                files.extend(style.save_figure(_figure(table, column), place, name))
        if len(table.coordinates) > 1 and table.done > 1:
            with style.house_style():
                files.extend(style.save_figure(parallel_figure(table), place, "sweep-parallel"))
    except OSError as error:
        raise unwritable(place, error, "a folder that can be written") from error
    return files


def _columns(table: SweepTable) -> list[_Column]:
    """What can be drawn: real numbers that are not all missing."""
    found = []
    for name, array in table.values.items():
        row = quantity_of(name)
        if array.dtype.kind not in "fc":
            continue
        parts = [("", name)]
        if row.form == "pair":
            parts = [(", lower", f"{name}.lower"), (", upper", f"{name}.upper")]
        elif not table.is_real(name):
            parts = [(", real part", f"{name}.real"), (", imaginary part", f"{name}.imaginary")]
        for words, part in parts:
            values = table.real(part)
            if np.all(np.isnan(values)):
                continue
            unit, factor = (row.show, 100.0) if row.show == "%" else _unit(row.unit, row.show)
            grating = name.rpartition(".")[0]
            label = f"{row.label}{words}{f' of {grating}' if grating else ''}"
            label += f" ({unit})" if unit else ""
            shown = values * factor
            signed = bool(np.nanmin(shown) < 0.0 < np.nanmax(shown))
            found.append(_Column(part, label, shown, signed))
    return found


def _unit(unit: str, show: str) -> tuple[str, float]:
    return _SHOWN.get(unit, (show, 1.0))


def axis_label(item: SweepCoordinate) -> str:
    """Key path of an axis and its unit: "grating.thickness (wavelength)"."""
    unit = _SHOWN.get(item.unit, (item.unit, 1.0))[0]
    return f"{item.key} ({unit})" if unit else item.key


def _numbers(item: SweepCoordinate) -> Array:
    """Values of an axis in the unit in which they are drawn; of words their number."""
    if item.is_words:
        return np.arange(len(item.values), dtype=float)
    return np.asarray(item.values * _SHOWN.get(item.unit, ("", 1.0))[1], dtype=float)


def _axis(table: SweepTable, dimension: str) -> SweepCoordinate:
    """The first coordinate of a dimension: the one along which is drawn."""
    return next(item for item in table.coordinates if item.dimension == dimension)


def _figure(table: SweepTable, column: _Column) -> Figure:
    if table.dimensions == (_POINT,) and len(table.coordinates) > 1:
        return _scatter(table, column)
    if len(table.shape) == 1:
        return _curve(table, column)
    return _contour(table, column)


def _curve(table: SweepTable, column: _Column) -> Figure:
    figure = style.new_figure(7.2, 4.4)
    axes = figure.subplots()
    item = _axis(table, table.dimensions[0])
    x = _numbers(item)
    order = np.argsort(x, kind="stable")
    bars = _bars(table, column)
    line = style.FIRST.keywords() if not item.is_words else {"color": style.BLUE, "linestyle": ""}
    if bars is not None:
        axes.errorbar(x[order], column.values[order], bars[order], marker=".", capsize=2, **line)
    else:
        axes.plot(x[order], column.values[order], marker=".", **line)
    _words(axes, item)
    if column.signed:
        axes.axhline(0.0, color=style.BLACK, linewidth=0.8)
    axes.set_xlabel(axis_label(item))
    axes.set_ylabel(column.label)
    axes.ticklabel_format(axis="y", useOffset=False)
    _name(axes, table, "")
    return figure


def _bars(table: SweepTable, column: _Column) -> Array | None:
    """Numerical errors of a plain column, where they are wide enough to be seen."""
    array = table.uncertainty.get(column.name)
    if array is None or array.dtype.kind != "f" or array.ndim != len(table.shape):
        return None
    raw = np.asarray(table.values[column.name])
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.nanmedian(column.values / raw)
    bars = np.asarray(array * factor)
    seen = float(np.nanmax(bars, initial=0.0)) > 1e-3 * float(np.ptp(column.values[~np.isnan(raw)]))
    return np.nan_to_num(bars) if seen and np.isfinite(factor) else None


def _contour(table: SweepTable, column: _Column) -> Figure:
    longest = sorted(np.argsort([-n for n in table.shape], kind="stable")[:2])
    held, picked = [], []
    for number, dimension in enumerate(table.dimensions):
        if number in longest:
            picked.append(slice(None))
            continue
        middle = table.shape[number] // 2
        item = _axis(table, dimension)
        picked.append(middle)  # type: ignore[arg-type]
        held.append(f"{item.key} = {_text(item, middle)}")
    values = np.ma.masked_invalid(column.values[tuple(picked)])
    down, across = (_axis(table, table.dimensions[number]) for number in longest)
    figure = style.new_figure(7.2, 5.6)
    axes = figure.subplots()
    x, y = _numbers(across), _numbers(down)
    draw_hatching(axes)
    norm, colours = colour_scale(column.name, values.compressed(), signed=column.signed)
    image = axes.pcolormesh(
        x, y, values, norm=norm, cmap=colours, shading="nearest", rasterized=True
    )
    if min(values.shape) > 1 and not (down.is_words or across.is_words):
        draw_contours(axes, x, y, values, norm, signed=column.signed)
    if column.name.startswith("attenuation"):
        _valley(axes, x, y, np.asarray(values.filled(np.nan)), down.key)
    low, high = scale_ends(norm)
    below, above = bool(values.min() < low), bool(values.max() > high)
    extend = {(False, False): "neither", (True, False): "min", (False, True): "max"}
    bar = figure.colorbar(image, ax=axes, extend=extend.get((below, above), "both"))
    bar.set_label(column.label)
    axes.grid(visible=False)
    axes.set_xlabel(axis_label(across))
    axes.set_ylabel(axis_label(down))
    _words(axes, across)
    if down.is_words:
        axes.set_yticks(range(len(down.values)), [str(word) for word in down.values])
    _name(axes, table, "; ".join(held), hatched=bool(np.any(values.mask)))
    return figure


def _valley(axes: Axes, x: Array, y: Array, values: Array, along: str) -> None:
    """Where each column is least, if between its ends: the vertex of the parabola through three."""
    found = []
    for number, line in enumerate(values.T):
        if np.all(np.isnan(line)):
            continue
        place = int(np.nanargmin(line))
        if 0 < place < len(line) - 1 and not np.any(np.isnan(line[place - 1 : place + 2])):
            bent = np.polyfit(y[place - 1 : place + 2], line[place - 1 : place + 2], 2)
            found.append((x[number], -0.5 * bent[1] / bent[0]))
    if len(found) > 1:
        at, least = zip(*found, strict=True)
        axes.plot(
            at, least, "o--", color=style.VERMILION, markersize=4.0, label=f"least along {along}"
        )
        axes.legend(loc="lower left")


def _scatter(table: SweepTable, column: _Column) -> Figure:
    """Points of a sample over their first two axes, in colour."""
    first, second = table.coordinates[:2]
    figure = style.new_figure(7.2, 5.6)
    axes = figure.subplots()
    good = ~np.isnan(column.values)
    norm, colours = colour_scale(column.name, column.values[good], signed=column.signed)
    x, y = _numbers(first), _numbers(second)
    image = axes.scatter(
        x[good],
        y[good],
        c=column.values[good],
        norm=norm,
        cmap=colours,
        s=28.0,
        edgecolors=style.BLACK,
        linewidths=0.3,
    )
    axes.scatter(x[~good], y[~good], marker="x", color=style.VERMILION, s=20.0)
    figure.colorbar(image, ax=axes).set_label(column.label)
    axes.set_xlabel(axis_label(first))
    axes.set_ylabel(axis_label(second))
    _name(axes, table, "x: no value" if not np.all(good) else "")
    return figure


def parallel_figure(table: SweepTable) -> Figure:
    """Every point as a line over all axes and some columns, coloured by the last column."""
    columns = _columns(table)[:_PARALLEL]
    rails: list[tuple[str, Array, list[str]]] = []
    for item in table.coordinates:
        shape = [1] * len(table.shape)
        number = table.dimensions.index(item.dimension)
        shape[number] = table.shape[number]
        spread = np.broadcast_to(_numbers(item).reshape(shape), table.shape).ravel()
        words = [str(word) for word in item.values] if item.is_words else []
        rails.append((axis_label(item), spread, words))
    rails += [(column.label, column.values.ravel(), []) for column in columns]
    good = ~np.any(np.isnan([values for _, values, _ in rails]), axis=0)
    chosen = np.flatnonzero(good)[:: max(1, int(good.sum()) // _LINES)]
    figure = style.new_figure(max(6.5, 1.55 * len(rails)), 4.8)
    axes = figure.subplots()
    heights = np.array([_share(values[chosen]) for _, values, _ in rails])
    last = rails[-1][1][chosen]
    norm = Normalize(
        float(last.min(initial=0.0)) if not last.size else float(last.min()),
        float(last.max()) if last.size else 1.0,
    )
    shades = ScalarMappable(norm, "viridis")
    for number, height in enumerate(heights.T):
        axes.plot(height, color=shades.to_rgba(last[number]), linewidth=0.8, alpha=0.7)
    for number, (_, values, words) in enumerate(rails):
        axes.axvline(number, color=style.BLACK, linewidth=0.8)
        ends = (values[chosen].min(), values[chosen].max()) if chosen.size else (0.0, 1.0)
        for height, end in zip((-0.02, 1.02), ends, strict=True):
            text = words[int(end)] if words else f"{end:.4g}"
            axes.text(
                number,
                height,
                text,
                ha="center",
                fontsize=8.0,
                va="top" if height < 0.0 else "bottom",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            )
    axes.set_xticks(range(len(rails)), [_folded(label) for label, _, _ in rails])
    axes.set_yticks([])
    axes.set_ylim(-0.1, 1.1)
    axes.grid(visible=False)
    axes.spines["left"].set_visible(False)
    figure.colorbar(shades, ax=axes).set_label(rails[-1][0])
    _name(axes, table, "")
    return figure


def _share(values: Array) -> Array:
    """Values between their ends as 0 to 1."""
    if not values.size:
        return values
    low, high = float(values.min()), float(values.max())
    return (values - low) / (high - low) if high > low else np.full(values.shape, 0.5)


def _folded(label: str) -> str:
    """A label on several short lines."""
    import textwrap

    return "\n".join(textwrap.wrap(label.replace(".", ". ").replace("_", " "), 15)).replace(
        ". ", "."
    )


def _text(item: SweepCoordinate, index: int) -> str:
    if item.is_words:
        return str(item.values[index])
    unit = _SHOWN.get(item.unit, (item.unit, 1.0))[0]
    return f"{_numbers(item)[index]:.5g} {unit}".rstrip()


def _words(axes: Axes, item: SweepCoordinate) -> None:
    if item.is_words:
        axes.set_xticks(range(len(item.values)), [str(word) for word in item.values])


def _name(axes: Axes, table: SweepTable, held: str, *, hatched: bool = False) -> None:
    """Title, what is held, how far the sweep is."""
    words = [table.title] if table.title else []
    notes = [held] if held else []
    if hatched:
        notes.append("hatched: no value")
    failed, left = table.failed, table.size - table.done - table.failed
    if failed or left:
        notes.append(f"{table.done} of {table.size} points, {failed} failed")
    if notes:
        words.append("; ".join(notes))
    axes.set_title("\n".join(words), loc="left")
