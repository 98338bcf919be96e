"""The certified model of a cell against a textbook cell, as ratios taken in one run.

    python -m pytest tests/benchmarks/test_cellmodel_speed.py --benchmark-only

Built once for f +- 15 % and every phase to 1e-8, the model answers any (f, gamma) of the region
and says how wrong it may be. The textbook cell factorises anew for every point, at an error of
its mesh that is at least ten times larger (``test_errors``). Limits: the owner's.
"""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.textbook_cell import TextbookCell, TextbookMesh

from sawfem.design import Stack, UnitCell
from sawfem.extract.grating import MESHES
from sawfem.unitcell.certified import MESH, CellModel
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.system import BlochSystem, floor_admittance
from tests.support.commands import number_printed

CENTRE = 880e6
BAND = (0.85 * CENTRE, 1.15 * CENTRE)
#: Points at which errors are looked at; in none of them a pole is near.
POINTS = (
    (760e6, 3.14159),
    (850e6, 3.14159),
    (800e6, 2.0),
    (840e6, 2.6),
    (900e6, 1.0),
    (780e6, 1.5),
    (870e6, 2.9),
    (960e6, 0.5),
)
#: One reduced point may cost so much of a textbook point.
POINT_LIMIT = 1.0 / 150.0
#: Building the model may cost so many textbook points.
BUILD_LIMIT = 8.0


@pytest.fixture(scope="module")
def cell() -> UnitCell:
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    return UnitCell.grating(stack, "aluminium/kaye-laby", pitch="2.228 um", thickness="89 nm")


@pytest.fixture(scope="module")
def discretisation(cell):
    return discretise(cell, MESH)


@pytest.fixture(scope="module")
def textbook(cell) -> TextbookCell:
    return TextbookCell(cell, TextbookMesh(largest=0.25, halvings=5, clear=2.0, absorber=6.0))


@pytest.fixture(scope="module")
def model(discretisation) -> CellModel:
    return CellModel(discretisation, BAND)


def test_errors(cell, model, textbook, benchmark):
    """Against a finer mesh: the reduced model is ten times closer than the textbook cell."""
    finer = discretise(cell, MESHES[2])
    floor = floor_admittance(finer)
    truth = [complex(BlochSystem(finer, g, floor).admittance(f)[0, 0]) for f, g in POINTS]

    def errors():
        ours = [complex(model.admittance(f, g)[0, 0]) for f, g in POINTS]
        theirs = [textbook.at(g).admittance(f) for f, g in POINTS]
        return [
            np.array([abs(a / b - 1.0) for a, b in zip(values, truth, strict=True)])
            for values in (ours, theirs)
        ]

    ours, theirs = benchmark.pedantic(errors, rounds=1)
    gain = float(np.exp(np.mean(np.log(theirs / ours))))
    benchmark.extra_info.update({"ours": ours.tolist(), "theirs": theirs.tolist(), "gain": gain})
    assert gain > 10.0
    assert ours.max() < 1e-4


@pytest.mark.benchmark(group="cell model")
def test_build(against, discretisation, textbook):
    at_pi = textbook.at(np.pi)
    ratio = against(
        "certified model to 1e-8",
        lambda: CellModel(discretisation, BAND),
        lambda: at_pi.admittance(850e6),
        unit="one (f, gamma) point, phase given",
        limit=BUILD_LIMIT,
        rounds=5,
    )
    assert ratio < BUILD_LIMIT


@pytest.mark.benchmark(group="cell model")
@pytest.mark.parametrize("phases", [4, 40], ids=["ten frequencies a phase", "every phase new"])
def test_point(against, model, textbook, phases):
    """Admittance and certificate, as a curve or a map asks for them, and at single points."""
    frequencies = np.linspace(BAND[0], BAND[1], 40 // phases).tolist()
    gammas = np.linspace(0.1, 3.1, phases)
    at_pi = textbook.at(np.pi)
    ratio = against(
        f"certified point, {40 // phases} a phase",
        lambda: [model.answers(frequencies, gamma) for gamma in gammas],
        lambda: at_pi.admittance(850e6),
        unit="one (f, gamma) point, phase given",
        limit=POINT_LIMIT,
        rounds=7,
        calls=40,
    )
    assert ratio < POINT_LIMIT


MEMORY = """
import resource, sys
from pathlib import Path
import numpy as np
from sawfem import CellModel, Stack, UnitCell
from sawfem.unitcell.dispersionmap import dispersion_map
stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
cell = UnitCell.grating(stack, "aluminium/kaye-laby", pitch="2.228 um", thickness="89 nm")
model = CellModel(cell, (748e6, 1012e6))
seen = []
found = dispersion_map(
    model, np.linspace(748e6, 1012e6, 400), np.linspace(0.01, np.pi, 200),
    progress=lambda done, total: seen.append(done),
)
assert found.admittance.shape == (200, 400) and len(seen) > 200
unit = 1e6 if sys.platform == "darwin" else 1e3
largest = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
# On Linux that starts from what the parent had when it forked; the kernel's own mark does not.
status = Path("/proc/self/status")
if status.is_file():
    mark = [line for line in status.read_text().splitlines() if line.startswith("VmHWM")]
    largest = float(mark[0].split()[1]) / 1e3
print(largest)
"""


@pytest.mark.benchmark(group="cell model")
def test_memory_of_a_map(benchmark):
    """400 frequencies x 200 phases with mode curves, in a process of its own, megabytes."""

    assert benchmark.pedantic(number_printed, args=(MEMORY,), rounds=1) < 500.0
