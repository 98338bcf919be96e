"""How much slower energy travels along a grating than the phase of its wave.

The stop band at phase pi tells where its edges are, not how fast the phase leaves pi beside them.
With v_g the group velocity of the wave between them,

    gamma p-wards of pi:   q^2 = d^2 - k k',    d = (w - w0)/v_g,   k = (w2 - w1)/(2 v_g),

so that all that is measured along the grating goes with g = v/v_g, v = w0 p/pi. On a half-space
of one material g is near 1; a film that guides the wave slows it (the ray picture of dispersion:
Auld, Acoustic Fields and Waves in Solids, 1973; from memory).

Here a mode of the cell is computed at the phase pi - q a pitch beside the edge that the electrodes
drive (sawfem/unitcell/beside.py), and with the shorted edges f1, f2 of the same mesh

    g = q / sqrt(d^2 - k k')   with   d^2 - k k' = [2 pi/Re(f1 + f2)]^2 (f - f1)(f - f2)

at g = 1. A stop band that closes leaves g = f/(gamma df/dgamma) of a wave that runs through it.
"""

from __future__ import annotations

import math

import numpy as np

from sawfem.unitcell.beside import Beside
from sawfem.unitcell.stopband import StopBand

#: Phase from pi a pitch at which the mode is sought: this share of |k p|, and no less than that.
BESIDE, LEAST = 0.6, 1e-3
#: A factor outside this window is another wave's.
WINDOW = (0.7, 3.0)


def phase_over_group_velocity(band: StopBand) -> float | None:
    """G of a grating; None where a shorted edge is missing or no mode tells it."""
    if len(band.shorted) < 2:
        return None
    f1, f2 = (edge.frequency for edge in band.shorted)
    scale = 2.0 * math.pi / (f1 + f2).real
    q = max(BESIDE * 0.5 * scale * abs(f2 - f1), LEAST)
    driven = band.resonance
    # A cell one wave long holds two pitches.
    back = q * band.model.system.phase / math.pi
    mode = Beside.of(band).mode(back, driven.frequency, below=driven is band.shorted[0])
    if mode is None:
        return None
    f = mode.frequency
    g = abs(float((q / (scale * np.sqrt((f - f1) * (f - f2)))).real))
    return g if WINDOW[0] < g < WINDOW[1] else None
