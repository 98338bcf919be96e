"""Constants of a transducer with double electrodes: two electrodes in a row on each bus-bar.

The electrodes stand a quarter wavelength apart, so what two neighbours reflect cancels, and the
grating itself is the plain one: one electrode a period p, seen at the phase gamma = pi/2. The
polarity + + - - is sqrt(2) cos(pi m/2 - pi/4), a sum of gamma = +-pi/2, so the current into every
electrode is Y(f, pi/2) times its own potential, and with potentials +-1 the bus-bar voltage is 2:
Y per electrode between the bus-bars is Y(f, pi/2)/4, as for single electrodes.

Without reflection the equations of sawfem/extract/coupled.py give, with d = w/v - pi/(2p),

    Y/L = j w C - 4j |a|^2 / d:

the pole is d = 0, so v = 4 p f_pole, and the zero is d = 4 |a|^2/(w C). C is fitted over a band
around both. What remains of the reflection is of second order and is left out. The phase runs
pi/2 an electrode, so v over the group velocity 2 pi p df/dgamma is f/(gamma df/dgamma), with the
derivative of the mode along its phase (sawfem/unitcell/beside.py).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from sawfem.design import UnitCell
from sawfem.errors import ConvergenceError, handed
from sawfem.extract.constants import PER_WAVELENGTH, ComConstants, nepers_per_metre
from sawfem.extract.edges import CLEAR, sampled_admittance
from sawfem.extract.grating import MESHES, grating_waves, strongest
from sawfem.planewave import Wave
from sawfem.unitcell.beside import phase_slope
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.reduced import ReducedSystem, reduce
from sawfem.unitcell.stopband import UNCOUPLED, Edge, partners, resonances
from sawfem.unitcell.system import BlochSystem, floor_admittance

#: Phase from electrode to electrode at which double electrodes work.
PHASE = 0.5 * math.pi
#: Half width of the band over which C is fitted, relative to the frequency of the pole.
HALF_BAND = 0.03
#: Constants that have an error bar.
NUMERICAL = (
    "velocity",
    "transduction",
    "capacitance",
    "attenuation",
    "phase_over_group_velocity",
)


@dataclass(frozen=True)
class DoubleElectrodeSolution:
    """Constants of double electrodes and the numerical uncertainty of each.

    Attributes
    ----------
    constants : see :func:`double_electrode_constants`.
    numerical : absolute difference to the coarser mesh under the name of each constant.
    """

    constants: ComConstants
    numerical: Mapping[str, float | complex]


def double_electrode_constants(cell: UnitCell) -> ComConstants:
    """Constants per pair of electrodes on one bus-bar: half an acoustic wavelength, 2p.

    Parameters
    ----------
    cell : the plain grating of the electrodes, one electrode a period p = wavelength / 4.

    Returns
    -------
    ComConstants with pitch 2p, reflection zero, and transduction and capacitance of two
    electrodes.

    Raises
    ------
    InputError : ``cell`` is none.
    ConvergenceError : no wave couples to the electrodes.
    """
    return solve_double_electrodes(cell).constants


def solve_double_electrodes(cell: UnitCell) -> DoubleElectrodeSolution:
    """As :func:`double_electrode_constants`, on two meshes: the finer one and the difference."""
    handed(cell, UnitCell, "cell", "a UnitCell")
    wave = strongest(grating_waves(cell, phase=PHASE))
    with threadpool_limits(limits=1, user_api="blas"):
        coarse, fine = (_on_mesh(cell, wave, settings) for settings in MESHES[:2])
    numerical: dict[str, float | complex] = {
        name: abs(getattr(fine, name) - getattr(coarse, name)) for name in NUMERICAL
    }
    return DoubleElectrodeSolution(fine, numerical)


def _on_mesh(cell: UnitCell, wave: Wave, settings: MeshSettings) -> ComConstants:
    """Constants of two electrodes from the pole and the zero of Y(f, pi/2) on one mesh."""
    assert wave.velocity_free is not None
    assert wave.velocity_metallised is not None
    discretisation = discretise(cell, settings)
    centre = 0.5 * (wave.velocity_free + wave.velocity_metallised)
    system = BlochSystem(discretisation, PHASE, floor_admittance(discretisation))
    model = reduce(system, centre / (4.0 * cell.period))
    pole, zero = _pole_and_zero(model, 0.85 * wave.velocity_metallised, 1.02 * wave.velocity_free)
    f_pole, f_zero = pole.frequency.real, zero.frequency.real
    velocity = 4.0 * cell.period * f_pole
    capacitance = _fitted_capacitance(model, f_pole, f_zero)
    # The zero lies at d = 4 |a|^2 / (w C).
    detuning = 2.0 * math.pi * (f_zero - f_pole) / velocity
    a_squared = 0.25 * (2.0 * math.pi * f_pole) * capacitance * cell.period * detuning
    loss = pole.frequency.imag / f_pole
    loss = PER_WAVELENGTH * loss if loss > 1e-12 else 0.0
    return ComConstants(
        pitch=2.0 * cell.period,
        velocity=velocity,
        reflection=0.0j,
        transduction=complex(2.0 * math.sqrt(max(0.0, a_squared))),
        capacitance=2.0 * capacitance,
        attenuation=nepers_per_metre(loss, 4.0 * cell.period),
        phase_over_group_velocity=f_pole / (PHASE * phase_slope(model, pole).real),
    )


def _pole_and_zero(model: ReducedSystem, low: float, high: float) -> tuple[Edge, Edge]:
    """The shorted and the open mode of the strongest wave."""
    shorted, open_, _, _ = resonances(model, low, high)
    coupled = [mode for mode in shorted if mode.coupling > UNCOUPLED]
    if not coupled:
        raise ConvergenceError("no wave of this grating couples to double electrodes")
    pole = max(coupled, key=lambda mode: mode.coupling)
    above = [mode for mode in open_ if mode.frequency.real > pole.frequency.real]
    zeros = partners(pole, above, 1)
    if not zeros:
        raise ConvergenceError("the open-circuit mode of the double electrodes was not found")
    return pole, zeros[0]


def _fitted_capacitance(model: ReducedSystem, pole: float, zero: float) -> float:
    """C p per electrode, F/m: the scale of Y = j w C (f - zero)/(f - pole) over the band."""
    frequency = np.linspace((1.0 - HALF_BAND) * pole, (1.0 + HALF_BAND) * pole, 61)
    nearest = np.min(np.abs(frequency[:, None] - [pole, zero]), axis=1)
    frequency = frequency[nearest > CLEAR * HALF_BAND * pole]
    shape = 2j * np.pi * frequency * (frequency - zero) / (frequency - pole)
    exact = 0.25 * sampled_admittance(model, frequency)
    return float(np.median((exact / shape).real))
