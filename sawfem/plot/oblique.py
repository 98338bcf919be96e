"""Oblique waves of a grating: slowness curves, and the frequencies of its edges against k2."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from sawfem.extract.oblique_grating import ObliqueCurve, ObliqueWaves, PlaneCurve
from sawfem.plot import style

#: s/m to s/km.
PER_KILOMETRE = 1e3
#: Colour by edge, dashes by what the electrodes do.
_COLOURS = {"lower": style.BLUE, "upper": style.VERMILION, "below": style.GREEN}
_DASHES: dict[str, str | tuple[float, tuple[float, ...]]] = {
    "short": "-",
    "open": (0.0, (5.0, 2.0)),
}
#: What the electrodes do, and which wave of the grating it is.
_LABELS = {
    f"{kind} {place}": f"{word}, {where}"
    for kind, word in (("short", "shorted"), ("open", "floating"))
    for place, where in (
        ("lower", "lower edge"),
        ("upper", "upper edge"),
        ("below", "below the band"),
    )
}
#: Of the plane waves: free and metallised surface.
_PLANES = {"free": ":", "metallised": "-."}

Array = NDArray[np.float64]


def draw_oblique(found: ObliqueWaves) -> Figure:
    """Slowness in the stop band and below it against direction, and f(k2) of the edges."""
    figure = style.new_figure(11.0, 8.0)
    axes = figure.subplots(2, 2)
    inside = [curve for curve in found.curves if not curve.name.endswith("below")]
    below = [curve for curve in found.curves if curve.name.endswith("below")]
    turns = "" if round(found.wavenumber * found.period / np.pi) == 1 else "2"
    _slowness(axes[0, 0], inside, found.planes, f"in the stop band, k₁ = {turns}π/p")
    if below:
        f = below[0].frequency[0].real / 1e6
        _slowness(axes[0, 1], below, found.planes, f"below it, shorted at {f:.5g} MHz")
    else:
        axes[0, 1].set_axis_off()
        axes[0, 1].text(0.5, 0.5, "not computed below the stop band", ha="center")
    _frequencies(axes[1, 0], inside, found)
    _velocities(axes[1, 1], [*inside, *below], found.planes)
    handles = {
        label: line
        for one in axes.ravel()
        for line, label in zip(*one.get_legend_handles_labels(), strict=True)
    }
    figure.legend([*handles.values()], [*handles], loc="outside upper center", ncols=4)
    return figure


def _look(curve: ObliqueCurve) -> dict[str, object]:
    kind, _, place = curve.name.partition(" ")
    return {
        "color": _COLOURS.get(place, style.BLACK),
        "linestyle": _DASHES.get(kind, "-"),
        "marker": "o" if kind == "short" else "s",
        "markersize": 3.0,
        "label": _LABELS.get(curve.name, curve.name),
    }


def _smooth(axes: Axes, x: Array, y: Array, curve: ObliqueCurve) -> None:
    """The points that were computed, on a smooth curve between them."""
    look = _look(curve)
    fine, between = x, y
    if x.size > 3:
        fine = np.union1d(x, np.linspace(x[0], x[-1], 201))
        between = CubicSpline(x, y)(fine)
    marked = np.searchsorted(fine, x).tolist()
    axes.plot(fine, between, markevery=marked, **look)  # type: ignore[arg-type]


def _plane_components(plane: PlaneCurve) -> tuple[Array, Array]:
    angle = np.radians(plane.angle)
    return np.cos(angle) / plane.velocity, np.sin(angle) / plane.velocity


def _slowness(
    axes: Axes, curves: list[ObliqueCurve], planes: tuple[PlaneCurve, ...], title: str
) -> None:
    """s1 against s2, as a beam sees it: power runs along the normal."""
    for plane in planes:
        along, across = (PER_KILOMETRE * part for part in _plane_components(plane))
        axes.plot(
            across,
            along,
            color=style.BLACK,
            linestyle=_PLANES.get(plane.surface, ":"),
            label=f"plane wave, {plane.surface} surface",
        )
    for curve in curves:
        along, across = PER_KILOMETRE * curve.slowness.T
        _smooth(axes, across, along, curve)
    axes.set_xlabel("transverse slowness k₂/ω (s/km)")
    axes.set_ylabel("slowness k₁/ω (s/km)")
    axes.ticklabel_format(useOffset=False)
    axes.set_title(title, loc="left")


def _frequencies(axes: Axes, curves: list[ObliqueCurve], found: ObliqueWaves) -> None:
    """f(k2) at the wavenumber of the stop band, beside that of the plane waves."""
    for plane in found.planes:
        angle = np.radians(plane.angle)
        size = found.wavenumber / np.cos(angle)
        axes.plot(
            np.tan(angle),
            plane.velocity * size / (2e6 * np.pi),
            color=style.BLACK,
            linestyle=_PLANES.get(plane.surface, ":"),
        )
    for curve in curves:
        _smooth(axes, curve.transverse / found.wavenumber, curve.frequency.real / 1e6, curve)
    axes.set_xlabel("transverse wavenumber k₂/k₁")
    axes.set_ylabel(style.quantity_label("frequency", "MHz"))
    axes.ticklabel_format(useOffset=False)
    axes.set_title("edges of the stop band", loc="left")


def _velocities(axes: Axes, curves: list[ObliqueCurve], planes: tuple[PlaneCurve, ...]) -> None:
    """w/|k| against the direction of the wave vector."""
    for plane in planes:
        axes.plot(
            plane.angle,
            plane.velocity,
            color=style.BLACK,
            linestyle=_PLANES.get(plane.surface, ":"),
        )
    for curve in curves:
        _smooth(axes, curve.angle, curve.velocity, curve)
    axes.set_xlabel("direction of the wave vector from x₁ towards x₂ (deg)")
    axes.set_ylabel("velocity ω/|k| (m/s)")
    axes.ticklabel_format(useOffset=False)
    axes.set_title("velocity", loc="left")
