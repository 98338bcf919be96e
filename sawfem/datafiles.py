"""Shipped data files and the guarded reading of TOML.

Materials and cases live in the folders ``materials/`` and ``cases/`` at the top of a checkout. A
wheel carries them as ``sawfem/data/materials`` and ``sawfem/data/cases``; that place is looked up
first.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from sawfem.errors import InputError, NotFoundError

#: Largest TOML file that is parsed, bytes. A parser can take seconds over a file that is large
#: or has very long dotted keys, so both are refused before parsing.
MAXIMUM_BYTES = 256 * 1024

#: Longest line that is parsed, characters.
MAXIMUM_LINE = 2000

_PACKAGE = Path(__file__).resolve().parent


def data_directory(kind: str) -> Path:
    """Folder of the shipped ``"materials"`` or ``"cases"``.

    Raises
    ------
    NotFoundError : neither the package nor a checkout around it has the folder.
    """
    candidates = (_PACKAGE / "data" / kind, _PACKAGE.parent / kind)
    for candidate in candidates:
        if candidate.is_dir():
            return candidate
    places = " or ".join(str(candidate) for candidate in candidates)
    raise NotFoundError(f"the shipped {kind} are missing; looked for {places}")


def shipped_names(kind: str) -> tuple[str, ...]:
    """Names of the shipped TOML files, relative to their folder, without suffix, sorted."""
    root = data_directory(kind)
    found = root.rglob("*.toml")
    return tuple(sorted(path.relative_to(root).with_suffix("").as_posix() for path in found))


def shipped_file(kind: str, name: str) -> Path:
    """Path of the shipped file ``name`` (as :func:`shipped_names` gives it)."""
    return data_directory(kind) / f"{name}.toml"


@cache
def numerics_digest(rooms: tuple[str, ...]) -> str:
    """SHA-256 of the program text of some modules and folders of this package.

    What was computed by one text is not to be mixed with what another computes.
    """
    home = Path(__file__).resolve().parent
    digest = hashlib.sha256()
    for name in rooms:
        place = home / name
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            digest.update(path.relative_to(home).as_posix().encode())
            digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()


def read_toml(
    path: Path, *, shown: str | None = None, error: type[InputError] = InputError
) -> dict[str, Any]:
    """Parse a TOML file that may be hostile.

    Parameters
    ----------
    path : the file.
    shown : how the user named the file; error messages repeat it. Default: the path.
    error : class of the errors raised.

    Raises
    ------
    error : the file cannot be opened, is larger than :data:`MAXIMUM_BYTES`, has a line longer
        than :data:`MAXIMUM_LINE`, is not UTF-8, or is not TOML.
    """
    name = shown if shown is not None else str(path)
    try:
        if not path.is_file():
            found = "a folder" if path.is_dir() else "no such file"
            raise error(file=name, found=found, expected="a TOML file")
        with path.open("rb") as stream:
            raw = stream.read(MAXIMUM_BYTES + 1)
    except (OSError, ValueError) as reason:
        # ValueError: a null character in the path.
        text = getattr(reason, "strerror", None) or str(reason)
        raise error(file=name, found=text.lower(), expected="a readable TOML file") from None
    return parse_toml(raw, shown=name, error=error)


def parse_toml(raw: bytes, *, shown: str, error: type[InputError] = InputError) -> dict[str, Any]:
    """Parse TOML bytes with the guards and errors of :func:`read_toml`."""
    if len(raw) > MAXIMUM_BYTES:
        raise error(
            file=shown, found="more than 256 kB", expected=f"at most {MAXIMUM_BYTES} bytes of TOML"
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as reason:
        place = raw.count(b"\n", 0, reason.start) + 1
        raise error(
            file=shown,
            found=f"a byte in line {place} that is not UTF-8",
            expected="UTF-8 text: save the file with that encoding",
        ) from None
    if "\n" not in text and "\r" in text:
        raise error(
            file=shown,
            found="lines that end with a carriage return alone",
            expected="lines that end with a line feed",
        )
    # Only a line feed ends a line of TOML; splitlines() knows others, which a hostile key may hold.
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > MAXIMUM_LINE:
            raise error(
                file=shown,
                found=f"{len(line)} characters in line {number}",
                expected=f"lines of at most {MAXIMUM_LINE} characters",
            )
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise error(file=shown, found="values nested too deeply", expected="flat TOML") from None
    except ValueError as reason:
        # TOMLDecodeError is a ValueError; so is an integer with thousands of digits.
        raise _not_toml(reason, text, shown, error) from None


_TWICE = re.compile(r"Cannot declare \('(?P<name>[A-Za-z0-9_-]{1,60})',\) twice")
_LINE = re.compile(r"\(at line (?P<line>[0-9]{1,7}),")
_KEY = r"(?P<key>[A-Za-z0-9_.-]{1,60})\s*=\s*"
_PLAIN = re.compile(_KEY + r".*")
#: Lines that people write and TOML does not know: a pattern, what was found, what would do.
_MEANT = (
    (
        re.compile(_KEY + r"(?P<whole>[-+]?[0-9]+),(?P<part>[0-9]+)\s*(?:#.*)?"),
        "{whole},{part} in line {number}, with a decimal comma",
        "a decimal point: {key} = {whole}.{part}",
    ),
    (
        re.compile(_KEY + r"(?P<sign>[-+]?)(?P<value>\.[0-9]+)\s*(?:#.*)?"),
        "{sign}{value} in line {number}, without a digit before its point",
        "{key} = {sign}0{value}",
    ),
    (
        re.compile(_KEY + r"(?P<value>(?i:true|false|yes|no|on|off))\s*(?:#.*)?"),
        "{value} in line {number}",
        "true or false, in small letters",
    ),
    (
        re.compile(_KEY + r"(?P<value>[-+]?[0-9.][-+0-9.eE]*\s*[^\W\d_%]{0,12}%?)\s*(?:#.*)?"),
        "{value} in line {number}, without quotes",
        'a text in quotes: {key} = "{value}"',
    ),
    (
        re.compile(_KEY + r"""(?P<value>[A-Za-z(./][^"'#\[\]{}]{0,99}?)\s*(?:#.*)?"""),
        "{value} in line {number}, without quotes",
        'a text in quotes: {key} = "{value}"',
    ),
    (
        re.compile(_KEY + r"""(?P<mark>["'])(?P<value>[^"']{0,200})"""),
        "a text in line {number} whose quotes are not closed",
        "the same mark at both ends: {key} = {mark}...{mark}",
    ),
    (re.compile(_KEY + r"(?:#.*)?"), "nothing behind {key} = in line {number}", "a value"),
    (_PLAIN, "the key {key} a second time, in line {number}", "each key once in its table"),
)


