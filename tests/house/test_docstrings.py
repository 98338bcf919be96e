"""Every module, public class and public function says what it is."""

import ast
from pathlib import Path

import pytest

import sawfem

ROOT = Path(sawfem.__file__).parent
FILES = sorted(path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*.py"))

Defined = ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef


def public(node: ast.AST, prefix: str = "") -> list[tuple[str, Defined]]:
    """Public classes, functions and methods; what is inside a function is its own affair."""
    found: list[tuple[str, Defined]] = []
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            if child.name.startswith("_"):
                continue
            found.append((prefix + child.name, child))
            if isinstance(child, ast.ClassDef):
                found += public(child, f"{child.name}.")
    return found


def overridden(node: Defined) -> bool:
    """Methods that click or rich prescribe are documented there."""
    return node.name in {"list_commands", "get_command", "format_commands", "render"}


@pytest.mark.parametrize("name", FILES)
def test_what_is_public_has_a_docstring(name: str) -> None:
    tree = ast.parse((ROOT / name).read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "the module"
    silent = [
        place
        for place, node in public(tree)
        if not ast.get_docstring(node) and not overridden(node)
    ]
    assert silent == []


#: Nobody reads a file or a function that has no end.
LONGEST_FILE, LONGEST_FUNCTION = 450, 70


@pytest.mark.parametrize("name", FILES)
def test_files_and_functions_have_an_end(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    assert text.count("\n") <= LONGEST_FILE
    long = [
        f"{node.name}: {(node.end_lineno or 0) - node.lineno} lines"
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef)
        and (node.end_lineno or 0) - node.lineno > LONGEST_FUNCTION
    ]
    assert long == []


def test_no_bare_except() -> None:
    for name in FILES:
        for node in ast.walk(ast.parse((ROOT / name).read_text(encoding="utf-8"))):
            if isinstance(node, ast.ExceptHandler):
                assert node.type is not None, f"{name}:{node.lineno}"
