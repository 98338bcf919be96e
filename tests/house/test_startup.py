"""What each step loads, by the list of modules and not by the clock."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.commands import environment

#: Libraries that take long to load.
HEAVY = (
    "numpy",
    "scipy",
    "scipy.sparse",
    "skfem",
    "h5py",
    "matplotlib",
    "skrf",
    "pydantic",
    "rich",
    "click",
)

_REPORT = """
import json, sys
print(json.dumps([name for name in {heavy} if name in sys.modules]), file=sys.__stderr__)
"""

_COMMAND = """
import contextlib, io
from sawfem.cli import main
with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
    code = main({arguments})
assert code == {code}, code
"""


def loaded(program: str, folder: Path) -> set[str]:
    """Heavy modules that a program has loaded at its end."""
    done = subprocess.run(
        [sys.executable, "-c", program + _REPORT.format(heavy=HEAVY)],
        cwd=folder,
        capture_output=True,
        text=True,
        env=environment(),
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stderr.splitlines()[-1]))


def test_import_brings_the_standard_library_alone(tmp_path: Path) -> None:
    assert loaded("import sawfem", tmp_path) == set()


def test_a_case_is_read_without_numpy(tmp_path: Path) -> None:
    program = (
        "import sawfem\n"
        "from sawfem.datafiles import shipped_file\n"
        "sawfem.Case.load(shipped_file('cases', 'buoy-resonator'))"
    )
    assert loaded(program, tmp_path) <= {"pydantic"}


@pytest.mark.parametrize(
    ("arguments", "code", "allowed"),
    [
        (["--help"], 0, {"click"}),
        (["--version"], 0, {"click"}),
        (["run", "--help"], 0, {"click"}),
        (["run", "no-such-case"], 2, {"click", "pydantic"}),
        (
            ["run", "buoy-resonator", "--set", "grating.thicknes=80 nm"],
            2,
            {"click", "pydantic"},
        ),
        (["materials"], 0, {"click"}),
        (["materials", "--json"], 0, {"click"}),
        (["materials", "quartz/bechmann-1958"], 0, {"click", "numpy"}),
        (
            ["cut", "quartz/bechmann-1958", "--cut", "(YXl)42.75", "--json"],
            0,
            {"click", "numpy"},
        ),
        (["cut", "quartz/bechmann-1958", "--cut", "(YXl)42.75"], 0, {"click", "numpy"}),
    ],
)
def test_a_command_loads_what_it_needs(
    tmp_path: Path, arguments: list[str], code: int, allowed: set[str]
) -> None:
    program = _COMMAND.format(arguments=arguments, code=code)
    assert loaded(program, tmp_path) <= allowed
