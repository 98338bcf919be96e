"""A table of grating constants over metal thickness and metallisation ratio, ready to be asked.

How it is solved and checked: sawfem/extract/tabulate.py. What is kept are Chebyshev coefficients of
what is smooth: the edge that the electrodes drive, shorted and open, the edge common to both, as
velocities or, below the velocity v_b at which the next bulk wave is radiated, as q with
v = v_b sqrt(1 - q^2); and C with its loss and slope.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray

from sawfem.design import Stack
from sawfem.errors import InputError
from sawfem.extract.constants import (
    GratingConstants,
    decibels_per_wavelength,
    effective_coupling,
)
from sawfem.extract.coupled import ComConstants
from sawfem.extract.edges import passive_constants
from sawfem.extract.grating import DECIBEL
from sawfem.material import Material
from sawfem.units import QuantityLike, parse_length

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Interpolated columns: velocities 2 p f of the edges, m/s, or their q; C p in F/m; the rest pure.
EDGES = ("driven_short", "driven_open", "common")
COLUMNS = (
    *EDGES,
    "capacitance",
    "capacitance_loss",
    "capacitance_slope",
    "slope_width",
    "capacitance_static",
)
#: Constants that pass through zero, or nearly: their errors are absolute.
ABSOLUTE = (
    "reflection_per_electrode",
    "attenuation",
    "attenuation_open",
    "attenuation_coupled",
    "capacitance_loss",
)
#: Bars are the largest deviation found on the points left out, times this.
SAFETY = 2.0


@dataclass(frozen=True)
class GratingTable:
    """Constants of gratings of one metal on one stack, by (h/lambda, metallisation ratio).

    ``table(0.08, 0.5)`` gives GratingConstants, ``table.arrays(h, eta)`` arrays for many designs.

    Attributes
    ----------
    stack, metal : what was solved. sidewall_angle : degrees.
    pitch : m, of the solved gratings; a table of a bare half-space serves any other pitch.
    thickness : (low, high) of h/lambda, lambda = 2 pitch; ratio : of the metallisation.
    bulk : v_b in m/s where the edges are kept as q, else None.
    onsets : velocities 2 p f of the bulk waves, m/s: lowest, and next above the resonance.
    coupling_k2 : of the plain stack.
    coefficients : (columns, m, n) Chebyshev coefficients of COLUMNS over the box, complex.
    errors : constant -> largest deviation on the points left out, SAFETY times: relative, but for
        those of ABSOLUTE; of the two stop bands that of their edges.
    checked : (points, 2) the points left out.
    solves : gratings that were solved at nodes.
    """

    stack: Stack
    metal: Material
    sidewall_angle: float
    pitch: float
    thickness: tuple[float, float]
    ratio: tuple[float, float]
    bulk: float | None
    onsets: tuple[float | None, float | None]
    coupling_k2: float | None
    coefficients: Complex = field(repr=False)
    errors: Mapping[str, float] = field(default_factory=dict)
    checked: Array = field(default_factory=lambda: np.zeros((0, 2)), repr=False)
    solves: int = 0

    def __call__(
        self,
        thickness: float,
        metallisation_ratio: float,
        *,
        pitch: QuantityLike | None = None,
    ) -> GratingConstants:
        """Constants of one grating.

        Parameters
        ----------
        thickness : h/lambda of the metal. metallisation_ratio : electrode width over pitch.
        pitch : another one than that of the table; a layered stack has none.

        Raises
        ------
        InputError : outside the box, where nothing is extrapolated; another pitch on layers.
        """
        length = self._pitch(pitch)
        column = self._columns(np.array([thickness]), np.array([metallisation_ratio]))[:, 0]
        return self._constants(column, length, float(metallisation_ratio))

    def arrays(
        self,
        thickness: ArrayLike,
        metallisation_ratio: ArrayLike,
        *,
        pitch: QuantityLike | None = None,
    ) -> dict[str, NDArray[Any]]:
        """Constants of many gratings, by the names of the table of quantities; pairs are (..., 2).

        Parameters and errors as for a call; the two arrays are broadcast against each other.
        """
        length = self._pitch(pitch)
        h, eta = np.broadcast_arrays(
            np.asarray(thickness, dtype=float), np.asarray(metallisation_ratio, dtype=float)
        )
        columns = self._columns(h.ravel(), eta.ravel())
        found = _many(columns, length)
        return {name: value.reshape(*h.shape, *value.shape[1:]) for name, value in found.items()}

    def _pitch(self, pitch: QuantityLike | None) -> float:
        if pitch is None:
            return self.pitch
        length = parse_length(pitch, key="pitch")
        if self.stack.layers and abs(length - self.pitch) > 1e-9 * self.pitch:
            raise InputError(
                key="pitch",
                found=f"{length:.6g} m",
                expected=f"{self.pitch:.6g} m: the stack has layers, whose thickness is not scaled",
            )
        return length

    def _columns(self, thickness: Array, ratio: Array) -> Complex:
        """COLUMNS at points (m,): (columns, m), edges as velocities in m/s."""
        for key, values, box in (
            ("thickness", thickness, self.thickness),
            ("metallisation_ratio", ratio, self.ratio),
        ):
            slack = 1e-12 * (box[1] - box[0])
            bad = values[~((values >= box[0] - slack) & (values <= box[1] + slack))]
            if bad.size:
                raise InputError(
                    key=key,
                    found=f"{bad[0]:g}",
                    expected=f"{box[0]:g} to {box[1]:g}, the box of the table",
                )
        x, y = _normal(thickness, self.thickness), _normal(ratio, self.ratio)
        series = np.moveaxis(self.coefficients, 0, -1)
        columns: Complex = np.array(chebyshev.chebval2d(x, y, series), dtype=complex)
        if self.bulk is not None:
            if np.any(columns[: len(EDGES)].real <= 0.0):
                raise InputError(
                    key="thickness",
                    found="an edge beyond the onset of bulk waves",
                    expected="designs whose edges all lie below it",
                )
            columns[: len(EDGES)] = self.bulk * np.sqrt(1.0 - columns[: len(EDGES)] ** 2)
        return columns

    def _constants(self, column: Complex, pitch: float, ratio: float) -> GratingConstants:
        driven, opened, common = (complex(v) / (2.0 * pitch) for v in column[: len(EDGES)])
        loss, slope, width = (float(value.real) for value in column[4:7])
        scale = ComConstants(
            pitch,
            pitch * (driven.real + common.real),
            0j,
            0j,
            float(column[3].real),
            capacitance_loss=max(0.0, loss),
            capacitance_slope=slope,
            slope_width=width,
        )
        upper = driven.real > common.real
        poles = (common, driven) if upper else (driven, common)
        # The driven edge is even about the electrode: k > 0 where it is the upper one.
        com, _ = passive_constants(scale, poles, (opened, common), 0.0 if upper else math.pi)
        k, k_back = com.both_reflections
        a, a_back = com.both_transductions
        onsets = [None if v is None else v / (2.0 * pitch) for v in self.onsets]
        values: dict[str, Any] = {
            "velocity": com.velocity,
            "stopband_short": (poles[0].real, poles[1].real),
            "stopband_open": tuple(sorted((opened.real, common.real))),
            "reflection_per_electrode": k,
            "transduction_per_electrode": a,
            "coupling_k2_effective": (
                effective_coupling(driven.real, opened.real) if opened.real > driven.real else None
            ),
            "capacitance_per_pair": 2.0 * float(column[7].real),
            "capacitance_fitted_per_pair": 2.0 * com.capacitance,
            "attenuation": _loss(driven),
            "attenuation_open": _loss(opened),
            "attenuation_coupled": decibels_per_wavelength(com.attenuation, 2.0 * pitch),
            "capacitance_loss": com.capacitance_loss,
        }
        half = width * com.centre_frequency
        return GratingConstants(
            pitch=pitch,
            metallisation_ratio=ratio,
            coupling_k2=self.coupling_k2,
            resonant_edge="upper" if upper else "lower",
            bulk_onset=onsets[0],
            next_bulk_onset=onsets[1],
            fit_band=(com.centre_frequency - half, com.centre_frequency + half),
            fit_misfit=None,
            reflection_back_per_electrode=k_back,
            transduction_back_per_electrode=a_back,
            capacitance_slope=com.capacitance_slope,
            directivity=0.0,
            reference_plane=0.5 * pitch,
            transduction_centre=0.5 * pitch,
            numerical=self._bars(values),
            reasons={"fit_misfit": "a table keeps no samples of the admittance"},
            **values,
        )

    def _bars(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Absolute bars, part by part, from the errors of the table."""
        bars: dict[str, Any] = {}
        for name, error in self.errors.items():
            value = values.get(name)
            if value is None:
                continue
            if isinstance(value, tuple):
                bars[name] = tuple(error * part for part in value)
                continue
            bar = error if name in ABSOLUTE else error * abs(value)
            if isinstance(value, complex):
                bars[name] = complex(bar, bar * abs(value.imag) / abs(value) if value else 0.0)
            else:
                bars[name] = bar
        return bars


