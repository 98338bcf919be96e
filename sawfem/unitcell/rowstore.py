"""Finished rows of a long computation, kept in a file as it goes, so that it can be taken up again.

An SQLite file with one row of numbers under each place. It belongs to one computation, told by
a key; with another key, or where it is no such file, it starts anew. What was put is there after
an interruption or a crash.
"""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from sawfem.wholefiles import unwritable

Complex = NDArray[np.complex128]
Array = NDArray[np.float64]

_TABLES = """
CREATE TABLE IF NOT EXISTS about (key TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS part (place TEXT PRIMARY KEY, numbers BLOB NOT NULL);
"""


class RowStore:
    """Rows of complex numbers by place; a context manager.

    Parameters
    ----------
    path : the file; None keeps nothing.
    key : text that names the computation: everything on which a row depends.

    Raises
    ------
    OutputError : the file cannot be written.
    """

    def __init__(self, path: str | Path | None, key: str) -> None:
        self._path = None if path is None else Path(path)
        self._key = hashlib.sha256(key.encode("utf-8")).hexdigest()
        self._file: sqlite3.Connection | None = None

    def __enter__(self) -> RowStore:
        if self._path is None:
            return self
        try:
            self._file = self._opened(self._path)
        except sqlite3.DatabaseError:  # something else, or damaged
            try:
                self._path.unlink(missing_ok=True)
                self._file = self._opened(self._path)
            except (OSError, sqlite3.Error) as error:
                raise unwritable(self._path, OSError(str(error))) from error
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def _opened(self, path: Path) -> sqlite3.Connection:
        file = sqlite3.connect(path, isolation_level=None)
        try:
            file.executescript(_TABLES)
            known = file.execute("SELECT key FROM about").fetchone()
            if known is None or known[0] != self._key:
                file.executescript("DELETE FROM about; DELETE FROM part;")
                file.execute("INSERT INTO about VALUES (?)", (self._key,))
        except sqlite3.DatabaseError:
            file.close()
            raise
        return file

    def get(self, place: str, size: int) -> Complex | None:
        """The row at a place, (size,), or None."""
        if self._file is None:
            return None
        found = self._file.execute("SELECT numbers FROM part WHERE place = ?", (place,)).fetchone()
        if found is None or len(found[0]) != 16 * size:
            return None
        return np.frombuffer(found[0], dtype="<c16").copy()

    def put(self, place: str, row: Complex | Array) -> None:
        """Keep a row."""
        if self._file is not None:
            numbers = np.ascontiguousarray(row, dtype="<c16").tobytes()
            # A full disk is no reason to lose what is being computed.
            with contextlib.suppress(sqlite3.OperationalError):
                self._file.execute("INSERT OR REPLACE INTO part VALUES (?, ?)", (place, numbers))
