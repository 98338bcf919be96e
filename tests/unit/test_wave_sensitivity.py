"""Sensitivities: exponents that dimensions fix, names, uncertainty."""

import numpy as np
import pytest
from support.known_waves import (
    LAYERED,
    LEAKY_TANTALATE,
    SILICA,
    TILTED_QUARTZ,
    YZ_NIOBATE,
    located,
)

from sawfem.errors import InputError, NotFoundError
from sawfem.planewave import plane_waves
from sawfem.planewave.sensitivity import sensitivity, vacuum_sensitivity

HALF_SPACES = [
    (YZ_NIOBATE, "Rayleigh-type"),
    (TILTED_QUARTZ, "Rayleigh-type"),
    (SILICA, "Rayleigh-type"),
    (LEAKY_TANTALATE, "leaky-estimate"),
]


@pytest.mark.parametrize("metallised", [False, True])
@pytest.mark.parametrize(("stack", "kind"), HALF_SPACES)
def test_exponents_of_a_half_space(stack, kind: str, metallised: bool) -> None:
    """v is homogeneous: -1/2 in the density; 1/2 in c, e, eps and eps0 together; and 0 in
    e -> s e, eps -> s^2 eps, eps0 -> s^2 eps0, which only changes the unit of the potential.
    """
    wave = located(stack, kind, metallised=metallised)
    found = sensitivity(stack, wave)
    assert found.relative("density") == pytest.approx(-0.5, abs=1e-10)

    def total(prefix: str) -> float:
        names = [n for n in found.derivatives if n.startswith(prefix) and n[len(prefix)].isdigit()]
        assert names or prefix == "e"
        return sum(found.relative(name) for name in names)

    vacuum = vacuum_sensitivity(wave)
    assert (vacuum == 0.0) == (metallised or not stack.is_piezoelectric)
    e, eps = total("e"), total("eps") + vacuum
    assert total("c") + e + eps == pytest.approx(0.5, abs=1e-10)
    assert e + 2.0 * eps == pytest.approx(0.0, abs=1e-10)
    assert found.by_frequency == 0.0


def test_exponents_of_a_layered_stack() -> None:
    """With n = d ln v/d ln f the densities add up to (n - 1)/2 and the thicknesses to n.

    v depends on f h / sqrt(c/rho) and is sqrt(c/rho) times a function of that.
    """
    found = sensitivity(LAYERED, located(LAYERED, "Love-type"))
    n = found.by_frequency
    assert abs(n) > 0.01
    densities = sum(found.relative(p) for p in found.derivatives if p.endswith("density"))
    assert densities == pytest.approx(-0.5 + 0.5 * n, abs=1e-9)
    thicknesses = sum(found.relative(p) for p in found.derivatives if p.endswith("thickness"))
    assert thicknesses == pytest.approx(n, abs=1e-9)


def test_names() -> None:
    found = sensitivity(LAYERED, located(LAYERED))
    substrate = {"c11", "c12", "c13", "c14", "c33", "c44", "e11", "e14", "eps11", "eps33"}
    glass = {"c11", "c12", "eps11", "density", "lambda", "mu", "theta", "thickness"}
    bare = {name for name in found.derivatives if not name.startswith("layer")}
    assert bare == {*substrate, "density", "lambda", "mu", "theta"}
    first = {n.removeprefix("layer[0].") for n in found.derivatives if n.startswith("layer[0]")}
    assert first == glass
    assert found.values["layer[1].thickness"] == pytest.approx(2e-6)
    assert found.values["theta"] == pytest.approx(np.radians(35.0))
    with pytest.raises(NotFoundError, match="c11"):
        found.relative("c111")


def test_isotropic_glass_does_not_care_for_angles() -> None:
    found = sensitivity(SILICA, plane_waves(SILICA)[0])
    assert all(abs(found.derivatives[a]) < 1e-9 for a in ("lambda", "mu", "theta"))


def test_uncertainty() -> None:
    found = sensitivity(YZ_NIOBATE, plane_waves(YZ_NIOBATE)[0], metallised=True)
    assert found.velocity == pytest.approx(3403.74, abs=0.005)
    deviations = {"c44": 1e8, "density": 5.0, "e15": 0.01}
    parts = found.contributions(deviations)
    assert list(parts.values()) == sorted(parts.values(), reverse=True)
    assert parts["density"] == pytest.approx(0.5 * found.velocity * 5.0 / found.values["density"])
    expected = np.sqrt(sum(part**2 for part in parts.values()))
    assert found.uncertainty(deviations) == pytest.approx(expected)
    assert found.uncertainty({}) == 0.0
    with pytest.raises(InputError, match="standard deviation"):
        found.uncertainty({"c44": -1.0})
    with pytest.raises(NotFoundError, match="unknown parameter"):
        found.uncertainty({"c77": 1.0})