def _many(columns: Complex, pitch: float) -> dict[str, NDArray[Any]]:
    """Constants of many gratings, without the last touch that a single one gets (passivity)."""
    driven, opened, common = columns[: len(EDGES)] / (2.0 * pitch)
    total = driven.real + common.real
    velocity = pitch * total
    k = np.pi * (driven - common) / total
    alpha = np.pi / pitch * (driven + common).imag / total
    capacitance = columns[3].real
    loss = np.maximum(0.0, columns[4].real)
    lossy = np.any(np.abs(columns[: len(EDGES)].imag) > 1e-12 * columns[: len(EDGES)].real, axis=0)
    loss = np.where(lossy, loss, 0.0)
    # d_open + d_common = 2 pi (f_open - f_driven)/v, since the shorted edges are +-k.
    square = 0.5 * np.pi * pitch / velocity * (opened - driven)
    a = np.sqrt(square * np.pi * velocity / pitch * capacitance * (1.0 - 1j * loss))
    x = 0.5 * np.pi * driven.real / opened.real
    return {
        "velocity": velocity,
        "stopband_short": np.sort(np.stack([driven.real, common.real], axis=-1), axis=-1),
        "stopband_open": np.sort(np.stack([opened.real, common.real], axis=-1), axis=-1),
        "reflection_per_electrode": np.where(lossy, k, k.real),
        "transduction_per_electrode": np.where(lossy, a, np.abs(a)),
        "coupling_k2_effective": x / np.tan(x),
        "capacitance_per_pair": 2.0 * columns[7].real,
        "capacitance_fitted_per_pair": 2.0 * capacitance,
        "attenuation": np.where(lossy, DECIBEL * driven.imag / driven.real, 0.0),
        "attenuation_open": np.where(lossy, DECIBEL * opened.imag / opened.real, 0.0),
        "attenuation_coupled": np.where(lossy, alpha * 20.0 / math.log(10.0) * 2.0 * pitch, 0.0),
        "capacitance_loss": loss,
        "capacitance_slope": columns[5].real,
    }


def _loss(frequency: complex) -> float:
    ratio = frequency.imag / frequency.real
    return DECIBEL * ratio if abs(ratio) > 1e-12 else 0.0


def _normal(values: Array, box: tuple[float, float]) -> Array:
    return np.asarray((2.0 * values - box[0] - box[1]) / (box[1] - box[0]))
