"""What a sweep costs beside its points, what its points share, and what workers and memory do.

    python -m pytest tests/benchmarks/test_sweep_speed.py --benchmark-only

Times are processor times of this process and its children where one process is compared with
another, so that other work on the machine weighs little; two workers against one are wall times,
for which the machine has to be idle.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

import sawfem as sf
from sawfem.case import Case
from sawfem.sweep.plan import plan_sweep
from sawfem.sweep.run import execute_sweep
from tests.support import sweeps
from tests.support.commands import environment

#: Largest overhead of a point, seconds; largest share of a sweep in separate runs; least gain of
#: two workers; largest growth of the parent from 1,000 to 20,000 points, megabytes.
OVERHEAD, SHARED, TWO_WORKERS, GROWTH = 2e-3, 0.6, 1.7, 50.0
#: Unit cells of the comparison of workers; thicknesses that stand for fifty.
CELLS = int(os.environ.get("SAWFEM_SWEEP_CELLS", "200"))
THICKNESSES = 4

CELL = """
[substrate]
material = "lithium-niobate/kovacs-1990"
cut = "(YXl)128"
[grating]
pitch = "2 um"
metal = "aluminium/kaye-laby"
thickness = "0.02 wavelength"
metallisation_ratio = 0.5
[results]
accuracy = {accuracy}
[sweep]
[[sweep.axis]]
key = "grating.thickness"
from = "0.01 wavelength"
to = "0.04 wavelength"
points = {points}
"""

MEMORY = """
import resource, sys
from pathlib import Path
from sawfem.case import Case
from sawfem.sweep.plan import plan_sweep
from sawfem.sweep.run import execute_sweep
from tests.support import sweeps
points = int(sys.argv[1])
plan = plan_sweep(Case.from_toml(sweeps.WAVES.format(points=points)))
execute_sweep(plan, folder=Path(f"memory-{points}"), workers=0, function=sweeps.invented)
unit = 1e6 if sys.platform == "darwin" else 1e3
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit)
"""


def used() -> float:
    """Processor seconds of this process and of its children that have ended."""
    return sum(
        item.ru_utime + item.ru_stime
        for item in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def told(benchmark, **numbers: float) -> None:
    benchmark.extra_info.update(numbers)
    print({name: round(value, 4) for name, value in numbers.items()})


@pytest.mark.benchmark(group="sweep")
def test_overhead_of_a_point(benchmark) -> None:
    """Points that cost nothing: keys, questions to the store, commits, progress."""
    plan = plan_sweep(Case.from_toml(sweeps.WAVES.format(points=2000)))
    spent = []

    def ours() -> None:
        begun = used()
        folder = Path(f"sweep-{len(spent)}")
        execute_sweep(plan, folder=folder, workers=0, function=sweeps.invented)
        spent.append(used() - begun)

    benchmark.pedantic(ours, rounds=3)
    each = statistics.median(spent) / plan.size
    told(benchmark, seconds_a_point=each, limit=OVERHEAD)
    assert each < OVERHEAD


@pytest.mark.benchmark(group="sweep")
def test_memory_of_the_parent(benchmark) -> None:
    def largest(points: int) -> float:
        top = str(Path(__file__).resolve().parents[2])
        done = subprocess.run(
            [sys.executable, "-c", MEMORY, str(points)],
            capture_output=True,
            text=True,
            check=True,
            env=environment() | {"PYTHONPATH": top},
        )
        return float(done.stdout.split()[-1])

    few = largest(1000)
    many = benchmark.pedantic(lambda: largest(20_000), rounds=1)
    told(benchmark, megabytes_1000=few, megabytes_20000=many, limit=GROWTH)
    assert many - few < GROWTH


@pytest.mark.benchmark(group="sweep")
def test_neighbours_share(benchmark) -> None:
    """Thicknesses on one cut, against as many runs one by one, files and pictures included."""
    case = Case.from_toml(CELL.format(accuracy=1e-5, points=THICKNESSES))
    plan = plan_sweep(case)
    begun = used()
    for place in range(plan.size):
        sf.run(case.edit(plan.changes(place)), folder=f"alone-{place}")
    alone = used() - begun

    def ours() -> float:
        begun = used()
        execute_sweep(plan, folder=Path("together"), workers=0)
        return used() - begun

    together = benchmark.pedantic(ours, rounds=1)
    told(benchmark, share=together / alone, limit=SHARED)
    assert together < SHARED * alone


@pytest.mark.benchmark(group="sweep")
def test_two_workers_against_one(benchmark) -> None:
    plan = plan_sweep(Case.from_toml(CELL.format(accuracy=1e-2, points=CELLS)))

    def seconds(workers: int, number: int) -> float:
        begun = time.monotonic()
        execute_sweep(plan, folder=Path(f"{workers}-{number}"), workers=workers)
        return time.monotonic() - begun

    gains = []

    def ours() -> None:
        number = len(gains)
        gains.append(seconds(1, number) / seconds(2, number))

    benchmark.pedantic(ours, rounds=3)
    told(benchmark, gain=statistics.median(gains), limit=TWO_WORKERS)
    assert statistics.median(gains) >= TWO_WORKERS
