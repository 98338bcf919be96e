"""Cells of real processes: the areas of the drawing, what is where, and what is refused."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Electrode, Overcoat, Stack, UnitCell
from sawfem.errors import GeometryError
from sawfem.extract.grating import THRIFTY
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import AIR, COAT, METAL, STACK, MeshSettings, mesh_cell
from sawfem.unitcell.meshsize import mesh_size

AL, TI, GOLD = "aluminium/kaye-laby", "titanium/kaye-laby", "gold/kaye-laby"
SILICA = "silica/auld-1973"
SETTINGS = MeshSettings(3, 3, 0.2)
PERIOD = 2e-6


@pytest.fixture(scope="module")
def stack() -> Stack:
    return Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")


def area(mesh, chosen):
    """Signed areas of quadrilaterals by the shoelace formula: a folded one would take away."""
    x, z = mesh.mesh.p[:, mesh.mesh.t[:, chosen]]
    cross = x * np.roll(z, -1, 0) - np.roll(x, -1, 0) * z
    sign = np.sign(cross.sum(axis=0))
    assert np.all(sign == sign[0])
    return float(0.5 * abs(cross.sum()))


def is_valid(mesh):
    """Every corner of every element turns the same way, and the two sides have the same heights."""
    corners = mesh.mesh.p[:, mesh.mesh.t]
    step = np.roll(corners, -1, axis=1) - corners
    turn = step[0] * np.roll(step[1], -1, 0) - step[1] * np.roll(step[0], -1, 0)
    x, z = mesh.mesh.p
    sides = [np.sort(z[np.abs(x - side) < 1e-13]) for side in (0.0, 1.0)]
    return bool(np.all(turn > 0.0) or np.all(turn < 0.0)) and np.array_equal(*sides)


def test_three_unlike_electrodes_have_their_own_areas(stack):
    strips = [
        Electrode(AL, "100 nm", "0.3 um", centre="0.3 um"),
        Electrode(GOLD, "50 nm", "0.4 um", centre="0.9 um", sidewall_angle=70.0),
        Electrode(AL, "150 nm", "0.2 um", centre="1.6 um", sidewall_angle=100.0),
    ]
    mesh = mesh_cell(UnitCell(stack, strips, PERIOD), SETTINGS)
    assert is_valid(mesh)
    for number, strip in enumerate(strips):
        found = area(mesh, mesh.electrode == number) * PERIOD**2
        drawn = strip.thickness * 0.5 * (strip.width + strip.top_width)
        assert found == pytest.approx(drawn, rel=1e-12)
    assert area(mesh, mesh.region == STACK) == pytest.approx(SETTINGS.depth)
    media = {mesh.media[i].name for i in np.unique(mesh.medium[mesh.region == METAL])}
    assert media == {AL, GOLD}


def test_films_divide_the_electrode_in_their_shares(stack):
    strip = Electrode(TI, "10 nm", "1 um", sidewall_angle=80.0).with_film(AL, "170 nm")
    strip = strip.with_film(TI, "5 nm")
    assert strip.thickness == pytest.approx(185e-9)
    assert strip.metal.name == TI
    mesh = mesh_cell(UnitCell(stack, [strip], PERIOD), SETTINGS)
    assert is_valid(mesh)
    aluminium = next(i for i, m in enumerate(mesh.media) if m is not None and m.name == AL)
    found = area(mesh, mesh.medium == aluminium) * PERIOD**2
    cot = 1.0 / math.tan(math.radians(80.0))
    assert found == pytest.approx(170e-9 * (1e-6 - (2 * 10e-9 + 170e-9) * cot), rel=1e-12)


def test_a_footing_adds_two_triangles(stack):
    plain = Electrode(AL, "100 nm", "1 um", sidewall_angle=75.0)
    footed = Electrode(AL, "100 nm", "1 um", sidewall_angle=75.0, footing=("60 nm", "20 nm"))
    areas = []
    for strip in (plain, footed):
        mesh = mesh_cell(UnitCell(stack, [strip], PERIOD), SETTINGS)
        assert is_valid(mesh)
        areas.append(area(mesh, mesh.region == METAL) * PERIOD**2)
    assert areas[1] - areas[0] == pytest.approx(60e-9 * 20e-9, rel=1e-9)
    assert footed.foot_width == pytest.approx(1.12e-6)


@pytest.mark.parametrize("angle", [90.0, 75.0, 45.0, 100.0, 115.0])
def test_conformal_films_have_their_thickness_everywhere(stack, angle):
    """Mitred: the film's cross-section is that of the shapes grown by d less the shape itself.

    Beside a wall the film measures d square to it, so it is d/sin(angle) wide; its walls run
    from d over the surface to d over the top.
    """
    h, d, second = 0.1, 0.03, 0.05
    strip = Electrode(AL, h * PERIOD, 0.9e-6, sidewall_angle=angle)
    coats = [Overcoat(SILICA, d * PERIOD), Overcoat("zinc-oxide/bateman-1962", second * PERIOD)]
    mesh = mesh_cell(UnitCell(stack, [strip], PERIOD, overcoat=coats), SETTINGS)
    assert is_valid(mesh)
    cot, sine = 1.0 / math.tan(math.radians(angle)), math.sin(math.radians(angle))
    w = strip.width / PERIOD

    def grown(distance: float) -> float:
        """Area under the upper side of everything within ``distance``, in periods squared."""
        foot, top = (w - 2 * z * cot + 2 * distance / sine for z in (distance, h + distance))
        return distance + 0.5 * h * (foot + top)

    metal = h * (w - h * cot)
    assert area(mesh, mesh.region == COAT) == pytest.approx(grown(d) - metal, rel=1e-11)
    assert area(mesh, mesh.region == COAT - 1) == pytest.approx(
        grown(d + second) - grown(d), rel=1e-11
    )


def test_films_that_merge_in_a_gap_are_level_there_or_leave_a_groove(stack):
    """Areas of everything within d, mitred, in periods squared; fronts that meet fill the gap.

    Upright walls at half a period, d = 0.3: level at h + d. Walls of 60 degrees with d = 0.36:
    half the front's width falls by cot(60) a height and meets the middle of the gap at z0.
    """
    h = 0.1
    closed = UnitCell(
        stack,
        [Electrode(AL, h * PERIOD, 0.5 * PERIOD)],
        PERIOD,
        overcoat=[Overcoat(SILICA, 0.2 * PERIOD), Overcoat(SILICA, 0.1 * PERIOD)],
    )
    mesh = mesh_cell(closed, SETTINGS)
    assert is_valid(mesh)
    first = 0.2 + h * 0.9
    assert area(mesh, mesh.region == COAT) == pytest.approx(first - 0.05, rel=1e-11)
    assert area(mesh, mesh.region == COAT - 1) == pytest.approx(0.3 + h - first, rel=1e-11)

    h, w, d, second = 0.2, 0.6, 0.36, 0.08
    cot, sine = 1.0 / math.tan(math.radians(60.0)), math.sin(math.radians(60.0))
    strip = Electrode(AL, h * PERIOD, w * PERIOD, sidewall_angle=60.0)
    coats = [Overcoat(SILICA, d * PERIOD), Overcoat("zinc-oxide/bateman-1962", second * PERIOD)]
    mesh = mesh_cell(UnitCell(stack, [strip], PERIOD, overcoat=coats), SETTINGS)
    assert is_valid(mesh)

    def grown(distance: float) -> float:
        z0 = (0.5 * w + distance / sine - 0.5) / cot
        assert distance < z0 < h + distance
        left = h + distance - z0  # height of the groove; its walls lean by cot
        return h + distance - left**2 * cot

    # The bottom of the groove is cut off flat, 2 % of the gap (of two films 4 %) wide.
    cut = (0.04 * 0.4) ** 2 / (4.0 * cot)
    metal = h * (w - h * cot)
    assert area(mesh, mesh.region == COAT) == pytest.approx(grown(d) - metal + cut, rel=1e-9)
    both = area(mesh, mesh.region <= COAT)
    assert both == pytest.approx(grown(d + second) - metal + 0.25 * cut, rel=1e-9)


def test_films_over_electrodes_of_unlike_height_merge_to_a_step(stack):
    """A narrow gap between a high and a low strip: the film around the high one ends there."""
    strips = [
        Electrode(AL, "200 nm", "0.4 um", centre="0.65 um"),
        Electrode(AL, "60 nm", "0.4 um", centre="1.25 um"),
    ]
    d = 0.12e-6
    cell = UnitCell(stack, strips, PERIOD, overcoat=[Overcoat(SILICA, d)])
    assert [gap.merged for gap in cell.gaps] == [(True,), (False,)]
    mesh = mesh_cell(cell, SETTINGS)
    assert is_valid(mesh)
    high, low, both = 0.4e-6 + 2 * d, 0.4e-6 + 2 * d, 0.4e-6 + 0.6e-6 + 2 * d
    grown = d * PERIOD + 60e-9 * both + 140e-9 * high
    assert high == low
    metal = 0.4e-6 * 260e-9
    found = area(mesh, mesh.region == COAT) * PERIOD**2
    assert found == pytest.approx(grown - metal, rel=1e-9)


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_step_may_lie_over_the_lower_electrode(stack, mirrored):
    """A film thicker than the gap: its step, upright, stands over the top of the low strip, and the
    areas are those of the drawing. Two films make two steps, of which one lies in the gap.
    """

    def places(*centres):
        return [PERIOD - c if mirrored else c for c in centres]

    a, b = places(0.65e-6, 1.25e-6)
    strips = [
        Electrode(AL, "200 nm", "0.4 um", centre=a),
        Electrode(GOLD, "60 nm", "0.4 um", centre=b, sidewall_angle=80.0),
    ]
    strips.sort(key=lambda strip: strip.centre)
    d, more = 0.15e-6, 0.12e-6  # the gap is 0.2 um wide
    coats = [Overcoat(SILICA, d), Overcoat("zinc-oxide/bateman-1962", more)]
    cell = UnitCell(stack, strips, PERIOD, overcoat=coats)
    mesh = mesh_cell(cell, SETTINGS)
    assert is_valid(mesh)
    for number, strip in enumerate(cell.electrodes):
        drawn = strip.thickness * 0.5 * (strip.width + strip.top_width)
        found = area(mesh, mesh.electrode == number) * PERIOD**2
        assert found == pytest.approx(drawn, rel=1e-12)
    high, low = sorted(cell.electrodes, key=lambda strip: -strip.thickness)

    def grown(t):
        """Area under a film of that thickness: level parts, then what stands above them."""
        # Up to the low one's film the two are one, from the high one's wall to the low one's.
        cot = 1.0 / math.tan(math.radians(80.0))
        wall = [low.half_width(z, t) for z in (t, low.thickness + t)]
        assert wall[0] - wall[1] == pytest.approx(low.thickness * cot)
        both = 0.6e-6 + high.half_width(0.0, t) + 0.5 * sum(wall)
        step = high.half_width(0.0, t)
        return t * PERIOD + 60e-9 * both + 140e-9 * 2.0 * step

    metal = area(mesh, mesh.region == METAL) * PERIOD**2
    first = area(mesh, mesh.region == COAT) * PERIOD**2
    both = area(mesh, (mesh.region == COAT) | (mesh.region == COAT - 1)) * PERIOD**2
    assert first == pytest.approx(grown(d) - metal, rel=1e-9)
    assert both == pytest.approx(grown(d + more) - metal, rel=1e-9)
    # Above the low strip, on either side of the step: film and air.
    x, z = mesh.mesh.p[:, mesh.mesh.t].mean(axis=1) * PERIOD
    beside = abs(x - high.centre)
    over = (z > 0.06e-6 + d + more) & (abs(x - low.centre) < 0.15e-6) & (z < 0.2e-6 + d + more)
    step = high.half_width(0.0, d + more)
    assert np.all(mesh.region[over & (beside > step)] == AIR)
    assert np.all(mesh.region[over & (beside < step)] <= COAT)
    assert np.any(over & (beside < step))


def test_conformal_over_a_footing_follows_both_slopes(stack):
    strip = Electrode(AL, "200 nm", "1 um", footing=("80 nm", "40 nm"))
    coat = Overcoat(SILICA, "20 nm")
    mesh = mesh_cell(UnitCell(stack, [strip], PERIOD, overcoat=[coat]), SETTINGS)
    assert is_valid(mesh)
    points = mesh.mesh.p[:, np.unique(mesh.mesh.t[:, mesh.region == COAT])]
    rights = points[:, points[0] > 0.5] * PERIOD
    # The point of the upper side over the middle of the slope is 20 nm from it, square to it.
    slope = np.array([-80e-9, 40e-9]) / math.hypot(80e-9, 40e-9)
    normal = np.array([slope[1], -slope[0]])
    foot = np.array([1e-6 + 0.5e-6 + 80e-9, 0.0])
    off = normal @ (rights - foot[:, None])
    along = slope @ (rights - foot[:, None])
    beside = (along > 30e-9) & (along < 80e-9)
    assert np.max(off[beside]) == pytest.approx(20e-9, rel=1e-9)


def test_a_flat_overcoat_fills_up_to_its_level(stack):
    strips = [
        Electrode(AL, "100 nm", "0.4 um", centre="0.5 um"),
        Electrode(AL, "160 nm", "0.4 um", centre="1.4 um", sidewall_angle=110.0),
    ]
    coats = [Overcoat(SILICA, "200 nm", top="flat"), Overcoat(SILICA, "60 nm")]
    mesh = mesh_cell(UnitCell(stack, strips, PERIOD, overcoat=coats), SETTINGS)
    assert is_valid(mesh)
    metal = area(mesh, mesh.region == METAL)
    assert area(mesh, mesh.region == COAT) == pytest.approx(0.1 - metal, rel=1e-12)
    assert area(mesh, mesh.region == COAT - 1) == pytest.approx(0.03, rel=1e-12)


def test_electrodes_in_grooves_take_the_place_of_the_stack(stack):
    layered = stack.with_layer(SILICA, "60 nm")
    strip = Electrode(AL, "150 nm", "1 um", sidewall_angle=100.0)
    mesh = mesh_cell(UnitCell(layered, [strip], PERIOD, recess="100 nm"), SETTINGS)
    assert is_valid(mesh)
    assert mesh.depth == pytest.approx(SETTINGS.depth + 0.05)
    assert mesh.clearance == pytest.approx(SETTINGS.depth)
    tan = math.tan(math.radians(10.0))

    def metal(low: float, high: float) -> float:
        """Area of the metal between two heights over the foot, m^2."""
        return (high - low) * (1e-6 + (low + high) * tan)

    silica = area(mesh, mesh.region == STACK) * PERIOD**2
    assert silica == pytest.approx(60e-9 * PERIOD - metal(40e-9, 100e-9), rel=1e-11)
    assert area(mesh, mesh.region == METAL) * PERIOD**2 == pytest.approx(metal(0.0, 150e-9))


def test_a_groove_deeper_than_its_electrode_holds_air_or_the_flat_overcoat(stack):
    strip = Electrode(AL, "100 nm", "1 um")
    for coats, region in ((), AIR), ([Overcoat(SILICA, "80 nm", top="flat")], COAT):
        cell = UnitCell(stack, [strip], PERIOD, recess="150 nm", overcoat=coats)
        mesh = mesh_cell(cell, SETTINGS)
        assert is_valid(mesh)
        middle = mesh.mesh.p[:, mesh.mesh.t].mean(axis=1)
        over = (np.abs(middle[0] - 0.5) < 0.25) & (middle[1] > -0.025) & (middle[1] < 0.0)
        assert over.any()
        assert set(mesh.region[over]) == {region}


def test_a_metal_plane_below_the_electrodes_makes_the_slab_thinner_or_lies_within(stack):
    def cell(below: str) -> UnitCell:
        layered = stack.with_layer(AL, "100 nm").with_layer(SILICA, below)
        return UnitCell.grating(layered, AL, pitch=PERIOD, thickness="100 nm")

    assert mesh_cell(cell("500 nm"), SETTINGS).depth == pytest.approx(0.7 * 0.25)
    near = mesh_cell(cell("40 nm"), SETTINGS)
    assert is_valid(near)
    assert near.depth > 0.07
    plane = near.medium == next(i for i, m in enumerate(near.media) if m and m.name == AL)
    assert area(near, plane & (near.electrode < 0)) == pytest.approx(0.05)
    with pytest.raises(GeometryError, match="a metal plane 0 m below the electrodes"):
        mesh_cell(UnitCell.grating(stack.shorted(0), AL, pitch=PERIOD, thickness="1 nm"), SETTINGS)


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (lambda s: Overcoat(AL, "10 nm"), "a conductor"),
        (lambda s: Overcoat(SILICA, "10 nm", top="round"), '"conformal" or "flat"'),
        (lambda s: Electrode(AL, "10 nm", "1 um", sidewall_angle=175.0), "10 to 170 deg"),
        (
            lambda s: UnitCell(
                s, [Electrode(AL, "10 nm", "1 um", footing=("10 nm", "10 nm"))], PERIOD
            ),
            "less than",
        ),
        (
            lambda s: Electrode(
                AL, "40 nm", "1 um", footing=("10 nm", "10 nm"), sidewall_angle=95.0
            ),
            "at most 90 deg",
        ),
        (lambda s: Electrode(AL, "40 nm", "1 um").with_film(SILICA, "10 nm"), "a dielectric"),
        (
            lambda s: Electrode(AL, "0.2 um", "0.6 um", sidewall_angle=60.0).with_film(
                AL, "0.4 um"
            ),
            "side walls meet",
        ),
        (
            lambda s: UnitCell(
                s,
                [
                    Electrode(AL, "0.3 um", "0.5 um", centre="0.5 um", sidewall_angle=120.0),
                    Electrode(AL, "0.3 um", "0.5 um", centre="1.2 um", sidewall_angle=120.0),
                ],
                PERIOD,
            ),
            "neither touch nor leave",
        ),
        (
            lambda s: UnitCell(s, [Electrode(AL, "0.1 um", "1 um", centre="0.4 um")], PERIOD),
            "neither touch nor leave",
        ),
        (
            lambda s: UnitCell.grating(
                s,
                AL,
                pitch=PERIOD,
                thickness="100 nm",
                overcoat=[Overcoat(SILICA, "99 nm", top="flat")],
            ),
            "at least 100 nm",
        ),
        (
            lambda s: UnitCell.grating(
                s,
                AL,
                pitch=PERIOD,
                thickness="100 nm",
                overcoat=[Overcoat(SILICA, "50 nm"), Overcoat(SILICA, "60 nm", top="flat")],
            ),
            "at least 150 nm",
        ),
        (
            lambda s: UnitCell.grating(
                s,
                AL,
                pitch=PERIOD,
                thickness="200 nm",
                sidewall_angle=120.0,
                overcoat=[Overcoat(SILICA, "250 nm")],
            ),
            "above a void",
        ),
        (
            lambda s: UnitCell(
                s,
                [Electrode(AL, "100 nm", "1 um", centre="0.7 um")],
                PERIOD,
                overcoat=[Overcoat(SILICA, "300 nm")],
            ),
            "reach the end of the cell",
        ),
        (
            lambda s: UnitCell(
                s,
                [
                    Electrode(AL, "200 nm", "0.4 um", centre="0.65 um"),
                    Electrode(AL, "60 nm", "0.4 um", centre="1.25 um"),
                ],
                PERIOD,
                overcoat=[Overcoat(SILICA, "205 nm")],
            ),
            "at the near wall of the lower one.* a step 420 nm to 780 nm",
        ),
        (
            lambda s: UnitCell(
                s,
                [
                    Electrode(AL, "200 nm", "0.4 um", centre="0.65 um"),
                    Electrode(AL, "60 nm", "0.2 um", centre="1.15 um"),
                ],
                PERIOD,
                overcoat=[Overcoat(SILICA, "420 nm")],
            ),
            "beyond the lower one",
        ),
        (
            lambda s: UnitCell.grating(
                s,
                AL,
                pitch=PERIOD,
                thickness="100 nm",
                recess="120 nm",
                overcoat=[Overcoat(SILICA, "50 nm")],
            ),
            "below the surface",
        ),
    ],
)
def test_what_cannot_be_made_is_refused(stack, build, words):
    with pytest.raises(GeometryError, match=words):
        build(stack)


def test_the_size_of_a_mesh_is_known_before_it_is_built(stack):
    """Unknowns without the Bloch condition: shape functions of solids, dielectrics and air."""
    strip = Electrode(AL, "100 nm", "1 um", sidewall_angle=80.0)
    cell = UnitCell(stack, [strip], PERIOD, overcoat=[Overcoat(SILICA, "30 nm")])
    size, d = mesh_size(cell, SETTINGS), discretise(cell, SETTINGS)
    assert size.elements == d.mesh.region.size
    assert size.unknowns == pytest.approx(d.size, rel=0.05)


def test_a_mesh_beyond_the_memory_is_refused_and_not_built(stack):
    """Eight electrodes of eight heights under two films; the limit is MEMORY_LIMIT, 4 GB."""
    strips = [
        Electrode(AL, (60 + 25 * i) * 1e-9, "0.3 um", centre=(0.5 + i) * 1e-6) for i in range(8)
    ]
    coats = [Overcoat(SILICA, "20 nm"), Overcoat("zinc-oxide/bateman-1962", "20 nm")]
    cell = UnitCell(stack, strips, "8 um", overcoat=coats)
    with pytest.raises(GeometryError, match=r"needs some \d+\.\d GB; expected at most 4 GB"):
        discretise(cell, MeshSettings(5, 4, 0.15))


@pytest.mark.parametrize("step", [0.0, 0.1])
def test_four_electrodes_under_a_conformal_film_fit_into_memory(stack, step):
    """Of one height, and of four: their third mesh needs a third of what the full degree would."""
    strips = [
        Electrode(AL, 160e-9 * (1.0 + step * i), "1 um", centre=(2 * i + 1) * 1e-6)
        for i in range(4)
    ]
    cell = UnitCell(stack, strips, "8 um", overcoat=[Overcoat(SILICA, "80 nm")])
    third = THRIFTY[2]
    size, full = mesh_size(cell, third), mesh_size(cell, replace(third, thrift=0.0))
    assert size.memory < 3e9
    assert full.unknowns > 4 * size.unknowns
