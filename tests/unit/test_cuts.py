"""Numbers of `sawfem cut` beside the velocities, and what it says of those that are missing.

Marks: "mem" = from memory, publication named, digits unconfirmed; "calc" = calculated for the named
set, no publication behind it.
"""

import json

import pytest
from click.testing import CliRunner

from sawfem.cli import main
from sawfem.cli.cut import command
from sawfem.cuts import CHARACTER_QUANTITIES, compute_cut
from sawfem.design import Stack
from sawfem.errors import SawfemError
from sawfem.quantities import json_key

HELD = ("piezoelectric", "permittivity")


def rayleigh(answer):
    for wave, character in zip(answer.waves, answer.characters, strict=True):
        if wave.kind == "Rayleigh-type":
            return wave, character
    raise AssertionError("no Rayleigh-type wave")


@pytest.mark.parametrize(
    ("material", "euler", "anisotropy"),
    [
        # Slobodnik, Conway, Delmonico, Microwave Acoustics Handbook 1A (1973): mem.
        # YZ niobate: printed -1.08, the difference over +-1 deg; the slope is -1.105: calc.
        ("lithium-niobate/warner-1967", (0, 90, 90), -1.105),
        ("quartz/bechmann-1958", (0, 132.75, 0), 0.378),
        ("quartz/bechmann-1958", (0, 90, 0), 0.654),
    ],
)
def test_anisotropy_of_the_beam(material, euler, anisotropy):
    _, character = rayleigh(compute_cut(Stack(material, euler=euler)))
    assert character.values["beam_anisotropy"] == pytest.approx(anisotropy, abs=0.02)


def test_delay_of_rotated_niobate():
    """TCD 71 to 75 ppm/K: Shibayama et al. 1976, mem; 71.4 for the free surface: calc."""
    stack = Stack("lithium-niobate/smith-welsh-1971", euler=(0, 38, 0))
    _, character = rayleigh(compute_cut(stack))
    delay = character.values["delay_temperature_coefficient"]
    assert 71e-6 < delay < 75e-6
    assert character.values["frequency_temperature_coefficient"] == pytest.approx(-delay, rel=1e-6)


def test_drift_of_quartz_needs_its_weak_constants_held():
    """ST-X quartz: TCD 0 (Schulz, Matsinger, Holland 1970: mem); +0.46 ppm/K of the set: calc."""
    stack = Stack("quartz/bechmann-1958", euler=(0, 132.75, 0))
    _, bare = rayleigh(compute_cut(stack))
    assert bare.values["delay_temperature_coefficient"] is None
    assert "eps33" in bare.reasons["delay_temperature_coefficient"]
    _, held = rayleigh(compute_cut(stack, hold_constant=HELD))
    assert held.values["delay_temperature_coefficient"] == pytest.approx(0.46e-6, abs=1e-6)
    assert "kept constant" in held.caution


def test_a_constant_that_no_material_has_is_refused():
    with pytest.raises(SawfemError, match="e99"):
        compute_cut(Stack("quartz/bechmann-1958"), hold_constant=("e99",))


def test_every_null_has_its_reason_under_the_key_of_the_table():
    told = CliRunner().invoke(command, ["quartz/bechmann-1958", "--cut", "(YXl)42.75", "--json"])
    assert told.exit_code == 0, told.output
    waves = json.loads(told.output)["waves"]
    assert len(waves) >= 2
    for wave in waves:
        assert {json_key(name) for name in CHARACTER_QUANTITIES} <= set(wave)
        nulls = {key for key, value in wave.items() if value is None}
        assert nulls - {"temperature_caution"} == set(wave["reasons"])


def test_holding_a_part_names_what_is_still_missing():
    stack = Stack("quartz/bechmann-1958", cut="(YXl)42.75")
    _, character = rayleigh(compute_cut(stack, hold_constant=("piezoelectric",)))
    assert character.values["delay_temperature_coefficient"] is None
    assert "eps33" in character.reasons["delay_temperature_coefficient"]


def test_energy_of_a_layered_stack_adds_up():
    stack = Stack("silicon/mason-1958").with_layer("zinc-oxide/kobyakov-1980", "1.6 um")
    for character in compute_cut(stack, "868 MHz").characters:
        if character.energy:
            bodies = [share.body for share in character.energy]
            assert bodies == ["vacuum", "layer[0]", "substrate"]
            assert sum(share.total for share in character.energy) == pytest.approx(1.0)
            assert 0.0 < character.values["penetration_depth"] < 1e-3


def test_help_names_what_can_be_held():
    told = CliRunner().invoke(command, ["--help"])
    assert "--hold-constant" in told.output
    assert "piezoelectric,permittivity" in told.output


def test_every_leaky_wave_is_sought_on_request(capsys):
    """36 deg Y-X tantalate (Smith-Welsh): 4211.3 / 4112.8 m/s, K^2 4.67 % (Nakamura et al., IEEE
    Ultrason. Symp. 1977; from memory, reproduced), with the strips that were searched."""
    set_name = "lithium-tantalate/smith-welsh-1971"
    words = ["cut", set_name, "--cut", "(YXl)36", "--leaky-to", "0.2", "--json"]
    assert main(words) == 0
    answer = json.loads(capsys.readouterr().out)
    leaky = [wave for wave in answer["waves"] if wave["kind"] == "leaky shear-horizontal-type"]
    assert len(leaky) == 1
    assert leaky[0]["velocity_free_m_per_s"] == pytest.approx(4211.3, abs=0.05)
    assert leaky[0]["velocity_metallised_m_per_s"] == pytest.approx(4112.8, abs=0.05)
    assert leaky[0]["coupling_k2"] == pytest.approx(0.0467, abs=5e-5)
    assert "slow shear" in leaky[0]["exceeds"]
    assert answer["coverage"]
    assert all(strip["counted"] == strip["found"] for strip in answer["coverage"])


def test_a_layer_with_its_own_cut(capsys):
    words = ["cut", "silicon/mason-1958", "--frequency", "868 MHz", "--json", "--layer"]
    layer = "lithium-tantalate/smith-welsh-1971:0.6 um"
    assert main([*words, f"{layer}:(YXl)42"]) == 0
    turned = json.loads(capsys.readouterr().out)
    assert main([*words, layer]) == 0
    plain = json.loads(capsys.readouterr().out)
    best = [max(w["coupling_k2"] or 0.0 for w in a["waves"]) for a in (turned, plain)]
    # A shear-horizontal wave of the turned film couples strongly; a Z-cut film has none.
    assert best[0] > 0.06 > 0.04 > best[1]


def test_a_loss_that_is_none_is_refused(capsys):
    assert main(["cut", "quartz/bechmann-1958", "--leaky-to", "-1"]) == 2
    assert "--leaky-to: found -1" in capsys.readouterr().err
