"""What a grating loses, by mechanism: radiation into the bulk and the losses of its materials.

Loss makes constants complex, at exp(+j w t): c (1 + j/Q) by a mechanical quality factor,
c + j w eta by a viscosity, and eps (1 - j tan delta) by a dielectric loss tangent. To first order
every material adds to the frequency f of an edge on its own (sawfem/unitcell/perturbation.py),

    df = (j/Q) df/d ln c        and        df = -j tan(delta) df/d ln eps,

which is its share of the strain, and of the electric, energy: 1/Q_total = sum of share/Q. The
static capacitance C of a piezoelectric crystal loses both ways, tan = tan(delta) dlnC/dlneps -
(1/Q) dlnC/dlnc, since eps at constant stress holds e^2/c
(common practice; for piezoelectric resonators Holland, IEEE Trans. Sonics Ultrason. SU-14, 18
(1967), from memory). The resistance of the electrodes depends on their length and belongs to the
device.

What is stationary is f^2 (Rayleigh's quotient x^T K x / x^T M x), and a viscosity acts at the
complex frequency itself, so that with df_v the part of the viscosities

    f -> f sqrt(1 + 2 df/f) + df_v df/f

is good to second order where all constants of the cell lose alike. What remains is of second
order in the unlikeness of the losses L = 1/Q, tan delta, w eta/c: with the share 2 |df_i|/(f L_i)
of each,

    |remainder| <= REMAINDER f V,    V = sum_i (2 |df_i|/f) L_i - (sum_m 2 |df_m|/f)^2,

the mean square of L, less the square of its mean over the mechanical ones m, whose shares add up to
no more than one.

Decibel per wavelength of a loss Im f: 40 pi/ln(10) Im f/Re f.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sawfem.design import UnitCell
from sawfem.extract.constants import PER_WAVELENGTH
from sawfem.material import Material
from sawfem.unitcell.perturbation import STEP, EdgeDerivatives, cell_materials
from sawfem.unitcell.stopband import Edge, StopBand

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Bound on what is left over f V (module docstring): up to 0.57 was seen, of the dielectric loss
#: of tantalate and of metal 8 per cent of a wavelength thick on it.
REMAINDER = 0.75
#: Decibel per wavelength below which radiation is rounding.
ROUNDING = 1e-10


@dataclass(frozen=True, eq=False)
class LossBudget:
    """Losses of the edges of one stop band.

    Attributes
    ----------
    frequency : (edges,) Hz, complex, without the losses of the materials; the shorted edges by
        frequency, then the open ones.
    mechanical, dielectric : material -> (edges,) Hz, complex shift of the frequency.
    capacitance : loss tangent of the static capacitance of the electrodes.
    viscous : (edges,) Hz, what viscosities have of the mechanical shifts.
    remainder : (edges,) Hz, bound on what ``lossy`` leaves out.
    """

    frequency: Complex
    mechanical: Mapping[str, Complex]
    dielectric: Mapping[str, Complex]
    capacitance: float = 0.0
    viscous: Complex | float = 0.0
    remainder: Array | float = 0.0

    @property
    def lossy(self) -> Complex:
        """Hz, (edges,): the frequencies with all losses (module docstring)."""
        f, df = self.frequency, self.shift
        return np.asarray(f * np.sqrt(1.0 + 2.0 * df / f) + self.viscous * df / f)

    @property
    def shift(self) -> Complex:
        """Hz, (edges,): what all materials add to the frequencies, to first order."""
        total = np.zeros_like(self.frequency)
        for part in (*self.mechanical.values(), *self.dielectric.values()):
            total = total + part
        return total

    def by_mechanism(self, edge: int) -> dict[str, float]:
        """DB per wavelength of one edge, under "radiation" and "<material>, mechanical" etc."""
        scale = PER_WAVELENGTH / self.frequency[edge].real
        radiation = float(scale * self.frequency[edge].imag)
        found = {"radiation": radiation if abs(radiation) > ROUNDING else 0.0}
        for kind in ("mechanical", "dielectric"):
            for name, part in getattr(self, kind).items():
                found[f"{name}, {kind}"] = float(scale * part[edge].imag)
        return found

    def quality(self, edge: int) -> float:
        """Q = Re f / (2 Im f) with all losses; infinite where there is none."""
        f = complex(self.lossy[edge])
        return f.real / (2.0 * f.imag) if f.imag > 0.0 else float("inf")


def has_losses(cell: UnitCell) -> bool:
    """Whether any material of a cell has a quality factor, a viscosity or a loss tangent."""
    return any(material.is_lossy for material in cell_materials(cell))


def _viscous(derivatives: EdgeDerivatives, material: Material) -> tuple[Complex, Array]:
    """Shift of every edge by a viscosity eta at its own frequency, c -> c + j w eta, Hz; and the
    loss w eta/c by the largest of either.
    """
    assert material.viscosity is not None
    stiffness, eta = material.stiffness, material.viscosity.matrix
    time = STEP * float(np.abs(stiffness).max() / np.abs(eta).max())
    lower, upper = (
        replace(material, stiffness=stiffness + side * time * eta) for side in (-1.0, 1.0)
    )
    slope = derivatives.material(material, lower, upper, 2.0 * time)
    omega = 2.0 * np.pi * np.array([edge.frequency.real for edge in derivatives.edges])
    return 1j * omega * slope, omega * STEP / time


def _loss_tangent(material: Material) -> float:
    return 0.0 if material.loss_tangent is None else material.loss_tangent.value


def loss_budget(band: StopBand) -> LossBudget:
    """Losses of the edges of a stop band by mechanism, from the materials' own data.

    A material without a quality factor, viscosity or loss tangent counts as lossless. Raises
    InputError for a band at another phase than pi or 2 pi.
    """
    derivatives = EdgeDerivatives(band)
    cell = band.model.system.discretisation.cell
    frequency = np.array([edge.frequency for edge in derivatives.edges])
    parts: dict[str, dict[str, Complex]] = {"mechanical": {}, "dielectric": {}}
    viscous = np.zeros_like(frequency)
    mean, square = np.zeros(frequency.size), np.zeros(frequency.size)
    capacitance = 0.0

    def count(kind: str, material: Material, part: Complex, loss: float | Array) -> None:
        parts[kind][material.name] = parts[kind].get(material.name, 0.0) + part
        if kind == "mechanical":
            mean[:] += 2.0 * np.abs(part / frequency)
        square[:] += 2.0 * np.abs(part / frequency) * loss

    for material in cell_materials(cell):
        if material.mechanical_q is not None:
            loss = 1.0 / material.mechanical_q
            count("mechanical", material, 1j * loss * derivatives.stiffness(material), loss)
            capacitance -= derivatives.capacitance(material, "stiffness") * loss
        if material.viscosity is not None and np.any(material.viscosity.matrix):
            part, strength = _viscous(derivatives, material)
            count("mechanical", material, part, strength)
            viscous = viscous + part
        tangent = _loss_tangent(material)
        if tangent > 0.0:
            part = -1j * tangent * derivatives.permittivity(material)
            count("dielectric", material, part, tangent)
            capacitance += tangent * derivatives.capacitance(material, "permittivity")
    return LossBudget(
        frequency=frequency,
        **parts,
        capacitance=capacitance,
        viscous=viscous,
        remainder=REMAINDER * np.abs(frequency) * np.maximum(0.0, square - mean**2),
    )


def with_losses(band: StopBand, budget: LossBudget) -> StopBand:
    """The stop band with the materials' losses in the frequencies of its edges.

    The frequencies are good to second order (``LossBudget.lossy``); residues and mode shapes stay
    those of the lossless cell: they change in first order too, but only a loss-sized part of
    themselves.
    """
    moved = [
        replace(edge, frequency=complex(frequency))
        for edge, frequency in zip((*band.shorted, *band.open), budget.lossy, strict=True)
    ]
    count = len(band.shorted)
    return replace(band, shorted=_by_frequency(moved[:count]), open=_by_frequency(moved[count:]))


def _by_frequency(edges: list[Edge]) -> tuple[Edge, ...]:
    return tuple(sorted(edges, key=lambda edge: edge.frequency.real))
