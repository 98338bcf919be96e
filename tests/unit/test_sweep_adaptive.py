"""Adaptive sweeps, interpolants, polynomial fits and tables for other tools.

The land of tests.support.sweeps is a closed form, so that every error can be measured.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import h5py
import numpy as np
import pytest
from scipy.interpolate import CubicSpline, make_interp_spline

from sawfem.case import Case
from sawfem.cli import main
from sawfem.errors import InputError, OutputError
from sawfem.export.design_table import write_design_table
from sawfem.result.sweep_interpolant import fit_polynomial, interpolant, smooth
from sawfem.sweep.plan import plan_sweep
from sawfem.sweep.run import execute_sweep
from sawfem.sweep.view import open_origin, open_sweep
from tests.support import sweeps


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def run(aims: str, points: int = 200, tolerance: float = 1e-3, axes: int = 2, **more):
    text = sweeps.ADAPTIVE.format(points=points, tolerance=tolerance, aims=aims)
    if axes == 1:
        text = text[: text.rindex("[[sweep.axis]]")]
    Path("hills.toml").write_text(text, encoding="utf-8")
    plan = plan_sweep(Case.load("hills.toml"))
    folder = Path(more.pop("folder", "here"))
    return execute_sweep(plan, folder=folder, workers=0, function=sweeps.hills, **more)


def land(places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    both = np.array([sweeps.hilly(x, y) for x, y in places])
    return both[:, 0], both[:, 1]


def test_an_interpolant_reaches_its_tolerance() -> None:
    """At two hundred places that nobody chose, within the tolerance and the error told."""
    warnings: list[str] = []
    table = run('refine = ["velocity_free"]', progress=lambda p: warnings.append(p.warning)).table
    assert not any(warnings)
    assert 20 < table.size < 150
    found = interpolant(table, "velocity_free")
    places = np.random.default_rng(3).uniform([30.0, 0.0], [50.0, 40.0], (200, 2))
    truth = land(places)[0]
    error = np.abs(found(places) - truth).max()
    spread = np.ptp(truth)
    assert error < 2e-3 * spread
    assert error < found.error
    with pytest.raises(InputError, match=r"rotations\[0\]: found 51; expected 30 to 50"):
        found([[51.0, 3.0]])


def test_points_go_where_it_is_steep() -> None:
    """The land falls off towards small v: more points lie there."""
    table = run('refine = ["velocity_free"]', tolerance=2e-4).table
    v = table.coordinate("substrate.rotations[1]").values
    assert (v < 20.0).sum() > 1.2 * (v > 20.0).sum()


def test_a_zero_is_followed() -> None:
    """Along one axis to the closed form's zero; over two, points gather at the curve."""
    table = run('zero = "power_flow_angle"', axes=1, tolerance=1e-3).table
    x = table.coordinate("substrate.rotations[0]").values
    assert table.size < 30
    nearest = np.sort(np.abs(x - 42.1))[:2]  # u = 0.21
    assert nearest.max() < 20.0 * 1e-3
    both = run('zero = "power_flow_angle"', points=150, tolerance=0.02, folder="two").table
    values = np.abs(both.values["power_flow_angle"])
    assert (values < 0.05).sum() > 0.25 * both.size


def test_a_zero_that_is_only_touched_is_found() -> None:
    """Leakage has no sign: the least is followed where nothing changes sign."""
    from sawfem.sweep.adaptive import _Search

    search = _Search(1, 60, 1e-3, (), "attenuation")
    while new := search.next_round():
        found = {
            index: {"attenuation": (float(search.places[index][0]) - 0.3141) ** 2} for index in new
        }
        search.learn(found)
    assert search.reached
    assert len(search.places) < 40
    closest = min(abs(float(place[0]) - 0.3141) for place in search.places)
    assert closest < 1e-3


def test_a_budget_that_is_too_small_is_told() -> None:
    warnings: list[str] = []
    table = run(
        'refine = ["velocity_free"]',
        points=12,
        tolerance=1e-6,
        progress=lambda p: warnings.append(p.warning),
    ).table
    assert table.size == 12
    assert "12 points were not enough for the tolerance: velocity_free errs by" in warnings[-1]


