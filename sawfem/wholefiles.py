"""Files that are written whole or not at all, and what is said of a place that takes none."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sawfem.errors import OutputError

#: What to do about a folder of results that cannot be written.
ANOTHER_OUT = "a place that can be written; name another with --out"


def unwritable(
    path: str | Path, error: OSError, expected: str = "a place that can be written"
) -> OutputError:
    """The error to raise where the system would not write a file."""
    return OutputError(
        file=Path(path).as_posix(),
        found=(error.strerror or str(error)).lower(),
        expected=expected,
    )


@contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """Inside, a new file beside ``path`` to write; at the end it takes the place of the older one.

    After an error or an interruption the older file is as it was, and nothing else is left.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    target = Path(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        os.close(handle)
        try:
            yield Path(name)
            os.chmod(name, 0o644)
            os.replace(name, target)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise unwritable(target, error) from error
