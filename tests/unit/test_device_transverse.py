"""Transverse modes against closed forms of guides, and against finite differences."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.linalg import eigh_tridiagonal, solve_banded
from scipy.optimize import brentq

from sawfem.device.transverse import TransverseGuide, cosine_overlaps
from sawfem.device.transverse_leaky import leaky_modes
from sawfem.device.transverse_regions import RegionDispersion, TransverseRegion
from sawfem.errors import GeometryError, InputError

K1, W, V = np.pi / 2e-6, 40e-6, 3900.0
CORE = RegionDispersion.isotropic(V, K1)
F0 = CORE.cutoff
WALLS = RegionDispersion.parabolic(F0 * 1e8, CORE.slope * 1e4)


def slab(steps: float) -> TransverseGuide:
    """Three layers of equal A, with V = (W/2) sqrt((f_out^2 - f_core^2)/A) = steps."""
    depth = CORE.slope * (steps / (0.5 * W)) ** 2
    out = RegionDispersion.parabolic(np.sqrt(F0**2 + depth), CORE.slope)
    return TransverseGuide(W, CORE, out)


@pytest.mark.parametrize("steps", [0.3, 1.5, 1.6, 7.0, 20.0])
def test_the_symmetric_dielectric_slab(steps):
    """TE modes of the step slab: U tan U = Q (even), -U cot U = Q (odd), U^2 + Q^2 = V^2; there
    are 1 + floor(2 V/pi) of them, and the share of the power in the core is 1 - U^2/(V^2 (1 + Q))
    (Snyder & Love, Optical Waveguide Theory, 1983, ch. 12; Marcuse, Theory of Dielectric Optical
    Waveguides, 1974; from memory).
    """
    modes = slab(steps).modes()
    assert len(modes) == 1 + int(2.0 * steps / np.pi)
    for mode in modes:
        low = 0.5 * np.pi * (mode.number - 1)

        def condition(u, number=mode.number):
            q = np.sqrt(max(steps**2 - u**2, 0.0))
            odd = u * np.cos(u) + q * np.sin(u)
            return u * np.sin(u) - q * np.cos(u) if number % 2 else odd

        u = brentq(condition, low + 1e-12, min(low + 0.5 * np.pi, steps), xtol=1e-15)
        wanted = np.sqrt(F0**2 + CORE.slope * (2.0 * u / W) ** 2)
        assert mode.frequency == pytest.approx(wanted, rel=1e-14)
        q = np.sqrt(steps**2 - u**2)
        assert mode.confinement == pytest.approx(1.0 - u**2 / (steps**2 * (1.0 + q)), rel=1e-7)
        # (int psi)^2/(W int psi^2) of cos(2 U x/W), by hand
        driven = 2.0 * (np.sin(u) / u) ** 2 / (1.0 + 1.0 / q) if mode.number % 2 else 0.0
        assert mode.excitation == pytest.approx(driven, rel=1e-7)
        assert mode.strength == pytest.approx(driven, rel=1e-7)


def test_hard_walls():
    """f_n^2 = f0^2 + (n v/2W)^2 and excitations 8/(pi n)^2 of odd n: standing waves of a box."""
    numbers = np.arange(1, 12)
    # The outside starts above mode 11 and lets nothing out: D so large that psi vanishes there.
    out = RegionDispersion.parabolic(np.hypot(F0, 11.5 * V / (2 * W)), CORE.slope * 1e16)
    modes = TransverseGuide(W, CORE, out).modes()[:11]
    found = np.array([mode.frequency for mode in modes])
    assert found == pytest.approx(np.hypot(F0, numbers * V / (2.0 * W)), rel=1e-8)
    wanted = np.where(numbers % 2, 8.0 / (np.pi * numbers) ** 2, 0.0)
    assert [mode.excitation for mode in modes] == pytest.approx(wanted, rel=1e-6, abs=1e-12)
    assert [mode.confinement for mode in modes] == pytest.approx([1.0] * 11, abs=1e-6)


def test_guided_modes_never_hold_more_than_the_drive_and_in_a_box_all_of_it():
    """Bessel's inequality."""
    sums = [sum(m.excitation for m in slab(steps).modes()) for steps in (0.3, 2.0, 6.0, 20.0)]
    assert sums == sorted(sums)
    assert 0.0 < sums[0] < 0.2  # held so weakly that most of it is outside
    assert 0.98 < sums[-1] < 1.0
    # What a slab does not hold falls as 1/V, as the rest of sum 8/(pi n)^2 beyond n = 2 V/pi.
    rest = [1.0 - sum(m.excitation for m in slab(steps).modes()) for steps in (50.0, 200.0)]
    assert rest[0] / rest[1] == pytest.approx(4.0, rel=0.1)