def _not_toml(reason: ValueError, text: str, shown: str, error: type[InputError]) -> InputError:
    """The error of a text that is not TOML, with what was probably meant."""
    twice = _TWICE.search(str(reason))
    if twice:
        name = twice["name"]
        return error(
            file=shown,
            found=f"[{name}] twice",
            expected=f"[[{name}]], in double brackets, for each of several",
        )
    at = _LINE.search(str(reason))
    lines = text.split("\n")
    number = int(at["line"]) if at else 0
    if not 0 < number <= len(lines):
        return error(f"is not TOML: {reason}", file=shown)
    written = lines[number - 1].strip()
    for pattern, found, expected in _MEANT:
        match = pattern.fullmatch(written)
        if match and (pattern is not _PLAIN or "Cannot overwrite" in str(reason)):
            parts = {name: part.strip() for name, part in match.groupdict().items()}
            return error(
                file=shown,
                key=parts["key"],
                found=found.format(number=number, **parts),
                expected=expected.format(**parts),
            )
    return error(
        file=shown,
        found=f"line {number}, {written[:60]!r}, which is not TOML ({_reason(reason)})",
        expected='lines such as [grating] or pitch = "2.228 um"',
    )


def _reason(reason: ValueError) -> str:
    """What the parser says, without the place, which is told already."""
    text = str(reason).partition(" (at line")[0].rstrip(".")
    return text[:1].lower() + text[1:]
