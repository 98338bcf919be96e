"""A mode or a driven field of the grating as a picture needs it: on a fine triangulation.

Every element is cut into a small grid and its own polynomials are evaluated there, so that the
curvature inside the large elements is seen. Points belong to one element each: neighbours repeat
those on their common side, and a field may jump there (the displacement ends at the air).
Below the meshed slab the exact waves go on (:mod:`sawfem.unitcell.below`).

The phase of a mode is free. It is chosen such that the real part shows the largest displacement:
with u -> u exp(j a), sum (Re u)^2 is largest for a = -arg(sum u.u)/2. A standing wave is then
real up to rounding. The phase of a driven field is that of its drive, which is real.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from skfem import Basis

from sawfem.conventions import FIELD
from sawfem.design import UnitCell
from sawfem.errors import InputError
from sawfem.unitcell.below import field_below
from sawfem.unitcell.discretisation import Discretisation
from sawfem.unitcell.mesh import AIR, METAL, STACK
from sawfem.unitcell.stopband import Edge, StopBand
from sawfem.unitcell.system import BlochSystem

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.int64]

#: Depth to which the field is shown, in periods: three quarters of a wavelength at gamma = pi.
SHOWN_DEPTH = 1.5
#: Rows and columns of the grid below the slab.
ROWS, COLUMNS = 36, 32
#: Name of the field that the electrodes drive.
DRIVEN = "driven"


@dataclass(frozen=True, eq=False)
class ModeShape:
    """Field of one edge of a stop band, or of a drive, over one period, or several.

    Attributes
    ----------
    edge : "short lower", "short upper", "open lower", "open upper", or "driven".
    frequency : Hz, complex; positive imaginary part for loss. Real for a driven field.
    period : m. phase : gamma in radians: U(x + period) = exp(-j gamma) U(x).
    x, z : (n,) m; z = 0 is the surface of the stack, z > 0 above it.
    triangles : (t, 3) indices of points, counter-clockwise or not.
    region : (t,) AIR, METAL, STACK + i, part i of the stack counted from the surface down, or
        COAT - i, overcoat i upwards.
    displacement : (n, 3) complex u1, u2, u3 along the device axes, relative: the largest
        magnitude sqrt(|u1|^2 + |u2|^2 + |u3|^2) is one. Zero in the air.
    potential : (n,) complex, relative: the largest magnitude is one (zero if there is none).
        In the metal it is the electrode's.
    potential_scale : V/m, potential in volts for a largest displacement of one metre.
    outlines : corners of the electrodes, each (c, 2) in m (:func:`electrode_outlines`).
    amplitude : m, the largest displacement of a driven field whose electrodes carry one volt;
        None for a mode, whose size is free.
    """

    edge: str
    frequency: complex
    period: float
    phase: float
    x: Array
    z: Array
    triangles: Index
    region: Index
    displacement: Complex
    potential: Complex
    potential_scale: float
    outlines: tuple[Array, ...]
    amplitude: float | None = None

    def __repr__(self) -> str:
        return (
            f"ModeShape({self.edge}, {self.frequency.real:.9g} Hz, {self.x.size} points, "
            f"{len(self.triangles)} triangles)"
        )

    def repeated(self, periods: int) -> ModeShape:
        """The same over ``periods`` periods, each turned by the Bloch factor.

        Raises InputError for less than one period.
        """
        if periods < 1:
            raise InputError(key="periods", found=str(periods), expected="1 or more")
        turns = np.exp(-1j * self.phase * np.arange(periods))
        shifts = self.period * np.arange(periods)
        count = self.x.size
        return replace(
            self,
            x=np.concatenate([self.x + shift for shift in shifts]),
            z=np.tile(self.z, periods),
            triangles=np.concatenate([self.triangles + m * count for m in range(periods)]),
            region=np.tile(self.region, periods),
            displacement=np.concatenate([self.displacement * turn for turn in turns]),
            potential=np.concatenate([self.potential * turn for turn in turns]),
            outlines=tuple(
                outline + np.array([shift, 0.0]) for shift in shifts for outline in self.outlines
            ),
        )


def edge_names(band: StopBand) -> dict[str, Edge]:
    """The edges of a stop band by name, "short lower" first."""
    found: dict[str, Edge] = {}
    for kind, edges in (("short", band.shorted), ("open", band.open)):
        found |= {
            f"{kind} {place}": edge for place, edge in zip(("lower", "upper"), edges, strict=False)
        }
    return found


def mode_shape(band: StopBand, edge: Edge, *, subdivisions: int = 4) -> ModeShape:
    """Field of an edge of a stop band on a fine triangulation of one period.

    Parameters
    ----------
    band, edge : the edge must be one of ``band.shorted`` or ``band.open``.
    subdivisions : an element is cut into as many pieces in each direction.

    Raises
    ------
    InputError : an edge of another stop band, or less than one piece.
    """
    name = next((name for name, own in edge_names(band).items() if own is edge), None)
    if name is None:
        raise InputError(key="edge", found="an edge of another stop band", expected="one of band")
    full = band.model.expand(edge.vector)
    return _shape(name, edge.frequency, band.model.system, full, subdivisions)


def driven_field(band: StopBand, frequency: float, *, subdivisions: int = 4) -> ModeShape:
    """Field with the hot electrodes of the cell at one volt, and at cos(phase) volt in the next.

    Parameters
    ----------
    frequency : hertz, real. subdivisions : as for :func:`mode_shape`.

    Raises
    ------
    InputError : a frequency that is not above zero, or that of a lossless resonance.
    """
    if not (np.isfinite(frequency) and frequency > 0.0):
        raise InputError(key="frequency", found=f"{frequency!r} Hz", expected="a number above zero")
    model = band.model
    a, r = model.matrix(frequency), model.order
    volts = np.full(model.electrodes, 1.0 / (FIELD * model.system.discretisation.cell.period))
    try:
        inner = np.linalg.solve(a[:r, :r], -a[:r, r:] @ volts)
    except np.linalg.LinAlgError:
        raise InputError(
            key="frequency",
            found=f"{frequency:.9g} Hz, a resonance without loss",
            expected="a frequency beside it",
        ) from None
    full = model.expand(np.concatenate([inner, volts]))
    return _shape(DRIVEN, complex(frequency), model.system, full, subdivisions)


def _shape(
    name: str, frequency: complex, system: BlochSystem, full: Complex, subdivisions: int
) -> ModeShape:
    """The field of the full unknowns; that of a drive keeps its phase and its size."""
    if subdivisions < 1:
        raise InputError(key="subdivisions", found=str(subdivisions), expected="1 or more")
    discretisation = system.discretisation
    places, triangles, region, values = _in_the_slab(
        discretisation, discretisation.unfold(full, system.phase), subdivisions
    )
    _fill_metal(discretisation, full, region[1], values)

    grid, more, below, lower = _below_the_slab(system, frequency, full)
    triangles = np.concatenate([triangles, more + places.shape[1]])
    field = np.concatenate([values, lower], axis=1)
    displacement, potential, largest, highest = _normalised(field, keep_phase=name == DRIVEN)
    period = discretisation.cell.period
    x, z = np.concatenate([places, grid], axis=1) * period
    return ModeShape(
        edge=name,
        frequency=frequency,
        period=period,
        phase=system.phase,
        x=x,
        z=z,
        triangles=triangles,
        region=np.concatenate([region[0], below]),
        displacement=displacement,
        potential=potential,
        # u is in units of the period and phi in units of FIELD times the period.
        potential_scale=FIELD * highest / largest,
        outlines=electrode_outlines(discretisation.cell),
        amplitude=largest * period if name == DRIVEN else None,
    )


def electrode_outlines(cell: UnitCell) -> tuple[Array, ...]:
    """Corners of the electrodes of one period, each (c, 2) in m, from the left foot round.

    c is 4, or 6 for all of them where one has a footing: the walls then have a point in between.
    """
    foot = 0.0 - cell.recess
    outlines = []
    for electrode in cell.electrodes:
        assert electrode.centre is not None  # a cell places its electrodes
        heights = [0.0, electrode.thickness]
        if any(other.footing for other in cell.electrodes):
            heights.insert(1, electrode.bend() or 0.5 * electrode.thickness)
        right = np.array([(electrode.half_width(height), height) for height in heights])
        left = right[::-1] * [-1.0, 1.0]
        # Left foot, right foot, up the right wall, back to the left one and down.
        corners = np.vstack([left[-1:], right, left[:-1]])
        outlines.append(corners + np.array([electrode.centre, foot]))
    return tuple(outlines)


def _grid_triangles(columns: int, rows: int) -> Index:
    """Triangles of a grid of (rows + 1) x (columns + 1) points, row by row."""
    corner = np.add.outer(np.arange(rows) * (columns + 1), np.arange(columns)).ravel()
    right, up = corner + 1, corner + columns + 1
    lower, upper = np.stack([corner, right, up + 1], 1), np.stack([corner, up + 1, up], 1)
    return np.concatenate([lower, upper]).astype(np.int64)


def _in_the_slab(
    discretisation: Discretisation, coefficients: Complex, subdivisions: int
) -> tuple[Array, Index, tuple[Index, Index], Complex]:
    """Points (2, n), triangles, (region of triangles, of points' elements) and values (4, n)."""
    basis, mesh = discretisation.basis, discretisation.mesh
    ticks = np.linspace(0.0, 1.0, subdivisions + 1)
    local = np.stack([axis.ravel() for axis in np.meshgrid(ticks, ticks)])
    points = local.shape[1]
    fine = Basis(basis.mesh, basis.elem, quadrature=(local, np.ones(points)))
    shapes = np.stack([np.asarray(function[0]) for function in fine.basis])
    values = np.einsum("iep,cie->cep", shapes, coefficients[:, basis.element_dofs])
    # Only what lives in an element counts: no displacement in the air, and none of the
    # neighbours' potential in the metal.
    values[:3, mesh.region == AIR] = 0.0
    values[3, mesh.region == METAL] = 0.0

    elements = mesh.region.size
    cut = _grid_triangles(subdivisions, subdivisions)
    offsets = points * np.arange(elements)
    triangles = (cut[None] + offsets[:, None, None]).reshape(-1, 3)
    owner = np.repeat(np.arange(elements), points)
    places = np.asarray(fine.global_coordinates()).reshape(2, -1)
    region = np.repeat(mesh.region, len(cut))
    return places, triangles, (region, owner), values.reshape(4, -1)


def _fill_metal(
    discretisation: Discretisation, full: Complex, owner: Index, values: Complex
) -> None:
    """Put the electrodes' potentials, the last unknowns, into the metal."""
    potentials = full[discretisation.size - discretisation.electrodes :]
    electrode = discretisation.mesh.electrode[owner]
    inside = electrode >= 0
    values[3, inside] = potentials[electrode[inside]]


def _below_the_slab(
    system: BlochSystem, frequency: complex, full: Complex
) -> tuple[Array, Index, Index, Complex]:
    """Points (2, n), triangles, regions and values (4, n) of a grid below the meshed slab."""
    slab = system.discretisation.mesh.depth
    depths = np.linspace(0.0, max(SHOWN_DEPTH - slab, 0.25), ROWS + 1)
    x = np.linspace(0.0, 1.0, COLUMNS + 1)
    values = field_below(system, frequency, full, x, depths)
    across, down = np.meshgrid(x, -slab - depths)
    triangles = _grid_triangles(COLUMNS, ROWS)
    middle = down.ravel()[triangles].mean(axis=1)
    cell = system.discretisation.cell
    thicknesses = [layer.thickness / cell.period for layer in reversed(cell.stack.layers)]
    part = np.searchsorted(np.cumsum(thicknesses), -middle)
    vacuum = cell.stack.is_membrane
    region = np.where(vacuum & (part == len(thicknesses)), AIR, STACK + part)
    places = np.stack([across.ravel(), down.ravel()])
    return places, triangles, region.astype(np.int64), values.reshape(4, -1)


def _normalised(values: Complex, *, keep_phase: bool) -> tuple[Complex, Complex, float, float]:
    """Displacement (n, 3) and potential (n,) with unit maxima, and these maxima, scaled."""
    displacement, potential = values[:3].T, values[3]
    turn = 1.0 if keep_phase else np.exp(-0.5j * np.angle(np.sum(displacement**2)))
    largest = float(np.max(np.linalg.norm(displacement, axis=1)))
    highest = float(np.max(np.abs(potential)))
    return displacement * turn / largest, potential * turn / (highest or 1.0), largest, highest
