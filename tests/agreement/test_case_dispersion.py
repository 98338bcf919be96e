"""The dispersion map of a case: several electrodes a wave, its errors, an interruption."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.extract import solve_grating
from sawfem.pipeline import dispersion
from sawfem.unitcell import dispersion as dispersionmodes
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.dispersionmap import dispersion_map
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.rowstore import RowStore

ALUMINIUM = "aluminium/kaye-laby"


def on_niobate(strips, wavelength):
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    electrodes = [Electrode(ALUMINIUM, "80 nm", width, centre=centre) for width, centre in strips]
    return UnitCell(stack, electrodes, wavelength)


def two():
    """Hot and ground, half a wave apart, unlike in width so that the edges stay apart."""
    return on_niobate([("1 um", "1 um"), ("1.2 um", "3 um")], "4 um"), ("hot", "ground")


def three():
    """Hot, floating and ground electrodes a wave."""
    strips = [("0.6 um", "0.7 um"), ("0.6 um", "2 um"), ("0.6 um", "3.3 um")]
    return on_niobate(strips, "4 um"), ("hot", "floating", "ground")


@pytest.mark.slow
@pytest.mark.parametrize("make", [two, three], ids=["two electrodes", "three electrodes"])
def test_at_two_pi_the_curves_end_on_the_edges_of_the_stop_band(make, monkeypatch):
    """The edges come from the small model at one phase with connected electrodes, the curves from
    the certified one at all phases with electrical states: two ways to the same frequencies. All
    electrodes of a wave act alike at 2 pi; at gamma = 1e-5 they differ by its square.
    """
    monkeypatch.setattr(dispersion, "FREQUENCIES", 7)
    monkeypatch.setattr(dispersion, "PHASES", 3)
    monkeypatch.setattr(dispersion, "REACH", 0.02)
    monkeypatch.setattr(dispersion, "BAND", (0.97, 1.05))
    cell, connections = make()
    solution = solve_grating(cell, accuracy=1e-3, connections=connections)
    found = dispersion.grating_dispersion(solution, connections, lambda *_: None)
    assert found.phases[0] == pytest.approx(1e-5)
    low, high = found.frequencies[[0, -1]]
    for edges, curves in ((solution.band.shorted, found.short), (solution.band.open, found.open)):
        ends = np.array([c.frequencies[0] for c in curves if c.phases[0] == found.phases[0]])
        inside = [edge.frequency for edge in edges if low < edge.frequency.real < high]
        assert len(inside) >= 1
        for frequency in inside:
            assert np.min(np.abs(ends / frequency - 1.0)) < 3e-7
    # The driven terminal is the hot bus-bar: Y at 2 pi is that of the connected small model, but
    # for the charge w eps gamma <phi>^2 of the mean potential, 6e-6 S/m here.
    for column, frequency in enumerate(found.frequencies):
        y = complex(solution.band.model.admittance(float(frequency))[0, 0])
        assert found.admittance[0, column] == pytest.approx(y, rel=2e-6, abs=1e-5)
    # Two roots of three electrodes lie beside the onset where a contour ends: still counted.
    assert found.doubts == ()
    assert 0.0 < found.mode_mesh_error < 3e-4
    assert 1e-6 < found.relative_error < 1e-2


@pytest.fixture(scope="module")
def models():
    cell = UnitCell.grating(
        Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0]),
        ALUMINIUM,
        pitch="2 um",
        thickness="80 nm",
    )
    return [
        CellModel(cell, (7.6e8, 7.9e8), (3.0, np.pi), mesh=mesh, tolerance=1e-6, training=(5, 5))
        for mesh in (MeshSettings(3, 2, 0.15), MeshSettings(2, 1, 0.15))
    ]


def test_an_interrupted_map_goes_on_where_it_was(models, tmp_path, monkeypatch):
    fine, coarse = models
    grids = np.linspace(7.6e8, 7.9e8, 9), np.linspace(3.0, np.pi, 6)
    whole = dispersion_map(fine, *grids, coarser=coarse)

    def interrupt(done, total):
        if done >= 4:
            raise KeyboardInterrupt

    kept = tmp_path / "rows"
    with pytest.raises(KeyboardInterrupt):
        dispersion_map(fine, *grids, coarser=coarse, kept=kept, progress=interrupt)
    rows = []
    answers = CellModel.answers

    def counted(self, frequencies, phase):
        rows.append((self is fine, phase))
        return answers(self, frequencies, phase)

    monkeypatch.setattr(CellModel, "answers", counted)
    again = dispersion_map(fine, *grids, coarser=coarse, kept=kept)
    assert rows == [(True, g) for g in grids[1][4:]] + [(False, g) for g in grids[1]]
    for name in ("admittance", "bound", "mesh_error"):
        np.testing.assert_array_equal(getattr(again, name), getattr(whole, name))
    rows.clear()  # another map does not take these rows for its own
    dispersion_map(fine, grids[0][:-1], grids[1], kept=kept)
    assert len(rows) == 6


def test_the_distance_to_a_coarser_mesh_overstates_the_error(models):
    """Against a third, finer mesh: away from poles the finer map is nearer to it than told."""
    fine, coarse = models
    grids = np.linspace(7.6e8, 7.9e8, 7), np.array([3.0, 3.05])
    told = dispersion_map(fine, *grids, coarser=coarse)
    better = CellModel(
        fine._source.discretisation.cell,
        fine.region.frequencies,
        (3.0, 3.05),
        mesh=MeshSettings(4, 3, 0.15),
        tolerance=1e-6,
        training=(5, 3),
    )
    error = np.abs(told.admittance - dispersion_map(better, *grids).admittance)
    assert np.all(error < told.mesh_error)
    size = np.abs(told.admittance)
    assert float(np.median(error / size)) < told.relative_error
    assert any("next coarser mesh" in text for text in told.remarks())


def test_a_damaged_store_starts_anew(tmp_path):
    path = tmp_path / "rows"
    path.write_bytes(b"nothing of the kind" * 100)
    with RowStore(path, "a") as store:
        assert store.get("0", 2) is None
        store.put("0", np.array([1.0, 2.0j]))
    with RowStore(path, "a") as store:
        np.testing.assert_array_equal(store.get("0", 2), [1.0, 2.0j])
        assert store.get("0", 3) is None
    with RowStore(path, "b") as store:
        assert store.get("0", 2) is None


def test_doubtful_roots_are_told_in_the_map(models, monkeypatch):
    """A mode set with a root that nothing confirms, and one that was miscounted."""
    fine, _ = models
    honest = dispersionmodes.modes_at_phase

    def doubted(model, phase, frequencies=None, *, state=None):
        found = honest(model, phase, frequencies, state=state)
        assert found.sure
        assert found.remarks() == ()
        ghost = replace(found.modes[0], frequency=7.7e8 + 0j, error=2e7)
        changed = replace(found, doubtful=(ghost,), counted=phase > 3.115)
        assert not changed.sure
        return changed

    monkeypatch.setattr(dispersionmodes, "modes_at_phase", doubted)
    found = dispersion_map(fine, np.linspace(7.6e8, 7.9e8, 3), np.array([3.1, 3.13]))
    kinds = [kind for kind, _ in found.doubts]
    assert (kinds.count("short"), kinds.count("open")) == (3, 3)
    roots = [doubt for _, doubt in found.doubts if doubt.frequency is not None]
    assert {doubt.phase for doubt in roots} == {3.1, 3.13}
    assert all(doubt.error == 2e7 for doubt in roots)
    text = " ".join(found.remarks())
    assert "does not confirm" in text
    assert "winding" in text
    assert found.to_dict()["remarks"] == list(found.remarks())
