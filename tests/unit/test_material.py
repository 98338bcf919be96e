"""Material files: reading, refusing, variants, rotation, temperature."""

import dataclasses
import tomllib

import numpy as np
import pytest

from sawfem.conventions import EPSILON_0
from sawfem.errors import MaterialError, NotFoundError
from sawfem.material import (
    Material,
    list_materials,
    load_material,
    material_variant,
)
from sawfem.material.reading import isotropic_stiffness, material_from_table

NIOBATE = """
crystal = "lithium niobate"
point_group = "3m"
source = "Harbour laboratory, buoy 7"
mark = "unconfirmed"
density = 4628

[stiffness_GPa]
c11 = 198.39
c12 = 54.72
c13 = 65.13
c14 = 7.88
c33 = 227.9
c44 = 59.65

[piezoelectric_C_per_m2]
e15 = 3.69
e22 = 2.42
e31 = 0.3
e33 = 1.77

[permittivity_relative]
eps11 = 45.6
eps33 = 26.3
"""
METAL = """
crystal = "aluminium"
point_group = "isotropic"
source = "Harbour laboratory, buoy 7"
mark = "unconfirmed"
density = 2700
youngs_modulus_GPa = 70.3
poisson_ratio = 0.345
"""


def read(text):
    return material_from_table(tomllib.loads(text), name="buoy")


def refuse(text, key, match):
    with pytest.raises(MaterialError, match=match) as caught:
        read(text)
    assert caught.value.key == key
    return caught.value


def test_units_of_the_tables():
    material = read(NIOBATE)
    assert material.stiffness[0, 0] == pytest.approx(198.39e9, rel=1e-14)
    assert material.piezoelectric[0, 5] == pytest.approx(-2.42, rel=1e-14)
    assert material.permittivity[2, 2] == pytest.approx(26.3 * EPSILON_0, rel=1e-14)
    si = NIOBATE.replace("stiffness_GPa", "stiffness_Pa").replace(
        "permittivity_relative", "permittivity_F_per_m"
    )
    other = read(si)
    assert other.stiffness[0, 0] == pytest.approx(198.39, rel=1e-14)
    assert other.permittivity[2, 2] == pytest.approx(26.3, rel=1e-14)


def test_isotropic_metal_from_modulus_and_ratio():
    """Strain under tension along x: E S1 = T1, S2 = -nu S1 (definition of E and nu)."""
    material = read(METAL)
    compliance = np.linalg.inv(material.stiffness)
    assert compliance[0, 0] == pytest.approx(1 / 70.3e9, rel=1e-12)
    assert compliance[0, 1] == pytest.approx(-0.345 / 70.3e9, rel=1e-12)
    assert compliance[3, 3] == pytest.approx(2 * 1.345 / 70.3e9, rel=1e-12)
    assert material.is_conductor
    assert not material.is_piezoelectric


@pytest.mark.parametrize("ratio", [0.5, -1.0, 0.7])
def test_poisson_ratio_of_an_unstable_body(ratio):
    with pytest.raises(MaterialError, match="poisson_ratio"):
        isotropic_stiffness(70e9, ratio)


def test_unknown_keys_name_the_nearest():
    error = refuse(NIOBATE.replace("density", "densty"), "densty", "nearest: density")
    assert error.found == "an unknown key"
    refuse(NIOBATE + "\n[stifness_GPa]\nc11 = 1", "stifness_GPa", "nearest: stiffness_GPa")
    refuse(
        NIOBATE + '\n[expansion]\nalpha22 = 1\nalpa33 = 1\nsource = "a"\nmark = "found"',
        "expansion.alpa33",
        "nearest: alpha33",
    )
    refuse(NIOBATE.replace("eps33", "eps3"), "permittivity_relative.eps3", "nearest: .*eps33")


@pytest.mark.parametrize("key", ["crystal", "point_group", "source", "mark", "density"])
def test_missing_keys(key):
    lines = [line for line in NIOBATE.splitlines() if not line.startswith(key)]
    refuse("\n".join(lines), key, "found nothing")


@pytest.mark.parametrize("value", ["true", "nan", "inf", "-inf", '"4628"', "[4628]", "9" * 400])
def test_numbers_must_be_finite_reals(value):
    refuse(NIOBATE.replace("4628", value), "density", "a (finite )?number")
    refuse(NIOBATE.replace("227.9", value), "stiffness_GPa.c33", "a (finite )?number")


@pytest.mark.parametrize("value", ["0", "-4628"])
def test_density_must_be_positive(value):
    refuse(NIOBATE.replace("4628", value), "density", "above zero")


