"""Tables of grating constants over metal thickness and metallisation ratio.

Gratings at the nodes of a tensor grid of Chebyshev points (of the first kind) in h/lambda and
metallisation ratio are solved, each from a predicted start, and what is smooth in them is
interpolated by Chebyshev polynomials: the edge that the electrodes drive, shorted and open, and the
edge common to both, each by its own kind and never by its place, with its loss; C with its loss and
slope. So k, which is pi (f_driven - f_common)/(f_driven + f_common), passes smoothly through zero
where the edges cross. Below the velocity v_b at which the next bulk wave is radiated an edge has a
root there, and q with v = v_b sqrt(1 - q^2) is what is smooth.

(Chebyshev interpolation converges geometrically for what is analytic: Trefethen, Approximation
Theory and Approximation Practice, 2013, ch. 8.) It is checked on gratings left out, solved on
their own with two finer meshes: the errors of the table are the largest deviations found there,
mesh and interpolation together, and the table is refused when they exceed what was asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

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
from sawfem.extract.table import ABSOLUTE, EDGES, SAFETY, GratingTable
from sawfem.material import Material
from sawfem.planewave import Wave
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.stopband import Edge, StopBand
from sawfem.units import QuantityLike, parse_length

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: How far an edge may lie from its prediction, and how alike its displacement must be.
LIMITS = (1e-2, 0.9)
#: Relative deviation of C that a table may have; that of the edges is the caller's.
CAPACITANCE_ERROR = 5e-3

Progress = Callable[[str, int, int], None]


def grating_table(
    stack: Stack,
    metal: Material | str,
    *,
    thickness: tuple[float, float],
    metallisation_ratio: tuple[float, float],
    pitch: QuantityLike = 1e-6,
    sidewall_angle: float = 90.0,
    accuracy: float = 1e-5,
    nodes: tuple[int, int] = (6, 5),
    left_out: int = 4,
    mesh: MeshSettings = MESHES[1],
    progress: Progress | None = None,
) -> GratingTable:
    """Solve a table of gratings with one electrode a period.

    Parameters
    ----------
    stack, metal, sidewall_angle : as for :meth:`sawfem.UnitCell.grating`.
    thickness, metallisation_ratio : (low, high) of h/lambda and of width over pitch.
    pitch : of the solved gratings; without layers any other follows by scaling.
    accuracy : relative error of the edges, mesh and interpolation, to keep on the points left out.
    nodes : gratings solved along either axis.
    left_out : points, spread over the box, that are solved on their own to check.

    Raises
    ------
    InputError : a box or a count that makes no table.
    ConvergenceError : a cell without a mirror; a node where another branch is as near or where an
        edge lies beyond the onset of bulk waves; errors above ``accuracy``. Ask for a smaller box,
        more nodes or a finer mesh.
    """
    _check(thickness, metallisation_ratio, nodes, left_out)
    length = parse_length(pitch, key="pitch")
    report = progress or (lambda stage, done, total: None)

    def cell(h: float, eta: float) -> UnitCell:
        return UnitCell.grating(
            stack,
            metal,
            pitch=length,
            thickness=2.0 * length * h,
            metallisation_ratio=eta,
            sidewall_angle=sidewall_angle,
        )

    with threadpool_limits(limits=1, user_api="blas"):
        middle = cell(0.5 * sum(thickness), 0.5 * sum(metallisation_ratio))
        waves = grating_waves(middle)
        start = solve_grating(middle, accuracy=1e-2, waves=waves)
        boxes = (thickness, metallisation_ratio)
        bulk, coefficients = _nodes(start, cell, boxes, nodes, mesh, report)
        table = GratingTable(
            stack=stack,
            metal=middle.electrodes[0].metal,
            sidewall_angle=sidewall_angle,
            pitch=length,
            thickness=thickness,
            ratio=metallisation_ratio,
            bulk=bulk,
            onsets=_onset_velocities(start),
            coupling_k2=strongest(waves).coupling_k2,
            coefficients=coefficients,
            solves=nodes[0] * nodes[1],
        )
        return _verified(table, cell, waves, accuracy, left_out, report)


def _nodes(
    start: GratingSolution,
    cell: Callable[[float, float], UnitCell],
    boxes: tuple[tuple[float, float], tuple[float, float]],
    nodes: tuple[int, int],
    mesh: MeshSettings,
    report: Progress,
) -> tuple[float | None, Complex]:
    """V_b and the coefficients, from a solution at every node."""
    x, y = (chebyshev.chebpts1(count) for count in nodes)

    def at(place: tuple[float, float]) -> UnitCell:
        return cell(_real(place[0], boxes[0]), _real(place[1], boxes[1]))

    walk = _Walk(start, mesh, at)
    rows = walk.through([(float(a), float(b)) for a in x for b in y], report)
    bulk = _bulk(rows, start)
    return bulk, _coefficients(rows, x, y, bulk)


class _Walk:
    """Nodes solved one after another, each from the edges that its neighbours predict."""

    def __init__(
        self,
        start: GratingSolution,
        mesh: MeshSettings,
        cell: Callable[[tuple[float, float]], UnitCell],
    ) -> None:
        self.start, self._mesh, self._cell = start, mesh, cell

    def through(self, places: list[tuple[float, float]], report: Progress) -> Complex:
        """COLUMNS at every place, (columns, places), edges as velocities."""
        known = [((0.0, 0.0), self.start)]
        left = set(places)
        rows: dict[tuple[float, float], Complex] = {}
        while left:
            report("table", len(rows), len(places))
            # The nearest one to what is known, the middle of the box first.
            place, (_, source) = min(
                ((p, k) for p in left for k in known),
                key=lambda pair: (_apart(pair[0], pair[1][0]), pair[0]),
            )
            guess = replace(source, band=_predicted(source.band, place, known))
            solution = solve_like(guess, self._cell(place), self._mesh, limits=LIMITS)
            rows[place] = _row(solution)
            known.append((place, solution))
            left.remove(place)
        report("table", len(places), len(places))
        return np.array([rows[place] for place in places]).T


def _apart(a: tuple[float, float], b: tuple[float, float]) -> float:
    return math.hypot(a[0] - b[0], a[1] - b[1])


def _predicted(
    band: StopBand,
    place: tuple[float, float],
    known: list[tuple[tuple[float, float], GratingSolution]],
) -> StopBand:
    """The band with its edges where a polynomial through the known ones puts them."""
    if len(known) < 4:
        return band
    terms = 6 if len(known) > 8 else 3

    def powers(x: float, y: float) -> list[float]:
        return [1.0, x, y, x * x, x * y, y * y][:terms]

    near = sorted(known, key=lambda item: _apart(item[0], place))[:12]
    matrix = np.array([powers(*spot) for spot, _ in near])
    weight = np.array([1.0 / (0.1 + _apart(spot, place)) for spot, _ in near])[:, None]
    values = np.array([_kinds(solution.band) for _, solution in near])
    fit = np.linalg.lstsq(weight * matrix, weight * values, rcond=None)[0]
    driven, opened, common = np.array(powers(*place)) @ fit

    def moved(edge: Edge) -> Edge:
        if edge is band.resonance:
            return replace(edge, frequency=complex(driven))
        return replace(edge, frequency=complex(opened if edge is band.antiresonance else common))

    return replace(
        band,
        shorted=tuple(moved(edge) for edge in band.shorted),
        open=tuple(moved(edge) for edge in band.open),
    )


def _quiet(band: StopBand) -> Edge:
    """The shorted edge that holds no charge."""
    return min(band.shorted, key=lambda edge: edge.coupling)


def _kinds(band: StopBand) -> tuple[complex, complex, complex]:
    """Frequencies of the driven shorted, the driven open and the common edge."""
    opened = band.antiresonance
    if len(band.shorted) < 2 or len(band.open) < 2 or opened is None:
        raise ConvergenceError(
            "a grating of the table lacks an edge of its stop band: "
            f"{'; '.join(band.reasons)}; ask for a smaller box"
        )
    return band.resonance.frequency, opened.frequency, _quiet(band).frequency


def _row(solution: GratingSolution) -> Complex:
    """COLUMNS of one grating, from its coupling-of-modes constants."""
    where = f"at {solution.cell.electrodes[0].thickness / (2.0 * solution.cell.period):.4g} "
    where += f"wavelengths of metal, ratio {solution.cell.metallisation_ratio:.4g}"
    driven, _, common = _kinds(solution.band)
    twin = min(solution.band.open, key=lambda edge: abs(edge.frequency - common)).frequency
    if abs(twin - common) > 1e-7 * abs(common):
        raise ConvergenceError(
            f"{where} the grating has no edge common to both stop bands: a table is for cells with "
            "a mirror; solve such gratings one by one"
        )
    if solution.picture is None:
        raise ConvergenceError(f"{where}: {'; '.join(solution.band.reasons)}")
    com = solution.picture.com
    p, v = com.pitch, com.velocity
    k = com.reflection / p
    if (k.real > 0.0) != (driven.real > common.real) and abs(k) * p > 1e-6:
        raise ConvergenceError(f"{where} the driven and the common edge cannot be told apart")
    centre = math.pi / p + 1j * com.attenuation
    omega = 2.0 * math.pi * com.centre_frequency
    a, a_back = com.both_transductions
    opened = 4.0 * a * a_back / p / (omega * com.complex_capacitance) + k
    edges = [p * v / math.pi * (centre + d) for d in (k, opened, -k)]
    return np.array(
        [
            *edges,
            com.capacitance,
            com.capacitance_loss,
            com.capacitance_slope,
            com.slope_width,
            0.5 * solution.constants.capacitance_per_pair,
        ],
        dtype=complex,
    )


def _onset_velocities(solution: GratingSolution) -> tuple[float | None, float | None]:
    length = 2.0 * solution.cell.period
    first, further = solution.constants.bulk_onset, solution.constants.next_bulk_onset
    return (
        None if first is None else length * first,
        None if further is None else length * further,
    )


def _bulk(rows: Complex, start: GratingSolution) -> float | None:
    """V_b, or None where no further bulk wave starts above the edges."""
    bulk = _onset_velocities(start)[1]
    if bulk is None:
        return None
    highest = float(rows[: len(EDGES)].real.max())
    if highest >= bulk * (1.0 - 1e-7):
        raise ConvergenceError(
            f"an edge of the box lies at {highest:.2f} m/s, beyond the onset of bulk waves at "
            f"{bulk:.2f} m/s, where it is another one; ask for a smaller box"
        )
    return bulk


def _coefficients(rows: Complex, x: Array, y: Array, bulk: float | None) -> Complex:
    """(columns, m, n) coefficients of the tensor of Chebyshev polynomials."""
    values = rows.copy()
    if bulk is not None:
        values[: len(EDGES)] = np.sqrt(1.0 - (rows[: len(EDGES)] / bulk) ** 2)
    grid = values.reshape(-1, x.size, y.size)
    left = np.linalg.inv(chebyshev.chebvander(x, x.size - 1))
    right = np.linalg.inv(chebyshev.chebvander(y, y.size - 1))
    return np.asarray(np.einsum("ia,cab,jb->cij", left, grid, right))


def _verified(
    table: GratingTable,
    cell: Callable[[float, float], UnitCell],
    waves: tuple[Wave, ...],
    accuracy: float,
    left_out: int,
    report: Progress,
) -> GratingTable:
    """The table with its errors on points left out; refused where the edges exceed ``accuracy``."""
    points = _spread(left_out, table.thickness, table.ratio)
    worst: dict[str, float] = {}
    for done, (h, eta) in enumerate(points):
        report("table, points left out", done, left_out)
        truth = solve_grating(cell(h, eta), accuracy=max(0.3 * accuracy, 1e-6), waves=waves)
        for name, deviation in _deviations(table(h, eta), truth.constants).items():
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
    """Points of the additive sequence of the plastic number, evenly spread over a box."""
    plastic = 1.32471795724474602596
    steps = np.array([1.0 / plastic, 1.0 / plastic**2])
    shares = np.mod(0.5 + steps * (np.arange(count)[:, None] + 1.0), 1.0)
    low, high = np.array(boxes).T
    return np.asarray(low + shares * (high - low))


def _real(value: float, box: tuple[float, float]) -> float:
    return 0.5 * (box[0] + box[1] + value * (box[1] - box[0]))


def _check(
    thickness: tuple[float, float],
    ratio: tuple[float, float],
    nodes: tuple[int, int],
    left_out: int,
) -> None:
    for key, box, most in (("thickness", thickness, 0.5), ("metallisation_ratio", ratio, 1.0)):
        if not 0.0 < box[0] < box[1] < most:
            raise InputError(
                key=key, found=f"{box!r}", expected=f"(low, high) between 0 and {most:g}"
            )
    if min(nodes) < 2 or max(nodes) > 40:
        raise InputError(key="nodes", found=f"{nodes!r}", expected="2 to 40 along either axis")
    if left_out < 1:
        raise InputError(key="left_out", found=f"{left_out}", expected="1 point or more")
