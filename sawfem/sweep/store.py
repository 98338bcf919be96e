"""The store of a sweep: SQLite in WAL mode, one row a point, written by one process alone.

    about    name, value               format, numerics, versions
    plan     id, digest, size, ...     every sweep that was run here, with its case
    point    key, status, answer, ...  one answer; the key is a digest of what it depends on
    member   plan, place, key          which points belong to which sweep

Answers are JSON text. Whatever has been committed survives the end of the process and of the
machine (synchronous = FULL). Readers may look on while the sweep runs. The file can be copied to
another machine once no process has it open (with its -wal file, if there is one).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sawfem.errors import InputError, OutputError

FORMAT = "sawfem-sweep-store/1"
FILE_NAME = "store.sqlite"

#: State of a point. LOST: its worker ended again and again; such a point is tried anew next time.
DONE, FAILED, NOT_RUN, LOST = 0, 1, 2, 3

#: Most keys in one question.
_ASKED = 500

_TABLES = """
CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE plan (
    id INTEGER PRIMARY KEY, digest TEXT NOT NULL UNIQUE, size INTEGER NOT NULL,
    title TEXT NOT NULL, source TEXT NOT NULL, stem TEXT NOT NULL, text TEXT NOT NULL
);
CREATE TABLE point (
    key BLOB PRIMARY KEY, status INTEGER NOT NULL, answer TEXT NOT NULL, message TEXT NOT NULL,
    seconds REAL NOT NULL, tries INTEGER NOT NULL
);
CREATE TABLE member (
    plan INTEGER NOT NULL, place INTEGER NOT NULL, key BLOB NOT NULL, changes TEXT NOT NULL,
    PRIMARY KEY (plan, place)
) WITHOUT ROWID;
"""


@dataclass(frozen=True)
class Row:
    """One point as it is kept: JSON text of its answer, or why there is none."""

    key: bytes
    status: int
    answer: str
    message: str
    seconds: float
    tries: int = 1


@dataclass(frozen=True)
class Kept:
    """One sweep of a store: what is needed to understand its points again."""

    number: int
    digest: str
    size: int
    title: str
    source: str
    stem: str
    text: str


@dataclass(frozen=True)
class Counts:
    """How many points of a sweep are done, failed (with lost ones) and all there are."""

    done: int
    failed: int
    total: int

    @property
    def left(self) -> int:
        """Points that have not been computed."""
        return self.total - self.done - self.failed


class Store:
    """An open store. Use :meth:`create` to write and :meth:`read` to look on."""

    def __init__(self, path: Path, link: sqlite3.Connection) -> None:
        self.path, self._link = path, link

    @classmethod
    @contextmanager
    def create(cls, path: Path, numerics: str) -> Iterator[Store]:
        """Open a store for writing, making it where there is none.

        Raises
        ------
        OutputError : a store of other numerics or of another format, or a place that cannot be
            written.
        """
        with _told(path), _linked(path, "rwc") as link:
            store = cls(path, link)
            link.execute("PRAGMA journal_mode = WAL")
            link.execute("PRAGMA synchronous = FULL")
            if not store._has_tables():
                with store._transaction():
                    for statement in filter(str.strip, _TABLES.split(";")):
                        link.execute(statement)
                    link.executemany(
                        "INSERT INTO about VALUES (?, ?)",
                        [("format", FORMAT), ("numerics", numerics)],
                    )
            store._check(numerics)
            yield store

    @classmethod
    @contextmanager
    def read(cls, path: Path) -> Iterator[Store]:
        """Open a store for reading, also while another process writes it.

        Raises
        ------
        InputError : no store, or one of another format.
        """
        if not path.is_file():
            raise InputError(
                file=path.as_posix(), found="no such file", expected="the store of a sweep"
            )
        # In a folder that cannot be written there is no room for the reader's own marks.
        still = (
            not os.access(path.parent, os.W_OK) and not path.with_name(f"{path.name}-wal").exists()
        )
        with _told(path), _linked(path, "ro&immutable=1" if still else "ro") as link:
            store = cls(path, link)
            store._check(None)
            yield store

    def _has_tables(self) -> bool:
        found = self._link.execute("SELECT name FROM sqlite_master WHERE name = 'about'")
        return found.fetchone() is not None

    def _check(self, numerics: str | None) -> None:
        """Refuse a file of another program, and points of another version of the numerics."""
        known = self.about() if self._has_tables() else {}
        if known.get("format") != FORMAT:
            found = known.get("format", "an SQLite file of another program")
            raise OutputError(
                file=self.path.as_posix(),
                found=f"{found}",
                expected=f"{FORMAT}, which this version reads; move the file, or name another "
                "folder with --out",
            )
        if numerics is not None and known.get("numerics") != numerics:
            raise OutputError(
                file=self.path.as_posix(),
                found=f"points computed by version {known.get('numerics')}",
                expected=f"those of version {numerics}; move the file (sawfem show still reads "
                "it), or name another folder with --out",
            )

    def about(self) -> dict[str, str]:
        """What the store says about itself."""
        return dict(self._link.execute("SELECT name, value FROM about"))

    def note(self, name: str, value: str) -> None:
        """Keep a remark about the store under a name."""
        with self._transaction():
            self._link.execute("INSERT OR REPLACE INTO about VALUES (?, ?)", (name, value))

    # ------------------------------------------------------------------ sweeps

    def enter(self, digest: str, size: int, title: str, source: str, stem: str, text: str) -> int:
        """Number of the sweep with this digest, entered if it is new."""
        with self._transaction():
            self._link.execute(
                "INSERT INTO plan (digest, size, title, source, stem, text) "
                "VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (digest) DO NOTHING",
                (digest, size, title, source, stem, text),
            )
        found = self.find(digest)
        assert found is not None
        return found.number

    def find(self, digest: str) -> Kept | None:
        """The sweep with this digest."""
        rows = self._link.execute("SELECT * FROM plan WHERE digest = ?", (digest,)).fetchall()
        return Kept(*rows[0]) if rows else None

    def sweeps(self) -> list[Kept]:
        """All sweeps, in the order in which they came."""
        return [Kept(*row) for row in self._link.execute("SELECT * FROM plan ORDER BY id")]

    def counts(self, sweep: int) -> Counts:
        """How far a sweep is."""
        found = self._link.execute(
            "SELECT count(*), sum(status = 0) FROM member JOIN point USING (key) WHERE plan = ?",
            (sweep,),
        ).fetchone()
        (size,) = self._link.execute("SELECT size FROM plan WHERE id = ?", (sweep,)).fetchone()
        (members,) = self._link.execute(
            "SELECT count(*) FROM member WHERE plan = ?", (sweep,)
        ).fetchone()
        done = int(found[1] or 0)
        return Counts(done, int(found[0]) - done, max(int(size), int(members)))

    # ------------------------------------------------------------------ points

    def settled(self, sweep: int) -> set[int]:
        """Places of a sweep that need not be computed again."""
        rows = self._link.execute(
            "SELECT place FROM member JOIN point USING (key) WHERE plan = ? AND status != ?",
            (sweep, LOST),
        )
        return {int(place) for (place,) in rows}

    def known(self, keys: Sequence[bytes]) -> set[bytes]:
        """Those of some keys that need not be computed again."""
        found: set[bytes] = set()
        for start in range(0, len(keys), _ASKED):
            part = keys[start : start + _ASKED]
            marks = ", ".join("?" * len(part))
            rows = self._link.execute(
                f"SELECT key FROM point WHERE status != {LOST} AND key IN ({marks})", part
            )
            found.update(key for (key,) in rows)
        return found

    def add(self, rows: Iterable[Row], members: Iterable[tuple[int, int, bytes, str]]) -> None:
        """Keep points, and to which places of which sweep they belong; all or nothing.

        Raises
        ------
        OutputError : the disk is full or the store cannot be written; what was there stays.
        """
        with _told(self.path), self._transaction():
            self._link.executemany(
                "INSERT OR REPLACE INTO point VALUES (?, ?, ?, ?, ?, ?)",
                [(r.key, r.status, r.answer, r.message, r.seconds, r.tries) for r in rows],
            )
            self._link.executemany("INSERT OR REPLACE INTO member VALUES (?, ?, ?, ?)", members)

    def members(self, sweep: int) -> Iterator[tuple[int, int, str, str, str]]:
        """(place, status, answer, message, changes) of every point that there is, by place."""
        yield from self._link.execute(
            "SELECT place, status, answer, message, changes FROM member JOIN point USING (key) "
            "WHERE plan = ? ORDER BY place",
            (sweep,),
        )

    def seconds(self, sweep: int) -> tuple[float, int]:
        """Seconds of computing in all points of a sweep, and the most tries that one took."""
        found = self._link.execute(
            "SELECT sum(seconds), max(tries) FROM member JOIN point USING (key) WHERE plan = ?",
            (sweep,),
        ).fetchone()
        return float(found[0] or 0.0), int(found[1] or 0)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._link.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            if self._link.in_transaction:
                self._link.execute("ROLLBACK")
            raise
        self._link.execute("COMMIT")


@contextmanager
def _linked(path: Path, mode: str) -> Iterator[sqlite3.Connection]:
    """A connection in which transactions are told explicitly."""
    place = path.resolve().as_uri()
    link = sqlite3.connect(f"{place}?mode={mode}", uri=True, isolation_level=None, timeout=30.0)
    try:
        yield link
    finally:
        link.close()


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """What SQLite refuses, as one line."""
    try:
        yield
    except sqlite3.Error as error:
        raise OutputError(
            file=path.as_posix(), found=_reason(error), expected=_wish(error)
        ) from error


def _reason(error: sqlite3.Error) -> str:
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith("SQLITE_FULL"):
        return "no space left on the disk"
    if name.startswith("SQLITE_READONLY"):
        return "a store or folder that cannot be written"
    if name.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return "a file that is no store of a sweep, or is damaged"
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return "a store that another process is writing"
    return str(error) or name


def _wish(error: sqlite3.Error) -> str:
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith("SQLITE_FULL"):
        return "free space; what was computed before is kept, and the same command goes on"
    return "a store that can be written; name another folder with --out"
