"""A sweep that is disturbed ends in the very file of one that was not.

The parent and, separately, workers are killed (SIGKILL) at random moments; a Dask cluster loses
one of its workers. Points cost milliseconds here, so that thirty moments fit into a test; one test
kills the real computation of unit cells.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from sawfem.case import Case
from sawfem.sweep.plan import SweepPlan, plan_sweep
from sawfem.sweep.run import SweepProgress, execute_sweep, sweep_status
from sawfem.sweep.store import Store
from tests.support import sweeps
from tests.support.commands import environment

TOP = Path(__file__).resolve().parents[2]

#: Runs the sweep of a case with a function of tests.support.sweeps; says what has been kept.
PROGRAM = """
import sys
from pathlib import Path
from sawfem.case import Case
from sawfem.sweep import plan, run
from tests.support import sweeps

def told(how_far):
    print(how_far.done + how_far.failed, flush=True)

if __name__ == "__main__":
    case, function, workers = sys.argv[1:]
    run.execute_sweep(plan.plan_sweep(Case.load(case)), folder=Path("disturbed"),
                      workers=int(workers), function=getattr(sweeps, function), progress=told)
"""

CELLS = """
[substrate]
material = "lithium-niobate/kovacs-1990"
cut = "(YXl)128"
[grating]
pitch = "2 um"
metal = "aluminium/kaye-laby"
thickness = "0.02 wavelength"
metallisation_ratio = 0.5
[results]
accuracy = 1e-2
[sweep]
[[sweep.axis]]
key = "grating.metallisation_ratio"
values = [0.4, 0.5, 0.6]
"""


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def settled() -> set[int]:
    """Places that the store has; it opens whatever has happened."""
    path = Path("disturbed/store.sqlite")
    if not path.exists():
        return set()
    with Store.read(path) as store:
        return {place for sweep in store.sweeps() for place in store.settled(sweep.number)}


def computed() -> list[int]:
    log = Path("computed.txt")
    return [int(line) for line in log.read_text().split()] if log.exists() else []


def killed_parent(case: str, function: str, workers: int, after: float) -> tuple[bool, int]:
    """Start the sweep and kill it so many seconds after its first report; whether it was ready
    before, and how many points it had told to be kept.
    """
    Path("program.py").write_text(PROGRAM, encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, "program.py", case, function, str(workers)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment() | {"PYTHONPATH": str(TOP)},
    ) as process:
        assert process.stdout is not None
        first = process.stdout.readline()
        timer = threading.Timer(after, process.kill)
        timer.start()
        out, error = process.communicate(timeout=120)
        timer.cancel()
    assert process.returncode in (0, -signal.SIGKILL), error
    told = [int(line) for line in (first + out).split()]
    return process.returncode == 0, told[-1] if told else 0


def killed_fork(plan: SweepPlan, reports: int, after: float) -> tuple[bool, int]:
    """The same in a forked process that computes alone, which saves the start of an interpreter;
    killed so many seconds after so many reports.
    """
    told = Path("told.txt")
    told.unlink(missing_ok=True)

    def report(how_far: SweepProgress) -> None:
        with told.open("a", encoding="utf-8") as log:
            log.write(f"{how_far.done + how_far.failed}\n")

    def work() -> None:
        execute_sweep(
            plan, folder=Path("disturbed"), workers=0, function=sweeps.logged, progress=report
        )

    process = multiprocessing.get_context("fork").Process(target=work)
    process.start()
    while process.is_alive() and (not told.exists() or told.read_text().count("\n") < reports):
        time.sleep(0.001)
    process.join(after)
    process.kill()
    process.join()
    lines = [line for line in told.read_text().split("\n")[:-1] if line]
    return process.exitcode == 0, int(lines[-1]) if lines else 0


@pytest.mark.slow
def test_the_parent_is_killed_at_thirty_moments() -> None:
    """Four of the thirty with a worker of its own, which must not outlive it."""
    chance = random.Random(11)
    case = "cuts.toml"
    Path(case).write_text(sweeps.WAVES.format(points=700), encoding="utf-8")
    plan = plan_sweep(Case.load(case))
    whole = execute_sweep(plan, folder=Path("whole"), workers=0, function=sweeps.invented)
    for moment in range(30):
        before, begun = settled(), len(computed())
        after = chance.uniform(0.0, 0.03)
        if moment % 8 == 5:
            ready, told = killed_parent(case, "logged", 1, 20.0 * after)
        else:
            ready, told = killed_fork(plan, chance.randrange(1, 5), after)
        assert not ready, f"all was done before moment {moment}: the test needs more points"
        now = settled()
        assert before <= now
        assert len(now) >= told, "a point that was told to be kept is not there"
        assert not before & set(computed()[begun:]), "a point was computed twice"
    assert now, "no point was kept in thirty runs"
    parts = execute_sweep(plan, folder=Path("disturbed"), workers=0, function=sweeps.invented)
    assert Path(parts.files[0]).read_bytes() == Path(whole.files[0]).read_bytes()


@pytest.mark.slow
def test_workers_are_killed_at_thirty_moments() -> None:
    chance = random.Random(12)
    Path("cuts.toml").write_text(sweeps.WAVES.format(points=700), encoding="utf-8")
    plan = plan_sweep(Case.load("cuts.toml"))
    whole = execute_sweep(plan, folder=Path("whole"), workers=0, function=sweeps.invented)
    kills, over = [], threading.Event()

    def killer() -> None:
        while not over.is_set() and len(kills) < 30:
            time.sleep(chance.uniform(0.0, 0.3))
            children = multiprocessing.active_children()
            if children:
                victim = chance.choice(children)
                os.kill(victim.pid, signal.SIGKILL)
                kills.append(victim.pid)

    hunter = threading.Thread(target=killer)
    hunter.start()
    try:
        parts = execute_sweep(plan, folder=Path("disturbed"), workers=2, function=sweeps.slow)
        early = len(kills)
        # What a worker took along three times is lost; the next run computes it.
        parts = execute_sweep(plan, folder=Path("disturbed"), workers=0, function=sweeps.invented)
    finally:
        over.set()
        hunter.join()
    assert early >= 15
    assert Path(parts.files[0]).read_bytes() == Path(whole.files[0]).read_bytes()


@pytest.mark.slow
def test_real_cells_give_the_same_bits() -> None:
    """Two processes, one killed parent and one killed worker, against one process alone."""
    Path("cells.toml").write_text(CELLS, encoding="utf-8")
    plan = plan_sweep(Case.load("cells.toml"))
    whole = execute_sweep(plan, folder=Path("whole"), workers=0)
    assert whole.table.done == 3
    ready, _ = killed_parent("cells.toml", "counted", 1, 2.0)
    before, begun = settled(), len(computed())
    assert not ready
    assert sweep_status(Case.load("cells.toml"), Path("disturbed")).done == len(before)

    def kill_one() -> None:
        children = multiprocessing.active_children()
        if children:
            os.kill(children[0].pid, signal.SIGKILL)

    timer = threading.Timer(1.5, kill_one)
    timer.start()
    parts = execute_sweep(plan, folder=Path("disturbed"), workers=2, function=sweeps.counted)
    timer.cancel()
    assert not before & set(computed()[begun:])
    assert parts.table.done == 3
    assert Path(parts.files[0]).read_bytes() == Path(whole.files[0]).read_bytes()


def test_a_dask_cluster_that_loses_a_worker() -> None:
    """A scheduler and two workers on loopback; one worker is killed midway: the same file."""
    pytest.importorskip("distributed")
    Path("cuts.toml").write_text(sweeps.WAVES.format(points=160), encoding="utf-8")
    plan = plan_sweep(Case.load("cuts.toml"))
    whole = execute_sweep(plan, folder=Path("whole"), workers=0, function=sweeps.invented)
    env = environment() | {
        "PYTHONPATH": str(TOP),
        "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "2",
    }

    def start(role: str, *arguments: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.dask_{role}", *arguments],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=env,
        )

    home = ["--scheduler-file", "scheduler.json"]
    processes = [start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", *home)]
    try:
        processes += [
            start("worker", "--nthreads", "1", "--no-nanny", "--no-dashboard", *home)
            for _ in range(2)
        ]
        address = _address(Path("scheduler.json"))
        victim, seen = processes[1], []

        def report(how_far: object) -> None:
            seen.append(how_far)
            if how_far.done > 16 and victim.poll() is None:  # type: ignore[attr-defined]
                victim.kill()

        parts = execute_sweep(
            plan,
            folder=Path("disturbed"),
            cluster=address,
            function=sweeps.slow,
            progress=report,
        )
        assert victim.wait(timeout=10) == -signal.SIGKILL
    finally:
        for process in processes:
            process.kill()
            process.wait(timeout=10)
    assert Path(parts.files[0]).read_bytes() == Path(whole.files[0]).read_bytes()


def _address(file: Path) -> str:
    """Address of the scheduler, once it and both its workers are there."""
    import json

    from distributed import Client

    end = time.monotonic() + 60.0
    while time.monotonic() < end:
        try:
            address = str(json.loads(file.read_text(encoding="utf-8"))["address"])
            break
        except (OSError, ValueError):
            time.sleep(0.1)
    with Client(address, timeout=30) as client:
        client.wait_for_workers(2, timeout=60)
    return address
