"""What ``sawfem sweep`` does: a case's [sweep] computed, kept as it goes, and its file written."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from sawfem.case import Case
from sawfem.errors import SawfemError, handed
from sawfem.result.sweep_table import SweepTable
from sawfem.sweep.hands import Compute, Hands
from sawfem.sweep.identity import Identity, numerics
from sawfem.sweep.keeping import WAVES
from sawfem.sweep.places import locked, network_warning, prepare_place
from sawfem.sweep.plan import SweepPlan, plan_sweep, without_studies
from sawfem.sweep.point import Answer, Job, Task, compute
from sawfem.sweep.store import DONE, FILE_NAME, Counts, Kept, Row, Store

#: Points whose keys are looked up at once.
_BLOCK = 128
#: Points of plane waves that go to a worker at once.
_RUN = 8


@dataclass(frozen=True)
class SweepProgress:
    """How far a sweep is.

    Attributes
    ----------
    done, failed, total : points; done ones have an answer.
    known : how many of them were there before this run.
    rate : points a second in this run. left : seconds at that rate, None while it is not known.
    warning : a sentence, once, or "".
    """

    done: int
    failed: int
    total: int
    known: int = 0
    rate: float = 0.0
    left: float | None = None
    warning: str = ""


#: progress(how far): at the start and whenever points have been kept.
Progress = Callable[[SweepProgress], None]


@dataclass(frozen=True)
class SweepResult:
    """A sweep: its arrays and its files, as openable from the working directory."""

    plan: SweepPlan
    table: SweepTable
    files: tuple[str, ...]


def run_sweep(
    case: Case,
    *,
    folder: str | Path | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> SweepTable:
    """Compute the [sweep] of a case, or go on with one that was interrupted.

    Parameters
    ----------
    folder : where store.sqlite and sweep.h5 go; results/<stem of the case>.sweep if left out.
    workers : processes of this machine, all cores if left out; 0 computes in this process. A
        script that uses processes needs the usual ``if __name__ == "__main__":``.
    cluster : address of a Dask scheduler, or "local" for one on loopback.
    progress : called with how far the sweep is.

    Raises
    ------
    CaseError, UnitError, InputError : the case or its [sweep] cannot be used.
    OutputError : a folder that cannot be written, or a store of another version or in use.
    KeyboardInterrupt : passed on; what was computed is kept.
    """
    handed(case, Case, "case", 'a Case, such as Case.load("buoy.toml")')
    plan = plan_sweep(case)
    where = Path(folder) if folder is not None else Path("results") / f"{case.stem}.sweep"
    return execute_sweep(
        plan, folder=where, workers=workers, cluster=cluster, progress=progress
    ).table


def execute_sweep(
    plan: SweepPlan,
    *,
    folder: Path,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
    function: Compute = compute,
) -> SweepResult:
    """As :func:`run_sweep`, for a plan; ``function`` computes tasks in the workers."""
    prepare_place(folder)
    report = progress or (lambda how_far: None)
    count = (os.cpu_count() or 1) if workers is None else workers
    identity = Identity(plan)
    job = Job(
        json.dumps(without_studies(plan.case), default=str),
        str(plan.case.base.resolve()),
        plan.keep.level,
        numerics(),
    )
    with ExitStack() as open_things:
        open_things.enter_context(locked(folder))
        store = open_things.enter_context(Store.create(folder / FILE_NAME, numerics()))
        _note_libraries(store, report)
        kept = _entered(store, plan, identity, folder)
        hands = open_things.enter_context(Hands(job, count, cluster, function))
        keeper = Keeper(store, kept, report)
        if warning := network_warning(folder):
            keeper.warn(warning)
        if plan.sample == "adaptive":
            from sawfem.sweep.adaptive import refine

            refine(plan, identity, hands, keeper)
        else:
            keeper.keep(hands.answers(tasks(plan, identity, keeper, plan.order(), plan.changes)))
        from sawfem.export.sweep_hdf5 import FILE_NAME as SWEEP_FILE
        from sawfem.export.sweep_hdf5 import SweepOrigin, write_sweep
        from sawfem.sweep.collect import collect

        table = collect(store, kept, plan)
        origin = SweepOrigin(
            case_source=plan.case.text,
            resolved=plan.case.resolved().to_dict(),
            materials=json.loads(store.about()[f"materials {kept.digest}"]),
            numerics=numerics(),
        )
        file = write_sweep(table, folder / SWEEP_FILE, origin)
    return SweepResult(plan, table, (file.as_posix(), (folder / FILE_NAME).as_posix()))


class Keeper:
    """Keeps answers and tells how far the sweep is: what has been told has been committed."""

    def __init__(self, store: Store, kept: Kept, report: Progress) -> None:
        self.store, self.kept, self._report = store, kept, report
        self.settled = store.settled(kept.number)
        counts = store.counts(kept.number)
        self._done, self._failed, self.total = counts.done, counts.failed, counts.total
        self._known, self._new, self._begun = counts.done, 0, time.monotonic()
        self.tell()

    def tell(self, warning: str = "") -> None:
        """Report how far it is."""
        spent, left = time.monotonic() - self._begun, self.total - self._done - self._failed
        rate = self._new / spent if spent > 0.0 else 0.0
        seconds = None if not self._new else left / rate
        self._report(
            SweepProgress(self._done, self._failed, self.total, self._known, rate, seconds, warning)
        )

    def warn(self, sentence: str) -> None:
        """Report a warning."""
        self.tell(sentence)

    def link(self, members: list[tuple[int, bytes, str]]) -> None:
        """Note points of this sweep that another one has computed before."""
        rows = [(self.kept.number, place, key, changes) for place, key, changes in members]
        self.store.add([], rows)
        counts = self.store.counts(self.kept.number)
        self._known += counts.done - self._done
        self._done, self._failed = counts.done, counts.failed
        self.settled.update(place for place, _, _ in members)
        self.tell()

    def keep(
        self,
        batches: Iterable[list[tuple[Task, Answer, int]]],
        notes: dict[int, str] | None = None,
    ) -> None:
        """Commit batches of answers as they come; ``notes``: text beside a place."""
        for batch in batches:
            rows, members = [], []
            for task, answer, tries in batch:
                key = task.keys[task.places.index(answer.place)]
                rows.append(
                    Row(key, answer.status, answer.text, answer.message, answer.seconds, tries)
                )
                note = (notes or {}).get(answer.place, "")
                members.append((self.kept.number, answer.place, key, note))
                self._done += answer.status == DONE
                self._failed += answer.status != DONE
                self._new += 1
                self.settled.add(answer.place)
            self.store.add(rows, members)
            self.tell()


def tasks(
    plan: SweepPlan,
    identity: Identity,
    keeper: Keeper,
    places: Iterable[int],
    changes: Callable[[int], Mapping[str, Any]],
    notes: Mapping[int, str] | None = None,
) -> Iterator[Task]:
    """Tasks for the places that have no answer yet; drawn block by block, as they are needed.

    Parameters
    ----------
    changes : what is put into the case at a place. notes : text kept beside a place.
    """
    waiting = iter(places)
    size = _RUN if plan.keep.level == WAVES else 1
    length = _RUN  # short at first, so that the workers need not wait
    while block := list(islice(waiting, length)):
        length = min(2 * length, _BLOCK)
        found: list[tuple[int, bytes]] = []
        for place in block:
            if place in keeper.settled:
                continue
            try:
                key = identity.of(plan.case.resolved_with(changes(place)))
            except SawfemError:
                # Told by the worker, as everything that is wrong with a single point.
                key = identity.of_place(place)
            found.append((place, key))
        known = keeper.store.known([key for _, key in found])
        if known:
            told = notes or {}
            keeper.link([(p, key, told.get(p, "")) for p, key in found if key in known])
        left = [(place, key) for place, key in found if key not in known]
        for start in range(0, len(left), size):
            part = left[start : start + size]
            yield Task(
                tuple(place for place, _ in part),
                tuple(key for _, key in part),
                tuple(changes(place) for place, _ in part),
            )


def sweep_status(case: Case, folder: Path) -> Counts:
    """How far the sweep of a case is in its folder; nothing is computed.

    Raises as :func:`run_sweep`.
    """
    plan = plan_sweep(case)
    path = folder / FILE_NAME
    if not path.is_file():
        return Counts(0, 0, plan.size)
    with Store.read(path) as store:
        kept = store.find(Identity(plan).of_plan())
        return Counts(0, 0, plan.size) if kept is None else store.counts(kept.number)


def _entered(store: Store, plan: SweepPlan, identity: Identity, folder: Path) -> Kept:
    """Make the sweep known to the store, with what its numbers come from."""
    from sawfem.export.places import source_from

    digest = identity.of_plan()
    store.enter(
        digest,
        plan.size,
        plan.case.title,
        source_from(folder, plan.case.source),
        plan.case.stem,
        plan.case.to_toml(),
    )
    kept = store.find(digest)
    assert kept is not None
    store.note("latest", digest)
    store.note(f"materials {digest}", json.dumps(identity.entries(), sort_keys=True))
    return kept


def _note_libraries(store: Store, report: Progress) -> None:
    """Remember the libraries; say so where points of others are in the store."""
    from sawfem.result import current_versions

    versions = current_versions()
    text = ", ".join(f"{name} {versions[name]}" for name in ("numpy", "scipy", "scikit-fem"))
    known = store.about().get("libraries")
    if known is None:
        store.note("libraries", text)
    elif known != text:
        report(
            SweepProgress(
                0,
                0,
                0,
                warning=f"the store holds points computed with {known}; going on with "
                f"{text}, which may differ in the last digits",
            )
        )
