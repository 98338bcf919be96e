"""``python -m sawfem``: the same as the command ``sawfem``."""

import sys

from sawfem.cli import main

if __name__ == "__main__":
    sys.exit(main())
