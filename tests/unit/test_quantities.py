"""The table of quantities: fixed keys, closed suffixes, JSON without NaN."""

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest

from sawfem.errors import NotFoundError
from sawfem.quantities import (
    Quantity,
    entry,
    json_key,
    json_safe,
    name_of_key,
    suffixes,
    table,
    to_json,
)

# Keys on which other programs build.
FIXED_KEYS = {
    "velocity": "velocity_m_per_s",
    "stopband_short": "stopband_short_hz",
    "stopband_open": "stopband_open_hz",
    "reflection_per_electrode": "reflection_per_electrode",
    "transduction_per_electrode": "transduction_per_electrode_sqrt_S_per_m",
    "coupling_k2": "coupling_k2",
    "coupling_k2_effective": "coupling_k2_effective",
    "capacitance_per_pair": "capacitance_per_pair_F_per_m",
    "capacitance_fitted_per_pair": "capacitance_fitted_per_pair_F_per_m",
    "attenuation": "attenuation_dB_per_wavelength",
    "kind": "kind",
    "velocity_free": "velocity_free_m_per_s",
    "velocity_metallised": "velocity_metallised_m_per_s",
    "power_flow_angle": "power_flow_angle_deg",
    "eps_inf": "eps_inf_F_per_m",
    "resonance": "resonance_hz",
    "antiresonance": "antiresonance_hz",
    "static_capacitance": "static_capacitance_F",
    "centre_frequency": "centre_frequency_hz",
    "insertion_loss": "insertion_loss_dB",
    "group_delay": "group_delay_s",
    "temperature": "temperature_K",
}


@pytest.mark.parametrize(("name", "key"), FIXED_KEYS.items())
def test_fixed_keys(name, key):
    assert json_key(name) == key
    assert name_of_key(key) == name


def test_rows_are_complete_and_keys_unique():
    keys = [row.json_key for row in table().values()]
    assert len(set(keys)) == len(keys)
    for name, row in table().items():
        assert re.fullmatch(r"[a-z][a-z0-9_]*", name)
        assert row.label
        assert row.definition.endswith(".")
        assert row.unit in suffixes()
        assert (row.form == "text") == (row.unit == "text")


def test_attributes_and_axis_labels():
    attributes = entry("velocity").attributes()
    assert attributes["unit"] == "m/s"
    assert attributes["symbol"] == "v"
    assert attributes["long_name"] == "velocity"
    assert entry("coupling_k2").attributes()["unit"] == ""
    assert entry("frequency").axis_label("MHz") == "frequency f (MHz)"
    assert entry("insertion_loss").axis_label() == "insertion loss -20 log10 |S21| (dB)"


def test_json_schema_allows_null_and_complex_edges():
    schema = entry("stopband_short").json_schema()
    assert schema["type"] == ["array", "null"]
    assert entry("velocity").json_schema()["type"] == ["number", "null"]


def test_unknown_names_give_the_nearest():
    with pytest.raises(NotFoundError, match=r'"velocty", an unknown quantity; .*nearest: velocity'):
        json_key("velocty")
    with pytest.raises(NotFoundError, match="nearest: velocity_m_per_s"):
        name_of_key("velocity_m_per_sec")


PRINTED = [
    (Quantity.of("velocity", 3875.7123, 0.041), "3875.71 ± 0.04 m/s"),
    (Quantity.of("coupling_k2", 0.05432, 1.1e-5), "5.4320 ± 0.0011 %"),
    (Quantity.of("resonance", 867.78e6, 2e4), "867.78 ± 0.02 MHz"),
    (Quantity.of("reflection_per_electrode", 0.006088 + 0j, 2.1e-5), "0.609 ± 0.002 %"),
    (
        Quantity.of("reflection_per_electrode", 0.006088 - 0.001j, 2.1e-5),
        "0.609 - 0.100j ± 0.002 %",
    ),
    (Quantity.of("velocity", math.nan), "not known"),
    (Quantity(5.0, None, "m"), "5 m"),
    (Quantity(120.0), "120"),
]


@pytest.mark.parametrize(("quantity", "text"), PRINTED)
def test_quantities_print_themselves(quantity, text):
    assert str(quantity) == text


def test_quantity_is_frozen_and_converts():
    quantity = Quantity.of("velocity", 3158.07)
    assert float(quantity) == 3158.07
    assert quantity.known
    with pytest.raises(AttributeError):
        quantity.value = 1.0
    with pytest.raises(TypeError, match="complex"):
        float(Quantity.of("reflection_per_electrode", 0.01j))


def test_json_has_no_nan():
    values = {
        "velocity": Quantity.of("velocity", 3158.0),
        "stopband_open": (math.nan, np.float64(870e6)),
        "reflection_per_electrode": 0.006 - 0.001j,
        "transduction_per_electrode": complex(math.nan, 0.0),
        "harmonic_admittance": np.array([1j, math.inf]),
        "kind": "rayleigh",
    }
    text = json.dumps(to_json(values), allow_nan=False)
    assert json.loads(text) == {
        "velocity_m_per_s": 3158.0,
        "stopband_open_hz": [None, 870e6],
        "reflection_per_electrode": [0.006, -0.001],
        "transduction_per_electrode_sqrt_S_per_m": None,
        "harmonic_admittance_S_per_m": [[0.0, 1.0], None],
        "kind": "rayleigh",
    }


def test_json_safe_leaves():
    assert json_safe({1: (True, None, Path("a") / "b", np.int64(3))}) == {
        "1": [True, None, "a/b", 3]
    }
    with pytest.raises(TypeError, match="no JSON"):
        json_safe(object())
