"""Options that mean the same in every command, and how a case is named."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sawfem.datafiles import shipped_file, shipped_names
from sawfem.errors import NotFoundError, OutputError, SawfemError, nearest

if TYPE_CHECKING:
    from sawfem.case import Case

Function = TypeVar("Function", bound=Callable[..., Any])

as_json = click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print one JSON object on standard output, SI units, and nothing else there.",
)
quiet = click.option("--quiet", "-q", is_flag=True, help="No progress and no tables.")
changes = click.option(
    "--set",
    "changes",
    multiple=True,
    metavar="KEY=VALUE",
    help='Change a key of the case, such as "grating.thickness=80 nm". May be repeated.',
)


def of_case(command: Function) -> Function:
    """CASE, --set, --json and --quiet: what every command takes that computes a case."""
    for option in (quiet, as_json, changes):
        command = option(command)
    return click.argument("case_name", metavar="CASE")(command)


def out_folder(holds: str, left_out: str) -> Callable[[Function], Function]:
    """--out DIR of a command that fills a folder; ``left_out`` is its name without one."""
    return click.option(
        "--out",
        metavar="DIR",
        type=click.Path(path_type=Path),
        help=f"Folder of the {holds}; {left_out} if left out.",
    )


def out_case(left_out: str) -> Callable[[Function], Function]:
    """--out FILE of a command that writes a case; ``left_out`` is its name without one."""
    return click.option(
        "--out",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help=f"The case file to write; {left_out} if left out. Never one that is there.",
    )


def workers(most: int, meaning: str) -> Callable[[Function], Function]:
    """--workers N, from 1 to ``most``."""
    return click.option("--workers", metavar="N", type=click.IntRange(1, most), help=meaning)


def require(until: str) -> Callable[[Function], Function]:
    """--require: the exit code tells whether the specification is kept."""
    return click.option("--require", is_flag=True, help=f"End with exit code 3 unless {until}.")


def refuse_existing(*paths: Path) -> None:
    """No file of the user's is written over: OutputError for the first that is there."""
    for path in paths:
        if path.exists():
            raise OutputError(
                file=path.as_posix(), found="a file that is there", expected="another --out"
            )


def load_case(name: str, assignments: tuple[str, ...]) -> Case:
    """The case file at a path, or the shipped case of that name, with --set applied.

    Raises
    ------
    SawfemError : no such case, or one that cannot be used.
    """
    from sawfem.case import Case, read_assignment

    case = Case.load(find_case(name))
    try:
        edits = dict(read_assignment(text) for text in assignments)
    except SawfemError as error:
        raise error.located(key="--set") from None
    return case.edit(edits) if edits else case


def find_case(name: str) -> Path:
    """Path of a case that a user named.

    Raises
    ------
    NotFoundError : neither a file nor a shipped case; lists the nearest.
    """
    path = Path(name)
    try:
        if path.exists():
            return path
    except (OSError, ValueError):  # a name that no file can have
        pass
    shipped = shipped_names("cases")
    if name in shipped:
        return shipped_file("cases", name)
    near = nearest(path.stem, shipped) or list(shipped)
    raise NotFoundError(
        file=name,
        found="no such file",
        expected=f"a case file, or the name of a shipped case: {', '.join(near)}",
    )
