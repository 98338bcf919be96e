"""The table of equations in DEVELOPERS.md names places that exist and hold an equation."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
_ROW = re.compile(r"^\| (.+) \| \[`(.+\.py)`\]\((.+)\)::(.+) \|$", re.MULTILINE)
ROWS = _ROW.findall((TOP / "DEVELOPERS.md").read_text(encoding="utf-8"))


def test_the_table_is_there() -> None:
    assert len(ROWS) > 30
    assert len({module for _, module, _, _ in ROWS}) > 30


@pytest.mark.parametrize(("what", "module", "link", "names"), ROWS)
def test_the_place_holds_an_equation(what: str, module: str, link: str, names: str) -> None:
    assert link == f"sawfem/{module}"
    tree = ast.parse((TOP / link).read_text(encoding="utf-8"))
    found = {
        node.name: ast.get_docstring(node) or ""
        for node in tree.body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
    }
    wanted = re.findall(r"`(\w+)`", names)
    assert wanted
    missing = [name for name in wanted if name not in found]
    assert not missing, what
    texts = [ast.get_docstring(tree) or "", *(found[name] for name in wanted)]
    assert any(re.search(r"\S\s+(=|~|->)\s+\S", text) for text in texts), f"no equation: {what}"