def test_texts_must_be_texts():
    refuse(NIOBATE.replace('"3m"', "3"), "point_group", "a text")
    refuse(NIOBATE.replace('"lithium niobate"', '" "'), "crystal", "a text")
    refuse(NIOBATE.replace('"3m"', '"3n"'), "point_group", "one of the 32 classes")
    refuse(NIOBATE.replace('"unconfirmed"', '"sure"'), "mark", "one of found, reproduced")


def test_constants_that_contradict_the_class():
    refuse(NIOBATE + "\neps12 = 3", "permittivity_relative.eps12", "zero in class 3m")
    refuse(
        NIOBATE.replace("c12 = 54.72", "c12 = 54.72\nc66 = 80"),
        "stiffness_GPa.c66",
        "71.835, which follows",
    )
    refuse(NIOBATE.replace("c14 = 7.88\n", ""), "stiffness_GPa.c14", "found nothing")


def test_energy_must_be_positive_definite():
    refuse(NIOBATE.replace("c44 = 59.65", "c44 = -59.65"), "stiffness", "positive definite")
    # c14^2 < c44 c66 is needed in trigonal crystals (Nye 1957, from memory).
    refuse(NIOBATE.replace("c14 = 7.88", "c14 = 70"), "stiffness", "positive definite")
    refuse(NIOBATE.replace("eps33 = 26.3", "eps33 = -1"), "permittivity", "positive definite")
    refuse(NIOBATE.replace("eps33 = 26.3", "eps33 = 0"), "permittivity", "positive definite")


def test_tables_given_twice_or_as_something_else():
    refuse(
        NIOBATE + "\n[permittivity_F_per_m]\neps11 = 1e-10\neps33 = 1e-10",
        "permittivity_relative and permittivity_F_per_m",
        "more than one table",
    )
    refuse(
        "stiffness_GPa = 3\n" + METAL.replace("youngs", "#").replace("poisson", "#"),
        "stiffness_GPa",
        "a table",
    )
    refuse(METAL + "\n[stiffness_GPa]\nc11 = 1\nc12 = 0", "youngs_modulus_GPa", "one of the two")
    refuse(METAL.replace("isotropic", "m-3m"), "youngs_modulus_GPa", "class isotropic")
    refuse(METAL.replace("poisson_ratio = 0.345", ""), "poisson_ratio", "beside youngs_modulus_GPa")


def test_a_piezoelectric_conductor_is_refused():
    text = NIOBATE[: NIOBATE.index("[permittivity")]
    refuse(text, "permittivity", "only a conductor has none")


def test_temperature_tables():
    text = NIOBATE + (
        '\n[temperature.stiffness]\nsource = "s"\nmark = "found"\nc66 = [1e-4, 2e-7]\nc11 = 3e-4'
    )
    data = read(text).temperature.stiffness
    assert data.values == {"c11": (3e-4,), "c66": (1e-4, 2e-7)}
    assert data.reference == 25.0
    assert data.polynomial("c66", 35.0) == pytest.approx(1e-3 + 2e-5)
    refuse(text + "\nc33 = [1, 2, 3, 4]", "temperature.stiffness.c33", "4 coefficients")
    refuse(text + "\nc33 = []", "temperature.stiffness.c33", "0 coefficients")
    refuse(text + "\nc33 = [true]", "temperature.stiffness.c33", "a number")
    refuse(text + "\nc15 = [1]", "temperature.stiffness.c15", "an unknown key")
    refuse(text.replace('mark = "found"', ""), "temperature.stiffness.mark", "found nothing")
    refuse(NIOBATE + "\n[temperature.density]\na = 1", "temperature.density", "an unknown key")


def test_marks_of_parts():
    assert read(NIOBATE + '\n[marks]\nstiffness = "found"').marks == {"stiffness": "found"}
    refuse(NIOBATE + '\n[marks]\nstiffness = "sure"', "marks.stiffness", "one of found")
    refuse(NIOBATE + '\n[marks]\nstifness = "found"', "marks.stifness", "nearest: stiffness")


# ---------------------------------------------------------------- names and paths


def test_a_crystal_alone_is_refused_with_its_sets():
    with pytest.raises(MaterialError) as caught:
        load_material("lithium-niobate")
    assert caught.value.found == '"lithium-niobate", a crystal with 4 sets'
    for name in ("warner-1967", "smith-welsh-1971", "kovacs-1990", "kushibiki-1999"):
        assert f"lithium-niobate/{name}" in caught.value.expected
    with pytest.raises(MaterialError, match="one set; expected silica/auld-1973"):
        load_material("silica")


