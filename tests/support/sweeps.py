"""Sweeps whose points cost nothing, for tests of what is around the points."""

from __future__ import annotations

import json
import math
import os
import signal
import time
from pathlib import Path

from sawfem.sweep.point import Answer, Job, Task, compute
from sawfem.sweep.store import DONE, FAILED

#: Plane waves of rotated quartz: a few milliseconds a point.
WAVES = """
title = "Buoy 7: rotated Y-cuts of quartz"
[substrate]
material = "quartz/bechmann-1958"
cut = "(YXl)"
rotations = [42]
[sweep]
keep = ["velocity_free", "coupling_k2"]
[[sweep.axis]]
key = "substrate.rotations[0]"
from = 30
to = 50
points = {points}
"""


def invented(job: Job, task: Task) -> list[Answer]:
    """A made-up velocity, at once; 45 degrees and beyond cannot be computed."""
    found = []
    for place, changes in zip(task.places, task.changes, strict=True):
        angle = float(changes["substrate.rotations[0]"])
        if angle >= 45.0:
            found.append(Answer(place, FAILED, "", f"{angle} is too far", 0.0))
            continue
        values = {"waves.velocity_free": 3000.0 + angle, "waves.coupling_k2": None}
        tree = {"values": values, "uncertainty": {}, "reasons": {}, "checks": {}}
        found.append(Answer(place, DONE, json.dumps(tree), "", 0.0))
    return found


def slow(job: Job, task: Task) -> list[Answer]:
    """The same, a twentieth of a second each."""
    time.sleep(0.05 * len(task.places))
    return invented(job, task)


def endless(job: Job, task: Task) -> list[Answer]:
    """Never ready."""
    time.sleep(1000.0)
    return []


def deadly(job: Job, task: Task) -> list[Answer]:
    """Kills its process at 40 degrees, always; and once at 35."""
    base = Path(job.base)
    for changes in task.changes:
        angle = float(changes["substrate.rotations[0]"])
        if angle == 40.0:
            with (base / "deaths.txt").open("a", encoding="utf-8") as log:
                log.write("x")
            os.kill(os.getpid(), signal.SIGKILL)
        if angle == 35.0 and not (base / "once.txt").exists():
            (base / "once.txt").touch()
            os.kill(os.getpid(), signal.SIGKILL)
    return invented(job, task)


def counted(job: Job, task: Task) -> list[Answer]:
    """The real thing, with a line for every point that was computed."""
    found = compute(job, task)
    with (Path(job.base) / "computed.txt").open("a", encoding="utf-8") as log:
        log.write("".join(f"{place}\n" for place in task.places))
    return found


def logged(job: Job, task: Task) -> list[Answer]:
    """An invented velocity in 2 ms, and a line for every point that was computed."""
    time.sleep(0.002 * len(task.places))
    with (Path(job.base) / "computed.txt").open("a", encoding="utf-8") as log:
        log.write("".join(f"{place}\n" for place in task.places))
    return invented(job, task)


#: Two angles, of which an adaptive sweep chooses values.
ADAPTIVE = """
title = "Buoy 7: where the beam does not walk off"
[substrate]
material = "quartz/bechmann-1958"
cut = "(YXlt)"
rotations = [42, 0]
[sweep]
sample = "adaptive"
points = {points}
tolerance = {tolerance}
{aims}
[[sweep.axis]]
key = "substrate.rotations[0]"
from = 30
to = 50
[[sweep.axis]]
key = "substrate.rotations[1]"
from = 0
to = 40
"""


def hilly(x: float, y: float) -> tuple[float, float]:
    """A velocity and an angle over x in 30 to 50 and y in 0 to 40: smooth, with a crease of zeros
    of the angle along a curve.
    """
    u, v = (x - 40.0) / 10.0, (y - 20.0) / 20.0
    return 3000.0 + 50.0 * math.exp(-((u - 0.3) ** 2) - v) + 10.0 * u * v, u + 0.3 * v * v - 0.21


def hills(job: Job, task: Task) -> list[Answer]:
    """The hilly land as a sweep."""
    found = []
    for place, changes in zip(task.places, task.changes, strict=True):
        x = float(changes.get("substrate.rotations[0]", 42.0))
        velocity, angle = hilly(x, float(changes.get("substrate.rotations[1]", 20.0)))
        values = {"waves.velocity_free": velocity, "waves.power_flow_angle": angle}
        tree = {"values": values, "uncertainty": {}, "reasons": {}, "checks": {}}
        found.append(Answer(place, DONE, json.dumps(tree), "", 0.0))
    return found
