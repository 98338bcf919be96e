"""The layout of every track of a device, to scale, and its circuit as a drawing of nodes."""

from __future__ import annotations

import re

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from sawfem.device.assembly import Circuit, ResonatorPart
from sawfem.device.geometry import Layout, Strip, layout_of
from sawfem.device.lump import Lump
from sawfem.device.track import Gratings, Track
from sawfem.device.wiring import GROUND
from sawfem.plot import style
from sawfem.units import format_quantity

#: Colour and hatch-free name of each kind of electrode.
KINDS = {
    "upper": (style.BLUE, "on the upper bus-bar"),
    "lower": (style.VERMILION, "on the lower bus-bar"),
    "shorted": (style.BLACK, "shorted strips"),
    "open": (style.GREEN, "isolated strips"),
    "middle": (style.PURPLE, "held half-way"),
}
#: Texts of spans that are no transducer's, whose own begin with the name of a port.
_SPACE = re.compile(r"space( free| metallised)?")
_REFLECTOR = re.compile(r"reflector (?P<count>[0-9]+) (?P<how>shorted|open)")
#: Most parts of one picture, and electrodes of the enlarged stretch.
MOST, CLOSE = 6, 14
#: Height of bus-bars and of the break before a dummy finger, in units of the aperture.
BAR, BREAK = 0.06, 0.012


def draw_layout(circuit: Circuit, gratings: Gratings) -> Figure | None:
    """Every acoustic part as it lies on the crystal: whole, and a stretch enlarged.

    None for a circuit without one.
    """
    names = [
        name
        for name in dict.fromkeys(name for name, _ in circuit.placed)
        if isinstance(circuit.parts[name], ResonatorPart | Track)
    ]
    if not names:
        return None
    shown = names[:MOST]
    figure = style.new_figure(11.0, 1.2 + 1.9 * len(shown))
    panels = figure.subplots(len(shown), 2, squeeze=False, width_ratios=(2.0, 1.3))
    used: set[str] = set()
    for name, (whole, close) in zip(shown, panels, strict=True):
        part = circuit.parts[name]
        assert isinstance(part, ResonatorPart | Track)
        layout = layout_of(part, gratings)
        used |= {strip.kind for strip in layout.strips}
        _draw(whole, layout, 0.0, layout.length)
        _draw(close, layout, *_stretch(layout))
        times = sum(placed == name for placed, _ in circuit.placed)
        often = f", placed {times} times" if times > 1 else ""
        whole.set_title(f"{name}{often}: {_contents(layout)}", loc="left", fontsize=9)
        close.set_title("enlarged: the end of the first element", loc="left", fontsize=9)
    for axes in panels[-1]:
        axes.set_xlabel("along the track, x1 (µm)")
    if len(names) > len(shown):
        figure.suptitle(f"{len(names) - len(shown)} further parts are not drawn", fontsize=9)
    handles = [Patch(color=KINDS[kind][0], label=KINDS[kind][1]) for kind in KINDS if kind in used]
    figure.legend(handles=handles, loc="outside lower center", ncols=len(handles))
    return figure


def _contents(layout: Layout) -> str:
    told = [text for _, _, text in layout.spans if not _SPACE.fullmatch(text)]
    inside = ", ".join(
        f"{mirror['count']} {mirror['how']} strips"
        if (mirror := _REFLECTOR.fullmatch(text))
        else text
        for text in told
    )
    inside = inside if len(inside) < 60 else f"{inside[:57]}..."
    return f"{inside}; aperture {1e6 * layout.aperture:.4g} µm"


def _stretch(layout: Layout) -> tuple[float, float]:
    """A stretch of a few electrodes around the end of the first element."""
    pitch = min(
        b.left - a.left
        for a, b in zip(layout.strips, layout.strips[1:], strict=False)
        if b.left > a.left
    )
    joint = layout.spans[0][1] if len(layout.spans) > 1 else 0.5 * CLOSE * pitch
    low = max(joint - 0.5 * CLOSE * pitch, 0.0)
    return low, min(low + CLOSE * pitch, layout.length)