def test_an_interrupted_adaptive_sweep_takes_the_same_way() -> None:
    whole = run('refine = ["velocity_free"]', folder="whole")
    seen: list[int] = []

    def impatient(how_far: object) -> None:
        seen.append(1)
        if len(seen) % 7 == 0:
            raise KeyboardInterrupt

    for _ in range(60):
        try:
            parts = run('refine = ["velocity_free"]', folder="parts", progress=impatient)
            break
        except KeyboardInterrupt:
            assert open_sweep("parts").done <= whole.table.size
    assert Path(parts.files[0]).read_bytes() == Path(whole.files[0]).read_bytes()


def test_one_axis_is_a_natural_spline() -> None:
    """Radial functions over one axis, against SciPy's natural splines of degree three and five."""
    few = np.array([0.0, 0.2, 0.5, 0.6, 1.0])
    at = np.linspace(0.0, 1.0, 101)
    spline = CubicSpline(few, np.sin(5.0 * few), bc_type="natural")
    found = smooth(few[:, None], np.sin(5.0 * few))(at[:, None])
    np.testing.assert_allclose(found, spline(at), atol=1e-9)
    many = np.sort(np.append(np.random.default_rng(5).uniform(0.0, 1.0, 12), [0.0, 1.0]))
    natural = [(3, 0.0), (4, 0.0)]
    quintic = make_interp_spline(many, np.sin(5.0 * many), 5, bc_type=(natural, natural))
    found = smooth(many[:, None], np.sin(5.0 * many))(at[:, None])
    np.testing.assert_allclose(found, quintic(at), atol=1e-7)


def test_a_polynomial_is_found_again() -> None:
    """The angle of the land is of second degree: the fit is exact, the lower one is not."""
    table = run('refine = ["velocity_free"]').table
    fit = fit_polynomial(table, "power_flow_angle", 2)
    assert fit.residual < 1e-12
    assert fit.checked < 1e-12
    term = fit.powers.tolist().index([0, 2])
    assert fit.coefficients[term] == pytest.approx(0.3, rel=1e-10)
    places = np.random.default_rng(3).uniform([30.0, 0.0], [50.0, 40.0], (50, 2))
    np.testing.assert_allclose(fit(places), land(places)[1], atol=1e-12)
    plane = fit_polynomial(table, "power_flow_angle", 1)
    assert 0.05 < plane.residual <= plane.checked
    with pytest.raises(InputError, match="lower degree"):
        fit_polynomial(table, "velocity_free", 20)


def test_tables_for_other_tools(capsys: pytest.CaptureFixture[str]) -> None:
    table = run('refine = ["velocity_free"]').table
    for suffix in ("csv", "json", "h5"):
        assert main(["show", "here", "--export", f"out.{suffix}", "--fit", "3"]) == 0
    lines = Path("out.csv").read_text(encoding="utf-8").splitlines()
    notes = [line for line in lines if line.startswith("#")]
    assert any("Bechmann" in line and "sha256" in line for line in notes)
    assert any("velocity_free (m/s)" in line and "checked" in line for line in notes)
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == table.size
    velocity = [float(row["velocity_free (m/s)"]) for row in rows]
    np.testing.assert_array_equal(velocity, table.values["velocity_free"])
    angle = [float(row["substrate.rotations[0] (deg)"]) for row in rows]
    np.testing.assert_array_equal(angle, table.coordinates[0].values)

    told = json.loads(Path("out.json").read_text(encoding="utf-8"))
    assert told["format"] == "sawfem.design-table/1"
    assert told["columns"]["velocity_free"]["unit"] == "m/s"
    error = told["columns"]["velocity_free"]["interpolation_error"]
    assert 0.0 < error < 0.05 * np.ptp(velocity)
    assert "quartz/bechmann-1958" in told["provenance"]["materials"]
    fit = next(f for f in told["polynomials"] if f["column"] == "velocity_free")
    assert fit["residual"] >= fit["residual_rms"] > 0.0

    again = open_sweep("out.h5")
    np.testing.assert_array_equal(again.values["velocity_free"], table.values["velocity_free"])
    assert open_origin("out.h5").materials == open_origin("here").materials
    with h5py.File("out.h5") as file:
        held = json.loads(file["remarks/checked_errors"].asstr()[()])
    assert held["velocity_free"] == error
    with pytest.raises(OutputError, match=r"\.csv, \.json, \.h5"):
        write_design_table(table, "out.xls")
    capsys.readouterr()
