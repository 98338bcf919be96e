"""Pictures: there, repeatable, with units, and readable without telling colours apart."""

import itertools
import pickle
import re
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from sawfem.plot import draw_result, style
from sawfem.plot.admittance import draw_admittance
from sawfem.plot.mode import chosen_modes, draw_modes
from sawfem.plot.response import draw_response
from sawfem.result import device_result


def texts(figure):
    axes = [item for item in figure.axes if item.get_visible()]
    return [label for item in axes for label in (item.get_xlabel(), item.get_ylabel()) if label]


def legend(figure):
    return [text.get_text() for item in figure.legends for text in item.get_texts()]


def test_files_are_there_and_repeat(whole_result, tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    stages = []
    files = draw_result(whole_result, tmp_path / "a", progress=lambda *stage: stages.append(stage))
    assert [path.name for path in files] == [
        f"{name}.{suffix}"
        for name in ("harmonic-admittance", "cell", "mode", "response")
        for suffix in ("png", "svg")
    ]
    assert stages[0] == ("pictures", 0, 4)
    assert stages[-1] == ("pictures", 4, 4)
    again = draw_result(whole_result, tmp_path / "b")
    for first, second in zip(files, again, strict=True):
        assert first.read_bytes() == second.read_bytes(), first.name
        head = first.read_bytes()[:400]
        assert head.startswith(b"\x89PNG") if first.suffix == ".png" else b"<svg" in head


class Beside(Executor):
    """Another process, as far as draw_result can tell: what it is given is pickled and run."""

    def __init__(self, *, dies: bool = False):
        self.names, self.dies = [], dies

    def submit(self, function, name, *rest):
        future: Future = Future()
        if name.startswith("harmonic"):  # this one has not been begun
            return future
        future.set_running_or_notify_cancel()
        if self.dies:
            future.set_exception(BrokenProcessPool("gone"))
        else:
            self.names.append(name)
            work = pickle.loads(pickle.dumps((function, name, *rest)))
            future.set_result(work[0](*work[1:]))
        return future


@pytest.mark.parametrize("dies", [False, True])
def test_a_helper_draws_what_is_left_to_it_and_may_die(whole_result, tmp_path, dies):
    (tmp_path / "alone").mkdir()
    (tmp_path / "both").mkdir()
    alone = draw_result(whole_result, tmp_path / "alone")
    helper = Beside(dies=dies)
    both = draw_result(whole_result, tmp_path / "both", helper=helper)
    assert helper.names == ([] if dies else ["response", "mode", "cell"])
    assert [path.name for path in both] == [path.name for path in alone]
    for first, second in zip(alone, both, strict=True):
        assert first.read_bytes() == second.read_bytes(), first.name


def test_nothing_of_the_users_settings_shows(whole_result, tmp_path):
    bare = replace(whole_result, gratings={})
    files = draw_result(bare, tmp_path)
    kept = [path.read_bytes() for path in files]
    with mpl.rc_context({"font.size": 30.0, "axes.facecolor": "red"}):
        draw_result(bare, tmp_path)
        assert mpl.rcParams["font.size"] == 30.0
    assert [path.read_bytes() for path in files] == kept


def test_further_gratings_have_pictures_of_their_own(whole_result, tmp_path):
    main = whole_result.grating
    gratings = {"series": replace(main, modes=()), "shunt": replace(main, name="shunt")}
    files = draw_result(replace(whole_result, device=None, gratings=gratings), tmp_path)
    assert [path.name for path in files if path.suffix == ".svg"] == [
        "harmonic-admittance.svg",
        "cell.svg",
        "harmonic-admittance-shunt.svg",
        "cell-shunt.svg",
        "mode-shunt.svg",
    ]


@pytest.fixture(scope="module")
def figures(whole_result, two_port):
    with style.house_style():
        return {
            "admittance": draw_admittance(whole_result.grating),
            "mode": draw_modes(whole_result.grating),
            "one-port": draw_response(whole_result.device),
            "two-port": draw_response(device_result("transversal", two_port)),
        }


@pytest.mark.parametrize("name", ["admittance", "mode", "one-port", "two-port"])
def test_every_axis_has_a_unit(figures, name):
    labels = texts(figures[name])
    assert len(labels) >= 3
    for label in labels:
        has_unit = re.search(r"\((MHz|S/m|mS|dB|ns|µm|1)\)", label)
        assert has_unit or "over largest" in label, label


@pytest.mark.parametrize("name", ["admittance", "mode", "one-port", "two-port"])
def test_no_label_is_cut_or_overlaps_another(figures, name):
    figure = figures[name]
    with style.house_style():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        frame = figure.bbox
        axes = figure.axes
        words = [t for a in axes for t in (a.xaxis.label, a.yaxis.label, a.title)]
        words += [*figure.legends, *([figure._suptitle] if figure.get_suptitle() else [])]
        boxes = [
            (str(item), item.get_window_extent(renderer))
            for item in words
            if not hasattr(item, "get_text") or item.get_text()
        ]
    for text, box in boxes:
        assert min(box.x0, box.y0) >= -0.5, text
        assert box.x1 <= frame.x1 + 0.5, text
        assert box.y1 <= frame.y1 + 0.5, text
    for (first, a), (second, b) in itertools.combinations(boxes, 2):
        assert not a.overlaps(b), (first, second)


def test_stop_band_and_resonance_are_told_in_words(figures, whole_result):
    words = " | ".join(legend(figures["admittance"]))
    low, high = whole_result.constants.stopband_short
    assert f"stop band, shorted: {low / 1e6:.3f} to {high / 1e6:.3f} MHz" in words
    assert "stop band, open" in words
    assert f"resonance: the {whole_result.constants.resonant_edge} shorted edge" in words
    assert "two-mode fit" in words


def test_curves_of_one_panel_differ_in_style_not_in_colour_alone(figures):
    for figure in figures.values():
        for axes in figure.axes:
            named = [line for line in axes.lines if not line.get_label().startswith("_")]
            looks = [
                (line._dash_pattern, line.get_marker()) for line in named if len(line.get_xdata())
            ]
            assert len({str(look) for look in looks}) == len(looks)


def test_panels_hold_data(figures):
    for name, figure in figures.items():
        for axes in figure.axes:
            assert axes.has_data() or axes.get_label() == "<colorbar>", name


def linear_rgb(colour):
    value = np.array([int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


# Simulation of full protanopia, deuteranopia and tritanopia in linear RGB: Machado, Oliveira,
# Fernandes, IEEE Trans. Vis. Comput. Graph. 15, 1291 (2009), severity 1 (from memory).
DEFICIENCIES = {
    "none": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}


def lab(linear):
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    t = xyz @ np.clip(linear, 0.0, 1.0) / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("matrix", DEFICIENCIES.values(), ids=DEFICIENCIES.keys())
def test_line_colours_stay_apart_for_every_eye(matrix):
    colours = [line.colour for line in style.LINES[:3]]
    seen = [lab(matrix @ linear_rgb(colour)) for colour in colours]
    for a, b in itertools.combinations(seen, 2):
        assert np.linalg.norm(a - b) > 15.0  # CIE 1976 difference; 2 is just noticeable


def test_resonance_comes_first(whole_result):
    grating = whole_result.grating
    assert [mode.edge for mode in chosen_modes(grating)] == ["short lower", "short upper"]
    upper = replace(grating, constants=replace(grating.constants, resonant_edge="upper"))
    assert [mode.edge for mode in chosen_modes(upper)] == ["short upper", "short lower"]
    one = replace(grating, modes=tuple(m for m in grating.modes if m.edge != "short upper"))
    assert [mode.edge for mode in chosen_modes(one)] == ["short lower", "open upper"]
    assert draw_modes(replace(grating, modes=())) is None


def test_incomplete_gratings_and_poor_responses_can_be_drawn(whole_result, two_port, tmp_path):
    grating = whole_result.grating
    constants = replace(
        grating.constants,
        stopband_short=(grating.constants.stopband_short[0], None),
        next_bulk_onset=5e8,
    )
    lame = replace(grating, constants=constants, two_mode_admittance=None)
    with style.house_style():
        figure = draw_admittance(lame)
        words = " | ".join(legend(figure))
        assert "edge, shorted" in words
        assert "left of the picture" in words
        assert len(figure.axes) == 1
        style.save_figure(figure, tmp_path, "lame")
        for count in (1, 2):
            response = replace(
                two_port,
                **{
                    name: getattr(two_port, name)[:count]
                    for name in ("frequency", "y", "s", "reference")
                },
                figures={},
            )
            figure = draw_response(device_result("transversal", response))
            style.save_figure(figure, tmp_path, f"poor-{count}")
        silent = replace(two_port, s=np.zeros_like(two_port.s), figures={})
        style.save_figure(draw_response(device_result("x", silent)), tmp_path, "silent")
