"""Key paths: how an edit, a sweep or --set names one key of a case.

    grating.thickness               a key of a table
    grating.series.thickness        of the member with that name
    layer[0].thickness              of the first member
    substrate.rotations[1]          a number in a list
    grating.electrode.hot.film[1].thickness

A list with one member needs neither name nor index. A member that copies another by ``like`` is
read and set through the copy: setting a key below it changes this member alone.
"""

from __future__ import annotations

import copy
import re
import tomllib
from typing import Any

from sawfem.case.messages import key_text
from sawfem.errors import CaseError, nearest
from sawfem.units import shown

_LONGEST = 300
_STEP = re.compile(r"(?P<name>[A-Za-z0-9_-]+)(?P<indices>(?:\[[0-9]{1,6}\])*)")

#: Name of a grating that was given none.
UNNAMED = "main"


def parse_path(path: str, *, file: str | None = None) -> tuple[str | int, ...]:
    """Steps of a key path: names and indices. Raises CaseError for what cannot be read."""
    steps: list[str | int] = []
    for part in path.split(".") if isinstance(path, str) and len(path) <= _LONGEST else [""]:
        match = _STEP.fullmatch(part)
        if match is None:
            raise CaseError(
                file=file,
                found=f"{shown(path)}, no key path",
                expected='names joined by dots, such as "grating.thickness" or '
                '"layer[0].thickness"',
            )
        steps.append(match["name"])
        steps.extend(int(index) for index in re.findall(r"[0-9]+", match["indices"]))
    return tuple(steps)


def get_value(data: dict[str, Any], path: str, *, file: str | None = None) -> Any:
    """The value at ``path``, found through ``like`` as well. Raises CaseError with the nearest."""
    walk = _Walk(data, path, file, create=False)
    for step in parse_path(path, file=file):
        walk.down(step)
    return walk.node


def set_value(data: dict[str, Any], path: str, value: Any, *, file: str | None = None) -> None:
    """Put ``value`` at ``path``, in place; tables on the way are made.

    The schema judges afterwards whether the key exists. Raises CaseError when a member or index
    on the way does not.
    """
    steps = parse_path(path, file=file)
    walk = _Walk(data, path, file, create=True)
    for step in steps[:-1]:
        walk.down(step)
    walk.put(steps[-1], value)


def read_assignment(text: str) -> tuple[str, Any]:
    """Path and value of "grating.thickness=80 nm": TOML where it parses, else the bare text.

    Raises CaseError without a "=".
    """
    path, mark, value = text.partition("=")
    if not mark or not path.strip():
        raise CaseError(found=shown(text), expected='KEY=VALUE, such as "grating.thickness=80 nm"')
    bare = value.strip()
    try:
        if len(bare) <= _LONGEST and "\n" not in bare:
            return path.strip(), tomllib.loads(f"value = {bare}")["value"]
    except (ValueError, RecursionError):
        pass
    return path.strip(), bare


class _Walk:
    """A position in the data while a path is followed."""

    def __init__(self, data: dict[str, Any], path: str, file: str | None, create: bool) -> None:
        self.node: Any = data
        self.path = path
        self.file = file
        self.create = create
        self.siblings: list[Any] = []
        self.came_by = ""

    def down(self, step: str | int) -> None:
        """Move to what ``step`` names below the present node."""
        node = self.node
        if isinstance(step, int):
            self._down_index(step)
        elif isinstance(node, list):
            self._down_member(step)
        elif isinstance(node, dict):
            self._down_key(step)
        else:
            raise self._error(f"{shown(node)} before {key_text(step)}", "a table there")

    def put(self, step: str | int, value: Any) -> None:
        """Set what ``step`` names below the present node."""
        if isinstance(step, int):
            self._down_index_check(step)
            if isinstance(self.node, dict):
                raise self._error("a whole table", "a key in it")
            self._refuse_table(self.node[step])
            self.node[step] = value
            return
        if isinstance(self.node, list):
            if len(self.node) != 1 or not isinstance(self.node[0], dict):
                raise self._ambiguous(step)
            self.node = self.node[0]
        if not isinstance(self.node, dict):
            raise self._error(f"{shown(self.node)} before {key_text(step)}", "a table there")
        self._refuse_table(self.node.get(step))
        self.node[step] = value

    def _refuse_table(self, present: Any) -> None:
        listed = isinstance(present, list) and any(isinstance(item, dict) for item in present)
        if isinstance(present, dict) or listed:
            raise self._error("a whole table", "a key in it")

    def _down_index(self, step: int) -> None:
        self._down_index_check(step)
        if isinstance(self.node, list):
            self.siblings = self.node
            self.node = self.node[step]

    def _down_index_check(self, step: int) -> None:
        node = self.node
        if isinstance(node, dict) and step == 0 and self.path:
            return
        if not isinstance(node, list):
            raise self._error(f"an index [{step}] of what is no list", "a key")
        if step >= len(node):
            raise self._error(
                f"index [{step}] of a list with {len(node)} members", f"an index below {len(node)}"
            )

    def _down_member(self, step: str) -> None:
        members = [item for item in self.node if isinstance(item, dict)]
        named = [item for item in members if item.get("name") == step]
        if named:
            self.siblings, self.node = self.node, named[0]
        elif len(self.node) == 1 and len(members) == 1:
            self.siblings, self.node = self.node, members[0]
            self._down_key(step)
        elif not members:
            raise self._error(f"{key_text(step)} of a list of values", "an index such as [0]")
        else:
            raise self._ambiguous(step)

    def _down_key(self, step: str) -> None:
        """Go on to a key of the table here, one that it has by ``like`` as well."""
        node = self.node
        if step in node:
            self.node, self.siblings, self.came_by = node[step], [], step
        elif self.came_by and step == node.get("name", self._default_name()):
            return  # a single table, called by its name
        elif "like" in node and (copied := self._inherited(node, step)) is not None:
            if self.create:
                node[step] = copied
            self.node, self.siblings, self.came_by = copied, [], step
        elif self.create:
            node[step] = {}
            self.node, self.siblings, self.came_by = node[step], [], step
        else:
            near = nearest(step, node, 1)
            hint = f", nearest: {near[0]}" if near else f" among {', '.join(list(node)[:12])}"
            raise self._error(f"no key {key_text(step)}", f"a key that is set{hint}")

    def _default_name(self) -> str | None:
        return UNNAMED if self.came_by == "grating" else None

    def _inherited(self, node: dict[str, Any], step: str) -> Any:
        """A copy of the value that ``node`` takes over by ``like``, or None."""
        seen: list[str] = []
        named = {item.get("name"): item for item in self.siblings if isinstance(item, dict)}
        while isinstance(node, dict) and isinstance(node.get("like"), str):
            if node["like"] in seen:
                return None
            seen.append(node["like"])
            node = named.get(node["like"], {})
            if step in node:
                return copy.deepcopy(node[step])
        return None

    def _ambiguous(self, step: str) -> CaseError:
        members = [item for item in self.node if isinstance(item, dict)]
        names = [str(item.get("name", f"[{index}]")) for index, item in enumerate(members)]
        keys = {key for item in members for key in item}
        listed = ", ".join(names[:12])
        if step in keys:
            return self._error(f"a key of {len(members)} members", f"one of them: {listed}")
        near = nearest(step, names, 1)
        hint = f", nearest: {near[0]}" if near else ""
        return self._error(f"no member {key_text(step)}", f"one of {listed}{hint}")

    def _error(self, found: str, expected: str) -> CaseError:
        return CaseError(file=self.file, key=self.path, found=found, expected=expected)
