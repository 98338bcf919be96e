"""Maps and searches find the well-known cuts where the literature puts them."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.design import Stack
from sawfem.material import load_material
from sawfem.planewave.cutsearch import Wish, search_cuts
from sawfem.planewave.maps import compute_map, request


def crossing(x: np.ndarray, y: np.ndarray) -> float:
    """Where y falls or rises through zero, by the straight line between two points."""
    index = int(np.flatnonzero(np.sign(y[1:]) != np.sign(y[:-1]))[0])
    return float(x[index] - y[index] * (x[index + 1] - x[index]) / (y[index + 1] - y[index]))


def test_rotated_y_cut_of_lithium_niobate_with_the_strongest_rayleigh_wave() -> None:
    """128 deg Y-X: the largest K^2 of all rotated Y-cuts along X, without beam steering.

    Shibayama, Yamanouchi, Sato, Meguro, Proc. IEEE 64, 595 (1976): 127.86 deg (mem); velocity and
    K^2 for the constants of Kovacs et al., IEEE Ultrason. Symp. 1990 (mem+rep).
    """
    mu = np.linspace(0.0, 180.0, 361)
    stack = Stack("lithium-niobate/kovacs-1990")
    found = compute_map(request(stack, {"substrate.euler[1]": mu}))
    best = int(np.nanargmax(found.values["coupling_k2"]))
    assert mu[best] + 90.0 == pytest.approx(128.0, abs=1.0)
    here = int(np.flatnonzero(mu == 38.0)[0])
    assert found.values["velocity_free"][here] == pytest.approx(3978.97, abs=0.01)
    assert found.values["velocity_metallised"][here] == pytest.approx(3870.90, abs=0.01)
    assert found.values["coupling_k2"][here] == pytest.approx(0.0543, abs=5e-5)
    assert found.values["power_flow_angle"][here] == 0.0


def test_st_cut_of_quartz() -> None:
    """ST-X: the delay does not drift at room temperature, at Euler mu = 132.75 deg (1949 axes).

    Schulz, Matsinger, Holland, J. Appl. Phys. 41, 2755 (1970) (mem+rep). For this set the
    coefficient there is +0.46 ppm/K (calc), so that the zero lies within a degree.
    """
    mu = np.linspace(128.0, 138.0, 41)
    keep = ("velocity_free", "power_flow_angle", "delay_temperature_coefficient")
    asked = request(
        Stack("quartz/bechmann-1958"),
        {"substrate.euler[1]": mu},
        quantities=keep,
        hold_constant=("piezoelectric", "permittivity"),
    )
    found = compute_map(asked)
    drift = found.values["delay_temperature_coefficient"]
    assert crossing(mu, drift) == pytest.approx(132.75, abs=1.0)
    here = int(np.flatnonzero(mu == 132.75)[0])
    assert drift[here] == pytest.approx(0.0, abs=1e-6)  # published
    assert drift[here] == pytest.approx(0.46e-6, abs=0.1e-6)  # of this set
    assert found.values["velocity_free"][here] == pytest.approx(3158.07, abs=0.01)


def test_langasite_cut_without_beam_steering() -> None:
    """Langasite (0, 138.5, 26.6): no power-flow angle; Naumenko & Solie, IEEE Trans. UFFC 48, 530
    (2001) (mem+rep). For this set the angle there is -0.31 deg (calc) and the line of zero angle
    passes within a degree.
    """
    mu, theta = np.linspace(136.5, 140.5, 41), np.array([26.6])
    stack = Stack("langasite/kaminskii-1983")
    found = compute_map(request(stack, {"substrate.euler[1]": mu, "substrate.euler[2]": theta}))
    angle = found.values["power_flow_angle"][:, 0]
    assert crossing(mu, angle) == pytest.approx(138.5, abs=1.0)
    here = int(np.argmin(np.abs(mu - 138.5)))
    assert angle[here] == pytest.approx(-0.31, abs=0.05)
    assert found.values["velocity_free"][here, 0] == pytest.approx(2738.58, abs=0.01)
    assert found.values["coupling_k2"][here, 0] == pytest.approx(0.00343, abs=1e-5)


@pytest.mark.slow
def test_search_of_all_orientations_ends_at_the_128_degree_cut() -> None:
    """Of all orientations of lithium niobate with |psi| < 1 deg the strongest Rayleigh wave is that
    of the rotated Y-cut near 128 deg along X (Shibayama et al. 1976, mem).
    """
    material = load_material("lithium-niobate/kovacs-1990")
    families = search_cuts(material, Wish(power_flow_below=1.0, velocity_above=3900.0), step=9.0)
    best = families[0]
    assert best.meets
    assert best.euler == pytest.approx((0.0, 38.0, 0.0), abs=1.0)
    assert best.coupling_k2 == pytest.approx(0.0544, abs=1e-4)
