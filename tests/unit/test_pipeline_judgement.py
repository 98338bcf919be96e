"""What is said, and what is withdrawn, where the device model ends."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.device import Response
from sawfem.extract import GratingConstants
from sawfem.pipeline.judgement import judged
from sawfem.quantities import Quantity

NAMES = (
    "resonance",
    "antiresonance",
    "coupling_k2_effective",
    "peak_resistance",
    "quality_factor_resonance",
    "quality_factor_antiresonance",
)


@pytest.fixture
def constants() -> GratingConstants:
    """A quiet grating around 900 MHz."""
    return GratingConstants(
        pitch=2e-6,
        metallisation_ratio=0.5,
        velocity=3620.0,
        stopband_short=(9.00e8, 9.10e8),
        stopband_open=(9.10e8, 9.30e8),
        reflection_per_electrode=-0.017 + 0j,
        transduction_per_electrode=0.1 + 0j,
        coupling_k2=0.05,
        coupling_k2_effective=0.06,
        capacitance_per_pair=4e-10,
        capacitance_fitted_per_pair=4e-10,
        attenuation=1e-3,
        attenuation_open=1.5e-3,
        resonant_edge="lower",
        bulk_onset=8.0e8,
        fit_band=(8.9e8, 9.4e8),
        fit_misfit=0.01,
        next_bulk_onset=9.9e8,
    )


def response(low: float, high: float) -> Response:
    frequency = np.linspace(low, high, 5)
    one = np.ones((5, 1, 1), dtype=complex)
    return Response(
        frequency=frequency,
        y=one,
        s=0.1 * one,
        reference=np.full((5, 1), 50.0 + 0j),
        figures={name: Quantity.of(name, 1.0) for name in NAMES},
        reasons={},
        checks={},
    )


def test_nothing_is_withdrawn_of_a_quiet_grating(constants):
    answer, warnings = judged(response(8.5e8, 9.6e8), constants, 1e6)
    assert set(answer.figures) == set(NAMES)
    assert warnings == []


def test_a_leaky_antiresonance_keeps_its_figures(constants):
    """The equations hold the losses of both edges: nothing needs to be taken back."""
    leaky = replace(constants, attenuation=1e-4, attenuation_open=1.4e-2)
    answer, warnings = judged(response(8.5e8, 9.6e8), leaky, 1e6)
    assert set(answer.figures) == set(NAMES)
    assert warnings == []


def test_a_band_beside_the_stop_band_has_no_resonance(constants):
    answer, warnings = judged(response(1.0e9, 1.1e9), constants, 1e6)
    assert answer.figures == {}
    assert "900.00 to 930.00 MHz" in answer.reasons["resonance"]
    assert any("no resonance is reported" in text for text in warnings)


def test_bulk_onset_inside_the_band_and_missing_loss_are_said(constants):
    _, warnings = judged(response(8.5e8, 1.05e9), constants, 0.0)
    (told,) = [text for text in warnings if "above 990.00 MHz" in text]
    assert told.endswith("the response, by coupling of modes, leaves out")
    _, warnings = judged(response(8.5e8, 1.05e9), constants, 0.0, second_model=True)
    (told,) = [text for text in warnings if "above 990.00 MHz" in text]
    assert told.endswith("leaves out; the second model, in its own band, has them")
    assert any("upper bounds" in text for text in warnings)


def test_a_band_that_leaves_out_the_edge_that_resonates_is_said(constants):
    """The band holds a part of the stop band, 900 to 930 MHz, but not its resonant edge."""
    edge = dict(zip(("lower", "upper"), constants.stopband_short, strict=True))
    resonant = edge[constants.resonant_edge]
    _, warnings = judged(response(resonant + 5e6, 1.05e9), constants, 1e6)
    assert any(f"leaves out {resonant / 1e6:.2f} MHz" in text for text in warnings)
    _, warnings = judged(response(resonant - 5e6, 9.6e8), constants, 1e6)
    assert warnings == []
