"""Where rotated tantalate leaks least: the unit cell against strips without a mesh, plane waves,
and the standing wave's load.

Three routes to the figures of tests/reference/test_leaky_rotation.py that share with the unit cell
the substrate's surface admittance only.
"""

import numpy as np
import pytest

from sawfem.conventions import STRESS
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.allwaves import search_waves
from tests.support.leaky_grating import (
    ETCHED,
    LEANING,
    PITCH,
    UPRIGHT,
    Leakage,
    Section,
    leakage,
    rotated_stack,
)
from tests.support.ritz_grating import RitzGrating, null_frequency

#: Young's modulus and Poisson's ratio of Kaye, Laby (from memory), Pa.
YOUNG, POISSON = 70.3e9, 0.345


def without_mesh(section: Section, height: float, rotation: float, **settings) -> RitzGrating:
    metal = (YOUNG, POISSON, section.density)
    sizes = (PITCH, 2.0 * PITCH * height, section.ratio, section.wall)
    return RitzGrating(rotated_stack(rotation), *sizes, metal, **settings)


def least(rotations: tuple[float, ...], edges: list[complex]) -> float:
    """Rotation of least leakage, as :meth:`Leakage.least` has it."""
    losses = np.array([edge.imag / edge.real for edge in edges])
    return Leakage(np.array(rotations), losses, losses, losses, losses).least(losses)


@pytest.mark.parametrize(
    ("section", "height"), [(UPRIGHT, 0.10), (ETCHED, 0.07), (ETCHED, 0.10), (LEANING, 0.10)]
)
def test_least_leakage_of_strips_without_a_mesh(section, height):
    """Rotation of least leakage at resonance to 0.03 degrees, at the antiresonance to 0.2: the
    charge beside the strip, left out there, moves the antiresonance but not the resonance, where
    all potentials vanish."""
    found = leakage(section, height)
    shorted, floating = [], []
    for rotation in found.rotations:
        strips = without_mesh(section, height, rotation)
        shorted.append(strips.edge(shorted[-1].real if shorted else 0.98e9))
        floating.append(strips.edge(1.035 * shorted[-1].real, floating=True))
    resonance, antiresonance = found.least(found.resonance), found.least(found.antiresonance)
    assert resonance == pytest.approx(least(found.rotations, shorted), abs=0.03)
    assert antiresonance == pytest.approx(least(found.rotations, floating), abs=0.2)
    spread = np.array([b.real / a.real - 1.0 for a, b in zip(shorted, floating, strict=True)])
    assert spread == pytest.approx(found.spread, rel=0.025)


def test_strips_without_a_mesh_converge():
    """More harmonics, functions and polynomials change the loss by a hundredth, the frequency by
    some 1e-5."""
    place = (UPRIGHT, 0.10, 42.0)
    coarse = without_mesh(*place).edge(0.97e9)
    for finer in ({"pairs": 64}, {"functions": 12}, {"degrees": (13, 5)}, {"degrees": (9, 8)}):
        fine = without_mesh(*place, **finer).edge(0.97e9)
        assert fine.real == pytest.approx(coarse.real, rel=4e-5)
        assert fine.imag == pytest.approx(coarse.imag, rel=0.01)


#: Around the least leakage of thin metal.
THIN_ROTATIONS = (31.0, 34.0, 37.0, 40.0)
THIN = (0.0025, 0.01)


