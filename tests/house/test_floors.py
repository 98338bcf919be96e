"""Modules stand on floors: imports point downwards, or sideways without a cycle."""

import ast
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import sawfem

ROOT = Path(sawfem.__file__).parent

#: Room (a module or a folder of sawfem) -> floor.
FLOORS = {
    "errors": 0,
    "windows": 0,
    "unittext": 0,
    "units": 0,
    "quantities": 0,
    "conventions": 0,
    "tensors": 0,
    "pointgroups": 0,
    "symmetry": 0,
    "datafiles": 0,
    "wholefiles": 0,
    "material": 1,
    "platenotation": 1,
    "orientation": 1,
    "quartz": 1,
    "strips": 1,
    "films": 1,
    "stacks": 1,
    "design": 1,
    "case": 1,
    "touchstone": 1,
    "planewave": 2,
    "unitcell": 3,
    "extract": 4,
    "device": 5,
    "measured": 5,
    "result": 6,
    "export": 7,
    "plot": 7,
    "cuts": 8,
    "pipeline": 8,
    "sweep": 8,
    "cli": 9,
    "__main__": 10,
}


def modules() -> dict[str, Path]:
    """Dotted name without "sawfem." -> file, the face itself left out."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        if parts == ("__init__",) or parts[0] == "data":
            continue
        found[".".join(part for part in parts if part != "__init__")] = path
    return found


MODULES = modules()


def imported(path: Path, *, at_load: bool) -> set[str]:
    """Modules of sawfem that a file imports; ``at_load`` leaves out those in functions and those
    for type checkers alone.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    nodes = list(_loaded(tree)) if at_load else list(ast.walk(tree))
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            for name in node.names:
                full = f"{node.module}.{name.name}"
                known = full.removeprefix("sawfem.") in MODULES
                found.add(full if known else str(node.module))
    return {name.removeprefix("sawfem.") for name in found if name.startswith("sawfem.")}


def _loaded(node: ast.AST) -> list[ast.stmt]:
    """Statements that run when a module loads."""
    found: list[ast.stmt] = []
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test):
            found += [part for other in child.orelse for part in [other, *_loaded(other)]]
            continue
        if isinstance(child, ast.stmt):
            found.append(child)
        found += _loaded(child)
    return found


def test_every_room_has_a_floor() -> None:
    rooms = {name.partition(".")[0] for name in MODULES}
    assert rooms == set(FLOORS)


@pytest.mark.parametrize("name", MODULES)
def test_imports_point_downwards_or_sideways(name: str) -> None:
    here = FLOORS[name.partition(".")[0]]
    upwards = [
        other
        for other in imported(MODULES[name], at_load=False)
        if FLOORS[other.partition(".")[0]] > here
    ]
    assert upwards == []


def test_no_cycle_among_rooms() -> None:
    graph: dict[str, set[str]] = {}
    for name, path in MODULES.items():
        room = name.partition(".")[0]
        others = {other.partition(".")[0] for other in imported(path, at_load=True)}
        graph.setdefault(room, set()).update(others - {room})
    TopologicalSorter(graph).prepare()


def test_no_cycle_among_modules() -> None:
    """Within a room, too; a package's __init__ counts as what imports its modules."""
    graph = {
        name: {
            other for other in imported(path, at_load=True) if other in MODULES and other != name
        }
        for name, path in MODULES.items()
    }
    TopologicalSorter(graph).prepare()


def test_the_guard_sees_a_cycle(tmp_path: Path) -> None:
    """The test above would notice: a file that imports what is under TYPE_CHECKING does not."""
    file = tmp_path / "room.py"
    file.write_text(
        "from typing import TYPE_CHECKING\n"
        "import sawfem.errors\n"
        "if TYPE_CHECKING:\n    from sawfem.cli import main\n"
        "def late():\n    from sawfem.export import save_result\n",
        encoding="utf-8",
    )
    assert imported(file, at_load=True) == {"errors"}
    assert imported(file, at_load=False) == {"errors", "cli", "export"}
    with pytest.raises(CycleError):
        TopologicalSorter({"a": {"b"}, "b": {"a"}}).prepare()
