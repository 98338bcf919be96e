"""Modulated signals through a filter: closed forms of delay, echo and sinc response."""

import numpy as np
import pytest
from scipy.signal import fftconvolve

from sawfem.device.selectivity import Interference, knee, selectivity
from sawfem.device.signals import CONSTELLATIONS, CountRow, Modulation, receive
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


def pole(width):
    return lambda f: 1.0 / (1.0 + 1j * (f - CARRIER) / width)


def test_noise_bandwidth_of_one_pole_and_what_it_lets_through():
    # int df/(1 + (f/p)^2) = pi p; between -B/2 and B/2 it is 2 p arctan(B/(2 p)).
    p, B = 0.4e6, 20e6
    asked = Interference(0.01, CARRIER - 0.5 * B, CARRIER + 0.5 * B)
    found = selectivity(pole(p), Modulation(CARRIER, RATE), asked)
    expected = 2.0 * p * np.arctan(0.5 * B / p) / abs(found.received.gain) ** 2
    assert float(found.figures["noise_bandwidth"]) == pytest.approx(expected, rel=1e-3)
    # Two uniform transducers, int sinc^2(f T1) sinc^2(f T2) df = (1 - T2/(3 T1))/T1, T2 <= T1: the
    # energy of their trapezoid over the square of its area (Parseval).
    first, second = 1.2e-6, 0.9e-6

    def pair(f):
        return np.sinc((f - CARRIER) * first) * np.sinc((f - CARRIER) * second)

    found = selectivity(pair, Modulation(CARRIER, RATE), asked)
    expected = (1.0 - second / (3.0 * first)) / first / abs(found.received.gain) ** 2
    assert float(found.figures["noise_bandwidth"]) == pytest.approx(expected, rel=1e-3)
    # An open path lets J B/((1 + b) R) through, one as wide as the signal J: by definition.
    open_path = selectivity(delayed(1e-6), Modulation(CARRIER, RATE), asked)
    error = float(open_path.figures["error_vector_magnitude"])
    assert error == pytest.approx(np.sqrt(0.01 * B / (1.25 * RATE)), rel=1e-6)
    own = Interference(0.01, CARRIER - 0.625 * RATE, CARRIER + 0.625 * RATE)
    error = selectivity(delayed(1e-6), Modulation(CARRIER, RATE), own).figures
    assert float(error["error_vector_magnitude"]) == pytest.approx(0.1, rel=1e-6)


def test_interference_at_the_decision_is_what_random_noise_makes():
    # Second way: white noise sampled at (1 + b) R behind the filter, through the receiver's
    # root-raised-cosine filter, at the decisions; its rms against the closed form.
    p, b, oversampled, symbols = 0.9e6, 0.25, 16, 32768
    rng = np.random.default_rng(3)
    n = symbols * oversampled  # the front end's band: oversampled (1 + b) R
    rate = oversampled * (1.0 + b) * RATE
    noise = (rng.standard_normal(n) + 1j * rng.standard_normal(n)) / np.sqrt(2.0)
    v = np.fft.fftfreq(n, 1.0 / rate)
    behind = np.fft.ifft(np.fft.fft(noise) * pole(p)(CARRIER + v))[::oversampled]
    modulation = Modulation(CARRIER, RATE, b)
    offset = np.fft.fftfreq(behind.size, oversampled / rate)
    matched = np.sqrt(modulation.raised_cosine(offset) * RATE)
    decided = np.fft.ifft(np.fft.fft(behind) * matched)
    # Signal of mean power one spread over R; the noise has oversampled (1 + b) R of density 1/R.
    power = np.mean(np.abs(decided) ** 2) * oversampled * (1.0 + b)
    asked = Interference(1.0, CARRIER - 0.5 * rate, CARRIER + 0.5 * rate)
    found = selectivity(pole(p), modulation, asked)
    expected = np.sqrt(power) / abs(found.received.gain)
    assert float(found.figures["error_vector_interference"]) == pytest.approx(expected, rel=0.02)


def test_a_whole_link_shows_the_error_of_a_pair_of_transducers():
    # Second way, end to end: random 16-QAM symbols, a root-raised-cosine filter, two uniform
    # transducers (sinc x sinc) with an echo of three transits, the same filter again, decisions at
    # the same instant, one complex gain taken out by least squares; the rms of what is left.
    first, second, late = 1.6e-6, 1.1e-6, 2e-6

    def pair(f):
        v = f - CARRIER
        echo = 1.0 + 0.05 * np.exp(-4j * np.pi * v * late)
        return np.sinc(v * first) * np.sinc(v * second) * np.exp(-2j * np.pi * v * late) * echo

    modulation = Modulation(CARRIER, 2.0 * RATE, 0.25, "16-QAM")
    found = selectivity(pair, modulation, None)
    symbols, over = 16384, 4
    rng = np.random.default_rng(11)
    sent = CONSTELLATIONS["16-QAM"][rng.integers(16, size=symbols)]
    train = np.zeros(symbols * over, dtype=complex)
    train[::over] = sent
    v = np.fft.fftfreq(train.size, 1.0 / (over * modulation.symbol_rate))
    root = np.sqrt(modulation.raised_cosine(v) * modulation.symbol_rate)
    turned = np.exp(2j * np.pi * v * found.received.instant)
    seen = np.fft.ifft(np.fft.fft(train) * root * pair(CARRIER + v) * root * turned)[::over]
    gain = np.vdot(sent, seen) / np.vdot(sent, sent)
    error = np.sqrt(np.mean(np.abs(seen / gain - sent) ** 2) / np.mean(np.abs(sent) ** 2))
    assert error > 0.03
    assert float(found.figures["error_vector_magnitude"]) == pytest.approx(error, rel=0.03)


def row(count, inter, through):
    return CountRow(count, None, 1e-9 * count, inter, through, float(np.hypot(inter, through)), 0.0)


def test_the_knee_has_the_least_error_of_both_kinds():
    counts = (8, 16, 24, 32, 40, 64)
    best, reason = knee([row(n, 1e-3 * n, 1.0 / n) for n in counts])
    assert best is not None
    assert (best.fingers, reason) == (32, "")  # 1e-3 n = 1/n at 31.6
    for few, word in (
        ([row(8, 0.1, 0.1)], "fewer than three"),
        ([row(n, 1e-3 * n, 0.0) for n in counts], "no interference"),
        ([row(n, 0.0, 1.0 / n) for n in counts], "compare more"),
        ([row(n, 0.1 * n, 1.0 / n) for n in counts], "compare fewer"),
    ):
        best, reason = knee(few)
        assert best is None
        assert word in reason


@pytest.mark.parametrize(
    ("make", "word"),
    [
        (lambda: Modulation(CARRIER, -1.0), "above zero"),
        (lambda: Modulation(CARRIER, RATE, 1.5), "0 to 1"),
        (lambda: Modulation(CARRIER, RATE, 0.2, "FSK"), "QPSK, 16-QAM"),
        (lambda: Modulation(1e3, RATE), "narrower"),
        (lambda: receive(lambda f: 0.0 * f, Modulation(CARRIER, RATE)), "another"),
        (lambda: receive(lambda f: np.nan * f, Modulation(CARRIER, RATE)), "computed there"),
    ],
)
def test_impossible_signals_are_refused(make, word):
    with pytest.raises(InputError, match=word):
        make()
