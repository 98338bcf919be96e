"""A wave of the grating followed to transverse wavenumbers: steering, anisotropy, slowness.

An electrode is a conductor along x2, so that its potential cannot vary as exp(-j k2 x2): for
k2 != 0 it is zero, driven, grounded or floating. What is followed is the shorted grating.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import ConvergenceError, InputError
from sawfem.unitcell.discretisation import Discretisation
from sawfem.unitcell.modes import polish
from sawfem.unitcell.oblique import ObliqueSystem, TransverseForms
from sawfem.unitcell.reduced import ReducedSystem, reduce
from sawfem.unitcell.stopband import Edge, StopBand, resonances
from sawfem.unitcell.system import BlochSystem, floor_admittance

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Overlap of a mode with the one before it from which it counts as the same.
SAME_MODE = 0.7


@dataclass(frozen=True, eq=False)
class ObliqueBranch:
    """One wave of a shorted grating at a fixed phase, against the transverse wavenumber.

    Attributes
    ----------
    period : m. phase : gamma, radians, so that k1 = gamma/p.
    transverse : (m,) k2, rad/m, ascending, zero among them.
    frequency : (m,) Hz, complex; positive imaginary part for radiation into the bulk.
    error : largest estimate of the relative error that the small basis makes.
    vector : all unknowns of the mode at k2 = 0.
    """

    period: float
    phase: float
    transverse: Array
    frequency: Complex
    error: float
    vector: Complex = field(repr=False)

    @property
    def angle(self) -> Array:
        """(m,) direction of the wave vector from x1 towards x2, degrees."""
        return np.asarray(np.degrees(np.arctan2(self.transverse, self.phase / self.period)))

    @property
    def slowness(self) -> Array:
        """(m, 2) k/w along x1 and x2, s/m."""
        omega = 2.0 * np.pi * self.frequency.real
        return np.column_stack([self.phase / self.period / omega, self.transverse / omega])

    def derivatives(self) -> tuple[float, float]:
        """dw/dk2 in m/s and d^2w/dk2^2 in m^2/s at k2 = 0, from the polynomial through all points.

        With an odd number of points placed evenly about zero these are central differences.
        """
        scale = float(np.max(np.abs(self.transverse)))
        omega = 2.0 * np.pi * self.frequency.real
        series = np.polynomial.Polynomial.fit(
            self.transverse / scale, omega, self.transverse.size - 1, domain=[-1, 1]
        ).coef
        return float(series[1] / scale), float(2.0 * series[2] / scale**2)


def follow_oblique(
    discretisation: Discretisation,
    phase: float,
    start: complex,
    vector: Complex,
    transverse: Sequence[float] | Array,
) -> ObliqueBranch:
    """Follow a shorted mode of the grating from k2 = 0 to transverse wavenumbers.

    Parameters
    ----------
    discretisation, phase : the cell, and gamma in radians.
    start, vector : frequency in Hz and all unknowns (``model.expand``) of the mode at k2 = 0.
    transverse : (m,) k2 in rad/m; zero is added.

    Raises
    ------
    ConvergenceError : the mode is lost, as where it meets another one; take smaller steps.
    """
    k2 = np.unique(np.append(np.asarray(transverse, dtype=float), 0.0))
    forms = TransverseForms.of(discretisation)
    period = discretisation.cell.period
    middle = int(np.flatnonzero(k2 == 0.0)[0])
    found: dict[int, complex] = {}
    errors = []
    first: tuple[complex, Complex] | None = None
    for way in (range(middle, k2.size), range(middle - 1, -1, -1)):
        known: list[tuple[float, complex]] = [] if first is None else [(0.0, first[0])]
        shape = vector if first is None else first[1]
        for index in way:
            guess = _ahead(known, float(k2[index]), start)
            floor = floor_admittance(discretisation)
            system = ObliqueSystem(discretisation, phase, floor, float(k2[index] * period), forms)
            frequency, shape, error = _same_mode(system, guess, shape)
            known.append((float(k2[index]), frequency))
            found[index] = frequency
            errors.append(error)
            first = first or (frequency, shape)
    values = np.array([found[index] for index in range(k2.size)])
    assert first is not None  # the first way starts at k2 = 0
    return ObliqueBranch(period, phase, k2, values, max(errors), first[1])


def follow_edge(band: StopBand, edge: Edge, transverse: Sequence[float] | Array) -> ObliqueBranch:
    """Follow a shorted edge of a stop band; parameters and errors as for :func:`follow_oblique`.

    Raises InputError for an open edge: there is no open grating at k2 != 0 (module docstring).
    """
    if not edge.shorted:
        raise InputError(key="edge", found="an open edge", expected="one of band.shorted")
    system = band.model.system
    vector = band.model.expand(edge.vector)
    return follow_oblique(system.discretisation, system.phase, edge.frequency, vector, transverse)


def follow_wave(
    discretisation: Discretisation,
    phase: float,
    velocities: tuple[float, float],
    transverse: Sequence[float] | Array,
) -> ObliqueBranch:
    """Follow the wave that couples most to the electrodes, outside the stop band.

    Parameters
    ----------
    phase : gamma in (0, pi). velocities : between which it runs along x1 (w p/gamma), m/s.
    transverse : as for :func:`follow_oblique`.

    Raises
    ------
    ConvergenceError : no wave of the shorted grating between the velocities, or one that is lost.
    """
    low, high = velocities
    system = BlochSystem(discretisation, phase, floor_admittance(discretisation))
    centre = 0.5 * (low + high) * phase / (2.0 * np.pi * discretisation.cell.period)
    model = reduce(system, centre)
    shorted = resonances(model, low, high)[0]
    if not shorted:
        raise ConvergenceError(
            f"no wave of the shorted grating between {low:.0f} and {high:.0f} m/s"
        )
    edge = max(shorted, key=lambda wave: wave.coupling)
    vector = model.expand(edge.vector)
    return follow_oblique(discretisation, phase, edge.frequency, vector, transverse)


def slowness_curve(
    discretisation: Discretisation,
    branch: ObliqueBranch,
    frequency: float,
    *,
    accuracy: float = 1e-9,
) -> Array:
    """k1 in rad/m, (m,), at which the wave of a branch has one frequency, for each of its k2.

    Outside a stop band: the curve k1(k2) at a fixed frequency, k/w of which is the slowness of
    the grating. Starts from the branch, with the secant method over the phase at every k2.

    Parameters
    ----------
    branch : from :func:`follow_wave`.
    frequency : Hz, near that of the branch at k2 = 0.
    accuracy : of the frequency, relative.

    Raises
    ------
    ConvergenceError : the wave has no such frequency on this side of the stop band.
    """
    forms = TransverseForms.of(discretisation)
    floor = floor_admittance(discretisation)
    period = discretisation.cell.period
    middle = int(np.flatnonzero(branch.transverse == 0.0)[0])
    phases = np.zeros(branch.transverse.size)

    def found_at(phase: float, k2: float, guess: complex, shape: Complex) -> tuple[float, Complex]:
        system = ObliqueSystem(discretisation, phase, floor, float(k2 * period), forms)
        mode, new, _ = _same_mode(system, guess, shape)
        return mode.real, new

    for way in (range(middle, phases.size), range(middle - 1, -1, -1)):
        phase, shape = (branch.phase if way.step > 0 else float(phases[middle])), branch.vector
        for index in way:
            k2 = float(branch.transverse[index])
            value, shape = found_at(phase, k2, complex(frequency), shape)
            # w = gamma v/p is the first slope; the secant mends it.
            slope = value / phase
            for _ in range(8):
                if abs(value - frequency) <= accuracy * frequency:
                    break
                step = (frequency - value) / slope
                if not 0.0 < phase + step < np.pi:
                    raise ConvergenceError(
                        f"the wave has no frequency of {frequency:.6g} Hz below phase pi at "
                        f"k2 = {k2:.4g} rad/m"
                    )
                after, shape = found_at(phase + step, k2, complex(frequency), shape)
                slope, phase, value = (after - value) / step, phase + step, after
            else:
                raise ConvergenceError(
                    f"the phase at {frequency:.6g} Hz and k2 = {k2:.4g} rad/m did not settle"
                )
            phases[index] = phase
    return phases / period


def _ahead(known: list[tuple[float, complex]], place: float, start: complex) -> complex:
    """The frequency that the last two points lead to."""
    if len(known) < 2:
        return known[-1][1] if known else start
    (a, f), (b, g) = known[-2:]
    return g + (g - f) * (place - b) / (b - a)


def _same_mode(
    system: ObliqueSystem, guess: complex, shape: Complex
) -> tuple[complex, Complex, float]:
    """Frequency, unknowns and error of the mode nearest to a guess that looks like ``shape``."""
    # The finite elements of a membrane resonate with the grating: beside that, they are regular.
    beside = 1.001 if system.discretisation.underside is not None else 1.0
    model = reduce(system, beside * guess.real)
    r = model.order

    def matrices(frequencies: Complex) -> Complex:
        return model.matrices(frequencies)[:, :r, :r]

    before = shape[: model.basis.shape[0]]
    mode = polish(matrices, guess, np.asarray(model.basis.conj().T @ before))
    if mode is None:
        raise _lost(system, "no mode")
    new = model.expand(mode.vector)
    likeness = abs(_product(model, new, shape)) / np.sqrt(
        abs(_product(model, new, new)) * abs(_product(model, shape, shape))
    )
    if likeness < SAME_MODE:
        raise _lost(system, f"a mode that is alike to {likeness:.2f}")
    padded = np.concatenate([mode.vector, np.zeros(model.electrodes, dtype=complex)])
    return mode.frequency, new, model.frequency_error(mode.frequency, padded)


def _product(model: ReducedSystem, a: Complex, b: Complex) -> complex:
    """a^H M b: kinetic energy of two sets of unknowns."""
    return complex(a.conj() @ np.asarray(model.system.mass @ b))


def _lost(system: ObliqueSystem, found: str) -> ConvergenceError:
    return ConvergenceError(
        f"an oblique wave was lost at k2 p = {system.transverse:.4g}: {found} was found there; "
        "take smaller steps of the transverse wavenumber"
    )
