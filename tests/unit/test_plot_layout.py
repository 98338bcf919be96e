"""The layout as rectangles and as a picture; the drawing of a circuit."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.colors import to_hex

from sawfem.device import Resonator
from sawfem.device.assembly import Circuit, ResonatorPart, ladder
from sawfem.device.circuit import CircuitPort
from sawfem.device.geometry import layout_of
from sawfem.device.lump import Lump
from sawfem.device.track import Gratings, Reflector, Space, Track, Transducer
from sawfem.extract.constants import ComConstants
from sawfem.plot import style
from sawfem.plot.layout import draw_circuit, draw_layout

PITCH = 2e-6
MAIN = ComConstants(PITCH, 4000.0, -0.1, 0.19, 2.3e-10)
GRATINGS = Gratings({"main": MAIN}, widths={"main": 0.9e-6})
TRACK = Track(
    80e-6,
    (
        Reflector("main", 10, "open"),
        Space(5e-6),
        Transducer("a", "main", 21, weights=tuple(np.linspace(0.2, 1.0, 21))),
        Space(30e-6, "free"),
        Transducer("b", "main", 9, (1, -1, 0)),
    ),
)
PARTS = {
    "row": TRACK,
    "r": ResonatorPart(Resonator(31, (8, 0), 60e-6, 1.3 * PITCH), "main"),
    "bond": Lump(inductance=0.5e-9),
}


def test_electrodes_lie_where_they_were_asked_for():
    layout = layout_of(TRACK, GRATINGS)
    centres = np.unique([round(0.5e9 * (s.left + s.right)) for s in layout.strips])  # nm
    steps = np.diff(centres)
    assert centres.size == 10 + 21 + 9
    assert sorted(set(steps)) == [2000, 5000, 30000]  # pitch and both spaces, centre to centre
    assert all(s.right - s.left == pytest.approx(0.9e-6) for s in layout.strips)
    # neighbours overlap over the mean of their weights
    driven = [s for s in layout.strips if s.bottom > 0.0 or s.top < 1.0]
    own = [s for s in driven if (s.kind == "upper") == (s.top == 1.0 and s.bottom > 0.0)]
    tips = {round(1e9 * s.left): (s.bottom if s.kind == "upper" else s.top) for s in own}
    first, second = list(tips.values())[:2]
    assert second - first == pytest.approx(0.5 * (0.2 + 0.24))
    assert {s.kind for s in layout.strips} == {"open", "upper", "lower", "middle"}


def test_layout_of_a_resonator():
    layout = layout_of(PARTS["r"], GRATINGS)
    assert len(layout.strips) == 39
    assert layout.length == pytest.approx((39 + 0.3) * PITCH)
    assert layout.spans[0][2] == "reflector 8 shorted"


def test_pictures_show_every_part():
    chain = [("series", ["r"]), ("shunt", ["r", "bond"]), ("series", ["row"])]
    circuit = ladder(PARTS, chain, [("antenna", 50.0), ("receiver", 50 - 8j)])
    with style.house_style():
        figure = draw_layout(circuit, GRATINGS)
        titles = [axes.get_title(loc="left") for axes in figure.axes]
        assert any("r, placed 2 times" in title for title in titles)
        assert any(title.startswith("row") for title in titles)
        assert any("8 shorted strips" in title for title in titles)
        bars = {to_hex(c) for drawn in figure.axes[0].collections for c in drawn.get_facecolor()}
        assert {"#888888", style.BLUE.lower()} <= bars  # of reflectors, and of the first port
        assert figure.axes[0].get_xlim()[1] == pytest.approx(
            1e6 * layout_of(PARTS["r"], GRATINGS).length
        )
        drawing = draw_circuit(circuit)
        texts = " ".join(text.get_text() for text in drawing.axes[0].texts)
    assert "antenna" in texts
    assert "50-8j" in texts
    assert "500 pH" in texts
    assert texts.count("row") == 1


def test_nothing_to_draw_is_none():
    ports = (CircuitPort("1", ("a", "ground")),)
    lumps = Circuit(PARTS, (("bond", (("a", "ground"),)),), ports)
    assert draw_layout(lumps, GRATINGS) is None
    assert draw_circuit(lumps) is None


def test_power_and_limits_are_drawn():
    from sawfem.device.assembled import circuit_response
    from sawfem.plot.power import draw_power
    from sawfem.plot.response import draw_response
    from sawfem.result import device_result

    circuit = ladder(
        PARTS, [("series", ["r"]), ("shunt", ["r", "bond"])], [("1", 50.0), ("2", 50.0)]
    )
    f = np.linspace(950e6, 1050e6, 101)
    device = device_result("ladder", circuit_response(circuit, GRATINGS, f), {}, ["1", "2"])
    limit = {"quantity": "insertion_loss", "kind": "at_most", "limit": 3.0}
    line = {**limit, "from_hz": 990e6, "to_hz": 1010e6}
    held = device_result("ladder", device.response)
    object.__setattr__(held, "specification", (line,))
    with style.house_style():
        shares = draw_power(device)
        labels = {text.get_text() for text in shares.legends[0].get_texts()}
        plain, marked = draw_response(device), draw_response(held)
    assert "waves leaving the tracks" in labels
    assert "networks" not in labels
    assert len(marked.axes[0].lines) == len(plain.axes[0].lines) + 1
    assert marked.axes[0].get_ylim() == plain.axes[0].get_ylim()
