"""Figures of two models compared, by hand; their picture, file and JSON object."""

from dataclasses import replace

import h5py
import numpy as np
import pytest

from sawfem.device.comparison import BulkRadiation, ModelComparison
from sawfem.export.hdf5_node import Node
from sawfem.export.second_model_hdf5 import read_second_model, write_second_model
from sawfem.plot.second_model import draw_second_model
from sawfem.result.container import DeviceResult, Port


@pytest.fixture
def compared():
    """1 mS + j 10 mS, by the second model 2 % more, and 3 dB more at one place."""
    frequency = np.linspace(860e6, 900e6, 401)
    coupled = np.full(401, 1e-3 + 1e-2j)
    ratio = np.full(401, 1.02)
    ratio[300] = 10.0 ** (3.0 / 20.0)
    return ModelComparison(
        name="resonator",
        frequency=frequency,
        coupled=coupled,
        summed=ratio * coupled,
        computed=frequency[::40],
        damping=0.44e6,
        fit_band=(865e6, 895e6),
        peaks=((870e6, 870e6 * (1 + 4e-6)), (888e6, 888e6 * (1 - 9e-5))),
        error=1e-5,
        phases=500,
        interpolation=1e-3,
    )


def test_figures_by_hand(compared):
    assert compared.quality_factor == pytest.approx(1000.0)
    assert compared.band == (865e6, 895e6)
    # 2 f/Q = 1.76 MHz on either side of both peaks is left out.
    away = np.abs(compared.frequency[:, None] - np.ravel(compared.peaks)) > 1.76e6
    assert np.all(away.all(axis=1)[compared.apart])
    assert compared.apart.sum() == 301 - 35 - 36  # the antiresonances stand 0.08 MHz apart
    two_per_cent = 20.0 * np.log10(1.02)
    assert compared.worst == (890e6, pytest.approx(3.0))
    assert compared.typical_difference == pytest.approx(two_per_cent)
    peak = (10.0 ** (3.0 / 20.0) - 1.02) * 0.1e6 / 30e6
    assert compared.conductance_ratio == pytest.approx(1.02 + peak, rel=1e-9)
    assert compared.disagreement == pytest.approx(9e-5 / 1e-4)  # the antiresonance is worst
    assert replace(compared, peaks=()).disagreement == pytest.approx((0.02 + peak) / 0.03)
    assert compared.limit == 1.0
    assert replace(compared, leaky=True).limit == replace(compared, meeting=True).limit == 5.0
    figures = compared.figures()
    assert float(figures["second_model_antiresonance_shift"]) == pytest.approx(-9e-5)
    assert float(figures["second_model_difference_at"]) == 890e6
    assert str(figures["second_model_difference_at"]) == "890 MHz"


def test_bulk_share_by_hand(compared):
    """0.1 of 1.02 mS everywhere; a place where it cannot be told is passed over."""
    at = np.array([860e6, 870e6, 880e6, 900e6])
    bulk = np.array([1e-4, -1.0, 1e-4, 1e-4])
    told = BulkRadiation(at, 1e-3 - bulk, bulk, np.array([1, 2, 1, 1]))
    assert told.clear.tolist() == [True, False, True, True]
    assert told.share == pytest.approx([0.1, -1e3, 0.1, 0.1])
    found = replace(compared, radiated=told)
    assert found.bulk_conductance() == pytest.approx(np.full(401, 1e-4))
    assert found.bulk_share == pytest.approx(0.1 / compared.conductance_ratio)
    assert float(found.figures()["bulk_radiation"]) == found.bulk_share
    assert np.isnan(compared.bulk_conductance()).all()
    assert "bulk_radiation" not in compared.figures()


def test_nothing_apart_from_the_peaks(compared):
    wide = replace(compared, damping=20e6)
    assert not wide.apart.any()
    assert "second_model_difference" not in wide.figures()
    assert np.isnan(wide.typical_difference)
    assert np.isfinite(wide.disagreement)


def test_file_object_and_picture(compared, one_port, tmp_path):
    at = compared.computed
    told = BulkRadiation(at, np.full(11, 9e-4), np.full(11, 1e-4), np.ones(11, dtype=np.int64))
    compared = replace(compared, radiated=told)
    with h5py.File(tmp_path / "two.h5", "w") as file:
        place = file.create_group("second_model", track_order=True)
        write_second_model(place, (compared, replace(compared, name="input", fit_band=None)))
    with h5py.File(tmp_path / "two.h5") as file:
        first, second = read_second_model(Node(file["second_model"], "two.h5"))
    for name in ("frequency", "coupled", "summed", "computed"):
        assert np.array_equal(getattr(first, name), getattr(compared, name))
    for name in ("name", "damping", "fit_band", "peaks", "error", "phases", "interpolation"):
        assert getattr(first, name) == getattr(compared, name)
    for name in ("frequency", "waves", "bulk", "count"):
        assert np.array_equal(getattr(first.radiated, name), getattr(told, name))
    assert second.fit_band is None
    device = DeviceResult("resonator", one_port, (Port("1", 50.0),), second_model=(compared,))
    (told,) = device.to_dict()["second_model"]
    assert told["band_hz"] == [865e6, 895e6]
    assert told["figures"]["second_model_conductance"] == compared.conductance_ratio
    assert told["frequencies_computed"] == 11
    upper, lower, carriers = draw_second_model(compared).axes
    assert len(upper.lines) == 5  # two curves, the computed points, two ends of the fit
    assert lower.get_ylim()[1] > 3.0
    assert [line.get_ydata()[5] for line in carriers.lines] == pytest.approx([1.02, 0.1, 0.1])
    assert len(draw_second_model(replace(compared, radiated=None)).axes) == 2