@pytest.mark.parametrize(
    ("name", "nearest"),
    [
        ("lithium-niobate/kovac-1990", "lithium-niobate/kovacs-1990"),
        ("lithium-niobat/kovacs-1990", "lithium-niobate/kovacs-1990"),
        ("quarz/bechmann-1958", "quartz/bechmann-1958"),
        ("alumnium", "aluminium/kaye-laby"),
        ("Quartz/Bechmann-1958", "quartz/bechmann-1958"),
        ("lithium-niobate/../quartz/bechmann-1958", "lithium-niobate/kovacs-1990"),
    ],
)
def test_unknown_names_give_the_nearest(name, nearest):
    with pytest.raises(NotFoundError, match=f"nearest: .*{nearest}"):
        load_material(name)


@pytest.mark.parametrize("name", ["", "   ", "zzzz", "a/b/c"])
def test_names_like_none(name):
    with pytest.raises((MaterialError, NotFoundError)):
        load_material(name)


def test_a_file_of_ones_own(tmp_path, monkeypatch):
    (tmp_path / "films").mkdir()
    file = tmp_path / "films" / "guide.toml"
    file.write_text(NIOBATE)
    relative = load_material("./films/guide.toml", base=tmp_path)
    assert relative.name == "./films/guide.toml"
    assert relative.publication == "guide"
    assert load_material("films/guide.toml", base=tmp_path).density == 4628
    assert load_material(str(file)).density == 4628
    monkeypatch.chdir(tmp_path)
    assert load_material("./films/guide.toml").density == 4628
    file.write_text(NIOBATE.replace("4628", "-1"))
    with pytest.raises(MaterialError, match=r"\./films/guide\.toml: density: found -1"):
        load_material("./films/guide.toml")
    with pytest.raises(MaterialError, match=r"\./gone\.toml: found no such file"):
        load_material("./gone.toml")


def test_hostile_files_are_refused(tmp_path):
    file = tmp_path / "hostile.toml"
    file.write_bytes(b"a = 1\n" * 1_700_000)
    with pytest.raises(MaterialError, match="more than 256 kB"):
        load_material(str(file))
    file.write_bytes(b"a = " + b"[\n" * 100_000)
    with pytest.raises(MaterialError, match="nested too deeply"):
        load_material(str(file))
    file.write_bytes(b".".join([b"a"] * 10_000) + b" = 1")
    with pytest.raises(MaterialError, match="2000 characters"):
        load_material(str(file))


def test_a_shipped_set_is_read_once():
    name = list_materials()[0]
    assert load_material(name) is load_material(name)


# ---------------------------------------------------------------- objects


def test_materials_built_by_hand_are_checked():
    good = read(NIOBATE)
    with pytest.raises(MaterialError, match="a matrix of class -43m"):
        dataclasses.replace(good, point_group="-43m")
    with pytest.raises(MaterialError, match="shape"):
        dataclasses.replace(good, stiffness=np.eye(3))
    with pytest.raises(MaterialError, match="finite"):
        dataclasses.replace(good, stiffness=good.stiffness * np.nan)
    with pytest.raises(MaterialError, match="density"):
        Material(name="a", point_group="isotropic", density=np.nan, stiffness=np.eye(6))
    scaled = dataclasses.replace(good, piezoelectric=good.piezoelectric / 8)
    assert scaled.piezoelectric[2, 2] == pytest.approx(1.77 / 8)


def test_arrays_cannot_be_changed():
    material = read(NIOBATE)
    for array in (material.stiffness, material.rotated(np.eye(3)).stiffness):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0.0


def test_rotation_to_device_axes():
    """Rotated Y-cut: row 3 = (0, -sin mu, cos mu); eps'33 = eps11 sin^2 mu + eps33 cos^2 mu."""
    material = read(NIOBATE)
    mu = np.radians(38.0)
    turn = np.array([[1, 0, 0], [0, np.cos(mu), np.sin(mu)], [0, -np.sin(mu), np.cos(mu)]])
    medium = material.rotated(turn)
    expected = EPSILON_0 * (45.6 * np.sin(mu) ** 2 + 26.3 * np.cos(mu) ** 2)
    assert medium.permittivity[2, 2] == pytest.approx(expected, rel=1e-13)
    # c'1313 = c44 cos^2 - 2 c14 sin cos + c66 sin^2, normal at -mu from Z in the YZ plane.
    c44, c14, c66 = 59.65e9, 7.88e9, (198.39e9 - 54.72e9) / 2
    shear = c44 * np.cos(mu) ** 2 - 2 * c14 * np.sin(mu) * np.cos(mu) + c66 * np.sin(mu) ** 2
    assert medium.stiffness[0, 2, 0, 2] == pytest.approx(shear, rel=1e-13)
    assert medium.density == material.density


