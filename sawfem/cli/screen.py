"""Text and tables on standard output, for people."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence

#: Columns where the output is no terminal.
WIDTH = 100
#: Column at which the texts of labelled lines begin.
INDENT = 11
#: Between the columns of a table, and before what goes on of a cell that is wrapped.
GAP, HANGING = "  ", "  "


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


def paragraph(text: str) -> None:
    """A sentence, wrapped where the output is narrower."""
    for line in textwrap.wrap(text, width()):
        show(line)


def table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], *, right: Iterable[int] = ()
) -> None:
    """Columns under their heads, those in ``right`` aligned right. Nothing for no rows.

    Where the output is too narrow, heads and then the texts of the other columns wrap at their
    words. A number is never cut: rather a line is longer than the output is wide.
    """
    listed = [tuple(row) for row in rows]
    if not listed:
        return
    numbers = set(right)
    sizes = _column_sizes(heads, listed, numbers)
    for row in (tuple(heads), *listed):
        cells = [_folded(cell, size) for cell, size in zip(row, sizes, strict=True)]
        for place in range(max(map(len, cells))):
            parts = [cell[place] if place < len(cell) else "" for cell in cells]
            line = GAP.join(
                f"{part:>{size}}" if index in numbers else f"{part:<{size}}"
                for index, (part, size) in enumerate(zip(parts, sizes, strict=True))
            )
            show(line.rstrip())


def _column_sizes(
    heads: Sequence[str], rows: Sequence[Sequence[str]], numbers: set[int]
) -> list[int]:
    """Characters of each column: as many as it likes, fewer where the output is too narrow."""
    inside = [max(len(row[index]) for row in rows) for index in range(len(heads))]
    sizes = [max(len(head), size) for head, size in zip(heads, inside, strict=True)]
    left = max(0, sum(sizes) + len(GAP) * (len(heads) - 1) - width())
    for index, head in enumerate(heads):  # heads wrap first
        spare = sizes[index] - max(inside[index], *map(len, head.split() or [""]), 0)
        sizes[index] -= min(spare, left)
        left -= min(spare, left)
    texts = [index for index in range(len(heads)) if index not in numbers]
    least = {
        index: max(
            len(word) + len(cell) - len(cell.lstrip()) + len(HANGING)
            for cell in (heads[index], *(row[index] for row in rows))
            for word in (cell.split() or [""])
        )
        for index in texts
    }
    while left > 0 and any(sizes[index] > least[index] for index in texts):
        widest = max(texts, key=lambda index: sizes[index] - least[index])
        sizes[widest] -= 1
        left -= 1
    return sizes


def _folded(cell: str, size: int) -> list[str]:
    """Lines of a cell, those after the first a little further in than its own first one."""
    if len(cell) <= size:
        return [cell]
    margin = cell[: len(cell) - len(cell.lstrip())]
    return textwrap.wrap(
        cell.strip(),
        size,
        initial_indent=margin,
        subsequent_indent=margin + (HANGING if margin else ""),
        break_long_words=False,
        break_on_hyphens=False,
    )


def listed_files(files: Iterable[str]) -> str:
    """Names of files in one text; of a picture that is there twice, both endings behind it."""
    names = list(files)
    twice = {name[:-4] for name in names if name.endswith(".png") and f"{name[:-4]}.svg" in names}
    told = [
        f"{name}, .svg" if name[:-4] in twice else name
        for name in names
        if not (name.endswith(".svg") and name[:-4] in twice)
    ]
    return "  ".join(told)
