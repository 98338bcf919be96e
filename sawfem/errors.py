"""The error tree: every mistake a user can make ends in one of these, with one line to read.

    SawfemError             root; carries file, key, found, expected
    +- InputError           something handed in cannot be used
    |  +- UnitError         a quantity text or number out of its window
    |  +- CaseError         a case file or a key of it
    |  +- MaterialError     a material set
    |  +- OrientationError  Euler angles or plate notation
    |  +- GeometryError     a cell, stack or device that cannot exist
    |  +- NotFoundError     a name that is not there; names the nearest
    |  +- OutputError       a place that cannot be written
    +- ConvergenceError     a solver that did not reach its tolerance: says where and how far

Programs outside map every SawfemError to exit code 2; anything else is a fault of ours.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class SawfemError(Exception):
    """Root of the tree.

    Parameters
    ----------
    message : text for a reader; made from the other fields when left out.
    file : the file in which the mistake stands, as the user named it.
    key : the key path inside it, for example ``grating.pitch``.
    found, expected : what was there, and what would do.
    """

    def __init__(
        self,
        message: str | None = None,
        *,
        file: str | None = None,
        key: str | None = None,
        found: str | None = None,
        expected: str | None = None,
    ) -> None:
        self.file = file
        self.key = key
        self.found = found
        self.expected = expected
        self._message = message
        super().__init__(str(self))

    @property
    def message(self) -> str:
        """The sentence without the file and key in front."""
        if self._message is not None:
            return self._message
        parts = []
        if self.found is not None:
            parts.append(f"found {self.found}")
        if self.expected is not None:
            parts.append(f"expected {self.expected}")
        return "; ".join(parts) or "cannot be used"

    def __str__(self) -> str:
        place = [part for part in (self.file, self.key) if part]
        return ": ".join([*place, self.message])

    def located(self, *, file: str | None = None, key: str | None = None) -> SawfemError:
        """Return the same error with the file or key filled in where they were unknown."""
        return type(self)(
            self._message,
            file=self.file or file,
            key=self.key or key,
            found=self.found,
            expected=self.expected,
        )


class InputError(SawfemError):
    """Something handed in cannot be used."""


class UnitError(InputError):
    """A quantity that cannot be read, or lies outside its window."""


class CaseError(InputError):
    """A case file, or one key of it, cannot be used."""


class MaterialError(InputError):
    """A material set contradicts itself or lacks something."""


class OrientationError(InputError):
    """Euler angles or a plate notation that cannot be read."""


class GeometryError(InputError):
    """A cell, stack or device that cannot exist."""


class NotFoundError(InputError):
    """A name that is not there."""


class OutputError(InputError):
    """A place that cannot be written."""


class ConvergenceError(SawfemError):
    """A solver did not reach its tolerance."""


def handed(value: object, kind: type | tuple[type, ...], key: str, expected: str) -> None:
    """Refuse a value of another kind. Raises InputError that says what was handed in."""
    if not isinstance(value, kind):
        name = type(value).__name__
        article = "an" if name[0] in "aeioAEIO" else "a"
        found = "None" if value is None else f"{article} {name}"
        raise InputError(key=key, found=found, expected=expected)


def nearest(name: str, options: Iterable[str], count: int = 3) -> list[str]:
    """The options most like ``name``, best first, for "did you mean" lines."""
    return difflib.get_close_matches(name, list(options), n=count, cutoff=0.4)
