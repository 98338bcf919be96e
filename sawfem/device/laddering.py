"""First design of a ladder filter by the trade's formulas, and what coupling allows.

Resonance and antiresonance of series (s) and shunt (p) resonators are set so that

    f_r of s = f_a of p = f0:

then the pass band lies around f0, with a notch at f_a of s above and at f_r of p below it, both
a distance f_a - f_r away; that distance is what the effective coupling gives. Static capacitances
follow from the image impedance R at f0 (of a T-section with whole arms C_s and C_p),

    R = 1/(2 pi f0 sqrt(C_s C_p)),

and their ratio C_p/C_s from the attenuation far off, where every resonator is its capacitance
(Hagiwara et al.; Morgan, Surface Acoustic Wave Filters, 2nd ed., 2007, ch. 11; from memory). End
arms in series have 2 C_s (half an arm), all others C_s between, and shunts C_p.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sawfem.device.pmatrix import FloatArray
from sawfem.errors import InputError


@dataclass(frozen=True)
class LadderWish:
    """What a ladder is to do.

    Attributes
    ----------
    low, high : Hz, the band that must pass. drift : relative, largest minus smallest change of all
        frequencies that it must bear. rejection : dB wanted far off. impedance : ohm.
    resonators : odd number, 3 or more, series at both ends.
    """

    low: float
    high: float
    drift: float
    rejection: float
    impedance: float
    resonators: int

    def __post_init__(self) -> None:
        if self.resonators < 3 or self.resonators % 2 == 0:
            raise InputError(
                key="design.resonators",
                found=str(self.resonators),
                expected="an odd number, 3 or more: series at both ends",
            )
        if not 0.0 < self.low < self.high:
            raise InputError(key="specification", found="no pass band", expected="low below high")

    @property
    def centre(self) -> float:
        """Geometric middle of the pass band, Hz."""
        return float(np.sqrt(self.low * self.high))

    @property
    def width(self) -> float:
        """Relative width that must pass at every temperature and process corner."""
        return (self.high - self.low) / self.centre + self.drift


@dataclass(frozen=True)
class FirstLadder:
    """Static capacitances of series arms and shunts between the ends, F, and names by place."""

    series: float
    shunt: float
    names: tuple[str, ...]

    def capacitance(self, name: str) -> float:
        """Of the resonator of a name: the series ends have twice that of the others."""
        if name.startswith("p"):
            return self.shunt
        return 2.0 * self.series if name == self.names[0] else self.series


def ladder_names(resonators: int) -> tuple[str, ...]:
    """Names along a symmetric ladder that starts and ends in series: s1 p1 s2 p2 s2 p1 s1."""
    names = []
    for place in range(resonators):
        kind = "p" if place % 2 else "s"
        first = place // 2
        last = (resonators - 1 - place) // 2
        names.append(f"{kind}{min(first, last) + 1}")
    return tuple(names)


def first_ladder(wish: LadderWish) -> FirstLadder:
    """Static capacitances by image impedance and far-off attenuation (module docstring)."""
    names = ladder_names(wish.resonators)
    product = 1.0 / (2.0 * np.pi * wish.centre * wish.impedance) ** 2

    def far_off(ratio: float) -> float:
        series = np.sqrt(product / ratio)
        trial = FirstLadder(series, product / series, names)
        return capacitor_loss(trial, wish.centre, wish.impedance)

    low, high = 0.05, 20.0
    for _ in range(60):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if far_off(middle) < wish.rejection else (low, middle)
    series = float(np.sqrt(product / high))
    return FirstLadder(series, product / series, names)


def capacitor_loss(ladder: FirstLadder, frequency: float, impedance: float) -> float:
    """Insertion loss in dB of the ladder of capacitors alone."""
    omega = 2.0 * np.pi * frequency
    chain = np.eye(2, dtype=complex)
    for name in ladder.names:
        y = 1j * omega * ladder.capacitance(name)
        link = [[1.0, 1.0 / y], [0.0, 1.0]] if name.startswith("s") else [[1.0, 0.0], [y, 1.0]]
        chain = chain @ np.array(link)
    (A, B), (C, D) = chain
    transfer = 2.0 / (A + B / impedance + C * impedance + D)
    return float(-20.0 * np.log10(abs(transfer)))


def feasibility(wish: LadderWish, resonance: float, antiresonance: float) -> tuple[bool, str]:
    """Whether a ladder of such resonators can have the width, and a sentence that says why.

    ``resonance``, ``antiresonance`` of one resonator, Hz. The two notches lie 2 (f_a - f_r) apart;
    about half of that is flat enough to pass (the rest are its two slopes).
    """
    distance = (antiresonance - resonance) / resonance
    told = (
        f"the pass band asks for {100.0 * wish.width:.2f} % ({100.0 * wish.drift:.2f} % of it for "
        f"drift and process); resonance and antiresonance of this grating lie "
        f"{100.0 * distance:.2f} % apart"
    )
    if wish.width <= distance:
        return True, f"{told}: its coupling is enough"
    if wish.width <= 2.0 * distance:
        return True, f"{told}: tight, at most about twice that can pass between the notches"
    return False, (
        f"{told}: the coupling of this cut limits the bandwidth; a ladder passes less than "
        f"{200.0 * distance:.2f} %. Another cut or inductors beside the resonators would be needed"
    )


def chosen_fingers(
    capacitance: float, per_electrode: float, wavelength: float, *, widths: float = 20.0
) -> tuple[int, float]:
    """Electrodes (odd) and aperture in metres of a resonator of a static capacitance.

    ``per_electrode`` in F/m of aperture. The aperture is near ``widths`` wavelengths, where
    diffraction is small and fingers are short, with 61 to 401 electrodes.
    """
    count = round(capacitance / (per_electrode * widths * wavelength))
    count = min(max(count | 1, 61), 401)
    return count, capacitance / (count * per_electrode)


def quadratic(nodes: FloatArray, values: FloatArray, at: float) -> complex:
    """Lagrange's interpolation of values (K,) at nodes (K,), K = 3 for a parabola."""
    total = 0.0 + 0.0j
    for i, node in enumerate(nodes):
        others = np.delete(nodes, i)
        total += complex(values[i]) * complex(np.prod((at - others) / (node - others)))
    return total
