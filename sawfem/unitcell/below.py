"""The field of a mode below the meshed slab, harmonic by harmonic.

At the floor of the slab the mode is a sum of Floquet harmonics U_n exp(-j k_n x), and each of
them goes on downwards on its own. In a layer the state (U, L) follows Stroh's equation
d(U, L)/dx3 = j kappa M (U, L) (sawfem/planewave/partial_waves.py), and in the substrate, where
only waves that decay or radiate downwards exist and L = Z U,

    U(-d) = exp(-j kappa (M11 + M12 Z) d) U(0),     Z = Y/(j kappa).

Lengths are in periods, fields in the scaled units of sawfem/conventions.py.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.partial_waves import stroh_matrix
from sawfem.unitcell.system import BlochSystem

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Largest kappa h of a layer: rounding grows like exp(kappa h) on the way down through it.
STEEPEST = 20.0
#: Stands for kappa p of the uniform harmonic, whose Stroh matrix has no limit of its own: its
#: waves run straight down and its potential is constant, to the square of this.
UNIFORM = 1e-4


def field_below(
    system: BlochSystem, frequency: complex, vector: Complex, x: Array, depths: Array
) -> Complex:
    """Field of a mode below the floor of the slab.

    Parameters
    ----------
    system, frequency, vector : the full system, a mode's frequency in hertz and its unknowns.
    x : (m,) places across the period, in periods.
    depths : (d,) distances below the floor in periods, increasing, none negative.

    Returns
    -------
    (4, d, m) scaled u1, u2, u3, phi.
    """
    layers_below = _layers_below(system)
    deepest = float(depths[-1]) if depths.size else 0.0
    crossed = min(deepest, sum(thickness for _, thickness in layers_below))
    field = np.zeros((4, depths.size, x.size), dtype=complex)
    blocks = system.floor_blocks(np.array([frequency]))[0]
    for n, wavenumber in enumerate(system.wavenumbers):
        # A harmonic that steep has left less than exp(-STEEPEST) at the lower end of the layers.
        if abs(wavenumber) * crossed > STEEPEST:
            continue
        top = system.bottom[n] @ vector
        along = float(wavenumber) if abs(wavenumber) > UNIFORM else UNIFORM
        states = _downwards(system, frequency, along, (top, blocks[n] @ top), depths)
        field += states.T[:, :, None] * np.exp(-1j * wavenumber * x)
    return field


def _layers_below(system: BlochSystem) -> list[tuple[GeneralisedTensor, float]]:
    """Layers below the slab from the floor downwards, thickness in periods."""
    period = system.discretisation.cell.period
    _, layers = system.floor.tensors
    return [(tensor, thickness / period) for tensor, thickness in reversed(layers)]


def _downwards(
    system: BlochSystem,
    frequency: complex,
    wavenumber: float,
    top: tuple[Complex, Complex],
    depths: Array,
) -> Complex:
    """U at the depths, (d, 4), of one harmonic with U and the traction at the floor given."""
    kappa = abs(wavenumber)
    period = system.discretisation.cell.period
    q = np.array([np.sign(wavenumber)])
    s = np.array([2.0 * np.pi * frequency * period / kappa])
    displacement, traction = top
    state = np.concatenate([displacement, traction / (1j * kappa)])
    found = np.zeros((depths.size, 4), dtype=complex)
    start = 0.0
    for tensor, thickness in _layers_below(system):
        generator = -1j * kappa * stroh_matrix(tensor, q, s)[0]
        for index in np.flatnonzero((depths >= start) & (depths < start + thickness)):
            found[index] = (expm(generator * (depths[index] - start)) @ state)[:4]
        state = expm(generator * thickness) @ state
        start += thickness
    substrate, _ = system.floor.tensors
    if substrate.is_vacuum:
        # Below a membrane there is the decaying potential alone.
        below = depths >= start
        found[below, 3] = state[3] * np.exp(-kappa * (depths[below] - start))
        return found
    half_space = SurfaceAdmittance.from_tensors(substrate, [])
    scaled = half_space.scaled(2.0 * np.pi * frequency, wavenumber / period)
    impedance = period * scaled / (1j * kappa)
    matrix = stroh_matrix(substrate, q, s)[0]
    generator = -1j * kappa * (matrix[:4, :4] + matrix[:4, 4:] @ impedance)
    for index in np.flatnonzero(depths >= start):
        found[index] = expm(generator * (depths[index] - start)) @ state[:4]
    return found
