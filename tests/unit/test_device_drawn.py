"""Transducers on cells of several electrodes: where they lie, and to which side they launch."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.case import Case
from sawfem.datafiles import shipped_file
from sawfem.device.drawn import DrawnCell, DrawnElectrode
from sawfem.device.geometry import layout_of
from sawfem.device.rows import solve_track
from sawfem.device.section import transducer_section
from sawfem.device.track import Gratings, Reflector, Space, Track, Transducer
from sawfem.errors import CaseError, GeometryError
from sawfem.extract.constants import ComConstants

#: Invented.
P = 2e-6
MAIN = ComConstants(P, 3900.0, -0.02, 0.02, 1.5e-10)
PAIR = DrawnCell(
    2 * P, (DrawnElectrode(0.5 * P, 1e-6, "hot"), DrawnElectrode(1.5 * P, 1e-6, "ground")), 0.5 * P
)
THREE = DrawnCell(
    2 * P,
    (
        DrawnElectrode(0.25 * P, 0.5e-6, "hot"),
        DrawnElectrode(0.75 * P, 0.5e-6, "ground"),
        DrawnElectrode(1.5 * P, 1e-6, "ground"),
    ),
    0.25 * P,
)
GRATINGS = Gratings(
    {"main": MAIN, "two": MAIN, "three": MAIN},
    widths={"main": 1e-6, "two": 1e-6, "three": 0.5e-6},
    velocity_free=3990.0,
    drawn={"two": PAIR, "three": THREE},
)
F = np.linspace(900e6, 1050e6, 61)


def row(grating: str) -> Track:
    return Track(
        1e-4,
        (
            Reflector(grating, 40),
            Space(2.5e-6),
            Transducer("a", grating, 40),
            Space(30e-6, "free"),
            Transducer("b", grating, 30),
            Space(2.5e-6),
            Reflector(grating, 40),
        ),
        sheet_resistance=0.2,
    )


def test_a_plain_grating_drawn_as_pairs_is_the_same_device():
    plain, drawn = (solve_track(row(name), GRATINGS, F) for name in ("main", "two"))
    np.testing.assert_allclose(drawn.admittance, plain.admittance, rtol=1e-12)
    np.testing.assert_allclose(drawn.resistance, plain.resistance, rtol=1e-12)
    one, other = (layout_of(row(name), GRATINGS) for name in ("main", "two"))
    np.testing.assert_allclose([s.left for s in one.strips], [s.left for s in other.strips])
    assert [s.kind for s in one.strips] == [s.kind for s in other.strips]


def test_directivity_grows_with_the_reflection():
    # With d = 0 and arg k = 2 arg a - pi/2 the equations of sawfem/extract/coupled.py give
    # |P23|/|P13| = exp(|k| L): what a distributed reflector sends to one side (module equations).
    k = 0.0059
    one_sided = ComConstants(P, 3900.0, -1j * k, 0.02, 1.5e-10)
    for electrodes in (20, 100, 400):
        M = transducer_section(one_sided, electrodes, 1e-4, [one_sided.centre_frequency]).matrix[0]
        assert abs(M[1, 2] / M[0, 2]) == pytest.approx(np.exp(k * electrodes), rel=1e-9)


def test_a_mirrored_transducer_launches_to_the_other_side():
    turned, straight = (
        solve_track(
            Track(1e-4, (Transducer("a", "three", 60, mirrored=mirrored),)), GRATINGS, F
        ).strips[0]
        for mirrored in (True, False)
    )
    np.testing.assert_allclose(turned.matrix, straight.mirrored().matrix)
    left, right = (
        layout_of(Track(1e-4, (Transducer("a", "three", 6, mirrored=m),)), GRATINGS)
        for m in (False, True)
    )
    np.testing.assert_allclose(
        [s.left for s in right.strips],
        [left.length - s.right for s in left.strips[::-1]],
        atol=1e-15,
    )
    assert [s.kind for s in left.strips] == ["upper", "lower", "lower"] * 2


def test_a_space_runs_from_electrode_to_electrode():
    # Planes of the sections and the spaces add up to where the electrodes are drawn.
    elements = (
        Transducer("a", "three", 6),
        Space(30e-6, "free"),
        Transducer("b", "three", 6, mirrored=True),
    )
    strips = layout_of(Track(1e-4, elements), GRATINGS).strips
    last, first = strips[5], strips[6]
    between = 0.5 * (first.left + first.right) - 0.5 * (last.left + last.right)
    assert between == pytest.approx(30e-6)


def test_what_such_cells_cannot_be():
    with pytest.raises(GeometryError, match="a multiple of 3"):
        solve_track(Track(1e-4, (Transducer("a", "three", 61),)), GRATINGS, F)
    open_ = (Transducer("a", "three", 6), Reflector("three", 6, "open"))
    with pytest.raises(GeometryError, match="open cells"):
        solve_track(Track(1e-4, open_), GRATINGS, F)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("track.row.elements[0].fingers", 601, "a multiple of 3"),
        ("track.row.elements[0].polarity", [1, -1], "the cell says what is tied"),
    ],
)
def test_one_line_for_what_a_case_cannot_ask(key, value, words):
    case = Case.load(shipped_file("cases", "buoy-low-loss"))
    with pytest.raises(CaseError, match=words):
        case.edit({key: value}).resolved()