def test_apodisation_to_a_cosine_leaves_the_fundamental_alone():
    """w = cos(pi x/W) is mode 1 of a box, which a slab is but for 1/V^2 = 6e-6."""
    guide = replace(slab(400.0), overlaps=cosine_overlaps(801))
    first, *others = guide.modes()[:9]
    assert first.excitation == pytest.approx(1.0, abs=1e-4)
    assert max(mode.excitation for mode in others) < 6e-6
    # strength: (int cos^2)^2 over W int cos^2 = 1/2
    assert first.strength == pytest.approx(0.5, abs=1e-3)


def resonator(busbar: float = 30e-6, gap: float = 3e-6) -> TransverseGuide:
    """Overlap, faster gaps, slower bus-bars of finite width, free surface; unlike slopes."""
    return TransverseGuide(
        W,
        CORE,
        RegionDispersion.parabolic(1.03 * F0, 0.8 * CORE.slope),
        (
            TransverseRegion("end gap", gap, RegionDispersion.parabolic(1.01 * F0, CORE.slope)),
            TransverseRegion(
                "bus-bar", busbar, RegionDispersion.parabolic(0.995 * F0, 1.3 * CORE.slope)
            ),
        ),
        (1.0, 0.7, 0.4),
    )


def differences(guide: TransverseGuide, step: float, reach: float):
    """Frequencies, profiles and positions of the half guide by finite differences, even modes.

    -(A psi')' + f_r^2 psi = f^2 psi on cells of one region each; between two cells the flux meets
    the resistance (h/2)(1/A1 + 1/A2).
    """
    parts = [(0.5 * guide.aperture, guide.overlap)]
    parts += [(region.width, region.dispersion) for region in guide.beside]
    parts += [(reach, guide.outside)]
    slope = np.concatenate([np.full(round(w / step), d.slope) for w, d in parts])
    base = np.concatenate([np.full(round(w / step), d.cutoff**2) for w, d in parts])
    between = 2.0 / (1.0 / slope[:-1] + 1.0 / slope[1:]) / step**2
    diagonal = base.copy()
    diagonal[:-1] += between
    diagonal[1:] += between
    diagonal[-1] += 2.0 * slope[-1] / step**2
    squares, vectors = eigh_tridiagonal(
        diagonal, -between, select="v", select_range=(0.0, guide.outside.cutoff**2)
    )
    return np.sqrt(squares), vectors, (np.arange(base.size) + 0.5) * step


