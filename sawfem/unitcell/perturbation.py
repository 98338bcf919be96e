"""First-order change of a mode's frequency when the materials of its cell change.

At gamma = pi and 2 pi the matrices are symmetric. An edge with A(f) x = 0 moves with a change dA by

    df = -(x^T dA x) / (x^T A'(f) x) = f x^T dA x        (norm x^T A' x = -1/f of an Edge),

without solving anything again (first-order perturbation of a nonlinear eigenproblem; Lancaster,
Numer. Math. 6, 377 (1964), from memory). The mesh, and with it the shape functions, stay. Inside
the slab A is linear in the constants, so its change is exact; below the slab and where the change
enters otherwise (the floor's admittance), it is a central difference.
"""

from __future__ import annotations

import copy
import dataclasses
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from sawfem.design import UnitCell
from sawfem.errors import InputError
from sawfem.material import Material
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.stopband import Edge, StopBand
from sawfem.unitcell.system import BlochSystem, floor_admittance

Complex = NDArray[np.complex128]
T = TypeVar("T")

#: Relative step of the central differences. Beside the onset of a bulk wave the floor bends with
#: a length of some 5e-3 (tantalate), and the error is the square of the step over that.
STEP = 1e-5


def cell_materials(cell: UnitCell) -> tuple[Material, ...]:
    """Every material of a cell once, substrate first."""
    found: dict[int, Material] = {}

    def walk(item: Any) -> None:
        if isinstance(item, Material):
            if not any(item is known for known in found.values()):
                found[id(item)] = item
        elif dataclasses.is_dataclass(item):
            for entry in dataclasses.fields(item):
                walk(getattr(item, entry.name))
        elif isinstance(item, tuple | list):
            for member in item:
                walk(member)

    walk(cell)
    return tuple(found.values())


def substituted(item: T, old: Material, new: Material) -> T:
    """The same cell, stack or electrode with one material put for another.

    ``old`` is recognised by identity, so that two films of one set stay apart when they were
    loaded apart.
    """
    if item is old:
        return new  # type: ignore[return-value]
    if isinstance(item, Material):
        return item
    if isinstance(item, tuple):
        return type(item)(substituted(member, old, new) for member in item)
    if dataclasses.is_dataclass(item):
        changed = copy.copy(item)
        for entry in dataclasses.fields(item):
            value = getattr(item, entry.name)
            object.__setattr__(changed, entry.name, substituted(value, old, new))
        return changed
    return item


class EdgeDerivatives:
    """Derivatives of the edges of a stop band with respect to what its cell is made of.

    Parameters
    ----------
    band : solved at gamma = pi or 2 pi.

    Raises
    ------
    InputError : a band at another phase, where the matrices are not symmetric.
    """

    def __init__(self, band: StopBand) -> None:
        system = band.model.system
        if min(abs(system.phase - turn * np.pi) for turn in (1, 2)) > 1e-12:
            raise InputError(
                key="phase",
                found=f"{system.phase:.6g} rad",
                expected="pi or 2 pi, as in a stop band",
            )
        self._phase = system.phase
        self._band = band
        self._cell = system.discretisation.cell
        self._settings = system.discretisation.settings
        self._edges: tuple[Edge, ...] = (*band.shorted, *band.open)
        self._full = [band.model.expand(edge.vector) for edge in self._edges]

    @property
    def edges(self) -> tuple[Edge, ...]:
        """The shorted edges, then the open ones: the order of every answer."""
        return self._edges

    def between(self, lower: UnitCell, upper: UnitCell, width: float) -> Complex:
        """df/dq in Hz per unit of q, (edges,), from cells at q0 - width/2 and q0 + width/2.

        Both cells have the geometry of the band's own, so that they are meshed alike.
        """
        low, high = self._system(lower), self._system(upper)
        stiffness = high.stiffness - low.stiffness
        mass = high.mass - low.mass
        found = []
        for edge, x in zip(self._edges, self._full, strict=True):
            omega = low.scaled_frequency(edge.frequency)
            change = x @ (stiffness @ x) - omega**2 * (x @ (mass @ x))
            change += self._floor_change(low, high, edge.frequency, x)
            found.append(edge.frequency * complex(change) / width)
        return np.array(found)

    def material(self, old: Material, lower: Material, upper: Material, width: float) -> Complex:
        """As :meth:`between`, for two variants of one material of the cell."""
        return self.between(
            substituted(self._cell, old, lower), substituted(self._cell, old, upper), width
        )

    def stiffness(self, material: Material) -> Complex:
        """df/d ln c of one material's stiffnesses together, at constant field; Hz, (edges,)."""
        return self.material(
            material,
            replace(material, stiffness=material.stiffness * (1.0 - STEP)),
            replace(material, stiffness=material.stiffness * (1.0 + STEP)),
            2.0 * STEP,
        )

    def permittivity(self, material: Material) -> Complex:
        """df/d ln eps of one dielectric's permittivities together, Hz, (edges,)."""
        if material.permittivity is None:
            return np.zeros(len(self._edges), dtype=complex)
        return self.material(
            material,
            replace(material, permittivity=material.permittivity * (1.0 - STEP)),
            replace(material, permittivity=material.permittivity * (1.0 + STEP)),
            2.0 * STEP,
        )

    def density(self, material: Material) -> Complex:
        """df/d ln rho of one material, Hz, (edges,)."""
        return self.material(
            material,
            replace(material, density=material.density * (1.0 - STEP)),
            replace(material, density=material.density * (1.0 + STEP)),
            2.0 * STEP,
        )

    def capacitance(self, material: Material, constant: str) -> float:
        """D ln C/d ln q of the static capacitance, for q all stiffnesses or all permittivities.

        The electrodes of a period are at one potential and those of the next at its negative. The
        static field is stationary too, dC = -x^T dA x. A piezoelectric crystal's capacitance falls
        when it is made stiffer.

        Parameters
        ----------
        material : of the cell. constant : "stiffness" or "permittivity".
        """
        value = getattr(material, constant)
        if value is None:
            return 0.0
        model = self._band.model
        a, r = model.matrix(0.0), model.order
        drive = np.ones(model.electrodes, dtype=complex)
        x = np.concatenate([-np.linalg.solve(a[:r, :r], a[:r, r:] @ drive), drive])
        total = complex(x[r:] @ (a[r:] @ x))
        variants = [replace(material, **{constant: value * (1.0 + step)}) for step in (-STEP, STEP)]
        low, high = (
            self._system(substituted(self._cell, material, variant)) for variant in variants
        )
        full = model.expand(x)
        change = complex(full @ ((high.stiffness - low.stiffness) @ full))
        change += self._floor_change(low, high, 0.0, full)
        return float((change / (2.0 * STEP) / total).real)

    def _system(self, cell: UnitCell) -> BlochSystem:
        discretisation = discretise(cell, self._settings)
        return BlochSystem(discretisation, self._phase, floor_admittance(discretisation))

    @staticmethod
    def _floor_change(low: BlochSystem, high: BlochSystem, f: complex, x: Complex) -> complex:
        """x^T (P^T dY P) x: the left vector of a harmonic is that of the opposite one."""
        used = low.bottom_used
        traces = low.bottom[:, :, used] @ x[used]
        backward = np.conj(low.bottom[:, :, used]) @ x[used]
        blocks = high.floor_blocks(np.array([f]))[0] - low.floor_blocks(np.array([f]))[0]
        return complex(np.einsum("ni,nij,nj->", backward, blocks, traces))
