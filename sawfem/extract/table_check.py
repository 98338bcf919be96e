"""What a table is asked for, and how well it keeps it on gratings left out.

The points left out are spread evenly over the box; each is solved on its own with two finer meshes,
so that a deviation holds mesh and interpolation together.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sawfem.design import UnitCell
from sawfem.errors import ConvergenceError
from sawfem.extract.constants import GratingConstants
from sawfem.extract.grating import grating_waves, solve_grating
from sawfem.extract.table import ABSOLUTE, SAFETY, GratingTable
from sawfem.extract.table_cells import TableCells
from sawfem.planewave import Wave
from sawfem.unitcell.mesh import MeshSettings

Array = NDArray[np.float64]
Progress = Callable[[str, int, int], None]

#: Relative deviation of C that a table may have; that of the edges is the caller's.
CAPACITANCE_ERROR = 5e-3
#: Relative deviation of the plain stack's K^2 beyond which it is left out: another wave has become
#: the strongest one within the pitches.
COUPLING_ERROR = 5e-3


@dataclass(frozen=True)
class Asked:
    """What a table is asked for: of what, over which boxes, on how many nodes, how well."""

    cells: TableCells
    pitch: float
    boxes: tuple[tuple[float, float], ...]
    nodes: tuple[int, ...]
    accuracy: float
    left_out: int
    mesh: MeshSettings

    @property
    def pitches(self) -> tuple[float, float] | None:
        """The range of the pitch, where that is an axis."""
        return self.boxes[2] if len(self.boxes) > 2 else None

    def cell(self, h: float, width: float, pitch: float | None = None) -> UnitCell:
        """The cell at a place of the box."""
        return self.cells.at(h, width, self.pitch if pitch is None else pitch)

    def waves(self, pitch: float | None = None) -> tuple[Wave, ...]:
        """Plane waves of the stack at a pitch."""
        phase = math.pi if self.cells.connections is None else 2.0 * math.pi
        return grating_waves(self.middle(pitch), phase=phase)

    def middle(self, pitch: float | None = None) -> UnitCell:
        """The cell in the middle of the other axes."""
        h, width = (0.5 * sum(box) for box in self.boxes[:2])
        return self.cell(h, width, pitch)


def verified(
    table: GratingTable, asked: Asked, waves: tuple[Wave, ...] | None, report: Progress
) -> GratingTable:
    """The table with its errors on points left out; refused where the edges exceed what was asked
    for.
    """
    accuracy, left_out = asked.accuracy, asked.left_out
    points = spread(left_out, *table.boxes)
    worst: dict[str, float] = {}
    for done, (h, eta, *p) in enumerate(points.tolist()):
        report("table, points left out", done, left_out)
        truth = solve_grating(
            asked.cell(h, eta, *p),
            accuracy=max(0.3 * accuracy, 1e-6),
            waves=waves,
            connections=asked.cells.connections,
        )
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
    if worst.get("coupling_k2", 0.0) > COUPLING_ERROR:
        del worst["coupling_k2"]
        table = replace(table, coupling=np.zeros(0))
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
        "reflection_back_per_electrode",
        "transduction_back_per_electrode",
        "phase_over_group_velocity",
        "capacitance_slope",
        "coupling_k2",
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


def spread(count: int, *boxes: tuple[float, float]) -> Array:
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
