"""A sweep for looking at: from its store while it runs, or from its file."""

from __future__ import annotations

from pathlib import Path

from sawfem.errors import InputError, NotFoundError
from sawfem.result.sweep_table import SweepTable
from sawfem.sweep.store import FILE_NAME, Store


def open_sweep(path: str | Path) -> SweepTable:
    """A sweep as arrays: of a folder with a store or a sweep.h5, or of one of these files.

    A store is read as far as the sweep has come, also while another process computes. Where it
    holds several sweeps of a case, the last one that was begun is read.

    Raises
    ------
    NotFoundError : nothing there. InputError, OutputError : files that are none of a sweep.
    """
    from sawfem.export.sweep_hdf5 import FILE_NAME as SWEEP_FILE
    from sawfem.export.sweep_hdf5 import read_sweep

    place = Path(path)
    if place.is_dir():
        for name in (FILE_NAME, SWEEP_FILE):
            if (place / name).is_file():
                return open_sweep(place / name)
    if not place.is_file():
        raise NotFoundError(
            file=place.as_posix(),
            found="no sweep" if place.exists() else "nothing",
            expected=f"a folder of a sweep, a {FILE_NAME} or a {SWEEP_FILE}",
        )
    if place.suffix == ".h5":
        return read_sweep(place)
    return _from_store(place)


def _from_store(path: Path) -> SweepTable:
    from sawfem.case import Case
    from sawfem.sweep.collect import collect
    from sawfem.sweep.plan import plan_sweep

    with Store.read(path) as store:
        sweeps = store.sweeps()
        if not sweeps:
            raise InputError(
                file=path.as_posix(), found="an empty store", expected="one with a sweep"
            )
        kept = sweeps[-1]
        base = (path.parent / kept.source).parent if kept.source else path.parent
        plan = plan_sweep(Case.from_toml(kept.text, base=base))
        return collect(store, kept, plan)
