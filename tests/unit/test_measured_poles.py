"""Rational admittances of devices of several ports: known poles, passivity, netlists read back."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from sawfem.case import Case
from sawfem.cli import main
from sawfem.device.network import admittance_to_scattering, as_references
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.rows import solve_track
from sawfem.device.track import Element, Gratings, Reflector, Space, Track, Transducer
from sawfem.errors import CaseError, InputError
from sawfem.export.spice_poles import rational_netlist
from sawfem.extract.constants import ComConstants
from sawfem.measured.poles import RationalAdmittance, find_poles, fit_poles, made_passive
from sawfem.pipeline import fitrational
from sawfem.pipeline.fitrational import relative
from sawfem.touchstone import read_touchstone
from tests.unit.test_measured_comparison import BASE

TURN = 2.0 * np.pi


def known(conductance: float = 2e-4) -> RationalAdmittance:
    """Three pairs of poles in half a per cent around 868 MHz, and what else a port has."""
    poles = TURN * (-np.array([0.2e6, 0.35e6, 0.1e6]) + 1j * np.array([866.9e6, 868e6, 869.4e6]))
    ports = np.array(
        [[[1.0, 0.6], [0.6, 0.4]], [[0.7, -0.7], [-0.7, 0.8]], [[0.3, 0.2], [0.2, 0.3]]]
    )
    residues = TURN * 400.0 * ports * np.exp(0.2j)
    return RationalAdmittance(
        poles,
        residues,
        conductance * np.eye(2),
        np.array([[5e-12, -2e-13], [-2e-13, 4e-12]]),
        np.array([1e8, 0.0]),
        (866e6, 870e6),
    )


def scattering(y: ComplexArray) -> ComplexArray:
    return admittance_to_scattering(y, as_references(50.0, len(y), y.shape[-1]))


def fitted(f: FloatArray, y: ComplexArray, tolerance: float):
    s = scattering(y)
    return fit_poles(f, y, lambda m: relative(scattering(m), s), tolerance=tolerance), s


def test_known_poles_come_back() -> None:
    truth = known()
    f = np.linspace(*truth.band, 401)
    found, _ = fitted(f, truth.at(f), 1e-7)
    strong = np.abs(found.model.residues).max(axis=(1, 2)) > 1e-3 * np.abs(truth.residues).max()
    poles = found.model.poles[strong]
    order = np.argsort(poles.imag)
    np.testing.assert_allclose(poles[order], truth.poles, rtol=1e-9)
    np.testing.assert_allclose(
        found.model.residues[strong][order], truth.residues, rtol=1e-4, atol=1e-3
    )
    z = find_poles(f, truth.at(f), 3)
    np.testing.assert_allclose(
        np.sort_complex(868e6j + 2e6 * z), np.sort_complex(truth.poles / TURN), rtol=1e-6
    )


def rows() -> dict[str, tuple[Track, Gratings, FloatArray]]:
    """Invented rows: a filter of two resonators that couple, and one that launches to one side."""
    p = 2.3e-6
    coupled: tuple[Element, ...] = (
        Reflector("g", 80),
        Space(1.1e-6),
        Transducer("a", "g", 31),
        Space(1.1e-6),
        Transducer("b", "g", 41),
        Space(1.1e-6),
        Reflector("g", 80),
    )
    q = 1.8136e-6
    sided = (
        Transducer("a", "g", 400),
        Space(100e-6, "free"),
        Transducer("b", "g", 400, mirrored=True),
    )
    return {
        "coupled": (
            Track(120e-6, coupled, attenuation=40.0),
            Gratings({"g": ComConstants(p, 3900.0, -0.03, 0.02, 2.4e-10)}, velocity_free=3990.0),
            np.linspace(800e6, 900e6, 601),
        ),
        "sided": (
            Track(0.4e-3, sided, attenuation=70.0),
            Gratings({"g": ComConstants(q, 3138.6, -0.0059j, 0.0059, 2.9e-11)}, velocity_free=3158),
            np.linspace(860e6, 876e6, 601),
        ),
    }


@pytest.mark.parametrize("name", ["coupled", "sided"])
def test_rows_of_two_ports_within_tolerance_and_passive_everywhere(name: str) -> None:
    """Passive by the eigenvalues of Re Y from 1 MHz to 100 GHz and by the Hamiltonian matrix."""
    track, gratings, f = rows()[name]
    found, s = fitted(f, solve_track(track, gratings, f).admittance, 2e-3)
    model = found.model
    assert found.tried[-1][1] <= 2e-3
    assert model.poles.size <= 22
    assert np.all(model.poles.real < 0.0)
    wide = np.unique(
        np.concatenate([np.geomspace(1e6, 1e11, 4001), np.linspace(f[0], f[-1], 4001)])
    )
    assert model.least(wide).min() >= 0.0
    assert model.crossings().size == 0
    assert model.added < 1e-5
    # Within 0.2 dB wherever the transfer is less than 30 dB below its peak.
    t, m = (20.0 * np.log10(np.abs(v[:, 1, 0])) for v in (s, scattering(model.at(f))))
    assert np.abs(t - m)[t > t.max() - 30.0].max() < 0.2


def test_where_an_admittance_makes_power_and_that_it_no_longer_does() -> None:
    """One port without a conductance: Re Y = Re R/(s - p) + .. passes zero where a root says."""
    lone = replace(
        known(),
        poles=TURN * np.array([-0.2e6 + 868e6j]),
        residues=TURN * np.array([[[400.0 + 300.0j]]]),
        conductance=np.array([[1e-5]]),
        capacitance=np.array([[5e-12]]),
        inverse_inductance=np.zeros(1),
    )

    def real(at: float) -> float:
        return float(lone.least(np.array([at]))[0])

    scan = np.linspace(860e6, 876e6, 4001)
    turns = np.flatnonzero(np.diff(np.sign(lone.least(scan))))
    roots = [brentq(real, scan[n], scan[n + 1], xtol=1e-3) for n in turns]
    assert len(roots) >= 1
    found = [c for c in lone.crossings() if scan[0] < c < scan[-1]]
    np.testing.assert_allclose(found, roots, rtol=1e-8)
    passive = made_passive(lone)
    f = np.linspace(860e6, 876e6, 20001)
    assert lone.least(f).min() < 0.0 <= passive.least(f).min()
    assert passive.crossings().size == 0


def solved_netlist(text: str, name: str, f: FloatArray) -> ComplexArray:
    """Y (F, n, n) of a netlist of R, L, C and G by nodal analysis; the last terminal is ground."""
    lines = [line.split() for line in text.splitlines() if line and not line.startswith("*")]
    assert lines[0][:2] == [".subckt", name]
    assert lines[-1] == [".ends", name]
    terminals = lines[0][2:]
    ground = terminals[-1]
    nodes = dict.fromkeys(terminals[:-1])
    for words in lines[1:-1]:
        nodes |= dict.fromkeys(node for node in words[1:-1] if node != ground)
    place = {node: number for number, node in enumerate(nodes)}
    assert len({words[0] for words in lines[1:-1]}) == len(lines) - 2
    Y = np.zeros((f.size, len(place), len(place)), dtype=complex)
    jw = 2j * np.pi * f

    def add(out: str, back: str, plus: str, minus: str, y: ComplexArray | float) -> None:
        for row, a in ((out, 1.0), (back, -1.0)):
            for column, b in ((plus, 1.0), (minus, -1.0)):
                if row != ground and column != ground:
                    Y[:, place[row], place[column]] += a * b * y

    for label, *where, last in lines[1:-1]:
        value = float(last)
        if label[0] == "G":
            add(*where, value)
            continue
        assert value > 0.0
        y = {"R": 1.0 / value, "C": jw * value, "L": 1.0 / (jw * value)}[label[0]]
        add(*where, *where, y)
    n = len(terminals) - 1
    inner = np.linalg.solve(Y[:, n:, n:], Y[:, n:, :n])
    return np.asarray(Y[:, :n, :n] - Y[:, :n, n:] @ inner)


def test_the_netlist_answers_as_the_model() -> None:
    model = known()
    f = np.linspace(860e6, 880e6, 101)
    text = rational_netlist(
        model, [("in", "ground"), ("out", "ground")], "Two-port", comments=["x"]
    )
    assert text.startswith("* x\n.subckt two_port n_in n_out gnd\n")
    np.testing.assert_allclose(solved_netlist(text, "two_port", f), model.at(f), rtol=1e-9)
    with pytest.raises(InputError, match="balanced"):
        rational_netlist(model, [("a", "b"), ("out", "ground")], "x")
    # A balanced port is two terminals, whose currents are opposite.
    split = replace(model, capacitance=np.diag(np.diag(model.capacitance)))
    text = rational_netlist(split, [("a", "b"), ("out", "ground")], "x")
    Y = solved_netlist(text, "x", f)
    np.testing.assert_allclose(Y[:, 0, 0], split.at(f)[:, 0, 0], rtol=1e-9)
    np.testing.assert_allclose(Y[:, 1, :], -Y[:, 0, :], rtol=1e-9)


def test_data_that_cannot_be_used() -> None:
    f = np.linspace(860e6, 880e6, 101)
    y = known().at(f)
    for wrong, words in (
        (y * np.nan, "no finite numbers"),
        (y * np.array([[1.0, 2.0], [1.0, 1.0]]), "reciprocal"),
    ):
        with pytest.raises(InputError, match=words):
            fit_poles(f, wrong, lambda m: 0.0)
    with pytest.raises(InputError, match="increasing"):
        fit_poles(f[::-1], y, lambda m: 0.0)


def test_from_a_case_to_its_files(
    solved_grating: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Netlist, numbers, Touchstone file and case of one resonator agree with one another."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(fitrational, "solved_grating", lambda *args: solved_grating)
    device = {**BASE["device"], "propagation_loss": "10 dB/us"}  # else sharper than the steps
    band = {**BASE["band"], "points": 641}
    tables = {
        **BASE,
        "band": band,
        "device": device,
        "fit": {"model": "rational", "tolerance": 5e-3},
    }
    asked = Case.from_dict(tables)
    Path("one.toml").write_text(asked.to_toml())
    assert main(["fit", "one.toml", "--quiet"]) == 0
    answer = json.loads(Path("one-fitted.json").read_text())
    assert answer["difference_relative"] <= 5e-3, answer["tried"]
    assert answer["conductance_added_S"] < 1e-6
    data = read_touchstone(Path("one-fitted.s1p"))
    y = solved_netlist(Path("one-fitted.cir").read_text(), "one_fitted", data.frequency)
    z = data.reference.reshape(len(y), 1)
    np.testing.assert_allclose(admittance_to_scattering(y, z), data.scattering, atol=1e-9)
    written = Case.load("one-fitted.toml").resolved()
    assert [network.file.name for network in written.networks.values()] == ["one-fitted.s1p"]
    assert written.device.kind == "circuit"
    with pytest.raises(CaseError, match='model = "rational" beside it'):
        Case.from_dict({**BASE, "fit": {"model": "circuit", "tolerance": 1e-3}}).resolved()
