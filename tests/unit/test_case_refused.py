"""Bad cases: one message each, naming file, key, what was found and what would do."""

import contextlib
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sawfem.case import Case
from sawfem.errors import CaseError, SawfemError, UnitError

CASES = Path(__file__).parent / "data" / "cases"
RESONATOR = (CASES / "resonator.toml").read_text(encoding="utf-8")
LADDER = (CASES / "ladder.toml").read_text(encoding="utf-8")
PLATE = (CASES / "thin-plate.toml").read_text(encoding="utf-8")
SWEEP = (CASES / "sweep.toml").read_text(encoding="utf-8")
TRACK = (CASES / "track.toml").read_text(encoding="utf-8")

PITCH = 'pitch = "2.228 um"'
RATIO = "metallisation_ratio = 0.5"
CUT = 'cut = "(YXl)128"'

# (text, part of it, what a user wrote in its place, the message after "buoy.toml: ")
MISTAKES = [
    (
        RESONATOR,
        "thickness =",
        "thicknes =",
        "grating.thicknes: found an unknown key; expected a key of [grating], nearest: thickness",
    ),
    (
        RESONATOR,
        PITCH,
        "pitch = 2.228",
        "grating.pitch: found 2.228, that is 2.228 m; expected 10 nm to 1 mm, "
        'for example "2.228 um"',
    ),
    (
        RESONATOR,
        PITCH,
        'pitch = "2.228 micron"',
        'grating.pitch: found unit "micron" in "2.228 micron"; expected one of m, mm, um, nm, '
        "nearest: um",
    ),
    (
        RESONATOR,
        PITCH,
        "pitch = true",
        'grating.pitch: found true; expected a length, for example "2.228 um"',
    ),
    (
        RESONATOR,
        PITCH,
        "pitch = nan",
        'grating.pitch: found nan; expected a length, for example "2.228 um"',
    ),
    (
        RESONATOR,
        PITCH,
        "pitch = inf",
        'grating.pitch: found inf; expected a length, for example "2.228 um"',
    ),
    (
        RESONATOR,
        PITCH,
        "pitch = 0",
        'grating.pitch: found 0, that is 0 m; expected 10 nm to 1 mm, for example "2.228 um"',
    ),
    (
        RESONATOR,
        PITCH,
        "pitch = 1979-05-27",
        'grating.pitch: found 1979-05-27; expected a length, for example "2.228 um"',
    ),
    (
        RESONATOR,
        PITCH,
        "",
        'grating.pitch: found nothing; expected a value, for example "2.228 um"',
    ),
    (
        RESONATOR,
        'thickness = "89 nm"',
        'thickness = "-89 nm"',
        'grating.thickness: found "-89 nm"; expected 0.1 nm to 1 mm, for example "89 nm"',
    ),
    (
        RESONATOR,
        'thickness = "89 nm"',
        'thickness = "0 wavelength"',
        'grating.thickness: found "0 wavelength", that is 0 m; expected 0.1 nm to 1 mm, '
        'for example "89 nm"',
    ),
    (
        RESONATOR,
        RATIO,
        "metallisation_ratio = 1",
        "grating.metallisation_ratio: found 1; expected a fraction above 0 and below 1, "
        "for example 0.5",
    ),
    (
        RESONATOR,
        RATIO,
        'metallisation_ratio = "150 %"',
        'grating.metallisation_ratio: found "150 %"; expected a fraction above 0 and below 1, '
        "for example 0.5",
    ),
    (
        RESONATOR,
        'sidewall_angle = "80 deg"',
        "sidewall_angle = 5",
        "grating.sidewall_angle: found 5, that is 5 deg; expected 10 deg to 170 deg, "
        'for example "80 deg"',
    ),
    (
        RESONATOR,
        'thickness = "89 nm"',
        'thickness = "3.5 um"',
        "grating.sidewall_angle: found 80 deg on 3.5 um of metal 1.114 um wide, which leaves no "
        "top; expected a steeper wall or a thinner metal",
    ),
    (
        RESONATOR,
        "fingers = 121",
        "fingers = true",
        "device.fingers: found true; expected a count of electrodes, 2 or more",
    ),
    (
        RESONATOR,
        "fingers = 121",
        "fingers = 121.0",
        "device.fingers: found 121.0; expected a count of electrodes, 2 or more",
    ),
    (
        RESONATOR,
        "fingers = 121",
        "fingers = 0",
        "device.fingers: found 0; expected a count of electrodes, 2 to 100000",
    ),
    (
        RESONATOR,
        "[300, 300]",
        "[300, -1]",
        "device.reflector_fingers[1]: found -1; expected a count of electrodes, 0 to 100000",
    ),
    (
        RESONATOR,
        'kind = "resonator"',
        'kind = "resonater"',
        'device.kind: found "resonater"; expected one of resonator, transversal, ladder, circuit, '
        "nearest: resonator",
    ),
    (
        RESONATOR,
        'kind = "resonator"',
        "",
        "device.kind: found nothing; expected one of resonator, transversal, ladder, circuit",
    ),
    (
        RESONATOR,
        'aperture = "178 um"',
        "aperture = 0",
        'device.aperture: found 0, that is 0 m; expected 100 nm to 100 mm, for example "178 um"',
    ),
    (
        RESONATOR,
        'load = "50 ohm"',
        'load = ["0 ohm", "3 ohm"]',
        'device.load[0]: found "0 ohm"; expected 1 mohm to 1000 kohm, for example "50 ohm"',
    ),
    (
        RESONATOR,
        'stop = "920 MHz"',
        'stop = "820 MHz"',
        'band.stop: found "820 MHz", not above start = "840 MHz"; expected stop above start',
    ),
    (
        RESONATOR,
        'stop = "920 MHz"',
        'stop = "840 MHz"',
        'band.stop: found "840 MHz", not above start = "840 MHz"; expected stop above start',
    ),
    (
        RESONATOR,
        'stop = "920 MHz"',
        "",
        "band.stop: found nothing; expected the key stop of [band]",
    ),
    (
        RESONATOR,
        "points = 801",
        "points = 2_000_000",
        "band.points: found 2000000; expected a count of points, 2 to 1000000",
    ),
    (
        RESONATOR,
        'temperature = "25 degC"',
        "temperature = 25",
        "conditions.temperature: found 25, a temperature without its unit; expected degC or K, "
        'for example "25 degC"',
    ),
    (
        RESONATOR,
        "[grating]",
        "[gratin]",
        "gratin: found an unknown key; expected a key of a case file, nearest: grating",
    ),
    (
        RESONATOR,
        'material = "lithium-niobate/kovacs-1990"',
        'material = "lithium-niobate"',
        'substrate.material: found "lithium-niobate", a crystal with 4 sets; expected one of '
        "lithium-niobate/kovacs-1990, lithium-niobate/kushibiki-1999, "
        "lithium-niobate/smith-welsh-1971, lithium-niobate/warner-1967",
    ),
    (
        RESONATOR,
        CUT,
        'cut = "YX128"',
        'substrate.cut: found "YX128"; expected plate notation of IEEE Std 176, such as "(YXl)128"',
    ),
    (
        RESONATOR,
        CUT,
        'cut = "(YXl)"\nrotations = [1, 2]',
        'substrate.rotations: found 2 for the 1 in "(YXl)"; expected 1 angle',
    ),
    (
        RESONATOR,
        CUT,
        CUT + "\neuler = [0, 38, 0]",
        "substrate.cut: found euler and cut; expected one of the two",
    ),
    (
        RESONATOR,
        CUT,
        "euler = [0, 38]",
        "substrate.euler: found [0, 38]; expected three angles [lambda, mu, theta] in degrees",
    ),
    (
        RESONATOR,
        CUT,
        "euler = [0, 38, nan]",
        'substrate.euler[2]: found nan; expected an angle, for example "80 deg"',
    ),
    (
        RESONATOR,
        "title = ",
        "format = 2\ntitle = ",
        "format: found 2; expected 1, the version of case files that this program reads",
    ),
    (
        RESONATOR,
        "[substrate]",
        "[[substrate]]",
        "substrate: found [a table]; expected a table [substrate]",
    ),
    (
        RESONATOR,
        "[substrate]",
        '[[layer]]\nmaterial = "silica/auld-1973"\n[substrate]',
        'layer[0].thickness: found nothing; expected a value, for example "89 nm"',
    ),
    (
        RESONATOR,
        "[substrate]",
        "layer = 4\n[substrate]",
        "layer: found 4; expected tables [[layer]]",
    ),
    (
        RESONATOR,
        'aperture = "178 um"',
        '"a\\u001b[31m" = 3',
        'device."a\\u001b[31m": found an unknown key; expected a key of [device]: grating, '
        "aperture, gap, sheet_resistance, propagation_loss, kind, fingers, reflector_fingers, "
        "reflector_connection, reflector_grating, load, transverse_modes",
    ),
    (
        RESONATOR,
        RATIO,
        "metallisation_ratio = 0,5  # half",
        "metallisation_ratio: found 0,5 in line 11, with a decimal comma; expected a decimal "
        "point: metallisation_ratio = 0.5",
    ),
    (
        RESONATOR,
        RATIO,
        "metallisation_ratio = .5",
        "metallisation_ratio: found .5 in line 11, without a digit before its point; expected "
        "metallisation_ratio = 0.5",
    ),
    (
        RESONATOR,
        CUT,
        "cut = (YXl)128  # bare",
        "cut: found (YXl)128 in line 5, without quotes; expected a text in quotes: "
        'cut = "(YXl)128"',
    ),
    (
        RESONATOR,
        CUT,
        'cut = "(YXl)128',
        "cut: found a text in line 5 whose quotes are not closed; expected the same mark at both "
        'ends: cut = "..."',
    ),
    (
        RESONATOR,
        CUT,
        f"{CUT}\n{CUT}",
        "cut: found the key cut a second time, in line 6; expected each key once in its table",
    ),
    (
        RESONATOR,
        CUT,
        'cut = "128° Y-X"',
        'substrate.cut: found "128° Y-X"; expected plate notation of IEEE Std 176, such as '
        '"(YXl)128"',
    ),
    (
        RESONATOR,
        CUT,
        'cut = "64 YX"',
        'substrate.cut: found "64 YX"; expected plate notation of IEEE Std 176, such as "(YXl)64"',
    ),
    (
        RESONATOR,
        "title = ",
        "= ",
        "found line 1, '= \"Buoy 7: 868 MHz resonator of the telemetry oscillator\"', which is not "
        'TOML (invalid statement); expected lines such as [grating] or pitch = "2.228 um"',
    ),
    (
        LADDER,
        'like = "series"',
        'like = "serie"',
        'grating.shunt.like: found "serie", an unknown name; expected a name, nearest: series',
    ),
    (
        LADDER,
        'name = "series"',
        'name = "series"\nlike = "shunt"',
        "grating.shunt.like: found a circle, series like shunt like series; expected a member "
        "that ends it",
    ),
    (
        LADDER,
        'name = "shunt"',
        'name = "series"',
        'grating.series.name: found a second grating "series"; expected unique names',
    ),
    (
        LADDER,
        'name = "series"',
        'name = "Series"',
        'grating[0].name: found "Series"; expected a name of lower-case letters, digits and '
        "hyphens that starts with a letter",
    ),
    (
        LADDER,
        '{ series = "bond" }',
        '{ series = "bnd" }',
        'device.chain[1].series: found "bnd", an unknown part; expected a part, nearest: bond',
    ),
    (
        LADDER,
        '{ series = "bond" }',
        '{ series = "bond", shunt = "pad" }',
        "device.chain[1]: found series and shunt; expected either series or shunt",
    ),
    (
        LADDER,
        'quantity = "insertion_loss"',
        'quantity = "insertion_los"',
        'specification.limit[0].quantity: found "insertion_los", an unknown quantity; expected a '
        "quantity, nearest: insertion_loss",
    ),
    (
        LADDER,
        'at_most = "3 dB"',
        'at_most = "3 ns"',
        'specification.limit[0].at_most: found unit "ns" in "3 ns"; expected a level in dB '
        "(ns measures time)",
    ),
    (
        LADDER,
        'name = "pad"',
        'name = "bond"',
        'lump.bond.name: found a second lump "bond"; expected unique names',
    ),
    (
        LADDER,
        'name = "pad"',
        'name = "p"',
        'lump.p.name: found a second part "p"; expected unique names of resonators, lumps, '
        "networks and tracks together",
    ),
    (
        LADDER,
        'grating = "series"',
        "",
        "resonator.s-end.grating: found nothing; expected one of series, shunt",
    ),
    (
        LADDER,
        'pitch = "2.35 um"',
        "thicknes = 1",
        "grating.shunt.thicknes: found an unknown key; expected a key of [[grating]], "
        "nearest: thickness",
    ),
    (
        PLATE,
        'centre = "3.45 um"',
        'centre = "2.3 um"',
        "grating.electrode.hot.centre: found an electrode that touches the next one of the "
        "period; expected centres and widths that leave a space",
    ),
    (
        PLATE,
        'thickness = "170 nm"',
        'thickness = "170 nn"',
        'grating.electrode.hot.film[1].thickness: found unit "nn" in "170 nn"; expected one of '
        "m, mm, um, nm, wavelength, nearest: nm",
    ),
    (
        PLATE,
        "density = 2650",
        "densty = 2650",
        "material.alu-film.densty: found an unknown key; expected a key of [[material]], "
        "nearest: density",
    ),
    (
        PLATE,
        'like = "aluminium/kaye-laby"',
        'like = "alu-film"',
        "material.alu-film.like: found a circle, alu-film like alu-film; expected a set of the "
        "library at its end",
    ),
    (
        PLATE,
        'period = "4.6 um"',
        'period = "4.6 um"\npitch = "2.3 um"',
        "grating.period: found pitch and period; expected one of the two",
    ),
    (
        PLATE,
        'include = ["temperature"',
        'include = ["temprature"',
        'results.include[0]: found "temprature"; expected "temperature" or "dispersion" or '
        '"fields" or "diffraction" or "transverse-modes" or "oblique", nearest: temperature',
    ),
    (
        SWEEP,
        'key = "grating.thickness"',
        'key = "grating.thicknes"',
        'sweep.axis[1].key: found "grating.thicknes", an unknown key; expected a key of '
        "[grating], nearest: thickness",
    ),
    (
        SWEEP,
        'key = "substrate.rotations[0]"',
        'key = "substrate.rotations[7]"',
        "sweep.axis[0].from: found substrate.rotations[7] = 36: index [7] of a list with "
        "2 members; expected an index below 2",
    ),
    (
        SWEEP,
        '"0.10 wavelength"]',
        '"-0.10 wavelength"]',
        'sweep.axis[1].values: found grating.thickness = "-0.10 wavelength": "-0.10 wavelength", '
        'that is -470 nm; expected 0.1 nm to 1 mm, for example "89 nm"',
    ),
    (
        SWEEP,
        "points = 25",
        "",
        "sweep.axis[0].points: found nothing; expected either values, or from, to and points",
    ),
    (
        TRACK,
        "{ reflector = 80,",
        '{ reflector = 80, space = "1 um",',
        "track.upper.elements[0]: found reflector and space; expected one of reflector, space, "
        "transducer",
    ),
    (
        TRACK,
        'key = "grating.main.pitch"',
        'key = "grating.man.pitch"',
        "yield.spread[0].key: found no member man; expected one of main, fine, nearest: main",
    ),
]


