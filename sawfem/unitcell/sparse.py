"""Sparse factorisation of the cell's matrices, with its residual checked.

The matrices are symmetric or Hermitian in pattern but indefinite. SuperLU in symmetric mode with
a minimum-degree order keeps the fill five times smaller than free pivoting does; it may lose
accuracy beside a resonance of the free slab, so a residual that is not small sends the matrix
through free pivoting.

The residual r of A x = b is small if |r| <= TOLERANCE |b|. A thin plate bends so easily near rest
that no solution of that residual exists in double precision: x is large and rounding A x alone
leaves eps |A| |x|. There it counts that the solution is the exact one of a matrix as near to A as
rounding is, |r| <= BACKWARD (|A| |x| + |b|) (Rigal & Gaches, J. ACM 14, 543 (1967); Higham,
Accuracy and Stability of Numerical Algorithms, ch. 7; from memory), as long as |r| <= SINGULAR |b|:
of a matrix that is singular to rounding nothing of b is met.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.sparse as sp
import scipy.sparse.linalg as spla
from numpy.typing import NDArray

from sawfem.errors import ConvergenceError

#: Relative residual that a probe solution must keep.
TOLERANCE = 1e-8
#: Backward error that makes up for a larger residual: eps times a growth of the pivots of 100.
BACKWARD = 2e-14
#: Residual beyond which a matrix is singular to rounding.
SINGULAR = 1e-3


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
        if _is_small(square, solution, probe):
            return factor
    raise ConvergenceError(
        "the unit cell's matrix is singular at this frequency: move it by a part in 1e6"
    )


def _is_small(matrix: sp.csc_array, solution: NDArray[Any], right: NDArray[Any]) -> bool:
    """Whether the residual is small in one of the two senses of the module docstring."""
    left = np.linalg.norm(matrix @ solution - right)
    size = np.linalg.norm(right)
    if not np.isfinite(left) or left > SINGULAR * size:
        return False
    rounding = np.linalg.norm(abs(matrix) @ np.abs(solution)) + size
    return bool(left <= TOLERANCE * size or left <= BACKWARD * rounding)
