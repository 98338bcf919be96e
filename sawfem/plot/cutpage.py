"""One page for one cut: slowness, effective permittivity, depth profile, directions."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sawfem.conventions import EPSILON_0
from sawfem.planewave.cut_curves import CutCurves
from sawfem.planewave.surface_waves import Wave
from sawfem.plot import style

#: Times the median beyond which a pole of the permittivity is not followed.
TALL = 4.0
#: Wave vectors along the surface, s/m to s/km.
PER_KILOMETRE = 1e3


def draw_cut(
    curves: CutCurves, folder: str | Path, *, each: Callable[[str], None] | None = None
) -> list[Path]:
    """Draw the page and its four pictures into an existing folder.

    cut, cut-slowness, cut-permittivity, cut-profile and cut-directions, each .png and .svg.
    ``each`` is called with a name before it is drawn.
    """
    singles: dict[str, Callable[[Axes, CutCurves], None]] = {
        "slowness": draw_slowness,
        "permittivity": draw_permittivity,
        "profile": draw_profile,
        "directions": draw_directions,
    }
    files: list[Path] = []
    for name in ("cut", *(f"cut-{single}" for single in singles)):
        if each is not None:
            each(name)
        with style.house_style():
            if name == "cut":
                figure = cut_page(curves)
            else:
                figure = style.new_figure(6.4, 5.0)
                axes = figure.subplots()
                singles[name.removeprefix("cut-")](axes, curves)
                figure.suptitle(_title(curves), fontsize=10.0)
            files.extend(style.save_figure(figure, Path(folder), name))
    return files


def cut_page(curves: CutCurves) -> Figure:
    """The page with all four, in the style that is set."""
    figure = style.new_figure(11.0, 8.6)
    grid = figure.subplots(2, 2)
    draw_slowness(grid[0, 0], curves)
    draw_permittivity(grid[0, 1], curves)
    draw_profile(grid[1, 0], curves)
    draw_directions(grid[1, 1], curves)
    figure.suptitle(_title(curves), fontsize=11.0)
    return figure


def _title(curves: CutCurves) -> str:
    stack = curves.stack
    words = [f"{stack.material.name}, {stack.orientation}"]
    words += [
        f"{layer.material.name}, {layer.thickness * 1e6:.4g} µm on it" for layer in stack.layers
    ]
    if curves.frequency is not None:
        words.append(f"{curves.frequency / 1e6:.6g} MHz")
    leading = curves.leading
    if leading is not None:
        words.append(_wave_text(leading))
    return "\n".join([words[0], "; ".join(words[1:])])


def _wave_text(wave: Wave) -> str:
    parts = [wave.kind]
    if wave.velocity_free is not None:
        parts.append(f"free {wave.velocity_free:.2f} m/s")
    if wave.velocity_metallised is not None:
        parts.append(f"metallised {wave.velocity_metallised:.2f} m/s")
    if wave.coupling_k2 is not None:
        parts.append(f"K² {100.0 * wave.coupling_k2:.4g} %")
    if wave.power_flow_angle is not None:
        angle = 0.0 if abs(wave.power_flow_angle) < 1e-6 else wave.power_flow_angle
        parts.append(f"power flow {angle:.3g} deg")
    return ", ".join(parts)


def draw_slowness(axes: Axes, curves: CutCurves) -> None:
    """Slowness of the bulk waves in the sagittal plane, with the leading wave's own."""
    for number, label in enumerate(("slow shear", "fast shear", "longitudinal")):
        radius = curves.slowness[:, number] * PER_KILOMETRE
        axes.plot(
            radius * np.cos(curves.angle),
            radius * np.sin(curves.angle),
            label=f"quasi-{label}",
            **style.LINES[number].keywords(),
        )
    largest = PER_KILOMETRE * float(curves.slowness.max())
    if curves.leading is not None:
        own = PER_KILOMETRE / curves.leading.velocity
        axes.axvline(own, color=style.BLACK, linestyle="--", linewidth=1.0, label="leading wave")
        largest = max(largest, own)
    axes.axhline(0.0, color=style.BLACK, linewidth=0.6)
    axes.set_xlim(-1.08 * largest, 1.08 * largest)
    axes.set_ylim(-1.08 * largest, 1.38 * largest)
    axes.set_aspect("equal")
    axes.set_xlabel("slowness along x1 (s/km)")
    axes.set_ylabel("slowness along x3 (s/km)")
    axes.set_title("bulk waves of the substrate, sagittal plane", loc="left")
    axes.legend(loc="upper center", ncols=2, fontsize=8.0)


