"""Between the points of a sweep: smooth interpolants and polynomial fits, with checked errors.

An interpolant is checked by leaving out every eighth point, eight times over, so that each point
has been foretold once from the others; the error that is told is the largest. It is that of a
table with an eighth of its points missing, and points at the rim are extrapolated by it: it errs
to the safe side. Outside of the box of its points an interpolant refuses.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import InputError
from sawfem.result.sweep_table import SweepTable

Array = NDArray[np.float64]

#: Parts into which the points are dealt for the check.
FOLDS = 8
#: Points up to which every one counts everywhere; beyond, the nearest so many do.
_EVERYWHERE, _NEAREST = 1200, 80
#: Share of an axis that a point may lie outside for rounding.
_SLACK = 1e-9


@dataclass(frozen=True, eq=False)
class SweepInterpolant:
    """One real column of a sweep between its points.

    Attributes
    ----------
    column : of the table; unit and sign are those of its quantity.
    keys : key paths of the axes, in order; low, high : ends of the box, in the axes' units.
    points : number of points it goes through.
    error : largest difference, in the column's unit, at points that were left out of it.
    """

    column: str
    keys: tuple[str, ...]
    low: Array
    high: Array
    points: int
    error: float
    _inner: Callable[[Array], Array] = field(repr=False)

    def __call__(self, places: Sequence[Sequence[float]] | Array) -> Array:
        """Values at places (n, axes) in the axes' units; (n,).

        Raises
        ------
        InputError : a place outside of the box.
        """
        at = np.atleast_2d(np.asarray(places, dtype=float))
        if at.shape[1] != len(self.keys):
            raise InputError(
                key="places",
                found=f"{at.shape[1]} numbers a place",
                expected=f"{len(self.keys)}: {', '.join(self.keys)}",
            )
        shares = (at - self.low) / (self.high - self.low)
        outside = np.argwhere((shares < -_SLACK) | (shares > 1.0 + _SLACK) | np.isnan(shares))
        if outside.size:
            row, axis = (int(n) for n in outside[0])
            raise InputError(
                key=self.keys[axis],
                found=f"{at[row, axis]:g}",
                expected=f"{self.low[axis]:g} to {self.high[axis]:g}, the box of the sweep",
            )
        return self._inner(shares)


def interpolant(table: SweepTable, column: str) -> SweepInterpolant:
    """The interpolant of a real column (or a part of one, as :meth:`SweepTable.real` names it).

    Raises
    ------
    NotFoundError, SawfemError : no such column, or words. InputError : too few points with a
        value, or an axis of words.
    """
    keys, places, values = scattered(table, column)
    if len(values) < 2 * (len(keys) + 2):
        raise InputError(
            key=column,
            found=f"{len(values)} points with a value",
            expected=f"at least {2 * (len(keys) + 2)} for an interpolant over {len(keys)} axes",
        )
    low, high = places.min(axis=0), places.max(axis=0)
    shares = (places - low) / (high - low)
    order = np.random.Generator(np.random.PCG64(0)).random(len(values)).argsort(kind="stable")
    worst = 0.0
    for fold in range(min(FOLDS, len(values))):
        out = order[fold::FOLDS]
        kept = np.setdiff1d(order, out)
        told = smooth(shares[kept], values[kept])(shares[out])
        worst = max(worst, float(np.abs(told - values[out]).max()))
    return SweepInterpolant(column, keys, low, high, len(values), worst, smooth(shares, values))


def smooth(points: Array, values: Array) -> Callable[[Array], Array]:
    """Interpolant through scattered points (n, axes) of the unit box: radial functions r^5 and a
    quadratic trend, which is a natural spline of degree five over one axis (Wahba, Spline Models
    for Observational Data, 1990); of few points r^3 and a linear trend.
    """
    from scipy.interpolate import RBFInterpolator

    centre, scale = float(values.mean()), float(np.ptp(values)) or 1.0
    near = None if len(values) <= _EVERYWHERE else _NEAREST
    axes = points.shape[1]
    rich = len(values) >= (axes + 1) * (axes + 2)
    scaled = (values - centre) / scale
    if rich:
        inner = RBFInterpolator(points, scaled, kernel="quintic", degree=2, neighbors=near)
    else:
        inner = RBFInterpolator(points, scaled, kernel="cubic", degree=1, neighbors=near)
    return lambda at: np.asarray(centre + scale * inner(np.asarray(at, dtype=float)))


def scattered(table: SweepTable, column: str) -> tuple[tuple[str, ...], Array, Array]:
    """Key paths of the axes that vary, (n, axes) their numbers, and (n,) the values of a column,
    at the points that have one.

    Raises InputError for an axis of words.
    """
    values = table.real(column).ravel()
    spread = table.places()
    varied: dict[str, Array] = {}
    for item in table.coordinates:
        if len(set(item.values.tolist())) < 2:
            continue
        if item.is_words:
            raise InputError(
                key=item.key,
                found="an axis of words",
                expected="axes of numbers: hold this one at a value",
            )
        varied[item.key] = np.asarray(spread[item.key], dtype=float)
    if not varied:
        raise InputError(key=column, found="a single point", expected="an axis that varies")
    there = ~np.isnan(values)
    places = np.stack([array[there] for array in varied.values()], axis=1)
    return tuple(varied), places, values[there]


@dataclass(frozen=True, eq=False)
class PolynomialFit:
    """A polynomial in scaled axes, by least squares:

        value = sum_m coefficients[m] prod_a t_a^powers[m][a],
        t_a = (x_a - middle_a) / half_a,   -1 <= t_a <= 1.

    Attributes
    ----------
    column : what is fitted, in its unit. keys : key paths of the axes, in order.
    middle, half : (axes,) of the box, in the axes' units.
    powers : (terms, axes). coefficients : (terms,), unit of the column.
    residual, residual_rms : largest and root-mean-square difference at the points fitted.
    checked : largest difference at points that were left out of the fit (see the module).
    """

    column: str
    keys: tuple[str, ...]
    middle: Array
    half: Array
    powers: NDArray[np.int64]
    coefficients: Array
    residual: float
    residual_rms: float
    checked: float

    def __call__(self, places: Sequence[Sequence[float]] | Array) -> Array:
        """Values at places (n, axes) in the axes' units; (n,)."""
        t = (np.atleast_2d(np.asarray(places, dtype=float)) - self.middle) / self.half
        return np.asarray(_terms(t, self.powers) @ self.coefficients)

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe."""
        return {
            "column": self.column,
            "axes": list(self.keys),
            "middle": self.middle.tolist(),
            "half": self.half.tolist(),
            "powers": self.powers.tolist(),
            "coefficients": self.coefficients.tolist(),
            "residual": self.residual,
            "residual_rms": self.residual_rms,
            "checked_error": self.checked,
        }


def fit_polynomial(table: SweepTable, column: str, degree: int) -> PolynomialFit:
    """Fit all terms up to a total ``degree`` to a real column.

    Raises
    ------
    InputError : fewer than one and a half points a term. Others as :func:`interpolant`.
    """
    keys, places, values = scattered(table, column)
    powers = np.array(
        [p for p in itertools.product(range(degree + 1), repeat=len(keys)) if sum(p) <= degree]
    )
    if len(values) < math.ceil(1.5 * len(powers)):
        raise InputError(
            key=column,
            found=f"{len(values)} points for {len(powers)} terms of degree {degree}",
            expected=f"at least {math.ceil(1.5 * len(powers))} points, or a lower degree",
        )
    low, high = places.min(axis=0), places.max(axis=0)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    terms = _terms((places - middle) / half, powers)
    found = np.linalg.lstsq(terms, values, rcond=None)[0]
    left = terms @ found - values
    order = np.random.Generator(np.random.PCG64(0)).random(len(values)).argsort(kind="stable")
    worst = 0.0
    for fold in range(FOLDS):
        out = order[fold::FOLDS]
        kept = np.setdiff1d(order, out)
        if not out.size or np.linalg.matrix_rank(terms[kept]) < len(powers):
            continue
        other = np.linalg.lstsq(terms[kept], values[kept], rcond=None)[0]
        worst = max(worst, float(np.abs(terms[out] @ other - values[out]).max()))
    return PolynomialFit(
        column=column,
        keys=keys,
        middle=middle,
        half=half,
        powers=powers,
        coefficients=np.asarray(found, dtype=np.float64),
        residual=float(np.abs(left).max()),
        residual_rms=float(np.sqrt(np.mean(left**2))),
        checked=max(worst, float(np.abs(left).max())),
    )


def _terms(t: Array, powers: NDArray[np.int64]) -> Array:
    """Products of powers of the scaled axes, (n, terms)."""
    return np.asarray(np.prod(t[:, None, :] ** powers[None, :, :], axis=2))


def real_parts(table: SweepTable) -> Mapping[str, str]:
    """Every real number that a table holds: column or "column.part" -> its column."""
    from sawfem.result.sweep_table import quantity_of

    found: dict[str, str] = {}
    for name, array in table.values.items():
        form = quantity_of(name).form
        if form == "pair":
            found |= {f"{name}.lower": name, f"{name}.upper": name}
        elif form == "complex" and not table.is_real(name):
            found |= {f"{name}.real": name, f"{name}.imaginary": name}
        elif array.dtype.kind in "ifc":
            found[name] = name
    return found
