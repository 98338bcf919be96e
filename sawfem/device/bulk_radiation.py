"""What a finite transducer radiates into the bulk, from the harmonic admittance.

The rational function that stands for Y(f, gamma) (sawfem/device/endless_array.py) has poles of
two kinds: waves of the grating, where the determinant of the cell vanishes, and others strung
along the branch cuts of the bulk waves. The mutual admittances, and with them the conductance of
any set of electrodes, are sums over both:

    G = G_waves + G_bulk.

A pole is taken for a wave when 1/Y, computed at complex phases, has a root where the rational
function has the pole; the root and its slope are then those of the cell.

Without losses, and where no wave leaks, G_bulk is the power through the bottom of all cells,

    G_bulk = (1/2 pi) int Re Y(f, gamma) |V(gamma)|^2 d gamma,   V(gamma) = sum_n V_n exp(j n gamma)

over the phases at which a harmonic radiates (Parseval; Re Y is the power through the bottom of a
cell for one volt). :func:`bottom_conductance` computes that integral from the motion of the bottom
itself. The strongest wave may leak: what it does is part of G_waves, since it belongs to the wave
and not to the electrodes. Weaker waves that leak are the bulk's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sawfem.device.comparison import BulkRadiation as BulkRadiation
from sawfem.device.endless_array import MutualAdmittances, pole_coefficients
from sawfem.device.finite_array import ElectrodeSet
from sawfem.device.harmonic_samples import HarmonicSamples
from sawfem.planewave.limiting import bulk_onsets
from sawfem.unitcell.certified import CellModel

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Poles farther from the path than this (Im gamma) are no waves that reach a neighbour's neighbour.
REACH = 0.5
#: Share of the largest |Y| that a pole must make somewhere on the path.
SEEN = 1e-3
#: Poles that are tried at most: the others are weaker, and hardly waves.
MOST = 4
#: Steps of the secant method, and how well a root must be known, relative to Im gamma.
STEPS = 8
KNOWN = 1e-4
#: A root may be so far from the pole of the rational function, in Im gamma of the two.
MOVED = 0.2


@dataclass(frozen=True)
class ArrayWave:
    """A wave of the grating at one frequency.

    Attributes
    ----------
    phase : per electrode, radians, 0 to pi in its real part; the imaginary part is its decay.
    residue : of the harmonic admittance over cos(gamma), S/m.
    """

    phase: complex
    residue: complex

    @property
    def pole(self) -> complex:
        """cos(phase)."""
        return complex(np.cos(self.phase))


def array_waves(samples: HarmonicSamples, mutual: MutualAdmittances) -> tuple[ArrayWave, ...]:
    """The waves among the poles of a frequency's rational function, the strongest first.

    ``mutual`` are of these samples.
    """
    poles, residues = mutual.poles, mutual.residues
    phases = np.arccos(poles)
    # Largest contribution on the path -1 .. 1.
    nearest = np.clip(poles.real, -1.0, 1.0)
    size = np.abs(residues) / np.maximum(np.abs(poles - nearest), 1e-12)
    seen = (np.abs(phases.imag) < REACH) & (size > SEEN * size.max(initial=0.0))
    turn = mutual.frequency / complex(mutual.frequency, -mutual.damping)
    found: list[ArrayWave] = []
    for place in np.argsort(-size * seen)[: min(MOST, np.count_nonzero(seen))]:
        wave = _root(samples, mutual.frequency, complex(phases[place]), turn)
        if wave is not None and all(abs(wave.pole - one.pole) > 1e-9 for one in found):
            found.append(wave)
    return tuple(found)


def _root(
    samples: HarmonicSamples, frequency: float, guess: complex, turn: complex
) -> ArrayWave | None:
    """The root of 1/Y beside a guess by the secant method in cos(gamma), or None."""
    scale = max(abs(guess.imag), 1e-6)
    allowed = MOVED * scale

    def inverse(gamma: complex) -> complex:
        return complex(1.0 / samples(frequency, np.array([gamma]))[0])

    gammas = [guess * (1.0 + 0.0j), guess + 1e-3 * scale]
    values = [inverse(gamma) for gamma in gammas]
    for _ in range(STEPS):
        change = values[1] - values[0]
        if change == 0.0:
            return None
        x0, x1 = (complex(np.cos(gamma)) for gamma in gammas)
        slope = change / (x1 - x0)
        x2 = x1 - values[1] / slope
        gamma = complex(np.arccos(x2))
        if (gamma.imag > 0.0) != (guess.imag > 0.0):
            gamma = -gamma + (2.0 * np.pi if gamma.real > 0.5 * np.pi else 0.0)
        if not abs(gamma - guess) < allowed:
            return None
        if abs(gamma - gammas[1]) < KNOWN * scale:
            return ArrayWave(gamma, turn / slope)
        gammas, values = [gammas[1], gamma], [values[1], inverse(gamma)]
    return None


def bulk_radiation(
    samples: HarmonicSamples,
    electrodes: ElectrodeSet,
    mutual: Sequence[MutualAdmittances],
    aperture: float,
) -> BulkRadiation:
    """Conductance of a set by waves and by the bulk, at the frequencies of ``mutual``.

    ``mutual`` are of these samples and have as many lags as there are electrodes; floating
    electrodes take the potentials that they have in the whole field.
    """
    waves, bulk, count = [], [], []
    for one in mutual:
        found = _carriers(samples, one)
        poles = np.array([wave.pole for wave in found], dtype=complex)
        residues = np.array([wave.residue for wave in found], dtype=complex)
        V = electrodes.potentials(one.values)
        part = electrodes.conductance_of(V, pole_coefficients(poles, residues, one.values.size))
        total = electrodes.conductance_of(V, one.values)
        waves.append(aperture * part)
        bulk.append(aperture * (total - part))
        count.append(len(found))
    at = np.array([one.frequency for one in mutual])
    return BulkRadiation(at, np.array(waves), np.array(bulk), np.array(count, dtype=np.int64))


def _carriers(samples: HarmonicSamples, mutual: MutualAdmittances) -> tuple[ArrayWave, ...]:
    """The strongest wave, and of the others those that are slower than all bulk waves."""
    found = array_waves(samples, mutual)
    model = samples.model
    onsets = bulk_onsets(model.projected.floor.tensors[0])
    k = 2.0 * np.pi * mutual.frequency * model.period
    return (*found[:1], *(w for w in found[1:] if not onsets or w.phase.real > k / min(onsets)))


def bottom_conductance(
    model: CellModel, electrodes: ElectrodeSet, frequency: float, aperture: float
) -> float:
    """Power through the bottom for one volt at the port, times two, in S.

    For sets without floating electrodes, on a cell without losses in which no wave leaks. The
    integrand is that of the cell's bottom; its square-root ends at the onsets of bulk waves are
    taken up by gamma = middle - half cos(t), t from 0 to pi, between them.
    """
    k = 2.0 * np.pi * frequency * model.period
    substrate, _ = model.projected.floor.tensors
    onsets = [k / velocity for velocity in bulk_onsets(substrate)]
    ends = [0.0, *sorted(onset for onset in onsets if onset < np.pi)]
    if max(onsets) >= np.pi:  # beyond pi the harmonic -1 takes over
        ends = sorted({*ends, *(2.0 * np.pi - o for o in onsets if np.pi < o < 2 * np.pi), np.pi})
    V = electrodes.drive
    n = np.arange(V.size)
    total = 0.0
    for low, high in pairwise(ends):
        count = 24 + int((high - low) / np.pi * 1.5 * V.size)
        nodes, weights = np.polynomial.legendre.leggauss(count)
        t = 0.5 * np.pi * (nodes + 1.0)
        gamma = 0.5 * (low + high) - 0.5 * (high - low) * np.cos(t)
        jacobian = 0.5 * np.pi * weights * 0.5 * (high - low) * np.sin(t)
        for phase, weight in zip(gamma, jacobian, strict=True):
            spectrum = abs(np.exp(1j * phase * n) @ V) ** 2
            total += weight * spectrum * _bottom_of_a_cell(model, frequency, float(phase))
    return float(aperture * total / np.pi)  # both signs of gamma


def _bottom_of_a_cell(model: CellModel, frequency: float, phase: float) -> float:
    """Twice the power through the bottom of a cell for one volt, S/m."""
    view = model.at(phase)
    driven = view.driven(frequency, np.ones((1, 1)))
    return 2.0 * float(view.radiated(frequency, driven)[0])
