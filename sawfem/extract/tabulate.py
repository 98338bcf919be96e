"""Tables of grating constants over metal thickness, metallisation ratio and, on layers, pitch.

Gratings at the nodes of a tensor grid of Chebyshev points (of the first kind) in h/lambda,
metallisation ratio and pitch are solved, each from a predicted start, and what is smooth in them is
interpolated by Chebyshev polynomials (sawfem/extract/table_kinds.py). With a mirror that is the
edge that the electrodes drive, shorted and open, and the edge common to both, each by its own kind
and never by its place, with its loss; so k, which is pi (f_driven - f_common)/(f_driven +
f_common), passes smoothly through zero where the edges cross. Without a mirror it is k and k' as
complex numbers. C comes with its loss and slope. Below the velocity v_b at which the next bulk wave
is radiated an edge has a root there, and q with v = v_b sqrt(1 - q^2) is what is smooth.

On a bare half-space all lengths scale together. On layers the constants depend on the pitch over
the thickness of the layers, that is on frequency: then the pitch is a third axis.

(Chebyshev interpolation converges geometrically for what is analytic: Trefethen, Approximation
Theory and Approximation Practice, 2013, ch. 8.) It is checked on gratings left out, solved on
their own with two finer meshes: the errors of the table are the largest deviations found there,
mesh and interpolation together, and the table is refused when they exceed what was asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations_with_replacement, product

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from sawfem.design import Stack, UnitCell
from sawfem.errors import ConvergenceError, InputError
from sawfem.extract.grating import (
    MESHES,
    GratingSolution,
    solve_grating,
    solve_like,
    strongest,
)
from sawfem.extract.table import GratingTable
from sawfem.extract.table_cells import TableCells
from sawfem.extract.table_check import Asked, verified
from sawfem.extract.table_kinds import Kind, complete, kind_of, scale_row
from sawfem.material import Material
from sawfem.planewave import Wave
from sawfem.unitcell.connection import check_connections
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.stopband import StopBand
from sawfem.units import QuantityLike, parse_length

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: How far an edge may lie from its prediction, and how alike its displacement must be.
LIMITS = (1e-2, 0.9)
#: Pitches at which the plain stack's K^2 is computed at least.
COUPLING_NODES = 6

Progress = Callable[[str, int, int], None]
#: Coordinates of a node, -1 to 1 along every axis.
Place = tuple[float, ...]


def grating_table(
    stack: Stack,
    metal: Material | str,
    *,
    thickness: tuple[float, float],
    metallisation_ratio: tuple[float, float],
    pitch: QuantityLike | tuple[QuantityLike, QuantityLike] = 1e-6,
    sidewall_angle: float = 90.0,
    accuracy: float = 1e-5,
    nodes: tuple[int, ...] = (6, 5, 4),
    left_out: int = 4,
    mesh: MeshSettings = MESHES[1],
    progress: Progress | None = None,
) -> GratingTable:
    """Solve a table of gratings with one electrode a period.

    Parameters
    ----------
    stack, metal, sidewall_angle : as for :meth:`sawfem.UnitCell.grating`.
    thickness, metallisation_ratio : (low, high) of h/lambda and of width over pitch.
    pitch : of the solved gratings, from which others follow by scaling; on layers (low, high).
    accuracy : relative error of the edges, mesh and interpolation, to keep on the points left out.
    nodes : gratings solved along every axis; the third along the pitch, if that is one.
    left_out : points, spread over the box, that are solved on their own to check.

    Raises
    ------
    InputError : a box or a count that makes no table.
    ConvergenceError : a node where another branch is as near or an edge lies beyond the onset of
        bulk waves; errors above ``accuracy``. Ask for a smaller box, more nodes or a finer mesh.
    """
    length, pitches = _pitches(pitch)
    cells = TableCells.plain(stack, metal, sidewall_angle)
    boxes = (thickness, metallisation_ratio, *([] if pitches is None else [pitches]))
    return _tabulated(
        Asked(cells, length, boxes, tuple(nodes[: len(boxes)]), accuracy, left_out, mesh),
        progress or (lambda stage, done, total: None),
    )


def cell_table(
    cell: UnitCell,
    connections: Sequence[str],
    *,
    thickness: tuple[float, float],
    width_scale: tuple[float, float],
    pitch: QuantityLike | tuple[QuantityLike, QuantityLike] | None = None,
    accuracy: float = 1e-5,
    nodes: tuple[int, ...] = (6, 5, 4),
    left_out: int = 4,
    mesh: MeshSettings = MESHES[1],
    progress: Progress | None = None,
) -> GratingTable:
    """Solve a table of gratings with several electrodes a period: double, unidirectional.

    Parameters
    ----------
    cell : a cell one wave long, as drawn. Over the table the widths of its electrodes go by one
        number, about their centres, and their thicknesses in proportion.
    connections : "hot", "ground" or "floating" for each electrode, left to right.
    thickness : (low, high) of h/lambda of the thickest electrode.
    width_scale : (low, high) of the widths over those of the drawing.
    pitch : half the wavelength; that of the drawing if None. Layers, overcoats and footings keep
        their lengths, so that with them it may be an axis: (low, high).
    accuracy, nodes, left_out, mesh, progress : as for :func:`grating_table`.

    Raises
    ------
    InputError : a box or a count that makes no table.
    GeometryError : connections that do not suit the cell, electrodes that touch within the box.
    ConvergenceError : as for :func:`grating_table`.
    """
    cells = TableCells(cell, check_connections(connections, len(cell.electrodes)))
    length, pitches = _pitches(cells.pitch if pitch is None else pitch)
    boxes = (thickness, width_scale, *([] if pitches is None else [pitches]))
    return _tabulated(
        Asked(cells, length, boxes, tuple(nodes[: len(boxes)]), accuracy, left_out, mesh),
        progress or (lambda stage, done, total: None),
    )


def _tabulated(asked: Asked, report: Progress) -> GratingTable:
    """A table, solved and checked; raises as :func:`grating_table`."""
    _check(asked)
    for width in asked.boxes[1]:  # electrodes that touch are said before the long part
        asked.cell(asked.boxes[0][1], width)
    with threadpool_limits(limits=1, user_api="blas"):
        waves = asked.waves()
        middle = asked.middle(0.5 * sum(asked.pitches) if asked.pitches else asked.pitch)
        start = solve_grating(
            middle, accuracy=1e-2, waves=waves, connections=asked.cells.connections
        )
        kind = kind_of(complete(start.band))
        bulk, coefficients = _nodes(start, kind, asked, report)
        table = GratingTable(
            cells=asked.cells,
            pitch=asked.pitch,
            thickness=asked.boxes[0],
            ratio=asked.boxes[1],
            pitches=asked.pitches,
            kind=kind,
            bulk=bulk,
            onsets=_onset_velocities(start),
            coupling=_coupling(asked, waves),
            coefficients=coefficients,
            solves=math.prod(asked.nodes),
        )
        return verified(table, asked, None if asked.pitches else waves, report)


def _coupling(asked: Asked, waves: tuple[Wave, ...]) -> Array:
    """Chebyshev coefficients of the plain stack's K^2 over the pitch; one without that axis."""
    if asked.pitches is None:
        return np.array([strongest(waves).coupling_k2 or 0.0])
    count = max(asked.nodes[2], COUPLING_NODES)
    nodes = chebyshev.chebpts1(count)
    found = [strongest(asked.waves(_real(x, asked.pitches))).coupling_k2 or 0.0 for x in nodes]
    return np.asarray(np.linalg.solve(chebyshev.chebvander(nodes, count - 1), np.array(found)))


