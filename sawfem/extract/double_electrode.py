"""Constants of a transducer with double electrodes: two electrodes in a row on each bus-bar.

The electrodes stand a quarter wavelength apart, so what two neighbours reflect cancels, and the
grating itself is the plain one: one electrode a period p, seen at the phase gamma = pi/2. The
polarity + + - - is sqrt(2) cos(pi m/2 - pi/4), a sum of gamma = +-pi/2, so the current into every
electrode is Y(f, pi/2) times its own potential, and with potentials +-1 the bus-bar voltage is 2:
Y per electrode between the bus-bars is Y(f, pi/2)/4, as for single electrodes.

Without reflection the equations of sawfem/extract/constants.py give, with d = w/v - pi/(2p),

    Y/L = j w C - 4j |a|^2 / d:

the pole is d = 0, so v = 4 p f_pole, and the zero is d = 4 |a|^2/(w C). C is fitted over a band
around both. What remains of the reflection is of second order and is left out.
"""

from __future__ import annotations

import math

import numpy as np

from sawfem.design import UnitCell
from sawfem.errors import ConvergenceError
from sawfem.extract.constants import ComConstants, nepers_per_metre
from sawfem.extract.edges import CLEAR, sampled_admittance
from sawfem.extract.grating import DECIBEL, MESHES, grating_waves, strongest
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.stopband import UNCOUPLED, partners, resonances
from sawfem.unitcell.system import BlochSystem, floor_admittance

#: Half width of the band over which C is fitted, relative to the frequency of the pole.
HALF_BAND = 0.03


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
    ConvergenceError : no wave couples to the electrodes.
    """
    wave = strongest(grating_waves(cell, phase=0.5 * math.pi))
    assert wave.velocity_free is not None
    assert wave.velocity_metallised is not None
    period = cell.period
    centre = 0.5 * (wave.velocity_free + wave.velocity_metallised)
    discretisation = discretise(cell, MESHES[1])
    system = BlochSystem(discretisation, 0.5 * math.pi, floor_admittance(discretisation))
    model = reduce(system, centre / (4.0 * period))
    shorted, open_, _, _ = resonances(
        model, 0.85 * wave.velocity_metallised, 1.02 * wave.velocity_free
    )
    coupled = [mode for mode in shorted if mode.coupling > UNCOUPLED]
    if not coupled:
        raise ConvergenceError("no wave of this grating couples to double electrodes")
    pole = max(coupled, key=lambda mode: mode.coupling)
    above = [mode for mode in open_ if mode.frequency.real > pole.frequency.real]
    zeros = partners(pole, above, 1)
    if not zeros:
        raise ConvergenceError("the open-circuit mode of the double electrodes was not found")
    f_pole, f_zero = pole.frequency.real, zeros[0].frequency.real
    velocity = 4.0 * period * f_pole

    def detuning(frequency: float) -> float:
        return 2.0 * math.pi * (frequency - f_pole) / velocity

    frequency = np.linspace((1.0 - HALF_BAND) * f_pole, (1.0 + HALF_BAND) * f_pole, 61)
    clear = (
        np.min(np.abs(frequency[:, None] - [f_pole, f_zero]), axis=1) > CLEAR * HALF_BAND * f_pole
    )
    frequency = frequency[clear]
    shape = 2j * np.pi * frequency * (frequency - f_zero) / (frequency - f_pole)
    exact = 0.25 * sampled_admittance(model, frequency)
    capacitance = float(np.median((exact / shape).real))
    a_squared = 0.25 * (2.0 * math.pi * f_pole) * capacitance * period * detuning(f_zero)
    loss = DECIBEL * max(0.0, pole.frequency.imag) / f_pole
    return ComConstants(
        pitch=2.0 * period,
        velocity=velocity,
        reflection=0.0j,
        transduction=complex(2.0 * math.sqrt(max(0.0, a_squared))),
        capacitance=2.0 * capacitance,
        attenuation=nepers_per_metre(loss, 4.0 * period),
    )
