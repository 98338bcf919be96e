"""Resonators and transversal filters on cells of several electrodes, by both models of a device.

Held against the same devices written as tracks, against conservation laws, and the second model
against the plain grating that two of its electrodes a cell are.
"""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.case import Case
from sawfem.datafiles import shipped_file
from sawfem.design import Electrode, Stack, UnitCell
from sawfem.device.endless_array import mutual_admittances
from sawfem.device.finite_array import CellSet, toeplitz_product
from sawfem.device.harmonic_samples import HarmonicSamples
from sawfem.errors import CaseError, GeometryError
from sawfem.extract import solve_grating
from sawfem.pipeline.build import build, connections_of
from sawfem.pipeline.devices import solve_any_device
from sawfem.pipeline.second import with_second_model
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.mesh import MeshSettings

BASE = Case.load(shipped_file("cases", "buoy-low-loss")).to_dict()
TABLES = {key: BASE[key] for key in ("substrate", "grating")} | {
    "band": {"start": "860 MHz", "stop": "876 MHz", "points": 161},
    "results": {"accuracy": 1e-2},
}
FILTER = {
    "kind": "transversal",
    "fingers": [600, 450],
    "aperture": "0.4 mm",
    "gap": "100 um",
    "mirrored": [False, True],
    "propagation_loss": "2.0 dB/us",
}
AS_TRACK = {
    "track": {
        "name": "row",
        "aperture": "0.4 mm",
        "propagation_loss": "2.0 dB/us",
        "elements": [
            {"transducer": "in", "fingers": 600},
            {"space": "100 um", "surface": "free"},
            {"transducer": "out", "fingers": 450, "mirrored": True},
        ],
    },
    "device": {
        "kind": "circuit",
        "parts": [{"part": "row", "nodes": ["a", "b"]}],
        "ports": [{"name": "in", "node": "a"}, {"name": "out", "node": "b"}],
    },
}
RESONATOR = {
    "kind": "resonator",
    "fingers": 300,
    "reflector_fingers": [900, 600],
    "aperture": "0.2 mm",
    "propagation_loss": "2.0 dB/us",
}


@pytest.fixture(scope="module")
def solved():
    case = Case.from_dict(TABLES | {"device": FILTER}).resolved()
    design = build(case)
    tied = connections_of(case, "main")
    return design, {"main": solve_grating(design.cells["main"], accuracy=1e-2, connections=tied)}


def _device(tables, solved):
    case = Case.from_dict(TABLES | tables).resolved()
    design, solutions = solved
    return case, *solve_any_device(case, design.stack, design.cells, solutions)


def test_a_filter_is_its_track(solved):
    _, one, told = _device({"device": FILTER}, solved)
    _, other, _ = _device(AS_TRACK, solved)
    np.testing.assert_allclose(one.response.s, other.response.s, rtol=1e-12, atol=1e-15)
    assert all(check.ok for check in one.response.checks.values())
    assert one.response.figures["insertion_loss"].uncertainty > 0.0
    # 200 and 150 waves of 3.616 um at some 3138.6 m/s, between them 100 um less what is counted
    # with the cells: the delay from middle to middle.
    delay = one.response.figures["delay"].value
    assert delay == pytest.approx((175 * 3.616e-6 + 100e-6) / 3140.0, rel=3e-3)
    # C of a half wave is half of that per finger pair.
    pair = solved[1]["main"].constants.capacitance_per_pair
    ratio = one.response.figures["static_capacitance_output"].value / (150 * pair * 0.4e-3)
    assert ratio == pytest.approx(1.0, rel=2e-2)
    assert not [text for text in told if "launches away" in text]


def test_a_matched_pair_loses_less_than_bidirectional_ones(solved):
    # Two bidirectional transducers lose 6 dB at the least (common practice). Without losses and
    # with a matched source each, this pair launches nearly all towards the other.
    bare = {k: v for k, v in FILTER.items() if k != "propagation_loss"}
    _, device, _ = _device({"device": bare | {"sheet_resistance": 0.0}}, solved)
    y = device.response.y
    # Greatest power gain of a passive reciprocal two-port under simultaneous conjugate match,
    # k - sqrt(k^2 - 1) with Rollett's k (Rollett, IRE Trans. Circuit Theory CT-9, 29 (1962)).
    g11, g22 = y[:, 0, 0].real, y[:, 1, 1].real
    product = y[:, 0, 1] * y[:, 1, 0]
    k = (2.0 * g11 * g22 - product.real) / np.abs(product)
    loss = -10.0 * np.log10(k - np.sqrt(np.maximum(k**2 - 1.0, 0.0)))
    assert 0.0 <= loss.min() < 1.0
    _, away, told = _device({"device": bare | {"mirrored": [True, False]}}, solved)
    assert any("input and the output launches away" in text for text in told)
    s21 = np.abs(away.response.s[:, 1, 0]).max() / np.abs(device.response.s[:, 1, 0]).max()
    assert s21 < 0.5


