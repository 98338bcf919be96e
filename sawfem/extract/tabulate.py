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
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations_with_replacement, product

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from sawfem.design import Stack, UnitCell
from sawfem.errors import ConvergenceError, InputError
from sawfem.extract.constants import GratingConstants
from sawfem.extract.grating import (
    MESHES,
    GratingSolution,
    grating_waves,
    solve_grating,
    solve_like,
    strongest,
)
from sawfem.extract.table import ABSOLUTE, SAFETY, GratingTable
from sawfem.extract.table_kinds import Kind, complete, kind_of, scale_row
from sawfem.material import Material
from sawfem.planewave import Wave
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.stopband import StopBand
from sawfem.units import QuantityLike, parse_length

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: How far an edge may lie from its prediction, and how alike its displacement must be.
LIMITS = (1e-2, 0.9)
#: Relative deviation of C that a table may have; that of the edges is the caller's.
CAPACITANCE_ERROR = 5e-3

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
    boxes = (thickness, metallisation_ratio, *([] if pitches is None else [pitches]))
    counts = tuple(nodes[: len(boxes)])
    _check(boxes, counts, left_out)
    report = progress or (lambda stage, done, total: None)

    def cell(h: float, eta: float, p: float = length) -> UnitCell:
        return UnitCell.grating(
            stack,
            metal,
            pitch=p,
            thickness=2.0 * p * h,
            metallisation_ratio=eta,
            sidewall_angle=sidewall_angle,
        )

    with threadpool_limits(limits=1, user_api="blas"):
        middle = cell(*(0.5 * sum(box) for box in boxes))
        waves = grating_waves(middle)
        start = solve_grating(middle, accuracy=1e-2, waves=waves)
        kind = kind_of(complete(start.band))
        bulk, coefficients = _nodes(start, kind, cell, boxes, counts, mesh, report)
        table = GratingTable(
            stack=stack,
            metal=middle.electrodes[0].metal,
            sidewall_angle=sidewall_angle,
            pitch=length,
            thickness=thickness,
            ratio=metallisation_ratio,
            pitches=pitches,
            kind=kind,
            bulk=bulk,
            onsets=_onset_velocities(start),
            coupling_k2=strongest(waves).coupling_k2 if pitches is None else None,
            coefficients=coefficients,
            solves=math.prod(counts),
        )
        return _verified(
            table, cell, waves if pitches is None else None, accuracy, left_out, report
        )


def _pitches(
    pitch: QuantityLike | tuple[QuantityLike, QuantityLike],
) -> tuple[float, tuple[float, float] | None]:
    """The pitch to solve at, and the range of pitches, or None."""
    if not isinstance(pitch, tuple):
        return parse_length(pitch, key="pitch"), None
    low, high = (parse_length(end, key="pitch") for end in pitch)
    return 0.5 * (low + high), (low, high)


def _nodes(
    start: GratingSolution,
    kind: Kind,
    cell: Callable[..., UnitCell],
    boxes: tuple[tuple[float, float], ...],
    nodes: tuple[int, ...],
    mesh: MeshSettings,
    report: Progress,
) -> tuple[float | None, Complex]:
    """V_b and the coefficients, from a solution at every node."""
    axes = [chebyshev.chebpts1(count) for count in nodes]

    def at(place: Place) -> UnitCell:
        return cell(*(_real(x, box) for x, box in zip(place, boxes, strict=True)))

    walk = _Walk(start, kind, mesh, at)
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
    length = 2.0 * solution.cell.period
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


def _verified(
    table: GratingTable,
    cell: Callable[..., UnitCell],
    waves: tuple[Wave, ...] | None,
    accuracy: float,
    left_out: int,
    report: Progress,
) -> GratingTable:
    """The table with its errors on points left out; refused where the edges exceed ``accuracy``."""
    points = _spread(left_out, *table.boxes)
    worst: dict[str, float] = {}
    for done, (h, eta, *p) in enumerate(points.tolist()):
        report("table, points left out", done, left_out)
        truth = solve_grating(cell(h, eta, *p), accuracy=max(0.3 * accuracy, 1e-6), waves=waves)
        told = table(h, eta, pitch=p[0] if p else None)
        for name, deviation in _deviations(told, truth.constants).items():
            worst[name] = max(worst.get(name, 0.0), deviation)
    report("table, points left out", left_out, left_out)
    edges = max(worst["stopband_short"], worst["stopband_open"])
    for name, found, allowed in (
        ("edges", edges, accuracy),
        ("capacitance", worst["capacitance_fitted_per_pair"], CAPACITANCE_ERROR),
    ):
        if found > allowed:
            raise ConvergenceError(
                f"the {name} of the table deviate by {found:.1e} on gratings left out, more than "
                f"{allowed:.1e}: branches may repel inside the box, or the nodes are too few; "
                "ask for a smaller box, more nodes or less accuracy"
            )
    errors = {name: SAFETY * value for name, value in worst.items()}
    return replace(table, errors=errors, checked=points)


def _deviations(found: GratingConstants, truth: GratingConstants) -> dict[str, float]:
    """Deviations of what both have, relative but for ABSOLUTE; of pairs the larger."""
    deviations = {}
    for name in (
        "velocity",
        "stopband_short",
        "stopband_open",
        "reflection_per_electrode",
        "transduction_per_electrode",
        "coupling_k2_effective",
        "capacitance_per_pair",
        "capacitance_fitted_per_pair",
        "attenuation",
        "attenuation_open",
        "attenuation_coupled",
        "capacitance_loss",
        "directivity",
    ):
        a, b = getattr(found, name), getattr(truth, name)
        if a is None or b is None:
            continue
        a, b = np.atleast_1d(a), np.atleast_1d(b)
        apart = np.abs(a - b)
        if name not in ABSOLUTE:
            apart = apart / np.abs(b)
        deviations[name] = float(apart.max())
    return deviations


def _spread(count: int, *boxes: tuple[float, float]) -> Array:
    """Points of the additive sequence of the root of x^(d + 1) = x + 1, evenly spread over a box.

    In two dimensions that root is the plastic number.
    """
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (len(boxes) + 1.0))
    steps = root ** -np.arange(1.0, len(boxes) + 1.0)
    shares = np.mod(0.5 + steps * (np.arange(count)[:, None] + 1.0), 1.0)
    low, high = np.array(boxes).T
    return np.asarray(low + shares * (high - low))


def _real(value: float, box: tuple[float, float]) -> float:
    return 0.5 * (box[0] + box[1] + value * (box[1] - box[0]))


def _check(boxes: tuple[tuple[float, float], ...], nodes: tuple[int, ...], left_out: int) -> None:
    names = ("thickness", "metallisation_ratio", "pitch")
    for key, box, most in zip(names, boxes, (0.5, 1.0, math.inf), strict=False):
        if not 0.0 < box[0] < box[1] < most:
            raise InputError(
                key=key, found=f"{box!r}", expected=f"(low, high) between 0 and {most:g}"
            )
    if len(nodes) < len(boxes) or min(nodes) < 2 or max(nodes) > 40:
        raise InputError(key="nodes", found=f"{nodes!r}", expected="2 to 40 along every axis")
    if left_out < 1:
        raise InputError(key="left_out", found=f"{left_out}", expected="1 point or more")