def refusal(folder, text, monkeypatch):
    monkeypatch.chdir(folder)
    Path("buoy.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SawfemError) as caught:
        Case.load("buoy.toml")
    return caught.value


@pytest.mark.parametrize(
    ("text", "right", "wrong", "message"), MISTAKES, ids=[mistake[2][:40] for mistake in MISTAKES]
)
def test_one_message(text, right, wrong, message, tmp_path, monkeypatch):
    assert right in text
    error = refusal(tmp_path, text.replace(right, wrong, 1), monkeypatch)
    assert str(error) == f"buoy.toml: {message}"
    assert error.file == "buoy.toml"


def test_unknown_material_names_the_nearest(tmp_path, monkeypatch):
    text = RESONATOR.replace("kovacs-1990", "kovaks-1990")
    error = refusal(tmp_path, text, monkeypatch)
    assert error.key == "substrate.material"
    assert "lithium-niobate/kovacs-1990" in error.expected


def test_own_material_files_are_taken_by_path():
    text = RESONATOR.replace("lithium-niobate/kovacs-1990", "./buoy-crystal.toml")
    assert Case.from_toml(text).resolved().substrate.material == "./buoy-crystal.toml"


def test_quantity_mistakes_are_unit_errors(tmp_path, monkeypatch):
    error = refusal(tmp_path, RESONATOR.replace(PITCH, "pitch = 2.228"), monkeypatch)
    assert isinstance(error, UnitError)
    assert (error.key, error.found) == ("grating.pitch", "2.228, that is 2.228 m")


def many_like(count):
    head = '[substrate]\nmaterial = "quartz/bechmann-1958"\n'
    links = [f'[[grating]]\nname = "g{n}"\nlike = "g{n + 1}"\n' for n in range(count)]
    return head + "".join(links)


HOSTILE = [
    ("ten megabytes", "a = 1\n" * 1_700_000, "more than 256 kB"),
    ("dotted key", ".".join("a" * 10_000) + " = 1", "20003 characters in line 1"),
    ("line separators in a key", ".".join(['"\u2028"'] * 10_000) + " = 1", "characters in line 1"),
    ("nested in one line", "a = " + "[" * 5000 + "]" * 5000, "characters in line 1"),
    ("nested over lines", "a = " + "[\n" * 5000 + "]\n" * 5000, "nested too deeply"),
    ("inline tables", "a = " + "{a=" * 400 + "1" + "}" * 400, "nested too deeply"),
    (
        "deep headers",
        "\n".join("[" + ".".join("a" * n) + "]" for n in range(1, 300)),
        "deeper than",
    ),
    ("many tables", "[substrate]\nmaterial = 'a/b'\n" + "[[grating]]\n" * 20_000, "20000 tables"),
    ("a long circle", many_like(150) + '[[grating]]\nname = "g150"\nlike = "g0"', "a circle"),
    ("an endless chain", many_like(150), "an unknown name"),
    ("a huge integer", "format = " + "9" * 1900, "an integer of too many digits"),
    ("null characters", "\x00" * 100, "not TOML"),
]


@pytest.mark.parametrize(("text", "part"), [h[1:] for h in HOSTILE], ids=[h[0] for h in HOSTILE])
def test_hostile_files_are_refused_quickly(text, part, tmp_path, monkeypatch):
    start = time.perf_counter()
    error = refusal(tmp_path, text, monkeypatch)
    assert part in str(error)
    assert len(str(error)) < 5000
    assert time.perf_counter() - start < 2.0


def test_what_is_no_file(tmp_path):
    (tmp_path / "latin.toml").write_bytes(b'format = 1\ntitle = "\xe4"')
    (tmp_path / "old-mac.toml").write_bytes(b'title = "Buoy"\rformat = 1\r')
    for path, part in [
        (tmp_path, "found a folder; expected a case file"),
        (tmp_path / "none.toml", "found no such file; expected a case file"),
        (tmp_path / "latin.toml", "found a byte in line 2 that is not UTF-8"),
        (tmp_path / "old-mac.toml", "found lines that end with a carriage return alone"),
        ("\0", "expected"),
        ("x" * 5000, "expected a readable file"),
    ]:
        with pytest.raises(CaseError) as caught:
            Case.load(path)
        assert part in str(caught.value)


def test_byte_order_mark_and_line_ends_do_not_matter(tmp_path):
    path = tmp_path / "buoy.toml"
    path.write_bytes(b"\xef\xbb\xbf" + RESONATOR.replace("\n", "\r\n").encode())
    assert Case.load(path).to_dict() == Case.from_toml(RESONATOR).to_dict()


@pytest.mark.parametrize("data", [None, 3, [], {1: 2}, {"title": None}, {"title": object()}])
def test_python_objects_that_are_no_case(data):
    with pytest.raises(CaseError):
        Case.from_dict(data)


def test_deep_python_objects_are_refused():
    nested = {}
    nested["title"] = nested
    with pytest.raises(CaseError, match="nested deeper than 16"):
        Case.from_dict(nested)


keys = st.sampled_from(
    [
        *("title", "substrate", "material", "euler", "cut", "layer", "thickness", "grating"),
        *("pitch", "metal", "like", "name", "device", "kind", "fingers", "band", "start", "stop"),
        *("points", "sweep", "axis", "key", "values", "yield", "spread", "track", "elements"),
    ]
)
leaves = st.one_of(
    st.sampled_from(["quartz/bechmann-1958", "1 um", "0.02 wavelength", "resonator", "main", ""]),
    st.integers(-3, 3),
    st.floats(),
    st.booleans(),
)
tables = st.recursive(
    leaves,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(keys, inner, max_size=5)),
    max_leaves=25,
)


@given(data=st.dictionaries(keys, tables, max_size=6))
def test_any_tables_are_a_case_or_one_of_our_errors(data):
    data.setdefault("substrate", {"material": "quartz/bechmann-1958"})
    with contextlib.suppress(SawfemError):  # nothing else may escape
        Case.from_dict(data).resolved()