def _pitches(
    pitch: QuantityLike | tuple[QuantityLike, QuantityLike],
) -> tuple[float, tuple[float, float] | None]:
    """The pitch to solve at, and the range of pitches, or None."""
    if not isinstance(pitch, tuple):
        return parse_length(pitch, key="pitch"), None
    low, high = (parse_length(end, key="pitch") for end in pitch)
    return 0.5 * (low + high), (low, high)


def _nodes(
    start: GratingSolution, kind: Kind, asked: Asked, report: Progress
) -> tuple[float | None, Complex]:
    """V_b and the coefficients, from a solution at every node."""
    axes = [chebyshev.chebpts1(count) for count in asked.nodes]

    def at(place: Place) -> UnitCell:
        h, width, *p = (_real(x, box) for x, box in zip(place, asked.boxes, strict=True))
        return asked.cell(h, width, *p)

    walk = _Walk(start, kind, asked.mesh, at)
    rows = walk.through([tuple(float(x) for x in place) for place in product(*axes)], report)
    bulk = _bulk(rows, start, kind)
    return bulk, _coefficients(rows, axes, bulk, kind)


class _Walk:
    """Nodes solved one after another, each from the edges that its neighbours predict."""

    def __init__(
        self,
        start: GratingSolution,
        kind: Kind,
        mesh: MeshSettings,
        cell: Callable[[Place], UnitCell],
    ) -> None:
        self.start, self._kind, self._mesh, self._cell = start, kind, mesh, cell

    def through(self, places: list[Place], report: Progress) -> Complex:
        """The columns at every place, (columns, places), edges as velocities."""
        known: list[tuple[Place, GratingSolution]] = [((0.0,) * len(places[0]), self.start)]
        left = set(places)
        rows: dict[Place, list[complex]] = {}
        while left:
            report("table", len(rows), len(places))
            # The nearest one to what is known, the middle of the box first.
            place, (_, source) = min(
                ((p, k) for p in left for k in known),
                key=lambda pair: (math.dist(pair[0], pair[1][0]), pair[0]),
            )
            cell = self._cell(place)
            guess = replace(source, band=self._predicted(source, place, cell.period, known))
            solution = solve_like(guess, cell, self._mesh, limits=LIMITS)
            rows[place] = [*self._kind.row(solution), *scale_row(solution)]
            known.append((place, solution))
            left.remove(place)
        report("table", len(places), len(places))
        return np.array([rows[place] for place in places], dtype=complex).T

    def _predicted(
        self,
        source: GratingSolution,
        place: Place,
        period: float,
        known: list[tuple[Place, GratingSolution]],
    ) -> StopBand:
        """The band with its edges where a polynomial through the known velocities puts them."""
        size = len(place)
        square = 1 + size + size * (size + 1) // 2
        velocities = source.cell.period * np.array(self._kind.marks(source.band))
        if len(known) > size + 1:
            terms = square if len(known) > square + 2 else 1 + size
            near = sorted(known, key=lambda item: math.dist(item[0], place))[: 2 * square]
            matrix = np.array([_powers(spot, terms) for spot, _ in near])
            weight = np.array([1.0 / (0.1 + math.dist(spot, place)) for spot, _ in near])[:, None]
            values = np.array([s.cell.period * np.array(self._kind.marks(s.band)) for _, s in near])
            fit = np.linalg.lstsq(weight * matrix, weight * values, rcond=None)[0]
            velocities = np.array(_powers(place, terms)) @ fit
        marks = [complex(v) / period for v in velocities]
        shorted, opened = self._kind.marked(source.band, marks)
        return replace(source.band, shorted=tuple(shorted), open=tuple(opened))


