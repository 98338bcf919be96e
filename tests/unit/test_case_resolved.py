"""Cases of the harbour-buoy scenario: each is valid, and resolves to the numbers it says."""

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from sawfem.case import Case
from sawfem.errors import CaseError

CASES = Path(__file__).parent / "data" / "cases"
NAMES = ("constants", "resonator", "ladder", "thin-plate", "sweep", "track")


def load(name: str) -> Case:
    return Case.load(CASES / f"{name}.toml")


@pytest.mark.parametrize("name", NAMES)
def test_every_example_is_valid_and_survives_writing(name):
    case = load(name)
    assert case.text == (CASES / f"{name}.toml").read_text(encoding="utf-8")
    assert tomllib.loads(case.to_toml()) == tomllib.loads(case.text) == case.to_dict()
    again = Case.from_toml(case.to_toml(), base=case.base)
    assert again == case
    json.dumps(case.resolved().to_dict(), allow_nan=False)


def test_constants_case():
    case = load("constants")
    resolved = case.resolved()
    assert case.title == resolved.title == "Buoy 7: constants of aluminium strips on ST-X quartz"
    assert case.stem == "constants"
    assert resolved.substrate.material == "quartz/bechmann-1958"
    assert resolved.substrate.euler == (0.0, 132.75, 0.0)
    grating = resolved.grating
    assert (grating.name, grating.pitch, grating.period) == ("main", 1.818e-6, 1.818e-6)
    assert grating.wavelength == 2 * 1.818e-6
    assert grating.thickness == pytest.approx(0.02 * 3.636e-6, rel=1e-15)
    assert grating.metal == "aluminium/kaye-laby"
    assert grating.width == 0.5 * 1.818e-6
    assert grating.sidewall_angle == 90.0
    assert resolved.device is None
    assert resolved.bands == ()
    assert resolved.temperature == 25.0
    assert case.unserved() == ()


def test_resonator_case():
    resolved = load("resonator").resolved()
    assert resolved.substrate.cut == "(YXl)128"
    device = resolved.device
    assert device.kind == "resonator"
    assert device.load == 50 + 0j
    assert device.resonator.fingers == 121
    assert device.resonator.reflector_fingers == (300, 300)
    assert device.resonator.aperture == 178e-6
    assert device.resonator.gap == 2.228e-6
    assert device.resonator.sheet_resistance == 0.34
    assert device.resonator.propagation_loss == 0.0
    assert resolved.grating.sidewall_angle == 80.0
    band = resolved.bands[0]
    assert (band.start, band.stop, band.points) == (840e6, 920e6, 801)


def test_ladder_case():
    case = load("ladder")
    resolved = case.resolved()
    assert list(resolved.gratings) == ["series", "shunt"]
    assert resolved.grating.name == "series"
    shunt = resolved.gratings["shunt"]
    assert (shunt.pitch, shunt.thickness) == (2.35e-6, 0.36e-6)
    middle = resolved.resonators["s-mid"]
    assert (middle.fingers, middle.aperture) == (201, 35e-6)
    assert middle.reflector_fingers == (40, 40)
    assert middle.gap == 2.27e-6
    assert resolved.lumps["bond"].inductance == 0.6e-9
    assert resolved.lumps["bond"].quality == 25
    assert resolved.device.ports[1].impedance == 50 - 8j
    assert resolved.device.chain[3] == ("shunt", ("p", "ground-bond"))
    assert len(resolved.device.chain) == 11
    assert [band.points for band in resolved.bands] == [1401, 581]
    assert resolved.specification_temperatures == (-20.0, 25.0, 60.0)
    assert [limit.at_most for limit in resolved.limits] == [3.0, None, 25e-9]
    assert resolved.limits[1].at_least == 20.0
    assert resolved.measurements[0].file == CASES / "measured" / "wafer-3.s2p"
    assert case.unserved() == ()


def test_thin_plate_case():
    case = load("thin-plate")
    resolved = case.resolved()
    assert [layer.name for layer in resolved.layers] == ["trap", "guide"]
    assert resolved.layers[1].thickness == 0.6e-6
    assert resolved.layers[1].cut == "(YXl)42"
    grating = resolved.grating
    assert (grating.pitch, grating.period, grating.wavelength) == (None, 4.6e-6, 4.6e-6)
    hot, cold = grating.electrodes
    assert (hot.centre, cold.centre) == (1.15e-6, 3.45e-6)
    assert cold.films == hot.films
    assert [film.thickness for film in cold.films] == [10e-9, 170e-9]
    assert cold.sidewall_angle == 78.0
    assert resolved.overcoat[0].top == "conformal"
    assert resolved.materials["alu-film"] == {
        "like": "aluminium/kaye-laby",
        "density": 2650,
        "mechanical_q": 400,
    }
    assert case.unserved() == ()


def test_sweep_case():
    case = load("sweep")
    assert case.asks_for("sweep")
    assert case.asks_for("map")
    assert not case.asks_for("yield")
    assert case.resolved().substrate.rotations == (42.0, 0.0)
    assert case.unserved() == ()