def _draw(axes: Axes, layout: Layout, low: float, high: float) -> None:
    """The stretch from ``low`` to ``high`` in metres; both axes in micrometres."""
    W = 1e6 * layout.aperture
    inside = [strip for strip in layout.strips if strip.right > low and strip.left < high]
    for kind, (colour, _) in KINDS.items():
        shapes = [_outline(strip, W) for strip in inside if strip.kind == kind]
        # Snapped to pixels, strips narrower than a few of them would show a false count.
        drawn = PolyCollection(shapes, facecolors=colour, edgecolors="none")
        drawn.set_snap(False)
        axes.add_collection(drawn)
    for left, right, text in layout.spans:
        if right > low and left < high and not _SPACE.fullmatch(text):
            mirror = _REFLECTOR.fullmatch(text)
            aside = next(s.aside for s in layout.strips if left < 0.5 * (s.left + s.right) < right)
            for bottom in (-BAR, 1.0):
                ends = 1e6 * np.array([max(left, low), min(right, high)])
                y = W * np.array([bottom, bottom + BAR]) + W * aside
                colour = "#888888" if mirror else KINDS["upper" if bottom > 0 else "lower"][0]
                if mirror is None or mirror["how"] == "shorted":
                    axes.fill_between(ends, y[0], y[1], color=colour, linewidth=0)
    axes.set_xlim(1e6 * low, 1e6 * high)
    moved = [0.0, *(strip.aside for strip in layout.strips)]
    axes.set_ylim((min(moved) - 2 * BAR) * W, (max(moved) + 1 + 2 * BAR) * W)
    axes.set_ylabel("x2 (µm)")
    axes.grid(False)


def _outline(strip: Strip, W: float) -> list[tuple[float, float]]:
    """Corners in micrometres; ends that do not reach a bus-bar stop short of it or of a dummy."""
    bottom = strip.bottom + (BREAK if strip.bottom > 0.0 or strip.kind == "upper" else 0.0)
    top = strip.top - (BREAK if strip.top < 1.0 or strip.kind == "lower" else 0.0)
    bottom, top = (bottom, top) if strip.kind != "open" else (2 * BREAK, 1 - 2 * BREAK)
    left, right = 1e6 * strip.left, 1e6 * strip.right
    bottom, top = bottom + strip.aside, top + strip.aside
    return [(left, W * bottom), (right, W * bottom), (right, W * top), (left, W * top)]


def draw_circuit(circuit: Circuit) -> Figure | None:
    """Nodes as dots, parts as boxes, ports as arrows. None for a single part."""
    if len(circuit.placed) < 2:
        return None
    places = _places(circuit)
    columns = max(x for x, _ in places.values()) + 1.0
    figure = style.new_figure(min(max(5.0, 1.5 * columns + 1.5), 16.0), 4.6)
    axes = figure.subplots()
    taken: dict[tuple[float, float], int] = {}
    heights = [
        _draw_part(axes, circuit, name, pairs, places, taken) for name, pairs in circuit.placed
    ]
    for node, (x, y) in places.items():
        axes.plot(x, y, "o", color=style.BLACK, markersize=5, zorder=4)
        axes.annotate(node, (x, y), (4, 5), textcoords="offset points", fontsize=8)
    for number, port in enumerate(circuit.ports):
        x, y = places.get(port.nodes[0], (0.0, 0.0))
        side = -0.7 if number == 0 else 0.7
        z = complex(port.impedance)
        ohm = f"{z.real:g}" if z.imag == 0.0 else f"{z.real:g}{z.imag:+g}j"
        against = "" if port.nodes[1] == GROUND else f"\nagainst {port.nodes[1]}"
        axes.annotate(
            f"{port.name}\n{ohm} Ω{against}",
            (x, y),
            (x + side, y),
            ha="center",
            va="center",
            fontsize=8.5,
            arrowprops={"arrowstyle": "-|>", "color": style.BLACK},
        )
    axes.set_xlim(-1.2, columns + 0.2)
    low = min(y for _, y in places.values())
    top = max(0.6, max(heights) + 0.4)
    axes.set_ylim(low - 1.9, top)
    figure.set_figheight(1.44 * (top - low + 1.9))
    axes.axis("off")
    return figure