def _powers(place: Place, terms: int) -> list[float]:
    """1, then the coordinates, then their products."""
    products = [a * b for a, b in combinations_with_replacement(place, 2)]
    return [1.0, *place, *products][:terms]


def _onset_velocities(solution: GratingSolution) -> tuple[float | None, float | None]:
    length = 2.0 * solution.band.pitch
    first, further = solution.constants.bulk_onset, solution.constants.next_bulk_onset
    return (
        None if first is None else length * first,
        None if further is None else length * further,
    )


def _bulk(rows: Complex, start: GratingSolution, kind: Kind) -> float | None:
    """V_b, or None where no further bulk wave starts above the edges."""
    bulk = _onset_velocities(start)[1]
    if bulk is None:
        return None
    highest = float(2.0 * kind.edges(rows).poles.real.max())
    highest = max(highest, float(2.0 * kind.edges(rows).zeros.real.max()))
    if highest >= bulk * (1.0 - 1e-7):
        raise ConvergenceError(
            f"an edge of the box lies at {highest:.2f} m/s, beyond the onset of bulk waves at "
            f"{bulk:.2f} m/s, where it is another one; ask for a smaller box"
        )
    return bulk if kind.mirror else None


def _coefficients(rows: Complex, axes: list[Array], bulk: float | None, kind: Kind) -> Complex:
    """(columns, m, n, ..) coefficients of the tensor of Chebyshev polynomials."""
    values = rows.copy()
    if bulk is not None:
        values[: kind.velocities] = np.sqrt(1.0 - (rows[: kind.velocities] / bulk) ** 2)
    grid = values.reshape(-1, *(axis.size for axis in axes))
    for place, axis in enumerate(axes, start=1):
        inverse = np.linalg.inv(chebyshev.chebvander(axis, axis.size - 1))
        grid = np.moveaxis(np.tensordot(inverse, grid, axes=(1, place)), 0, place)
    return np.asarray(grid)


def _real(value: float, box: tuple[float, float]) -> float:
    return 0.5 * (box[0] + box[1] + value * (box[1] - box[0]))


def _check(asked: Asked) -> None:
    names = ("thickness", asked.cells.width_name, "pitch")
    # A width scale is bounded by the room between the electrodes alone.
    limits = (0.5, 1.0 if asked.cells.connections is None else math.inf, math.inf)
    for key, box, most in zip(names, asked.boxes, limits, strict=False):
        if not 0.0 < box[0] < box[1] < most:
            raise InputError(
                key=key, found=f"{box!r}", expected=f"(low, high) between 0 and {most:g}"
            )
    nodes = asked.nodes
    if len(nodes) < len(asked.boxes) or min(nodes) < 2 or max(nodes) > 40:
        raise InputError(key="nodes", found=f"{nodes!r}", expected="2 to 40 along every axis")
    if asked.left_out < 1:
        raise InputError(key="left_out", found=f"{asked.left_out}", expected="1 point or more")
