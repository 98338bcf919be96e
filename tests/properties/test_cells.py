"""Random cells: whatever is accepted is meshed without folds, gaps or overlaps."""

import numpy as np
import pytest

from sawfem.design import Electrode, Overcoat, Stack, UnitCell
from sawfem.errors import GeometryError
from sawfem.unitcell.mesh import AIR, METAL, MeshSettings, mesh_cell

PERIOD = 2e-6
METALS = ("aluminium/kaye-laby", "titanium/kaye-laby", "gold/kaye-laby")
SETTINGS = MeshSettings(2, 2, 0.2)


def random_cell(rng: np.random.Generator, stack: Stack) -> UnitCell:
    """One to four electrodes of one to three films, perhaps footings, grooves and overcoats."""
    count = int(rng.integers(1, 5))
    share = PERIOD / count
    strips = []
    for number in range(count):
        footing = (rng.uniform(5e-9, 40e-9), rng.uniform(2e-9, 15e-9))
        strip = Electrode(
            METALS[rng.integers(3)],
            rng.uniform(20e-9, 150e-9),
            rng.uniform(0.3, 0.7) * share,
            centre=(number + 0.5 + rng.uniform(-0.1, 0.1)) * share,
            sidewall_angle=rng.choice([90.0, rng.uniform(45.0, 89.0), rng.uniform(91.0, 120.0)]),
            footing=footing if rng.random() < 0.3 else None,
        )
        for _ in range(int(rng.integers(0, 3))):
            strip = strip.with_film(METALS[rng.integers(3)], rng.uniform(5e-9, 60e-9))
        strips.append(strip)
    coats = [
        Overcoat(
            "silica/auld-1973",
            rng.uniform(5e-9, 60e-9) if rng.random() < 0.8 else 0.5e-6,
            top="conformal" if rng.random() < 0.7 else "flat",
        )
        for _ in range(int(rng.integers(0, 3)))
    ]
    recess = rng.uniform(5e-9, 80e-9) if rng.random() < 0.4 else 0.0
    return UnitCell(stack, strips, PERIOD, overcoat=coats, recess=recess)


def test_what_is_accepted_is_meshed_without_folds_and_with_the_drawn_areas():
    rng = np.random.default_rng(20261125)
    stack = Stack("quartz/bechmann-1958").with_layer("silica/auld-1973", "30 nm")
    meshed = 0
    for _ in range(150):
        try:
            cell = random_cell(rng, stack)
            mesh = mesh_cell(cell, SETTINGS)
        except GeometryError:
            continue  # overlapping, bare, or without room: told, not meshed
        meshed += 1
        corners = mesh.mesh.p[:, mesh.mesh.t]
        step = np.roll(corners, -1, axis=1) - corners
        turn = step[0] * np.roll(step[1], -1, 0) - step[1] * np.roll(step[0], -1, 0)
        assert np.all(turn > 0.0) or np.all(turn < 0.0)
        x, z = corners
        areas = 0.5 * np.abs((x * np.roll(z, -1, 0) - np.roll(x, -1, 0) * z).sum(axis=0))
        assert areas.sum() == pytest.approx(mesh.depth + mesh.top, rel=1e-12)
        for number, strip in enumerate(cell.electrodes):
            drawn = strip.thickness * strip.mean_width / PERIOD**2
            assert areas[mesh.electrode == number].sum() == pytest.approx(drawn, rel=1e-9)
        assert np.all((mesh.region == METAL) == (mesh.electrode >= 0))
        assert all(
            (mesh.media[m] is None) == (r == AIR)
            for r, m in zip(mesh.region, mesh.medium, strict=True)
        )
    assert meshed > 60
