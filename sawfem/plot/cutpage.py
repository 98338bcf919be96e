"""One page for one cut: slowness, permittivity or dispersion, depth profile, directions."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sawfem.conventions import EPSILON_0
from sawfem.planewave.cut_curves import CutCurves
from sawfem.planewave.surface_waves import Wave
from sawfem.plot import style

#: Times the median beyond which a pole of the permittivity is not followed.
TALL = 4.0
#: Letters of a line of the title.
WIDEST = 110
#: Points of the shortest curve that is drawn.
SHORTEST = 3
#: Waves of a dispersion that are drawn, those that begin first.
MOST_WAVES = 16
#: Height of the name of a curve over that of the axes.
NAME_HEIGHT = 0.05
#: Wave vectors along the surface, s/m to s/km.
PER_KILOMETRE = 1e3


def draw_cut(
    curves: CutCurves, folder: str | Path, *, each: Callable[[str], None] | None = None
) -> list[Path]:
    """Draw the page and its pictures into an existing folder.

    cut and those of :func:`panels`, such as cut-slowness, each .png and .svg. ``each`` is
    called with a name before it is drawn.
    """
    singles = panels(curves)
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


def panels(curves: CutCurves) -> dict[str, Callable[[Axes, CutCurves], None]]:
    """What draws each of the pictures, by name.

    slowness, permittivity, profile and directions; dispersion for the permittivity where the
    surface conducts, nothing where it does on a half-space, whose waves have none; phase-velocity
    and group-velocity for the first two of a membrane.
    """
    lower = {"profile": draw_profile, "directions": draw_directions}
    if curves.stack.is_membrane:
        return {"phase-velocity": draw_phase, "group-velocity": draw_group, **lower}
    if curves.velocity.size:
        return {"slowness": draw_slowness, "permittivity": draw_permittivity, **lower}
    if not curves.stack.layers:
        return {"slowness": draw_slowness, **lower}
    return {"slowness": draw_slowness, "dispersion": draw_phase, **lower}


def cut_page(curves: CutCurves) -> Figure:
    """The page with all of them, in the style that is set."""
    figure = style.new_figure(11.0, 8.6)
    places = list(figure.subplots(2, 2).ravel())
    for draw in panels(curves).values():
        draw(places.pop(0), curves)
    for axes in places:
        axes.remove()
    figure.suptitle(_title(curves), fontsize=11.0)
    return figure


def _title(curves: CutCurves) -> str:
    stack = curves.stack
    below = f"{stack.material.name}, {stack.orientation}"
    words = ["free-standing membrane, air on both sides" if stack.is_membrane else below]
    words += [f"{layer.material.name}, {layer.thickness * 1e6:.4g} µm" for layer in stack.layers]
    words += [f"short at interface {number}" for number in stack.shorts]
    if curves.frequency is not None:
        words.append(f"{curves.frequency / 1e6:.6g} MHz")
    lines = [words[0]]
    if words[1:]:
        lines.append(fill("; ".join(words[1:]), WIDEST))
    if curves.leading is not None:
        lines.append(_wave_text(curves.leading))
    return "\n".join(lines)


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


def draw_phase(axes: Axes, curves: CutCurves) -> None:
    """Phase velocity of the guided waves against frequency times thickness."""
    axes.set_title("guided waves: phase velocity", loc="left")
    _draw_branches(axes, curves, "phase_velocity", "phase velocity v (m/s)")


def draw_group(axes: Axes, curves: CutCurves) -> None:
    """Group velocity of the guided waves against frequency times thickness."""
    axes.set_title("guided waves: group velocity", loc="left")
    _draw_branches(axes, curves, "group_velocity", "group velocity along x1 (m/s)")


def _draw_branches(axes: Axes, curves: CutCurves, name: str, label: str) -> None:
    """Curves by family; each with its name where it leaves the picture."""
    if not curves.branches:
        axes.text(0.5, 0.5, "not followed", transform=axes.transAxes, ha="center")
        return
    told: set[str] = set()
    shown = curves.branches[:MOST_WAVES]
    values = np.concatenate([getattr(branch, name) for branch in shown])
    values = values[np.isfinite(values)]
    # A wave near its cut-off runs as fast as it likes: the picture ends at thrice the slowest half.
    top = min(float(values.max()), 3.0 * float(np.median(values)))
    low = min(0.0, float(values.min())) if name == "group_velocity" else 0.94 * float(values.min())
    ends: list[tuple[float, float, str]] = []
    for branch, own in zip(shown, curves.names, strict=False):
        family, line = _family_line(branch.kind, own)
        x, y = branch.frequency_thickness, getattr(branch, name)  # Hz m = MHz µm
        there = np.flatnonzero(np.isfinite(y))
        if there.size < SHORTEST:
            continue
        axes.plot(x, y, label=None if family in told else family, **line.keywords())
        told.add(family)
        if own and y[there[-1]] <= top:
            ends.append((float(x[there[-1]]), float(y[there[-1]]), own))
    axes.set_ylim(1.05 * low, top + 0.25 * (top - low))
    _name_ends(axes, ends, NAME_HEIGHT * (top - low))
    thickness = shown[0].thickness
    first, last = shown[0].frequency[[0, -1]] * thickness
    axes.set_xlim(first, last + 0.07 * (last - first))
    for number, limit in enumerate(curves.bulk_limits):
        onset = "onset of a bulk wave" if number == 0 else None
        axes.axhline(limit, color=style.GREEN, linestyle=":", linewidth=1.0, label=onset)
    assert curves.frequency is not None
    axes.axvline(
        curves.frequency * thickness, color=style.BLACK, linestyle="--", linewidth=0.9,
        label=f"{curves.frequency / 1e6:.6g} MHz",
    )  # fmt: skip
    axes.set_xlabel("frequency times thickness of all layers (MHz µm)")
    axes.set_ylabel(label)
    axes.legend(loc="upper right", ncols=2, fontsize=8.0)


def _name_ends(axes: Axes, ends: list[tuple[float, float, str]], height: float) -> None:
    """Names beside the ends of curves, lifted where two would lie upon each other."""
    free = -np.inf
    for x, y, name in sorted(ends, key=lambda end: end[1]):
        free = max(y, free + height)
        axes.annotate(
            name, (x, free), xytext=(3, 0), textcoords="offset points", fontsize=8.0, va="center"
        )


def _family_line(kind: str, name: str) -> tuple[str, style.Line]:
    """Words and line of a branch: by Lamb's families where it has a name, else by its kind."""
    family = name.rstrip("0123456789")
    lines = {"A": ("antisymmetric", 0), "S": ("symmetric", 1), "SH": ("shear-horizontal", 2)}
    if family in lines:
        words, number = lines[family]
        return words, style.LINES[number]
    across = "Love" in kind or "horizontal" in kind or "Bleustein" in kind
    if kind.startswith("plate"):
        return ("shear-horizontal", style.LINES[2]) if across else ("sagittal", style.LINES[3])
    return (kind, style.LINES[2] if across else style.LINES[1 if "Sezawa" in kind else 0])


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
    for one, least in ((axes, 1.0), (right, 0.1)):  # room for the legend; no rounding blown up
        low, high = one.get_ylim()
        spare = max(0.0, 0.5 * (least - (high - low)))
        low, high = low - spare, high + spare
        one.set_ylim(low, high + 0.22 * (high - low))
    axes.set_xlabel("direction θ from x1 towards x2 (deg)")
    axes.set_ylabel("velocity v (m/s)", color=style.BLUE)
    right.set_ylabel("power-flow angle ψ (deg)", color=style.VERMILION)
    axes.ticklabel_format(axis="y", useOffset=False)
    handles = [*axes.get_legend_handles_labels()[0], *right.get_legend_handles_labels()[0]]
    names = [*axes.get_legend_handles_labels()[1], *right.get_legend_handles_labels()[1]]
    right.legend(handles, names, loc="upper center", fontsize=8.0)
