"""Modulated signals through a filter: closed forms of delay, echo and sinc response."""

import numpy as np
import pytest
from scipy.signal import fftconvolve

from sawfem.device.signals import (
    CONSTELLATIONS,
    CountRow,
    Modulation,
    best_count,
    impulse_response,
    receive,
)
from sawfem.errors import InputError

RATE = 200e3
CARRIER = 868e6


def delayed(delay):
    return lambda f: np.exp(-2j * np.pi * f * delay)


@pytest.mark.parametrize("rolloff", [0.0, 0.25, 1.0])
@pytest.mark.parametrize("delay", [0.0, 1.3e-6, 37.77e-6])
def test_an_ideal_delay_makes_no_error(rolloff, delay):
    # Nyquist's first criterion: the raised cosine is zero at all other symbols.
    found = receive(delayed(delay), Modulation(CARRIER, RATE, rolloff))
    assert found.error_vector_magnitude < 1e-6
    assert abs(found.gain) == pytest.approx(1.0, abs=1e-9)
    window = found.symbol.size / RATE  # time is cyclic over the symbols that are looked at
    late = (found.instant - delay + 0.5 * window) % window - 0.5 * window
    assert late == pytest.approx(0.0, abs=1e-4 / RATE)


@pytest.mark.parametrize("size", [0.03, 0.2])
@pytest.mark.parametrize("symbols", [1, 5])
def test_an_echo_makes_its_own_size_of_error(size, symbols):
    # Two paths m symbols apart: g_0 = 1, g_m = r exp(-j 2 pi fc m/R), closed form.
    def transfer(f):
        return 1.0 + size * np.exp(-2j * np.pi * f * symbols / RATE)

    found = receive(transfer, Modulation(CARRIER, RATE), instant=0.0)
    assert found.error_vector_magnitude == pytest.approx(size, rel=1e-9)
    at = found.pulse[found.symbol == symbols][0]
    assert at == pytest.approx(size * np.exp(-2j * np.pi * CARRIER * symbols / RATE), rel=1e-9)
    # A receiver that chooses its instant does no worse.
    free = receive(transfer, Modulation(CARRIER, RATE))
    assert free.error_vector_magnitude <= found.error_vector_magnitude * (1.0 + 1e-9)


def test_an_echo_between_two_symbols_spreads_over_them_as_the_raised_cosine():
    # r RC(n T - tau) at every symbol; the wanted one is 1 + r g(-tau). Closed form of the pulse:
    # sinc(x) cos(pi b x)/(1 - 4 b^2 x^2) (Proakis, from memory).
    r, tau, b = 0.1, 0.4 / RATE, 0.25
    phase = np.exp(-2j * np.pi * CARRIER * tau)

    def transfer(f):
        return 1.0 + r * np.exp(-2j * np.pi * f * tau)

    found = receive(transfer, Modulation(CARRIER, RATE, b))
    n = np.arange(-60, 61)

    def pulse(x):
        return np.sinc(x) * np.cos(np.pi * b * x) / (1.0 - (2.0 * b * x) ** 2)

    shift = (found.instant * RATE + 0.5) % 1.0 - 0.5
    g = pulse(n + shift) + r * phase * pulse(n + shift - tau * RATE)
    expected = np.sqrt(np.sum(np.abs(g[n != 0]) ** 2)) / abs(g[n == 0][0])
    assert found.error_vector_magnitude == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("name", ["QPSK", "16-QAM"])
def test_random_symbols_show_the_error_that_the_pulse_says(name):
    # Second way: symbols, pulse train, decision; the rms of the error vectors.
    def transfer(f):
        return 1.0 / (1.0 + 1j * (f - CARRIER - 2e4) / 0.6e5)

    found = receive(transfer, Modulation(CARRIER, RATE, 0.25, name))
    sent, seen = found.constellation(40_000, seed=4)
    measured = np.sqrt(np.mean(np.abs(seen - sent) ** 2) / np.mean(np.abs(sent) ** 2))
    assert measured == pytest.approx(found.error_vector_magnitude, rel=0.02)
    assert found.error_vector_magnitude > 0.05
    assert np.max(np.abs(seen - sent)) <= found.peak_distortion * np.abs(sent).max() + 1e-9
    assert np.mean(np.abs(CONSTELLATIONS[name]) ** 2) == pytest.approx(1.0)


