"""Leaky waves followed along rows are those of independent searches: none lost, none invented."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Stack
from sawfem.planewave import leaky_rows
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.leaky_rows import Found, along_row, searched
from sawfem.planewave.map_points import _single
from sawfem.planewave.maps import compute_map, request

TANTALATE = "lithium-tantalate/smith-welsh-1971"


def row(material: str, eulers: Iterable[tuple[float, float, float]]) -> list[GeneralisedTensor]:
    stacks = (Stack(material, euler=euler) for euler in eulers)
    return [GeneralisedTensor.from_medium(stack.media()[0]) for stack in stacks]


def assert_same(found: list[Found], tensors: list[GeneralisedTensor], every: int = 1) -> None:
    """The count, velocity, loss and motion of an independent search at the points."""
    for one, tensor in list(zip(found, tensors, strict=True))[::every]:
        other = searched(tensor)
        assert len(one.families) == len(other.families)
        for mine, theirs in zip(one.families, other.families, strict=True):
            for surface in (0, 1):
                assert len(mine[surface]) == len(theirs[surface])
                for a, b in zip(mine[surface], theirs[surface], strict=True):
                    assert a.velocity == pytest.approx(b.velocity, rel=1e-11)
                    assert a.attenuation == pytest.approx(b.attenuation, rel=1e-7, abs=1e-12)
                    alike = abs(np.vdot(a.displacement[:3], b.displacement[:3])) ** 2
                    assert alike == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("material", "eulers", "least"),
    [
        (TANTALATE, [(0, mu, 3) for mu in range(-66, -38)], 16),
        # waves set in and end along these: they leave the free surface, or the bound of the loss
        (TANTALATE, [(0, -54, theta) for theta in range(1, 26)], 10),
        ("quartz/bechmann-1958", [(0, 2 * mu, 7) for mu in range(8, 28)], 6),
    ],
)
def test_followed_waves_are_those_of_a_search(material, eulers, least: int) -> None:
    tensors = row(material, eulers)
    found, followed = along_row(tensors, seed=1)
    assert followed >= least
    assert_same(found, tensors)


def test_a_published_cut_in_the_middle_of_a_row() -> None:
    """36 deg Y-X lithium tantalate, Nakamura et al., IEEE Ultrason. Symp. 1977 (mem+rep)."""
    tensors = row(TANTALATE, [(0, mu, 0) for mu in range(-60, -44)])
    found, followed = along_row(tensors, seed=3)
    assert followed >= 8
    ((free,), (metallised,)) = found[6].sides
    assert free.velocity == pytest.approx(4211.3, abs=0.1)
    assert metallised.velocity == pytest.approx(4112.8, abs=0.1)


def lose(found: Found) -> Found:
    return Found(((found.sides[0], ()),), whole=True)


def invent(found: Found) -> Found:
    free, metallised = found.sides
    return Found(((free, (*metallised, replace(metallised[0], velocity=5000.0))),), whole=True)


def astray(found: Found) -> Found:
    free, (wave, *rest) = found.sides
    wrong = replace(wave, velocity=wave.velocity * (1.0 + 1e-8))
    return Found(((free, (wrong, *rest)),), whole=True)


@pytest.mark.parametrize("spoil", [lose, invent, astray])
def test_the_drawn_point_finds_what_goes_wrong(spoil, monkeypatch) -> None:
    """Every followed point spoilt: not one of them is kept, and all are searched."""
    tensors = row(TANTALATE, [(0, mu, 3) for mu in range(-60, -46)])
    once = leaky_rows._between

    def spoilt(*asked):
        return {index: spoil(one) for index, one in once(*asked).items()}

    monkeypatch.setattr(leaky_rows, "_between", spoilt)
    found, followed = along_row(tensors, seed=1)
    assert followed == 0
    assert_same(found, tensors, every=3)


@pytest.mark.slow
@pytest.mark.parametrize("kinds", [("leaky",), ("all",)])
def test_a_map_is_that_of_its_points(kinds) -> None:
    """Every value and every message, point by point; symmetric rows (theta 0) among them."""
    axes = {"substrate.euler[2]": [0.0, 4.0], "substrate.euler[1]": np.linspace(-80.0, -20.0, 41)}
    keep = ("velocity_free", "velocity_metallised", "coupling_k2", "attenuation_metallised")
    stack = Stack("lithium-niobate/kovacs-1990")
    asked = request(stack, axes, quantities=keep, kinds=kinds)
    found = compute_map(asked)
    for point in range(asked.size):
        values, message = _single(asked, point, None)
        mine = [found.values[name].ravel()[point] for name in keep]
        np.testing.assert_allclose(mine, values, rtol=1e-8, atol=1e-9)
        assert found.message.ravel()[point] == message
