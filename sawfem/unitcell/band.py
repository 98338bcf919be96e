"""Edges of a stop band, and the band that they make."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sawfem.unitcell.connection import ConnectedSystem
from sawfem.unitcell.reduced import ReducedSystem

Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Edge:
    """One edge of the stop band.

    Attributes
    ----------
    frequency : Hz, complex; a positive imaginary part is loss by radiation.
    shorted : electrodes at zero potential, else floating.
    charge : charge of the electrode for a mode of unit norm x^T A'(f) x = -1/f, scaled; zero for
        open edges.
    coupling : strength with which the electrodes excite the mode, |charge|^2 of a standing wave:
        the residue of Y(f, gamma), which is -j 2 pi f^2 CAPACITANCE coupling / (f - frequency).
    wave : (4,) amplitudes u1, u2, u3, phi of the harmonic exp(-j gamma x/p) at the floor of the
        slab, or at the underside of a membrane, for the same norm and phase.
    vector : reduced unknowns, electrodes included.
    """

    frequency: complex
    shorted: bool
    charge: complex
    coupling: float
    wave: Complex = field(repr=False)
    vector: Complex = field(repr=False)


@dataclass(frozen=True)
class StopBand:
    """The edges of one wave at the phase of the model, pi or 2 pi.

    Attributes
    ----------
    shorted, open : sorted by frequency; two of each, or fewer with ``reasons``.
    model : the reduced system on which they were found.
    searched : (low, high) velocities 2 p f in m/s that the contours covered.
    onsets : frequencies in hertz at which a bulk wave of the substrate starts to be radiated.
    reasons : why an edge is missing, as sentences.
    counted : whether the winding number of every contour agreed with the modes found in it; None
        where resonances of clamped layers below the slab may hide a difference.
    """

    shorted: tuple[Edge, ...]
    open: tuple[Edge, ...]
    model: ReducedSystem = field(repr=False)
    searched: tuple[float, float]
    onsets: tuple[float, ...]
    reasons: tuple[str, ...]
    counted: bool | None

    @property
    def pitch(self) -> float:
        """Half the wavelength along the grating, m: the way over which the phase is pi."""
        system = self.model.system
        return float(system.discretisation.cell.period * np.pi / system.phase)

    @property
    def share(self) -> float:
        """Admittance between the bus-bars per pitch, over that of the model.

        Potentials +-1 on alternate electrodes are a bus-bar voltage of two, hence 1/4 of the
        harmonic admittance at gamma = pi; a connected cell has half of its own for each of its
        two pitches.
        """
        return 0.5 if isinstance(self.model, ConnectedSystem) else 0.25

    @property
    def resonance(self) -> Edge:
        """The shorted edge that the electrodes excite (the stronger one of two)."""
        return max(self.shorted, key=lambda edge: edge.coupling)

    @property
    def antiresonance(self) -> Edge | None:
        """The open edge that is not common to both pairs, or the nearest one above resonance."""
        if len(self.open) < 2:
            return self.open[0] if self.open else None
        quiet = min(self.shorted, key=lambda edge: edge.coupling).frequency
        return max(self.open, key=lambda edge: abs(edge.frequency - quiet))
