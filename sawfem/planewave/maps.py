"""Maps of plane waves over one or two axes, by several hands, kept when interrupted.

    asked = request(Stack("lithium-niobate/kovacs-1990"),
                    {"substrate.euler[1]": range(0, 181, 2), "substrate.euler[2]": range(0, 91)})
    found = compute_map(asked)
    found.values["velocity_free"]        # (91, 91), m/s

Bare half-spaces are computed hundreds at a time (:mod:`.batch_table`) in threads, NumPy letting
go of the interpreter meanwhile; leaky ones of them follow rows of the map (:mod:`.leaky_rows`), and
layered stacks are computed one at a time, both in processes.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Generator, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from contextlib import closing, contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import InputError
from sawfem.planewave.generalised import Array
from sawfem.planewave.map_points import DONE, NOT_RUN, Chunk, chunks_of, compute_chunk
from sawfem.planewave.map_request import MapAxis, MapRequest, request

__all__ = ["MapAxis", "MapRequest", "WaveMap", "compute_map", "request"]

#: progress(points done, points in all, seconds left or None while nobody knows).
Progress = Callable[[int, int, float | None], None]


@dataclass(frozen=True, eq=False)
class WaveMap:
    """A map, whole or in part.

    Attributes
    ----------
    asked : what it is a map of; ``asked.axes`` label the arrays.
    values : quantity -> array over the axes in order, SI, NaN where there is none.
    status : the same shape, int8: 0 done, 1 failed, 2 not run.
    message : the same shape, text: why a point failed, or "".
    """

    asked: MapRequest
    values: Mapping[str, Array]
    status: NDArray[np.int8]
    message: NDArray[np.object_]

    @property
    def complete(self) -> bool:
        """Whether every point was run."""
        return not bool(np.any(self.status == NOT_RUN))

    @property
    def done(self) -> int:
        """Points that were run."""
        return int(np.sum(self.status != NOT_RUN))

    def __repr__(self) -> str:
        axes = " x ".join(f"{axis.key} ({len(axis)})" for axis in self.asked.axes)
        return (
            f"<WaveMap {', '.join(self.values)} over {axes}; {self.done} of {self.status.size} "
            f"points run, {int(np.sum(self.status == DONE))} with all values>"
        )


class _Sheet:
    """A map while it fills."""

    def __init__(self, asked: MapRequest, known: WaveMap | None) -> None:
        self.asked = asked
        count = len(asked.quantities), asked.size
        self.values, self.status = np.full(count, np.nan), np.full(asked.size, NOT_RUN, np.int8)
        self.message = np.full(asked.size, "", dtype=object)
        if known is not None:
            if known.status.shape != asked.shape or tuple(known.values) != asked.quantities:
                raise InputError(found="a map of another request", expected="one of this request")
            self.values[:] = [known.values[name].ravel() for name in asked.quantities]
            self.status[:], self.message[:] = known.status.ravel(), known.message.ravel()

    def enter(self, chunk: Chunk) -> None:
        self.values[:, chunk.points] = chunk.values
        self.status[chunk.points] = chunk.status
        self.message[chunk.points] = chunk.messages

    def map(self) -> WaveMap:
        shape = self.asked.shape
        values = {
            name: row.reshape(shape).copy()
            for name, row in zip(self.asked.quantities, self.values, strict=True)
        }
        return WaveMap(
            self.asked,
            values,
            self.status.reshape(shape).copy(),
            self.message.reshape(shape).copy(),
        )


def compute_map(
    asked: MapRequest,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
    known: WaveMap | None = None,
    keep: Callable[[WaveMap], None] | None = None,
    every: float = 10.0,
) -> WaveMap:
    """Compute a map.

    Parameters
    ----------
    asked : from :func:`request`, or of a case.
    workers : threads for bare half-spaces (default: as many as there are processors), processes
        for the rest (default: none but this one). A script that asks for several processes must
        keep its own work under ``if __name__ == "__main__":``, since they import it.
    progress : called with points done, points in all, and the seconds left.
    known : a part of the same map computed earlier; only what is missing is computed.
    keep : called with the map as it stands about ``every`` so many seconds, and when the work is
        interrupted, before the interruption goes on.

    Returns
    -------
    The map; the same numbers to the bit whether it was interrupted or not.

    Raises
    ------
    MaterialError : temperature data are missing, or a material conducts.
    InputError : ``known`` is part of another map, or an unusable number of workers.
    """
    if workers is not None and workers < 1:
        raise InputError(key="workers", found=f"{workers}", expected="1 or more")
    sheet = _Sheet(asked, known)
    left = [part for part in chunks_of(asked) if np.any(sheet.status[part] == NOT_RUN)]
    report = _Report(asked.size, asked.size - sum(map(len, left)), progress)
    kept = time.monotonic()
    try:
        with closing(_computed(asked, left, workers)) as computed:
            for chunk in computed:
                sheet.enter(chunk)
                report.done(len(chunk.points))
                if keep is not None and time.monotonic() - kept > every:
                    keep(sheet.map())
                    kept = time.monotonic()
    except BaseException:
        if keep is not None:
            keep(sheet.map())
        raise
    return sheet.map()


class _Report:
    """Points done, and the time that is left at the pace so far."""

    def __init__(self, total: int, known: int, progress: Progress | None) -> None:
        self.total, self.known, self.count, self.progress = total, known, 0, progress
        self.begun = time.monotonic()
        self.done(0)

    def done(self, more: int) -> None:
        self.count += more
        if self.progress is None:
            return
        spent, left = time.monotonic() - self.begun, self.total - self.known - self.count
        seconds = spent * left / self.count if self.count else None
        self.progress(self.known + self.count, self.total, 0.0 if left == 0 else seconds)


def _computed(
    asked: MapRequest, left: list[NDArray[np.intp]], workers: int | None
) -> Generator[Chunk, None, None]:
    """Chunks as they are finished."""
    count = workers or (os.cpu_count() or 1 if asked.is_batch else 1)
    if min(count, len(left)) <= 1:
        yield from (compute_chunk(asked, points) for points in left)
        return
    with _hands(asked, min(count, len(left))) as pool:
        waiting: set[Future[Chunk]] = set()
        rest = iter(left)
        while True:
            for points in rest:
                waiting.add(pool.submit(compute_chunk, asked, points))
                if len(waiting) > 2 * count:  # few enough to stop soon when interrupted
                    break
            if not waiting:
                return
            finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in finished:
                yield future.result()


@contextmanager
def _hands(asked: MapRequest, count: int) -> Iterator[Executor]:
    """Threads or processes with one thread of linear algebra each."""
    from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
    from multiprocessing import get_context

    from threadpoolctl import threadpool_limits

    pool: Executor
    if asked.is_batch:
        pool = ThreadPoolExecutor(count)
    else:
        pool = ProcessPoolExecutor(
            count, mp_context=get_context("spawn"), initializer=_prepare_process
        )
    try:
        with threadpool_limits(1):
            yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _prepare_process() -> None:
    """In a worker: one thread of linear algebra; interruptions are the parent's affair."""
    import signal

    from threadpoolctl import threadpool_limits

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threadpool_limits(1)
