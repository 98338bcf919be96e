"""Text and tables on standard output, for people."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import Literal

#: Columns where the output is no terminal.
WIDTH = 100
#: Column at which the texts of labelled lines begin.
INDENT = 11


def encodable(text: str, encoding: str | None) -> str:
    """``text`` as a terminal of this encoding can show it: "+-" where it has no "±"."""
    name = encoding or "utf-8"
    try:
        text.encode(name)
    except UnicodeEncodeError:
        return text.replace("±", "+-").encode(name, "replace").decode(name)
    return text


def show(text: str = "") -> None:
    """A line on standard output."""
    print(encodable(text, sys.stdout.encoding))


def width() -> int:
    """Columns of the output."""
    return min(shutil.get_terminal_size((WIDTH, 24)).columns, 120) if _terminal() else WIDTH


def _terminal() -> bool:
    return sys.stdout.isatty()


def headline(left: str, right: str) -> None:
    """Two texts at the ends of one line."""
    space = max(2, min(width(), WIDTH) - len(left) - len(right))
    show(f"{left}{' ' * space}{right}")


def labelled(label: str, *texts: str) -> None:
    """A label, then texts wrapped and starting in one column; empty ones are left out."""
    first = f"{label:<{INDENT}}"
    if len(label) >= INDENT:  # a long name gets a line of its own
        show(label)
        first = " " * INDENT
    for text in texts:
        lines = textwrap.wrap(
            text, max(40, width() - INDENT), break_long_words=False, break_on_hyphens=False
        )
        for line in lines:
            show(f"{first}{line}".rstrip())
            first = " " * INDENT


def table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], *, right: Iterable[int] = ()
) -> None:
    """Columns under their heads, those in ``right`` aligned right; the last one wraps if need be.

    Nothing for no rows.
    """
    from io import StringIO

    from rich.console import Console
    from rich.table import Table

    grid = Table(box=None, padding=(0, 2, 0, 0), show_edge=False, header_style="none")
    numbers = set(right)
    for index, head in enumerate(heads):
        justify: Literal["left", "right"] = "right" if index in numbers else "left"
        grid.add_column(head, justify=justify, no_wrap=True, overflow="ellipsis")
    listed = list(rows)
    for row in listed:
        grid.add_row(*row)
    if listed:
        text = StringIO()
        Console(file=text, width=width(), highlight=False, markup=False, emoji=False).print(grid)
        for line in text.getvalue().splitlines():
            show(line.rstrip())
