"""A group of an HDF5 file from somewhere, read with suspicion.

Every access checks kind, shape and size, and says with file and key what is wrong. Links out of
the file are not followed.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from sawfem.errors import InputError

#: Largest number of elements of one array: compressed data may promise more than a memory holds.
LARGEST = 50_000_000


def opened(path: str | Path, *, kind: str, major: int, name: str) -> h5py.File:
    """A study's file, open for reading.

    Parameters
    ----------
    kind, major : its attribute "format" and its major version. name : as in "a map.h5".

    Raises
    ------
    InputError : the file cannot be read, is of another kind, or of another major version.
    """
    shown = Path(path).as_posix()
    try:
        file = h5py.File(path, "r")
    except OSError:
        raise InputError(
            file=shown, found="a file that cannot be read as HDF5", expected=f"a {name}"
        ) from None
    version = str(file.attrs.get("format_version", ""))
    if file.attrs.get("format") != kind or version.partition(".")[0] != str(major):
        found = f'format "{str(file.attrs.get("format"))[:40]}", version "{version[:20]}"'
        file.close()
        raise InputError(file=shown, found=found, expected=f'format "{kind}", version {major}.x')
    return file


class Node:
    """A group and the name of its file, for messages."""

    def __init__(self, group: h5py.Group, shown: str) -> None:
        self.group, self.shown = group, shown

    def fail(self, name: str, found: str, expected: str) -> InputError:
        """The error about one item of this group."""
        key = f"{self.group.name.rstrip('/')}/{name}"
        return InputError(file=self.shown, key=key, found=found, expected=expected)

    def __contains__(self, name: str) -> bool:
        return name in self.group

    def names(self) -> list[str]:
        """Names of the items, in the order in which they were created or by name."""
        return list(self.group)

    def _item(self, name: str, kind: type) -> Any:
        link = self.group.get(name, getlink=True)
        wanted = "a group" if kind is h5py.Group else "an array or value"
        if link is None:
            raise self.fail(name, "nothing", wanted)
        if not isinstance(link, h5py.HardLink):
            raise self.fail(name, "a link", f"{wanted} of this file")
        item = self.group[name]
        if not isinstance(item, kind):
            raise self.fail(name, "another kind of item", wanted)
        return item

    def child(self, name: str) -> Node:
        """A group of this group."""
        return Node(self._item(name, h5py.Group), self.shown)

    def dataset(self, name: str) -> h5py.Dataset:
        """A dataset of this group, not yet read."""
        dataset: h5py.Dataset = self._item(name, h5py.Dataset)
        if dataset.size is None or dataset.size > LARGEST or dataset.external:
            raise self.fail(name, "no values, too many, or values elsewhere", "an array of a run")
        return dataset

    def array(
        self, name: str, shape: Sequence[int | None], kind: type = np.float64
    ) -> NDArray[Any]:
        """Numbers of the given shape; None in it stands for any length."""
        dataset = self.dataset(name)
        expected = f"{np.dtype(kind).name} numbers of shape {_shape_text(shape)}"
        if not _fits(dataset.shape, shape):
            raise self.fail(name, f"shape {_shape_text(dataset.shape)}", expected)
        if dataset.dtype.kind not in "iufc" or (
            dataset.dtype.kind == "c" and np.dtype(kind).kind != "c"
        ):
            raise self.fail(name, f"values of type {dataset.dtype}", expected)
        return np.asarray(dataset[()], dtype=kind)

    def words(self, name: str, shape: Sequence[int | None]) -> NDArray[Any]:
        """Texts of the given shape, (...) of str; None in it stands for any length."""
        dataset = self.dataset(name)
        if h5py.check_string_dtype(dataset.dtype) is None or not _fits(dataset.shape, shape):
            raise self.fail(name, "values of another kind or shape", "a text for every point")
        return np.asarray(dataset.asstr(errors="replace")[()], dtype=object)

    def status(self, shape: Sequence[int]) -> NDArray[np.int8]:
        """How the points of a study ended: 0 done, 1 failed, 2 not run."""
        found = self.array("status", shape, np.int8)
        if np.any((found < 0) | (found > 2)):
            raise self.fail("status", "other numbers", "0, 1 and 2")
        return found

    def text(self, name: str) -> str:
        """One text."""
        dataset = self.dataset(name)
        if h5py.check_string_dtype(dataset.dtype) is None or dataset.shape != ():
            raise self.fail(name, f"values of type {dataset.dtype}", "one text")
        return str(dataset.asstr(errors="replace")[()])

    def texts(self, name: str) -> tuple[str, ...]:
        """A list of texts."""
        dataset = self.dataset(name)
        if h5py.check_string_dtype(dataset.dtype) is None or dataset.ndim != 1:
            raise self.fail(name, f"values of type {dataset.dtype}", "a list of texts")
        return tuple(str(text) for text in dataset.asstr(errors="replace")[()])

    def json(self, name: str) -> dict[str, Any]:
        """An object of JSON text."""
        try:
            found = json.loads(self.text(name))
        except (ValueError, RecursionError):
            raise self.fail(name, "text that is no JSON", "an object of JSON") from None
        if not isinstance(found, dict):
            raise self.fail(name, "JSON that is no object", "an object of JSON")
        return found

    def attribute(self, name: str, kind: type, *, of: str = "") -> Any:
        """An attribute of this group, or of its item ``of``, as ``kind`` (str, float, ...)."""
        holder = self._item(of, h5py.Dataset) if of else self.group
        key = f"{of}@{name}".lstrip("@")
        try:
            value = holder.attrs[name]
            if kind is str:
                if not isinstance(value, str | bytes):
                    raise TypeError
                return value if isinstance(value, str) else value.decode("utf-8", "replace")
            return kind(value)
        except KeyError:
            raise self.fail(key, "no attribute", f"a {kind.__name__}") from None
        except (TypeError, ValueError, OSError):
            raise self.fail(key, "an attribute of another kind", f"a {kind.__name__}") from None


def _fits(found: Sequence[int], wanted: Sequence[int | None]) -> bool:
    """Whether a shape is the wanted one, in which None stands for any length."""
    return len(found) == len(wanted) and all(
        want in (None, length) for want, length in zip(wanted, found, strict=True)
    )


def _shape_text(shape: Sequence[int | None]) -> str:
    return "(" + ", ".join("any" if n is None else str(n) for n in shape) + ")"
