"""A finite set of connected electrodes in an endless grounded array: sums, no wave equations.

The current into electrode m is I_m = sum_n y_(m-n) V_n (sawfem/device/endless_array.py). Outside
the set the electrodes are grounded and go on for ever, as in long shorted reflectors. What the
electrodes of the set do is written one character each:

    + -    on the bus-bar of +V/2 or -V/2: the two poles of the port
    0      grounded, like the electrodes outside
    f      floating alone: no net current (an isolated strip, a finger that lost its bus-bar)
    a..e   floating together: all electrodes of one letter at one potential, no net current

Port current I = (I_+ - I_-)/2, so that Y = I/V; in an array whose two poles see the ground alike
that is the current of either pole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.device.endless_array import MutualAdmittances
from sawfem.errors import GeometryError, InputError

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_TOGETHER = "abcde"


@dataclass(frozen=True)
class ElectrodeSet:
    """Which electrode hangs where; see the module docstring for the characters.

    Raises GeometryError for other characters or a set without both poles.
    """

    pattern: str

    def __post_init__(self) -> None:
        wrong = sorted(set(self.pattern) - set("+-0f" + _TOGETHER))
        if wrong:
            raise GeometryError(
                key="pattern", found=f'"{"".join(wrong)}"', expected="characters of +-0f and a to e"
            )
        if not {"+", "-"} <= set(self.pattern):
            raise GeometryError(
                key="pattern", found=f'"{self.pattern[:20]}"', expected="both poles, + and -"
            )

    @classmethod
    def transducer(cls, fingers: int, polarity: str = "+-") -> ElectrodeSet:
        """``fingers`` electrodes that repeat ``polarity``."""
        return cls((polarity * fingers)[:fingers])

    def changed(self, places: Sequence[int] | int, to: str) -> ElectrodeSet:
        """The same with other characters at some places (from 0; negative ones from the end)."""
        letters = list(self.pattern)
        for place in [places] if isinstance(places, int) else places:
            if not -len(letters) <= place < len(letters):
                raise GeometryError(
                    key="place", found=str(place), expected=f"0 to {len(letters) - 1}"
                )
            letters[place] = to
        return ElectrodeSet("".join(letters))

    @property
    def size(self) -> int:
        """Number of electrodes."""
        return len(self.pattern)

    @property
    def drive(self) -> Array:
        """Potentials of the electrodes with a pole at a port voltage of 1 V, (N,)."""
        return np.array([{"+": 0.5, "-": -0.5}.get(letter, 0.0) for letter in self.pattern])

    @property
    def floating(self) -> Array:
        """Columns of ones: the electrodes of each floating conductor, (N, conductors)."""
        groups: dict[str, list[int]] = {}
        for place, letter in enumerate(self.pattern):
            if letter in "f" + _TOGETHER:
                groups.setdefault(letter if letter != "f" else f"f{place}", []).append(place)
        columns = np.zeros((self.size, len(groups)))
        for number, places in enumerate(groups.values()):
            columns[places, number] = 1.0
        return columns

    def potentials(self, mutual: Complex) -> Complex:
        """Potentials of all electrodes in volts for 1 V at the port, (N,).

        Floating conductors: their columns T have T^T Y (V_0 + T u) = 0.
        """
        V, T = self.drive.astype(complex), self.floating
        if T.shape[1] == 0:
            return V
        currents = toeplitz_product(mutual, np.column_stack([V, T]))
        u = np.linalg.solve(T.T @ currents[:, 1:], -T.T @ currents[:, 0])
        return np.asarray(V + T @ u)

    def admittance(self, mutual: Complex) -> complex:
        """Y in S for an aperture of one metre; ``mutual`` (N or more,) y_0, y_1, ... in S/m."""
        if mutual.size < self.size:
            raise InputError(
                key="mutual",
                found=f"{mutual.size} lags",
                expected=f"as many as electrodes, {self.size}",
            )
        V = self.potentials(mutual)
        # drive^T I = V_port (I_+ - I_-)/2 / V_port
        return complex(self.drive @ toeplitz_product(mutual, V[:, None])[:, 0])

    def conductance_of(self, potentials: Complex, mutual: Complex) -> float:
        """Re(V^H Y V) in S/m for given potentials in volts: twice the power they put in.

        ``mutual`` may be a part of the mutual admittances, whose share of the power this is.
        """
        currents = toeplitz_product(mutual, potentials[:, None])[:, 0]
        return float(np.vdot(potentials, currents).real)


@dataclass(frozen=True)
class CellSet(ElectrodeSet):
    """Whole cells of several electrodes in an endless array of them.

    The characters stand for cells: ``+`` one whose hot electrodes have the voltage of the port,
    ``0`` one whose are grounded. Grounded electrodes stay at zero everywhere, floating ones of each
    cell are in the mutual admittances already. Y is the current of the hot bus-bar for one volt.
    """

    def __post_init__(self) -> None:
        if "+" not in self.pattern or set(self.pattern) - set("+0"):
            raise GeometryError(
                key="pattern", found=f'"{self.pattern[:20]}"', expected="+ and 0, one + or more"
            )

    @property
    def drive(self) -> Array:
        """Potentials of the hot electrodes at a port voltage of 1 V, (N,)."""
        return np.array([1.0 if letter == "+" else 0.0 for letter in self.pattern])


def toeplitz_product(mutual: Complex, potentials: Complex) -> Complex:
    """Currents I_m = sum_n y_(|m-n|) V_n by fast Fourier transform; V is (N, columns)."""
    N = potentials.shape[0]
    length = 2 * N
    # The circulant of order 2N whose upper left block is the Toeplitz matrix.
    circulant = np.concatenate([mutual[:N], [0.0], mutual[N - 1 : 0 : -1]])
    spectrum = np.fft.fft(circulant, length)[:, None] * np.fft.fft(potentials, length, axis=0)
    return np.asarray(np.fft.ifft(spectrum, axis=0)[:N])


def array_admittance(
    electrodes: ElectrodeSet, mutual: Sequence[MutualAdmittances], aperture: float
) -> Complex:
    """Y(f) in S of the set, (F,), at the frequencies of ``mutual``; aperture in metres."""
    if not (np.isfinite(aperture) and aperture > 0.0):
        raise GeometryError(key="aperture", found=f"{aperture:g} m", expected="more than 0")
    return np.array([aperture * electrodes.admittance(one.values) for one in mutual])
