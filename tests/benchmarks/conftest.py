"""Benchmarks run on request only, and end in a table of ratios to the textbook cell."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

HERE = Path(__file__).parent
COMMAND = "python -m pytest tests/benchmarks --benchmark-only"


@dataclass(frozen=True)
class Comparison:
    """One line of the table: medians in seconds, and the median ratio of paired rounds."""

    name: str
    unit: str
    ours: float
    theirs: float
    ratio: float
    limit: float


LINES = pytest.StashKey[list[Comparison]]()


def pytest_collection_modifyitems(config, items):
    if config.getoption("benchmark_only", default=False):
        return
    skip = pytest.mark.skip(reason=f"timings are taken on request: {COMMAND}")
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(skip)


@pytest.fixture
def against(benchmark, request) -> Callable[..., float]:
    """A function that times ours against theirs, round by round in turn.

    Both are run in every round, so that whatever else the machine does falls on both; the ratio
    is the median over the rounds of (ours of a round) / (theirs of that round). ``calls`` says
    how many points one call of ours works through; times are per point.
    """

    def measure(name, ours, theirs, *, unit, limit, rounds, calls=1) -> float:
        their_times: list[float] = []

        def before():
            start = time.perf_counter()
            theirs()
            their_times.append(time.perf_counter() - start)

        ours()  # what is made once and kept is not what is measured
        benchmark.pedantic(ours, setup=before, rounds=rounds)
        if benchmark.stats is None:
            pytest.skip("timings are switched off")
        our_times = [seconds / calls for seconds in benchmark.stats.stats.data]
        ratio = statistics.median(a / b for a, b in zip(our_times, their_times, strict=True))
        line = Comparison(
            name, unit, statistics.median(our_times), statistics.median(their_times), ratio, limit
        )
        benchmark.extra_info.update(
            {
                "compared_with": unit,
                "textbook_seconds": line.theirs,
                "seconds_per_point": line.ours,
                "ratio": ratio,
                "limit": limit,
            }
        )
        request.config.stash.setdefault(LINES, []).append(line)
        return ratio

    return measure


def pytest_terminal_summary(terminalreporter, config):
    lines = config.stash.get(LINES, [])
    if not lines:
        return
    write = terminalreporter.write_line
    terminalreporter.section("ratios to the textbook cell, measured in this run")
    write(f"{'':34}{'ours':>12}{'textbook':>12}{'ratio':>9}{'limit':>8}  textbook does")
    for line in lines:
        write(
            f"{line.name:34}{1e3 * line.ours:9.1f} ms{1e3 * line.theirs:9.1f} ms"
            f"{line.ratio:9.3f}{line.limit:8g}  {line.unit}"
        )
