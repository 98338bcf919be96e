"""The repository speaks of the project alone: no machine, no workplace, no tools of one."""

import re
import subprocess
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
TEXT = {".py", ".md", ".toml", ".sh", ".html", ".yml", ".yaml", ".txt", ".cfg"}

#: Pieces are joined here so that this file does not hold the words itself.
WORDS = re.compile(
    r"\b("
    + "|".join(
        [
            "trans" + "cript",
            "seed" + " document",
            "C" + "EO",
            "sub" + "agent",
            "this" + " session",
            "previous" + " session",
            "issue" + r" #?\d+",
            "shared" + "/design",
            "proto" + "type",
        ]
    )
    + r")\b",
    re.IGNORECASE,
)
PATHS = re.compile("/" + "(" + "|".join(["work", "farm", "root", "tmp", "home"]) + ")" + "/")


def files() -> list[Path]:
    """Text files that belong to the repository; of an unpacked archive, all that are there."""
    if (TOP / ".git").exists():
        listed = subprocess.run(
            ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
            cwd=TOP,
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()
        found = [TOP / name for name in listed]
    else:
        found = [path for path in TOP.rglob("*") if _belongs(path.relative_to(TOP).parts)]
    return [path for path in found if path.is_file() and _is_text(path)]


def _belongs(parts: tuple[str, ...]) -> bool:
    """Not made by tools: no hidden folder but .ci, no build, no results."""
    made = {"build", "dist", "results", "__pycache__"}
    return not any(
        (part.startswith(".") and part != ".ci") or part in made or part.endswith(".egg-info")
        for part in parts
    )


def _is_text(path: Path) -> bool:
    return path.suffix in TEXT or path.parent.name == ".ci"


FILES = files()


def test_there_is_something_to_read() -> None:
    assert len(FILES) > 50
    assert TOP / "README.md" in FILES


@pytest.mark.parametrize("pattern", [WORDS, PATHS], ids=["words", "paths"])
def test_no_word_of_the_workplace(pattern: re.Pattern[str]) -> None:
    found = []
    for path in FILES:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if pattern.search(line):
                found.append(f"{path.relative_to(TOP)}:{number}: {line.strip()[:80]}")
    assert found == []


def test_the_guard_would_see_them() -> None:
    assert WORDS.search("see Issue" + " #12")
    assert PATHS.search("open(" + "'/ho" + "me/someone/x')")
    assert not WORDS.search("a resonator")
