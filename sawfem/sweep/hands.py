"""Who computes: this process, processes of this machine, or a Dask cluster.

All are ``concurrent.futures`` executors. A process that ends takes its executor along, so that
the points that were in work are suspects: each is tried again, alone, until it is known which of
them it was, twice at most.
"""

from __future__ import annotations

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import suppress
from multiprocessing import get_context
from typing import Any

from sawfem.errors import InputError, SawfemError
from sawfem.sweep.point import Answer, Job, Task, compute
from sawfem.sweep.store import LOST

#: How often a point is tried again after the process that computed it has ended.
RETRIES = 2
#: What is said of a point whose process ended again and again.
LOST_MESSAGE = (
    f"the process that computed it ended {RETRIES + 1} times (killed, or out of memory); the next "
    "run of the sweep tries again"
)
#: Seconds after which whoever waits looks up, so that an interruption is noticed.
_LOOK_UP = 0.5

#: What computes a task; another one may be named for tests and for other kinds of points.
Compute = Callable[[Job, Task], list[Answer]]


class Hands:
    """Computes tasks and hands the answers back as they come.

    Parameters
    ----------
    workers : processes of this machine; 0 computes in this one.
    cluster : address of a Dask scheduler such as "tcp://host:8786", or "local" for one on
        loopback with ``workers`` processes; None uses processes of this machine without Dask.

    Raises
    ------
    InputError : no Dask, or no scheduler at the address.
    """

    def __init__(
        self,
        job: Job,
        workers: int,
        cluster: str | None = None,
        function: Compute = compute,
    ) -> None:
        self._job, self._function = job, function
        self._pool: _Pool
        if cluster is not None:
            self._pool = _Dask(cluster, workers)
        else:
            self._pool = _Processes(workers) if workers else _Here()

    def __enter__(self) -> Hands:
        return self

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        """End the workers: at once after a mistake or an interruption."""
        self._pool.close(at_once=error is not None)

    def answers(self, tasks: Iterable[Task]) -> Iterator[list[tuple[Task, Answer, int]]]:
        """Answers as they come, several at a time: (task of the point, answer, tries).

        Tasks are drawn as they are needed. Points whose worker ended are tried again; after
        RETRIES they are LOST.
        """
        rest = iter(tasks)
        work: dict[Future[list[Answer]], tuple[Task, int]] = {}
        suspects: deque[tuple[Task, int]] = deque()
        while True:
            self._fill(rest, work, suspects)
            if not work:
                return
            finished, _ = wait(work, timeout=_LOOK_UP, return_when=FIRST_COMPLETED)
            batch: list[tuple[Task, Answer, int]] = []
            for future in finished:
                task, tries = work.pop(future)
                try:
                    batch += [(task, answer, tries) for answer in future.result()]
                except SawfemError:
                    raise
                except BaseException as error:
                    if not self._pool.is_death(error):
                        raise
                    suspects.append((task, tries))
            if any(self._pool.is_death(error) for error in map(_error, finished)):
                # The whole pool is gone: what else was in work cannot be told from the cause.
                if self._pool.dies_whole:
                    suspects.extend(work.values())
                    work.clear()
                self._pool.renew()
                batch += _lost(suspects, self._pool.retries)
            if batch:
                yield batch

    def _fill(
        self,
        rest: Iterator[Task],
        work: dict[Future[list[Answer]], tuple[Task, int]],
        suspects: deque[tuple[Task, int]],
    ) -> None:
        """Keep every worker busy; a suspect works alone."""
        while len(work) < self._pool.depth and not suspects:
            task = next(rest, None)
            if task is None:
                return
            work[self._submit(task)] = (task, 1)
        if suspects and not work:
            task, tries = suspects.popleft()
            work[self._submit(task)] = (task, tries + 1)

    def _submit(self, task: Task) -> Future[list[Answer]]:
        try:
            return self._pool.executor().submit(self._function, self._job, task)
        except BrokenExecutor:  # it died between two tasks
            self._pool.renew()
            return self._pool.executor().submit(self._function, self._job, task)


def _error(future: Future[Any]) -> BaseException | None:
    return None if future.cancelled() else future.exception()


def _lost(suspects: deque[tuple[Task, int]], retries: int) -> list[tuple[Task, Answer, int]]:
    """Take apart tasks of several points, and give up those that were tried often enough."""
    found: list[tuple[Task, Answer, int]] = []
    again: list[tuple[Task, int]] = []
    for task, tries in suspects:
        for place, key, changes in zip(task.places, task.keys, task.changes, strict=True):
            single = Task((place,), (key,), (changes,))
            if tries > retries:
                found.append((single, Answer(place, LOST, "", LOST_MESSAGE, 0.0), tries))
            else:
                again.append((single, tries))
    suspects.clear()
    suspects.extend(again)
    return found