def test_track_case():
    case = load("track")
    resolved = case.resolved()
    assert [e.kind for e in resolved.tracks["upper"].elements] == [
        "reflector",
        "space",
        "transducer",
        "transducer",
    ]
    assert resolved.tracks["upper"].elements[1].length == pytest.approx(1.818e-6)
    assert resolved.device.parts[0] == ("upper", ("a", "c", "ground"))
    assert resolved.networks["balun"].file == CASES / "measured" / "balun.s3p"
    assert resolved.gratings["fine"].thickness == pytest.approx(0.02 * 1.818e-6, rel=1e-15)
    assert case.unserved() == ()


def transversal(**changes):
    device = {
        "kind": "transversal",
        "fingers": [60, 40],
        "gap": "10 wavelength",
        "aperture": "300 um",
        **changes,
    }
    return load("constants").to_dict() | {"device": device}


def test_transversal_case():
    case = Case.from_dict(
        transversal(
            transducer="double",
            source=[50, -10],
            load="75 ohm",
            propagation_loss="0.9 dB/us",
        )
    )
    device = case.resolved().device
    assert (device.kind, device.fingers, device.transducer) == ("transversal", (60, 40), "double")
    assert device.gap == pytest.approx(10 * 3.636e-6, rel=1e-15)
    assert (device.source, device.load) == (50 - 10j, 75 + 0j)
    assert device.propagation_loss == 0.9e6
    assert device.sheet_resistance is None
    assert Case.from_dict(transversal()).resolved().device.transducer == "single"
    assert case.unserved() == ()


def test_double_electrodes_come_in_pairs():
    with pytest.raises(CaseError, match=r"^device.fingers: found \[61, 40\] for double"):
        Case.from_dict(transversal(transducer="double", fingers=[61, 40]))


def test_a_case_may_stop_at_the_stack():
    case = Case.from_dict({"substrate": {"material": "quartz/bechmann-1958"}})
    assert case.resolved().gratings == {}
    with pytest.raises(CaseError, match="grating: found no section"):
        _ = case.resolved().grating


def test_wavelength_in_a_layer_needs_one_pitch():
    layer = {"layer": [{"material": "silica/auld-1973", "thickness": "0.1 wavelength"}]}
    shared = Case.from_dict(load("constants").to_dict() | layer)
    assert shared.resolved().layers[0].thickness == pytest.approx(0.1 * 3.636e-6, rel=1e-15)
    with pytest.raises(CaseError, match=r"^layer\[0\].thickness: .*no one wavelength"):
        Case.from_dict(load("ladder").to_dict() | layer)


def test_dispersion_is_computed():
    changes = {"results": {"include": ["dispersion", "fields", "temperature"]}}
    assert Case.from_dict(load("constants").to_dict() | changes).unserved() == ()


def test_membranes_metals_and_shorts_are_resolved():
    layer = {"material": "gold/kaye-laby", "thickness": 1e-7, "potential": "grounded"}
    glass = {"material": "silica/auld-1973", "thickness": 1e-7, "short": True}
    case = Case.from_dict({"substrate": {"material": "air"}, "layer": [layer, glass]})
    assert case.resolved().layers[0].potential == "grounded"
    assert case.resolved().shorts == (2,)
    assert case.unserved_waves() == case.unserved() == ()
    with pytest.raises(CaseError, match=r"layer: found no section.*membrane"):
        Case.from_dict({"substrate": {"material": "air"}})
    with pytest.raises(CaseError, match=r"layer.material: found .air.;"):
        Case.from_dict({"substrate": {"material": "air"}, "layer": {**glass, "material": "air"}})
    with pytest.raises(CaseError, match=r"short: found 1; expected true or false"):
        Case.from_dict({"substrate": {"material": "air"}, "layer": {**glass, "short": 1}})


def test_recess_is_a_length_of_the_grating():
    case = load("constants").edit({"grating.recess": "10 nm"})
    assert case.unserved() == ()
    assert case.resolved().grating.recess == 10e-9


def test_footing_is_a_pair_of_lengths():
    case = load("thin-plate").edit(
        {
            "grating.electrode.hot.footing_extent": "20 nm",
            "grating.electrode.hot.footing_height": "15 nm",
        }
    )
    hot, cold = case.resolved().grating.electrodes
    assert hot.footing == cold.footing == (20e-9, 15e-9)


def test_repr_tells_what_a_practitioner_would_ask():
    assert repr(load("ladder")) == (
        "Case('Buoy 7: 863-870 MHz receive filter'; gratings: series, shunt; device: ladder)"
    )


def test_json_schema_describes_the_files():
    schema = Case.json_schema()
    assert schema["additionalProperties"] is False
    assert {"substrate", "grating", "device", "band", "yield"} <= schema["properties"].keys()
    assert schema["required"] == ["substrate"]
    json.dumps(schema)


def test_what_reading_a_case_imports():
    """A bad case is refused before NumPy loads; units and quantities need neither."""
    program = (
        "import sys\n"
        "import sawfem.units, sawfem.quantities\n"
        "sawfem.quantities.table()\n"
        "assert not {'numpy', 'pydantic'} & sys.modules.keys()\n"
        "from sawfem.case import Case\n"
        f"case = Case.load({str(CASES / 'ladder.toml')!r})\n"
        "case.edit({'grating.series.thickness': '80 nm'}).resolved().to_dict()\n"
        "assert not {'numpy', 'scipy', 'h5py', 'rich', 'click'} & sys.modules.keys()\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True, timeout=60)
