"""Harmonic admittances of one cell at many frequencies and phases, what they share kept.

Y(f - j damping, gamma) of a reduced cell needs the cell at the phase and the half-space at every
harmonic k_n. The first does not depend on the frequency and is kept for every phase. The second,
if the half-space has no layers, is homogeneous: Y(w, k) = |k| G(w/k), transposed for negative k.
Without radiation G is a smooth function of (w/k)^2, and one polynomial serves the far harmonics
of all frequencies and phases; the near ones are computed as they are.

Chebyshev interpolation on [-1, 1] of a function that is analytic inside the ellipse of Bernstein
with half axes that add up to rho errs by O(rho^-n) (Trefethen, Approximation Theory and
Approximation Practice, 2013, chapter 8; from memory). The nearest branch point of G is the
slowness of the slowest bulk wave.

A cell of several electrodes is sampled as it is connected (sawfem/unitcell/connection.py): "hot"
electrodes at one volt, "ground" ones at zero, "floating" ones without charge at any phase. What is
left is the charge of the hot bus-bar, one number a phase, and by reciprocity even in it on every
cut, whether or not the cell has a mirror plane.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from sawfem.errors import GeometryError, InputError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.limiting import bulk_onsets
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.connection import check_connections
from sawfem.unitcell.projected import CellAtPhase
from sawfem.unitcell.system import CAPACITANCE

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: A harmonic is far when its wavenumber is so many times that of the slowest bulk wave.
FAR = 1.3
#: Error of the polynomial of the far harmonics.
SMOOTH = 1e-9


class HarmonicSamples:
    """Y(f - j damping, gamma) of a model with one electrode a period, or several connected ones.

    Parameters
    ----------
    model : of the cell, over all phases asked for.
    damping : hertz, zero or more.
    connections : of the electrodes, left to right; None for a single one.

    Raises GeometryError for several electrodes without connections, or such that do not fit.
    """

    def __init__(
        self, model: CellModel, damping: float, connections: Sequence[str] | None = None
    ) -> None:
        self.model, self.damping = model, damping
        self._hot, self._floating = _tied(model.electrodes, connections)
        self._views: dict[float, CellAtPhase] = {}
        self._slowness, self._series = _far_series(model)

    def __call__(self, frequency: float, phases: Array | Complex) -> Complex:
        """Y in S/m, (n,), at one frequency in hertz and phases 0..pi in their real parts.

        Complex phases are not kept; waves that decay along the grating are poles there.
        The half-space is continued from the real frequency, where what is radiated runs away.
        Raises InputError outside the model's frequencies.
        """
        low, high = self.model.region.frequencies
        if not low <= frequency <= high:
            raise InputError(
                key="frequency",
                found=f"{frequency:.6g} Hz",
                expected=f"{low:.6g} to {high:.6g} Hz, the band of the cell's model",
            )
        lossy = complex(frequency, -self.damping)
        views = [self._at(complex(gamma)) for gamma in phases]
        blocks = self._floor(lossy, np.concatenate([view.wavenumbers for view in views]))
        ends = np.cumsum([view.wavenumbers.size for view in views])[:-1]
        parts = zip(views, np.split(blocks, ends), strict=True)
        a, r = np.array([view.matrix(lossy, part) for view, part in parts]), self.model.order
        x = np.linalg.solve(a[:, :r, :r], a[:, :r, r:])
        reaction = a[:, r:, r:] - a[:, r:, :r] @ x
        return np.asarray(-2j * np.pi * lossy * CAPACITANCE * self._connected(reaction))

    def _connected(self, reaction: Complex) -> Complex:
        """Charge of the hot bus-bar at one volt (scaled), (n,), from that of electrodes."""
        h, f = self._hot, self._floating
        charge = reaction[:, h][:, :, h].sum(axis=(1, 2))
        if f.size:
            to_hot = reaction[:, h][:, :, f].sum(axis=1)
            by_hot = reaction[:, f][:, :, h].sum(axis=2)
            own = reaction[:, f][:, :, f]
            charge = charge - np.einsum(
                "nf,nf->n", to_hot, np.linalg.solve(own, by_hot[:, :, None])[:, :, 0]
            )
        return np.asarray(charge)

    def _at(self, complex_phase: complex) -> CellAtPhase:
        if complex_phase.imag != 0.0:
            return self.model.at(complex_phase)
        phase = complex_phase.real
        if phase not in self._views:
            self._views[phase] = self.model.at(phase)
        return self._views[phase]

    def _floor(self, frequency: complex, k: Complex | Array) -> Complex:
        """Scaled p Y(w, k_n) at k_n p (n,), (n, 4, 4)."""
        p, omega = self.model.period, 2.0 * np.pi * frequency
        back = np.real(k) < 0.0
        size = np.where(back, -k, k)
        far = omega.real * p < self._slowness * np.real(size)
        blocks = np.empty((size.size, 4, 4), dtype=complex)
        blocks[~far] = p * self.model.projected.floor.scaled(omega, k[~far] / p)
        if far.any():
            place = 2.0 * (omega * p / size[far] / self._slowness) ** 2 - 1.0
            smooth = chebyshev.chebvander(place, self._series.shape[0] - 1) @ self._series
            smooth = size[far, None, None] * smooth.reshape(-1, 4, 4)
            smooth[back[far]] = smooth[back[far]].swapaxes(1, 2)
            blocks[far] = smooth
        return blocks


def _tied(
    electrodes: int, connections: Sequence[str] | None
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Places of the hot and of the floating electrodes."""
    if connections is None:
        if electrodes != 1:
            raise GeometryError(
                key="grating.electrode",
                found=f"{electrodes} electrodes a period",
                expected="one, or connections, for mutual admittances by cos(gamma)",
            )
        return np.array([0]), np.array([], dtype=np.int64)
    words = check_connections(connections, electrodes)
    places = np.arange(electrodes)
    hot, floating = (np.array([w == kind for w in words]) for kind in ("hot", "floating"))
    return places[hot], places[floating]


def _far_series(model: CellModel) -> tuple[float, Complex]:
    """Largest w/k in m/s of the far harmonics; coefficients (n, 16) of G over 2 (w/k)^2/that^2 - 1.

    Layers in the floor may resonate at any k, and losses make the half-space depend on w alone as
    well: then no harmonic is far.
    """
    floor = model.projected.floor
    onsets: tuple[float, ...] = ()
    if isinstance(floor, SurfaceAdmittance) and not (floor.tensors[1] or floor.shorted):
        onsets = bulk_onsets(floor.tensors[0])
    if not onsets:
        return 0.0, np.empty((0, 16), dtype=complex)
    fastest = min(onsets) / FAR
    branch = 2.0 * FAR**2 - 1.0
    rho = branch + np.sqrt(branch**2 - 1.0)
    degree = int(np.ceil(-np.log(SMOOTH) / np.log(rho)))
    nodes = chebyshev.chebpts1(degree + 1)
    values = floor.scaled(fastest * np.sqrt(0.5 * (nodes + 1.0)), np.ones(nodes.size))
    # The nodes make the fit an interpolation.
    return fastest, np.asarray(chebyshev.chebfit(nodes, values.reshape(nodes.size, 16), degree))
