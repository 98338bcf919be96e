"""Sparse factorisation of the cell's matrices, with its residual checked.

The matrices are symmetric or Hermitian in pattern but indefinite. SuperLU in symmetric mode with
a minimum-degree order keeps the fill five times smaller than free pivoting does; it may lose
accuracy beside a resonance of the free slab, so a residual that is not small sends the matrix
through free pivoting.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.sparse as sp
import scipy.sparse.linalg as spla

from sawfem.errors import ConvergenceError

#: Relative residual that a probe solution must keep.
TOLERANCE = 1e-8


def factorise(matrix: Any) -> spla.SuperLU:
    """LU factors of a square sparse matrix.

    Raises
    ------
    ConvergenceError : the matrix is singular to rounding.
    """
    square = sp.csc_array(matrix)
    probe = np.cos(np.arange(square.shape[0]) * 1.7).astype(square.dtype)
    attempts: list[dict[str, Any]] = [
        {"diag_pivot_thresh": 0.01, "options": {"SymmetricMode": True}},
        {},
    ]
    for settings in attempts:
        try:
            factor = spla.splu(square, permc_spec="MMD_AT_PLUS_A", **settings)
        except RuntimeError:
            continue
        solution = factor.solve(probe)
        left = np.linalg.norm(square @ solution - probe)
        if np.isfinite(left) and left <= TOLERANCE * np.linalg.norm(probe):
            return factor
    raise ConvergenceError(
        "the unit cell's matrix is singular at this frequency: move it by a part in 1e6"
    )
