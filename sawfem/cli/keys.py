"""``sawfem keys``: what may stand in a case file."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from sawfem.cli import options
from sawfem.cli.screen import show, width

if TYPE_CHECKING:
    from sawfem.case.reference import KeyRow


@click.command("keys")
@click.argument("name", metavar="[TABLE]", required=False)
@click.option("--markdown", is_flag=True, help="The whole reference as a page of Markdown.")
@options.as_json
def command(name: str | None, markdown: bool, as_json: bool) -> None:
    """List the tables and keys of case files: units, ranges, what holds without them.

    TABLE is one of them, such as grating, device or sweep.axis, with those below it. With --json
    the answer is a JSON Schema of case files, for editors.
    """
    from sawfem.case.reference import key_tables, keys_markdown

    if as_json:
        from sawfem.case import Case

        click.echo(json.dumps(Case.json_schema(), indent=2, ensure_ascii=False))
        return
    if markdown:
        click.echo(keys_markdown(), nl=False)
        return
    for number, table in enumerate(key_tables(name or "")):
        if number:
            show()
        head = f"{table.header}: {table.about.replace('`', '')}"
        for line in textwrap.wrap(head, width(), subsequent_indent="  "):
            show(line)
        _show_rows(table.rows)
    if not name:
        show()
        show("sawfem keys TABLE shows one table; cases/KEYS.md is the same as a page.")


def _show_rows(rows: Sequence[KeyRow]) -> None:
    """Each key in a column of its own, and beside it what it takes and means."""
    column = 4 + max((len(row.key) for row in rows), default=0)
    for row in rows:
        about = f"{row.about.rstrip('.')}: " if row.about else ""
        without = row.left_out if row.left_out.startswith("needed") else f"else {row.left_out}"
        text = f"{about}{row.takes}; {without}".replace("`", "")
        lines = textwrap.wrap(
            text, max(40, width() - column), break_long_words=False, break_on_hyphens=False
        )
        for place, line in enumerate(lines):
            show(f"{f'  {row.key}' if place == 0 else '':<{column}}{line}")
