"""The command line in a process of its own, be the package installed or only checked out."""

import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import sawfem

#: The interpreter and the module, before the arguments.
SAWFEM = (sys.executable, "-m", "sawfem")


def environment() -> dict[str, str]:
    """The environment in which a child finds the very package that is tested."""
    home = str(Path(sawfem.__file__).parents[1])
    paths = [home, *filter(None, [os.environ.get("PYTHONPATH")])]
    return os.environ | {"PYTHONPATH": os.pathsep.join(paths)}


def interrupted(
    command: Sequence[str],
    when: str,
    sent: signal.Signals = signal.SIGINT,
    *,
    folder: Path | None = None,
) -> tuple[int, str, str]:
    """Exit code, standard output and the rest of standard error of a command that is interrupted.

    ``sent`` goes to it at the first line of standard error that holds ``when``.
    """
    with subprocess.Popen(
        command,
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
        # A shell that puts commands into the background makes them deaf to interruptions.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    ) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if when in line:
                process.send_signal(sent)
                break
        out, rest = process.communicate(timeout=120)
        return process.returncode, out, rest


def number_printed(program: str) -> float:
    """What a program in Python, run in a process of its own, prints: one number."""
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        check=True,
        env=environment(),
    )
    return float(done.stdout)
