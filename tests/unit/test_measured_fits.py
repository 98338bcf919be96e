"""Fits of one-ports: models, slopes, intervals over seeds, and what is said of a misfit.

The measurements are invented: models with noise of known seeds. Coverage is judged as the share of
200 seeds whose 95 % interval holds the truth; 91 to 98 % is what 200 draws of 95 % give nearly
always (binomial).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sawfem.device import Resonator
from sawfem.device.losses import attenuation_of_loss
from sawfem.device.resonator import resonator_admittance
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants
from sawfem.measured.circuitfit import fit_circuit
from sawfem.measured.fitting import OnePortData, OnePortFit, fit_resonator
from sawfem.measured.leastsquares import Estimate, fit, follow
from sawfem.measured.motional import Arm, MotionalCircuit
from sawfem.measured.oneport import PARAMETERS, OnePort
from sawfem.measured.slopes import parameters, section_functions

PITCH = 2.228e-6
QUIET = ComConstants(
    PITCH, 3876.5, -0.00629, 0.173, 244.3e-12, attenuation=30.0, capacitance_slope=0.3
)
#: A passive grating without a mirror, with losses in every constant.
LOSSY = ComConstants(
    PITCH,
    3876.5,
    0.02 * np.exp(0.30j),
    0.173 * np.exp(0.10j),
    244.3e-12,
    attenuation=2000.0,
    reflection_back=0.02 * np.exp(-0.28j),
    transduction_back=0.172 * np.exp(-0.12j),
    capacitance_loss=1e-2,
)
F = np.linspace(850e6, 910e6, 201)
Z = np.full(F.size, 50.0 + 0j)
NOISE = 2e-3
SEEDS = 200
CIRCUIT = MotionalCircuit(
    5e-12, (Arm(868e6, 3.4e-13, 1.5), Arm(881e6, 0.5e-14, 8.0)), 0.8, "series", 0.4
)


def reflection(y: Any) -> Any:
    return (1.0 - 50.0 * y) / (1.0 + 50.0 * y)


def noisy(y: Any, seed: int, noise: float = NOISE) -> OnePortData:
    random = np.random.default_rng(seed)
    parts = random.normal(size=F.size) + 1j * random.normal(size=F.size)
    return OnePortData(F, reflection(y) + noise * parts, Z)


def port(constants: ComConstants = QUIET, **changes: Any) -> OnePort:
    known: dict[str, Any] = {"fingers": 121, "reflector_fingers": (300, 300), "aperture": 178e-6}
    return OnePort(Resonator(**{**known, "gap": 1.3 * PITCH, **changes}), constants)


def differences(function: Any, x: Any, steps: Any) -> Any:
    """Central differences of fourth order, (P, K)."""
    found = []
    for n, h in enumerate(steps):
        d = np.eye(x.size)[n] * h
        near, far = function(x + d) - function(x - d), function(x + 2 * d) - function(x - 2 * d)
        found.append((8.0 * near - far) / (12.0 * h))
    return np.array(found)


def close(slopes: Any, expected: Any, within: float) -> None:
    for one, other in zip(slopes, expected, strict=True):
        assert np.abs(one - other).max() <= within * np.abs(other).max()


@pytest.mark.parametrize("constants", [QUIET, LOSSY], ids=["quiet", "lossy"])
@pytest.mark.parametrize("mirrors", [(300, 300), (0, 60), (200, 0), (0, 0)])
@pytest.mark.parametrize("connection", ["shorted", "open"])
def test_the_fitted_model_is_that_of_the_device(
    constants: ComConstants, mirrors: tuple[int, int], connection: str
) -> None:
    """sawfem/device/resonator.py cascades P-matrices; this is one formula."""
    one = port(constants, reflector_fingers=mirrors, reflector_connection=connection)
    x = one.start(2e6, 0.7) * np.array([1.001, 1.1, 0.95, 1.03, 1.0, 1.0])
    moved, loss, resistance = one.with_values(x)
    device = replace(one.device, attenuation=attenuation_of_loss(loss, moved.velocity))
    y = resonator_admittance(device, moved, moved, F)
    found = one.sloped(x, F)
    np.testing.assert_allclose(found.value, y / (1.0 + resistance * y), rtol=1e-11)
    close(found.slope, differences(lambda v: one.admittance(v, F), x, 1e-4 * one.scale(F)), 1e-7)


def test_functions_of_a_section_by_their_definitions_and_differences() -> None:
    """On both sides of where the series takes over, and far out where nothing may overflow."""
    u = np.array([1e-12, 0.3 + 0.2j, -0.9, 0.99, 1.01, -1.02 + 0.1j, -40.0, 30.0 + 4.0j, 250.0])
    sloped = parameters(np.array([0.0]))[0] + u
    c, i0, g = section_functions(sloped)
    z = np.sqrt(u)
    e = np.exp(-np.abs(z.real))
    np.testing.assert_allclose(c.value, np.cosh(z) * e, rtol=1e-13)
    np.testing.assert_allclose(i0.value[1:], (np.sinh(z) / z * e)[1:], rtol=1e-13)
    expected = (z * np.cosh(z) - np.sinh(z)) / z**3 * e
    np.testing.assert_allclose(g.value[1:], expected[1:], rtol=1e-12)
    assert abs(g.value[0] / e[0] - 1.0 / 3.0) < 1e-12

    def bare(which: int, at: Any) -> Any:
        moved = section_functions(parameters(np.array([0.0]))[0] + at)[which].value
        return moved * np.exp(np.abs(np.sqrt(at).real))

    for which, function in enumerate((c, i0, g)):
        h = 1e-4
        slope = (bare(which, u + h) - bare(which, u - h)) / (2.0 * h) * e
        np.testing.assert_allclose(function.slope[0], slope, rtol=2e-7)
    with np.errstate(over="raise"):
        far = section_functions(parameters(np.array([1e6]))[0])
    assert all(np.isfinite(part.value).all() and np.isfinite(part.slope).all() for part in far)


@pytest.mark.parametrize("static", ["series", "parallel", "none"])
def test_the_circuit_is_its_elements_in_series_and_parallel(static: Any) -> None:
    loss = {"series": 0.4, "parallel": 1e-5, "none": 0.0}[static]
    circuit = replace(CIRCUIT, static=static, static_loss=loss)
    w = 2.0 * np.pi * F
    beside = 1j * w * 5e-12
    if static == "series":
        beside = 1.0 / (0.4 + 1.0 / beside)
    inner = beside + (1e-5 if static == "parallel" else 0.0)
    for arm in circuit.arms:
        inner = inner + 1.0 / (
            arm.resistance + 1j * w * arm.inductance + 1.0 / (1j * w * arm.capacitance)
        )
    y = 1.0 / (0.8 + 1.0 / inner)
    np.testing.assert_allclose(circuit.admittance(F), y, rtol=1e-11)
    x = circuit.vector()
    slopes = circuit.sloped(x, F).slope
    steps = 1e-5 * circuit.scale()
    close(slopes, differences(lambda v: circuit.of(v).admittance(F), x, steps), 1e-5)


def judge(estimates: list[Estimate], truth: Any, names: tuple[str, ...]) -> None:
    """Coverage and width of the intervals over seeds."""
    values = np.array([one.values for one in estimates])
    halves = np.array([one.half_widths for one in estimates])
    errors = np.array([one.standard_errors for one in estimates])
    cover = np.mean(np.abs(values - truth) <= halves, axis=0)
    ratio = errors.mean(axis=0) / values.std(axis=0, ddof=1)
    for name, share, width in zip(names, cover, ratio, strict=True):
        assert 0.91 <= share <= 0.98, (name, share)
        assert 1.0 / 1.5 <= width <= 1.5, (name, width)
    assert sum(not one.noise_like for one in estimates) <= 2  # each by a chance of 1e-3
    assert all(one.converged for one in estimates)


def test_intervals_of_a_resonators_constants_over_seeds() -> None:
    one = port(gap=PITCH)
    truth = one.start(2e6, 0.7) * np.array([1.0005, 1.05, 0.97, 1.02, 1.0, 1.0])
    y = one.admittance(truth, F)
    found = [
        fit_resonator(
            one, noisy(y, seed), propagation_loss=1.5e6, resistance=0.5, search=False
        ).estimate
        for seed in range(SEEDS)
    ]
    judge(found, truth, PARAMETERS)


def test_intervals_of_a_circuits_elements_over_seeds() -> None:
    y = CIRCUIT.admittance(F)
    truth = CIRCUIT.vector()
    begin = CIRCUIT.of(truth * 1.02 ** np.array([1, 1, 1, 0.01, 1, 1, 0.01, -1, 1]))
    found = [
        fit_circuit(noisy(y, 10_000 + seed), arms=2, start=begin)[0].estimate
        for seed in range(SEEDS)
    ]
    judge(found, truth, CIRCUIT.names)


def test_a_velocity_that_is_far_off_is_found_first() -> None:
    """1.5 per cent: several widths of the resonance away from the start."""
    one = port(gap=PITCH)
    truth = one.start(2e6, 0.7) * np.array([1.015, 1.05, 0.97, 1.02, 1.0, 1.0])
    data = noisy(one.admittance(truth, F), 1)
    found = fit_resonator(one, data)
    assert found.estimate.noise_like
    assert found.estimate.noise == pytest.approx(NOISE, rel=0.15)
    assert np.all(np.abs(found.values - truth) <= 2.0 * found.estimate.half_widths)
    np.testing.assert_allclose(found.start, one.start(0.0, 0.0))
    apart = np.abs(found.scattering - reflection(one.admittance(truth, F)))
    assert apart.max() < NOISE


def test_a_circuit_is_found_from_the_data_alone() -> None:
    data = noisy(CIRCUIT.admittance(F), 7)
    found, circuit = fit_circuit(data, arms=2)
    assert found.estimate.noise_like
    circuit = replace(circuit, arms=tuple(sorted(circuit.arms, key=lambda arm: arm.frequency)))
    halves = found.estimate.half_widths
    assert np.all(np.abs(circuit.vector() - CIRCUIT.vector()) <= 2.0 * halves)
    assert circuit.arms[0].quality == pytest.approx(CIRCUIT.arms[0].quality, rel=0.1)


def test_an_arm_too_few_is_said_and_the_intervals_are_widened() -> None:
    data = noisy(CIRCUIT.admittance(F), 3, 2e-4)
    found, _ = fit_circuit(data, arms=1)
    estimate = found.estimate
    assert not estimate.noise_like
    assert estimate.whiteness < 1e-6
    assert estimate.widened > 1.5
    assert any("do not cover the error of the model" in text for text in estimate.told)
    # the half widths hold that factor, the covariance does not
    t = 1.966  # Student, 97.5 %, of about 396 degrees of freedom (tables)
    plain = t * estimate.standard_errors
    np.testing.assert_allclose(estimate.half_widths, estimate.widened * plain, rtol=1e-3)
    whole, _ = fit_circuit(data, arms=2)
    assert whole.estimate.noise_like
    assert whole.estimate.widened == 1.0


def test_a_given_noise_is_taken_and_a_wrong_one_is_said() -> None:
    data = noisy(CIRCUIT.admittance(F), 5)
    begin = CIRCUIT
    estimated = fit_circuit(data, arms=2, start=begin)[0].estimate
    given = fit_circuit(replace(data, noise=NOISE), arms=2, start=begin)[0].estimate
    assert estimated.chi_square is None
    assert given.chi_square == pytest.approx(estimated.noise**2 / NOISE**2, rel=1e-6)
    np.testing.assert_allclose(
        given.standard_errors, estimated.standard_errors * NOISE / estimated.noise, rtol=1e-4
    )
    # normal, not Student: the deviation is known
    np.testing.assert_allclose(given.half_widths, 1.959964 * given.standard_errors, rtol=1e-6)
    wrong = fit_circuit(replace(data, noise=0.5 * NOISE), arms=2, start=begin)[0].estimate
    assert not wrong.noise_like
    assert wrong.chi_square == pytest.approx(4.0, rel=0.3)
    assert any("times the noise that was given" in text for text in wrong.told)
    np.testing.assert_allclose(wrong.half_widths, estimated.half_widths, rtol=1e-4)
    large = fit_circuit(replace(data, noise=2.0 * NOISE), arms=2, start=begin)[0].estimate
    assert any("too large, and the intervals with it" in text for text in large.told)


def test_data_without_noise_are_said_to_be_none() -> None:
    y = CIRCUIT.admittance(F)
    begin = CIRCUIT.of(CIRCUIT.vector() * 1.001)
    found, circuit = fit_circuit(OnePortData(F, reflection(y), Z), arms=2, start=begin)
    assert found.estimate.noise_like
    assert any("nothing but rounding is left" in text for text in found.estimate.told)
    np.testing.assert_allclose(circuit.vector(), CIRCUIT.vector(), rtol=1e-9)


def test_weights_are_those_of_the_noise() -> None:
    """Noise of two levels: weighted intervals are narrower and still right."""
    y = CIRCUIT.admittance(F)
    weights = np.where(F < 875e6, 1.0, 8.0)
    inside = []
    for seed in range(40):
        random = np.random.default_rng(seed)
        parts = random.normal(size=F.size) + 1j * random.normal(size=F.size)
        s = reflection(y) + 1e-3 * weights * parts
        told = OnePortData(F, s, Z, weights=weights)
        fitted = fit_circuit(told, arms=2, start=CIRCUIT)[0].estimate
        assert fitted.noise == pytest.approx(1e-3, rel=0.2)
        inside.append(np.abs(fitted.values - CIRCUIT.vector()) <= fitted.half_widths)
    assert 0.91 <= np.mean(inside) <= 0.98


def test_admittance_with_noise_in_proportion_to_it() -> None:
    y = CIRCUIT.admittance(F)
    inside = []
    for seed in range(40):
        random = np.random.default_rng(seed)
        parts = random.normal(size=F.size) + 1j * random.normal(size=F.size)
        data = OnePortData(F, reflection(y * (1.0 + 1e-3 * parts)), Z, quantity="admittance")
        fitted = fit_circuit(data, arms=2, start=CIRCUIT)[0].estimate
        assert fitted.noise == pytest.approx(1e-3, rel=0.15)
        inside.append(np.abs(fitted.values - CIRCUIT.vector()) <= fitted.half_widths)
    assert 0.91 <= np.mean(inside) <= 0.98


def test_a_loss_below_zero_is_held_at_zero() -> None:
    active = replace(CIRCUIT, static_loss=-2.0)
    found, circuit = fit_circuit(noisy(active.admittance(F), 2), arms=2, start=CIRCUIT)
    assert "static_resistance" not in found.estimate.names
    assert circuit.static_loss == 0.0
    (told,) = found.held
    assert told.startswith("static_resistance came out as -")
    assert "surely below zero" in told
    circuit.check()


def kept(found: OnePortFit, name: str) -> float:
    return float(found.values[found.names.index(name)])


def test_parameters_that_are_not_free_stay_as_they_are() -> None:
    one = port(gap=PITCH)
    data = noisy(one.admittance(one.start(2e6, 0.7), F), 4)
    free = ("velocity", "propagation_loss")
    found = fit_resonator(one, data, propagation_loss=1e6, resistance=0.7, free=free)
    assert found.estimate.names == free
    assert kept(found, "resistance") == 0.7
    assert kept(found, "capacitance") == QUIET.capacitance
    assert kept(found, "propagation_loss") == pytest.approx(2e6, rel=0.05)
    with pytest.raises(InputError, match=r'free: found "speed"; expected among velocity'):
        fit_resonator(one, data, free=("speed",))


def test_parameters_that_act_alike_or_not_at_all_are_named() -> None:
    k = np.arange(10.0)

    def twice(x: Any) -> Any:
        return (x[0] + x[1]) * k + 0j, np.array([k, k]) + 0j

    ones = np.ones(2)
    with pytest.raises(InputError, match=r"(one and two|two and one) acting alike"):
        fit(twice, k + 0j, ones, ones, ("one", "two"))

    def idle(x: Any) -> Any:
        return x[0] * k + 0j, np.array([k, 0.0 * k]) + 0j

    with pytest.raises(InputError, match="no influence of two"):
        fit(idle, k + 0j, ones, ones, ("one", "two"))
    with pytest.raises(InputError, match="found 1 points"):
        fit(idle, k[:1] + 0j, ones, ones, ("one", "two"))


def test_white_noise_is_white_and_a_walk_is_not() -> None:
    """The chance of Ljung and Box is uniform for white noise: its quartiles over 400 seeds."""
    chances = []
    for seed in range(400):
        random = np.random.default_rng(seed)
        chances.append(follow(random.normal(size=300) + 1j * random.normal(size=300))[0])
    np.testing.assert_allclose(
        np.quantile(chances, [0.25, 0.5, 0.75]), [0.25, 0.5, 0.75], atol=0.08
    )
    # x_n = 0.8 x_(n-1) + e: the autocorrelation time is (1 + 0.8)/(1 - 0.8) = 9
    times = []
    for seed in range(20):
        random = np.random.default_rng(seed)
        steps = random.normal(size=4000) + 1j * random.normal(size=4000)
        walk = np.zeros_like(steps)
        for n in range(1, walk.size):
            walk[n] = 0.8 * walk[n - 1] + steps[n]
        chance, time = follow(walk)
        assert chance < 1e-12
        times.append(time)
    assert np.mean(times) == pytest.approx(9.0, rel=0.1)


def test_an_arm_is_a_series_resonance() -> None:
    """f = 1/(2 pi sqrt(L C)) and Q = w L/R, and its impedance there is R alone (any textbook)."""
    arm = Arm(868e6, 90e-15, 4.0)
    omega = 2.0 * np.pi * arm.frequency
    assert omega**2 * arm.inductance * arm.capacitance == pytest.approx(1.0, rel=1e-12)
    assert arm.quality == pytest.approx(omega * arm.inductance / arm.resistance, rel=1e-12)
