"""Every shipped set, and published numbers that follow from the constants in closed form."""

import re

import numpy as np
import pytest

from sawfem.conventions import EPSILON_0
from sawfem.datafiles import data_directory, shipped_file
from sawfem.material import MARKS, list_materials, load_material
from sawfem.orientation import Orientation

NAMES = list_materials()
CRYSTALS = {
    "lithium-niobate": "kovacs-1990 kushibiki-1999 smith-welsh-1971 warner-1967",
    "lithium-tantalate": "kushibiki-1999 smith-welsh-1971 warner-1967",
    "quartz": "bechmann-1958 bechmann-1958-ieee1978",
    "langasite": "bungo-1999 kaminskii-1983",
    "bismuth-germanium-oxide": "kraut-1970",
    "gallium-arsenide": "auld-1973",
    "zinc-oxide": "bateman-1962 kobyakov-1980",
    "aluminium-nitride": "mcneil-1993 tsubouchi-1985",
    "scandium-aluminium-nitride": "sc40-hashimoto-2013",
    "silicon": "mason-1958",
    "silicon-carbide-4h": "kamitani-1997",
    "sapphire": "wachtman-1960",
    "diamond": "mcskimin-1972",
    "silica": "auld-1973",
}
METALS = [
    "aluminium",
    "copper",
    "gold",
    "platinum",
    "molybdenum",
    "tungsten",
    "titanium",
    "chromium",
]
CUBIC_METALS = [metal for metal in METALS if metal != "titanium"]


def test_all_sets_are_shipped():
    expected = {
        f"{crystal}/{name}" for crystal, names in CRYSTALS.items() for name in names.split()
    }
    expected |= {f"{metal}/{name}" for metal in METALS for name in ("kaye-laby", "crystal")}
    assert set(NAMES) == expected
    assert len(NAMES) == 39
    assert (data_directory("materials") / "README.md").is_file()


@pytest.mark.parametrize("name", NAMES)
def test_set_is_sound(name):
    material = load_material(name)
    assert material.name == name
    assert material.mark in MARKS
    for text in (material.source, material.axes, material.confidence, material.conditions):
        assert text
    assert np.linalg.eigvalsh(material.stiffness)[0] > 0.0
    if material.permittivity is not None:
        assert np.linalg.eigvalsh(material.permittivity)[0] >= EPSILON_0
    # Shipped stiffnesses are between those of soft metals and diamond, densities below platinum.
    assert 1e10 < material.stiffness[3, 3] < 1e12
    assert 2000 < material.density < 21500
    medium = material.rotated(Orientation.from_euler(10, 20, 30).rotation)
    np.testing.assert_allclose(medium.stiffness, medium.stiffness.transpose(2, 3, 0, 1), atol=1e-3)


@pytest.mark.parametrize("name", NAMES)
def test_only_independent_constants_are_written(name):
    text = shipped_file("materials", name).read_text(encoding="utf-8")
    material = load_material(name)
    for kind, table in (
        ("stiffness", "stiffness_GPa"),
        ("piezoelectric", "piezoelectric_C_per_m2"),
    ):
        block = re.search(rf"\[{table}\]\n((?:\w+ = .*\n?)*)", text)
        if block:
            written = re.findall(r"^(\w+) =", block[1], re.MULTILINE)
            assert written == list(material.constants(kind))


@pytest.mark.parametrize("metal", METALS)
def test_metals_are_conductors_with_a_resistivity(metal):
    for name in ("kaye-laby", "crystal"):
        material = load_material(f"{metal}/{name}")
        assert material.is_conductor
        assert 1e-8 < material.resistivity < 1e-6


# Bulk velocities along [direction] with displacement along [polarisation], m/s. Stiffened by
# c^D = c^E + (n e u)^2 / (n eps n) where the wave carries a field along its normal.
BULK = [
    # Z-cut lithium niobate, longitudinal 7316: Warner, Onoe, Coquin 1967 (from memory)
    ("lithium-niobate/warner-1967", (0, 0, 1), (0, 0, 1), 7316, 3),
    # fused silica 5968 and 3764: Auld 1973 appendix (from memory)
    ("silica/auld-1973", (1, 0, 0), (1, 0, 0), 5968, 10),
    ("silica/auld-1973", (1, 0, 0), (0, 1, 0), 3764, 5),
    # silicon [100] 8433 and 5843: McSkimin 1953 (from memory)
    ("silicon/mason-1958", (1, 0, 0), (1, 0, 0), 8433, 5),
    ("silicon/mason-1958", (1, 0, 0), (0, 1, 0), 5843, 5),
    # gallium arsenide [100] 4731 and 3345: handbook values (from memory)
    ("gallium-arsenide/auld-1973", (1, 0, 0), (1, 0, 0), 4731, 5),
    ("gallium-arsenide/auld-1973", (1, 0, 0), (0, 1, 0), 3345, 5),
    # aluminium, copper, tungsten: Kaye & Laby (from memory)
    ("copper/kaye-laby", (1, 0, 0), (0, 1, 0), 2325, 5),
    ("aluminium/kaye-laby", (1, 0, 0), (0, 1, 0), 3111, 5),
    ("tungsten/kaye-laby", (1, 0, 0), (1, 0, 0), 5221, 10),
    # diamond [100] 17520: McSkimin & Andreatch 1972 (from memory)
    ("diamond/mcskimin-1972", (1, 0, 0), (1, 0, 0), 17520, 20),
]


