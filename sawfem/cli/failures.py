"""How the program ends: one line for a mistake, and the exit code."""

from __future__ import annotations

import json
import os
import sys
import tempfile
import traceback
from collections.abc import Sequence

import click

from sawfem.errors import SawfemError

DONE, FAULT, BAD_INPUT, MISSED, INTERRUPTED = 0, 1, 2, 3, 130


def guarded(arguments: Sequence[str] | None) -> int:
    """Run the command line; whatever goes wrong ends here."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    as_json = "--json" in given
    if not given:
        given = ["--help"]
    try:
        from sawfem.cli.group import sawfem

        ended = sawfem.main(args=given, prog_name="sawfem", standalone_mode=False)
        sys.stdout.flush()
        if isinstance(ended, int):  # click.exceptions.Exit, as click hands it on
            return ended
    except SawfemError as error:
        return _refused(error, as_json)
    except click.exceptions.Exit as end:
        return int(end.exit_code)
    except (click.Abort, KeyboardInterrupt) as end:
        return _interrupted(as_json, str(end.__cause__ or end))
    except click.ClickException as error:
        return _usage(error, as_json)
    except BrokenPipeError:
        # The reader has gone; what is left in the buffer has nowhere to go.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except SystemExit:
        # So click ends when the reader of a pipe has gone: nothing went wrong here.
        return DONE
    except Exception as fault:
        return _fault(fault, as_json)
    return DONE


def _refused(error: SawfemError, as_json: bool) -> int:
    if as_json:
        _json(
            file=error.file,
            key=error.key,
            found=error.found,
            expected=error.expected,
            message=error.message,
        )
    _line(str(error))
    return BAD_INPUT


def _interrupted(as_json: bool, kept: str) -> int:
    """``kept``: what a command that keeps its work has said about it, or ""."""
    message = kept or "interrupted; what stood in the results folder before is untouched"
    if as_json:
        _json(message=message)
    _line(f"sawfem: {message}")
    return INTERRUPTED


def _usage(error: click.ClickException, as_json: bool) -> int:
    context = getattr(error, "ctx", None)
    command = context.command_path if context else "sawfem"
    message = error.format_message().rstrip(".")
    if as_json:
        _json(message=message)
    _line(f"{command}: {message}; {command} --help tells more")
    return BAD_INPUT


def _fault(fault: Exception, as_json: bool) -> int:
    """A mistake of the program's own: a short line, the traceback in a file."""
    message = f"a fault of the program ({type(fault).__name__}), not of your input"
    try:
        handle, path = tempfile.mkstemp(prefix="sawfem-fault-", suffix=".log", text=True)
        with os.fdopen(handle, "w", encoding="utf-8", errors="replace") as stream:
            traceback.print_exception(fault, file=stream)
        message += f"; please report it with the log {path}"
    except OSError:
        message += f": {fault}; please report it"
    if as_json:
        _json(message=message)
    _line(f"sawfem: {message}")
    return FAULT


def _json(**fields: str | None) -> None:
    keys = ("file", "key", "found", "expected", "message")
    print(json.dumps({"error": {key: fields.get(key) for key in keys}}))


def _line(text: str) -> None:
    """One line on standard error, whatever the text and the terminal's encoding."""
    encoding = sys.stderr.encoding or "utf-8"
    single = " ".join(text.split())
    print(single.encode(encoding, "backslashreplace").decode(encoding), file=sys.stderr)
