"""Waves that run along a grating outside its stop band, and at an angle to it.

At a phase gamma below that of the stop band (pi of a cell of one electrode, half a wave long; 2 pi
of a cell of connected electrodes, a whole wave long), or anywhere else between, such as pi/2 of the
plain grating that double electrodes make: the wave that couples most to the electrodes is found at
k2 = 0, followed to other k2, and from there to one frequency.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import ConvergenceError
from sawfem.unitcell.connection import connect
from sawfem.unitcell.discretisation import Discretisation
from sawfem.unitcell.losses import no_losses
from sawfem.unitcell.oblique import ObliqueSystem, TransverseForms
from sawfem.unitcell.obliquewaves import (
    ObliqueBranch,
    Start,
    follow_oblique,
    pieces,
    same_mode,
    small_model,
)
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.stopband import resonances
from sawfem.unitcell.system import BlochSystem, floor_admittance

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Relative error that the slope of frequency over phase may have from one k2 to the next.
SLOPE_KEPT = 0.3


def follow_wave(
    discretisation: Discretisation,
    phase: float,
    velocities: tuple[float, float],
    transverse: Sequence[float] | Array,
    *,
    open_circuit: bool = False,
    partly: bool = False,
    connections: Sequence[str] | None = None,
) -> ObliqueBranch:
    """Follow the wave that couples most to the electrodes, outside the stop band.

    Parameters
    ----------
    discretisation : the cell; where it loses, the wave is found without loss at first.
    phase : gamma in (0, pi), or in (pi, 2 pi) of connected electrodes.
    velocities : between which it runs along x1 (w p/gamma), m/s.
    transverse, partly : as for :func:`follow_oblique`.
    open_circuit : follow the wave of the open grating next above that one.
    connections : "hot", "ground" or "floating" of each of several electrodes.

    Raises
    ------
    ConvergenceError : no wave of the grating between the velocities, or one that is lost.
    GeometryError : connections that do not suit the cell.
    """
    low, high = velocities
    plain = replace(discretisation, losses=(), loss_rule=no_losses)
    system = BlochSystem(plain, phase, floor_admittance(plain))
    centre = 0.5 * (low + high) * phase / (2.0 * np.pi * plain.cell.period)
    model = reduce(system, centre)
    if connections is not None:
        model = connect(model, connections)
    shorted, open_, *_ = resonances(model, low, high)
    if not shorted:
        raise ConvergenceError(
            f"no wave of the shorted grating between {low:.0f} and {high:.0f} m/s"
        )
    edge = max(shorted, key=lambda wave: wave.coupling)
    if open_circuit:
        above = [wave for wave in open_ if wave.frequency.real >= edge.frequency.real]
        if not above:
            raise ConvergenceError(
                f"no wave of the open grating above {edge.frequency.real:.6g} Hz and below "
                f"{high:.0f} m/s"
            )
        edge = min(above, key=lambda wave: wave.frequency.real)
    floating = pieces(model, shorted=not open_circuit)
    start = Start(edge.frequency, model.expand(edge.vector), floating)
    return follow_oblique(discretisation, phase, [start], transverse, partly=partly)[0]


def slowness_curve(
    discretisation: Discretisation,
    branch: ObliqueBranch,
    frequency: float,
    *,
    accuracy: float = 1e-9,
) -> Array:
    """k1 in rad/m, (m,): the first of what :func:`at_one_frequency` gives."""
    return at_one_frequency(discretisation, branch, frequency, accuracy=accuracy)[0]


def at_one_frequency(
    discretisation: Discretisation,
    branch: ObliqueBranch,
    frequency: float,
    *,
    accuracy: float = 1e-9,
) -> tuple[Array, Complex]:
    """k1 in rad/m, (m,), at which the wave of a branch has one frequency, for each of its k2.

    Outside a stop band: the curve k1(k2) at a fixed frequency, k/w of which is the slowness of
    the grating. Starts from the branch, with the secant method over the phase at every k2. The
    wavenumbers are real; where the wave loses, by radiation or in the materials, it is the real
    part of its frequency that is fixed, and the imaginary part tells the loss in time.

    Parameters
    ----------
    branch : from :func:`follow_wave`.
    frequency : Hz, near that of the branch at k2 = 0.
    accuracy : of the frequency, relative.

    Returns
    -------
    k1, and the complex frequencies in hertz, (m,).

    Raises
    ------
    ConvergenceError : the wave has no such frequency on this side of the stop band.
    """
    forms = TransverseForms.of(discretisation)
    floor = floor_admittance(discretisation)
    period = discretisation.cell.period
    middle = int(np.flatnonzero(branch.transverse == 0.0)[0])
    phases = np.zeros(branch.transverse.size)
    found = np.zeros(phases.size, dtype=complex)

    def mode_at(phase: float, k2: float, guess: complex, shape: Complex) -> tuple[complex, Complex]:
        system = ObliqueSystem(discretisation, phase, floor, float(k2 * period), forms)
        small = small_model(system, guess)
        mode, new, _ = same_mode(small, guess, shape, branch.floating)
        return mode, new

    for way in (range(middle, phases.size), range(middle - 1, -1, -1)):
        phase, shape = (branch.phase if way.step > 0 else float(phases[middle])), branch.vector
        value = complex(frequency, branch.frequency[middle].imag)
        # w = gamma v/p is the first slope; the secant mends it, and it changes little along k2.
        slope = frequency / branch.phase
        done = [] if way.step > 0 else [middle]
        for index in way:
            k2 = float(branch.transverse[index])
            phase = _phase_ahead(branch.transverse, phases, done, index, phase)
            _check_side(branch.phase, phase, frequency, k2)
            value, shape = mode_at(phase, k2, complex(frequency, value.imag), shape)
            known = SLOPE_KEPT
            for _ in range(8):
                step = (frequency - value.real) / slope
                if abs(frequency - value.real) * known <= accuracy * frequency:
                    phase += step
                    break
                _check_side(branch.phase, phase + step, frequency, k2)
                after, shape = mode_at(phase + step, k2, complex(frequency, value.imag), shape)
                # Its own error is of the size of the step, over the distance to the stop band.
                known = SLOPE_KEPT * min(1.0, abs(step) / abs(_limit(branch.phase) - phase))
                slope, phase, value = (after - value).real / step, phase + step, after
            else:
                raise ConvergenceError(
                    f"the phase at {frequency:.6g} Hz and k2 = {k2:.4g} rad/m did not settle"
                )
            phases[index], found[index] = phase, complex(frequency, value.imag)
            done.append(index)
    return phases / period, found


def _phase_ahead(
    transverse: Array, phases: Array, done: list[int], index: int, phase: float
) -> float:
    """The phase that the last three points of a curve lead to; that of its first at first."""
    near = done[-3:]
    if not near:
        return phase
    x = transverse[near]
    shares = [
        np.prod([(transverse[index] - b) / (a - b) for b in x if b != a], initial=1.0) for a in x
    ]
    return float(np.dot(shares, phases[near]))


def _limit(start: float) -> float:
    """The phase of the stop band above ``start``."""
    return float(np.pi if start < np.pi else 2.0 * np.pi)


def _check_side(start: float, phase: float, frequency: float, k2: float) -> None:
    """ConvergenceError for a phase beyond the stop band that lies above ``start``."""
    limit = _limit(start)
    if not limit - np.pi < phase < limit:
        raise ConvergenceError(
            f"the wave has no frequency of {frequency:.6g} Hz below phase "
            f"{'pi' if limit == np.pi else '2 pi'} at k2 = {k2:.4g} rad/m"
        )
