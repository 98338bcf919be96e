"""The stop band of a grating: its shorted and its open edges.

It lies at gamma = pi for a cell of one electrode, half a wave long, and at gamma = 2 pi for a cell
of several connected electrodes that is a whole wave long (sawfem/unitcell/connection.py).

With all electrodes on one potential the standing waves of the grating are the shorted edges
(poles of Y(f, pi)), with floating electrodes the open ones (zeros). One wave gives two of each.
In a cell that looks the same from both sides one standing wave leaves the electrodes without
charge; its frequency is common to both pairs.

Which roots belong together is decided by what they are, not by where they lie: the shorted edge
that couples most to the electrodes leads, and its partners are the modes whose displacement in
the first harmonic is the most alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import ConvergenceError
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.limiting import branch_points
from sawfem.unitcell.band import Edge as Edge
from sawfem.unitcell.band import StopBand as StopBand
from sawfem.unitcell.connection import ConnectedSystem, connect
from sawfem.unitcell.discretisation import Discretisation
from sawfem.unitcell.modes import (
    REAL,
    Ellipse,
    Factored,
    Mode,
    already_found,
    find_modes,
    polish,
    value_and_slope,
    winding_number,
)
from sawfem.unitcell.reduced import ReducedSystem, reduce
from sawfem.unitcell.system import BlochSystem, floor_admittance

Complex = NDArray[np.complex128]

#: Two displacement patterns belong to one wave when their normalised product exceeds this.
ALIKE = 0.8
#: Relative change of an edge from mesh to mesh beyond which it is not taken for the same.
MOVED = 1e-3
#: Likeness of the displacement that the same edge keeps on another mesh.
STILL_ALIKE = 0.98
#: A contour keeps this relative distance from the velocity of a bulk wave along the surface.
CLEARANCE = 1e-5
#: Coupling below which a mode counts as invisible to the electrodes.
UNCOUPLED = 1e-12
#: Relative distance below which two modes count as one frequency, and any mixture of them is one.
COINCIDENT = 1e-9
#: Points of a contour; where its winding cannot be told from them, four times as many.
CONTOUR_POINTS = 40


def find_stop_band(
    discretisation: Discretisation,
    velocity_free: float,
    velocity_metallised: float,
    *,
    connections: Sequence[str] | None = None,
) -> StopBand:
    """Find the edges of the wave whose plane-wave velocities are given, m/s.

    Parameters
    ----------
    connections : of the electrodes of a cell one wave long; None takes gamma = pi.

    Raises
    ------
    ConvergenceError : no standing wave that couples to the electrodes was found.
    GeometryError : connections that do not suit the cell.
    """
    phase = np.pi if connections is None else 2.0 * np.pi
    length = 2.0 * np.pi / phase * discretisation.cell.period
    centre = 0.485 * (velocity_free + velocity_metallised)
    low, high = 0.80 * velocity_metallised, 1.04 * velocity_free
    for _ in range(4):
        system = BlochSystem(discretisation, phase, floor_admittance(discretisation))
        model = reduce(system, centre / length)
        if connections is not None:
            model = connect(model, connections)
        band = _search(model, low, high)
        if band is None or (len(band.shorted) < 2 and low > 0.5 * velocity_metallised):
            # Heavy electrodes pull the wave below the window.
            low *= 0.8
            centre = max(0.8 * centre, 0.6 * velocity_metallised) if band is None else centre
            if low > 0.3 * velocity_metallised:
                continue
        if band is None:
            break
        found = length * band.resonance.frequency.real
        if abs(found - centre) <= 0.06 * centre:
            return band
        centre = found
    if band is None:
        raise ConvergenceError(
            f"no stop band between {low:.0f} and {high:.0f} m/s couples to the electrodes: "
            "the cut may not be piezoelectric along this direction"
        )
    return band


def refine_stop_band(
    discretisation: Discretisation,
    band: StopBand,
    *,
    moved: float = MOVED,
    alike: float = STILL_ALIKE,
) -> StopBand:
    """The same edges on another mesh of the same cell, from a band that is already known.

    One linear eigenproblem at the frequency of the band, A x = -(f - f0) A' x, starts every edge;
    the nonlinear iteration finishes it. An edge counts as found again if it has moved by less
    than MOVED and its displacement is alike; otherwise the whole search is done anew.
    """
    old = band.model
    system = BlochSystem(discretisation, old.system.phase, floor_admittance(discretisation))
    # The finite elements of a membrane resonate with the grating: beside that, they are regular.
    beside = 1.001 if discretisation.underside is not None else 1.0
    model = reduce(system, beside * band.resonance.frequency.real)
    connections = old.connections if isinstance(old, ConnectedSystem) else None
    if connections is not None:
        model = connect(model, connections)
    shorted = _found_again(model, band.shorted, moved, alike)
    open_ = _found_again(model, band.open, moved, alike)
    if shorted is None or open_ is None:
        low, high = band.searched
        return find_stop_band(discretisation, high / 1.04, low / 0.8, connections=connections)
    return replace(band, shorted=_sorted(shorted), open=_sorted(open_), model=model)


def _found_again(
    model: ReducedSystem, edges: Sequence[Edge], moved: float, alike: float
) -> list[Edge] | None:
    """Edges of one kind in another model, or None if one of them is not there."""
    if not edges:
        return []
    shorted = edges[0].shorted
    kept = model.order if shorted else model.order + model.electrodes

    def matrices(frequencies: Complex) -> Complex:
        return model.matrices(frequencies)[:, :kept, :kept]

    # Beside the band, since at an edge A is singular.
    start = 1.0001 * complex(np.mean([edge.frequency for edge in edges]))
    a, slope = value_and_slope(matrices, start)
    inverse, vectors = np.linalg.eig(-np.linalg.solve(a, slope))
    nearest = np.argsort(-np.abs(inverse))[: len(edges) + 4]
    modes: list[Mode] = []
    for index in nearest:
        guess = start + 1.0 / complex(inverse[index])
        # The iteration is for what can be an edge; elsewhere it would be long and for nothing.
        if min(abs(guess - edge.frequency) for edge in edges) > 0.01 * abs(guess):
            continue
        mode = polish(matrices, guess, vectors[:, index])
        if mode is not None and not already_found(mode, modes):
            modes.append(mode)
    modes.sort(key=lambda mode: mode.frequency.real)
    found = [_edge(model, mode, shorted) for mode in _parted(model, modes, shorted)]
    again: list[Edge] = []
    for edge in edges:
        same = [
            new
            for new in found
            if abs(new.frequency - edge.frequency) < moved * abs(edge.frequency)
            and _alike(new, edge) > alike
        ]
        if not same:
            return None
        closest = min(same, key=lambda new: abs(new.frequency - edge.frequency))
        found = [new for new in found if new is not closest]
        again.append(closest)
    return again


def _search(model: ReducedSystem, low: float, high: float) -> StopBand | None:
    """All edges between two velocities, grouped to the stop band of the strongest wave."""
    shorted, open_, bulk, counted = resonances(model, low, high)
    coupled = [edge for edge in shorted if edge.coupling > UNCOUPLED]
    if not coupled:
        return None
    leader = max(coupled, key=lambda edge: edge.coupling)
    short_pair = [leader, *partners(leader, [e for e in shorted if e is not leader], 1)]
    open_pair = partners(leader, open_, 2)
    return StopBand(
        shorted=_sorted(short_pair),
        open=_sorted(open_pair),
        model=model,
        searched=(low, high),
        onsets=bulk,
        reasons=_reasons(len(short_pair), len(open_pair), bulk),
        counted=counted,
    )


def resonances(
    model: ReducedSystem, low: float, high: float, *, floating: bool = True
) -> tuple[list[Edge], list[Edge], tuple[float, ...], bool | None]:
    """Standing or travelling modes of the grating at the model's phase, between two velocities.

    Parameters
    ----------
    model : reduced system at a phase gamma in (0, 2 pi].
    low, high : velocities w p / gamma, m/s.
    floating : whether modes with floating electrodes are wanted as well.

    Returns
    -------
    Modes with shorted and with floating electrodes, the bulk onsets between the velocities in
    hertz, and whether every contour's winding number agreed (see StopBand.counted).
    """
    cell = model.system.discretisation.cell
    substrate, _ = cell.stack.media()
    bulk = _onsets(GeneralisedTensor.from_medium(substrate), model.system.phase, low, high)
    scale = model.system.phase / (2.0 * np.pi * cell.period)
    shorted: list[Edge] = []
    open_: list[Edge] = []
    verdicts: list[bool | None] = []
    marks = [low, *bulk, high]
    for start, stop in pairwise(marks):
        if stop - start < 4.0 * CLEARANCE * stop:
            continue
        first = start * (1.0 + (CLEARANCE if start > low else 0.0))
        last = stop * (1.0 - (CLEARANCE if stop < high else 0.0))
        ellipse = Ellipse(0.5 * (first + last) * scale, 0.5 * (last - first) * scale)
        # Where nothing is radiated A is real on the axis, and half of the contour tells the rest.
        contour = ellipse.points(CONTOUR_POINTS)[0]
        mirrored = _real(model.matrix(ellipse.centre))
        samples = model.matrices(contour[: CONTOUR_POINTS // 2] if mirrored else contour)
        factored = Factored(samples[:, : model.order, : model.order], mirrored=mirrored)
        for is_short, edges in ((True, shorted), (False, open_))[: 1 + floating]:
            part = factored if is_short else Factored(samples, factored, mirrored=mirrored)
            modes, sure = _modes(model, ellipse, is_short, part)
            verdicts.append(sure)
            edges.extend(_edge(model, mode, is_short) for mode in _parted(model, modes, is_short))
    return shorted, open_, tuple(velocity * scale for velocity in bulk), _worst(verdicts)


def _onsets(substrate: GeneralisedTensor, phase: float, low: float, high: float) -> list[float]:
    """Velocities w p / gamma between two at which any harmonic starts to radiate a bulk wave.

    At pi and 2 pi the harmonics gamma and -gamma do so together; elsewhere each on its own.
    """
    steps = np.abs(phase + 2.0 * np.pi * np.arange(-3, 3)) / phase
    every = np.multiply.outer(np.array(branch_points(substrate)), steps).ravel()
    inside = sorted(every[(every > low) & (every < high)].tolist())
    return [v for i, v in enumerate(inside) if i == 0 or v > inside[i - 1] * (1.0 + 1e-9)]


def _real(matrix: Complex) -> bool:
    """Whether a matrix is real but for rounding."""
    return bool(np.abs(matrix.imag).max() <= REAL * np.abs(matrix.real).max())


def _parted(model: ReducedSystem, modes: Sequence[Mode], shorted: bool) -> list[Mode]:
    """The same modes; of two at one frequency, one that the electrodes drive and one they do not.

    The iteration leaves any two combinations of them. At gamma = pi and 2 pi the matrices are
    symmetric: with G = -X^T A' X the combinations X G^(-1/2) are orthonormal, and so is the pair
    turned until the second one holds no charge.
    """
    parted = list(modes)
    if np.isrealobj(model.basis):
        for i in range(len(parted) - 1):
            f = parted[i].frequency
            if abs(parted[i + 1].frequency - f) < COINCIDENT * abs(f):
                pair = _turned(model, parted[i], parted[i + 1], shorted)
                parted[i], parted[i + 1] = pair
    return parted


def _turned(model: ReducedSystem, one: Mode, other: Mode, shorted: bool) -> tuple[Mode, Mode]:
    """Of two modes of one frequency the mixture the electrodes see, and the one they do not."""
    r = model.order
    kept = r if shorted else r + model.electrodes
    a, slope = value_and_slope(model.matrices, 0.5 * (one.frequency + other.frequency))
    X = np.stack([one.vector, other.vector], axis=1)
    values, vectors = np.linalg.eig(-X.T @ slope[:kept, :kept] @ X)
    # G is complex symmetric: its eigenvectors are orthogonal without conjugation.
    vectors = vectors / np.sqrt(np.sum(vectors**2, axis=0))
    X = X @ (vectors / np.sqrt(values))
    seen = a[r, :kept] @ X if shorted else X[r]
    length = np.sqrt(np.sum(seen**2))
    if abs(length) > 0.0:
        p, q = seen / length
        X = X @ np.array([[p, -q], [q, p]])
    X = X / np.linalg.norm(X, axis=0)
    return replace(one, vector=X[:, 0]), replace(other, vector=X[:, 1])


def _worst(verdicts: Sequence[bool | None]) -> bool | None:
    """False if any is, else None if any is, else True."""
    if False in verdicts:
        return False
    return None if None in verdicts else True


def _modes(
    model: ReducedSystem, ellipse: Ellipse, shorted: bool, part: Factored
) -> tuple[tuple[Mode, ...], bool | None]:
    """Modes in a contour, and whether their number is what the winding of det A says."""
    r = model.order
    kept = r if shorted else r + model.electrodes

    def matrices(frequencies: Complex) -> Complex:
        return model.matrices(frequencies)[:, :kept, :kept]

    modes = find_modes(matrices, ellipse, part)
    turns = winding_number(matrices, ellipse, part, known=[mode.frequency for mode in modes])
    verdict = _verdict(model, turns, len(modes))
    if verdict is not False:
        return modes, verdict
    # Too few points to follow the phase, or a root that the quadrature missed: look closer.
    dense = Factored(matrices(ellipse.points(4 * CONTOUR_POINTS)[0]))
    turns = winding_number(
        matrices, ellipse, dense, known=[mode.frequency for mode in modes], ends=8
    )
    if _verdict(model, turns, len(modes)) is False:
        modes = find_modes(matrices, ellipse, dense, probes=24, credible=1.0)
    return modes, _verdict(model, turns, len(modes))


def _verdict(model: ReducedSystem, turns: int | None, found: int) -> bool | None:
    """Zeros minus poles against zeros found. Clamped layers of the floor bring poles."""
    if turns == found:
        return True
    layered = bool(model.system.floor.tensors[1])
    return None if layered and turns is not None and turns < found else False


def _edge(model: ReducedSystem, mode: Mode, shorted: bool) -> Edge:
    """Norm, phase, charge and first harmonic of a mode."""
    r = model.order
    f = mode.frequency
    a, slope = value_and_slope(model.matrices, f)
    kept = r if shorted else r + model.electrodes
    x = np.zeros(r + model.electrodes, dtype=complex)
    x[:kept] = mode.vector
    left = np.zeros_like(x)
    # At gamma = pi the matrices are symmetric and the left vector is x^T, which also fixes the
    # phase of a standing wave; elsewhere it comes from the singular vectors.
    standing = np.isrealobj(model.basis)
    left[:kept] = x[:kept].conj() if standing else np.linalg.svd(a[:kept, :kept])[0][:, -1]
    norm = -complex(left.conj() @ slope @ x) * f
    if standing:
        x, left, norm = x / np.sqrt(norm), left / np.sqrt(norm).conj(), 1.0 + 0.0j
    charge = complex((a[r:] @ x)[0]) if shorted else 0.0j
    coupling = abs(charge * complex(left.conj() @ a[:, r]) / norm) if shorted else 0.0
    first = int(np.argmin(np.abs(model.system.wavenumbers - model.system.phase)))
    return Edge(f, shorted, charge, coupling, _first_harmonic(model, first, x), x)


def _first_harmonic(model: ReducedSystem, first: int, x: Complex) -> Complex:
    """(4,) amplitudes of a harmonic at the floor, or at the underside of a membrane."""
    system = model.system
    d = system.discretisation
    if d.underside is None:
        return np.asarray(model.bottom[first] @ x)
    scalar = d.underside.harmonics(system.wavenumbers[first : first + 1])
    full = model.expand(x)
    return np.array([(d.fold(scalar, c, system.phase) @ full)[0] for c in range(4)])


def _alike(a: Edge, b: Edge) -> float:
    """Normalised product of the two displacement patterns, 0 to 1."""
    u, v = a.wave[:3], b.wave[:3]
    return float(abs(np.vdot(u, v)) / (np.linalg.norm(u) * np.linalg.norm(v)))


def partners(leader: Edge, edges: Sequence[Edge], count: int) -> list[Edge]:
    """The edges of the leader's wave that lie nearest to it."""
    same = [edge for edge in edges if _alike(leader, edge) > ALIKE]
    same.sort(key=lambda edge: abs(edge.frequency - leader.frequency))
    return same[:count]


def _sorted(edges: Sequence[Edge]) -> tuple[Edge, ...]:
    return tuple(sorted(edges, key=lambda edge: edge.frequency.real))


def _reasons(shorted: int, open_: int, bulk: Sequence[float]) -> tuple[str, ...]:
    """Why a band is not complete, sentences."""
    reasons = []
    onset = (
        f"; bulk waves start at {bulk[-1] / 1e6:.2f} MHz and beyond them the standing "
        "wave may not exist"
        if bulk
        else ""
    )
    if shorted < 2:
        reasons.append(f"only one shorted edge of this wave was found{onset}")
    if open_ < 2:
        reasons.append(f"only {open_} open edge of this wave was found{onset}")
    return tuple(reasons)