def draw_permittivity(axes: Axes, curves: CutCurves) -> None:
    """Effective permittivity against velocity: zeros free, poles metallised, bulk limits."""
    relative = curves.permittivity / EPSILON_0
    size = TALL * float(np.median(np.abs(relative)))
    for part, label, line in (
        (relative.real, "real part", style.FIRST),
        (relative.imag, "imaginary part", style.SECOND),
    ):
        shown = np.where(np.abs(part) < 1.5 * size, part, np.nan)  # cut at the poles
        axes.plot(curves.velocity, shown, label=label, **line.keywords())
    axes.axhline(0.0, color=style.BLACK, linewidth=0.6)
    axes.set_ylim(-size, size)
    axes.set_xlim(curves.velocity[0], curves.velocity[-1])
    for number, limit in enumerate(curves.bulk_limits):
        onset = "onset of a bulk wave" if number == 0 else None
        axes.axvline(limit, color=style.BLACK, linestyle=":", linewidth=1.0, label=onset)
    for mark, surface, name in (("o", "velocity_free", "free"), ("s", "velocity_metallised", "")):
        found = [getattr(wave, surface) for wave in curves.waves]
        places = [velocity for velocity in found if velocity is not None]
        axes.plot(
            places,
            np.zeros(len(places)),
            mark,
            markersize=6.5,
            markerfacecolor="white" if name else style.BLACK,
            markeredgecolor=style.BLACK,
            label=f"wave, {name or 'metallised'}",
        )
    axes.set_xlabel("velocity v (m/s)")
    axes.set_ylabel("effective permittivity / ε0 (1)")
    axes.set_title("effective permittivity", loc="left")
    axes.legend(loc="lower left", fontsize=8.0)


def draw_profile(axes: Axes, curves: CutCurves) -> None:
    """Displacements and potential of the leading wave against depth."""
    profile = curves.profile
    axes.set_title("leading wave against depth", loc="left")
    if profile is None:
        axes.text(0.5, 0.5, "no profile", transform=axes.transAxes, ha="center")
        return
    thick = curves.stack.layers
    unit, scale = ("µm", 1e6)
    if not thick and curves.leading is not None:  # a half-space knows no length: wavelengths
        scale = _per_wavelength(curves)
        unit = "wavelengths"
    depth = profile.depth * scale
    for number in range(3):
        axes.plot(
            np.abs(profile.displacement[:, number]),
            depth,
            label=f"|u{number + 1}|",
            **style.LINES[number].keywords(),
        )
    potential = np.abs(profile.potential)
    if potential.max() > 0.0:
        axes.plot(
            potential / potential.max(),
            depth,
            label="potential",
            **style.LINES[3].keywords(),
        )
    reach = 0.0
    for layer in reversed(thick):
        reach += layer.thickness * scale
        axes.axhline(reach, color=style.BLACK, linewidth=0.8)
    axes.set_ylim(depth[-1], 0.0)
    axes.set_xlim(0.0, 1.05)
    axes.set_xlabel("amplitude, largest displacement and largest potential = 1")
    axes.set_ylabel(f"depth ({unit})")
    axes.legend(loc="lower right", fontsize=8.0)


def _per_wavelength(curves: CutCurves) -> float:
    from sawfem.planewave.modes import HALF_SPACE_FREQUENCY

    assert curves.leading is not None
    return float(HALF_SPACE_FREQUENCY / (2.0 * np.pi) / curves.leading.velocity)


def draw_directions(axes: Axes, curves: CutCurves) -> None:
    """Velocity and power-flow angle against direction in the surface."""
    which = "all waves that do not leak" if curves.all_waves else "leading wave"
    axes.set_title(f"direction in the surface, {which}", loc="left")
    if np.all(np.isnan(curves.direction_velocity)):
        axes.text(0.5, 0.5, "not followed", transform=axes.transAxes, ha="center")
        return
    right = axes.twinx()
    right.spines["right"].set_visible(True)
    right.grid(visible=False)
    for column in range(curves.direction_velocity.shape[1]):
        first = column == 0
        axes.plot(
            curves.directions,
            curves.direction_velocity[:, column],
            "o",
            markersize=2.4,
            color=style.BLUE,
            label="velocity, left" if first else None,
        )
        right.plot(
            curves.directions,
            curves.direction_angle[:, column],
            "x",
            markersize=2.6,
            color=style.VERMILION,
            label="power-flow angle, right" if first else None,
        )
    for one in (axes, right):  # room for the legend
        low, high = one.get_ylim()
        one.set_ylim(low, high + 0.22 * (high - low))
    axes.set_xlabel("direction θ from x1 towards x2 (deg)")
    axes.set_ylabel("velocity v (m/s)", color=style.BLUE)
    right.set_ylabel("power-flow angle ψ (deg)", color=style.VERMILION)
    axes.ticklabel_format(axis="y", useOffset=False)
    handles = [*axes.get_legend_handles_labels()[0], *right.get_legend_handles_labels()[0]]
    names = [*axes.get_legend_handles_labels()[1], *right.get_legend_handles_labels()[1]]
    right.legend(handles, names, loc="upper center", fontsize=8.0)
