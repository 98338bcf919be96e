"""A unit cell as textbooks build it, to measure the project's own cell against.

Piezoelectric finite elements in the vector form (Allik & Hughes, Int. J. Numer. Methods Eng. 2,
151 (1970); Lerch, IEEE Trans. Ultrason. Ferroelectr. Freq. Control 37, 233 (1990); from memory):
quadratic quadrilaterals, one bilinear form over the full generalised tensor, a substrate several
wavelengths deep whose lower part absorbs by a loss that grows gradually, air above, the Bloch
condition between the two sides, and one SuperLU factorisation for every frequency.

Of the project it uses the description of the cell and the material constants, nothing else: mesh,
form, absorber, scales, numbering, Bloch condition and charge are its own.

    sum over regions of  G_iJKl (1 + j eta) int dV_J/dx_i dU_K/dx_l  -  w^2 rho int V_j U_j = 0

for fields exp(+j w t), so that eta > 0 on the elastic constants is a loss. Lengths in periods.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementQuad2, ElementVector, MeshQuad

from sawfem.design import UnitCell

#: Pascal and volt per metre that count as one; their product squared makes eps dimensionless.
PASCAL, VOLT_PER_METRE = 1.0e11, 1.0e9
VACUUM = 8.8541878128e-12
AIR, METAL, SUBSTRATE = "air", "metal", "substrate"


@dataclass(frozen=True)
class TextbookMesh:
    """How finely and how deeply the textbook cell is cut up; lengths in periods.

    Attributes
    ----------
    largest : edge of the elements near the surface, and at most twice that in the depth.
    halvings : how often the elements at the corners of the electrode are halved.
    clear : depth of the substrate above the absorber (a wavelength is two periods at phase pi).
    absorber : depth of the absorber. loss : loss factor eta at its lower end.
    air : height of the air.
    """

    largest: float = 0.125
    halvings: int = 3
    clear: float = 2.0
    absorber: float = 8.0
    loss: float = 1.0
    air: float = 1.0

    def refined(self) -> TextbookMesh:
        """Half the element size everywhere."""
        return TextbookMesh(
            0.5 * self.largest, self.halvings + 1, self.clear, self.absorber, self.loss, self.air
        )

    def toward(self, length: float, *, both: bool = False) -> NDArray[np.float64]:
        """Nodes of (0, length): even ones, those next to 0 (and to length) halved repeatedly."""
        count = max(2 if both else 1, round(length / self.largest))
        even = np.linspace(0.0, length, count + 1)
        finest = self.largest * 0.5**self.halvings
        while even[1] > 1.5 * finest:
            even = np.r_[0.0, 0.5 * even[1], even[1:]]
            if both:
                even = np.r_[even[:-1], 0.5 * (even[-2] + length), length]
        return even

    def columns(self, left: float, right: float) -> NDArray[np.float64]:
        """Nodes along x1, crowded at the edges of an electrode from ``left`` to ``right``."""
        return np.r_[
            left - self.toward(left)[::-1],
            left + self.toward(right - left, both=True)[1:],
            right + self.toward(1.0 - right)[1:],
        ]

    def rows(self, height: float) -> NDArray[np.float64]:
        """Nodes along x3 from the lower end of the absorber to the upper end of the air."""
        near = self.toward(1.0)
        deep = self.clear + self.absorber - 1.0
        down = np.r_[near, 1.0 + np.linspace(0.0, deep, round(0.5 * deep / self.largest) + 1)[1:]]
        metal = self.toward(height, both=True)
        return np.r_[-down[::-1], metal[1:], height + self.toward(self.air)[1:]]


class TextbookCell:
    """One period of a grating with one rectangular electrode on a bare substrate.

    Parameters
    ----------
    cell : the grating. settings : its mesh.

    Assembled on construction: ``stiffness`` (complex, absorber included) and ``mass``, over all
    four components of every node, W = w p sqrt(density / PASCAL) being the scaled frequency.

    Raises
    ------
    ValueError : layers, several electrodes or leaning side walls.
    """

    def __init__(self, cell: UnitCell, settings: TextbookMesh | None = None) -> None:
        (electrode,) = cell.electrodes
        if cell.stack.layers or electrode.sidewall_angle != 90.0:
            raise ValueError("the textbook cell knows rectangular strips on a bare substrate only")
        self.cell, self.settings = cell, settings or TextbookMesh()
        centre = electrode.centre or 0.5 * cell.period
        self.left = (centre - 0.5 * electrode.width) / cell.period
        self.right = (centre + 0.5 * electrode.width) / cell.period
        self.height = electrode.thickness / cell.period
        self.mesh = MeshQuad.init_tensor(
            self.settings.columns(self.left, self.right), self.settings.rows(self.height)
        )
        self.basis = Basis(self.mesh, ElementVector(ElementQuad2(), 4), intorder=4)
        self.stiffness, self.mass = self._assemble()

    @cached_property
    def regions(self) -> dict[str, NDArray[np.int64]]:
        """Elements of the air, of the metal and of the substrate."""
        x, z = self.mesh.p[:, self.mesh.t].mean(axis=1)
        strip = (x > self.left) & (x < self.right) & (z > 0.0) & (z < self.height)
        return {
            AIR: np.flatnonzero((z > 0.0) & ~strip),
            METAL: np.flatnonzero(strip),
            SUBSTRATE: np.flatnonzero(z < 0.0),
        }

    def tensor(self, region: str) -> tuple[NDArray[np.float64], float]:
        """G_iJKl with i, l = x1, x3, scaled, and the density over PASCAL."""
        g = np.zeros((3, 4, 4, 3))
        density = 0.0
        if region == AIR:
            g[:, 3, 3, :] = -VACUUM * np.eye(3) * VOLT_PER_METRE**2
        else:
            metal = self.cell.electrodes[0].metal.rotated(np.eye(3))
            medium = metal if region == METAL else self.cell.stack.media()[0]
            density = medium.density
            g[:, :3, :3, :] = medium.stiffness
        if region == SUBSTRATE:
            e = medium.piezoelectric  # e_ikl: field i, strain kl
            g[:, :3, 3, :] = np.einsum("lij->ijl", e) * VOLT_PER_METRE
            g[:, 3, :3, :] = e * VOLT_PER_METRE
            g[:, 3, 3, :] = -medium.permittivity * VOLT_PER_METRE**2
        return g[::2, :, :, ::2] / PASCAL, density / PASCAL

    def _assemble(self) -> tuple[sp.csr_matrix, sp.csr_matrix]:
        """Stiffness and mass over all unknowns, region by region, in the vector form."""
        stiffness, mass = 0.0, 0.0
        for region, elements in self.regions.items():
            basis = Basis(self.mesh, self.basis.elem, elements=elements, intorder=4)
            g, density = self.tensor(region)
            elastic = np.zeros_like(g)
            elastic[:, :3, :3, :] = g[:, :3, :3, :]

            @BilinearForm(dtype=np.complex128)
            def energy(u, v, w, g=g, elastic=elastic):
                stress = np.einsum("iJKl,Kl...->Ji...", g, u.grad)
                lossy = np.einsum("iJKl,Kl...->Ji...", elastic, u.grad)
                return np.einsum("Ji...,Ji...", v.grad, stress + 1j * self.loss(w.x[1]) * lossy)

            @BilinearForm
            def inertia(u, v, _, density=density):
                return density * np.einsum("j...,j...", u[:3], v[:3])

            stiffness = stiffness + energy.assemble(basis)
            mass = mass + inertia.assemble(basis)
        return sp.csr_matrix(stiffness), sp.csr_matrix(mass)

    def loss(self, z: NDArray[np.float64]) -> NDArray[np.float64]:
        """Loss factor eta at a height z: grows as the cube of the depth in the absorber."""
        share = np.clip((-z - self.settings.clear) / self.settings.absorber, 0.0, 1.0)
        return self.settings.loss * share**3

    def constraint(self, phase: float) -> sp.csr_matrix:
        """T with (all unknowns) = T (free ones, electrode potential): which are kept, clamped,
        tied to the electrode, and tied to the left side by U(x + p) = exp(-j phase) U(x).
        """
        b = self.basis
        dofs = b.element_dofs
        component = np.empty(b.N, dtype=int)
        for group in (b.nodal_dofs, b.facet_dofs, b.interior_dofs):
            component[group] = np.arange(4)[:, None]
        x, z = b.doflocs
        alive = component == 3
        solid = np.unique(dofs[:, np.r_[self.regions[METAL], self.regions[SUBSTRATE]]])
        alive[solid] = True
        alive &= z > z.min() + 1e-9  # the lower end is clamped and grounded
        wired = np.zeros(b.N, dtype=bool)
        wired[dofs[:, self.regions[METAL]]] = True
        wired &= component == 3

        order = np.lexsort((z, component))
        left = order[np.abs(x[order]) < 1e-9]
        right = order[np.abs(x[order] - 1.0) < 1e-9]
        master = np.arange(b.N)
        master[right] = left
        factor = np.ones(b.N, dtype=complex)
        factor[right] = np.exp(-1j * phase)

        kept = np.flatnonzero(alive & ~wired & (master == np.arange(b.N)))
        column = np.full(b.N, -1)
        column[kept] = np.arange(kept.size)
        column = column[master]
        column[wired] = kept.size
        rows = np.flatnonzero(column >= 0)
        return sp.csr_matrix((factor[rows], (rows, column[rows])), shape=(b.N, kept.size + 1))

    def at(self, phase: float) -> TextbookSystem:
        """The cell at one Bloch phase in radians."""
        t = self.constraint(phase)
        return TextbookSystem(
            sp.csc_matrix(t.conj().T @ self.stiffness @ t),
            sp.csc_matrix(t.conj().T @ self.mass @ t),
            self.cell.period,
        )


@dataclass(frozen=True)
class TextbookSystem:
    """K and M at one Bloch phase; the last unknown is the potential of the electrode."""

    stiffness: sp.csc_matrix
    mass: sp.csc_matrix
    period: float

    @property
    def size(self) -> int:
        """Number of unknowns, the electrode's included."""
        return int(self.mass.shape[0])

    def admittance(self, frequency: float) -> complex:
        """Harmonic admittance Y(f, phase) in S/m at a frequency in hertz: factorise and solve.

        The charge of the electrode is minus the reaction of its potential.
        """
        omega = 2.0 * np.pi * frequency
        a = self.stiffness - (omega * self.period) ** 2 * self.mass
        inner = splu(a[:-1, :-1]).solve(-a[:-1, [-1]].toarray()[:, 0])
        reaction = (a[[-1], :-1] @ inner)[0] + a[-1, -1]
        return complex(-1j * omega * PASCAL / VOLT_PER_METRE**2 * reaction)
