"""A case file: read, checked, edited, written back, resolved."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from sawfem.case.axes import STUDIES, check_axes
from sawfem.case.keypath import get_value, set_value
from sawfem.case.messages import translate
from sawfem.case.plain import plain, to_toml
from sawfem.case.resolve import resolve
from sawfem.case.resolved import ResolvedCase
from sawfem.case.schema import CaseTable
from sawfem.case.served import unserved, unserved_waves
from sawfem.datafiles import MAXIMUM_BYTES, parse_toml
from sawfem.errors import CaseError, handed


@dataclass(frozen=True, eq=False)
class Case:
    """What one run is asked to do, as a user wrote it; valid once it exists.

    Attributes
    ----------
    source : the file it came from, as it was named; None for one made in Python.
    text : its TOML, verbatim as long as it was not edited.
    base : folder from which its relative paths start.
    """

    source: Path | None
    text: str
    base: Path
    _data: Mapping[str, Any] = field(repr=False)
    _resolved: ResolvedCase = field(repr=False)

    @classmethod
    def load(cls, path: str | Path) -> Case:
        """Read a case file.

        Raises
        ------
        CaseError, UnitError, NotFoundError, MaterialError : the file cannot be read or is no
            case; one message with file, key, found and expected.
        """
        handed(path, (str, PathLike), "path", "the path of a case file")
        shown = str(path)
        raw = _read(Path(path), shown)
        data = parse_toml(raw, shown=shown, error=CaseError)
        return cls._checked(data, Path(path), raw.decode("utf-8-sig"), Path(path).parent)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], *, base: str | Path = ".") -> Case:
        """A case from tables as TOML would hold them. Raises as ``load``."""
        return cls._checked(data, None, None, Path(base))

    @classmethod
    def from_toml(cls, text: str, *, base: str | Path = ".") -> Case:
        """A case from TOML text. Raises as ``load``."""
        data = parse_toml(text.encode("utf-8"), shown="case", error=CaseError)
        return cls._checked(data, None, text, Path(base))

    @classmethod
    def _checked(
        cls, data: Mapping[str, Any], source: Path | None, text: str | None, base: Path
    ) -> Case:
        file = None if source is None else str(source)
        if not isinstance(data, Mapping):
            raise CaseError(file=file, found=f"a {type(data).__name__}", expected="tables")
        written = plain(data, file=file)
        resolved = _resolve(written, file, base)
        check_axes(written, lambda trial: _resolve(trial, file, base), file)
        return cls(source, to_toml(written) if text is None else text, base, written, resolved)

    @property
    def title(self) -> str:
        """Its title, or "" without one."""
        return self._resolved.title

    @property
    def stem(self) -> str:
        """Name of its file without suffix, which names its folder of results."""
        return "case" if self.source is None else self.source.stem

    def get(self, path: str) -> Any:
        """The value at a key path, as written. Raises CaseError where nothing is set."""
        return copy.deepcopy(get_value(dict(self._data), path, file=self._file))

    def edit(self, changes: Mapping[str, Any]) -> Case:
        """A case with other values at key paths, such as {"grating.thickness": "80 nm"}.

        ``like`` is followed after the edits, so that one value may move several members.
        Raises as ``load``; the key of the error is the path or the place it leads to.
        """
        handed(changes, Mapping, "changes", 'a mapping such as {"grating.thickness": "80 nm"}')
        data = copy.deepcopy(dict(self._data))
        for path, value in changes.items():
            clean = plain(value, file=self._file, key=path)
            set_value(data, path, clean, file=self._file)
        return self._checked(data, self.source, None, self.base)

    def resolved(self) -> ResolvedCase:
        """SI numbers throughout, defaults filled, ``like`` and wavelengths resolved."""
        return self._resolved

    def resolved_with(self, changes: Mapping[str, Any]) -> ResolvedCase:
        """``edit(changes).resolved()`` in half the time, without [sweep], [map] and [yield].

        Raises as ``edit``.
        """
        data = {key: value for key, value in self._data.items() if key not in STUDIES}
        data = copy.deepcopy(data)
        for path, value in changes.items():
            set_value(data, path, plain(value, file=self._file, key=path), file=self._file)
        return _resolve(data, self._file, self.base)

    def unserved(self) -> tuple[str, ...]:
        """Valid keys of this case that this version does not compute yet; a run refuses them."""
        return unserved(self._resolved)

    def unserved_waves(self) -> tuple[str, ...]:
        """Valid keys that even the plane waves of this case would need and do not know yet."""
        return unserved_waves(self._resolved)

    def refuse_unserved_waves(self, expected: str) -> None:
        """CaseError for what :meth:`unserved_waves` finds; ``expected`` says what would do."""
        left = self.unserved_waves()
        if left:
            key = left[0].split(" ")[0]
            raise CaseError(file=self._file, key=key, found=", ".join(left), expected=expected)

    def asks_for(self, part: str) -> bool:
        """Whether the case has the table ``part``, for example "sweep", "map" or "yield"."""
        return part in self._data

    def to_dict(self) -> dict[str, Any]:
        """The tables as written, a copy."""
        return copy.deepcopy(dict(self._data))

    def to_toml(self) -> str:
        """TOML that reads back to the same tables; comments are not kept (``text`` has them)."""
        return to_toml(self._data)

    @staticmethod
    def json_schema() -> dict[str, Any]:
        """JSON Schema of case files, for editors."""
        return CaseTable.model_json_schema(by_alias=True)

    @property
    def _file(self) -> str | None:
        return None if self.source is None else str(self.source)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Case) and self._data == other._data and self.base == other.base

    def __repr__(self) -> str:
        gratings = ", ".join(self._resolved.gratings) or "none"
        device = self._resolved.device.kind if self._resolved.device else "none"
        return f"Case({self.title or self.stem!r}; gratings: {gratings}; device: {device})"


def _read(path: Path, shown: str) -> bytes:
    """Bytes of a file, one more than is allowed at most."""
    try:
        if not path.is_file():
            found = "a folder" if path.is_dir() else "no such file"
            raise CaseError(file=shown, found=found, expected="a case file")
        with path.open("rb") as stream:
            return stream.read(MAXIMUM_BYTES + 1)
    except (OSError, ValueError) as reason:  # ValueError: a null character in the path
        text = getattr(reason, "strerror", None) or str(reason)
        raise CaseError(file=shown, found=text.lower(), expected="a readable file") from None


def _resolve(written: dict[str, Any], file: str | None, base: Path) -> ResolvedCase:
    """Check the shape and the sense of plain tables."""
    try:
        model = CaseTable.model_validate(written)
    except ValidationError as error:
        raise translate(error, written, file) from None
    listed = model.model_dump(by_alias=True, exclude_unset=True)
    return resolve(listed, written, file=file, base=base)
