"""Massless, infinitely thin strips: closed forms, and cells that come close to them.

Closed forms to first order in dv/v = (v_free - v_metallised)/v_free, with c = cos(pi eta)
(Datta & Hunsinger, IEEE Trans. Sonics Ultrason. SU-27, 42 (1980); Blotekjaer, Ingebrigtsen,
Skeie, IEEE Trans. Electron Devices ED-20, 1133 (1973); from memory):

    shorted  |r| = (pi/2)(dv/v) [P_1/2(-c)/P_-1/2(-c) + c]
    open     |r| = (pi/2)(dv/v) [P_1/2(+c)/P_-1/2(+c) - c]

and the capacitance per finger pair eps_inf P_-1/2(c)/P_-1/2(-c) (Engan, IEEE Trans. Electron
Devices ED-16, 1014 (1969); from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import lpmv

from sawfem.design import Stack, UnitCell
from sawfem.material import Material
from sawfem.planewave import estimate_velocities, static_permittivity
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.stopband import StopBand, find_stop_band

PITCH = 2.0e-5
#: Height of the strips over the wavelength: thin enough for the third digit of an edge.
HEIGHT = 2.0e-4


def legendre(degree: float, x: float) -> float:
    """Legendre function P_degree(x) of any real degree."""
    return float(lpmv(0, degree, x))


def shorted_reflection(eta: float) -> float:
    """|r|/(dv/v) of a shorted strip."""
    c = np.cos(np.pi * eta)
    return float(0.5 * np.pi * (legendre(0.5, -c) / legendre(-0.5, -c) + c))


def open_reflection(eta: float) -> float:
    """|r|/(dv/v) of an open strip."""
    c = np.cos(np.pi * eta)
    return float(0.5 * np.pi * (legendre(0.5, c) / legendre(-0.5, c) - c))


def capacitance_factor(eta: float) -> float:
    """Capacitance per finger pair over eps_inf."""
    c = np.cos(np.pi * eta)
    return legendre(-0.5, c) / legendre(-0.5, -c)


def massless_metal() -> Material:
    """A conductor that neither loads nor stiffens the surface: a billionth of aluminium."""
    lame, shear = 60.0, 26.0
    stiffness = np.zeros((6, 6))
    stiffness[:3, :3] = lame
    stiffness[[0, 1, 2], [0, 1, 2]] += 2.0 * shear
    stiffness[[3, 4, 5], [3, 4, 5]] = shear
    return Material(name="massless", point_group="isotropic", density=2.7e-6, stiffness=stiffness)


def weakened(material: Material, factor: float) -> Material:
    """The same crystal with its piezoelectric constants multiplied."""
    return replace(material, piezoelectric=factor * material.piezoelectric)


@dataclass(frozen=True)
class Strips:
    """A solved cell of massless strips. Edges are (1 - f/f0)/(dv/v) with f0 = v_free/(2p)."""

    band: StopBand
    coupling: float
    static: float
    velocity_free: float

    def normalised(self, edges: tuple) -> list[float]:
        return [
            (1.0 - 2.0 * PITCH * edge.frequency.real / self.velocity_free) / self.coupling
            for edge in edges
        ]

    @property
    def reflection(self) -> float:
        """|r|/(dv/v) of the shorted strips."""
        low, high = (edge.frequency.real for edge in self.band.shorted)
        return float(np.pi * (high - low) / (high + low) / self.coupling)

    @property
    def capacitance(self) -> float:
        """Per finger pair, over eps_inf."""
        return float(0.5 * self.band.model.capacitance()[0, 0].real / self.static)


def strip_cell(stack: Stack, eta: float, *, height: float = HEIGHT) -> UnitCell:
    """A grating of massless strips of ``height`` wavelengths."""
    return UnitCell.grating(
        stack,
        massless_metal(),
        pitch=PITCH,
        thickness=height * 2.0 * PITCH,
        metallisation_ratio=eta,
    )


def solve_strips(
    stack: Stack, eta: float, settings: MeshSettings, *, height: float = HEIGHT
) -> Strips:
    """Massless strips of ``height`` wavelengths, with the plane waves that normalise them."""
    cell = strip_cell(stack, eta, height=height)
    substrate, layers = stack.media()
    wave = estimate_velocities(substrate, layers)[0]
    band = find_stop_band(discretise(cell, settings), wave.velocity_free, wave.velocity_metallised)
    return Strips(
        band,
        (wave.velocity_free - wave.velocity_metallised) / wave.velocity_free,
        static_permittivity(substrate, layers),
        wave.velocity_free,
    )