def test_finite_differences_find_the_same_modes_with_order_two():
    guide = resonator()
    even = [mode for mode in guide.modes() if mode.symmetric]
    errors = []
    for step in (5e-7, 2.5e-7, 1.25e-7):
        f, vectors, x = differences(guide, step, 60e-6)
        assert f.size == len(even) == 7
        errors.append(f - [mode.frequency for mode in even])
    orders = np.log2(np.abs(errors[0] / errors[1])), np.log2(np.abs(errors[1] / errors[2]))
    assert np.median(orders[1]) == pytest.approx(2.0, abs=0.02)
    best = (4.0 * errors[2] - errors[1]) / 3.0
    assert np.abs(best[:-1]).max() < 2e-7 * F0  # the last but one reaches beyond the domain least
    drive = sum((x < 0.5 * W * a).astype(float) for a in guide.overlaps) / 3.0
    for mode, psi in zip(even[:-1], vectors.T, strict=False):
        excited = (drive @ psi) ** 2 / (drive @ drive)
        assert mode.excitation == pytest.approx(excited, rel=2e-3, abs=1e-5)
        assert np.abs(mode.profile[mode.position.size // 2]) == pytest.approx(
            np.abs(psi[0]) * np.sqrt(W / (2.0 * step)), rel=2e-3, abs=1e-3
        )


@pytest.mark.parametrize("seed", range(4))
def test_no_mode_is_missed(seed):
    """Sturm's count and bisection against the eigenvalues of a matrix, guides at random."""
    rng = np.random.default_rng(seed)
    regions = tuple(
        TransverseRegion(
            "part",
            1e-6 * rng.integers(1, 30),
            RegionDispersion.parabolic(
                F0 * rng.uniform(0.97, 1.03), CORE.slope * rng.uniform(0.3, 3)
            ),
        )
        for _ in range(3)
    )
    guide = TransverseGuide(W, CORE, RegionDispersion.parabolic(1.02 * F0, CORE.slope), regions)
    modes = guide.modes()
    assert [mode.number for mode in modes] == list(range(1, len(modes) + 1))
    assert sum(guide.count([guide.window[1]])[0]) == len(modes)
    even = np.array([mode.frequency for mode in modes if mode.symmetric])
    coarse, fine = (differences(guide, step, 100e-6)[0][: even.size] for step in (2e-7, 1e-7))
    bound = np.flatnonzero(guide.outside.cutoff - even > 1e-4 * F0)
    assert bound.size >= even.size - 1
    assert ((4.0 * fine - coarse) / 3.0)[bound] == pytest.approx(even[bound], rel=2e-8)
    for mode in modes:
        zeros = np.count_nonzero(np.diff(np.sign(mode.profile[mode.profile != 0.0])))
        assert zeros == mode.number - 1


def test_modes_are_orthogonal():
    guide = resonator()
    modes = guide.modes()
    # Simpson's rule between interfaces; beyond the outermost both decay exponentially.
    edge = 0.5 * W + sum(region.width for region in guide.beside)
    for a in modes:
        for b in modes:
            if (a.number - b.number) % 2:
                continue
            total = 0.0
            middle = a.position.size // 2
            half = a.position[middle:]
            ends = np.flatnonzero(np.diff(half) == 0.0) + 1
            last = np.count_nonzero(half < edge * (1.0 + 1e-9))
            for start, end in pairwise((0, *ends, last)):
                x = a.position[middle + start : middle + end]
                y = a.profile[middle + start : middle + end] * _on(b, x)
                assert x.size % 2 == 1
                total += 2.0 * np.sum((x[2] - x[0]) / 6.0 * (y[:-2:2] + 4.0 * y[1::2] + y[2::2]))
            kappa = sum(np.sqrt(-guide.outside.transverse_squared(m.frequency)) for m in (a, b))
            total += 2.0 * _on(a, edge) * _on(b, edge) / kappa
            assert total == pytest.approx(W * float(a is b), abs=2e-5 * W), (a.number, b.number)


def _on(mode, x):
    """A profile at places where it is listed."""
    index = np.argmin(np.abs(mode.position[:, None] - np.atleast_1d(x)), axis=0)
    return mode.profile[index]


def test_bus_bars_far_apart_keep_their_parity():
    """A slow bus-bar on either side of a wide overlap: pairs that differ by less than rounding."""
    guide = replace(resonator(), aperture=4e-3, overlaps=(1.0,))
    modes = guide.modes()
    first, second = modes[:2]
    assert second.frequency - first.frequency < 1e-12 * F0
    middle = first.position.size // 2
    for mode, parity in ((first, 1.0), (second, -1.0)):
        assert mode.profile[::-1] == pytest.approx(parity * mode.profile, abs=1e-9)
        assert abs(mode.profile[middle]) < 1e-9
        inner = (np.abs(mode.position) > 2e-3) & (np.abs(mode.position) < 2.1e-3)
        assert np.trapezoid(mode.profile[inner] ** 2, mode.position[inner]) > 0.99 * 4e-3
    # A wave of uniform amplitude in the overlap meets the lowest modes that live there.
    assert 0.95 < sum(mode.excitation for mode in modes) < 1.0


def test_a_falling_dispersion_is_the_mirror_image():
    """D < 0 (g < -1): the wave is held where the region is the faster one."""
    guide = slab(6.0)
    top = 2.0 * F0**2
    mirrored = TransverseGuide(
        W,
        RegionDispersion.parabolic(np.sqrt(top - F0**2), -CORE.slope),
        RegionDispersion.parabolic(np.sqrt(top - guide.outside.cutoff**2), -CORE.slope),
    )
    assert mirrored.window == pytest.approx(np.sqrt(top - np.square(guide.window)))
    for mode, other in zip(guide.modes(), mirrored.modes(), strict=True):
        assert np.hypot(mode.frequency, other.frequency) == pytest.approx(np.sqrt(top), rel=1e-14)
        assert mode.excitation == pytest.approx(other.excitation, rel=1e-6, abs=1e-12)
    assert CORE.anisotropy(K1) == pytest.approx(0.0, abs=1e-12)  # isotropic
    assert RegionDispersion.parabolic(F0, -CORE.slope).anisotropy(K1) == pytest.approx(-2.0)


def test_what_guides_nothing():
    slower = TransverseGuide(W, CORE, RegionDispersion.isotropic(0.99 * V, K1))
    assert slower.window is None
    assert slower.modes() == ()
    assert slower.count([F0]).tolist() == [[0, 0]]
    with pytest.raises(InputError, match="one sign of the curvature"):
        TransverseGuide(W, CORE, RegionDispersion.parabolic(1.1 * F0, -CORE.slope))
    with pytest.raises(GeometryError, match="aperture"):
        TransverseGuide(0.0, CORE, WALLS)
    with pytest.raises(GeometryError, match="width"):
        TransverseRegion("bus-bar", np.inf, CORE)
    with pytest.raises(InputError, match="overlaps"):
        TransverseGuide(W, CORE, WALLS, overlaps=(0.5, 1.2))


def test_a_dispersion_from_points_is_that_of_the_medium():
    """Isotropic: k2^2 is linear in f^2; waves that run and waves that decay give one line."""
    q = np.array([-0.05, 0.0, 0.02, 0.05]) * K1**2
    found = RegionDispersion.from_points(q, V * np.sqrt(K1**2 + q) / (2.0 * np.pi))
    f = F0 * np.array([0.98, 1.0, 1.01])
    assert found.slope == pytest.approx((V / (2.0 * np.pi)) ** 2, rel=1e-9)
    assert found.transverse_squared(f) == pytest.approx(CORE.transverse_squared(f), abs=100.0)
    assert found.weight(f) == pytest.approx([1.0] * 3, rel=1e-9)
    assert found.frequency(q) == pytest.approx(V * np.sqrt(K1**2 + q) / (2.0 * np.pi), rel=1e-12)
    for transverse, frequency, text in (
        ([0.0], [1e9], "no such points"),
        ([0.0, 1.0, 2.0], [1e9, 1.1e9, 1.05e9], "turns back"),
        ([0.1, 1.0], [1e9, 1.1e9], "no such points"),
    ):
        with pytest.raises(InputError, match=text):
            RegionDispersion.from_points(transverse, frequency)
    with pytest.raises(InputError, match="varies with k2"):
        RegionDispersion.parabolic(F0, 0.0)


def test_a_polynomial_is_not_followed_where_it_turns_back():
    q = np.array([0.0, 1.0, 4.0, 9.0]) * 1e10
    steep = RegionDispersion.from_points(q, 1e9 + np.array([0.0, 1.0, 3.0, 4.0]) * 1e6)
    f = np.linspace(0.95e9, 1.05e9, 1001)
    assert np.all(np.diff(steep.transverse_squared(f)) > 0.0)
    assert steep.transverse_squared(steep.frequency(q)) == pytest.approx(q, abs=1.0)


def test_half_of_the_strips_lie_half_way():
    """Mean of two media at equal k2: a medium whose velocity is the mean."""
    other, between = (RegionDispersion.isotropic(x * V, K1) for x in (1.03, 1.015))
    mean = CORE.mean(other, -0.02 * K1**2, 0.02 * K1**2)
    f = F0 * np.array([1.01, 1.015, 1.02])
    assert mean.transverse_squared(f) == pytest.approx(between.transverse_squared(f), abs=1e4)


def test_residues_of_a_guide_that_is_not_linear_in_the_square():
    """The weight m: the response <w, psi(f)> of the driven guide has the residue of a mode.

    (A psi')' + A q(f) psi = w by finite differences, solved beside a mode; its residue in f^2 is
    -(int w psi)^2/int m psi^2, that is W times the strength.
    """
    q = np.array([0.0, 0.04, 0.08]) * K1**2
    bent = RegionDispersion.from_points(q, F0 * np.array([1.0, 1.016, 1.038]))
    guide = TransverseGuide(W, bent, RegionDispersion.isotropic(1.02 * V, K1))
    first, _, third = guide.modes()[:3]
    assert float(bent.weight(third.frequency)) < 0.97
    step, reach = 1e-7, 60e-6
    inside = (np.arange(round((0.5 * W + reach) / step)) + 0.5) * step < 0.5 * W
    slope = np.where(inside, bent.slope, guide.outside.slope)
    between = 2.0 / (1.0 / slope[:-1] + 1.0 / slope[1:]) / step**2

    def answer(f):
        square = np.where(inside, bent.transverse_squared(f), guide.outside.transverse_squared(f))
        diagonal = slope * square
        diagonal[:-1] -= between
        diagonal[1:] -= between
        bands = np.array([np.append(0.0, between), diagonal, np.append(between, 0.0)])
        return 2.0 * step * inside @ solve_banded((1, 1), bands, inside.astype(float))

    for mode in (first, third):
        # a pole by three points: 1/answer is a straight line in f^2 near it
        f = mode.frequency + np.array([-1.0, 1.0]) * 2e-5 * F0
        line = 1.0 / np.array([answer(x) for x in f])
        residue = (f[1] ** 2 - f[0] ** 2) / (line[1] - line[0])
        assert residue == pytest.approx(W * mode.strength, rel=0.01)


def test_leaky_modes_by_a_complex_coordinate():
    """Finite differences with x2 turned by 45 deg into the complex plane under the bus-bar, where
    outgoing waves decay then (complex scaling; Berenger's layer in the form of Chew & Weedon,
    Microw. Opt. Technol. Lett. 7, 599 (1994), from memory); error of second order taken off.
    """
    slow = RegionDispersion.isotropic(0.99 * V, K1)
    modes = leaky_modes(W, CORE, slow)
    assert [mode.number for mode in modes] == [1, 3, 5, 7, 9]
    found = []
    for step in (2.5e-7, 1.25e-7):
        inner, outer = round(0.5 * W / step), round(30e-6 / step)
        slope = np.repeat([CORE.slope, slow.slope], [inner, outer])
        base = np.repeat([CORE.cutoff**2, slow.cutoff**2], [inner, outer])
        stretch = np.repeat([1.0, np.exp(-0.25j * np.pi)], [inner, outer])
        resistance = 0.5 * step * stretch / slope
        between = 1.0 / (resistance[:-1] + resistance[1:])
        matrix = np.diag(np.append(between, 0.0) + np.append(0.0, between))
        matrix = matrix - np.diag(between, 1) - np.diag(between, -1)
        matrix[-1, -1] += 1.0 / resistance[-1]
        squares = np.linalg.eigvals(matrix / (step * stretch)[:, None] + np.diag(base))
        f = np.sqrt(squares)
        found.append([f[np.argmin(np.abs(f - mode.frequency))] for mode in modes[:3]])
    best = (4.0 * np.array(found[1]) - np.array(found[0])) / 3.0
    wanted = np.array([mode.frequency for mode in modes[:3]])
    assert np.abs(best - wanted) == pytest.approx(0.0, abs=2e-3 * wanted.imag.min())


def test_what_leaks_is_what_spreads_over_the_modes_of_a_wide_bus_bar():
    """The aperture's first mode is a resonance of the many modes of a finite bus-bar: their
    excitations over their spacing peak at its frequency, as wide as its decay says, to the share
    of 0.3 that the width has of the distance to the cut-off.
    """
    slow = RegionDispersion.isotropic(0.995 * V, K1)
    first = leaky_modes(2.0 * W, CORE, slow)[0].frequency
    bars = (TransverseRegion("bus-bar", 12e-3, slow),)
    out = RegionDispersion.isotropic(1.005 * V, K1)
    modes = TransverseGuide(2.0 * W, CORE, out, bars).modes(profiles=False)
    f = np.array([mode.frequency for mode in modes if mode.symmetric])
    density = np.array([m.excitation for m in modes if m.symmetric]) / np.gradient(f)
    near = np.abs(f - first.real) < 1.5 * first.imag
    assert np.count_nonzero(near) > 12
    # 1/density of a Lorentzian is a parabola with its least value at f0 and twice that at f0 +- g.
    line = np.polynomial.Polynomial.fit(f[near] - first.real, 1.0 / density[near], 2).convert()
    c, b, a = line.coef
    middle = -0.5 * b / a
    width = np.sqrt(c / a - middle**2)
    assert middle == pytest.approx(0.0, abs=0.3 * first.imag)
    assert width == pytest.approx(first.imag, rel=0.3)
    assert leaky_modes(W, slow, CORE) == ()  # a faster bus-bar takes nothing
