"""A table of grating constants over metal thickness, width of the electrodes and, on layers, pitch.

How it is solved and checked: sawfem/extract/tabulate.py. What is kept are Chebyshev coefficients of
what is smooth (sawfem/extract/table_kinds.py): with a mirror the edges by their kind, as velocities
or, below the velocity v_b at which the next bulk wave is radiated, as q with v = v_b sqrt(1 - q^2);
without one k p and k' p as complex numbers, and C with its loss and slope. Of several electrodes a
period the turn of a from where they launch to the first hot one is one more of them.
"""

from __future__ import annotations

import cmath
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
from sawfem.extract.edges import referred
from sawfem.extract.passive import passive_constants
from sawfem.extract.table_cells import TableCells
from sawfem.extract.table_kinds import Edges, Kind
from sawfem.extract.table_kinds import loss as loss_of
from sawfem.units import QuantityLike, parse_length

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Constants that pass through zero, or nearly: their errors are absolute.
ABSOLUTE = (
    "reflection_per_electrode",
    "reflection_back_per_electrode",
    "capacitance_slope",
    "attenuation",
    "attenuation_open",
    "attenuation_coupled",
    "capacitance_loss",
    "directivity",
)
#: Bars are the largest deviation found on the points left out, times this.
SAFETY = 2.0


