"""The numbers in a description, taken out as a list and put back changed.

A description is a tree of frozen dataclasses, mappings and tuples. Its numbers that can vary, the
real and complex ones, are counted in the order of the tree; counts, names and whatever else it
holds stay as they are.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class _Branch:
    """A part of a tree that holds numbers ``start`` to ``stop`` of the whole.

    ``children`` are those of its members that hold numbers, by field, key or place.
    """

    tree: Any
    start: int
    stop: int
    children: tuple[tuple[Any, _Branch], ...]


class Numbered:
    """A description whose numbers can be changed.

    Attributes
    ----------
    tree : the description as it was given.
    numbers : (N,) its numbers, real ones as complex ones without imaginary part.
    """

    def __init__(self, tree: Any) -> None:
        found: list[complex] = []
        self.tree = tree
        self._root = _branch(tree, found)
        self.numbers: Complex = np.array(found, dtype=complex)

    def changed(self, numbers: Complex) -> Any:
        """The same description with other numbers, (N,).

        What does not change is the same object as before. Real numbers take the real part. Raises
        whatever the descriptions raise for values out of range.
        """
        differs = np.concatenate([[0], np.cumsum(numbers != self.numbers)])
        return _put(self._root, numbers.tolist(), differs.tolist())


def _branch(tree: Any, found: list[complex]) -> _Branch:
    start = len(found)
    if isinstance(tree, float | complex):
        found.append(tree)
        return _Branch(tree, start, start + 1, ())
    branches = [(key, _branch(member, found)) for key, member in _members(tree)]
    kept = tuple((key, branch) for key, branch in branches if branch.stop > branch.start)
    return _Branch(tree, start, len(found), kept)


def _members(tree: Any) -> list[tuple[Any, Any]]:
    if dataclasses.is_dataclass(tree) and not isinstance(tree, type):
        return [(field.name, getattr(tree, field.name)) for field in dataclasses.fields(tree)]
    if isinstance(tree, Mapping):
        return list(tree.items())
    return list(enumerate(tree)) if isinstance(tree, tuple) else []


def _put(branch: _Branch, numbers: list[complex], differs: list[int]) -> Any:
    """A branch with other numbers; ``differs`` counts the changed ones before each place."""
    if differs[branch.start] == differs[branch.stop]:
        return branch.tree
    if not branch.children:
        value = numbers[branch.start]
        return value if isinstance(branch.tree, complex) else value.real
    moved = {key: _put(child, numbers, differs) for key, child in branch.children}
    if isinstance(branch.tree, Mapping):
        return {**branch.tree, **moved}
    if isinstance(branch.tree, tuple):
        return tuple(moved.get(place, old) for place, old in enumerate(branch.tree))
    return dataclasses.replace(branch.tree, **moved)