@pytest.mark.parametrize("turn", [np.diag([1, 1, -1]), 2 * np.eye(3), np.eye(2), np.zeros((3, 3))])
def test_axes_that_are_no_rotation(turn):
    with pytest.raises(MaterialError, match="right-handed"):
        read(NIOBATE).rotated(turn)


def test_generalised_tensor():
    """T_iJ = G_iJKl U_K,l gives T = c S - e^T E and D = e S + eps E with E = -grad phi."""
    medium = read(NIOBATE).rotated(np.eye(3))
    gradient = np.random.default_rng(4).normal(size=(4, 3))  # U_K,l
    flux = np.einsum("iJKl,Kl->iJ", medium.generalised_tensor(), gradient)
    strain = (gradient[:3] + gradient[:3].T) / 2
    field = -gradient[3]
    stress = np.einsum("ijkl,kl->ij", medium.stiffness, strain) - np.einsum(
        "kij,k->ij", medium.piezoelectric, field
    )
    displacement = (
        np.einsum("ikl,kl->i", medium.piezoelectric, strain) + medium.permittivity @ field
    )
    np.testing.assert_allclose(flux[:, :3], stress, rtol=1e-12, atol=1e-2)
    np.testing.assert_allclose(flux[:, 3], displacement, rtol=1e-12)


def test_conductors_have_no_permittivity():
    medium = read(METAL).rotated(np.eye(3))
    assert medium.is_conductor
    assert not np.any(medium.permittivity)


def test_summary_says_what_a_practitioner_asks():
    material = load_material("lithium-niobate/kovacs-1990")
    text = material.summary()
    for part in (
        "lithium-niobate/kovacs-1990",
        "class 3m",
        "4628 kg/m^3",
        "c33 227.9",
        "e15 3.69",
        "eps11 45.6",
        "Kovacs, Anhorn",
        "mark: reproduced",
    ):
        assert part in text
    assert "reproduced" in repr(material)
    assert "\n" not in repr(material)
    assert "resistivity 2.65e-08 ohm m" in load_material("aluminium/kaye-laby").summary()


# ---------------------------------------------------------------- variants


def test_variant_of_a_metal():
    base = load_material("aluminium/kaye-laby")
    film = material_variant(base, "alu-film", {"density": 2650, "mechanical_q": 400})
    assert film.name == "alu-film"
    assert film.density == 2650
    assert film.mechanical_q == 400
    assert film.rotated(np.eye(3)).mechanical_q == 400
    np.testing.assert_array_equal(film.stiffness, base.stiffness)
    assert film.mark == "unconfirmed"
    assert film.source.endswith("changed locally: density")
    assert base.density == 2700


def test_variant_keeps_the_mark_where_constants_stay():
    base = load_material("aluminium/kaye-laby")
    assert material_variant(base, "a", {"mechanical_q": 400}).mark == base.mark
    found = material_variant(base, "a", {"density": 2650, "mark": "found", "source": "weighed"})
    assert (found.mark, found.source) == ("found", "weighed")


def test_variant_changes_modulus_alone():
    base = load_material("aluminium/kaye-laby")
    film = material_variant(base, "a", {"youngs_modulus_GPa": 60.0})
    np.testing.assert_allclose(film.stiffness, base.stiffness * 60.0 / 70.3, rtol=1e-12, atol=1)


def test_variant_changes_some_constants():
    base = load_material("lithium-niobate/kovacs-1990")
    changed = material_variant(
        base, "a", {"stiffness_GPa": {"c33": 230.0}, "permittivity_relative": {"eps11": 44.0}}
    )
    assert changed.constants("stiffness") == pytest.approx(
        base.constants("stiffness") | {"c33": 230.0e9}
    )
    assert changed.permittivity[1, 1] == pytest.approx(44.0 * EPSILON_0)
    assert changed.permittivity[2, 2] == pytest.approx(26.3 * EPSILON_0)
    np.testing.assert_array_equal(changed.piezoelectric, base.piezoelectric)


def test_variant_of_a_derived_constant_makes_c12_yield():
    base = load_material("lithium-niobate/kovacs-1990")
    changed = material_variant(base, "a", {"stiffness_GPa": {"c66": 70.0}})
    assert changed.stiffness[5, 5] == pytest.approx(70.0e9)
    assert changed.stiffness[0, 0] == pytest.approx(198.39e9)
    assert changed.stiffness[0, 1] == pytest.approx(198.39e9 - 140.0e9)


