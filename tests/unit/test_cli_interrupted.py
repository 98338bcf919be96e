"""An interrupted run: exit code 130, one line, and the older result untouched."""

import subprocess
from pathlib import Path

import pytest

from tests.support.commands import SAWFEM, environment, interrupted

COMMAND = [
    *(*SAWFEM, "run", "buoy-resonator"),
    *("--out", "here", "--set", "results.accuracy=1e-2"),
]


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.slow
def test_an_older_result_survives(tmp_path: Path) -> None:
    """Interrupted once while the unit cell is solved, once while the files are written."""
    subprocess.run([*COMMAND, "--quiet"], cwd=tmp_path, check=True, env=environment())
    before = contents(tmp_path)
    assert "here/constants.json" in before

    for stage in ("plane waves", "device"):
        code, _, rest = interrupted(COMMAND, f"{stage}: done", folder=tmp_path)
        assert code == 130
        lines = [line for line in rest.splitlines() if line and ": done in " not in line]
        assert len(lines) == 1
        assert lines[0].startswith("sawfem: interrupted")
        assert contents(tmp_path) == before
        assert [path.name for path in tmp_path.iterdir()] == ["here"]
