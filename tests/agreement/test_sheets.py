"""A half-space at complex wavenumbers: a rational function made exact against small steps.

Two ways to the same sheet. One goes from the real axis along a steered path in steps so small that
Newton's method leaves no doubt; the other goes straight to the point by the rational function
through real velocities alone.
"""

import numpy as np
import pytest

from sawfem.design import Stack
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.leaky_strip import Strip
from sawfem.planewave.limiting import branch_points
from sawfem.planewave.partial_waves import residual, stroh_matrix
from sawfem.planewave.sheet import RationalFit

OMEGA = 2.0e9 * np.pi
CUTS = [
    ("lithium-tantalate/smith-welsh-1971", (0.0, -54.0, 0.0)),
    ("lithium-niobate/kovacs-1990", (90.0, 90.0, 36.0)),
    ("langasite/bungo-1999", (0.0, 138.5, 26.7)),
    ("quartz/bechmann-1958", (10.0, 110.0, 35.0)),
]


def stepwise(strip: Strip, k: np.ndarray) -> np.ndarray:
    """Z by Newton's method in small steps from the real axis.

    Y is homogeneous, Y(a omega, a k) = a Y(omega, k), and the continuation starts at
    (Re omega, Re k): with a = 1 + j T, b = -Im k, that is Re k + b T, which T puts inside the
    strip, the farther the nearer k_t = Re k - b (2 t - 1) lies to an end.
    """
    bare = SurfaceAdmittance.from_tensors(strip.admittance.tensors[0], (), halvings=14)
    t = np.clip(strip.place(k), 0.0, 1.0)
    width, fall = strip.largest - strip.least, np.abs(k.imag)
    turn = 1.0 + 1j * (1.0 - 2.0 * t) * (strip.fan + np.minimum(0.5, 0.4 * width / fall))
    return bare.scaled(OMEGA * turn, k * turn) / (1j * k * turn)[:, None, None]


@pytest.mark.parametrize(("material", "euler"), CUTS)
def test_rational_function_and_small_steps_meet(material, euler) -> None:
    """In every strip, inside it and past both of its ends."""
    stack = SurfaceAdmittance(Stack(material, euler=euler).media()[0])
    points = branch_points(stack.tensors[0])
    for slow, fast in zip(points, (*points[1:], 1.1 * points[-1]), strict=True):
        width = fast / slow - 1.0
        if width < 1e-3:
            continue
        strip = Strip(stack, OMEGA, slow, fast)
        loss = min(0.018, width)
        k = strip.wavenumber(np.array([0.05, 0.9, 3.1]), loss * np.array([1.0, 0.4, 1.0]))
        direct = strip.sheet.impedance(k / OMEGA)
        np.testing.assert_allclose(direct, stepwise(strip, k), rtol=1e-9, atol=1e-9)
        followed = strip.sheet._carried(k / OMEGA)
        np.testing.assert_allclose(followed, direct, rtol=1e-9, atol=1e-9)
        matrix = stroh_matrix(strip.sheet.tensor, np.ones_like(k), OMEGA / k)
        assert np.abs(residual(matrix, direct)).max() < 1e-11 * np.abs(matrix).max()


def test_most_points_need_no_steps() -> None:
    """The rational function alone leads to the sheet nearly everywhere."""
    stack = SurfaceAdmittance(Stack("lithium-tantalate/kushibiki-1999", cut="(YXl)42").media()[0])
    slow, fast = branch_points(stack.tensors[0])[:2]
    strip = Strip(stack, OMEGA, slow, fast)
    angle, loss = np.meshgrid(np.linspace(0.01, 3.13, 20), np.linspace(-0.005, 0.018, 10))
    strip.sheet.impedance(strip.wavenumber(angle.ravel(), loss.ravel()) / OMEGA)
    assert strip.sheet.carried <= 2


def test_rational_function_continues_a_known_one() -> None:
    """Poles and a root of known places: exact off the axis too (AAA, 2018)."""

    def known(x):
        return np.stack([1.0 / (x - 1.0 - 0.3j), np.exp(x), x**3 + 0j], axis=1)

    x = np.linspace(0.0, np.pi, 60)
    fit = RationalFit.of(x, known(x + 0j), tolerance=1e-12, most=30)
    z = np.array([0.5 + 0.5j, 2.5 - 0.7j, 3.4 + 0.2j])
    np.testing.assert_allclose(fit(z), known(z), rtol=1e-8)
    assert len(fit.support) < 20
