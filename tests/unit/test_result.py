"""The JSON object of a run: fixed keys, no NaN, reasons for what is null, its own schema."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from sawfem.errors import InputError
from sawfem.export import constants_text, result_schema
from sawfem.planewave import Wave
from sawfem.quantities import Quantity
from sawfem.result import (
    DeviceResult,
    GratingResult,
    Port,
    Result,
    collect_checks,
    constants_dict,
    current_versions,
    device_result,
    grating_result,
    material_entry,
    two_mode_admittance,
    utc_now,
    wave_dict,
)
from tests.support.json_schema import violations

RUN_KEYS = [
    "format",
    "case",
    "title",
    "constants",
    "gratings",
    "waves",
    "checks",
    "device",
    "warnings",
    "cautions",
    "files",
]
CONSTANT_KEYS = {
    "grating",
    "velocity_m_per_s",
    "stopband_short_hz",
    "stopband_open_hz",
    "reflection_per_electrode",
    "transduction_per_electrode_sqrt_S_per_m",
    "coupling_k2",
    "coupling_k2_effective",
    "capacitance_per_pair_F_per_m",
    "capacitance_fitted_per_pair_F_per_m",
    "attenuation_dB_per_wavelength",
    "uncertainty",
    "reasons",
}


def strict(text):
    def refuse(name):
        raise AssertionError(f"{name} in JSON")

    return json.loads(text, parse_constant=refuse)


def test_keys_values_and_units(whole_result, solved_grating):
    tree = strict(constants_text(whole_result))
    assert list(tree) == RUN_KEYS
    assert tree["format"] == "sawfem.run/1"
    assert tree["case"] == "b-buoy-resonator"
    constants = tree["constants"]
    assert set(constants) >= CONSTANT_KEYS
    assert constants == tree["gratings"]["main"]
    assert constants["grating"] == "main"
    known = solved_grating.constants
    assert constants["velocity_m_per_s"] == known.velocity
    assert constants["stopband_short_hz"] == list(known.stopband_short)
    reflection = known.reflection_per_electrode
    assert constants["reflection_per_electrode"] == [reflection.real, reflection.imag]
    bars = constants["uncertainty"]["numerical"]
    assert set(bars) <= set(constants)
    assert bars["velocity_m_per_s"] == known.numerical["velocity"]
    assert list(constants["uncertainty"]) == ["numerical"]


def test_device_checks_and_waves(whole_result, one_port):
    tree = whole_result.to_dict()
    device = tree["device"]
    assert device["kind"] == "resonator"
    assert device["ports"] == [{"name": "1", "impedance_ohm": [50.0, 0.0]}]
    assert device["figures"]["resonance_hz"] == one_port.figures["resonance"].value
    assert device["specification"] == []
    assert device["touchstone"] is None  # nothing is written yet
    for name, check in tree["checks"].items():
        assert name.split(".")[0] in ("main", "device")
        assert list(check) == ["value", "limit", "ok"]
        assert check["ok"] is True
    assert "main.power_balance" in tree["checks"]
    assert "device.power_balance" in tree["checks"]
    assert (
        tree["waves"][0]["velocity_free_m_per_s"] > tree["waves"][0]["velocity_metallised_m_per_s"]
    )


def test_object_follows_its_own_schema(whole_result):
    schema = result_schema()
    assert violations(whole_result.to_dict(), schema) == []
    bare = replace(whole_result, device=None)
    assert violations(bare.to_dict(), schema) == []
    # The checker and the schema can fail.
    broken = whole_result.to_dict()
    broken["constants"]["velocity_m_per_s"] = "fast"
    del broken["checks"]
    broken["device"]["figures"]["loudness"] = 1.0
    assert len(violations(broken, schema)) >= 3


def test_schema_describes_every_constant_in_words():
    grating = result_schema()["properties"]["gratings"]["additionalProperties"]
    for key in CONSTANT_KEYS - {"grating", "uncertainty", "reasons"}:
        assert grating["properties"][key]["description"].endswith(".")


def test_what_is_not_known_is_null_with_a_reason(solved_grating, whole_result):
    known = solved_grating.constants
    lame = replace(
        known,
        velocity=None,
        stopband_short=(known.stopband_short[0], None),
        reflection_per_electrode=None,
        reasons={"velocity": "one edge only", "stopband_short": "one edge only"},
    )
    tree = constants_dict(lame, "main")
    assert tree["velocity_m_per_s"] is None
    assert tree["stopband_short_hz"] == [known.stopband_short[0], None]
    assert tree["reasons"]["velocity_m_per_s"] == "one edge only"
    nulls = {
        key
        for key, value in tree.items()
        if value is None or (isinstance(value, list) and None in value)
    }
    assert nulls == {"velocity_m_per_s", "stopband_short_hz", "reflection_per_electrode"} | {
        key for key in nulls if key == "bulk_onset_hz"
    }
    assert nulls <= set(tree["reasons"])

    response = whole_result.device.response
    figures = {**response.figures, "return_loss": Quantity.of("return_loss", math.nan)}
    odd = replace(response, figures=figures, reasons={"bandwidth": "too narrow"})
    device = device_result("resonator", odd).to_dict()
    assert device["figures"]["return_loss_dB"] is None
    assert device["figures"]["bandwidth_hz"] is None
    assert device["reasons"]["bandwidth_hz"] == "too narrow"
    assert "return_loss_dB" in device["reasons"]
    json.dumps(device, allow_nan=False)


def test_wave_of_one_surface_only():
    wave = Wave("Love-type", None, 4100.0, None, None, (0j, 1 + 0j, 0j), None, 0.0, 8.7e8)
    tree = wave_dict(wave)
    assert tree["velocity_free_m_per_s"] is None
    assert tree["frequency_hz"] == 8.7e8
    assert set(tree["reasons"]) == {key for key, value in tree.items() if value is None}


def test_two_mode_admittance_has_poles_and_zeros_at_the_edges(solved_grating, whole_result):
    # The equations' poles are the shorted edges and their zeros the open ones; the edge common
    # to both cancels. Beside it the picture's own samples are met.
    picture = solved_grating.picture
    com = solved_grating.constants.com()
    found = two_mode_admittance(com, picture.frequency)
    np.testing.assert_allclose(found, picture.model, rtol=1e-8)
    lower, (_, antiresonance) = (
        solved_grating.band.shorted[0],
        solved_grating.constants.stopband_open,
    )
    beside = lower.frequency.real * np.array([1 - 1e-7, 1 + 1e-7])
    y = two_mode_admittance(com, beside)
    assert y[0].imag > 0.0 > y[1].imag
    zero = abs(two_mode_admittance(com, np.array([antiresonance]))[0])
    assert zero < 1e-6 * abs(two_mode_admittance(com, np.array([0.99 * antiresonance]))[0])


def test_samples_avoid_poles_and_cover_the_band(whole_result, solved_grating):
    grating = whole_result.gratings["main"]
    assert np.all(np.diff(grating.frequency) > 0.0)
    assert np.all(np.isfinite(grating.harmonic_admittance))
    assert grating.frequency[0] < solved_grating.constants.stopband_short[0]
    assert grating.frequency[-1] > solved_grating.constants.stopband_open[1]
    near = np.argmin(np.abs(grating.frequency - solved_grating.constants.stopband_short[0]))
    assert abs(grating.harmonic_admittance[near]) > 1e3
    without = grating_result("main", solved_grating, samples=5, shapes=False)
    assert without.modes == ()


def test_first_grating_leads(whole_result):
    main = whole_result.gratings["main"]
    two = replace(whole_result, gratings={"series": replace(main, name="series"), "main": main})
    assert two.constants is main.constants
    assert two.to_dict()["constants"]["grating"] == "series"
    assert list(two.to_dict()["gratings"]) == ["series", "main"]
    none = replace(whole_result, gratings={})
    assert none.to_dict()["constants"] is None
    with pytest.raises(InputError, match="no grating"):
        _ = none.constants


def test_ports_must_fit_the_response(one_port, two_port):
    with pytest.raises(InputError, match="as many as"):
        DeviceResult("resonator", one_port, (Port("a", 50.0), Port("b", 50.0)))
    device = device_result("transversal", two_port, names=["antenna", "receiver"])
    assert [port.name for port in device.ports] == ["antenna", "receiver"]
    assert device.ports[1].impedance == 60.0 - 8.0j


def test_reprs_and_origins(whole_result):
    assert "b-buoy-resonator" in repr(whole_result)
    assert "velocity 3876" in repr(whole_result.gratings["main"])
    entry = material_entry("a = 1\n", "Someone 1999", "found")
    # SHA-256 of "a = 1\n" by sha256sum (GNU coreutils).
    assert entry["sha256"] == "cb78bd8a17f7b751fe0d4663366dcbc257204033ef7ddd64b1f2969573b5b2e2"
    assert current_versions()["numpy"] == np.__version__
    assert utc_now().endswith("+00:00")
    assert isinstance(whole_result, Result)
    assert isinstance(whole_result.grating, GratingResult)


def test_failed_check_is_told(solved_grating):
    bad = replace(solved_grating, checks={"power_balance": (1e-3, 1e-8)})
    assert collect_checks({"main": bad})["main.power_balance"]["ok"] is False
