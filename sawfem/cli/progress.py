"""How far a run is, on standard error: a bar on a terminal, else one line a stage.

Studies of many points say how many are done, in one line that is written over.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TextIO

#: Until this much of a run is behind, the estimate is taken as it is, s.
WARM_UP = 0.5
#: Seconds between two changes of a line on a terminal, and between two lines elsewhere.
_REDRAWN, _LOGGED = 0.2, 30.0
#: Columns of a line on a terminal.
_COLUMNS = 76


class Progress:
    """Silent progress, and the base of the two that show something.

    Parameters
    ----------
    estimates : expected seconds of every stage, in order; a stage without one counts for nothing.
    """

    def __init__(self, estimates: Mapping[str, float]) -> None:
        self._estimates = dict(estimates)
        self._finished = self._taken = 0.0  # seconds of what is done: estimated, and taken
        self._stage, self._share = "", 0.0
        self._begun = self._stage_begun = time.monotonic()

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *error: object) -> None:
        """Nothing to put away."""

    def __call__(self, stage: str, done: int, total: int) -> None:
        """A stage has reached ``done`` of ``total`` steps."""
        if stage != self._stage:
            self._stage, self._stage_begun = stage, time.monotonic()
        self._share = done / total if total else 1.0
        self.moved(stage, done, total)
        if done >= total:
            seconds = time.monotonic() - self._stage_begun
            self.ended(stage, seconds)
            if stage in self._estimates:
                self._finished += self._estimates.pop(stage)
                self._taken += seconds
            self._stage, self._share = "", 0.0

    def moved(self, stage: str, done: int, total: int) -> None:
        """A step of a stage is done."""

    def ended(self, stage: str, seconds: float) -> None:
        """A stage is done."""

    @property
    def elapsed(self) -> float:
        """Seconds since the start."""
        return time.monotonic() - self._begun

    def left(self) -> float:
        """Seconds that are expected to be left: the estimates, scaled by what they held so far."""
        expected = self._estimates.get(self._stage, 0.0)
        scale = self._taken / self._finished if self._finished > WARM_UP else 1.0
        within = (time.monotonic() - self._stage_begun) / max(scale, 1e-9)
        behind = max(self._share * expected, min(within, 0.95 * expected)) if self._stage else 0.0
        return max(0.0, scale * (sum(self._estimates.values()) - behind))


class Lines(Progress):
    """One line for every finished stage."""

    def __init__(self, estimates: Mapping[str, float], stream: TextIO) -> None:
        super().__init__(estimates)
        self._stream = stream

    def ended(self, stage: str, seconds: float) -> None:
        """Say so."""
        print(f"{stage}: done in {seconds:.1f} s", file=self._stream, flush=True)


class Bar(Progress):
    """A line for every finished stage, and a bar for the one that runs."""

    def __init__(self, estimates: Mapping[str, float]) -> None:
        super().__init__(estimates)
        from rich.console import Console
        from rich.progress import BarColumn, ProgressColumn, TextColumn
        from rich.progress import Progress as RichProgress
        from rich.text import Text

        outer = self

        class Left(ProgressColumn):
            """Seconds left, counted down between steps."""

            max_refresh = 0.5

            def render(self, task: Any) -> Text:
                return Text(f"about {max(1.0, outer.left()):.0f} s left")

        self._rich = RichProgress(
            TextColumn("  {task.description:<22}"),
            BarColumn(bar_width=20),
            TextColumn("{task.completed:.0f} of {task.total:.0f}"),
            Left(),
            console=Console(stderr=True, highlight=False),
            transient=True,
        )
        self._task = self._rich.add_task("starting", total=1)

    def __enter__(self) -> Progress:
        self._rich.start()
        return self

    def __exit__(self, *error: object) -> None:
        """Take the bar away."""
        self._rich.stop()

    def moved(self, stage: str, done: int, total: int) -> None:
        """Move the bar."""
        self._rich.update(self._task, description=stage, completed=done, total=total)

    def ended(self, stage: str, seconds: float) -> None:
        """Leave a line."""
        self._rich.console.print(f"  {stage:<22}done {seconds:7.1f} s", markup=False)


def shown_progress(estimates: Mapping[str, float], *, quiet: bool) -> Progress:
    """The progress that fits the place where standard error goes."""
    if quiet:
        return Progress(estimates)
    return Bar(estimates) if sys.stderr.isatty() else Lines(estimates, sys.stderr)


class Counted:
    """How many of the points of a study are done.

    On a terminal one line that is written over; elsewhere a line for every tenth of the points
    and every half minute.
    """

    def __init__(self, *, quiet: bool) -> None:
        self.quiet, self._terminal = quiet, sys.stderr.isatty()
        self.done = self.total = 0
        self._begun = self._last = time.monotonic()
        self._share, self._open = -1, False

    @property
    def seconds(self) -> float:
        """Seconds since the start."""
        return time.monotonic() - self._begun

    def tell(self, text: str, done: int, total: int) -> None:
        """So many points of all, and the line that says so."""
        self.done, self.total = done, total
        if self.quiet:
            return
        now = time.monotonic()
        waited = now - self._last
        if self._terminal:
            if done == total or waited > _REDRAWN or not self._open:
                print(f"\r  {text:<{_COLUMNS}}", end="", file=sys.stderr, flush=True)
                self._last, self._open = now, True
        elif 10 * done // total > self._share or waited > _LOGGED:
            print(text, file=sys.stderr, flush=True)
            self._last, self._share = now, 10 * done // total

    def aside(self, text: str) -> None:
        """A line of its own."""
        self.close()
        if not self.quiet:
            print(text, file=sys.stderr, flush=True)

    def close(self) -> None:
        """End the line."""
        if self._open:
            print(file=sys.stderr)
            self._open = False

    def interrupted(self, kept: Path) -> KeyboardInterrupt:
        """What to raise of an interrupted study whose points are kept in a file."""
        self.close()
        return KeyboardInterrupt(
            f"interrupted: {self.done} of {self.total} points are kept in {kept.as_posix()}; "
            "the same command goes on from there"
        )


def seconds_left(left: float | None) -> str:
    """What goes on a line: ", about 93 s left", or nothing where nobody knows."""
    return "" if left is None else f", about {max(1.0, left):.0f} s left"
