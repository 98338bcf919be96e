"""Limits on a response, and by how much a device keeps or misses them.

Quantities over frequency, from port 1 to port 2 unless said otherwise:

    insertion_loss    -20 log10 |S21|, dB           return_loss  the least -20 log10 |Sii|, dB
    ripple            largest minus least insertion loss inside the limit's band, dB
    group_delay       -d(arg S21)/dw, s             delay_variation  largest minus least of it, s

and every figure of the response that is a real number (resonance, quality_factor_resonance,
bandwidth, ...), which need no band. The worst value is the one nearest to, or farthest beyond,
the limit over the band and all temperatures. Margins are positive where the limit is kept:

    margin = at_most - worst    or    worst - at_least.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sawfem.device.network import group_delay
from sawfem.device.pmatrix import FloatArray
from sawfem.device.response import Response
from sawfem.errors import InputError

#: Quantities that are curves over frequency.
CURVES = ("insertion_loss", "return_loss", "group_delay")
#: Quantities that are one number of a band.
SPREADS = {"ripple": "insertion_loss", "delay_variation": "group_delay"}
#: Frequencies at which each limit is looked at, ends included.
POINTS = 201


@dataclass(frozen=True)
class Limit:
    """One line of a specification, SI units; ``start`` and ``stop`` None for a figure.

    Raises InputError for a limit on nothing, or on a band for a curve that has none.
    """

    name: str
    quantity: str
    start: float | None = None
    stop: float | None = None
    at_most: float | None = None
    at_least: float | None = None

    def __post_init__(self) -> None:
        if self.at_most is None and self.at_least is None:
            raise InputError(key="at_most", found="nothing", expected="at_most or at_least")
        if self.over_frequency and (self.start is None or self.stop is None):
            raise InputError(
                key="from", found="nothing", expected=f"a band from, to for {self.quantity}"
            )
        if self.start is not None and self.stop is not None and self.stop < self.start:
            raise InputError(key="to", found="below from", expected="to above from")
        if None not in (self.at_most, self.at_least) and self.at_most < self.at_least:  # type: ignore[operator]
            raise InputError(key="at_most", found="below at_least", expected="at_most above it")

    @property
    def over_frequency(self) -> bool:
        """Whether the quantity is read from a band of frequencies."""
        return self.quantity in CURVES or self.quantity in SPREADS

    def grid(self, points: int = POINTS) -> FloatArray:
        """Frequencies at which a curve is looked at, Hz, ends included."""
        assert self.start is not None
        assert self.stop is not None
        if self.stop == self.start:
            return self.start * (1.0 + 1e-5 * np.array([-1.0, 0.0, 1.0]))
        return np.linspace(self.start, self.stop, points)


@dataclass(frozen=True)
class Verdict:
    """What became of one limit.

    Attributes
    ----------
    limit, kind : the line and "at_most" or "at_least".
    worst : value nearest to or farthest beyond the limit; None where it does not exist (with
        ``reason``). at : Hz where it stands, None for a figure.
    bound : the limit itself. margin : positive where it is kept. met : whether it is.
    temperature : degrees Celsius of the worst value.
    """

    limit: Limit
    kind: str
    worst: float | None
    at: float | None
    bound: float
    margin: float | None
    met: bool
    temperature: float
    reason: str = ""


def grid_of(limits: Iterable[Limit], points: int = POINTS) -> FloatArray:
    """All frequencies that the limits look at, increasing, Hz; empty without curves."""
    grids = [limit.grid(points) for limit in limits if limit.over_frequency]
    return np.unique(np.concatenate(grids)) if grids else np.empty(0)


def curve(quantity: str, response: Response) -> FloatArray:
    """A quantity over the response's frequencies, (F,).

    Raises InputError for one that this device does not have.
    """
    if quantity == "return_loss":
        ports = range(response.ports)
        with np.errstate(divide="ignore"):
            return np.asarray(
                np.min([-20.0 * np.log10(np.abs(response.s[:, i, i])) for i in ports], axis=0)
            )
    if response.ports < 2:
        raise InputError(key="quantity", found=f"{quantity} of one port", expected="two ports")
    if quantity == "insertion_loss":
        return response.insertion_loss
    return group_delay(response.frequency, response.s[:, 1, 0])


def _read(limit: Limit, response: Response) -> tuple[FloatArray, FloatArray] | float | str:
    """Values and their frequencies, a figure, or why there is none."""
    if not limit.over_frequency:
        figure = response.figures.get(limit.quantity)
        if figure is None:
            return response.reasons.get(limit.quantity, "this device has no such figure")
        return float(figure.value.real)
    assert limit.start is not None
    assert limit.stop is not None
    f = response.frequency
    slack = 1e-12 * f[-1]
    inside = (f >= limit.start - slack) & (f <= limit.stop + slack)
    if limit.quantity in SPREADS:
        values = curve(SPREADS[limit.quantity], response)[inside]
        middle = 0.5 * (limit.start + limit.stop)
        return np.array([np.ptp(values)]), np.array([middle])
    return curve(limit.quantity, response)[inside], f[inside]


def judge(limits: Sequence[Limit], responses: Mapping[float, Response]) -> tuple[Verdict, ...]:
    """Compare responses at several temperatures (degrees Celsius) with limits.

    ``responses`` hold the frequencies of :func:`grid_of`. A limit with both bounds gives two
    verdicts. Raises InputError for a quantity that the device does not have.
    """
    found = []
    for limit in limits:
        for kind in ("at_most", "at_least"):
            bound = getattr(limit, kind)
            if bound is not None:
                found.append(_verdict(limit, kind, bound, responses))
    return tuple(found)


def _verdict(limit: Limit, kind: str, bound: float, responses: Mapping[float, Response]) -> Verdict:
    """One bound of a limit against the responses at all temperatures: the least margin."""
    sign = -1.0 if kind == "at_most" else 1.0
    worst: tuple[float, float, float | None, float] | None = None
    for celsius, response in responses.items():
        read = _read(limit, response)
        if isinstance(read, str):
            return Verdict(limit, kind, None, None, bound, None, False, celsius, read)
        values, places = read if isinstance(read, tuple) else (np.array([read]), None)
        margins = sign * (values - bound)
        low = int(np.argmin(np.where(np.isnan(margins), -np.inf, margins)))
        at = None if places is None else float(places[low])
        if worst is None or margins[low] < worst[0]:
            worst = (float(margins[low]), float(values[low]), at, celsius)
    assert worst is not None
    margin, value, at, celsius = worst
    return Verdict(limit, kind, value, at, bound, margin, margin >= 0.0, celsius)


def responses_at(
    limits: Sequence[Limit],
    temperatures: Iterable[float],
    answer: Callable[[float, FloatArray], Response],
    listed: FloatArray,
    *,
    points: int = POINTS,
) -> dict[float, Response]:
    """Responses for :func:`judge`: ``answer(celsius, frequencies)`` at each temperature.

    ``listed`` are the frequencies of the response, used where the limits name figures alone, whose
    reading depends on them; ``points`` those of each limit.
    """
    grid = grid_of(limits, points)
    if any(not limit.over_frequency for limit in limits):
        grid = np.union1d(grid, listed)
    return {celsius: answer(celsius, grid) for celsius in temperatures}
