"""The worked case with an invented measurement: where its file comes from, and what a fit finds."""

import json
from pathlib import Path

import numpy as np
import pytest

from sawfem.cli import main
from sawfem.datafiles import shipped_file
from sawfem.touchstone import read_touchstone
from tests.support.invented import FREQUENCY, NOISE, TRUTH, touchstone_text

NAMES = (
    "velocity",
    "reflection",
    "transduction",
    "capacitance",
    "propagation_loss",
    "resistance",
)


def test_the_measurement_is_the_one_that_was_invented(tmp_path: Path) -> None:
    """Regenerated; the last digit of another machine's arithmetic may differ."""
    shipped = shipped_file("cases", "buoy-measured").parent / "measured" / "buoy-wafer-3.s1p"
    assert "INVENTED DATA" in shipped.read_text().splitlines()[0]
    made = tmp_path / "made.s1p"
    made.write_text(touchstone_text())
    first, second = read_touchstone(shipped), read_touchstone(made)
    np.testing.assert_allclose(first.frequency, FREQUENCY, rtol=1e-12)
    np.testing.assert_allclose(first.scattering, second.scattering, atol=1.5e-6)


@pytest.mark.slow
def test_the_fit_finds_what_was_put_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["fit", "buoy-measured", "--set", "results.accuracy=1e-4", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["noise_like"]
    assert told["noise"] == pytest.approx(NOISE, rel=0.1)
    rows = {row["name"]: row for row in told["parameters"]}
    for name, truth in zip(NAMES, TRUTH, strict=True):
        assert rows[name]["low"] <= truth <= rows[name]["high"], name
    # the measurement beside the first case is found from the second one, elsewhere
    assert main(["check", "buoy-measured-fitted.toml"]) == 0