class _Pool:
    """An executor that can be made anew."""

    #: Tasks that are in work or wait in the executor at a time.
    depth = 1
    #: Whether the end of one worker is the end of all.
    dies_whole = True
    #: How often a point is tried again here.
    retries = RETRIES

    def executor(self) -> Executor:
        """The executor, made when it is first used."""
        raise NotImplementedError

    def is_death(self, error: BaseException | None) -> bool:
        """Whether an error of a future says that its worker has ended."""
        return isinstance(error, BrokenExecutor)

    def renew(self) -> None:
        """Forget an executor that is broken."""

    def close(self, *, at_once: bool) -> None:
        """End the workers."""


class _Here(_Pool):
    """The process that asks; for tests and for what is too small for workers."""

    class _Executor(Executor):
        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            future: Future[Any] = Future()
            try:
                future.set_result(fn(*args, **kwargs))
            except Exception as error:
                future.set_exception(error)
            return future

    def __init__(self) -> None:
        self._executor = self._Executor()

    def executor(self) -> Executor:
        return self._executor


class _Processes(_Pool):
    """Spawned processes of this machine, one thread of linear algebra each."""

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self.depth = workers + min(workers, 4)  # something waits for whoever is ready first
        self._executor: ProcessPoolExecutor | None = None

    def executor(self) -> Executor:
        if self._executor is None:
            self._executor = ProcessPoolExecutor(
                self._workers, mp_context=get_context("spawn"), initializer=prepare_process
            )
        return self._executor

    def renew(self) -> None:
        if self._executor is not None:
            self._end(self._executor)
            self._executor = None

    def close(self, *, at_once: bool) -> None:
        if self._executor is None:
            return
        if at_once:
            self._end(self._executor)
        else:
            self._executor.shutdown(wait=True, cancel_futures=True)
        self._executor = None

    @staticmethod
    def _end(executor: ProcessPoolExecutor) -> None:
        """Kill the workers: their points are not acknowledged and will be computed again."""
        processes = list((getattr(executor, "_processes", None) or {}).values())
        executor.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            with suppress(OSError, ValueError):
                process.kill()
        for process in processes:
            with suppress(OSError, ValueError, AssertionError):
                process.join(2.0)


class _Dask(_Pool):
    """A Dask cluster through its ``concurrent.futures`` face."""

    dies_whole = False
    retries = 0  # the scheduler tries again itself: distributed.scheduler.allowed-failures

    def __init__(self, address: str, workers: int) -> None:
        try:
            from distributed import Client, LocalCluster
        except ImportError:
            raise InputError(
                key="--cluster",
                found="no Dask on this machine",
                expected="the package distributed: install sawfem with its extra [cluster]",
            ) from None
        self._cluster: Any = None
        if address == "local":
            self._cluster = LocalCluster(  # type: ignore[no-untyped-call]
                n_workers=max(1, workers),
                threads_per_worker=1,
                host="127.0.0.1",
                dashboard_address=None,
            )
            address = self._cluster.scheduler_address
        try:
            client: Any = Client(address, timeout=10)  # type: ignore[no-untyped-call]
        except (OSError, ValueError, TimeoutError) as error:
            raise InputError(
                key="--cluster",
                found=f"no scheduler at {address} ({' '.join(str(error).split())[:120]})",
                expected='the address of a running Dask scheduler, "tcp://host:8786", or "local"',
            ) from None
        self._client = client
        self._executor: Any = client.get_executor(pure=False, retries=0)
        # Workers come and go: enough waits for them all.
        self.depth = 2 * max(1, workers, sum(client.nthreads().values()))

    def executor(self) -> Executor:
        found: Executor = self._executor
        return found

    def is_death(self, error: BaseException | None) -> bool:
        from distributed.scheduler import KilledWorker

        return isinstance(error, KilledWorker)

    def close(self, *, at_once: bool) -> None:
        with suppress(Exception):
            self._executor.shutdown(wait=not at_once, cancel_futures=True)
        with suppress(Exception):
            self._client.close(timeout=2)
        if self._cluster is not None:
            with suppress(Exception):
                self._cluster.close(timeout=4)


def prepare_process() -> None:
    """In a new process: one thread of linear algebra; interruptions are the parent's affair, and
    without a parent there is nothing left to do.
    """
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"  # before the libraries are loaded
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    from multiprocessing import connection, parent_process

    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)
