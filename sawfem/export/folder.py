"""Put a whole result into results/<case>/, or leave what was there.

constants.json   the object that a run prints with --json
result.h5        everything, arrays included
case.toml        the case, verbatim
NAME.sNp         Touchstone file of the device
pictures/        PNG and SVG
fields/          VTU and XDMF of the modes and of a driven field, where the case asks for them
log.txt          what was done and when
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace
from os import PathLike
from pathlib import Path

from sawfem.errors import NotFoundError, handed
from sawfem.export import constants_json, layout
from sawfem.export.constants_json import constants_text
from sawfem.export.hdf5_read import read_hdf5
from sawfem.export.hdf5_write import write_hdf5
from sawfem.export.places import new_name, prepare_folder, source_from, swap_in
from sawfem.export.touchstone import write_touchstone
from sawfem.result import Result
from sawfem.wholefiles import ANOTHER_OUT, unwritable

#: progress(stage, done, total), as in sawfem.extract.grating.
Progress = Callable[[str, int, int], None]


def save_result(
    result: Result,
    folder: str | Path,
    *,
    source: str | Path | None = None,
    log: str = "",
    pictures: bool = True,
    progress: Progress | None = None,
    helper: Executor | None = None,
) -> Result:
    """Write everything into ``folder`` in one swap and return the result with its ``files``.

    Parameters
    ----------
    folder : results/<case>; an older result there is replaced.
    source : the case file, to tell two of one name apart.
    log : text of log.txt.
    pictures : False draws none. helper : in another process, for half of them.

    Raises
    ------
    OutputError : as :func:`sawfem.export.prepare_folder`, or writing failed on the way; what was
        in the folder is then still there, and nothing half-written is left.
    """
    place = Path(folder)
    prepare_folder(place, source=source)
    new = new_name(place)
    try:
        new.mkdir()
        saved = _fill(result, new, place, source, log, pictures, progress, helper)
        swap_in(place)
    except OSError as error:
        raise unwritable(place, error, ANOTHER_OUT) from error
    finally:  # after an interruption too; after success there is nothing by that name
        shutil.rmtree(new, ignore_errors=True)
    return saved


def open_result(folder: str | Path) -> Result:
    """The result in a folder, with its files, or in a result.h5 alone.

    Raises
    ------
    NotFoundError : nothing is there. InputError : what is there is no result, or a newer one.
    """
    handed(folder, (str, PathLike), "folder", "the path of a folder of results")
    place = Path(folder)
    if place.is_file():
        return read_hdf5(place)
    if not place.is_dir():
        raise NotFoundError(
            file=place.as_posix(), found="no such folder", expected="a folder of results"
        )
    result = read_hdf5(place / layout.FILE_NAME)
    files = sorted(path for path in place.rglob("*") if path.is_file())
    shown = tuple(path.as_posix() for path in files if not path.name.startswith("."))
    return replace(result, files=shown)


def _fill(
    result: Result,
    new: Path,
    place: Path,
    source: str | Path | None,
    log: str,
    pictures: bool,
    progress: Progress | None,
    helper: Executor | None,
) -> Result:
    """Write all files into ``new``; their names are those they will have in ``place``."""
    (new / "case.toml").write_text(result.case_source, encoding="utf-8", newline="")
    if log:
        (new / "log.txt").write_text(log, encoding="utf-8", newline="\n")
    written = ["constants.json", layout.FILE_NAME, "case.toml", *(["log.txt"] if log else [])]
    if result.device is not None:
        file = write_touchstone(result.device, new / result.case_name, title=result.title)
        written.append(file.name)
    if pictures:
        from sawfem.plot import draw_result

        (new / "pictures").mkdir()
        drawn = draw_result(result, new / "pictures", progress=progress, helper=helper)
        written += [f"pictures/{picture.name}" for picture in drawn]
    if result.has_driven_field:
        from sawfem.export.field_files import write_fields

        (new / "fields").mkdir()
        written += [f"fields/{file.name}" for file in write_fields(result, new / "fields")]
    saved = replace(result, files=tuple((place / name).as_posix() for name in written))
    write_hdf5(saved, new / layout.FILE_NAME, source=source_from(place, source))
    text = constants_text(saved)
    (new / constants_json.FILE_NAME).write_text(text, encoding="utf-8", newline="\n")
    return saved
