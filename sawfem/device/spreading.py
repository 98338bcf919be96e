"""How spreading and steering of the beam change what passes between the ports of a track.

Y21 of beams that stay as they are becomes

    D Y21 + Y21(f0) exp(-j 2 pi (f - f0) tau) (H - D H0) / H0(f0).

D is the factor of the synchronous sources (:mod:`.diffraction`), smooth over frequency. H and H0
are sums over all overlaps with and without diffraction, where one of the transducers is apodised:
each overlap then spreads by itself, and side lobes come out otherwise than the factor says. The
second term vanishes at the synchronous frequency f0; tau brings the delays of model and sum
together. Where Y21 goes with H0, as without reflections, the result goes with H exactly.

Without apodisation Y is that of all passages instead (:mod:`.passages`), of which the single ones
have the factor D.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicSpline

from sawfem.device.passages import Passages
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError

Pair = tuple[str, str]

#: Step, relative to the synchronous frequency, of the differences that give a delay.
STEP = 1e-5
#: Share of a sum's frequencies at each end over which it is let go.
EDGE = 0.1


@dataclass(frozen=True, eq=False)
class Transfer:
    """Sums over the overlaps of two ports: ``spread`` H and ``straight`` H0, (n,), without unit.

    ``frequency`` (n,) Hz, increasing, the synchronous one in the middle. ``delay`` s, that of H0.
    """

    frequency: FloatArray
    spread: ComplexArray
    straight: ComplexArray
    delay: float


@dataclass(frozen=True, eq=False)
class Spreading:
    """What becomes of the transfer admittances of one track.

    Attributes
    ----------
    centre : Hz, synchronous frequency for which it was computed.
    frequency : (n,) Hz, increasing, four or more.
    factors : (port, port) -> D (n,), complex. The same for both ways, whichever is named.
    transfers : (port, port) -> sums, of pairs of which one transducer is apodised.
    passages : what waves lose that pass more than once; None in apodised rows, and where all
        elements stand together.

    Between its frequencies ln D is a spline; outside it keeps its first or last value, since a
    track answers little there. Raises InputError for arrays that do not fit.
    """

    centre: float
    frequency: FloatArray
    factors: Mapping[Pair, ComplexArray]
    transfers: Mapping[Pair, Transfer] = field(default_factory=dict)
    passages: Passages | None = None

    def __post_init__(self) -> None:
        f = np.asarray(self.frequency, dtype=float)
        if f.ndim != 1 or f.size < 4 or np.any(np.diff(f) <= 0.0):
            raise InputError(key="frequency", found=f"{f.size} of them", expected="4, increasing")
        for pair, values in self.factors.items():
            if np.shape(values) != f.shape or not np.all(np.abs(values) > 0.0):
                raise InputError(
                    key="factors", found=f"{pair}: zeros or another count", expected="one a Hz"
                )

    def of(self, pair: Pair, frequency: FloatArray) -> ComplexArray:
        """D (F,) of two ports at frequencies (F,), Hz; one where there is none."""
        values = self.factors.get(pair, self.factors.get(pair[::-1]))
        if values is None:
            return np.ones(len(frequency), dtype=complex)
        return np.asarray(np.exp(self._spline(values)(self._clipped(frequency))))

    def delay(self, pair: Pair, frequency: float) -> float:
        """-d arg D / d omega, s: what diffraction adds to the group delay."""
        slope = self._spline(self.factors[pair])(self._clipped(np.array([frequency])), 1)
        return float(-slope[0].imag) / (2.0 * np.pi)

    def loss(self, pair: Pair) -> float:
        """-20 log10 |D| at the synchronous frequency, dB."""
        return float(-20.0 * np.log10(np.abs(self.of(pair, np.array([self.centre]))[0])))

    def matrix(self, ports: Sequence[str], frequency: FloatArray) -> ComplexArray:
        """Factors (F, E, E) of the admittance of a track with these ports; one on the diagonal."""
        found = np.ones((len(frequency), len(ports), len(ports)), dtype=complex)
        for i, one in enumerate(ports):
            for j, other in enumerate(ports):
                if i != j:
                    found[:, i, j] = self.of((one, other), frequency)
        return found

    def single(
        self, ports: Sequence[str], standing: Mapping[str, int | None], frequency: FloatArray
    ) -> ComplexArray:
        """(F, E, E): D of the true overlaps over K_00, the factor of a single passage of lines.

        ``standing`` : the group of elements in which each port stands, None for several.
        """
        found = self.matrix(ports, frequency)
        assert self.passages is not None
        lines = self.passages.straight(frequency)
        for i, one in enumerate(ports):
            for j, other in enumerate(ports):
                a, b = standing[one], standing[other]
                known = (one, other) in self.factors or (other, one) in self.factors
                if i != j and known and a is not None and b is not None:
                    found[:, i, j] /= lines[:, a, b]
        return found

    @property
    def anchors(self) -> FloatArray:
        """Three frequencies, Hz, at which ``rest`` has to know the admittance."""
        return self.centre * (1.0 + STEP * np.array([-1.0, 0.0, 1.0]))

    def rest(self, ports: Sequence[str], frequency: FloatArray, y: ComplexArray) -> ComplexArray:
        """What comes to the factors' part of the admittance, (F, E, E); zero without sums.

        Parameters
        ----------
        y : (3, E, E) admittance without diffraction at the ``anchors``, S.
        """
        found = np.zeros((len(frequency), len(ports), len(ports)), dtype=complex)
        for pair, sums in self.transfers.items():
            i, j = (ports.index(port) for port in pair)
            transfer = y[:, i, j]
            slope = np.angle(transfer[2] / transfer[0]) / (self.anchors[2] - self.anchors[0])
            turn = np.exp(1j * slope * (frequency - self.centre))
            found[:, i, j] = found[:, j, i] = transfer[1] * turn * self._rest(pair, sums, frequency)
        return found

    def _rest(self, pair: Pair, sums: Transfer, frequency: FloatArray) -> ComplexArray:
        """(H - D H0) / H0(f0) without its delay, (F,); let go towards the ends of the sums."""
        f = sums.frequency
        middle = sums.straight[len(f) // 2]
        turn = np.exp(2j * np.pi * (f - self.centre) * sums.delay)
        values = (sums.spread - self.of(pair, f) * sums.straight) / middle * turn
        inside = np.clip((frequency - f[0]) / (f[-1] - f[0]), 0.0, 1.0)
        near = np.minimum(inside, 1.0 - inside) / EDGE
        window = np.sin(0.5 * np.pi * np.clip(near, 0.0, 1.0)) ** 2
        return np.asarray(window * CubicSpline(f, values)(np.clip(frequency, f[0], f[-1])))

    def _spline(self, values: ComplexArray) -> CubicSpline:
        log = np.log(np.abs(values)) + 1j * np.unwrap(np.angle(values))
        return CubicSpline(self.frequency, log)

    def _clipped(self, frequency: FloatArray) -> FloatArray:
        return np.asarray(np.clip(frequency, self.frequency[0], self.frequency[-1]))
