"""Quantity text: the closed list of units, windows, and text that reads back."""

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sawfem import units
from sawfem.errors import UnitError
from sawfem.units import (
    UNITS,
    WINDOWS,
    format_pair,
    format_quantity,
    format_uncertain,
    is_relative,
    parse_angle,
    parse_capacitance,
    parse_frequency,
    parse_inductance,
    parse_length,
    parse_level,
    parse_loss_rate,
    parse_quantity,
    parse_ratio,
    parse_resistance,
    parse_temperature,
    parse_time,
)

# SI prefixes: BIPM, The International System of Units, 9th edition (2019), table 7;
# 0 degC = 273.15 K, ibid. section 2.3.1; 180 deg = pi rad.
READ = [
    (parse_length, "2.4 um", 2.4e-6),
    (parse_length, "2.4um", 2.4e-6),
    (parse_length, " 2.4  um ", 2.4e-6),
    (parse_length, "2.4 \u00b5m", 2.4e-6),
    (parse_length, "2.4 \u03bcm", 2.4e-6),
    (parse_length, "89 nm", 89e-9),
    (parse_length, "1e-3 mm", 1e-6),
    (parse_length, "+.5 m", 0.5),
    (parse_length, 2.4e-6, 2.4e-6),
    (parse_length, 1, 1.0),
    (parse_frequency, "868 MHz", 868e6),
    (parse_frequency, "0.868 GHz", 868e6),
    (parse_frequency, "868e3 kHz", 868e6),
    (parse_frequency, "868e6 Hz", 868e6),
    (parse_angle, "80 deg", 80.0),
    (parse_angle, "1 rad", 180 / math.pi),
    (parse_angle, 132.75, 132.75),
    (parse_temperature, "-20 degC", -20.0),
    (parse_temperature, "298.15 K", 25.0),
    (parse_time, "25 ns", 25e-9),
    (parse_time, "3 us", 3e-6),
    (parse_time, "3 ms", 3e-3),
    (parse_time, "0.5 s", 0.5),
    (parse_resistance, "50 ohm", 50.0),
    (parse_resistance, "340 mohm", 0.34),
    (parse_resistance, "2 kohm", 2e3),
    (parse_capacitance, "0.12 pF", 0.12e-12),
    (parse_capacitance, "3 fF", 3e-15),
    (parse_capacitance, "3 nF", 3e-9),
    (parse_capacitance, "3 uF", 3e-6),
    (parse_capacitance, "1 F", 1.0),
    (parse_inductance, "0.6 nH", 0.6e-9),
    (parse_inductance, "3 pH", 3e-12),
    (parse_inductance, "3 uH", 3e-6),
    (parse_inductance, "1 H", 1.0),
    (parse_ratio, "5 %", 0.05),
    (parse_ratio, "40 ppm", 40e-6),
    (parse_ratio, 0.5, 0.5),
    (parse_level, "3 dB", 3.0),
    (parse_loss_rate, "0.9 dB/us", 0.9e6),
]


@pytest.mark.parametrize(("parse", "text", "value"), READ)
def test_reads_every_unit(parse, text, value):
    assert parse(text) == value


def test_scaling_is_correctly_rounded():
    # 1.15 * 1e-6 is one unit in the last place off; shifting the exponent is exact.
    assert parse_length("1.15 um") == 1.15e-6
    assert 1.15 * 1e-6 != 1.15e-6


def test_wavelength_needs_a_grating():
    assert parse_length("0.02 wavelength", wavelength=4.456e-6) == 0.02 * 4.456e-6
    assert is_relative("0.02 wavelength")
    assert not is_relative("0.02 um")
    assert not is_relative(0.02)
    with pytest.raises(UnitError, match="no grating here that says what a wavelength is"):
        parse_length("0.02 wavelength")


REFUSED = [
    (
        lambda: parse_length(2.228, window="pitch", key="grating.pitch", file="buoy.toml"),
        "buoy.toml: grating.pitch: found 2.228, that is 2.228 m; expected 10 nm to 1 mm, "
        'for example "2.228 um"',
    ),
    (
        lambda: parse_length("3 Mm"),
        'found unit "Mm" in "3 Mm"; expected one of m, mm, um, nm, nearest: mm',
    ),
    (
        lambda: parse_length("5 MHz"),
        'found unit "MHz" in "5 MHz"; expected a length in m, mm, um, nm (MHz measures frequency)',
    ),
    (
        lambda: parse_frequency("868 mhz"),
        'found unit "mhz" in "868 mhz"; expected one of Hz, kHz, MHz, GHz, nearest: MHz',
    ),
    (
        lambda: parse_frequency(868),
        'found 868, that is 868 Hz; expected 1 kHz to 1000 GHz, for example "868 MHz"',
    ),
    (
        lambda: parse_length("5"),
        'found "5", a text without a unit; expected one of m, mm, um, nm, for example "2.4 um"',
    ),
    (
        lambda: parse_resistance("50 \u03a9"),
        'found unit "\u03a9" in "50 \u03a9"; expected one of ohm, mohm, kohm, nearest: ohm',
    ),
    (
        lambda: parse_temperature(25),
        'found 25, a temperature without its unit; expected degC or K, for example "25 degC"',
    ),
    (
        lambda: parse_temperature("-300 degC"),
        'found "-300 degC"; expected -273.15 degC to 1500 degC, for example "25 degC"',
    ),
    (
        lambda: parse_length("0.5 wavelength", wavelength=1e3),
        'found "0.5 wavelength", that is 500 m; expected 0.1 nm to 1 m, for example "0.5 um"',
    ),
]