def loaded(height: float, mean: float, fringe: float) -> float:
    """Rotation of least leakage of a plane wave at the Bragg wavenumber, shorted, under a load.

    A thin film of thickness h loads the surface by T_3i = (rho w^2 - C_i k^2) h u_i with C_1 =
    E/(1 - nu^2), C_2 = mu, C_3 = 0. A standing wave that has the antinodes of u2 and u3, ~ cos kx,
    upon the strips of ratio eta, and there the nodes of u1, weighs the terms by the mean over the
    period of 2 cos^2 on the strips, eta + sin(pi eta)/pi, or of 2 sin^2, eta - sin(pi eta)/pi:
    ``mean`` +- ``fringe``. A level film has mean 1 and no fringe.
    """
    h, k = 2.0 * PITCH * height, np.pi / PITCH
    stiffness = np.array([YOUNG / (1.0 - POISSON**2), 0.5 * YOUNG / (1.0 + POISSON), 0.0])
    moved = mean + fringe * np.array([-1.0, 1.0, 1.0])
    strained = mean - fringe * np.array([-1.0, 1.0, 1.0])
    edges = []
    for rotation in THIN_ROTATIONS:
        surface = SurfaceAdmittance(*rotated_stack(rotation).media())

        def matrix(f: float, surface: SurfaceAdmittance = surface) -> np.ndarray:
            omega = 2.0 * np.pi * f
            load = (2700.0 * omega**2 * moved - stiffness * k**2 * strained) * h
            return surface.scaled(omega, k)[:3, :3] - np.diag(load) / STRESS

        edges.append(null_frequency(matrix, 1.02e9))
    return least(THIN_ROTATIONS, edges)


def level_film(height: float) -> float:
    """The same under a level film of aluminium, exact at any thickness."""
    edges = []
    for rotation in THIN_ROTATIONS:
        stack = rotated_stack(rotation).with_layer(UPRIGHT.metal(), 2.0 * PITCH * height)
        surface = SurfaceAdmittance(*stack.media())

        def matrix(f: float, surface: SurfaceAdmittance = surface) -> np.ndarray:
            return surface.scaled(2.0 * np.pi * f, np.pi / PITCH)[:3, :3]

        edges.append(null_frequency(matrix, 1.02e9))
    return least(THIN_ROTATIONS, edges)


def slope(angles: list[float]) -> float:
    """Degrees for h/lambda = 1."""
    return (angles[1] - angles[0]) / (THIN[1] - THIN[0])


def test_thin_strips_move_the_least_leakage_as_the_standing_wave_weighs_them():
    """Degrees for h/lambda = 1 at resonance, small h: strips of ratio 0.5 58, of 0.3 47; a level
    film, which holds two or three times their metal, 12.5, and as much metal as they have, spread
    evenly, 6 or less. The antinodes of u2 and u3 sit on the strips, where they carry the mass and
    strain little of it: plane waves under a load weighted by cos^2 and sin^2 give nine tenths of
    the unit cell's slope. The rest is that of the other space harmonics."""
    film = [level_film(height) for height in THIN]
    assert film == pytest.approx([loaded(height, 1.0, 0.0) for height in THIN], abs=0.02)
    even = slope([loaded(height, 0.5, 0.0) for height in THIN])
    for ratio in (0.3, 0.5):
        section = Section(ratio=ratio)
        grating = [leakage(section, height, rotations=THIN_ROTATIONS) for height in THIN]
        found = slope([g.least(g.resonance) for g in grating])
        weighted = slope([loaded(h, ratio, np.sin(np.pi * ratio) / np.pi) for h in THIN])
        assert weighted == pytest.approx(found, rel=0.15)
        assert found > 3.5 * slope(film)
        assert found > 7.0 * even


def test_level_film_is_that_of_the_search_for_waves():
    """At real frequency and complex wavenumber the same rotation, 36.0 degrees at 0.08."""
    height, losses = 0.08, []
    for rotation in THIN_ROTATIONS:
        stack = rotated_stack(rotation).with_layer(UPRIGHT.metal(), 2.0 * PITCH * height)
        waves = search_waves(*stack.media(), 2.0 * np.pi * 4040.0 / (2.0 * PITCH)).waves
        (wave,) = [w for w in waves if 3900.0 < (w.velocity_metallised or 0.0) < 4200.0]
        losses.append(1.0 + 1j * wave.attenuation_metallised)
    assert level_film(height) == pytest.approx(36.0, abs=0.1)
    assert level_film(height) == pytest.approx(least(THIN_ROTATIONS, losses), abs=0.05)
