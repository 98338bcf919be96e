"""A sweep for looking at: from its store while it runs, or from its file."""

from __future__ import annotations

import json
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from sawfem.errors import InputError, NotFoundError, handed
from sawfem.result.sweep_table import SweepTable
from sawfem.sweep.store import FILE_NAME, Kept, Store

if TYPE_CHECKING:
    from sawfem.export.sweep_hdf5 import SweepOrigin


def open_sweep(path: str | Path) -> SweepTable:
    """A sweep as arrays: of a folder with a store or a sweep.h5, or of one of these files.

    A store is read as far as the sweep has come, also while another process computes. Where it
    holds several sweeps of a case, the last one that was begun is read.

    Raises
    ------
    NotFoundError : nothing there. InputError, OutputError : files that are none of a sweep.
    """
    from sawfem.export.sweep_hdf5 import read_sweep

    handed(path, (str, PathLike), "path", "the path of a sweep")
    place = _file(Path(path))
    return read_sweep(place) if place.suffix == ".h5" else _from_store(place)


def open_origin(path: str | Path) -> SweepOrigin:
    """What the numbers of a sweep came from. Raises as :func:`open_sweep`."""
    from sawfem.export.sweep_hdf5 import SweepOrigin, read_origin

    place = _file(Path(path))
    if place.suffix == ".h5":
        return read_origin(place)
    with Store.read(place) as store:
        kept, about = _last(store), store.about()
        materials = json.loads(about.get(f"materials {kept.digest}", "{}"))
        return SweepOrigin(kept.text, None, materials, about.get("numerics", ""))


def _file(place: Path) -> Path:
    """The store of a folder, else its sweep.h5; a file itself."""
    from sawfem.export.sweep_hdf5 import FILE_NAME as SWEEP_FILE

    if place.is_dir():
        for name in (FILE_NAME, SWEEP_FILE):
            if (place / name).is_file():
                return place / name
    if not place.is_file():
        raise NotFoundError(
            file=place.as_posix(),
            found="no sweep" if place.exists() else "nothing",
            expected=f"a folder of a sweep, a {FILE_NAME} or a {SWEEP_FILE}",
        )
    return place


def _last(store: Store) -> Kept:
    """The sweep that was begun last."""
    sweeps = store.sweeps()
    if not sweeps:
        raise InputError(
            file=store.path.as_posix(), found="an empty store", expected="one with a sweep"
        )
    latest = store.about().get("latest")
    return next((kept for kept in sweeps if kept.digest == latest), sweeps[-1])


def _from_store(path: Path) -> SweepTable:
    from sawfem.case import Case
    from sawfem.sweep.collect import collect
    from sawfem.sweep.plan import plan_sweep

    with Store.read(path) as store:
        kept = _last(store)
        base = (path.parent / kept.source).parent if kept.source else path.parent
        plan = plan_sweep(Case.from_toml(kept.text, base=base))
        return collect(store, kept, plan)
