"""Every row of the table of quantities is one that the program gives."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from sawfem.quantities import table

ROOMS = Path(__file__).parents[2] / "sawfem"


def names_in_the_program() -> tuple[set[str], list[re.Pattern[str]]]:
    """Words and names of fields, and patterns of names that are put together on the way."""
    words: set[str] = set()
    patterns = []
    for path in ROOMS.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                words.add(node.value)
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                words.add(node.target.id)
            elif isinstance(node, ast.JoinedStr):
                parts = [getattr(part, "value", None) for part in node.values]
                fixed = [part for part in parts if isinstance(part, str)]
                if len("".join(fixed)) > 6:  # a prefix that says something
                    joined = (re.escape(p) if isinstance(p, str) else r"\w+" for p in parts)
                    patterns.append(re.compile("".join(joined)))
    return words, patterns


def test_every_quantity_is_given_by_something() -> None:
    words, patterns = names_in_the_program()
    unused = [
        name
        for name in table()
        if name not in words and not any(pattern.fullmatch(name) for pattern in patterns)
    ]
    assert not unused