@dataclass(frozen=True)
class GratingTable:
    """Constants of gratings on one stack, by (h/lambda, metallisation ratio) of one electrode a
    period, by (h/lambda, width scale) of several.

    ``table(0.08, 0.5)`` gives GratingConstants, ``table.arrays(h, eta)`` arrays for many designs.

    Attributes
    ----------
    cells : the drawn cell, and how its electrodes are connected.
    pitch : m, of the solved gratings; a table of a bare half-space serves any other pitch.
    thickness : (low, high) of h/lambda, lambda = 2 pitch; ratio : of the metallisation, or of
        the width scale.
    pitches : (low, high) of the pitch, m, where that is a third axis: of a stack with layers.
    kind : what is interpolated, for cells with a mirror or without.
    bulk : v_b in m/s where the edges are kept as q, else None.
    onsets : velocities 2 p f of the bulk waves, m/s: lowest, and next above the resonance.
    coupling : Chebyshev coefficients over the pitch of the plain stack's K^2, one where the
        pitch is no axis; none where another wave takes over within the range.
    coefficients : (columns, m, n) or (columns, m, n, l) Chebyshev coefficients over the box.
    errors : constant -> largest deviation on the points left out, SAFETY times: relative, but for
        those of ABSOLUTE; of the two stop bands that of their edges.
    checked : (points, axes) the points left out.
    solves : gratings that were solved at nodes.
    """

    cells: TableCells
    pitch: float
    thickness: tuple[float, float]
    ratio: tuple[float, float]
    pitches: tuple[float, float] | None
    kind: Kind
    bulk: float | None
    onsets: tuple[float | None, float | None]
    coupling: Array
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
        thickness : h/lambda of the (thickest) metal.
        metallisation_ratio : electrode width over pitch; of several electrodes the width scale.
        pitch : another one than that of the table; on layers one within ``pitches``.

        Raises
        ------
        InputError : outside the box, where nothing is extrapolated; another pitch on layers.
        """
        length = self._pitch(None if pitch is None else parse_length(pitch, key="pitch"))
        place = [np.array([thickness]), np.array([metallisation_ratio]), length.reshape(1)]
        column = self._columns(place)[:, 0]
        return self._constants(column, float(length), self.cells.ratio(float(metallisation_ratio)))

    def arrays(
        self,
        thickness: ArrayLike,
        metallisation_ratio: ArrayLike,
        *,
        pitch: ArrayLike | str | None = None,
    ) -> dict[str, NDArray[Any]]:
        """Constants of many gratings, by the names of the table of quantities; pairs are (..., 2).

        Parameters and errors as for a call; the arrays are broadcast against each other.
        """
        asked = parse_length(pitch, key="pitch") if isinstance(pitch, str) else pitch
        h, eta, length = np.broadcast_arrays(
            np.asarray(thickness, dtype=float),
            np.asarray(metallisation_ratio, dtype=float),
            self._pitch(asked),
        )
        columns = self._columns([h.ravel(), eta.ravel(), length.ravel()])
        found = _many(self.kind, columns, length.ravel())
        if np.any(np.isnan(found["phase_over_group_velocity"])):
            del found["phase_over_group_velocity"]  # a node has none
        if self.coupling.size:
            found["coupling_k2"] = np.broadcast_to(
                self._coupling(length.ravel()), found["velocity"].shape
            )
        return {name: value.reshape((*h.shape, *value.shape[1:])) for name, value in found.items()}

    @property
    def is_plain(self) -> bool:
        """Whether the cells have one electrode a period."""
        return self.cells.connections is None

    @property
    def stack(self) -> Stack:
        """What the electrodes stand on."""
        return self.cells.cell.stack

    @property
    def axis_names(self) -> tuple[str, ...]:
        """Names of the axes."""
        return ("thickness", self.cells.width_name, "pitch")[: len(self.boxes)]

    def _coupling(self, pitch: Array) -> Array:
        """K^2 of the plain stack at pitches in m."""
        x = np.zeros_like(pitch) if self.pitches is None else _normal(pitch, self.pitches)
        return np.asarray(chebyshev.chebval(x, self.coupling))

    @property
    def boxes(self) -> tuple[tuple[float, float], ...]:
        """(low, high) of every axis."""
        two = (self.thickness, self.ratio)
        return two if self.pitches is None else (*two, self.pitches)

    def _pitch(self, pitch: ArrayLike | None) -> Array:
        """The pitch or pitches asked for, m."""
        if pitch is None:
            if self.pitches is not None:
                raise InputError(
                    key="pitch",
                    found="none",
                    expected=f"{self.pitches[0]:.6g} to {self.pitches[1]:.6g} m: the pitch is an "
                    "axis of the table",
                )
            return np.array(self.pitch)
        length = np.asarray(pitch, dtype=float)
        fixed = not self.cells.scales and self.pitches is None
        if fixed and np.any(np.abs(length - self.pitch) > 1e-9 * self.pitch):
            raise InputError(
                key="pitch",
                found=f"{float(np.ravel(length)[0]):.6g} m",
                expected=f"{self.pitch:.6g} m: layers, overcoats and footings are not scaled",
            )
        return length

    def _columns(self, place: list[Array]) -> Complex:
        """The columns of the kind at points, (columns, m), edges as velocities in m/s."""
        for key, values, box in zip(self.axis_names, place, self.boxes, strict=False):
            slack = 1e-12 * (box[1] - box[0])
            bad = values[~((values >= box[0] - slack) & (values <= box[1] + slack))]
            if bad.size:
                raise InputError(
                    key=key,
                    found=f"{bad[0]:g}",
                    expected=f"{box[0]:g} to {box[1]:g}, the box of the table",
                )
        normal: list[Array] = [_normal(v, box) for v, box in zip(place, self.boxes, strict=False)]
        series = np.moveaxis(self.coefficients, 0, -1)
        columns: Complex
        if self.pitches is None:
            columns = np.array(chebyshev.chebval2d(normal[0], normal[1], series), dtype=complex)
        else:
            x, y, z = normal
            columns = np.array(chebyshev.chebval3d(x, y, z, series), dtype=complex)
        if self.bulk is not None:
            count = self.kind.velocities
            if np.any(columns[:count].real <= 0.0):
                raise InputError(
                    key="thickness",
                    found="an edge beyond the onset of bulk waves",
                    expected="designs whose edges all lie below it",
                )
            columns[:count] = self.bulk * np.sqrt(1.0 - columns[:count] ** 2)
        return columns

    def _constants(self, column: Complex, pitch: float, ratio: float) -> GratingConstants:
        """Constants of one grating from its column of what the table interpolates."""
        edges = self.kind.edges(column[:, None])
        rest = column[len(self.kind.names) :]
        capacitance, loss, slope, width, static, g = rest[:-1].real.tolist()
        scale = ComConstants(
            pitch,
            float(edges.poles.sum().real),
            0j,
            0j,
            capacitance,
            capacitance_loss=max(0.0, loss),
            capacitance_slope=slope,
            slope_width=width,
        )
        poles, zeros = ([complex(v) / pitch for v in pair[:, 0]] for pair in _pairs(edges))
        driven, opened = (complex(v[0]) / pitch for v in (edges.driven, edges.opened))
        upper = driven.real >= poles[1].real
        com, _ = passive_constants(
            scale, (poles[0], poles[1]), (zeros[0], zeros[1]), float(edges.phase[0])
        )
        # The wavelength is two pitches: K (x_t - x_0) = arg of the last column.
        launch = cmath.phase(complex(rest[-1])) * pitch / math.pi
        com = com if self.is_plain else referred(com, launch)
        k, k_back = com.both_reflections
        a, a_back = com.both_transductions
        onsets = [None if v is None else v / (2.0 * pitch) for v in self.onsets]
        values: dict[str, Any] = {
            "velocity": com.velocity,
            "stopband_short": (poles[0].real, poles[1].real),
            "stopband_open": tuple(sorted(zero.real for zero in zeros)),
            "reflection_per_electrode": k,
            "transduction_per_electrode": a,
            "coupling_k2_effective": (
                effective_coupling(driven.real, opened.real) if opened.real > driven.real else None
            ),
            "phase_over_group_velocity": None if math.isnan(g) else g,
            "capacitance_per_pair": 2.0 * static,
            "capacitance_fitted_per_pair": 2.0 * com.capacitance,
            "coupling_k2": float(self._coupling(np.array(pitch))) if self.coupling.size else None,
            "attenuation": float(loss_of(np.array(driven))),
            "attenuation_open": float(loss_of(np.array(opened))),
            "attenuation_coupled": decibels_per_wavelength(com.attenuation, 2.0 * pitch),
            "capacitance_loss": com.capacitance_loss,
            "directivity": 0.0 if self.kind.mirror else com.directivity,
        }
        half = width * com.centre_frequency
        reasons = {"fit_misfit": "a table keeps no samples of the admittance"}
        if not self.coupling.size:
            reasons["coupling_k2"] = "another wave of the stack takes over within the pitches"
        if math.isnan(g):
            reasons["phase_over_group_velocity"] = "not known: not at every node of the table"
        reference = self.cells.reference(pitch)
        return GratingConstants(
            pitch=pitch,
            metallisation_ratio=ratio,
            resonant_edge="upper" if upper else "lower",
            bulk_onset=onsets[0],
            next_bulk_onset=onsets[1],
            fit_band=(com.centre_frequency - half, com.centre_frequency + half),
            fit_misfit=None,
            reflection_back_per_electrode=k_back,
            transduction_back_per_electrode=a_back,
            capacitance_slope=com.capacitance_slope,
            reference_plane=reference,
            transduction_centre=reference if self.is_plain else reference + launch,
            numerical=self._bars(values),
            reasons=reasons,
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


def _pairs(edges: Edges) -> tuple[Complex, Complex]:
    return edges.poles, edges.zeros


def _many(kind: Kind, columns: Complex, pitch: Array) -> dict[str, NDArray[Any]]:
    """Constants of many gratings, without the last touch that a single one gets (passivity)."""
    edges = kind.edges(columns)
    poles, zeros = (np.sort_complex(pair.T).T / pitch for pair in _pairs(edges))
    driven, opened = edges.driven / pitch, edges.opened / pitch
    total = poles.sum(axis=0)
    alpha = np.pi / pitch * total.imag / total.real
    capacitance, loss, slope, _, static, g, _ = columns[len(kind.names) :].real
    launch = columns[-1] / np.abs(columns[-1])
    every = np.concatenate([poles, zeros])
    lossy = np.any(np.abs(every.imag) > 1e-12 * every.real, axis=0)
    loss = np.where(lossy, np.maximum(0.0, loss), 0.0)
    # a^2 p^2 = (d1 + d2) p w C p/4 with (d1 + d2) p = 2 pi (sum of open - of shorted)/Re(..).
    square = 0.5 * np.pi**2 * (zeros.sum(axis=0) - total) * capacitance * (1.0 - 1j * loss)
    a = np.sqrt(square)
    k, k_back = edges.reflection, edges.reflection_back
    turned = bool(np.any(launch != 1.0))
    if turned:  # from where a is real to the reference plane
        k, k_back, a = k * launch**2, k_back / launch**2, a * launch
    real = kind.mirror and not turned
    found = {
        "velocity": pitch * total.real,
        "stopband_short": np.sort(poles.real.T, axis=-1),
        "stopband_open": np.sort(zeros.real.T, axis=-1),
        "reflection_per_electrode": np.where(lossy, k, k.real) if real else k,
        "transduction_per_electrode": a if turned else np.where(lossy, a, np.abs(a)),
        "coupling_k2_effective": _effective(driven.real, opened.real),
        "phase_over_group_velocity": g,
        "capacitance_per_pair": 2.0 * static,
        "capacitance_fitted_per_pair": 2.0 * capacitance,
        "attenuation": np.where(lossy, loss_of(driven), 0.0),
        "attenuation_open": np.where(lossy, loss_of(opened), 0.0),
        "attenuation_coupled": np.where(lossy, alpha * 20.0 / math.log(10.0) * 2.0 * pitch, 0.0),
        "capacitance_loss": loss,
        "capacitance_slope": slope,
    }
    if not real:
        found["reflection_back_per_electrode"] = k_back
    if not kind.mirror:
        found["directivity"] = -np.sin(edges.phase)
    return found


def _effective(driven: Array, opened: Array) -> Array:
    x = 0.5 * np.pi * driven / opened
    return np.asarray(x / np.tan(x))


def _normal(values: Array, box: tuple[float, float]) -> Array:
    return np.asarray((2.0 * values - box[0] - box[1]) / (box[1] - box[0]))
