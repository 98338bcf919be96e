"""Which sparse solutions count: residuals small, or as small as rounding allows."""

import numpy as np
import pytest
import scipy.sparse as sp

from sawfem.errors import ConvergenceError
from sawfem.unitcell import sparse
from sawfem.unitcell.sparse import factorise


def second_difference(count: int, ends: float) -> sp.csc_array:
    diagonal = np.full(count, 2.0)
    diagonal[[0, -1]] = ends
    side = -np.ones(count - 1)
    return sp.csc_array(sp.diags_array([side, diagonal, side], offsets=[-1, 0, 1]))


def test_a_slender_beam_is_solved_by_its_backward_error(monkeypatch):
    """Supported beam of n steps: eigenvectors sin(pi i/(n + 1)), eigenvalue (2 - 2 cos)^2 (closed
    form). Accepted where no residual at all would be small enough."""
    monkeypatch.setattr(sparse, "TOLERANCE", 0.0)
    count = 600
    bending = sp.csc_array(second_difference(count, 2.0) @ second_difference(count, 2.0))
    shape = np.sin(np.pi * np.arange(1, count + 1) / (count + 1))
    eigenvalue = (2.0 - 2.0 * np.cos(np.pi / (count + 1))) ** 2
    assert factorise(bending).solve(eigenvalue * shape) == pytest.approx(shape, abs=1e-5)


def test_a_matrix_singular_to_rounding_is_refused():
    """A bar without support: the constant displacement costs nothing."""
    with pytest.raises(ConvergenceError, match="singular"):
        factorise(second_difference(600, 1.0))