@pytest.mark.parametrize(
    ("overrides", "key"),
    [
        ({"densty": 1}, "densty"),
        ({"density": 0}, "density"),
        ({"density": True}, "density"),
        ({"mechanical_q": -1}, "mechanical_q"),
        ({"stiffness_GPa": {"c99": 1}}, "stiffness_GPa.c99"),
        ({"stiffness_GPa": {"c15": 1}}, "stiffness_GPa.c15"),
        ({"stiffness_GPa": {"c33": float("nan")}}, "stiffness_GPa.c33"),
        ({"stiffness_GPa": {"c33": -1}}, "stiffness"),
        ({"stiffness_GPa": 3}, "stiffness_GPa"),
        ({"poisson_ratio": 0.3}, "poisson_ratio"),
    ],
)
def test_variants_are_validated(overrides, key):
    with pytest.raises(MaterialError) as caught:
        material_variant(load_material("lithium-niobate/kovacs-1990"), "a", overrides)
    assert caught.value.key == key


# ---------------------------------------------------------------- temperature


def test_temperature_without_coefficients_names_all_that_is_missing():
    with pytest.raises(MaterialError) as caught:
        load_material("lithium-niobate/kovacs-1990").at_temperature(60.0)
    for name in ("c11", "c44", "e15", "eps33", "alpha11"):
        assert name in caught.value.found
    with pytest.raises(MaterialError, match="no coefficients of e31, e33;"):
        load_material("lithium-tantalate/smith-welsh-1971").at_temperature(60.0)
    with pytest.raises(MaterialError, match="hold_constant"):
        load_material("quartz/bechmann-1958").at_temperature(60.0, hold_constant=["permitivity"])


def test_temperature_at_the_reference_changes_nothing():
    base = load_material("lithium-niobate/smith-welsh-1971")
    same = base.at_temperature(25.0)
    np.testing.assert_allclose(same.stiffness, base.stiffness, rtol=1e-13, atol=1e-3)
    np.testing.assert_allclose(same.piezoelectric, base.piezoelectric, rtol=1e-13, atol=1e-15)
    assert same.density == base.density


def test_temperature_by_hand():
    base = load_material("lithium-niobate/smith-welsh-1971")
    warm = base.at_temperature(75.0)
    assert warm.stiffness[2, 2] == pytest.approx(242.4e9 * (1 - 1.53e-4 * 50), rel=1e-12)
    assert warm.piezoelectric[0, 4] == pytest.approx(3.76 * (1 + 1.47e-4 * 50), rel=1e-12)
    along, across = 1.54e-5 * 50 + 5.3e-9 * 2500, 7.5e-6 * 50 - 7.7e-9 * 2500
    strain = base.expansion_strain(75.0)
    np.testing.assert_allclose(np.diag(strain), [along, along, across], rtol=1e-12)
    assert warm.density == pytest.approx(4628 / ((1 + along) ** 2 * (1 + across)), rel=1e-12)
    with pytest.raises(MaterialError):
        warm.at_temperature(80.0)


def test_c66_leads_and_c12_follows():
    base = load_material("quartz/bechmann-1958")
    warm = base.at_temperature(35.0, hold_constant=("piezoelectric", "permittivity"))
    grown = 39.875e9 * (1 + 1.78e-4 * 10 + 1.18e-7 * 100 + 2.1e-11 * 1000)
    assert warm.stiffness[5, 5] == pytest.approx(grown, rel=1e-12)
    c11 = 86.74e9 * (1 - 4.85e-5 * 10 - 1.07e-7 * 100 - 7e-11 * 1000)
    assert warm.stiffness[0, 1] == pytest.approx(c11 - 2 * grown, rel=1e-12)


def test_single_constants_may_be_held():
    base = load_material("lithium-tantalate/smith-welsh-1971")
    warm = base.at_temperature(75.0, hold_constant=("e31", "e33"))
    assert warm.piezoelectric[2, 2] == base.piezoelectric[2, 2]
    assert warm.piezoelectric[0, 4] == pytest.approx(2.72 * (1 - 1.3e-4 * 50))
    # The weakest mark of what went into it.
    assert (base.mark, warm.mark) == ("reproduced", "unconfirmed")


@pytest.mark.parametrize("celsius", [float("nan"), float("inf")])
def test_temperature_must_be_finite(celsius):
    with pytest.raises(MaterialError, match="temperature"):
        load_material("lithium-niobate/smith-welsh-1971").at_temperature(celsius)