def test_the_pulse_in_the_time_domain_agrees():
    # Third way: raised-cosine pulse convolved with the exponential of a single pole.
    pole = 0.5e5

    def transfer(f):
        return 1.0 / (1.0 + 1j * (f - CARRIER) / pole)

    found = receive(transfer, Modulation(CARRIER, RATE, 0.25), delay=20e-6)
    step = 1.0 / RATE / 400
    t = np.arange(-40 * 400, 40 * 400 + 1) * step
    x = t * RATE
    with np.errstate(divide="ignore", invalid="ignore"):
        pulse = np.sinc(x) * np.cos(np.pi * 0.25 * x) / (1.0 - (0.5 * x) ** 2)
    pulse[np.abs(np.abs(x) - 2.0) < 1e-9] = np.pi / 4.0 * np.sinc(2.0)
    decay = 2.0 * np.pi * pole * np.exp(-2.0 * np.pi * pole * np.arange(12000) * step) * step
    decay[0] *= 0.5
    through = fftconvolve(pulse, decay)[: t.size]
    at = round((found.instant - t[0]) / step)
    samples = through[at - 30 * 400 : at + 31 * 400 : 400]
    expected = np.sqrt(np.sum(samples**2) - samples[30] ** 2) / samples[30]
    assert found.error_vector_magnitude == pytest.approx(expected, rel=5e-3)


def test_interference_is_the_band_that_the_filter_lets_through():
    # An ideal filter: int RC dv = 1 per unit gain.
    found = receive(delayed(0.0), Modulation(CARRIER, RATE, 0.25))
    assert found.interference == pytest.approx(1.0, rel=1e-6)
    assert found.total_error(0.01) == pytest.approx(0.1, rel=1e-6)


def test_impulse_response_of_a_sinc_is_a_rectangle_and_an_echo_is_a_lobe():
    f = np.linspace(860e6, 876e6, 1601)
    echo = np.exp(-2j * np.pi * f * 5e-6) * (1.0 + 0.1 * np.exp(-2j * np.pi * f * 4e-6))
    found = impulse_response(f, echo)
    assert found.main == pytest.approx(5e-6, abs=1e-8)
    assert found.sidelobe == pytest.approx(-20.0, abs=0.1)
    clean = impulse_response(f, np.exp(-2j * np.pi * f * 5e-6))
    assert clean.sidelobe == pytest.approx(-31.5, abs=0.3)  # of the Hann window (Harris 1978)


def test_the_best_count_has_the_least_error_of_both_kinds():
    rows = [
        CountRow(n, None, n / 868e6, 1e-3 * n, 1.0 / n, float(np.hypot(1e-3 * n, 1.0 / n)))
        for n in (8, 16, 24, 32, 40, 64)
    ]
    assert best_count(rows).fingers == 32  # 1e-3 n = 1/n at 31.6


@pytest.mark.parametrize(
    ("make", "word"),
    [
        (lambda: Modulation(CARRIER, -1.0), "above zero"),
        (lambda: Modulation(CARRIER, RATE, 1.5), "0 to 1"),
        (lambda: Modulation(CARRIER, RATE, 0.2, "FSK"), "QPSK, 16-QAM"),
        (lambda: Modulation(1e3, RATE), "narrower"),
        (lambda: receive(lambda f: 0.0 * f, Modulation(CARRIER, RATE)), "another"),
        (lambda: receive(lambda f: np.nan * f, Modulation(CARRIER, RATE)), "computed there"),
        (lambda: impulse_response(np.array([1.0, 2.0, 4.0] * 4), np.ones(12)), "one band"),
        (lambda: best_count([]), "one or more"),
    ],
)
def test_impossible_signals_are_refused(make, word):
    with pytest.raises(InputError, match=word):
        make()
