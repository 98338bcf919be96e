"""The folder of a result as a place: may it be written, is it ours, was a swap interrupted?

A full folder cannot be replaced in one step. A new result is made as ``.NAME.new`` beside it;
then the old folder becomes ``.NAME.old``, the new one gets the name and the old one goes. At
every moment either the old or the new result is whole, under its name or as ``.NAME.old``.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from pathlib import Path

from sawfem.errors import InputError, NotFoundError, OutputError
from sawfem.export import layout
from sawfem.wholefiles import ANOTHER_OUT, unwritable

#: What a folder of results may hold, besides Touchstone files.
OWN_NAMES = frozenset(
    {"constants.json", "result.h5", "case.toml", "log.txt", "pictures", "fields", "report.html"}
)
_TOUCHSTONE = re.compile(r".+\.s[0-9]+p")
#: What the folders inside hold.
_OWN_SUFFIXES = {
    "pictures": frozenset({".png", ".svg", ".gif"}),
    "fields": frozenset({".vtu", ".xdmf", ".h5", ".txt"}),
}
#: What file managers leave behind.
_DROPPINGS = frozenset({".DS_Store", ".directory", "Thumbs.db", "desktop.ini"})

_ADVICE = "move the files, or name another folder with --out"


def new_name(folder: Path) -> Path:
    """Where the next result is made: ``.NAME.new`` beside the folder."""
    return folder.with_name(f".{folder.name}.new")


def old_name(folder: Path) -> Path:
    """Where the last result waits during the swap: ``.NAME.old`` beside the folder."""
    return folder.with_name(f".{folder.name}.old")


def prepare_folder(folder: str | Path, *, source: str | Path | None = None) -> None:
    """Make sure that a result may be put at ``folder``, before time is spent on it.

    Mends a swap that was interrupted and removes what a killed run left half-written.

    Parameters
    ----------
    folder : results/<case>, which need not exist.
    source : the case file, or None for a case without one.

    Raises
    ------
    OutputError : the place cannot be written; the folder holds files that are no result, which
        would be lost; or it holds the result of another case file of the same name.
    """
    place = Path(folder)
    shown = place.as_posix()
    if not place.name or place.name in (".", ".."):
        raise OutputError(
            file=shown, found="no name", expected="a folder of its own, such as results/NAME"
        )
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        _recover(place)
        with tempfile.TemporaryDirectory(prefix=f".{place.name}.try-", dir=place.parent):
            pass
    except OSError as error:
        raise unwritable(place.parent, error, ANOTHER_OUT) from error
    if place.is_symlink() or (place.exists() and not place.is_dir()):
        found = "a link" if place.is_symlink() else "a file"
        raise OutputError(file=shown, found=found, expected="a folder, or nothing yet")
    if place.is_dir():
        _refuse_strangers(place)
        _refuse_other_case(place, source)


def source_from(folder: str | Path, source: str | Path | None) -> str:
    """Path of the case file as seen from the folder, with "/"; "" without a file.

    Relative, so that a project may move as a whole and no machine's folders are written down.
    """
    if source is None:
        return ""
    absolute = Path(source).resolve()
    try:
        return Path(os.path.relpath(absolute, Path(folder).resolve())).as_posix()
    except ValueError:  # another drive
        return absolute.as_posix()


def swap_in(folder: Path) -> None:
    """Give ``.NAME.new`` its name and remove what was there. Raises OutputError."""
    new, old = new_name(folder), old_name(folder)
    try:
        if folder.exists():
            folder.rename(old)
        try:
            new.rename(folder)
        except OSError:
            if old.exists():
                old.rename(folder)
            raise
    except OSError as error:
        raise unwritable(folder, error, ANOTHER_OUT) from error
    shutil.rmtree(old, ignore_errors=True)


def _recover(place: Path) -> None:
    """Finish or undo a swap that was interrupted."""
    old = old_name(place)
    if old.is_dir():
        if place.exists():
            shutil.rmtree(old)
        else:
            old.rename(place)
    new = new_name(place)
    if new.is_dir():
        shutil.rmtree(new)


def _refuse_strangers(place: Path) -> None:
    """Whatever lies in the folder and is not a result would be lost in the swap."""
    for item in sorted(place.iterdir()):
        strangers = [item]
        if item.name in _OWN_SUFFIXES and item.is_dir():
            kept = _OWN_SUFFIXES[item.name]
            strangers = [path for path in sorted(item.iterdir()) if not _is_own(path, kept)]
        elif item.name in OWN_NAMES | _DROPPINGS or _TOUCHSTONE.fullmatch(item.name):
            strangers = []
        if strangers:
            name = strangers[0].relative_to(place).as_posix()
            raise OutputError(
                file=place.as_posix(),
                found=f"{name}, which is no part of a result and would be lost",
                expected=f"an empty folder or one with a result alone; {_ADVICE}",
            )


def _is_own(path: Path, suffixes: frozenset[str]) -> bool:
    return path.suffix in suffixes or path.name in _DROPPINGS


def _refuse_other_case(place: Path, source: str | Path | None) -> None:
    """Two case files of one name must not take turns in one folder."""
    from sawfem.export.hdf5_read import source_path

    try:
        known = source_path(place / layout.FILE_NAME)
    except NotFoundError:
        if any(item.name not in _DROPPINGS for item in place.iterdir()):
            raise OutputError(
                file=place.as_posix(),
                found=f"files without a {layout.FILE_NAME}: they would be lost",
                expected=f"an empty folder or one with a result; {_ADVICE}",
            ) from None
        return
    except InputError as error:
        raise OutputError(
            file=place.as_posix(),
            found=f"a {layout.FILE_NAME} that cannot be read ({error.message})",
            expected=f"an empty folder or one with a result; {_ADVICE}",
        ) from None
    asked = source_from(place, source)
    if known and asked and known != asked:
        other = Path(os.path.normpath(place / known)).as_posix()
        raise OutputError(
            file=place.as_posix(),
            found=f"the result of another case file, {other}",
            expected="a folder of its own for each case file: name one with --out",
        )
