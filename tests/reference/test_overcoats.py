"""Thin overcoats against the perturbation of a Rayleigh wave by a film."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Overcoat, Stack, UnitCell
from sawfem.material import Material, load_material
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.stopband import StopBand, find_stop_band, refine_stop_band

PERIOD = 2e-6
DENSITY, SHEAR = 4000.0, 60e9


def poisson_solid() -> Material:
    """An isotropic body with lambda = mu, and a piezoelectricity that only makes its wave seen."""
    stiffness = np.diag([SHEAR] * 6)
    stiffness[:3, :3] += SHEAR
    stiffness[:3, :3] += np.diag([SHEAR] * 3)
    crystal = load_material("zinc-oxide/bateman-1962")
    return replace(
        crystal,
        density=DENSITY,
        stiffness=stiffness,
        piezoelectric=0.02 * crystal.piezoelectric,
    )


def relative_slope(film: Material) -> tuple[float, float]:
    """V_R of the Poisson solid and -d ln v/d(k h) of a film, closed form.

    With xi = v_R/v_T, xi^2 = 2 - 2/sqrt(3), v_L^2 = 3 v_T^2, decays a = (1 - xi^2/3)^(1/2) and
    b = (1 - xi^2)^(1/2) over k, the wave is (Rayleigh 1885)

        u1 = exp(-a s) - 2ab/(1 + b^2) exp(-b s),   u3 = ja [exp(-a s) - 2/(1 + b^2) exp(-b s)],

    s = k times depth. A thin film of density rho', Lame constants lambda', mu' changes its velocity
    by (Auld, Acoustic Fields and Waves in Solids, vol. 2, sec. 12.C, 1973; from memory)

        dv/v = -(v h/4P) {rho' |v3|^2 + (rho' - E'/v^2) |v1|^2},
        E' = 4 mu' (lambda' + mu')/(lambda' + 2 mu'),

    with the power P = v W of the wave, W = (1/2) int rho w^2 |u|^2: the film carries no normal
    stress, so it is stretched with its plane-stress stiffness.
    """
    square = 2.0 - 2.0 / np.sqrt(3.0)
    velocity = np.sqrt(square * SHEAR / DENSITY)
    a, b = np.sqrt(1.0 - square / 3.0), np.sqrt(1.0 - square)
    rates = np.array([a, b])
    waves = np.array([[1.0, -2.0 * a * b / (1.0 + b * b)], [a, -2.0 * a / (1.0 + b * b)]])
    overlap = 1.0 / np.add.outer(rates, rates)
    energy = sum(float(w @ overlap @ w) for w in waves)  # int |u|^2 k dz
    u1, u3 = waves.sum(axis=1) ** 2
    mu, lame = film.stiffness[3, 3], film.stiffness[0, 1]
    stretch = 4.0 * mu * (lame + mu) / (lame + 2.0 * mu)
    loaded = film.density * u3 + (film.density - stretch / velocity**2) * u1
    return velocity, loaded / (2.0 * DENSITY * energy)


@pytest.mark.parametrize("name", ["silica/auld-1973", "diamond/mcskimin-1972"])
def test_a_thin_overcoat_shifts_the_edges_as_perturbation_theory_has_it(name):
    """Massless strips of weak coupling under a conformal film: both edges follow the plane wave.

    Slow silica loads the wave; a stiff film, here with isotropic constants made from those of
    diamond, speeds it up. Two films, h and 2h, take the second order away; what is left is 0.1 and
    0.4 % for silica, whose inertia and stiffness nearly cancel, and less than 1 % for diamond.
    """
    film = load_material(name)
    if "diamond" in name:
        mu = film.stiffness[3, 3]
        stiffness = np.diag([mu] * 6)
        stiffness[:3, :3] += film.stiffness[0, 1] + np.diag([mu] * 3)
        film = replace(film, stiffness=stiffness)
    velocity, slope = relative_slope(film)
    stack = Stack(poisson_solid(), euler=(0.0, 90.0, 90.0))
    band: StopBand | None = None
    edges = []
    for height in (0.0, 0.001, 0.002):
        coats = [Overcoat(film, height * PERIOD)] if height else []
        cell = UnitCell.grating(
            stack, "aluminium/kaye-laby", pitch=PERIOD, thickness=2e-4 * PERIOD, overcoat=coats
        )
        d = discretise(cell, MeshSettings(4, 3, 0.15))
        if band is None:
            band = find_stop_band(d, velocity, velocity * (1.0 - 1e-5))
        else:
            band = refine_stop_band(d, band)
        edges.append([edge.frequency.real for edge in band.shorted])
    bare, one, two = np.array(edges)
    assert 2.0 * PERIOD * bare == pytest.approx(velocity, rel=2e-3)
    once, twice = ((found / bare - 1.0) / (np.pi * h) for found, h in ((one, 0.001), (two, 0.002)))
    found = -(2.0 * once - twice)
    assert found == pytest.approx(slope, rel=0.01)
