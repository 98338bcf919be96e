"""Picture of a yield: the margins of all dies, and which deviation moves the tightest limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sawfem.plot import style
from sawfem.quantities import entry

if TYPE_CHECKING:
    from sawfem.result.yields import YieldResult

#: Limits that are shown, the tightest first.
SHOWN = 6


def draw_yield(found: YieldResult) -> Figure:
    """Margins of every limit as a strip of dies with their quantiles, and the ranked effects."""
    figure = style.new_figure(9.5, 6.6)
    upper, lower = figure.subplots(2, 1, height_ratios=(1.4, 1.0))
    _draw_margins(upper, found)
    _draw_effects(lower, found)
    total = found.total
    figure.suptitle(
        f"Yield {100.0 * total.value:.1f} % ({100.0 * total.confidence:g} % interval "
        f"{100.0 * total.low:.1f} to {100.0 * total.high:.1f} %), {total.dies} dies",
        fontsize=11,
    )
    return figure


def _draw_margins(axes: Axes, found: YieldResult) -> None:
    """Margins relative to the largest of each limit's own, since units differ."""
    order = sorted(found.limits, key=lambda limit: limit.share)[:SHOWN]
    rng = np.random.default_rng(1)
    labels = []
    for row, limit in enumerate(order):
        values = limit.margin[np.isfinite(limit.margin)]
        scale = max(float(np.abs(values).max(initial=0.0)), 1e-300)
        place = row + 0.16 * (rng.random(values.size) - 0.5)
        kept = values >= 0.0
        for mask, line, marker in ((kept, style.FIRST, "o"), (~kept, style.SECOND, "x")):
            axes.plot(
                values[mask] / scale,
                place[mask],
                marker,
                color=line.colour,
                markersize=3,
                alpha=0.5,
            )
        axes.plot(limit.nominal / scale, row + 0.28, "v", color=style.BLACK, markersize=6)
        axes.plot(limit.worst / scale, row + 0.28, "d", color=style.PURPLE, markersize=6)
        unit = entry(limit.quantity).unit
        labels.append(f"{limit.name}\n1 is {scale:.3g} {unit}; kept by {100.0 * limit.share:.1f} %")
    axes.axvline(0.0, color=style.BLACK, linewidth=1.0)
    axes.set_yticks(range(len(order)), labels)
    axes.set_ylim(-0.5, len(order) - 0.2)
    axes.invert_yaxis()
    axes.set_xlabel("margin over the largest of its own limit (1); right of zero it is kept")
    for colour, marker, label in (
        (style.BLUE, "o", "die that keeps it"),
        (style.VERMILION, "x", "die that misses it"),
        (style.BLACK, "v", "nominal"),
        (style.PURPLE, "d", "every deviation 3 sigma the wrong way"),
    ):
        axes.plot([], [], marker, color=colour, label=label)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.18), ncols=4)


def _draw_effects(axes: Axes, found: YieldResult) -> None:
    """Bars: change of the tightest limit's margin for one standard deviation."""
    tightest = found.tightest
    effects = found.effects[:10]
    values = [effect.margin[tightest] for effect in effects]
    axes.barh(range(len(effects)), values, color=style.BLUE, height=0.6)
    axes.set_yticks(range(len(effects)), [effect.key for effect in effects])
    axes.invert_yaxis()
    axes.axvline(0.0, color=style.BLACK, linewidth=1.0)
    limit = next(item for item in found.limits if f"{item.name}, {item.kind}" == tightest)
    unit = entry(limit.quantity).unit
    axes.set_xlabel(f'change of the margin of "{limit.name}" for one standard deviation ({unit})')
