"""Free waves of a grating: complex frequencies at a phase, complex phases at a frequency.

A(w, gamma) x = 0 on the certified model, in an electrical state (:mod:`sawfem.unitcell.states`):
electrodes that are driven or grounded are short-circuited, floating conductors keep their
potentials as unknowns. All roots inside an ellipse by a contour integral, each polished, their
number checked against the winding of det A (:mod:`sawfem.unitcell.modes`).

A harmonic k_n starts to radiate a bulk wave of velocity v along the surface at w = v |k_n|: a
branch point. A is continued from the real axis straight into the complex plane, so that its cuts
are the verticals through the branch points, and contours end there. In a half-space that loses, a
branch point lies off the axis, v is complex, and its cut is the vertical from there on; contours
end at its real part.

With U(x + p) = exp(-j gamma) U(x) and exp(+j w t): Im f > 0 is loss in time, and for a wave that
carries power towards +x, Im gamma < 0 is attenuation of -Im gamma nepers a period. Roots come in
pairs gamma, -gamma (reciprocity); those with 0 <= Re gamma <= pi are given, and of the pair
pi + j a, pi - j a inside a stop band the one that decays towards +x. Where materials lose, the
pair gamma, 2 pi - gamma of a stop band leaves Re gamma = pi; the one below pi is given, whose Im
gamma tells the side to which it decays.

The error of a root against the same mesh with an infinite basis: with the residuals r = A x,
r_d = A^H y of the right and the left vector in the norm of H^-1 (:mod:`sawfem.unitcell.certified`),

    |dz| <= SAFETY 2 |r| |r_d| / |y^H (dA/dz) x|,    z = f or gamma.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag, lu_factor, lu_solve

from sawfem.planewave.lossy_admittance import LossyAdmittance, branch_velocities
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.modes import (
    Ellipse,
    MatrixFunction,
    Mode,
    find_modes,
    value_and_slope,
    winding_number,
)
from sawfem.unitcell.projected import SAFETY, ProjectedCell
from sawfem.unitcell.states import ElectricalState
from sawfem.unitcell.system import scaled_floor_pairs

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: A contour keeps this relative distance from a branch point.
CLEARANCE = 1e-5
#: Points of a contour; where its winding cannot be told from them, four times as many.
POINTS = 40
#: Points put to either side of a contour's ends where it is looked at more closely.
ENDS = 8
#: Half height of a contour over its half width, least and largest, and the half height below
#: which it is made taller: over the frequency, or in radians.
RATIO = 0.3
TALLEST = 3.0
LEAST_HEIGHT = {"frequency": 0.01, "phase": 0.12}
#: How far beyond pi phases are looked for, radians: the pairs of a stop band lie at pi +- j a.
BEYOND = 0.1
#: A root whose error bound exceeds this share of it is one of the small matrices alone.
CREDIBLE = 1e-3
#: Steps after which the onset of a viscous half-space has settled; each gains a factor 2 Q.
VISCOUS_STEPS = 4
#: What may speak against a set of modes.
UNCONFIRMED = "a root that the small basis does not confirm"
MISCOUNTED = "not as many modes as the winding of the determinant says"
#: Harmonics whose branch points are looked at.
ORDERS = np.arange(-6, 7)


@dataclass(frozen=True, eq=False)
class GratingMode:
    """One free wave of a grating.

    Attributes
    ----------
    frequency : Hz; complex if the phase was given, a positive imaginary part is loss.
    phase : gamma, radians; complex if the frequency was given.
    error : bound on the error that the small basis makes, in Hz or radians.
    residual : |A x| over |A|, of the small matrices.
    vector, left : right and left vector (r + e), electrodes included, |x| = |y| = 1; the right one
        by CellModel.expand over the mesh.
    """

    frequency: complex
    phase: complex
    error: float
    residual: float
    vector: Complex = field(repr=False)
    left: Complex = field(repr=False)

    @property
    def attenuation(self) -> float:
        """Attenuation towards +x, nepers a period; of a wave at a given frequency."""
        return -complex(self.phase).imag


@dataclass(frozen=True)
class ModeSet:
    """All modes that were looked for.

    Attributes
    ----------
    modes : sorted by frequency, or by phase.
    doubtful : roots of the small matrices that the certificate does not confirm: weakly driven
        waves which the basis, made of driven fields, does not hold.
    branch_points : frequencies (Hz) or phases (radians) that split the contours.
    counted : whether the winding number of every contour agreed with the modes in it; None where
        resonances of clamped layers below the slab may hide a difference.
    """

    modes: tuple[GratingMode, ...]
    doubtful: tuple[GratingMode, ...]
    branch_points: tuple[float, ...]
    counted: bool | None

    @property
    def sure(self) -> bool:
        """Whether nothing speaks against the set: no doubtful root, no contour miscounted."""
        return not self.doubtful and self.counted is not False

    def remarks(self) -> tuple[str, ...]:
        """Sentences on what is doubtful; empty where the set is sure."""
        found = []
        if self.doubtful:
            found.append(f"{len(self.doubtful)} of its roots: {UNCONFIRMED}")
        if self.counted is False:
            found.append(MISCOUNTED)
        return tuple(found)


def modes_at_phase(
    model: CellModel,
    phase: float,
    frequencies: tuple[float, float] | None = None,
    *,
    state: ElectricalState | None = None,
) -> ModeSet:
    """All complex frequencies at a real phase.

    Parameters
    ----------
    model, phase : the model, gamma in radians from 0 to pi.
    frequencies : limits of the real part, hertz; those of the model's region if None.
    state : of the electrodes; all short-circuited if None.

    Raises
    ------
    InputError : outside the model's region.
    """
    low, high = frequencies or model.region.frequencies
    for frequency in (low, high):
        model.check(frequency, phase)
    view = model.at(phase)
    free = FreeUnknowns.of(model, state)

    def matrices(f: Complex) -> Complex:
        return free.matrices(view.matrices(f))

    marks = _onsets(model.projected, phase, low, high)
    slope = _lean(model.projected, 0.5 * (low + high))
    ends = complex(low, low * slope), complex(high, high * slope)
    found, counted = _in_contours(matrices, ends, marks, "frequency", _layered(model))
    modes = [
        finished(model, free, (m.frequency, phase), m, value_and_slope(matrices, m.frequency)[1])
        for m in found
    ]
    return _sorted_out(modes, low, [mark.real for mark in marks], counted)


def modes_at_frequency(
    model: CellModel,
    frequency: float,
    phases: tuple[float, float] | None = None,
    *,
    state: ElectricalState | None = None,
) -> ModeSet:
    """All complex phases at a real frequency, with 0 < Re gamma <= pi.

    Parameters
    ----------
    model, frequency : the model, hertz.
    phases : limits of the real part, radians; those of the model's region if None.
    state : of the electrodes; all short-circuited if None.

    Raises
    ------
    InputError : outside the model's region.
    """
    low, high = phases or model.region.phases
    low = max(low, 1e-3)
    for phase in (low, high):
        model.check(frequency, phase)
    free = FreeUnknowns.of(model, state)

    def matrices(gammas: Complex) -> Complex:
        views = [model.at(complex(gamma)) for gamma in gammas]
        # One call for all harmonics of all phases: off the real axis each is a short path.
        k = np.concatenate([view.wavenumbers for view in views])
        ends = np.cumsum([view.wavenumbers.size for view in views])[:-1]
        blocks = scaled_floor_pairs(model.projected.floor, frequency, k, model.period)
        pairs = zip(views, np.split(blocks, ends), strict=True)
        return free.matrices(np.stack([view.matrix(frequency, block) for view, block in pairs]))

    end = np.pi + BEYOND if high >= np.pi * (1.0 - 1e-12) else high
    marks = _onset_phases(model.projected, frequency, low, end)
    ends = complex(low), complex(end)
    found, counted = _in_contours(matrices, ends, marks, "phase", _layered(model))
    modes: list[GratingMode] = []
    for root in found:
        gamma = root.frequency
        # The mirror image of a root beyond pi is found on this side, or is the other of a pair.
        on_edge = abs(gamma.real - np.pi) < 1e-7
        if (gamma.real > np.pi and not on_edge) or (on_edge and gamma.imag > 1e-7):
            continue
        slope = value_and_slope(matrices, gamma)[1]
        modes.append(finished(model, free, (frequency, gamma), root, slope))
    return _sorted_out(modes, 1.0, [m.real for m in marks if m.real <= np.pi], counted)


def _sorted_out(
    modes: Sequence[GratingMode], scale: float, marks: Sequence[float], counted: bool | None
) -> ModeSet:
    sure = [mode for mode in modes if mode.error < CREDIBLE * scale]
    doubtful = [mode for mode in modes if not mode.error < CREDIBLE * scale]
    return ModeSet(tuple(sure), tuple(doubtful), tuple(marks), counted)


def branch_frequencies(
    cell: ProjectedCell, phase: float, low: float, high: float
) -> tuple[float, ...]:
    """Frequencies between two at which a harmonic starts to radiate a bulk wave, hertz; real
    parts where the half-space loses.
    """
    return tuple(mark.real for mark in _onsets(cell, phase, low, high))


def branch_phases(
    cell: ProjectedCell, frequency: float, low: float, high: float
) -> tuple[float, ...]:
    """Phases between two at which a harmonic starts to radiate a bulk wave, radians."""
    return tuple(mark.real for mark in _onset_phases(cell, frequency, low, high))


def _onsets(cell: ProjectedCell, phase: float, low: float, high: float) -> tuple[complex, ...]:
    """Branch points f in hertz at a real phase, by their real part."""
    omega = np.pi * (low + high)
    k = np.abs(phase + 2.0 * np.pi * ORDERS) / cell.period
    onsets = np.multiply.outer(branch_velocities(cell.floor, omega), k)
    if isinstance(cell.floor, LossyAdmittance) and cell.floor.is_viscous:
        # The velocity is that at the onset itself: w = v(w) k, which a few steps settle.
        for place in np.argwhere(np.abs(onsets.real / omega - 1.0) < 0.5):
            branch, harmonic = place.tolist()
            w = complex(onsets[branch, harmonic])
            for _ in range(VISCOUS_STEPS):
                w = complex(branch_velocities(cell.floor, w)[branch] * k[harmonic])
            onsets[branch, harmonic] = w
    return _between(onsets / (2.0 * np.pi), low, high)


def _onset_phases(
    cell: ProjectedCell, frequency: float, low: float, high: float
) -> tuple[complex, ...]:
    """Branch points gamma at a real frequency, by their real part."""
    omega = 2.0 * np.pi * frequency
    k = omega * cell.period / branch_velocities(cell.floor, omega)
    both = np.concatenate([k, -k])
    return _between(np.subtract.outer(both, 2.0 * np.pi * ORDERS), low, high)


def _lean(cell: ProjectedCell, frequency: float) -> float:
    """Mean Im v/Re v of the bulk waves: how far above the axis their loss lifts frequencies."""
    v = branch_velocities(cell.floor, 2.0 * np.pi * frequency)
    return float(np.mean(v.imag / v.real)) if v.size else 0.0


def _between(values: Complex, low: float, high: float) -> tuple[complex, ...]:
    inside = values[(values.real > low) & (values.real < high)].ravel()
    distinct: list[complex] = []
    for value in sorted(inside.tolist(), key=lambda z: z.real):
        if not distinct or value.real > distinct[-1].real * (1.0 + 1e-9):
            distinct.append(value)
    return tuple(distinct)


def _layered(model: CellModel) -> bool:
    return bool(model.projected.floor.tensors[1])


@dataclass(frozen=True, eq=False)
class FreeUnknowns:
    """What is free in an electrical state: the reduced unknowns and the floating conductors."""

    order: int
    span: Array

    @classmethod
    def of(cls, model: CellModel, state: ElectricalState | None) -> FreeUnknowns:
        """Of a model in a state; None is short-circuited."""
        shorted = state or ElectricalState.shorted()
        return cls(model.order, shorted.conductors(model.electrodes))

    def matrices(self, a: Complex) -> Complex:
        """(m, r + e, r + e) -> (m, r + g, r + g)."""
        r, f = self.order, self.span
        if f.shape[1] == 0:
            return a[:, :r, :r]
        if np.array_equal(f, np.eye(f.shape[0])):
            return a
        whole = block_diag(np.eye(r), f)
        return np.asarray(whole.T @ a @ whole)

    def contract(self, vector: Complex) -> Complex:
        """(r + e,) -> (r + g,), the potential of a conductor from its electrodes."""
        counts = np.maximum(self.span.sum(axis=0), 1.0)
        potentials = self.span.T @ vector[self.order :] / counts
        return np.concatenate([vector[: self.order], potentials])

    def expand(self, vector: Complex) -> Complex:
        """(r + g,) -> (r + e,)."""
        return np.concatenate([vector[: self.order], self.span @ vector[self.order :]])


def _in_contours(
    matrices: MatrixFunction,
    ends: tuple[complex, complex],
    marks: Sequence[complex],
    kind: str,
    layered: bool,
) -> tuple[list[Mode], bool | None]:
    """Roots between two real parts, contour by contour."""
    low, high = ends[0].real, ends[1].real
    found: list[Mode] = []
    verdicts: list[bool | None] = []
    for before, after in pairwise([ends[0], *marks, ends[1]]):
        start, stop = before.real, after.real
        if stop - start < 4.0 * CLEARANCE * stop:
            continue
        first = start * (1.0 + (CLEARANCE if start > low else 0.0))
        last = stop * (1.0 - (CLEARANCE if stop < high else 0.0))
        width = 0.5 * (last - first)
        least = LEAST_HEIGHT[kind] * (0.5 * (first + last) if kind == "frequency" else 1.0)
        # Between branch points off the axis, and down to the waves that lose less than they.
        least += 2.0 * max(abs(before.imag), abs(after.imag))
        ratio = float(np.clip(least / width, RATIO, TALLEST))
        lift, rise = 0.5 * (before.imag + after.imag), 0.5 * (after.imag - before.imag)
        ellipse = Ellipse(0.5 * (first + last), width, ratio, lift, rise)
        modes, verdict = _in_one(matrices, ellipse, layered)
        found.extend(modes)
        verdicts.append(verdict)
    worst = False if False in verdicts else None if None in verdicts else True
    return found, worst


def _in_one(
    matrices: MatrixFunction, ellipse: Ellipse, layered: bool
) -> tuple[tuple[Mode, ...], bool | None]:
    """Roots in an ellipse, and whether their number is what the winding of det A says."""

    def verdict(turns: int | None, count: int) -> bool | None:
        if turns == count:
            return True
        # Clamped layers below the slab bring poles.
        return None if layered and turns is not None and turns < count else False

    samples = matrices(ellipse.points(POINTS)[0])
    modes = find_modes(matrices, ellipse, samples)
    turns = winding_number(matrices, ellipse, samples, known=[m.frequency for m in modes])
    known = verdict(turns, len(modes))
    if known is not False:
        return modes, known
    # Too few points to follow the phase, or a root that the quadrature missed: look closer.
    dense = matrices(ellipse.points(4 * POINTS)[0])
    turns = winding_number(matrices, ellipse, dense, known=[m.frequency for m in modes], ends=ENDS)
    if verdict(turns, len(modes)) is False:
        modes = find_modes(matrices, ellipse, dense, probes=24, credible=1.0)
    return modes, verdict(turns, len(modes))


def finished(
    model: CellModel,
    free: FreeUnknowns,
    point: tuple[complex, complex],
    root: Mode,
    slope: Complex,
) -> GratingMode:
    """A root with its left vector and the bound on its error.

    Parameters
    ----------
    point : frequency and phase.
    root : what was found; its vector has the free unknowns.
    slope : derivative of the matrix with respect to what was looked for, (r + g, r + g).
    """
    frequency, phase = point
    view = model.at(phase)
    blocks = view.floor_blocks(np.array([frequency]))[0]
    a = free.matrices(view.matrix(frequency, blocks)[None])[0]
    left = _left_vector(a)
    x, y = free.expand(root.vector), free.expand(left)
    rho, rho_d = view.residuals(frequency, blocks, x[:, None], y[:, None])
    denominator = float(abs(np.vdot(left, slope @ root.vector)))
    error = SAFETY * 2.0 * float(rho[0] * rho_d[0]) / max(denominator, 1e-300)
    lengths = float(np.linalg.norm(x)), float(np.linalg.norm(y))
    return GratingMode(frequency, phase, error, root.residual, x / lengths[0], y / lengths[1])


def _left_vector(a: Complex) -> Complex:
    """Y with y^H A = 0 of a matrix that is singular to rounding: inverse iteration."""
    rng = np.random.default_rng(20240303)
    y = np.asarray(rng.standard_normal((a.shape[0], 2)) @ np.array([1.0, 1j]))
    shifted = a + 1e-15 * np.linalg.norm(a) * np.eye(a.shape[0])
    factor = lu_factor(shifted, check_finite=False)
    for _ in range(3):
        y = np.asarray(lu_solve(factor, y / float(np.linalg.norm(y)), trans=2, check_finite=False))
    return np.asarray(y / float(np.linalg.norm(y)))
