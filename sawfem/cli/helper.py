"""A second process beside a command, for work that can be divided."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context


@contextmanager
def second_process(make_ready: Callable[[], None]) -> Iterator[Executor | None]:
    """An executor of one other process, which calls ``make_ready`` at once; None on one core.

    The process is spawned, so the command's own module must be one that can be imported without
    running, as that of ``sawfem`` is. Ctrl-C ends this process, and with it the other.
    """
    if _cores() < 2:
        yield None
        return
    helper = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_deaf)
    try:
        helper.submit(make_ready)
        yield helper
    finally:
        # Waited for, a second at most: at the end of the program a pool that still closes may
        # find its own pipe gone, and says so.
        helper.shutdown(wait=True, cancel_futures=True)


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _deaf() -> None:
    """Leave Ctrl-C to the process that gave the work."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