@pytest.mark.parametrize(("name", "direction", "polarisation", "velocity", "tolerance"), BULK)
def test_bulk_velocities(name, direction, polarisation, velocity, tolerance):
    material = load_material(name)
    medium = material.rotated(np.eye(3))
    n, u = np.array(direction, float), np.array(polarisation, float)
    stiffness = np.einsum("i,j,k,l,ijkl", n, u, n, u, medium.stiffness)
    if not material.is_conductor:
        charge = np.einsum("i,k,l,ikl", n, n, u, medium.piezoelectric)
        stiffness += charge**2 / (n @ medium.permittivity @ n)
    assert np.sqrt(stiffness / material.density) == pytest.approx(velocity, abs=tolerance)


def thickness_shear_constant(material, text, celsius):
    """Frequency times thickness, Hz m, of a rotated Y-cut vibrating along X (thickness field).

    f = (1/2t) sqrt(c^D / rho), c^D = c'_1313 + e'_313^2 / eps'_33, and t grows with temperature.
    """
    plate = Orientation.from_plate(text)
    warm = material.at_temperature(celsius, hold_constant=("piezoelectric", "permittivity"))
    medium = warm.rotated(plate.rotation)
    stiffness = medium.stiffness[0, 2, 0, 2] + (
        medium.piezoelectric[2, 0, 2] ** 2 / medium.permittivity[2, 2]
    )
    growth = 1 + plate.normal @ material.expansion_strain(celsius) @ plate.normal
    return np.sqrt(stiffness / medium.density) / 2 / growth


@pytest.mark.parametrize(
    ("angle", "constant", "first_order"),
    [
        # Frequency constants, kHz mm, and temperature coefficients, ppm/K, of quartz plates in the
        # axes of 1949 (Bechmann, Ballato, Lukaszek 1962 and handbooks; from memory). AT and BT
        # are the cuts whose coefficient is zero.
        (35.25, 1661, 0.0),
        (-49.2, 2536, 0.0),
        (0.0, 1957, 92.5),
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_quartz_plates_and_their_temperature_coefficients(angle, constant, first_order, sign):
    """Closed form through sign of c14, the c66 rule, expansion, density and plate notation."""
    name = {1: "quartz/bechmann-1958", -1: "quartz/bechmann-1958-ieee1978"}[sign]
    material, text = load_material(name), f"(YXl){sign * angle}"
    cold, here, warm = (thickness_shear_constant(material, text, t) for t in (24, 25, 26))
    assert here == pytest.approx(constant, abs=1.5)
    assert (warm - cold) / 2 / here * 1e6 == pytest.approx(first_order, abs=1.5)


def test_the_wrong_quartz_axes_miss_the_at_cut():
    material = load_material("quartz/bechmann-1958")
    cold, warm = (thickness_shear_constant(material, "(YXl)-35.25", t) for t in (24, 26))
    assert abs(warm / cold - 1) / 2 > 25e-6


def bounds(stiffness):
    """Bulk modulus of a cubic crystal, and shear moduli after Reuss and Voigt (Hill 1952)."""
    c11, c12, c44 = stiffness[0, 0], stiffness[0, 1], stiffness[3, 3]
    shear = (c11 - c12) / 2
    return (c11 + 2 * c12) / 3, 5 * c44 * shear / (2 * c44 + 3 * shear), (2 * shear + 3 * c44) / 5


@pytest.mark.parametrize("metal", CUBIC_METALS)
def test_polycrystal_and_crystal_agree(metal):
    """A cubic polycrystal has the crystal's bulk modulus, and a shear modulus between the bounds.

    Hill, Proc. Phys. Soc. A 65, 349 (1952), from memory. The tabulated Young's modulus and
    Poisson's ratio of gold and platinum are known to miss the bulk modulus; their notes say so.
    """
    film = load_material(f"{metal}/kaye-laby")
    bulk, reuss, voigt = bounds(load_material(f"{metal}/crystal").stiffness)
    own = (film.stiffness[0, 0] + 2 * film.stiffness[0, 1]) / 3
    assert 0.98 * reuss < film.stiffness[3, 3] < 1.02 * voigt
    if metal in ("gold", "platinum"):
        assert abs(own / bulk - 1) > 0.1
        assert (
            f"bulk modulus of {own / 1e9:.0f} GPa, the single crystal {bulk / 1e9:.0f}" in film.note
        )
    else:
        assert own == pytest.approx(bulk, rel=0.02)


def test_digits_that_were_read():
    """Open data files MPOD 1000161 and 1000160: found."""
    constants = load_material("aluminium-nitride/tsubouchi-1985").constants("stiffness")
    assert list(constants.values()) == pytest.approx([345e9, 125e9, 120e9, 395e9, 118e9])
    constants = load_material("aluminium-nitride/mcneil-1993").constants("stiffness")
    assert list(constants.values()) == pytest.approx([410e9, 148.5e9, 98.9e9, 388.5e9, 124.6e9])


def test_unconfirmed_coefficients_of_tantalate_are_marked():
    data = load_material("lithium-tantalate/smith-welsh-1971").temperature
    assert data.stiffness.mark == "from memory"
    assert data.piezoelectric.mark == data.permittivity.mark == "unconfirmed"
    assert data.piezoelectric.values == {"e15": (-1.3e-4,), "e22": (-0.6e-4,)}
    assert data.permittivity.values == {"eps11": (3.3e-4,), "eps33": (11e-4,)}
