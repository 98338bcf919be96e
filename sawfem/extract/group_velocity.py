"""How much slower energy travels along a grating than the phase of its wave.

The stop band at phase pi tells where its edges are, not how fast the phase leaves pi beside them.
With v_g the group velocity of the wave between them,

    gamma p-wards of pi:   q^2 = d^2 - k k',    d = (w - w0)/v_g,   k = (w2 - w1)/(2 v_g),

so that all that is measured along the grating goes with g = v/v_g, v = w0 p/pi. On a half-space
of one material g is near 1; a film that guides the wave slows it (the ray picture of dispersion:
Auld, Acoustic Fields and Waves in Solids, 1973; from memory).

Here a mode of the cell is computed at the phase pi - q beside the edge that the electrodes drive,
and g = q / sqrt(d^2 - k k') with the detunings of g = 1.
"""

from __future__ import annotations

import math

import numpy as np

from sawfem.extract.coupled import ComConstants
from sawfem.unitcell.connection import ConnectedSystem
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.stopband import StopBand, resonances
from sawfem.unitcell.system import BlochSystem, floor_admittance

#: Mesh of the mode: g is a ratio of differences, and needs no finer one.
MESH = MeshSettings(order=3, gradings=2, ratio=0.15)
#: Phase from pi at which the mode is sought: this share of |k p|, and no less than that.
BESIDE, LEAST = 0.6, 0.02
#: A factor outside this window is another wave's.
WINDOW = (0.7, 3.0)


def phase_over_group_velocity(band: StopBand, com: ComConstants) -> float | None:
    """G of a grating of one electrode a period; None where no mode tells it.

    Parameters
    ----------
    band : the stop band at phase pi. com : its constants for g = 1.
    """
    if isinstance(band.model, ConnectedSystem):
        return None
    k, k_back = com.both_reflections
    size = abs(np.sqrt(k * k_back))
    q = max(BESIDE * size, LEAST)
    d = discretise(band.model.system.discretisation.cell, MESH)
    system = BlochSystem(d, math.pi - q, floor_admittance(d))
    centre = com.centre_frequency
    lower = band.resonance.frequency.real <= centre
    # Between the edge and where a wave without any group delay to spare would be.
    reach = math.hypot(size, q / WINDOW[0]) / math.pi
    ends = (size / math.pi, 1.05 * reach)
    shares = sorted((1.0 - end if lower else 1.0 + end) for end in ends)
    to_velocity = 2.0 * math.pi * com.pitch / (math.pi - q)
    low, high = (share * centre * to_velocity for share in shares)
    shorted, _, _, _ = resonances(reduce(system, centre), low, high, floating=False)
    if not shorted:
        return None
    mode = max(shorted, key=lambda edge: edge.coupling)
    p, v = com.pitch, com.velocity
    detuning = 2.0 * math.pi * mode.frequency / v * p - math.pi - 1j * com.attenuation * p
    g = float((q / np.sqrt(detuning**2 - k * k_back)).real)
    return abs(g) if WINDOW[0] < abs(g) < WINDOW[1] else None
