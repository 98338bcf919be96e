"""The command line in a process of its own, be the package installed or only checked out."""

import os
import sys
from pathlib import Path

import sawfem

#: The interpreter and the module, before the arguments.
SAWFEM = (sys.executable, "-m", "sawfem")


def environment() -> dict[str, str]:
    """The environment in which a child finds the very package that is tested."""
    home = str(Path(sawfem.__file__).parents[1])
    paths = [home, *filter(None, [os.environ.get("PYTHONPATH")])]
    return os.environ | {"PYTHONPATH": os.pathsep.join(paths)}
