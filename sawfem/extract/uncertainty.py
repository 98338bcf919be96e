"""Numerical uncertainty of grating constants, from the same grating on two meshes.

The bar of an edge or of a capacitance is the distance between a mesh and one with an order and a
grading more; the finer value is reported. (Measured against finer meshes on niobate, tantalate
and quartz the bar was 5 to 50 times the error left in the finer value.) Where two errors cross, the
distance of one edge may vanish by accident while its neighbours move: no edge gets less than
LEAST of the largest bar among them. Attenuations, the imaginary parts of edges, are treated alike.

Quantities made of several edges do not get the difference of their own two values: errors of two
edges may cancel in it by accident. They get what the edges leave open. A mesh moves all edges
alike, though, the more so the weaker the crystal couples, and of edges of one standing wave,
shorted and open, what is apart between the meshes is what counts: on ST-cut quartz a hundredth or
less of the bars themselves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from sawfem.extract.constants import GratingConstants
from sawfem.extract.loss_budget import LossBudget

#: Least bar of an edge over the largest one of the four.
LEAST = 0.1

#: What rounding leaves in the phase of k, which a mirror makes 0 or pi.
ROUNDED = 1e-6
#: The attenuations: those of two edges, and the mean of the shorted ones.
ATTENUATIONS = ("attenuation", "attenuation_open", "attenuation_coupled")
#: Constants whose bar is the plain difference.
_PLAIN = (
    "stopband_short",
    "stopband_open",
    "capacitance_per_pair",
    "capacitance_fitted_per_pair",
    "attenuation",
    "attenuation_open",
    "attenuation_coupled",
    "capacitance_loss",
    "capacitance_slope",
    "phase_over_group_velocity",
)


def numerical_uncertainty(coarse: GratingConstants, fine: GratingConstants) -> dict[str, Any]:
    """Absolute bars under the names of the constants that have one.

    With b1, b2 the bars of the shorted edges f1, f2, and d1 .. d4 what those and the open edges f3,
    f4 move by from mesh to mesh,

        velocity    p (b1 + b2)
        reflection  pi max[|d1 - d2|, LEAST (b1 + b2)]/(f1 + f2), each part of a complex one
                    at least that
        transduction, relative   1/2 [bar(C)/C + D/(f3 + f4 - f1 - f2)]
                    D = min(|d3 - d1| + |d4 - d2|, |d4 - d1| + |d3 - d2|)
        K_eff^2     |dK/dx| x |d_r/f_r - d_a/f_a| + LEAST K_eff^2 bar(C)/C,  x = (pi/2) f_r/f_a

    since a^2 is proportional to C times the sum of the open detunings.
    """
    bars: dict[str, Any] = {}
    for name in _PLAIN:
        bar = difference(getattr(coarse, name), getattr(fine, name))
        if bar is not None:
            bars[name] = bar
    _widen(bars)
    short, open_ = _complete(fine.stopband_short), _complete(fine.stopband_open)
    if short is None:
        return bars
    b_short = sum(_complete(bars["stopband_short"]) or (0.0, 0.0))
    bars["velocity"] = fine.pitch * b_short
    moved = _moved(coarse, fine)
    if fine.reflection_per_electrode is None or open_ is None or moved is None:
        return bars
    apart = max(abs(moved[0] - moved[1]), LEAST * b_short)
    bars["reflection_per_electrode"] = _reflection(coarse, fine, math.pi * apart / sum(short))
    capacitance = fine.capacitance_fitted_per_pair
    dielectric = bars["capacitance_fitted_per_pair"] / capacitance if capacitance else 0.0
    spread = abs(sum(open_) - sum(short))
    if fine.transduction_per_electrode is not None and capacitance and spread > 0.0:
        relative = 0.5 * (dielectric + _apart(moved) / spread)
        bars["transduction_per_electrode"] = _transduction(coarse, fine, relative)
    for name in ("reflection", "transduction"):
        if f"{name}_per_electrode" in bars:
            bars[f"{name}_back_per_electrode"] = bars[f"{name}_per_electrode"]
    if fine.coupling_k2_effective is not None:
        bars["coupling_k2_effective"] = _coupling(fine, moved, dielectric)
    return bars


def _moved(
    coarse: GratingConstants, fine: GratingConstants
) -> tuple[float, float, float, float] | None:
    """What the four edges move by from the fine mesh to the coarse one, hertz: shorted, open."""
    pairs = [
        _complete(pair)
        for constants in (coarse, fine)
        for pair in (constants.stopband_short, constants.stopband_open)
    ]
    if any(pair is None for pair in pairs):
        return None
    before, after = (
        [edge for pair in some if pair for edge in pair] for some in (pairs[:2], pairs[2:])
    )
    d1, d2, d3, d4 = (a - b for a, b in zip(before, after, strict=True))
    return d1, d2, d3, d4


def _apart(moved: tuple[float, float, float, float]) -> float:
    """D of :func:`numerical_uncertainty`: edges of one standing wave move alike."""
    d1, d2, d3, d4 = moved
    return min(abs(d3 - d1) + abs(d4 - d2), abs(d4 - d1) + abs(d3 - d2))


def _coupling(
    fine: GratingConstants, moved: tuple[float, float, float, float], dielectric: float
) -> float:
    """Bar of K_eff^2; ``dielectric`` is the relative one of C."""
    short, open_ = _complete(fine.stopband_short), _complete(fine.stopband_open)
    assert short is not None
    assert open_ is not None
    assert fine.coupling_k2_effective is not None
    lower = 0 if fine.resonant_edge == "lower" else 1
    resonance, quiet = short[lower], short[1 - lower]
    upper = max(range(2), key=lambda edge: abs(open_[edge] - quiet))
    x = 0.5 * math.pi * resonance / open_[upper]
    slope = 1.0 / math.tan(x) - x / math.sin(x) ** 2
    apart = abs(moved[lower] / resonance - moved[2 + upper] / open_[upper])
    return abs(slope) * x * apart + LEAST * fine.coupling_k2_effective * dielectric


def beyond_first_order(
    bars: Mapping[str, Any], losses: LossBudget, constants: GratingConstants
) -> dict[str, Any]:
    """The same bars, wider by what the losses of materials leave out beyond first order: those of
    the edges, and of the velocity.
    """
    wider = dict(bars)
    left = np.broadcast_to(losses.remainder, losses.frequency.shape)
    count = sum(value is not None for value in constants.stopband_short)
    for name, some in (("stopband_short", left[:count]), ("stopband_open", left[count:])):
        if name in bars and some.size:
            # Edges may change places where they lie close: the larger of two bounds serves both.
            more = float(some.max())
            wider[name] = tuple(None if bar is None else bar + more for bar in bars[name])
    if "velocity" in bars and count == 2:
        wider["velocity"] = bars["velocity"] + 2.0 * constants.pitch * float(left[:count].max())
    return wider


def _widen(bars: dict[str, Any]) -> None:
    """Give every edge LEAST of the largest bar of an edge, and every attenuation that of the
    largest bar of one, in place.
    """
    names = [name for name in ("stopband_short", "stopband_open") if name in bars]
    least = LEAST * max((bar or 0.0 for name in names for bar in bars[name]), default=0.0)
    for name in names:
        bars[name] = tuple(None if bar is None else max(bar, least) for bar in bars[name])
    losses = [name for name in ATTENUATIONS if name in bars]
    least = LEAST * max((bars[name] for name in losses), default=0.0)
    for loss in losses:
        bars[loss] = max(bars[loss], least)


def _complete(pair: tuple[float | None, float | None]) -> tuple[float, float] | None:
    low, high = pair
    return None if low is None or high is None else (low, high)


def _reflection(coarse: GratingConstants, fine: GratingConstants, size: float) -> complex:
    """Bar of k p: the two values apart, but at least what the edges leave open."""
    apart: complex = difference(coarse.reflection_per_electrode, fine.reflection_per_electrode)
    value = fine.reflection_per_electrode
    assert value is not None
    # In a cell with a mirror the phase is 0 or pi, whatever the mesh: what is imaginary is loss.
    mirror = value.imag == 0.0 or fine.reflection_back_per_electrode == value
    imaginary = max(apart.imag, ROUNDED * abs(value) if mirror else size)
    return complex(max(apart.real, size), imaginary)


def _transduction(coarse: GratingConstants, fine: GratingConstants, relative: float) -> complex:
    """Bar of a p; its imaginary part, which is loss, moves by itself."""
    value = fine.transduction_per_electrode
    assert value is not None
    apart: complex | None = difference(coarse.transduction_per_electrode, value)
    imaginary = relative * abs(value.imag)
    return complex(relative * abs(value), max(imaginary, apart.imag if apart else 0.0))


def difference(a: Any, b: Any) -> Any:
    """|a - b|, part by part for pairs and complex numbers; None where either is missing."""
    if a is None or b is None:
        return None
    if isinstance(a, tuple):
        return tuple(difference(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, complex):
        return complex(abs(a.real - b.real), abs(a.imag - b.imag))
    return abs(a - b)


def edge_error(constants: GratingConstants) -> float:
    """Largest relative error bar of an edge."""
    worst = 0.0
    for name in ("stopband_short", "stopband_open"):
        values, bars = getattr(constants, name), constants.numerical.get(name, (None, None))
        for value, bar in zip(values, bars, strict=True):
            if value is not None and bar is not None:
                worst = max(worst, bar / value)
    return worst
