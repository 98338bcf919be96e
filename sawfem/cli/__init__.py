"""The command ``sawfem``: the only room that prints and ends the program.

group       the command and its subcommands, imported when used
failures    what a mistake prints, and the exit code it gives
screen      text and tables on standard output
progress    how far a run is, on standard error
run, check, cut, materials    one command each
"""

from __future__ import annotations

from collections.abc import Sequence


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code.

    0 done; 1 a fault of the program; 2 bad input; 130 interrupted.
    """
    from sawfem.cli.failures import guarded

    return guarded(arguments)
