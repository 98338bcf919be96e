"""A fit: data and model, what is left between them, and how the parameters hang together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sawfem.measured.fitting import OnePortFit
from sawfem.measured.leastsquares import autocorrelation
from sawfem.plot import style

#: Lags of the autocorrelation that are drawn.
LAGS = 30


def draw_fit(fit: OnePortFit, title: str, labels: Sequence[str]) -> Figure:
    """Four panels: |Y| of data, fit and start; residuals; their autocorrelation; correlations.

    ``labels`` are those of the free parameters.
    """
    figure = style.new_figure(11.0, 8.0)
    (data, residual), (following, together) = figure.subplots(2, 2)
    _draw_data(data, fit)
    _draw_residual(residual, fit)
    _draw_autocorrelation(following, fit)
    _draw_correlation(figure, together, fit, labels)
    figure.suptitle(title, fontsize=11)
    return figure


def _draw_data(axes: Axes, fit: OnePortFit) -> None:
    frequency = fit.data.frequency / 1e6
    axes.semilogy(
        frequency,
        1e3 * np.abs(fit.data.admittance),
        label="data",
        color=style.VERMILION,
        marker=".",
        markersize=3.0,
        linestyle="none",
    )
    begin = 1e3 * np.abs(fit.begin)
    axes.semilogy(frequency, begin, label="start", color=style.GREEN, linestyle=":", linewidth=1.2)
    axes.semilogy(frequency, 1e3 * np.abs(fit.admittance), label="fit", **style.FIRST.keywords())
    axes.set_ylabel("admittance |Y| (mS)")
    style.frequency_axis(axes)
    axes.legend(loc="best")


def _draw_residual(axes: Axes, fit: OnePortFit) -> None:
    frequency = fit.data.frequency / 1e6
    estimate = fit.estimate
    for part, name, colour, marker in (
        (estimate.residual.real, "real part", style.BLUE, "."),
        (estimate.residual.imag, "imaginary part", style.VERMILION, "x"),
    ):
        axes.plot(
            frequency, part, label=name, color=colour, marker=marker, markersize=3.5, linestyle=""
        )
    bound = 1.96 * estimate.noise
    for side, label in ((bound, "95 % of the noise"), (-bound, None)):
        axes.axhline(side, color=style.BLACK, linestyle="--", linewidth=1.0, label=label)
    what = "S" if fit.data.quantity == "scattering" else "Y, over |Y|"
    axes.set_ylabel(f"data less fit, {what}")
    axes.set_title(f"noise {estimate.noise:.3g} in each part")
    style.frequency_axis(axes)
    _room_above(axes)
    axes.legend(loc="upper center", ncols=3)


def _draw_autocorrelation(axes: Axes, fit: OnePortFit) -> None:
    residual = fit.estimate.residual
    lags = min(LAGS, residual.size // 3)
    if lags < 1 or not np.any(np.abs(residual) > 0.0):
        axes.set_title("nothing is left between data and fit")
        return
    at = np.arange(1, lags + 1)
    both = autocorrelation(residual, lags)
    parts = (
        (both[0], "real part", style.BLUE, -0.12),
        (both[1], "imag. part", style.VERMILION, 0.12),
    )
    for values, name, colour, shift in parts:
        axes.vlines(at + shift, 0.0, values, color=colour, linewidth=2.0, label=name)
    bound = 1.96 / np.sqrt(residual.size)
    for side, label in ((bound, "95 % of white noise"), (-bound, None)):
        axes.axhline(side, color=style.BLACK, linestyle="--", linewidth=1.0, label=label)
    axes.axhline(0.0, color=style.BLACK, linewidth=0.6)
    axes.set_xlabel("lag (points)")
    axes.set_ylabel("autocorrelation of the residuals")
    verdict = "like noise" if fit.estimate.whiteness >= 1e-3 else "NOT like noise"
    axes.set_title(f"{verdict}: chance {fit.estimate.whiteness:.2g}")
    _room_above(axes)
    axes.legend(loc="upper center", ncols=3)


def _room_above(axes: Axes) -> None:
    """Room for a legend over what is drawn."""
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.18 * (high - low))


def _draw_correlation(figure: Figure, axes: Axes, fit: OnePortFit, labels: Sequence[str]) -> None:
    values = fit.estimate.correlation
    count = len(labels)
    image = axes.imshow(values, vmin=-1.0, vmax=1.0, cmap="PuOr")
    axes.grid(visible=False)
    axes.set_xticks(range(count), labels, rotation=45, ha="right", rotation_mode="anchor")
    axes.set_yticks(range(count), labels)
    if count <= 10:
        for i in range(count):
            for j in range(count):
                dark = abs(values[i, j]) > 0.7
                colour = "#FFFFFF" if dark else style.BLACK
                text = f"{values[i, j]:.2f}"
                axes.text(j, i, text, ha="center", va="center", fontsize=8, color=colour)
    figure.colorbar(image, ax=axes, label="correlation of parameters", shrink=0.9)