def _places(circuit: Circuit) -> dict[str, tuple[float, float]]:
    """Nodes of the way from the first port to the last on a line, all others below it."""
    beside: dict[str, list[str]] = {}
    for _, pairs in circuit.placed:
        nodes = list(dict.fromkeys(n for pair in pairs for n in pair if n != GROUND))
        for node in nodes:
            beside.setdefault(node, []).extend(other for other in nodes if other != node)
    start, end = circuit.ports[0].nodes[0], circuit.ports[-1].nodes[0]
    way, seen = [[start]], {start}
    line = [start]
    while way:
        path = way.pop(0)
        if path[-1] == end:
            line = path
            break
        for node in beside.get(path[-1], []):
            if node not in seen:
                seen.add(node)
                way.append([*path, node])
    places = {node: (float(1.6 * n), 0.0) for n, node in enumerate(line)}
    waiting = [node for node in beside if node not in places]
    while waiting:
        node = next((n for n in waiting if any(o in places for o in beside[n])), waiting[0])
        waiting.remove(node)
        above = next((places[o] for o in beside[node] if o in places), (0.0, 0.0))
        x, y = above[0], above[1] - 1.0
        while any(abs(px - x) < 0.3 and abs(py - y) < 0.3 for px, py in places.values()):
            x += 0.8
        places[node] = (x, y)
    return places


def _draw_part(
    axes: Axes,
    circuit: Circuit,
    name: str,
    pairs: tuple[tuple[str, str], ...],
    places: dict[str, tuple[float, float]],
    taken: dict[tuple[float, float], int],
) -> float:
    """Draw a part and its wires; the height at which its box stands."""
    ends = [places[n] for n in dict.fromkeys(n for pair in pairs for n in pair) if n in places]
    grounded = any(GROUND in pair for pair in pairs)
    x = float(np.mean([end[0] for end in ends]))
    y = float(np.mean([end[1] for end in ends]))
    if len(ends) == 1 and grounded:
        y -= 0.9
    elif len(ends) > 2:
        y += 0.8
    here = (round(x, 1), round(y, 1))
    taken[here] = taken.get(here, 0) + 1
    if len(ends) == 1:
        x += 0.75 * (taken[here] - 1)
    else:
        y += 0.55 * (taken[here] - 1)
    for end in ends:
        axes.plot([end[0], x], [end[1], y], color=style.BLACK, linewidth=1.0, zorder=1)
    if grounded:
        axes.plot([x, x], [y, y - 0.55], color=style.BLACK, linewidth=1.0, zorder=1)
        for step in range(3):
            half = 0.16 - 0.05 * step
            level = y - 0.55 - 0.06 * step
            axes.plot([x - half, x + half], [level, level], color=style.BLACK, linewidth=1.2)
    part = circuit.parts[name]
    colour = style.SKY if isinstance(part, ResonatorPart | Track) else "#F2D5B8"
    axes.text(
        x,
        y,
        _label(name, part),
        ha="center",
        va="center",
        fontsize=8,
        zorder=3,
        bbox={"boxstyle": "round,pad=0.3", "facecolor": colour, "edgecolor": style.BLACK},
    )
    return y


def _label(name: str, part: object) -> str:
    if isinstance(part, Lump):
        values = (part.inductance, "H"), (part.capacitance, "F"), (part.resistance, "ohm")
        shown = next(format_quantity(v, unit, digits=3) for v, unit in values if v is not None)
        return f"{name}\n{shown}"
    return name
