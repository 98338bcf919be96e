"""Fits of a one-port: its data, and the constants of its grating; circuits: circuitfit.py.

Data are S of one port between ``reference``, whose noise is alike at every frequency but for known
``weights``; or, with ``quantity = "admittance"``, Y with noise in proportion to |Y|, as bridges
have it (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError
from sawfem.measured.leastsquares import Estimate, Model, fit
from sawfem.measured.oneport import PARAMETERS, OnePort
from sawfem.measured.slopes import Sloped

Quantity = Literal["scattering", "admittance"]

#: Reach and steps of the search for the velocity, relative; loss while searching, share of f.
REACH, STEPS, BROAD = 0.02, 81, 2.5e-3
#: Most points of that search, and how many of its minima are followed.
SEARCH_POINTS, FOLLOWED = 160, 3
#: Endings of the names of parameters that a passive device has at zero or above.
LOSSES = ("propagation_loss", "resistance", "conductance")


@dataclass(frozen=True, eq=False)
class OnePortData:
    """What is fitted to.

    Attributes
    ----------
    frequency : (K,) Hz. scattering : (K,) S11. reference : (K,) ohm.
    quantity : what the residuals are of. weights : (K,) of the noise of S; None for ones.
    noise : standard deviation of each part of S, or of Y over |Y|; None to estimate it.
    """

    frequency: FloatArray = field(repr=False)
    scattering: ComplexArray = field(repr=False)
    reference: ComplexArray = field(repr=False)
    quantity: Quantity = "scattering"
    weights: FloatArray | None = field(default=None, repr=False)
    noise: float | None = None

    @property
    def admittance(self) -> ComplexArray:
        """Y (K,) in siemens: (1 - S)/(z* + z S)."""
        s, z = self.scattering, self.reference
        return np.asarray((1.0 - s) / (z.conj() + z * s))

    @property
    def values(self) -> ComplexArray:
        """What residuals are taken of, (K,)."""
        return self.scattering if self.quantity == "scattering" else self.admittance

    @property
    def spread(self) -> FloatArray | None:
        """Weights of the noise of :attr:`values`."""
        return self.weights if self.quantity == "scattering" else np.abs(self.admittance)

    def seen(self, y: Sloped) -> tuple[ComplexArray, ComplexArray]:
        """A model's admittance as what residuals are taken of, (K,), and slopes (P, K)."""
        if self.quantity == "admittance":
            return y.value, y.slope
        z = self.reference
        below = 1.0 + z * y.value
        s = (1.0 - z.conj() * y.value) / below
        return s, y.slope * (-2.0 * z.real / below**2)


@dataclass(frozen=True, eq=False)
class OnePortFit:
    """A fit and the model that it found.

    Attributes
    ----------
    data, estimate : what was fitted to, and the free parameters.
    names, values, start : of all parameters (P,), the fixed ones too.
    admittance : Y (K,) of the fitted model in siemens; ``begin`` that of the start.
    held : sentences about losses that came out negative and were held at zero.
    """

    data: OnePortData
    estimate: Estimate
    names: tuple[str, ...]
    values: FloatArray
    start: FloatArray
    admittance: ComplexArray = field(repr=False)
    begin: ComplexArray = field(repr=False)
    held: tuple[str, ...] = ()

    @property
    def scattering(self) -> ComplexArray:
        """S11 (K,) of the fitted model."""
        z = self.data.reference
        return np.asarray((1.0 - z.conj() * self.admittance) / (1.0 + z * self.admittance))

    @property
    def covariance(self) -> FloatArray:
        """(P, P) of all parameters, with zeros for fixed ones."""
        full = np.zeros((len(self.names),) * 2)
        free = [self.names.index(name) for name in self.estimate.names]
        full[np.ix_(free, free)] = self.estimate.covariance
        return full


