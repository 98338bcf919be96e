"""The beam from one transducer to another: intensity over the track, profile, slowness curve."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from sawfem.device.beams import BeamPair
from sawfem.plot import style

#: Wave vectors along the surface, s/m to s/km.
PER_KILOMETRE = 1e3
#: Directions whose power flow is drawn as an arrow, degrees.
ARROWS = (-60.0, -40.0, -20.0, 0.0, 20.0, 40.0, 60.0)


def draw_beam(pair: BeamPair) -> Figure:
    """Map with both apertures, profile at the receiver, slowness curve with the power flow."""
    figure = style.new_figure(10.5, 8.0)
    grid = figure.add_gridspec(2, 2, height_ratios=(1.15, 1.0))
    _draw_map(figure, figure.add_subplot(grid[0, :]), pair)
    _draw_profile(figure.add_subplot(grid[1, 0]), pair)
    _draw_slowness(figure.add_subplot(grid[1, 1]), pair)
    loss = pair.figures["diffraction_loss"]
    psi = float(pair.figures["power_flow_angle"].value.real)
    psi = 0.0 if abs(psi) < 1e-6 else psi
    figure.suptitle(
        f"Beam of {pair.track}, {pair.source} to {pair.receiver}, at {pair.frequency / 1e6:.6g} MHz"
        f": diffraction loss {float(loss.value.real):.3g} dB, power flow {psi:.3g} deg",
        fontsize=11,
    )
    return figure


def draw_pair_transfer(pair: BeamPair) -> Figure | None:
    """Delta-function model of an apodised pair with and without diffraction."""
    if not pair.transfer_frequency.size:
        return None
    figure = style.new_figure(8.0, 4.8)
    axes = figure.subplots()
    with np.errstate(divide="ignore"):
        both = [
            20.0 * np.log10(np.abs(values)) for values in (pair.transfer_straight, pair.transfer)
        ]
    names = ("without diffraction", "with diffraction")
    for values, name, line in zip(both, names, (style.FIRST, style.SECOND), strict=True):
        axes.plot(pair.transfer_frequency / 1e6, values, label=name, **line.keywords())
    axes.set_ylim(max(-90.0, float(np.min(both[1])) - 5.0), 5.0)
    axes.set_ylabel("sum over all overlaps (dB)")
    style.frequency_axis(axes)
    axes.legend(loc="upper right")
    axes.set_title(
        f"{pair.track}, {pair.source} to {pair.receiver}: sources of the electrodes alone",
        loc="left",
    )
    return figure


def _unit(length: float) -> tuple[float, str]:
    """Factor and name of the unit for a length in metres."""
    return (1e3, "mm") if length > 3e-3 else (1e6, "µm")


def _draw_map(figure: Figure, axes: Axes, pair: BeamPair) -> None:
    (left, _, _, _), (_, right, _, _) = pair.outlines
    scale, unit = _unit(right - left)
    side, side_unit = _unit(float(np.ptp(pair.map_y)))
    mesh = axes.pcolormesh(
        pair.map_x * scale,
        pair.map_y * side,
        pair.intensity.T,
        cmap="cividis",
        vmin=0.0,
        vmax=max(1.0, float(np.quantile(pair.intensity, 0.995))),
        shading="gouraud",
        rasterized=True,
    )
    bar = figure.colorbar(mesh, ax=axes, pad=0.01)
    bar.set_label("intensity |u|² (1)")
    for (low_x, high_x, low, high), name in zip(
        pair.outlines, (pair.source, pair.receiver), strict=True
    ):
        corner = (low_x * scale, low * side)
        size = ((high_x - low_x) * scale, (high - low) * side)
        for colour, width in ((style.BLACK, 3.0), ("white", 1.4)):
            axes.add_patch(Rectangle(corner, *size, fill=False, edgecolor=colour, linewidth=width))
        place = ((low_x + 0.5 * (high_x - low_x)) * scale, high * side)
        axes.annotate(
            name,
            place,
            xytext=(0, 4),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=9.0,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        )
    middle = 0.5 * (pair.outlines[0][0] + pair.outlines[0][1])
    walk = math.tan(math.radians(float(pair.figures["power_flow_angle"].value.real)))
    ends = np.array([middle, right])
    axes.plot(
        ends * scale,
        (ends - middle) * walk * side,
        color=style.VERMILION,
        linestyle="--",
        label="power flow of the wave along x1",
    )
    axes.set_xlim(min(left, 0.0) * scale, 1.01 * right * scale)
    axes.set_ylim(pair.map_y[0] * side, pair.map_y[-1] * side)
    axes.grid(visible=False)
    axes.set_xlabel(f"along the track x1 ({unit})")
    axes.set_ylabel(f"across x2 ({side_unit})")
    axes.legend(loc="lower left", fontsize=8.0)
    axes.set_title("behind the source; across not to the scale of along", loc="left")


def _draw_profile(axes: Axes, pair: BeamPair) -> None:
    side, unit = _unit(float(np.ptp(pair.map_y)))
    axes.plot(pair.profile_y * side, pair.profile, label="intensity", **style.FIRST.keywords())
    (_, _, low, high) = pair.outlines[1]
    axes.axvspan(low * side, high * side, color="#DDDDDD", zorder=0, label="receiver")
    walk = float(pair.figures["walk_off"].value.real)
    axes.axvline(walk * side, color=style.VERMILION, linestyle="--", label="walk-off")
    axes.set_xlim(pair.profile_y[0] * side, pair.profile_y[-1] * side)
    axes.set_ylim(bottom=0.0, top=1.3 * max(1.0, float(np.max(pair.profile))))
    axes.set_xlabel(f"across x2 ({unit})")
    axes.set_ylabel("intensity |u|² (1)")
    axes.set_title("at the middle of the receiver", loc="left")
    axes.legend(loc="upper right", ncols=3, fontsize=8.0)


def _draw_slowness(axes: Axes, pair: BeamPair) -> None:
    shown = np.abs(pair.angle) <= 90.0
    theta = np.radians(pair.angle[shown])
    s = PER_KILOMETRE / pair.velocity[shown]
    axes.plot(s * np.cos(theta), s * np.sin(theta), label="slowness", **style.FIRST.keywords())
    straight = PER_KILOMETRE / float(np.interp(0.0, pair.angle, pair.velocity))
    circle = np.radians(np.linspace(-90.0, 90.0, 181))
    axes.plot(
        straight * np.cos(circle),
        straight * np.sin(circle),
        label="circle through x1",
        color=style.BLACK,
        linestyle=":",
        linewidth=1.0,
    )
    for angle in ARROWS:
        if not pair.angle[0] <= angle <= pair.angle[-1]:
            continue
        v, psi = (float(np.interp(angle, pair.angle, a)) for a in (pair.velocity, pair.flow))
        t = math.radians(angle)
        start = (PER_KILOMETRE / v * math.cos(t), PER_KILOMETRE / v * math.sin(t))
        way = math.radians(angle + psi)
        tip = (
            start[0] + 0.22 * straight * math.cos(way),
            start[1] + 0.22 * straight * math.sin(way),
        )
        arrow = {"arrowstyle": "-|>", "color": style.VERMILION, "linewidth": 1.4}
        axes.annotate("", xy=tip, xytext=start, arrowprops=arrow)
    axes.plot([], [], color=style.VERMILION, label="power flow")
    largest = float(np.max(s))
    axes.set_xlim(-0.05 * largest, 1.35 * largest)
    axes.set_ylim(-1.15 * largest, 1.15 * largest)
    axes.set_aspect("equal")
    axes.set_xlabel("s1 along x1 (s/km)")
    axes.set_ylabel("s2 across (s/km)")
    axes.set_title(f"slowness curve, {pair.surface} surface", loc="left")
    axes.legend(loc="center left", bbox_to_anchor=(1.02, 0.5), fontsize=8.0)
