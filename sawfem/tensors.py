"""Tensors in Voigt and full form, and their rotation.

Voigt order 11, 22, 33, 23, 13, 12 with engineering shear strain (IEEE Std 176-1987, section 2).
For the stiffness and the piezoelectric stress constants the matrix entries equal the tensor
components; no factors of two appear.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Index pairs of the Voigt order.
VOIGT: tuple[tuple[int, int], ...] = ((0, 0), (1, 1), (2, 2), (1, 2), (0, 2), (0, 1))

#: _VOIGT_OF[i, j] is the Voigt index of the pair (i, j).
_VOIGT_OF = np.array([[0, 5, 4], [5, 1, 3], [4, 3, 2]])
_ROWS = np.array([pair[0] for pair in VOIGT])
_COLUMNS = np.array([pair[1] for pair in VOIGT])


def stiffness_tensor(matrix: Array) -> Array:
    """Stiffness matrix (6, 6) -> tensor c_ijkl (3, 3, 3, 3), same unit."""
    tensor: Array = np.asarray(matrix)[_VOIGT_OF[:, :, None, None], _VOIGT_OF[None, None, :, :]]
    return tensor


def stiffness_matrix(tensor: Array) -> Array:
    """Stiffness tensor c_ijkl (3, 3, 3, 3) -> matrix (6, 6), same unit."""
    pairs = np.asarray(tensor)[_ROWS, _COLUMNS]
    matrix: Array = pairs[:, _ROWS, _COLUMNS]
    return matrix


def piezoelectric_tensor(matrix: Array) -> Array:
    """Piezoelectric stress matrix (3, 6) -> tensor e_ikl (3, 3, 3), same unit."""
    tensor: Array = np.asarray(matrix)[:, _VOIGT_OF]
    return tensor


def piezoelectric_matrix(tensor: Array) -> Array:
    """Piezoelectric stress tensor e_ikl (3, 3, 3) -> matrix (3, 6), same unit."""
    matrix: Array = np.asarray(tensor)[:, _ROWS, _COLUMNS]
    return matrix


def rotate(tensor: Array, rotation: Array) -> Array:
    """Components of a tensor of any rank in turned axes: t'_ij.. = R_ia R_jb .. t_ab..

    Parameters
    ----------
    tensor : shape (3,) * rank.
    rotation : (3, 3); row i holds the new axis i in the old axes. Improper rotations are
        allowed (mirror planes of a point group).
    """
    result = np.asarray(tensor)
    for axis in range(result.ndim):
        result = np.moveaxis(np.tensordot(rotation, result, axes=(1, axis)), 0, axis)
    return result
