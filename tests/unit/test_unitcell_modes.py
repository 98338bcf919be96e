"""The contour integral on problems whose roots are known."""

import numpy as np
import pytest

from sawfem.unitcell.modes import Ellipse, Factored, find_modes, polish, winding_number


def linear(eigenvalues, seed=3):
    """A(f) = V (D - f) V^-1 for given eigenvalues."""
    rng = np.random.default_rng(seed)
    n = len(eigenvalues)
    v = rng.standard_normal((n, n)) + 1j * rng.standard_normal((n, n))
    core = v @ np.diag(eigenvalues) @ np.linalg.inv(v)

    def matrices(f):
        return core - np.asarray(f)[:, None, None] * np.eye(n)

    return matrices


def found(matrices, ellipse, points=40, **keys):
    return find_modes(matrices, ellipse, matrices(ellipse.points(points)[0]), **keys)


def turns(matrices, ellipse, points, **keys):
    return winding_number(matrices, ellipse, matrices(ellipse.points(points)[0]), **keys)


def test_all_roots_inside_and_none_outside():
    roots = [95.0, 100.0 + 1.0j, 104.0 - 0.5j, 120.0, 130.0, 100.0 + 9.0j, 60.0, 99.0]
    ellipse = Ellipse(100.0, 10.0)
    modes = found(linear(roots), ellipse)
    expected = sorted([95.0, 99.0, 100.0 + 1.0j, 104.0 - 0.5j], key=lambda z: complex(z).real)
    assert [mode.frequency for mode in modes] == pytest.approx(expected, rel=1e-11)
    assert turns(linear(roots), ellipse, 64) == 4


def test_coincident_roots_with_different_vectors_are_both_kept():
    modes = found(linear([100.0, 100.0, 70.0, 140.0]), Ellipse(100.0, 10.0))
    assert [mode.frequency for mode in modes] == pytest.approx([100.0, 100.0], rel=1e-10)
    assert abs(np.vdot(modes[0].vector, modes[1].vector)) < 1.0 - 1e-6


def test_nonlinear_problem_with_a_known_determinant():
    """A(f) = [[f^2 - 9, 1], [1, exp((f - 3)/10) - 1 + 1/(f^2 + 100)]]: roots by its determinant."""

    def matrices(f):
        f = np.asarray(f, dtype=complex)
        one = np.ones_like(f)
        second = np.exp(0.1 * (f - 3.0)) - 1.0 + 1.0 / (f**2 + 100.0)
        return np.stack([np.stack([f**2 - 9.0, one], -1), np.stack([one, second], -1)], -2)

    modes = found(matrices, Ellipse(4.0, 2.5, 0.8))
    assert modes
    for mode in modes:
        assert abs(np.linalg.det(matrices(np.array([mode.frequency]))[0])) < 1e-9
    assert turns(matrices, Ellipse(4.0, 2.5, 0.8), 16) == len(modes)


def test_polish_gives_up_far_away():
    assert polish(linear([100.0, 300.0]), 200.0 + 0.0j, np.array([1.0, 1.0j])) is None


def test_winding_follows_the_phase_with_points_of_its_own():
    """A root beside the contour turns the phase fast: points are put in until it can be told."""
    ellipse = Ellipse(100.0, 10.0)
    matrices = linear([100.0 + 2.7j, 95.0, 99.0, 101.0, 103.0])
    assert turns(matrices, ellipse, 32) == 5
    assert turns(matrices, ellipse, 32, halvings=1) is None


def test_roots_beside_the_end_of_a_contour_are_counted():
    """Two roots 0.4 % of the half width from the end: from point to point their phases turn by
    nearly 2 pi, which looks like nothing. Known roots are divided out; what is no root, or not
    known, still makes a difference.
    """
    ellipse = Ellipse(100.0, 10.0)
    close = [109.96, 109.965]
    matrices = linear([95.0, 99.0, *close, 130.0])
    assert turns(matrices, ellipse, 40) == 3
    assert turns(matrices, ellipse, 40, ends=8) == 4
    assert turns(matrices, ellipse, 40, known=[95.0, 99.0, *close]) == 4
    assert turns(matrices, ellipse, 40, known=close) == 4
    assert turns(matrices, ellipse, 40, known=[95.0, 99.0, close[0]]) == 4
    assert turns(matrices, ellipse, 40, known=[*close, 103.0 + 1.0j]) == 4


def test_winding_is_not_guessed_where_a_root_lies_on_the_contour():
    ellipse = Ellipse(100.0, 10.0)
    assert turns(linear([110.0, 95.0]), ellipse, 40) is None


def test_factors_of_a_part_serve_the_whole():
    """Bordering by the Schur complement: the same solutions, and the same phase of det A."""
    rng = np.random.default_rng(7)
    samples = rng.standard_normal((5, 9, 9)) + 1j * rng.standard_normal((5, 9, 9))
    right = rng.standard_normal((9, 3))
    inner = Factored(samples[:, :7, :7])
    for factored, part in ((inner, samples[:, :7, :7]), (Factored(samples, inner), samples)):
        n = part.shape[-1]
        np.testing.assert_allclose(factored.phases, np.linalg.slogdet(part)[0], atol=1e-12)
        expected = np.linalg.solve(part, np.broadcast_to(right[:n], (5, n, 3)))
        np.testing.assert_allclose(factored.solve(right[:n]), expected, atol=1e-11)


def test_a_real_problem_keeps_its_root_real():
    """A real symmetric pencil has real roots; the start may be turned by any phase."""
    rng = np.random.default_rng(5)
    q = np.linalg.qr(rng.standard_normal((6, 6)))[0]
    roots = np.array([80.0, 90.0, 100.0, 111.0, 123.0, 140.0])
    core = q @ np.diag(roots) @ q.T

    def matrices(f):
        return core - np.asarray(f, dtype=complex)[:, None, None] * np.eye(6)

    mode = polish(matrices, 100.4 + 0.0j, np.exp(0.7j) * (q[:, 2] + 0.05 * q[:, 4]))
    assert mode.frequency.imag == 0.0
    assert mode.frequency.real == pytest.approx(100.0, rel=1e-12)
    np.testing.assert_allclose(np.abs(q.T @ mode.vector), [0, 0, 1, 0, 0, 0], atol=1e-9)


def test_half_a_contour_tells_the_rest_of_a_problem_that_is_real_on_the_axis():
    rng = np.random.default_rng(9)
    a, b, c = rng.standard_normal((3, 6, 6))

    def matrices(f):
        z = np.asarray(f, dtype=complex)[:, None, None]
        return a + b * z + c * np.exp(0.3 * z)

    points = Ellipse(1.0, 0.8).points(20)[0]
    whole, half = Factored(matrices(points)), matrices(points[:10])
    inner = Factored(half[:, :4, :4], mirrored=True)
    mirrored = Factored(half, inner, mirrored=True)
    assert mirrored.points == 20
    np.testing.assert_allclose(mirrored.phases, whole.phases, atol=1e-12)
    right = rng.standard_normal((6, 2))
    np.testing.assert_allclose(mirrored.solve(right), whole.solve(right), rtol=1e-9)