def test_a_resonator_is_its_track_and_goes_on_in_its_cells(solved):
    _, one, _ = _device({"device": RESONATOR}, solved)
    # From the last strip of a cell to the first of the next: 3.616 - 2.712 + 0.452 um.
    gap = "1.356 um"
    elements = [
        {"reflector": 900},
        {"space": gap},
        {"transducer": "1", "fingers": 300},
        {"space": gap},
        {"reflector": 600},
    ]
    elements[2]["transducer"] = "hot"
    track = AS_TRACK["track"] | {"aperture": "0.2 mm", "elements": elements}
    circuit = {
        "kind": "circuit",
        "parts": [{"part": "row", "nodes": ["a"]}],
        "ports": [{"name": "one", "node": "a"}],
    }
    _, other, _ = _device({"track": track, "device": circuit}, solved)
    np.testing.assert_allclose(one.response.s, other.response.s, rtol=1e-9)
    assert one.kind == "resonator"
    assert all(check.ok for check in one.response.checks.values())
    # The same as a part of a larger device.
    part = {k: v for k, v in RESONATOR.items() if k != "kind"} | {"name": "arm"}
    ring = circuit | {"parts": [{"part": "arm", "nodes": ["a"]}]}
    _, third, _ = _device({"resonator": part, "device": ring}, solved)
    np.testing.assert_allclose(third.response.s, one.response.s, rtol=1e-12)


def test_the_second_model_knows_such_cells(solved):
    case, device, _ = _device({"device": FILTER | {"fingers": [300, 300]}}, solved)
    design, solutions = solved
    same, told = with_second_model(case, device, design.cells, solutions)
    (found,) = same.second_model
    assert told == ()
    assert same.response.checks["second_model"].ok
    assert found.conductance_ratio == pytest.approx(1.0, abs=0.01)
    assert found.radiated is None  # of one electrode a period alone


def test_two_electrodes_a_cell_are_the_plain_grating_electrode_by_electrode():
    """Currents of cells (hot, ground) against those of the electrodes one by one, V = 1, 0, 1, 0.

    Two reductions of the same sum, on meshes of their own.
    """
    wave, metal = 4.0e-6, "aluminium/kaye-laby"
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    mesh = MeshSettings(order=3, gradings=2, ratio=0.15)
    plain = UnitCell.grating(stack, metal, pitch=0.5 * wave, thickness=0.02 * wave)
    drawn = UnitCell(
        stack,
        [Electrode(metal, 0.02 * wave, 0.25 * wave, centre=c * wave) for c in (0.25, 0.75)],
        wave,
    )
    cells, f, damping = 20, 966e6, 0.5e6
    given = {"tolerance": 1e-4, "mesh": mesh, "losses": False, "training": (4, 7)}
    one, two = (CellModel(cell, (0.999 * f, 1.001 * f), **given) for cell in (plain, drawn))
    single = mutual_admittances(one, f, damping, 2 * cells, tolerance=1e-4).values
    samples = HarmonicSamples(two, damping, ("hot", "ground"))
    array = CellSet("+" * cells)
    double = mutual_admittances(samples, f, damping, cells, answer=array.admittance).values
    V = np.resize([1.0 + 0j, 0.0], 2 * cells)
    expected = V @ toeplitz_product(single, V[:, None])[:, 0]
    assert array.admittance(double) == pytest.approx(expected, rel=3e-3)
    np.testing.assert_allclose(double[:4], single[:8:2], rtol=0.0, atol=2e-3 * abs(single[0]))


@pytest.mark.parametrize(
    ("tables", "key", "value", "words"),
    [
        (FILTER, "fingers", [600, 601], "a multiple of 3"),
        (FILTER, "transducer", "double", "the cell says what is tied"),
        (FILTER, "mirrored", [True], "two of true and false"),
        (FILTER, "gap", "0.4 um", "more than the electrode width"),
        (RESONATOR, "reflector_fingers", 200, "a multiple of 3"),
        (RESONATOR, "reflector_connection", "open", "bus-bars are joined"),
        (RESONATOR, "transverse_modes", True, "one electrode a period"),
    ],
)
def test_one_line_for_what_such_devices_cannot_be(tables, key, value, words):
    with pytest.raises(CaseError, match=words):
        build(Case.from_dict(TABLES | {"device": tables | {key: value}}).resolved())


def test_sets_of_cells_and_samples_say_what_they_need():
    with pytest.raises(GeometryError, match="one \\+ or more"):
        CellSet("+-")
    assert CellSet("+0+").drive.tolist() == [1.0, 0.0, 1.0]
