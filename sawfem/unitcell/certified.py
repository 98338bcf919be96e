"""One small model of a cell for every frequency and phase of a region, and how wrong it may be.

The basis grows by full solutions at chosen points (f, gamma)
(:mod:`sawfem.unitcell.snapshots`); K and M enter by three matrices each (affine in
exp(-j gamma)), floor and air by their thin traces: nothing but the basis is approximated. Where
materials lose, K is complex and with a viscosity affine in the frequency, and the floor has lossy
constants (:mod:`sawfem.unitcell.losses`): nothing is of first order then.

Certificate. With the reduced solutions x of A x = b and y of A^H y = c and their full residuals
r and r_d, exactly

    Y - Y_r = j w C0 r_d^H A^-1 r,    C0 = CAPACITANCE.

|r| and |r_d| are measured in the norm of H^-1, H the elastic and electric energy of the cell,
by projection on a few random vectors with covariance H^-1: E |Omega^H r|^2 = k r^H H^-1 r. No
squared norms are expanded, so the bound has no floor at the root of the rounding error. A is
close to H on what the basis leaves unresolved (losses change it by some 1/Q there), so

    |Y - Y_r| <= SAFETY w C0 (2 rho rho_d + 3e-14 |a| |d| + 4e-16 |q a| |q d|)

with what rounding leaves in the small matrices and in the making of them: q^2 is the size of the
terms that cancel in the energy of a column, large where elements are narrow
(reduced bases: Hesthaven, Rozza, Stamm 2016; randomised residual norms: Smetana, Zahm, Patera,
SIAM J. Sci. Comput. 41, A900 (2019); from memory). It is an estimate with high probability, not
a proof, and it is the error against the same mesh with an infinite basis: the error of the mesh
comes on top.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.conventions import FIELD
from sawfem.design import UnitCell
from sawfem.errors import InputError
from sawfem.unitcell.discretisation import Discretisation, discretise
from sawfem.unitcell.greedy import Growth, Progress, silent
from sawfem.unitcell.identity import cell_description, description_hash
from sawfem.unitcell.losses import lossy_media, material_losses, no_losses
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.projected import CellAtPhase, CertifiedAnswer, ProjectedCell
from sawfem.unitcell.region import Region, folded_phase
from sawfem.unitcell.snapshots import SnapshotBasis
from sawfem.units import QuantityLike, parse_frequency

Complex = NDArray[np.complex128]

#: Mesh of a cell that is given without one: 1e-4 of Y off resonance. Degrees that fall towards the
#: corners halve the unknowns at the same error (five gratings against a mesh of 1e-6).
MESH = MeshSettings(order=5, gradings=3, ratio=0.08, thrift=0.3)


@dataclass(frozen=True, init=False, eq=False)
class CellModel:
    """Reduced model of a cell over a region of (f, gamma), grown until it is good enough.

    Parameters
    ----------
    cell : the cell, or an assembled one.
    frequencies : lowest and highest frequency, as text with a unit or in hertz.
    phases : lowest and highest Bloch phase gamma, radians, within 0..pi.
    tolerance : bound on |Y - Y_r| / max(|Y|, 0.01 w C) to reach on the training points.
    mesh : how the cell is cut up; not for an assembled one.
    losses : whether what the materials say of their losses counts: quality factor, viscosity and
        loss tangent; an assembled cell brings its own.
    most : snapshots that may be taken.
    training : numbers of training frequencies and phases.
    progress : called as progress(done, total) with the logarithm of the error closed so far.

    Raises
    ------
    ConvergenceError : the tolerance was not reached with ``most`` snapshots.
    InputError : frequencies or phases that make no region.

    Attributes
    ----------
    region, tolerance : what was asked. reached : largest relative bound on the training points.
    snapshots : the points (f, gamma) that were solved in full.
    capacitance : scale C of the admittance, F/m: the largest entry of the first snapshot's Y/w.
    description, sha256 : text of the cell and its mesh settings, and its hash
        (:mod:`sawfem.unitcell.identity`).
    projected : the small matrices.
    """

    region: Region
    tolerance: float
    reached: float
    snapshots: tuple[tuple[float, float], ...]
    capacitance: float = field(repr=False)
    description: str = field(repr=False)
    projected: ProjectedCell = field(repr=False)
    _basis: Complex | None = field(repr=False)
    _lift: Complex | None = field(repr=False)
    _source: SnapshotBasis | None = field(repr=False)

    def __init__(
        self,
        cell: UnitCell | Discretisation,
        frequencies: Sequence[QuantityLike],
        phases: tuple[float, float] = (0.0, np.pi),
        *,
        tolerance: float = 1e-8,
        mesh: MeshSettings | None = None,
        losses: bool = True,
        most: int = 40,
        training: tuple[int, int] = (13, 15),
        progress: Progress | None = None,
    ) -> None:
        if len(frequencies) != 2:
            raise InputError(
                key="frequencies", found=f"{len(frequencies)} numbers", expected="two frequencies"
            )
        low, high = (parse_frequency(f, key="frequencies") for f in frequencies)
        region = Region((low, high), phases)
        if not 1e-13 < tolerance < 1.0:
            raise InputError(
                key="tolerance", found=f"{tolerance!r}", expected="a number from 1e-12 to 1"
            )
        if isinstance(cell, UnitCell):
            rule = material_losses if losses else no_losses
            cell = discretise(cell, mesh or MESH, losses=rule)
        elif mesh is not None:
            raise InputError(
                key="mesh", found="settings beside an assembled cell", expected="one of the two"
            )
        source = SnapshotBasis(cell, float(np.mean(region.frequencies)))
        growth = Growth(source, region, tolerance, most, training, progress or silent)
        self._put(region, growth, (), described(cell))

    def _put(
        self, region: Region, growth: Growth, before: tuple[tuple[float, float], ...], text: str
    ) -> None:
        """Take over what a growth has reached."""
        growth.run()
        put = object.__setattr__
        put(self, "region", region)
        put(self, "tolerance", growth.tolerance)
        put(self, "reached", growth.reached)
        put(self, "snapshots", (*before, *growth.snapshots))
        put(self, "capacitance", growth.capacitance)
        put(self, "description", text)
        put(self, "projected", growth.projected)
        put(self, "_basis", None)
        put(self, "_lift", None)
        put(self, "_source", growth.source)

    @classmethod
    def from_parts(cls, *, basis: Complex, lift: Complex, **parts: Any) -> CellModel:
        """A model from its attributes, its basis and its lift, as :mod:`sawfem.unitcell.modelfile`
        keeps them; it has no mesh.
        """
        self = object.__new__(cls)
        kept = {"_basis": basis, "_lift": lift, "_source": None}
        for name, value in (parts | kept).items():
            object.__setattr__(self, name, value)
        return self

    @property
    def sha256(self) -> str:
        """Hash of the description of the cell."""
        return description_hash(self.description)

    @property
    def order(self) -> int:
        """Number of reduced unknowns without the electrodes."""
        return self.projected.order

    @property
    def is_lossy(self) -> bool:
        """Whether energy is lost in the materials too, not by radiation alone."""
        return self.projected.is_lossy

    @property
    def electrodes(self) -> int:
        """Number of electrodes of one period."""
        return self.projected.electrodes

    @property
    def period(self) -> float:
        """Length of one period, m."""
        return self.projected.period

    @property
    def basis(self) -> Complex:
        """The basis, (free unknowns, r)."""
        if self._basis is not None:
            return self._basis
        assert self._source is not None  # a model is grown or loaded
        return np.ascontiguousarray(self._source.basis[:, : self.order])

    @property
    def lift(self) -> Complex:
        """What belongs to one volt of each electrode beside the basis, (free unknowns, e)."""
        if self._lift is not None:
            return self._lift
        assert self._source is not None
        return self._source.lift

    def admittance(self, frequency: float, phase: float) -> Complex:
        """Admittance matrix of the electrodes of one period, S/m, (e, e): I = Y V.

        Raises
        ------
        InputError : a point outside the region; nothing is extrapolated.
        """
        return self.answer(frequency, phase).admittance

    def certificate(self, frequency: float, phase: float) -> float:
        """Bound on the error of every entry of the admittance matrix, S/m."""
        return self.answer(frequency, phase).bound

    def answer(self, frequency: float, phase: float) -> CertifiedAnswer:
        """Admittance and certificate at once. InputError outside the region."""
        return self.answers([frequency], phase)[0]

    def answers(self, frequencies: Sequence[float], phase: float) -> list[CertifiedAnswer]:
        """The same at many frequencies in hertz and one phase, which shares the work of it.

        At -gamma the answer is the transpose of the one at gamma (reciprocity).
        """
        for frequency in frequencies:
            self.check(frequency, phase)
        gamma = folded_phase(phase)
        view = self.projected.at(abs(gamma))
        blocks = view.floor_blocks(np.asarray(frequencies, dtype=np.float64))
        found = [view.answer(f, b) for f, b in zip(frequencies, blocks, strict=True)]
        if gamma < 0.0:
            return [CertifiedAnswer(one.admittance.T, one.bound) for one in found]
        return found

    def at(self, phase: complex) -> CellAtPhase:
        """The small matrices at one phase, 0..pi in its real part; the region is not checked."""
        return self.projected.at(phase)

    def field(
        self, frequency: float, phase: float, potentials: Complex | Sequence[complex]
    ) -> Complex:
        """All unknowns of the mesh for given potentials of the electrodes in volts.

        Parameters
        ----------
        frequency, phase : hertz; radians, 0 to pi.
        potentials : (e,) volts.

        Returns
        -------
        (unknowns,) scaled as the finite elements are: displacements in periods, potentials in
        FIELD times the period (sawfem/conventions.py).

        Raises
        ------
        InputError : a point outside the region, a negative phase or a wrong number of potentials.
        """
        self.check(frequency, phase)
        values = np.asarray(potentials, dtype=complex)
        if values.shape != (self.electrodes,) or folded_phase(phase) < 0.0:
            raise InputError(
                key="potentials",
                found=f"shape {values.shape} at phase {phase:.4g}",
                expected=f"{self.electrodes} potentials and a phase from 0 to pi",
            )
        scaled = values / (FIELD * self.period)
        return self.expand(self.at(folded_phase(phase)).driven(frequency, scaled)[:, 0])

    def expand(self, vector: Complex) -> Complex:
        """Reduced unknowns (r + e), such as a mode's, to all unknowns of the mesh."""
        r = self.order
        return np.concatenate([self.basis @ vector[:r] + self.lift @ vector[r:], vector[r:]])

    def extend(
        self,
        frequencies: Sequence[QuantityLike] | None = None,
        phases: tuple[float, float] | None = None,
        *,
        cell: UnitCell | None = None,
        tolerance: float | None = None,
        most: int = 40,
        training: tuple[int, int] = (13, 15),
        progress: Progress | None = None,
    ) -> CellModel:
        """A model over the smallest region that holds this one's and the one asked for.

        The basis is kept and grows. ``cell`` is needed by a model that was loaded, which has no
        mesh, and must be the cell of which it was made.

        Raises
        ------
        InputError : a loaded model without its cell, or with another cell.
        ConvergenceError : the tolerance was not reached with ``most`` further snapshots.
        """
        low, high = (
            self.region.frequencies
            if frequencies is None
            else [parse_frequency(f, key="frequencies") for f in frequencies]
        )
        region = self.region.joined(Region((low, high), phases or self.region.phases))
        source = self._source if self._source is not None else self._rebuilt(cell)
        growth = Growth(
            source, region, tolerance or self.tolerance, most, training, progress or silent
        )
        growth.capacitance = self.capacitance
        larger = object.__new__(CellModel)
        larger._put(region, growth, self.snapshots, self.description)
        return larger

    def _rebuilt(self, cell: UnitCell | None) -> SnapshotBasis:
        """The mesh of a loaded model and its basis on it."""
        settings = MeshSettings(**json.loads(self.description)["mesh"])
        rule = material_losses if self.is_lossy else no_losses
        whole = None if cell is None else discretise(cell, settings, losses=rule)
        if whole is None or described(whole) != self.description:
            raise InputError(
                key="cell",
                found="none" if cell is None else "another cell than the model's",
                expected="the cell of which the loaded model was made (its mesh is not kept)",
            )
        source = SnapshotBasis(whole, float(np.mean(self.region.frequencies)), self.lift)
        source.extend(self.basis)
        return source

    def check(self, frequency: float, phase: float) -> None:
        """InputError outside the region."""
        if not self.region.holds(frequency, phase):
            raise InputError(
                key="frequency",
                found=f"{frequency:.6g} Hz at phase {phase:.4g}",
                expected=f"{self.region}; extend() grows the model",
            )


def described(d: Discretisation) -> str:
    """Text of an assembled cell, its mesh settings and its losses."""
    media = [medium for medium in d.mesh.media if medium is not None]
    substrate, layers = d.cell.stack.media()
    every = (substrate, *(medium for medium, _ in layers), *media)
    return cell_description(d.cell, d.settings, losses=lossy_media(every, d.loss_rule))
