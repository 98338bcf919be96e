"""Parameters of a model by least squares on complex data, and how sure they are.

Every datum is complex; its real and its imaginary part carry independent noise of one standard
deviation s w_k, w_k known and s given or estimated. With the 2K weighted real residuals r of K data
and their Jacobian J by P parameters

    S = sum r^2,   s^2 = S/(2K - P),   cov = s^2 (J^T J)^-1,   x_n +- t_(0.975, 2K - P) sqrt(cov_nn)

(Draper & Smith, Applied Regression Analysis, 3rd ed., 1998, ch. 24; Seber & Wild, Nonlinear
Regression, 1989, sec. 5.1; from memory; held against certified values in tests/reference). With s
given the covariance takes it, the quantile is that of the normal distribution, and S/s^2 over its
degrees of freedom tells whether model and noise are enough.

These intervals hold for noise. Residuals that follow one another are a model that does not fit:
their autocorrelation is tested (Ljung & Box, Biometrika 65, 297 (1978); from memory), and where
they do, the intervals are widened by the square root of the autocorrelation time, and said not to
cover the error of the model. (Measured: noise whose neighbours correlate by 0.3 to 0.85 leaves the
truth inside 82 to 99 % of the intervals so widened, of nominally 95.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy import optimize, stats

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError

#: x (P,) -> model (K,) and its slopes (P, K).
Model = Callable[[FloatArray], tuple[ComplexArray, ComplexArray]]

#: Confidence of the intervals, and the chance at which a misfit is called one.
CONFIDENCE, SUSPICION = 0.95, 1.0e-3
#: Most lags of the autocorrelation test, and data for each of them: with more of them its chance
#: of 1e-3 would be passed by white noise several times as often (measured, 40 to 1,000 data).
LAGS, SHARE = 6, 25
#: Residuals below this share of the data are rounding.
ROUNDING = 1.0e-10
#: Parameters whose columns of J are closer to one another than this cannot be told apart.
SINGULAR = 1.0e-10


@dataclass(frozen=True, eq=False)
class Estimate:
    """Fitted parameters.

    Attributes
    ----------
    names : of the P parameters. values, standard_errors, half_widths : (P,); half widths are those
        of the 95 % intervals, widened where ``noise_like`` is false.
    covariance : (P, P), not widened. correlation : (P, P).
    residual : (K,) data - model over w, complex. noise : s, standard deviation of each part.
    freedom : 2K - P. chi_square : S/(freedom s^2) for a given s; None where s was estimated.
    whiteness : chance that noise alone gives residuals that follow one another as much.
    widened : factor that the half widths hold for residuals that are not noise.
    noise_like : whether the residuals look like noise, of the given level if there is one.
    converged : whether the search ended by its tolerances. told : sentences.
    """

    names: tuple[str, ...]
    values: FloatArray
    covariance: FloatArray
    half_widths: FloatArray
    residual: ComplexArray = field(repr=False)
    noise: float
    freedom: int
    chi_square: float | None
    whiteness: float
    widened: float
    noise_like: bool
    converged: bool
    evaluations: int
    told: tuple[str, ...] = ()

    @property
    def standard_errors(self) -> FloatArray:
        """(P,) roots of the diagonal of the covariance."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> FloatArray:
        """(P, P), ones on the diagonal; of data without any noise the identity."""
        errors = self.standard_errors
        if not np.all(errors > 0.0):
            return np.eye(errors.size)
        return self.covariance / np.outer(errors, errors)

    @property
    def cost(self) -> float:
        """S, the sum of squared weighted residuals."""
        return float(np.sum(np.abs(self.residual) ** 2))

    def of(self, function: FloatArray, slopes: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Values (Q,) of functions of the parameters and their half widths, by slopes (Q, P)."""
        spread = np.sqrt(np.einsum("qp,pr,qr->q", slopes, self.covariance, slopes))
        ratio = self.half_widths / np.where(self.standard_errors > 0.0, self.standard_errors, 1.0)
        return function, spread * float(ratio.max())


def fit(
    model: Model,
    data: ComplexArray,
    start: FloatArray,
    scale: FloatArray,
    names: tuple[str, ...],
    *,
    weights: FloatArray | None = None,
    noise: float | None = None,
    evaluations: int = 200,
) -> Estimate:
    """Fit a model to complex data.

    Parameters
    ----------
    model : x (P,) -> values (K,) and slopes (P, K).
    data : (K,). start : (P,). scale : (P,) about how far each parameter may move; positive.
    weights : (K,) w of the noise, one where left out. noise : s, None to estimate it.
    evaluations : of the model, at most; what is best by then is returned, and said.

    Raises
    ------
    InputError : fewer data than parameters, or parameters that the data cannot tell apart.
    """
    count, freedom = data.size, 2 * data.size - start.size
    if freedom < 1:
        raise InputError(
            key="fit", found=f"{count} points", expected=f"more than {start.size / 2:g}"
        )
    w = np.ones(count) if weights is None else weights
    known: dict[bytes, tuple[ComplexArray, ComplexArray]] = {}

    def at(x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        key = x.tobytes()
        if key not in known:
            known.clear()
            values, slopes = model(x * scale)
            known[key] = (values, np.broadcast_to(slopes, (start.size, count)))
        return known[key]

    def residual(x: FloatArray) -> FloatArray:
        apart = (at(x)[0] - data) / w
        return np.concatenate([apart.real, apart.imag])

    def jacobian(x: FloatArray) -> FloatArray:
        slopes = at(x)[1] * scale[:, None] / w
        return np.concatenate([slopes.real, slopes.imag], axis=1).T

    found = optimize.least_squares(
        residual,
        start / scale,
        jacobian,
        method="lm",
        x_scale="jac",
        xtol=1e-10,
        ftol=1e-12,
        gtol=1e-12,
        max_nfev=evaluations,
    )
    slopes = jacobian(found.x)
    inverse = _inverse(slopes, names)
    rest = residual(found.x)
    apart = -(rest[:count] + 1j * rest[count:])
    size = float(np.sqrt(np.mean(np.abs(data / w) ** 2)))
    covariance = inverse * np.outer(scale, scale)
    return _judged(names, found.x * scale, covariance, apart, noise, found, size)


def _inverse(jacobian: FloatArray, names: tuple[str, ...]) -> FloatArray:
    """(J^T J)^-1 by the singular values of J with columns of unit length.

    Raises InputError for a parameter without influence and for parameters that act alike.
    """
    lengths = np.linalg.norm(jacobian, axis=0)
    if not np.all(np.isfinite(lengths)) or np.any(lengths == 0.0):
        idle = [name for name, size in zip(names, lengths, strict=True) if not size > 0.0]
        raise InputError(
            key="fit",
            found=f"no influence of {', '.join(idle) or 'a parameter'} on the data",
            expected="to leave it out of free",
        )
    _, values, right = np.linalg.svd(jacobian / lengths, full_matrices=False)
    if values[-1] < SINGULAR * values[0]:
        alike = np.argsort(-np.abs(right[-1]))[:2]
        raise InputError(
            key="fit",
            found=" and ".join(names[int(n)] for n in alike) + " acting alike on the data",
            expected="to leave one of them out of free",
        )
    scaled = right.T / values
    return np.asarray(scaled @ scaled.T / np.outer(lengths, lengths))


def _held_against(chi_square: float, freedom: int) -> tuple[bool, list[str]]:
    """Whether residuals are as small as the noise that was given, and what is odd about them.

    ``chi_square`` is the reduced one; times ``freedom`` it is distributed as chi^2 of so many
    degrees of freedom where model and noise are right.
    """
    told = []
    ratio = np.sqrt(chi_square)
    enough = float(stats.chi2.sf(chi_square * freedom, freedom)) >= SUSPICION
    if not enough:
        told.append(
            f"residuals are {ratio:.3g} times the noise that was given: model or noise is wrong, "
            "and the intervals take the residuals for noise"
        )
    if float(stats.chi2.cdf(chi_square * freedom, freedom)) < SUSPICION:
        told.append(
            f"residuals are only {ratio:.3g} of the noise that was given: it is too large, and "
            "the intervals with it"
        )
    return enough, told


def _judged(
    names: tuple[str, ...],
    values: FloatArray,
    inverse: FloatArray,
    residual: ComplexArray,
    noise: float | None,
    found: optimize.OptimizeResult,
    size: float,
) -> Estimate:
    """Noise, intervals and whether the residuals are noise at all; ``size`` is that of the data."""
    freedom = 2 * residual.size - values.size
    total = float(np.sum(np.abs(residual) ** 2))
    estimated = float(np.sqrt(total / freedom))
    told = []
    exact = estimated < ROUNDING * size
    whiteness, time = (1.0, 1.0) if exact else follow(residual)
    if exact:
        told.append(
            "nothing but rounding is left: data without noise, whose intervals mean nothing"
        )
    white = whiteness >= SUSPICION
    used, quantile = estimated, float(stats.t.ppf(0.5 + 0.5 * CONFIDENCE, freedom))
    chi_square, enough = None, True
    if noise is not None:
        chi_square = total / (freedom * noise**2)
        enough, sentences = _held_against(chi_square, freedom)
        told += sentences
        if enough:
            used, quantile = noise, float(stats.norm.ppf(0.5 + 0.5 * CONFIDENCE))
    widened = 1.0 if white else float(np.sqrt(max(1.0, time)))
    if not white:
        told.append(
            f"residuals follow one another (chance {whiteness:.1g}): the model does not fit the "
            f"data to their noise; intervals are widened by {widened:.3g} and do not cover the "
            "error of the model"
        )
    converged = bool(found.success)
    if not converged:
        told.append(f"the search ended after {found.nfev} evaluations: best so far")
    covariance = used**2 * inverse
    return Estimate(
        names=names,
        values=values,
        covariance=covariance,
        half_widths=quantile * widened * np.sqrt(np.diag(covariance)),
        residual=residual,
        noise=used,
        freedom=freedom,
        chi_square=chi_square,
        whiteness=whiteness,
        widened=widened,
        noise_like=white and enough,
        converged=converged,
        evaluations=int(found.nfev),
        told=tuple(told),
    )


def autocorrelation(residual: ComplexArray, lags: int) -> tuple[FloatArray, FloatArray]:
    """Of the real and of the imaginary parts, lags 1 .. ``lags``; each (lags,)."""
    found = []
    for part in (residual.real, residual.imag):
        centred = part - part.mean()
        power = float(centred @ centred) or 1.0
        found.append(
            np.array([float(centred[n:] @ centred[:-n]) / power for n in range(1, lags + 1)])
        )
    return found[0], found[1]


def follow(residual: ComplexArray) -> tuple[float, float]:
    """Chance that white noise follows itself as much (Ljung-Box), and the autocorrelation time.

    Q = K (K + 2) sum_n rho_n^2/(K - n) of each part; both add up to chi square of 2 h degrees of
    freedom over h lags. The time is 1 + 2 sum rho_n up to where the mean of both parts turns
    negative: the factor by which K data that follow one another say less than K independent ones.
    Fewer than 8 data say nothing: (1, 1).
    """
    count = residual.size
    if count < 8 or not np.any(np.abs(residual) > 0.0):
        return 1.0, 1.0
    lags = max(1, min(LAGS, count // SHARE))
    both = autocorrelation(residual, lags)
    weight = count * (count + 2.0) / (count - np.arange(1, lags + 1))
    total = float(sum(np.sum(weight * part**2) for part in both))
    long = autocorrelation(residual, count // 2)
    mean = 0.5 * (long[0] + long[1])
    negative = np.flatnonzero(mean <= 0.0)
    last = int(negative[0]) if negative.size else mean.size
    return float(stats.chi2.sf(total, 2 * lags)), float(1.0 + 2.0 * np.sum(mean[:last]))
