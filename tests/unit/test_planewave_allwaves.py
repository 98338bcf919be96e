"""All waves of a stack: counting by the argument principle, classification, refusals."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from support.known_waves import ZINC_OXIDE, isotropic

from sawfem.design import Stack
from sawfem.errors import ConvergenceError, GeometryError, InputError, SawfemError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.allwaves import (
    KINDS,
    WaveSearch,
    _ordered,
    all_waves,
    exceeded,
    limits_of,
    no_surface_wave,
    search_waves,
)
from sawfem.planewave.leaky_strip import Strip
from sawfem.planewave.limiting import branch_points
from sawfem.planewave.root_count import Roots, roots_in
from sawfem.planewave.surface_waves import surface_waves

OMEGA = 2.0e9 * np.pi
SHEAR = np.sqrt(31.2e9 / 2200.0)
TANTALATE = Stack("lithium-tantalate/smith-welsh-1971", euler=(0, -54, 0)).media()[0]


@cache
def tantalate() -> WaveSearch:
    return search_waves(TANTALATE)


class Polynomial(Strip):
    """A known function in place of the surface determinant: three zeros and one pole."""

    def __init__(self, zeros: list[complex], poles: list[complex]) -> None:
        super().__init__(SurfaceAdmittance(TANTALATE), OMEGA, 4000.0, 5000.0)
        self.zeros, self.poles = zeros, poles

    def logarithms(self, k: np.ndarray) -> np.ndarray:
        value = np.prod([k - zero for zero in self.zeros], axis=0).astype(complex)
        for pole in self.poles:
            value = value / (k - pole)
        log = np.log(np.abs(value) + 1e-300) + 1j * np.angle(value)
        return np.stack([log, np.zeros_like(log)], axis=1)


def test_counting_of_a_known_function() -> None:
    zeros = [OMEGA / v * (1 - 1j * loss) for v, loss in ((4100, 0.01), (4102, 0.012), (4700, 0.0))]
    outside = OMEGA / 4500.0 * (1 - 0.04j)
    free, other = roots_in(Polynomial([*zeros, outside], []), (0.01, 3.13), (-1e-3, 0.02))
    assert (free.counted, free.poles) == (3, 0)
    np.testing.assert_allclose(
        sorted(free.found, key=abs), sorted(zeros, key=abs), rtol=1e-11, atol=0
    )
    assert other.found == ()
    assert other.counted == 0


def test_poles_count_negatively() -> None:
    pole = OMEGA / 4400.0 * (1 - 0.01j)
    free, _ = roots_in(Polynomial([OMEGA / 4800.0 + 0j], [pole]), (0.01, 3.13), (-1e-3, 0.02))
    assert free.counted == 0
    assert (len(free.found), free.poles) == (1, 1)


def test_a_jump_is_refused_with_its_place() -> None:
    class Jump(Polynomial):
        def logarithms(self, k: np.ndarray) -> np.ndarray:
            jump = np.where(k.real > OMEGA / 4444.0, 2.0j, 0.0)
            return np.stack([jump, jump], axis=1)

    with pytest.raises(ConvergenceError, match=r"jumps by 2 at 4444"):
        roots_in(Jump([], []), (0.01, 3.13), (-1e-3, 0.02))


def test_strip_is_the_surface_admittance_continued_from_the_real_axis() -> None:
    """Inside the strip, where straight and steered paths enclose no branch point."""
    stack = SurfaceAdmittance(TANTALATE)
    strip = Strip(stack, OMEGA, *branch_points(stack.tensors[0])[:2])
    k = strip.wavenumber(np.array([0.8, 1.6, 2.3]), np.array([0.005, 0.0, -0.001]))
    y, factor = strip.matrices(k)
    expected = stack.scaled(OMEGA, k) / k[:, None, None]
    np.testing.assert_allclose(y, expected, rtol=1e-9, atol=1e-9)
    assert np.all(factor == 0.0)


def test_fan_reaches_past_the_branch_point_on_the_same_sheet() -> None:
    stack = SurfaceAdmittance(TANTALATE)
    slow, fast = branch_points(stack.tensors[0])[:2]
    strip = Strip(stack, OMEGA, slow, fast)
    k = strip.wavenumber(np.array([np.pi - 1e-3]), np.array([0.01]))
    assert OMEGA / k[0].real < slow
    start = OMEGA / (slow * 1.005)
    path = np.concatenate([[start], start + (k - start) * np.linspace(0.02, 1.0, 50)])
    along = stack.along(OMEGA, path)[-1]
    scale = stack(OMEGA, start) / stack.scaled(OMEGA, start)
    np.testing.assert_allclose(strip.matrices(k)[0][0] * k[0] * scale, along, rtol=1e-6)


@pytest.mark.parametrize(
    ("poisson", "leaky"), [(0.17, 0), (0.3, 1), (0.35, 1), (0.4, 1), (0.45, 1)]
)
def test_isotropic_solid_against_the_roots_of_the_cubic(poisson: float, leaky: int) -> None:
    """Rayleigh 1885: x^3 - 8 x^2 + (24 - 16 g) x - 16 (1 - g) = 0, x = (v / vs)^2. One root is the
    Rayleigh wave; above nu = 0.263 another, complex, is the leaky wave that radiates shear waves
    alone. At nu = 0.3 it is faster than the longitudinal wave: its sheet goes on past that onset.
    At nu = 0.17 the other roots are real and on sheets that radiate nothing: no leaky wave."""
    ratio = (1.0 - 2.0 * poisson) / (2.0 - 2.0 * poisson)
    cubic = np.roots([1.0, -8.0, 24.0 - 16.0 * ratio, -16.0 * (1.0 - ratio)])
    k = 1.0 / np.sqrt(cubic + 0j)  # in units of omega / v_s
    search = search_waves(isotropic(poisson), attenuation=25.0)
    found = [wave for wave in search.waves if wave.is_leaky]
    lossy = k[k.imag < -1e-9]
    assert len(found) == leaky
    assert len(lossy) == (1 if poisson > 0.263 else 0)
    for wave, root in zip(found, lossy, strict=True):
        assert wave.velocity_free == pytest.approx(SHEAR / root.real, rel=1e-10)
        decibels = -40.0 * np.pi / np.log(10.0) * root.imag / root.real
        assert wave.attenuation_free == pytest.approx(decibels, rel=1e-9)
        assert wave.velocity_metallised == pytest.approx(wave.velocity_free, rel=1e-10)
        # The unsquared equation, shear radiated (j) and longitudinal carried from below v_l.
        value = (2.0 - root**-2) ** 2 - 4.0j * np.sqrt(root**-2 - 1.0) * np.sqrt(
            1.0 - ratio * root**-2
        )
        assert abs(value) < 1e-9
        assert wave.kind == "leaky longitudinal"
        onset = SHEAR / np.sqrt(ratio)
        across = onset if wave.velocity > onset else None
        assert wave.across == (across and pytest.approx(across, rel=1e-10))
    (rayleigh,) = [wave for wave in search.waves if not wave.is_leaky]
    assert rayleigh.velocity_free == pytest.approx(SHEAR / np.max(k.real), rel=1e-12)


def test_guided_waves_are_those_of_the_count_and_come_classified() -> None:
    search = search_waves(*ZINC_OXIDE.media())
    guided = surface_waves(*ZINC_OXIDE.media())
    kept = [wave for wave in search.waves if not wave.is_leaky]
    assert [wave.velocity for wave in kept] == [wave.velocity for wave in guided]
    assert {wave.kind for wave in kept} == {"Rayleigh-type", "Bleustein-Gulyaev-type"}
    assert [wave.velocity for wave in search.waves] == sorted(w.velocity for w in search.waves)
    for wave in search.waves:
        assert wave.kind in KINDS
        assert wave.exceeds == exceeded(wave.velocity, search.limits)
    assert search.limits == limits_of(ZINC_OXIDE.media()[0])
    assert list(search.limits) == ["slow shear", "fast shear", "longitudinal"]


def test_the_answer_states_its_coverage() -> None:
    search = tantalate()
    assert search.complete
    assert search.coverage[0].slow == pytest.approx(search.limits["slow shear"], rel=1e-12)
    assert search.coverage[-1].fast == pytest.approx(1.1 * search.limits["longitudinal"], rel=1e-9)
    for before, after in zip(search.coverage, search.coverage[1:], strict=False):
        assert before.fast == after.slow
    for strip in search.coverage:
        assert strip.counted == strip.found
        assert strip.attenuation == pytest.approx(1.0)
    assert "counted (1, 1), found (1, 1)" in str(search)
    for wave in search.waves:
        assert wave.residual < 1e-10


def test_strips_that_are_too_narrow_are_named(monkeypatch) -> None:
    """With every strip declared too narrow nothing is searched, and the answer says so."""
    monkeypatch.setattr("sawfem.planewave.leaky_search.NARROW", 10.0)
    search = search_waves(TANTALATE)
    assert not search.complete
    assert all("too narrow" in strip.note for strip in search.coverage)
    assert not any(wave.is_leaky for wave in search.waves)


def test_a_strip_that_cannot_be_continued_is_searched_less_deeply(monkeypatch) -> None:
    """Failure with the fan and at full loss: a smaller bound is used, and named with the place."""
    asked = []

    def stubborn(strip, angles, losses):
        asked.append((strip.fan, losses[1]))
        if strip.fan or losses[1] > 0.005:
            raise ConvergenceError("the surface determinant jumps at 4444 m/s")
        return [Roots((), 0, 0), Roots((), 0, 0)]

    monkeypatch.setattr("sawfem.planewave.leaky_search.roots_in", stubborn)
    search = search_waves(TANTALATE)
    strip = search.coverage[0]
    assert strip.note == "restricted: the surface determinant jumps at 4444 m/s"
    assert strip.attenuation == pytest.approx(0.25)
    assert not strip.fanned
    assert not search.complete
    assert [fan for fan, _ in asked[:3]] == [1.0, 0.0, 1.0]


def test_layer_of_the_substrates_own_crystal_changes_no_leaky_wave() -> None:
    """Through two films of lithium tantalate, 1.6 um together, at 1 GHz: the roots of the bare
    half-space, although the determinant is another one."""
    layered = search_waves(TANTALATE, [(TANTALATE, 0.6e-6), (TANTALATE, 1.0e-6)], OMEGA)
    (bare,) = [wave for wave in tantalate().waves if wave.is_leaky]
    (wave,) = [wave for wave in layered.waves if wave.is_leaky]
    assert wave.velocity_free == pytest.approx(bare.velocity_free, rel=1e-9)
    assert wave.velocity_metallised == pytest.approx(bare.velocity_metallised, rel=1e-9)
    assert wave.attenuation_free == pytest.approx(bare.attenuation_free, abs=1e-7)
    assert wave.attenuation_metallised == pytest.approx(bare.attenuation_metallised, abs=1e-7)
    assert wave.kind == "leaky Love-type"
    assert wave.frequency == pytest.approx(1e9)
    assert layered.complete
    assert [strip.counted for strip in layered.coverage] == [
        strip.counted for strip in tantalate().coverage
    ]


def test_order_and_kinds(monkeypatch) -> None:
    search = tantalate()
    monkeypatch.setattr(
        "sawfem.planewave.allwaves.search_waves", lambda *_: _numbered(search, "Love-type")
    )
    stack = Stack("silicon/mason-1958")
    waves = all_waves(stack, kinds=["Love-type"])
    assert [wave.order for wave in waves] == [0, 1]
    assert all_waves(stack, kinds=["Love-type"], order=0) == waves[:1]
    assert all_waves(stack, kinds=["leaky longitudinal"]) == ()


def _numbered(search: WaveSearch, kind: str) -> WaveSearch:
    waves = _ordered([replace(wave, kind=kind) for wave in search.waves])
    return WaveSearch(waves, search.coverage, search.limits)


def test_sentence_where_nothing_is_guided() -> None:
    search = tantalate()
    assert no_surface_wave(search) is None
    only_leaky = type(search)(
        tuple(wave for wave in search.waves if wave.is_leaky), search.coverage, search.limits
    )
    sentence = no_surface_wave(only_leaky)
    assert sentence is not None
    assert "3367.08 m/s, the limit of the slow shear" in sentence
    assert sentence.endswith("1 leaky above it")


def test_refused() -> None:
    layered = Stack("silicon/mason-1958").with_layer("silica/auld-1973", "4 um")
    with pytest.raises(GeometryError, match="without a frequency"):
        all_waves(layered)
    with pytest.raises(GeometryError, match="wavelengths: thicker ones hide the substrate"):
        search_waves(*layered.media(), 2.0e16)
    for bad in ("0 Hz", "1 m"):
        with pytest.raises(SawfemError, match="frequency"):
            all_waves(layered, bad)
    for omega in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(GeometryError, match="frequency"):
            search_waves(*layered.media(), omega)
    with pytest.raises(InputError, match="kinds"):
        all_waves(layered, "1 GHz", kinds=["surfboard"])
    with pytest.raises(InputError, match="order"):
        all_waves(layered, "1 GHz", order=-1)
    with pytest.raises(InputError, match="attenuation"):
        search_waves(TANTALATE, attenuation=0.0)
