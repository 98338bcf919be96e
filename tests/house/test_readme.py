"""What README, DEVELOPERS and .ci/run say is true: commands, code and numbers."""

import contextlib
import io
import os
import re
import subprocess
from pathlib import Path

import pytest

from sawfem.cli import main
from sawfem.cli.group import COMMANDS
from tests.house.test_floors import FLOORS

TOP = Path(__file__).resolve().parents[2]
README = (TOP / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(\w*)\n(.*?)```", README, re.DOTALL)


def block(language: str, part: str) -> str:
    (found,) = [text for kind, text in BLOCKS if kind == language and part in text]
    return found


@pytest.mark.slow
def test_the_python_example(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It runs in an empty folder, and prints the numbers that stand beside its lines."""
    code = block("python", "import sawfem")
    assert len([line for line in code.splitlines() if line]) <= 10
    monkeypatch.chdir(tmp_path)
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(code, "README.md", "exec"), {})
    said = re.findall(r"^print.*# ([0-9.]+) (m/s|MHz)", code, re.MULTILINE)
    lines = printed.getvalue().splitlines()
    assert len(said) == len(lines) == 2
    for (value, unit), line in zip(said, lines, strict=True):
        number = float(line.split()[0])
        assert line.endswith(unit)
        assert f"{number:.{len(value.partition('.')[2])}f}" == value
    text = (tmp_path / "buoy.s1p").read_text(encoding="utf-8")
    assert "# Hz S RI R 50" in text


def test_the_cut_that_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    shown = block("text", "$ sawfem cut")
    command, _, output = shown.partition("\n")
    assert command == '$ sawfem cut quartz/bechmann-1958 --cut "(YXl)42.75"'
    assert main(["cut", "quartz/bechmann-1958", "--cut", "(YXl)42.75"]) == 0
    assert capsys.readouterr().out == output


def test_the_table_of_commands_is_complete() -> None:
    told = set(re.findall(r"^\| `sawfem (\w+)", README, re.MULTILINE))
    assert told == set(COMMANDS)


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "cases/README.md"])
def test_links_lead_somewhere(name: str) -> None:
    text = (TOP / name).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    assert links
    for link in links:
        assert (TOP / name).parent.joinpath(link).exists(), link


def test_the_first_two_commands_are_those_that_are_checked() -> None:
    """.ci/run takes them from the README; here it is seen that it finds them."""
    first, second = (text.strip() for kind, text in BLOCKS[:2] if kind == "sh")
    assert first.startswith("python3.11 -m venv .venv && ")
    assert first.endswith(".venv/bin/sawfem run cases/buoy-resonator.toml")
    assert second.startswith(".venv/bin/python -m pytest")
    script = TOP / ".ci" / "run"
    assert os.access(script, os.X_OK)
    taken = "\n".join(
        line
        for line in script.read_text(encoding="utf-8").splitlines()
        if line.startswith(("install=", "tests="))
    )
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", f'{taken}\necho "$install"\necho "$tests"'],
        cwd=TOP,
        capture_output=True,
        text=True,
        check=True,
    )
    install, tests = done.stdout.splitlines()
    assert first == f"{install} && .venv/bin/sawfem run cases/buoy-resonator.toml"
    assert tests == second


def test_the_floors_that_are_told_are_those_that_are_kept() -> None:
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    for row in re.findall(r"^\| (\d) \| (.*) \|$", text, re.MULTILINE):
        for room in re.findall(r"`([a-z]+)/?`", row[1]):
            assert FLOORS[room] == int(row[0]), room
