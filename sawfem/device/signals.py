"""What a filter does to a modulated signal: intersymbol interference and error-vector magnitude.

A linear modulation of symbol rate R (QPSK, 16-QAM) with root-raised-cosine filters of roll-off b
in transmitter and receiver reaches the receiver's decision through the pulse

    g(t) = int RC(v) H(fc + v) exp(+j 2 pi v t) dv,         RC(0) = 1/R,

RC the raised cosine between (1 - b) R/2 and (1 + b) R/2 and H the filter's transfer function
around the carrier fc. Decisions at t = t0 + n/R see the wanted g_0 = g(t0) and, of the n-th
symbol before or after, g_n = g(t0 + n/R): intersymbol interference. For independent symbols of
equal mean power the error-vector magnitude, relative to the rms of the received constellation, is

    EVM = sqrt(sum over n != 0 of |g_n|^2) / |g_0|,

whatever the constellation (raised-cosine signalling: Nyquist, Trans. AIEE 47, 617 (1928); Proakis,
Digital Communications, ch. 9; from memory). Gain, phase and t0 are taken out, as a receiver does;
t0 is where the EVM is least. An ideal delay has none, an echo r exp(-j 2 pi f m/R) has |r|.

Interference is what the filter is there for. A receiver that samples behind it at the least rate
that its signal needs, (1 + b) R, folds onto the decision all that the filter lets through of a band
B before it (sampling theorem; band-pass sampling). White interference of the density J, relative to
the signal's mean power over R, then adds to EVM^2

    J Bn/((1 + b) R),        Bn = int over B of |H|^2 df / |g_0|^2   the noise bandwidth:

J for an ideal filter as wide as the signal, J B/((1 + b) R) with no filter at all. More selective
filters let less through, and remember longer: the sum of both errors has a least value.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from sawfem.errors import InputError

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: H at frequencies in hertz: (m,) -> (m,).
Transfer = Callable[[Array], Complex]

#: Constellations by name, mean power one.
CONSTELLATIONS: dict[str, Complex] = {
    "QPSK": np.array([1 + 1j, -1 + 1j, -1 - 1j, 1 - 1j]) / np.sqrt(2.0),
    "16-QAM": np.array([a + 1j * b for a in (-3, -1, 1, 3) for b in (-3, -1, 1, 3)])
    / np.sqrt(10.0),
}
#: Instants per symbol among which the best is looked for before it is refined.
INSTANTS = 16
#: Symbols of memory that are looked at, at least.
MEMORY = 64


@dataclass(frozen=True)
class Modulation:
    """A linear modulation on a carrier.

    Attributes
    ----------
    carrier : Hz. symbol_rate : symbols per second. rolloff : b, 0 to 1.
    constellation : "QPSK" or "16-QAM".

    Raises InputError for what is none.
    """

    carrier: float
    symbol_rate: float
    rolloff: float = 0.25
    constellation: str = "QPSK"

    def __post_init__(self) -> None:
        for key in ("carrier", "symbol_rate"):
            value = getattr(self, key)
            if not (np.isfinite(value) and value > 0.0):
                raise InputError(key=f"signal.{key}", found=f"{value!r}", expected="above zero")
        if self.bandwidth >= 2.0 * self.carrier:
            raise InputError(
                key="signal.symbol_rate",
                found=f"{self.symbol_rate:g} symbols per second",
                expected="a signal narrower than twice its carrier",
            )
        if not 0.0 <= self.rolloff <= 1.0:
            raise InputError(
                key="signal.rolloff", found=f"{self.rolloff!r}", expected="a number from 0 to 1"
            )
        if self.constellation not in CONSTELLATIONS:
            raise InputError(
                key="signal.modulation",
                found=f'"{self.constellation}"',
                expected=f"one of {', '.join(CONSTELLATIONS)}",
            )

    @property
    def bandwidth(self) -> float:
        """(1 + b) R in hertz: beyond it there is no signal."""
        return (1.0 + self.rolloff) * self.symbol_rate

    def raised_cosine(self, offset: Array) -> Array:
        """RC(v) in seconds at offsets v from the carrier, Hz."""
        r, b = self.symbol_rate, self.rolloff
        x = np.abs(offset) / r
        low, high = 0.5 * (1.0 - b), 0.5 * (1.0 + b)
        flank = 0.5 * (1.0 + np.cos(np.pi * (x - low) / b)) if b > 0.0 else 0.5 * np.ones_like(x)
        return np.asarray(np.where(x < low, 1.0, np.where(x > high, 0.0, flank)) / r)


@dataclass(frozen=True, eq=False)
class Received:
    """What reaches the decision.

    Attributes
    ----------
    modulation : that was sent.
    instant : t0 in seconds after the symbol was sent, within a symbol of the strongest pulse.
    pulse : (n,) complex g_n over g_0, n counted by ``symbol``; one at symbol 0.
    symbol : (n,) integers.
    gain : g_0, dimensionless.
    """

    modulation: Modulation
    instant: float
    pulse: Complex
    symbol: NDArray[np.int64]
    gain: complex

    @property
    def error_vector_magnitude(self) -> float:
        """rms, a fraction."""
        return float(np.sqrt(np.sum(np.abs(self.pulse[self.symbol != 0]) ** 2)))

    @property
    def peak_distortion(self) -> float:
        """Sum of |g_n|/|g_0|: the largest error, all symbols against it, per unit amplitude."""
        return float(np.sum(np.abs(self.pulse[self.symbol != 0])))

    def interference_error(self, density: float, noise_bandwidth: float) -> float:
        """EVM of white interference of ``density`` J through ``noise_bandwidth`` Bn in Hz."""
        return float(np.sqrt(density * noise_bandwidth / self.modulation.bandwidth))

    def total_error(self, density: float, noise_bandwidth: float) -> float:
        """EVM of the intersymbol interference and of the white interference, a fraction."""
        return float(
            np.hypot(self.error_vector_magnitude, self.interference_error(density, noise_bandwidth))
        )

    def constellation(
        self, symbols: int = 2000, *, noise: float = 0.0, seed: int = 0
    ) -> tuple[Complex, Complex]:
        """Random symbols (s,) and what the decision sees of them, gain and phase removed.

        ``noise`` : rms of circular Gaussian interference at the decision, a fraction.
        """
        rng = np.random.default_rng(seed)
        points = CONSTELLATIONS[self.modulation.constellation]
        sent = points[rng.integers(points.size, size=symbols)]
        seen = np.zeros(symbols, dtype=complex)
        for value, shift in zip(self.pulse, self.symbol, strict=True):
            seen += value * np.roll(sent, int(shift))
        if noise:
            parts = rng.standard_normal((2, symbols))
            seen = seen + noise * (parts[0] + 1j * parts[1]) / np.sqrt(2.0)
        return sent, seen


def receive(
    transfer: Transfer,
    modulation: Modulation,
    *,
    delay: float = 0.0,
    instant: float | None = None,
) -> Received:
    """Send a modulation through a filter.

    Parameters
    ----------
    transfer : H(f); evaluated at equidistant frequencies over the signal's bandwidth.
    delay : s, how long the filter remembers, at least; its impulse response must have died away
        after MEMORY symbols or four times this, whichever is longer.
    instant : t0 in seconds; None takes the instant of least error.

    Raises
    ------
    InputError : nothing of the signal comes through, or H is not finite there.
    """
    rate = modulation.symbol_rate
    memory = 2 * (max(MEMORY, int(np.ceil(4.0 * delay * rate))) // 2 + 1)
    half = int(np.ceil(0.5 * modulation.bandwidth / rate * memory))
    offset = np.arange(-half, half + 1) * rate / memory
    h = np.asarray(transfer(modulation.carrier + offset), dtype=complex)
    if not np.all(np.isfinite(h)):
        raise InputError(
            key="signal.carrier",
            found="a response that is no number in the band of the signal",
            expected="a device computed there",
        )
    spectrum = modulation.raised_cosine(offset) * h * rate / memory
    if not np.any(np.abs(spectrum) > 0.0):
        raise InputError(
            key="signal.carrier", found="a filter that passes nothing there", expected="another"
        )

    # exp(2 pi j n v/R): what turns from symbol to symbol, n = 0 .. memory - 1
    turn = np.exp(2j * np.pi * np.outer(np.arange(memory), offset / rate))

    def samples(instant: float) -> Complex:
        """g(t0 + n/R), n = 0 .. memory - 1, cyclic."""
        return np.asarray(turn @ (spectrum * np.exp(2j * np.pi * offset * instant)))

    def error(instant: float) -> float:
        g = np.abs(samples(instant)) ** 2
        return float((g.sum() - g.max()) / g.max())

    if instant is None:
        within = _least(error, rate)
        g = samples(within)
        main = int(np.argmax(np.abs(g)))
    else:
        main = int(np.floor(instant * rate)) % memory
        within = instant - main / rate
        g = samples(within)
    order = (np.arange(memory) - main + memory // 2) % memory - memory // 2
    sorting = np.argsort(order)
    return Received(
        modulation=modulation,
        instant=within + main / rate,
        pulse=np.asarray((g / g[main])[sorting]),
        symbol=order[sorting].astype(np.int64),
        gain=complex(g[main]),
    )


def _least(error: Callable[[float], float], rate: float) -> float:
    """Instant of the least error within a symbol, s."""
    step = 1.0 / (INSTANTS * rate)
    tried = np.arange(INSTANTS) * step
    start = float(tried[int(np.argmin([error(t) for t in tried]))])
    found = minimize_scalar(
        error, bounds=(start - step, start + step), method="bounded", options={"xatol": 1e-7 * step}
    )
    return float(found.x)


@dataclass(frozen=True)
class CountRow:
    """One finger count of the trade of selectivity against delay.

    Attributes
    ----------
    fingers : electrodes. bandwidth : -3 dB, Hz, None where it is not seen. delay : s.
    intersymbol, interference, total : error-vector magnitudes, fractions: of intersymbol
        interference, of the interference let through, and of both.
    loss : insertion loss at the carrier, dB.
    side_lobe : of the impulse response, dB; None where none stands above those of the window.
    """

    fingers: int
    bandwidth: float | None
    delay: float
    intersymbol: float
    interference: float
    total: float
    loss: float
    side_lobe: float | None = None
