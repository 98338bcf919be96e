"""First design of a transversal filter by the trade's formulas, and what it cannot do.

Two uniform transducers of N1 and N2 wavelength pairs pass, relative to their centre f0,

    |sinc(N1 x) sinc(N2 x)|,   x = (f - f0)/f0,   sinc(u) = sin(pi u)/(pi u)

(Tancrell & Holland, Proc. IEEE 59, 393 (1971)). At f0 a transducer of conductance G and
susceptance B takes from a source R the share eta of the available power,

    eta = 4 R G / ((1 + R G)^2 + (R B)^2),

and sends half of it to either side: the filter loses -10 log10(eta1 eta2/4), 6 dB at least. The
conductance at f0 without reflections is G = 2 |a p|^2 n^2 W for n electrodes half a wavelength
apart (sawfem/device/section.py at d = k = 0), B = w C n W. Of the pair number N the bandwidth of
tuned transducers is widest where N^2 = pi/(4 K^2) (Smith, Gerard, Collins, Reeder, Shaw, IEEE
Trans. Microw. Theory Tech. MTT-17, 856 (1969); Morgan, Surface Acoustic Wave Filters, 2nd ed.,
2007; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sawfem.device.pmatrix import FloatArray
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants

#: Pair numbers that are tried.
FEWEST, MOST = 5, 800
#: Loss of bidirectional transducers, dB.
LEAST_LOSS = 20.0 * float(np.log10(2.0))
#: What counts as worse than any miss of a stop band, dB.
HOPELESS = 1000.0
#: Depth of a stop band as the formula sees it: zeros are not relied on, dB.
DEEPEST = 60.0


@dataclass(frozen=True)
class TransversalWish:
    """What a transversal filter is to do.

    Attributes
    ----------
    low, high : Hz, the band that must pass with at most ``loss`` dB.
    stops : (from, to, dB at least) of the bands that must not.
    drift : relative, largest minus smallest change of all frequencies that it must bear.

    Raises InputError for bands that overlap or have no width.
    """

    low: float
    high: float
    loss: float
    stops: tuple[tuple[float, float, float], ...]
    drift: float

    def __post_init__(self) -> None:
        if not 0.0 < self.low < self.high:
            raise InputError(
                key="specification", found="no pass band", expected="from below to, above zero"
            )
        for start, stop, _ in self.stops:
            if start < self.high and stop > self.low:
                raise InputError(
                    key="specification",
                    found=f"a stop band from {start / 1e6:g} to {stop / 1e6:g} MHz over the pass "
                    "band",
                    expected="bands apart",
                )

    @property
    def centre(self) -> float:
        """Middle of the pass band, Hz."""
        return 0.5 * (self.low + self.high)

    def offsets(self) -> tuple[float, list[tuple[FloatArray, float]]]:
        """Farthest relative offset that must pass, and those of each stop band with its limit."""
        half = 0.5 * self.drift
        passed = 0.5 * (self.high - self.low) / self.centre + half
        stops = []
        for start, stop, least in self.stops:
            ends = sorted(abs(f / self.centre - 1.0) for f in (start, stop))
            nearest = max(ends[0] - half, passed)
            stops.append((np.linspace(nearest, max(ends[1] + half, nearest), 201), least))
        return passed, stops


@dataclass(frozen=True)
class FirstTransversal:
    """Pairs of the two transducers, and what sinc x sinc makes of them.

    Attributes
    ----------
    pairs : of the longer and the shorter one.
    droop : dB that the edges of the pass band lie below the centre.
    spare : dB by which the worst stop band lies deeper under the pass band's edges than asked;
        negative where no pair numbers do what is asked.
    middle_loss : dB at the centre that shares the spare between pass band and stop bands.
    """

    pairs: tuple[int, int]
    droop: float
    spare: float
    middle_loss: float


def first_transversal(wish: TransversalWish) -> FirstTransversal:
    """The pair numbers that leave most to spare between pass band and stop bands."""
    counts = np.unique(np.round(np.geomspace(FEWEST, MOST, 120)).astype(int))
    passed, stops = wish.offsets()
    edge = _loss(counts, np.array([passed]))[:, 0]
    best: tuple[float, int, int] | None = None
    depth = [(_loss(counts, offsets), least) for offsets, least in stops]
    for i, long in enumerate(counts):
        # the shorter one not under a third: else the longer one filters alone
        partners = np.flatnonzero((counts <= long) & (3 * counts >= long))
        droop = edge[i] + edge[partners]
        possible = wish.loss - droop - LEAST_LOSS
        spare = possible
        for loss, least in depth:
            deep = np.minimum(loss[i] + loss[partners], DEEPEST).min(axis=1)
            spare = np.minimum(spare, wish.loss - droop - (least - deep))
        # what loses more than is allowed is no filter, whatever it keeps away
        spare = np.where(possible < 0.0, -HOPELESS + possible, spare)
        place = int(np.argmax(spare))
        found = (float(spare[place]), i, int(partners[place]))
        best = found if best is None or found[0] > best[0] else best
    assert best is not None
    spare_most, i, k = best
    spare_most += HOPELESS if spare_most < -HOPELESS else 0.0
    droop_there = float(edge[i] + edge[k])
    middle = max(wish.loss - droop_there - 0.5 * max(spare_most, 0.0), LEAST_LOSS + 1.0)
    return FirstTransversal((int(counts[i]), int(counts[k])), droop_there, spare_most, middle)


def _loss(counts: FloatArray, offsets: FloatArray) -> FloatArray:
    """-20 log10 |sinc(N x)|, (N, X) dB; a lobe counts with its top beyond the first zero."""
    u = np.abs(np.multiply.outer(np.asarray(counts, dtype=float), offsets))
    lobe = np.where(u < 1.0, np.abs(np.sinc(u)), 1.0 / (np.pi * np.maximum(u, 1.43)))
    return np.asarray(-20.0 * np.log10(np.maximum(lobe, 1e-12)))


def centre_loss(
    constants: ComConstants, electrodes: tuple[int, int], aperture: float, impedances: FloatArray
) -> float:
    """Loss in dB at f0 of two transducers of so many electrodes (half a wavelength apart).

    ``impedances`` (2,) in ohm, their real parts are taken; ``aperture`` in metres.
    """
    omega = 2.0 * np.pi * constants.centre_frequency
    total = LEAST_LOSS
    for count, resistance in zip(electrodes, impedances, strict=True):
        G = 2.0 * abs(constants.transduction) ** 2 * count**2 * aperture
        B = omega * constants.static * count * aperture
        taken = 4.0 * resistance * G / ((1.0 + resistance * G) ** 2 + (resistance * B) ** 2)
        total += -10.0 * float(np.log10(taken))
    return total


def aperture_for(
    loss: float,
    constants: ComConstants,
    electrodes: tuple[int, int],
    impedances: FloatArray,
    window: tuple[float, float],
) -> float:
    """Smallest aperture in a ``window`` (m) that loses ``loss`` dB at f0, or that of least loss."""
    apertures = np.geomspace(*window, 400)
    losses = np.array([centre_loss(constants, electrodes, w, impedances) for w in apertures])
    enough = np.flatnonzero(losses <= loss)
    return float(apertures[enough[0] if enough.size else int(np.argmin(losses))])


def optimum_pairs(coupling: float) -> float:
    """Pairs at which tuned transducers have the widest band, sqrt(pi/(4 K^2))."""
    return float(np.sqrt(np.pi / (4.0 * coupling)))


def verdict_on(wish: TransversalWish, first: FirstTransversal) -> tuple[bool, str]:
    """Whether uniform transducers can do what is wished, and a sentence that says why."""
    long, short = first.pairs
    told = (
        f"uniform transducers of {long} and {short} pairs fall by {first.droop:.1f} dB to the "
        f"edges of a pass band of {1e-6 * (wish.high - wish.low):g} MHz"
    )
    if wish.loss - first.droop < LEAST_LOSS:
        return False, (
            f"{told}; bidirectional transducers lose 6 dB beside that, more than the "
            f"{wish.loss:g} dB allowed: a ladder or unidirectional transducers would be needed"
        )
    if first.spare < 0.0:
        return False, (
            f"{told} and miss the stop bands by {-first.spare:.1f} dB: the side lobes of uniform "
            "transducers limit the rejection; apodised ones or several tracks would be needed"
        )
    return True, f"{told} and leave {first.spare:.1f} dB to spare"
