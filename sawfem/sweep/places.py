"""The folder of a sweep: can it be written, is it ours, is another process at work in it?"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sawfem.errors import OutputError
from sawfem.sweep.store import FILE_NAME
from sawfem.wholefiles import ANOTHER_OUT, unwritable

LOCK_NAME = "store.lock"

#: File systems of a network, on which a store in WAL mode must be written from one machine only
#: and its locks may not hold (https://sqlite.org/wal.html, "Overview").
_NETWORK = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "lustre", "gpfs", "beegfs"}
    | {"fuse.sshfs", "fuse.glusterfs", "glusterfs", "ocfs2", "gfs2", "pvfs2", "davfs", "ncpfs"}
)


def prepare_place(folder: Path) -> None:
    """Make the folder of a sweep and see that files can be made in it.

    Raises
    ------
    OutputError : it cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        trial = folder / f".try-{os.getpid()}"
        trial.touch()
        trial.unlink()
    except OSError as error:
        raise unwritable(folder, error, ANOTHER_OUT) from error


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the folder for this process alone; the system lets go when the process ends, however.

    Raises
    ------
    OutputError : another process holds it.
    """
    path = folder / LOCK_NAME
    with path.open("a+", encoding="utf-8") as stream:
        if not _take(stream.fileno()):
            stream.seek(0)
            who = stream.read(100).strip()
            raise OutputError(
                file=(folder / FILE_NAME).as_posix(),
                found=f"a sweep that runs there already{f' ({who})' if who else ''}",
                expected="one process a store; wait for it, look on with sawfem show, or name "
                "another folder with --out",
            )
        stream.seek(0)
        stream.truncate()
        stream.write(f"process {os.getpid()}")
        stream.flush()
        yield


if sys.platform == "win32":

    def _take(handle: int) -> bool:
        import msvcrt

        try:
            os.lseek(handle, 1000, os.SEEK_SET)  # a byte that nobody reads
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:

    def _take(handle: int) -> bool:
        import fcntl

        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True


def network_warning(folder: Path, mounts: str = "/proc/mounts") -> str:
    """A sentence where the folder lies on a network's file system, else ""; Linux tells."""
    try:
        lines = Path(mounts).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ""
    place = folder.resolve()
    best, kind = -1, ""
    for line in lines:
        parts = line.split(" ")
        if len(parts) < 3:
            continue
        point = Path(parts[1].replace("\\040", " "))
        if (point == place or point in place.parents) and len(point.parts) >= best:
            best, kind = len(point.parts), parts[2]
    if kind not in _NETWORK:
        return ""
    return (
        f"{folder.as_posix()} lies on a file system of a network ({kind}), whose locks may fail: "
        "a local folder (--out) is safer; never run one sweep from two machines"
    )
