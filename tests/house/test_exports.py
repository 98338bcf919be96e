"""The public face: its names, where they live, and that nothing heavy comes with it."""

import ast
import importlib
import re
from pathlib import Path

import pytest

import sawfem

ROOT = Path(sawfem.__file__).parent


@pytest.mark.parametrize("name", sawfem.__all__)
def test_every_public_name_can_be_had(name: str) -> None:
    value = getattr(sawfem, name)
    assert value.__name__ == name
    assert value.__doc__
    assert name in dir(sawfem)


def test_the_names_are_few_and_sorted() -> None:
    assert len(sawfem.__all__) <= 24
    assert sawfem.__all__ == sorted(sawfem.__all__)


def test_no_public_name_is_a_room() -> None:
    """A module of the same name would take its place once it is imported."""
    rooms = {path.stem for path in ROOT.iterdir() if path.suffix == ".py" or path.is_dir()}
    assert not rooms & set(sawfem.__all__)


def test_names_for_type_checkers_are_those_of_the_table() -> None:
    tree = ast.parse((ROOT / "__init__.py").read_text(encoding="utf-8"))
    checked = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("sawfem."):
            checked |= {alias.name: node.module for alias in node.names}
    assert checked == sawfem._ROOMS
    assert set(checked) == set(sawfem.__all__)


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'Resonance'"):
        _ = sawfem.Resonance


def test_the_version_can_be_read_by_the_build() -> None:
    """The build reads it from the file; it must stand there as plain text."""
    text = (ROOT / "__init__.py").read_text(encoding="utf-8")
    match = re.search(r'^__version__ = "([0-9]+\.[0-9]+\.[0-9]+)"$', text, re.MULTILINE)
    assert match is not None
    assert match[1] == sawfem.__version__


PACKAGES = sorted(
    f"sawfem.{path.parent.relative_to(ROOT).as_posix().replace('/', '.')}"
    for path in ROOT.rglob("*/__init__.py")
    if "__all__" in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("package", PACKAGES)
def test_what_a_room_lists_it_has(package: str) -> None:
    module = importlib.import_module(package)
    assert len(set(module.__all__)) == len(module.__all__)
    for name in module.__all__:
        assert hasattr(module, name), name
