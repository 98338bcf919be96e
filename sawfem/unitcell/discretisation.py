"""One period as matrices: unknowns, electrodes, Bloch condition and boundary traces.

Unknowns are the three displacements in every solid and the potential in every dielectric and in
the air. A metal is elastic only; the potential on its boundary is one number an electrode, and zero
on metal planes in the stack (a plane in one piece has one potential, which fields ~ exp(-j gamma)
leave none but zero; at gamma = 0 it counts as grounded).

The Bloch condition U(x + p) = exp(-j gamma) U(x) ties the right side to the left one,
x_all = T(gamma) x with T = T0 + exp(-j gamma) T1, so that exactly

    K(gamma) = K_a + exp(-j gamma) K_b + exp(+j gamma) K_b^T,     M(gamma) alike,

with real matrices that are assembled once. The unknowns of the electrodes come last.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from skfem import Basis

from sawfem.conventions import EPSILON_0, FIELD, STRESS
from sawfem.design import UnitCell
from sawfem.material import Medium
from sawfem.planewave.generalised import generalised_tensor
from sawfem.unitcell.affine import AffineMatrix, LossMatrix, Trace
from sawfem.unitcell.degrees import left_out
from sawfem.unitcell.forms import (
    DENSITY,
    VELOCITY,
    ScalarForms,
    elastic_tensor,
    scalar_forms,
    shape_functions,
    sparse_from,
    stiffness_values,
)
from sawfem.unitcell.losses import LossRule, no_losses
from sawfem.unitcell.mesh import AIR, METAL, CellMesh, MeshSettings, mesh_cell
from sawfem.unitcell.meshsize import check_memory

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.int64]
Narrow = NDArray[np.int32]
#: Entries that stay within the cell and those that go forward: (which, rows, columns) each.
Sides = tuple[tuple[Index, Index, Index], ...]

#: eps0 in the scaled units of sawfem/conventions.py.
SCALED_EPSILON_0 = EPSILON_0 * FIELD**2 / STRESS


@dataclass(frozen=True)
class Unknowns:
    """Numbering of the unknowns.

    Attributes
    ----------
    number : (4, n) unknown of each component and scalar shape function; -1 where there is none.
        Shape functions on the right side carry the number of their twin on the left.
    wraps : (n,) whether a shape function lies on the right side.
    size : number of unknowns, electrodes included.
    """

    number: Index
    wraps: NDArray[np.bool_]
    size: int


@dataclass(frozen=True)
class Discretisation:
    """The assembled cell. Scales: lengths in periods, sawfem/conventions.py for the rest.

    Attributes
    ----------
    cell, settings, mesh, basis : what was assembled, and on which shape functions.
    stiffness, mass : affine in the Bloch phase, square in the reduced unknowns; the
        equation of motion is (K - W^2 M) x with W = w p / VELOCITY.
    unknowns : how component and scalar shape function are numbered.
    bottom, top : traces on the floor of the slab and on the upper side of the air.
    electrodes : number of electrodes; their unknowns are the last ones.
    underside : traces on the lower side of a membrane that is meshed whole, whose floor is air.
    losses : imaginary parts of the stiffness, by material and mechanism; () where nothing is lost.
    loss_rule : what every medium loses, for what lies below the slab.
    """

    cell: UnitCell
    settings: MeshSettings
    mesh: CellMesh
    basis: Basis
    stiffness: AffineMatrix
    mass: AffineMatrix
    unknowns: Unknowns
    bottom: Trace
    top: Trace
    electrodes: int
    underside: Trace | None = None
    losses: tuple[LossMatrix, ...] = ()
    loss_rule: LossRule = no_losses

    @property
    def size(self) -> int:
        """Number of unknowns, electrodes included."""
        return int(self.stiffness.constant.shape[0])

    def unfold(self, vector: Complex, phase: float) -> Complex:
        """Unknowns -> (4, n): coefficients of u1, u2, u3, phi over the whole mesh, scaled."""
        u = self.unknowns
        values = np.append(vector, 0.0)[u.number]
        return np.where(u.wraps, np.exp(-1j * phase) * values, values)

    def fold(self, traces: Complex, component: int, phase: float) -> Complex:
        """Functionals of scalar shape functions (k, n) -> of the unknowns (k, size).

        T(gamma) of the module docstring, from the right, for one component.
        """
        u = self.unknowns
        used = np.flatnonzero(np.abs(traces).max(axis=0) > 0.0)
        used = used[u.number[component, used] >= 0]
        values = traces[:, used] * np.where(u.wraps[used], np.exp(-1j * phase), 1.0)
        result = np.zeros((traces.shape[0], self.size), dtype=complex)
        np.add.at(result.T, u.number[component, used], values.T)
        return result


def discretise(
    cell: UnitCell, settings: MeshSettings, *, losses: LossRule = no_losses
) -> Discretisation:
    """Mesh and assemble one period.

    Parameters
    ----------
    losses : what every medium loses, such as :func:`.losses.material_losses`; nothing by default.

    Raises
    ------
    GeometryError : a cell that the structured mesh cannot take, or whose mesh is too large.
    """
    cell_mesh = mesh_cell(cell, settings)
    check_memory(cell_mesh, settings)
    basis = shape_functions(cell_mesh, settings.order)
    partner = _partners(basis)
    dropped = left_out(cell_mesh, basis, settings.order, settings.thrift)
    twins = np.flatnonzero(partner >= 0)
    dropped[twins] |= dropped[partner[twins]]
    dropped[partner[twins]] = dropped[twins]
    forms = scalar_forms(cell_mesh, basis, ~dropped)
    dead = dropped, _grounded(cell, cell_mesh, basis)
    unknowns = _number_unknowns(cell_mesh, basis, partner, dead, len(cell.electrodes))
    stiffness, mass = _assemble(cell_mesh, forms, unknowns)
    return Discretisation(
        cell=cell,
        settings=settings,
        mesh=cell_mesh,
        basis=basis,
        stiffness=stiffness,
        mass=mass,
        unknowns=unknowns,
        bottom=_trace(cell_mesh, basis, -cell_mesh.depth, settings),
        top=_trace(cell_mesh, basis, cell_mesh.top, settings),
        electrodes=len(cell.electrodes),
        underside=_underside(cell, cell_mesh, basis, settings),
        losses=_assemble_losses(cell, cell_mesh, forms, unknowns, losses),
        loss_rule=losses,
    )


def _underside(
    cell: UnitCell, cell_mesh: CellMesh, basis: Basis, settings: MeshSettings
) -> Trace | None:
    """Traces on the lower side of a membrane with meshed air below; None for other cells."""
    thickness = sum(layer.thickness for layer in cell.stack.layers) / cell.period
    if not cell.stack.is_membrane or cell_mesh.depth < thickness * (1.0 + 1e-9):
        return None
    return _trace(cell_mesh, basis, -thickness, settings)


def tensors_of(medium: Medium | None) -> tuple[Array, float, range]:
    """Scaled G_iJKl, density over DENSITY and the components that live in a medium or the air."""
    if medium is None:
        tensor = np.zeros((3, 4, 4, 3))
        tensor[:, 3, 3, :] = -SCALED_EPSILON_0 * np.eye(3)
        return tensor, 0.0, range(3, 4)
    if medium.is_conductor:
        return elastic_tensor(medium), medium.density / DENSITY, range(3)
    return generalised_tensor(medium), medium.density / DENSITY, range(4)


def _assemble(
    cell_mesh: CellMesh, forms: dict[int, ScalarForms], unknowns: Unknowns
) -> tuple[AffineMatrix, AffineMatrix]:
    """Stiffness and mass in the reduced unknowns, affine in the Bloch phase."""
    stiffness, mass = AffineParts(unknowns), AffineParts(unknowns)
    for index, scalar in forms.items():
        tensor, density, components = tensors_of(cell_mesh.media[index])
        sides = stiffness.sides((scalar.rows, scalar.columns))
        for j in components:
            for k in components:
                if np.any(tensor[:, j, k, :]):
                    stiffness.add(sides, j, k, stiffness_values(scalar, tensor, j, k))
            if j < 3:
                mass.add(sides, j, j, density * scalar.mass)
    return stiffness.matrix(), mass.matrix()


def _assemble_losses(
    cell: UnitCell,
    cell_mesh: CellMesh,
    forms: dict[int, ScalarForms],
    unknowns: Unknowns,
    rule: LossRule,
) -> tuple[LossMatrix, ...]:
    """Imaginary parts of the stiffness, media of one name together."""
    found: dict[tuple[str, str], AffineParts] = {}
    for index, scalar in forms.items():
        medium = cell_mesh.media[index]
        if medium is None:
            continue
        components = tensors_of(medium)[2]
        places = scalar.rows, scalar.columns
        for term in rule(medium):
            tensor = term.tensor
            if term.viscous:  # over w -> over W = w p / VELOCITY
                tensor = tensor * VELOCITY / cell.period
            parts = found.setdefault((medium.name, term.mechanism), AffineParts(unknowns))
            for j in components:
                for k in components:
                    parts.put(places, j, k, stiffness_values(scalar, tensor, j, k))
    return tuple(LossMatrix(*key, parts.matrix()) for key, parts in found.items())


class AffineParts:
    """Collects triplets of an AffineMatrix, sorted by whether an entry wraps around."""

    def __init__(self, unknowns: Unknowns) -> None:
        self._unknowns = unknowns
        # Narrow indices: the triplets are what takes the most memory of all.
        self._number = unknowns.number.astype(np.int32)
        self._constant: list[tuple[Narrow, Narrow, Array]] = []
        self._forward: list[tuple[Narrow, Narrow, Array]] = []

    def sides(self, places: tuple[Index, Index]) -> Sides:
        """Which entries at (rows, columns) of scalar shape functions stay within the cell, and
        which go forward into the next one.
        """
        # A test function on the right side carries exp(+j gamma), a trial one exp(-j gamma).
        after, before = (self._unknowns.wraps[place] for place in places[::-1])
        return tuple(
            (kept, places[0][kept], places[1][kept])
            for kept in (np.flatnonzero(after == before), np.flatnonzero(after & ~before))
        )

    def put(self, places: tuple[Index, Index], j: int, k: int, values: Array) -> None:
        """Add entries at (rows, columns) of scalar shape functions, for test component j and
        trial component k.
        """
        self.add(self.sides(places), j, k, values)

    def add(self, sides: Sides, j: int, k: int, values: Array) -> None:
        """The same, with the entries sorted once for all components."""
        for parts, (kept, row, column) in zip((self._constant, self._forward), sides, strict=True):
            rows, columns, entries = self._number[j, row], self._number[k, column], values[kept]
            active = np.flatnonzero((rows >= 0) & (columns >= 0) & (entries != 0.0))
            parts.append((rows[active], columns[active], entries[active]))

    def matrix(self) -> AffineMatrix:
        """The two sparse matrices."""
        size = self._unknowns.size
        return AffineMatrix(sparse_from(self._constant, size), sparse_from(self._forward, size))


def _number_unknowns(
    cell_mesh: CellMesh,
    basis: Basis,
    partner: Index,
    dead: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    electrodes: int,
) -> Unknowns:
    """Number displacements in solids, potentials in dielectrics, then the electrodes.

    ``dead`` are shape functions that are left out, and those on which the potential is zero.
    """
    dropped, grounded = dead
    n = basis.N
    dofs = basis.element_dofs
    solid, dielectric, nodal = (np.zeros(n, dtype=bool) for _ in range(3))
    solid[dofs[:, cell_mesh.region != AIR]] = True
    dielectric[dofs[:, cell_mesh.region != METAL]] = True
    nodal[basis.nodal_dofs] = True
    owner = np.full(n, -1)
    for electrode in range(electrodes):
        owner[dofs[:, cell_mesh.electrode == electrode]] = electrode
    clamped = owner >= 0

    wraps = partner >= 0
    number = np.full((4, n), -1, dtype=np.int64)
    size = 0
    for component in range(4):
        active = solid if component < 3 else dielectric & ~clamped & ~grounded
        kept = np.flatnonzero(active & ~wraps & ~dropped)
        number[component, kept] = size + np.arange(kept.size)
        size += kept.size
    # The constant one is the sum of the nodal functions, so only these carry the potential.
    touching = np.flatnonzero(clamped & dielectric & nodal)
    number[3, touching] = size + owner[touching]
    number[:, wraps] = number[:, partner[wraps]]
    return Unknowns(number=number, wraps=wraps, size=size + electrodes)


def _grounded(cell: UnitCell, cell_mesh: CellMesh, basis: Basis) -> NDArray[np.bool_]:
    """Shape functions on metal planes of the stack, layers or interfaces, within the mesh."""
    found = np.zeros(basis.N, dtype=bool)
    for index, medium in enumerate(cell_mesh.media):
        if medium is not None and medium.is_conductor:
            planes = (cell_mesh.medium == index) & (cell_mesh.electrode < 0)
            found[basis.element_dofs[:, planes]] = True
    mesh = basis.mesh
    layers = cell.stack.layers
    for short in cell.stack.shorts:
        level = -sum(layer.thickness for layer in layers[short:]) / cell.period
        on = np.abs(mesh.p[1] - level) < 1e-9
        found[basis.nodal_dofs[:, on]] = True
        found[basis.facet_dofs[:, on[mesh.facets].all(axis=0)]] = True
    return found


def _partners(basis: Basis) -> Index:
    """For every scalar unknown on the right side its twin on the left side, else -1."""
    mesh = basis.mesh
    partner = np.full(basis.N, -1)

    def match(places: Array, dofs: Index) -> None:
        left = np.flatnonzero(np.abs(places[0]) < 1e-12)
        right = np.flatnonzero(np.abs(places[0] - 1.0) < 1e-12)
        left = left[np.argsort(places[1, left])]
        right = right[np.argsort(places[1, right])]
        partner[dofs[:, right]] = dofs[:, left]

    match(mesh.p, basis.nodal_dofs)
    middles = mesh.p[:, mesh.facets].mean(axis=1)
    match(middles, basis.facet_dofs)
    return partner


def _trace(cell_mesh: CellMesh, basis: Basis, level: float, settings: MeshSettings) -> Trace:
    """Shape functions on the horizontal line z = level, the floor or the upper side.

    Harmonics up to |k| = 2 pi 24 are integrated to rounding: a Gauss rule with
    k h / 2 + order + 5 points an element of length h does that.
    """
    mesh = cell_mesh.mesh
    corners = mesh.p[:, mesh.t]
    on_level = np.abs(corners[1] - level) < 1e-9
    elements = np.flatnonzero(on_level.sum(axis=0) == 2)
    above = corners[1, :, elements].mean(axis=1) > level
    if not (above.all() or not above.any()):  # within the mesh: once is enough
        elements = elements[above]
    count = int(np.ceil(np.pi * 24 * settings.largest)) + settings.order + 5
    nodes, weights = np.polynomial.legendre.leggauss(count)
    t, weights = 0.5 * (nodes + 1.0), 0.5 * weights
    # A tensor mesh numbers the corners of all its elements alike: one pair lies on the level.
    first, last = np.flatnonzero(on_level[:, elements[0]])
    if corners[0, first, elements[0]] > corners[0, last, elements[0]]:
        first, last = last, first
    start, stop = basis.elem.doflocs[first], basis.elem.doflocs[last]
    place = start[:, None] + np.multiply.outer(stop - start, t)
    left = corners[0, first, elements]
    length = corners[0, last, elements] - left

    dofs = basis.element_dofs[:, elements]
    values = np.stack([basis.elem.lbasis(place, i)[0] for i in range(dofs.shape[0])])
    entries = values[:, None, :] * (length[:, None] * weights)
    columns = np.broadcast_to(dofs[:, :, None], entries.shape)
    rows = np.broadcast_to(np.arange(elements.size * count).reshape(-1, count), entries.shape)
    weighted = sp.csr_array(
        (entries.ravel(), (rows.ravel(), columns.ravel())),
        shape=(elements.size * count, basis.N),
    )
    weighted.eliminate_zeros()
    return Trace(x=(left[:, None] + length[:, None] * t).ravel(), weighted=weighted)