def restricted(
    data: OnePortData,
    sloped: Callable[[FloatArray], Sloped],
    full: FloatArray,
    free: Sequence[int],
) -> Model:
    """The model of the free parameters alone; the others stay at ``full``."""
    chosen = list(free)

    def model(x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        whole = full.copy()
        whole[chosen] = x
        values, slopes = data.seen(sloped(whole))
        return values, slopes[chosen]

    return model


def positions(free: Sequence[str] | None, names: Sequence[str]) -> list[int]:
    """Places of the free parameters, all where None. Raises InputError for an unknown name."""
    if free is None:
        return list(range(len(names)))
    unknown = [name for name in free if name not in names]
    if unknown or not free:
        found = f'"{unknown[0]}"' if unknown else "none"
        raise InputError(key="free", found=found, expected=f"among {', '.join(names)}")
    return [n for n, name in enumerate(names) if name in free]


def fit_resonator(
    port: OnePort,
    data: OnePortData,
    *,
    propagation_loss: float = 0.0,
    resistance: float = 0.0,
    free: Sequence[str] | None = None,
    search: bool = True,
) -> OnePortFit:
    """The constants of a resonator of known geometry.

    Parameters
    ----------
    propagation_loss, resistance : to start from; dB/s, ohm.
    free : names of the parameters sought, all where left out; the others stay as they are.
    search : look for the velocity within two per cent first; without it the start must be good.

    A loss that comes out negative is held at zero, and the rest fitted again: see ``held``.

    Raises InputError as :func:`sawfem.measured.leastsquares.fit`.
    """
    begin = port.start(propagation_loss, resistance)
    chosen = positions(free, PARAMETERS)
    starts = [begin]
    if search and 0 in chosen:
        starts = _aligned(port, data, begin)

    def once(held: Sequence[str]) -> OnePortFit:
        fixed = [PARAMETERS.index(name) for name in held]
        moved = [start.copy() for start in starts]
        for start in moved:
            start[fixed] = 0.0
        return _fitted_port(port, data, moved, [n for n in chosen if n not in fixed])

    found = passive(once)
    return replace(found, start=begin, begin=port.admittance(begin, data.frequency))


def passive(once: Callable[[Sequence[str]], OnePortFit]) -> OnePortFit:
    """Fit, hold the loss that is farthest below zero at zero, and fit again, while there is one."""
    held: list[str] = []
    told: list[str] = []
    while True:
        found = once(held)
        estimate = found.estimate
        below = [
            (value / error, name, value, half)
            for name, value, error, half in zip(
                estimate.names,
                estimate.values,
                estimate.standard_errors,
                estimate.half_widths,
                strict=True,
            )
            if name.endswith(LOSSES) and value < 0.0
        ]
        if not below:
            return replace(found, held=tuple(told))
        _, name, value, half = min(below)
        sure = "" if -value <= half else ", surely below zero: model or calibration is wrong"
        told.append(f"{name} came out as {value:.3g} +- {half:.2g} and is held at zero{sure}")
        held.append(name)


def _fitted_port(
    port: OnePort, data: OnePortData, starts: Sequence[FloatArray], chosen: Sequence[int]
) -> OnePortFit:
    """The best of the fits from several starts."""
    f, picked = data.frequency, list(chosen)
    best: tuple[Estimate, FloatArray] | None = None
    for start in starts:
        model = restricted(data, lambda x: port.sloped(x, f), start, picked)
        found = fit(
            model,
            data.values,
            start[picked],
            port.scale(f)[picked],
            tuple(PARAMETERS[n] for n in picked),
            weights=data.spread,
            noise=data.noise,
        )
        if best is None or found.cost < best[0].cost:
            whole = start.copy()
            whole[picked] = found.values
            best = found, whole
    assert best is not None
    return OnePortFit(
        data=data,
        estimate=best[0],
        names=PARAMETERS,
        values=best[1],
        start=starts[0],
        admittance=port.admittance(best[1], f),
        begin=port.admittance(starts[0], f),
    )


def _aligned(port: OnePort, data: OnePortData, begin: FloatArray) -> list[FloatArray]:
    """Starts at the velocities that fit best when the resonances are made broad.

    A resonance that is off by more than its width gives a search no slope: while the velocity is
    looked for, losses blur model and data are thinned out.
    """
    every = max(1, -(-data.frequency.size // SEARCH_POINTS))
    thin = replace(
        data,
        frequency=data.frequency[::every],
        scattering=data.scattering[::every],
        reference=data.reference[::every],
        weights=None if data.weights is None else data.weights[::every],
    )
    spread = thin.spread
    weight = 1.0 if spread is None else spread
    blur = 2.0 * np.pi * float(data.frequency.mean()) * BROAD * 20.0 / np.log(10.0)
    factors = 1.0 + np.linspace(-REACH, REACH, STEPS)
    costs = []
    for factor in factors:
        x = begin * np.array([factor, 1.0, 1.0, 1.0, 1.0, 1.0])
        x[4] = max(x[4], blur)
        values, _ = thin.seen(port.sloped(x, thin.frequency, slopes=False))
        costs.append(float(np.sum(np.abs((values - thin.values) / weight) ** 2)))
    cost = np.pad(np.array(costs), 1, constant_values=np.inf)
    low = np.flatnonzero((cost[1:-1] <= cost[:-2]) & (cost[1:-1] <= cost[2:]))
    low = low[np.argsort(cost[1:-1][low])][:FOLLOWED]
    return [begin * np.array([factors[n], 1.0, 1.0, 1.0, 1.0, 1.0]) for n in low]