@pytest.mark.parametrize(("call", "message"), REFUSED)
def test_messages(call, message):
    with pytest.raises(UnitError) as caught:
        call()
    assert str(caught.value) == message


@pytest.mark.parametrize(
    "value",
    [
        True,
        False,
        None,
        float("nan"),
        float("inf"),
        -float("inf"),
        10**400,
        [],
        {},
        1j,
        "",
        "um",
        "nan um",
        "inf um",
        "1_000 nm",
        "0x10 nm",
        "1,5 um",
        "\u0661 um",
        "1e um",
        "1e999 um",
        "1e-99999 um",
        "2 um 3",
        "1 um\x00",
        "1" * 10_000 + " um",
        "0 um",
        "-1 um",
        0,
        -1e-6,
    ],
)
def test_what_is_no_length_is_refused(value):
    with pytest.raises(UnitError):
        parse_length(value)


def test_every_window_holds_its_example():
    for name, window in WINDOWS.items():
        assert window.low < window.high
        value = parse_quantity(window.example, window.kind, window=name)
        assert window.holds(value)


def test_a_window_of_another_kind_is_our_mistake():
    with pytest.raises(ValueError, match="cannot hold"):
        parse_quantity("1 um", "length", window="frequency")


PREFIXED = [
    (2.228e-6, "m", "2.228 um"),
    (868.09e6, "Hz", "868.09 MHz"),
    (1e-15, "m", "1e-6 nm"),
    (0.0, "m", "0 m"),
    (0.0543, "%", "5.43 %"),
    (-8.0, "ohm", "-8 ohm"),
    (-75e-6, "ppm/K", "-75 ppm/K"),
    (3875.71, "m/s", "3875.71 m/s"),
    (4.9e-10, "F/m", "490 pF/m"),
    (0.5, "", "0.5"),
    (math.nan, "m", "not known"),
]


@pytest.mark.parametrize(("value", "unit", "text"), PREFIXED)
def test_engineering_prefixes(value, unit, text):
    assert format_quantity(value, unit) == text


def test_digits_round_before_the_prefix_is_chosen():
    assert format_quantity(999.96e-9, "m", digits=4) == "1 um"
    assert format_quantity(2.228123e-6, "m", digits=4) == "2.228 um"


# The uncertainty keeps one digit, two when it starts with 1 (the rounding that keeps its own
# error below a third; common practice, no source).
UNCERTAIN = [
    (3875.7123, 0.041, "m/s", "3875.71 ± 0.04 m/s"),
    (868.0881e6, 9.1e3, "Hz", "868.088 ± 0.009 MHz"),
    (892.91e6, 1e4, "Hz", "892.910 ± 0.010 MHz"),
    (1073.0, 17.0, "", "1073 ± 17"),
    (1073.0, 21.0, "", "1070 ± 20"),
    (0.006088, 0.000021, "%", "0.609 ± 0.002 %"),
    (490e-12, 0.4e-12, "F/m", "490.0 ± 0.4 pF/m"),
    (-1e-9, 1e-4, "dB", "0.00000 ± 0.00010 dB"),
    (99.97e-9, 0.96e-9, "m", "100.0 ± 1.0 nm"),
    (3.0, 300.0, "Hz", "0 ± 300 Hz"),
    (5.0, None, "m", "5 m"),
    (5.0, 0.0, "m", "5 m"),
    (5.0, math.nan, "m", "5 m"),
    (math.nan, 1.0, "m", "not known"),
]


@pytest.mark.parametrize(("value", "uncertainty", "unit", "text"), UNCERTAIN)
def test_the_uncertainty_sets_the_digits(value, uncertainty, unit, text):
    assert format_uncertain(value, uncertainty, unit) == text


@given(
    value=st.floats(1e-15, 1e15).flatmap(lambda size: st.sampled_from([size, -size])),
    kind=st.sampled_from(["length", "frequency", "time", "capacitance", "inductance"]),
)
def test_text_reads_back_to_the_same_float(value, kind):
    window = units.Window(kind, -1e16, 1e16, "1 " + units.BASE_UNIT[kind])
    text = format_quantity(value, units.BASE_UNIT[kind])
    assert parse_quantity(text, kind, window=window) == value


@given(value=st.floats(-1e6, 1e6), uncertainty=st.floats(1e-9, 1e3))
def test_printed_value_lies_within_its_printed_uncertainty(value, uncertainty):
    number, error, _ = format_pair(value, uncertainty, "m/s")
    assert abs(float(number) - value) <= 0.5000001 * float(error)
    assert abs(float(error) - uncertainty) <= uncertainty / 3


@given(text=st.text(max_size=20))
def test_any_text_is_read_or_refused(text):
    for kind in UNITS:
        with contextlib.suppress(UnitError):  # nothing else may escape
            assert math.isfinite(parse_quantity(text, kind, wavelength=4e-6))
