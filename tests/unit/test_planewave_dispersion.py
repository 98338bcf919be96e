"""Dispersion of layered stacks: Love's closed form, group velocity, identity of the branches."""

import numpy as np
import pytest

from sawfem.design import Stack
from sawfem.errors import GeometryError, InputError, SawfemError
from sawfem.planewave.dispersion import dispersion
from tests.support.love import love_velocities

SILICA = Stack("silicon/mason-1958").with_layer("silica/auld-1973", "2 um")
ZINC_OXIDE = Stack("silicon/mason-1958").with_layer("zinc-oxide/kobyakov-1980", "1 um")


def love(omega: float) -> list[float]:
    """tan(k h b1) = mu2 b2 / (mu1 b1) (Love 1911), silica 2 um on silicon (001)[100]."""
    substrate, ((layer, thickness),) = SILICA.media()
    return love_velocities(layer, substrate, thickness, omega)


def test_love_branches() -> None:
    frequency = np.linspace(0.5e9, 2.5e9, 11)
    branches = [b for b in dispersion(SILICA, list(frequency)) if b.kind == "Love-type"]
    expected = [love(2.0 * np.pi * f) for f in frequency]
    assert len(branches) == max(len(roots) for roots in expected) >= 2
    for index, roots in enumerate(expected):
        found = sorted(b.phase_velocity[index] for b in branches if b.exists[index])
        np.testing.assert_allclose(found, roots, rtol=1e-10)
    # Each branch is one closed-form order: the orders never cross, the lowest is there first.
    for order, branch in enumerate(branches):
        mine = [roots[order] for roots in expected if len(roots) > order]
        np.testing.assert_allclose(branch.phase_velocity[branch.exists], mine, rtol=1e-10)
        assert (branch.cut_off is None) == (order == 0)


@pytest.mark.parametrize("metallised", [False, True])
def test_group_velocity_is_the_derivative(metallised: bool) -> None:
    """v_g = d omega / dk, by differences of neighbouring frequencies, branch by branch."""
    step = 1e-4
    frequency = 1.7e9 * np.array([1.0 - step, 1.0, 1.0 + step])
    branches = dispersion(ZINC_OXIDE, list(frequency), metallised=metallised)
    assert len(branches) >= 3
    for branch in branches:
        assert branch.exists.all()
        k = 2.0 * np.pi * frequency / branch.phase_velocity
        slope = 2.0 * np.pi * (frequency[2] - frequency[0]) / (k[2] - k[0])
        assert branch.group_velocity[1] == pytest.approx(slope, rel=1e-6)


def test_branches_keep_their_identity() -> None:
    """Smooth curves: k lies where the mean group velocity of both ends leads."""
    frequency = np.linspace(0.4e9, 2.4e9, 26)
    branches = dispersion(ZINC_OXIDE, list(frequency))
    assert {"Rayleigh-type", "Love-type", "Sezawa-type"} <= {branch.kind for branch in branches}
    for branch in branches:
        here = np.flatnonzero(branch.exists)
        assert np.array_equal(here, np.arange(here[0], here[-1] + 1))
        k = 2.0 * np.pi * frequency / branch.phase_velocity
        slope = 0.5 * (1.0 / branch.group_velocity[1:] + 1.0 / branch.group_velocity[:-1])
        led = k[:-1] + slope * 2.0 * np.pi * np.diff(frequency)
        inside = np.isfinite(led)
        assert np.all(np.abs(k[1:][inside] / led[inside] - 1.0) < 6e-3)
    # Rayleigh and Love waves cross on this stack: the horizontal share tells them apart.
    rayleigh = next(branch for branch in branches if branch.kind == "Rayleigh-type")
    assert np.nanmax(np.abs(rayleigh.polarisation[:, 1])) < 1e-6


def test_limits_of_thin_and_thick_layers() -> None:
    """Thin: the wave of silicon (4917.86 m/s, Farnell 1970: mem+rep); thick: that of silica."""
    thin = dispersion(SILICA, ["1 MHz"])
    assert thin[0].phase_velocity[0] == pytest.approx(4917.86, rel=2e-3)
    thick = dispersion(SILICA, ["15 GHz"])
    assert thick[0].phase_velocity[0] == pytest.approx(3411.15, abs=0.01)
    assert thick[0].group_velocity[0] == pytest.approx(3411.15, abs=0.05)


def test_half_space_has_no_dispersion() -> None:
    (branch,) = dispersion(Stack("silica/auld-1973"), ["100 MHz", "200 MHz"])
    np.testing.assert_allclose(branch.group_velocity, branch.phase_velocity, rtol=1e-9)
    assert branch.cut_off is None
    assert np.all(branch.frequency_thickness == 0.0)


def test_refused() -> None:
    with pytest.raises(InputError, match="rising"):
        dispersion(SILICA, [])
    with pytest.raises(InputError, match="rising"):
        dispersion(SILICA, ["2 GHz", "1 GHz"])
    thick = SILICA.with_layer("silica/auld-1973", "1 mm")
    with pytest.raises(GeometryError, match="hide the substrate"):
        dispersion(thick, ["40 GHz"])
    for bad in ("0 Hz", "-1 GHz", "1 um"):
        with pytest.raises(SawfemError, match="frequency"):
            dispersion(SILICA, [bad])
