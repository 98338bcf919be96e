"""What a device does to a signal, as columns of a sweep."""

from __future__ import annotations

from typing import Any

import pytest
from test_pipeline_circuits import BASE

from sawfem.case import Case
from sawfem.errors import CaseError
from sawfem.pipeline.devices import solve_any_device
from sawfem.result.signals import signal_figures
from sawfem.sweep import point

FILTER = {
    "kind": "transversal",
    "fingers": [40, 30],
    "aperture": "20 wavelength",
    "gap": "150 wavelength",
    "propagation_loss": "2 dB/us",
}
SIGNAL = {
    "carrier": "878 MHz",
    "symbol_rate": "2 MHz",
    "modulation": "qpsk",
    "fingers": {"from": 20, "to": 60, "points": 3},
}


def kept(solved_grating: Any, monkeypatch: pytest.MonkeyPatch, **signal: Any) -> tuple[Any, Any]:
    case = Case.from_dict({**BASE, "device": FILTER, "signal": {**SIGNAL, **signal}}).resolved()
    monkeypatch.setattr(point, "_solved", lambda *args: solved_grating)
    return case, point.numbers(case, "device")


def test_the_figures_of_a_run_are_columns(solved_grating, monkeypatch) -> None:
    case, found = kept(solved_grating, monkeypatch, interference="-20 dB")
    device, _ = solve_any_device(
        case, solved_grating.cell.stack, {"main": solved_grating.cell}, {"main": solved_grating}
    )
    figures = signal_figures(device.signal)
    for name in point.SIGNAL:
        column = f"figures.{name}"
        if name in figures:
            assert found["values"][column] == pytest.approx(float(figures[name]), rel=1e-9)
    total = found["values"]["figures.error_vector_magnitude"]
    parts = [
        found["values"][f"figures.error_vector_{part}"] for part in ("intersymbol", "interference")
    ]
    # Independent errors add as powers.
    assert total == pytest.approx((parts[0] ** 2 + parts[1] ** 2) ** 0.5, rel=1e-6)


def test_what_is_not_known_says_why(solved_grating, monkeypatch) -> None:
    _, found = kept(solved_grating, monkeypatch)
    assert found["values"]["figures.error_vector_interference"] is None
    assert "no interference" in found["reasons"]["figures.error_vector_interference"]


def test_a_signal_that_does_not_come_through_leaves_the_point(solved_grating, monkeypatch) -> None:
    def blocked(case: Any, *args: Any) -> None:
        if case.signal is not None:
            raise CaseError(key="signal.carrier", found="nothing", expected="one that passes")

    monkeypatch.setattr("sawfem.pipeline.devices.solve_signal", blocked)
    _, found = kept(solved_grating, monkeypatch)
    assert found["values"]["figures.error_vector_magnitude"] is None
    assert "one that passes" in found["reasons"]["figures.error_vector_magnitude"]
    assert found["values"]["figures.insertion_loss"] > 0.0
