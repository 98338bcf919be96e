"""Least squares and its errors against certified results.

NIST Statistical Reference Datasets, nonlinear regression: Misra1a and DanWood (data and certified
values from memory; that all their digits come out together confirms them). Both are real data: the
first half is taken for real parts and the second for imaginary ones, which is the same problem of
as many residuals and degrees of freedom.
"""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from sawfem.measured.leastsquares import fit

Real = NDArray[np.float64]


def misra(b: Real, x: Real) -> tuple[Real, Real]:
    """Y = b1 (1 - exp(-b2 x)): monomolecular adsorption, Misra 1978."""
    rest = np.exp(-b[1] * x)
    return b[0] * (1.0 - rest), np.array([1.0 - rest, b[0] * x * rest])


def danwood(b: Real, x: Real) -> tuple[Real, Real]:
    """Y = b1 x^b2: radiated energy against temperature, Daniel & Wood 1980."""
    return b[0] * x ** b[1], np.array([x ** b[1], b[0] * x ** b[1] * np.log(x)])


MISRA = (
    misra,
    [
        77.6,
        114.9,
        141.1,
        190.8,
        239.9,
        289.0,
        332.8,
        378.4,
        434.8,
        477.3,
        536.8,
        593.1,
        689.1,
        760.0,
    ],
    [
        10.07,
        14.73,
        17.94,
        23.93,
        29.61,
        35.18,
        40.02,
        44.82,
        50.76,
        55.05,
        61.01,
        66.40,
        75.47,
        81.78,
    ],
    [2.3894212918e02, 5.5015643181e-04],
    [2.7070075241e00, 7.2668688436e-06],
    1.2455138894e-01,
    1.0187876330e-01,
)
DANWOOD = (
    danwood,
    [1.309, 1.471, 1.490, 1.565, 1.611, 1.680],
    [2.138, 3.421, 3.597, 4.340, 4.882, 5.660],
    [7.6886226176e-01, 3.8604055871e00],
    [1.8281973860e-02, 5.1726610913e-02],
    4.3173084083e-03,
    3.2853114039e-02,
)


@pytest.mark.parametrize(
    ("certified", "start"),
    [
        (MISRA, [500.0, 1e-4]),
        (MISRA, [250.0, 5e-4]),
        (DANWOOD, [1.0, 5.0]),
        (DANWOOD, [0.7, 4.0]),
    ],
    ids=["misra1a, far", "misra1a, near", "danwood, far", "danwood, near"],
)
def test_certified_parameters_errors_and_residuals(
    certified: tuple[
        Callable[..., tuple[Real, Real]], list[float], list[float], *tuple[object, ...]
    ],
    start: list[float],
) -> None:
    function, x, y, values, errors, squares, deviation = certified
    half = len(x) // 2

    def paired(array: Real) -> NDArray[np.complex128]:
        return array[..., :half] + 1j * array[..., half:]

    def model(b: Real) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        found, slopes = function(b, np.array(x))
        return paired(found), paired(slopes)

    first = np.array(start)
    found = fit(model, paired(np.array(y)), first, first, ("b1", "b2"))
    assert found.converged
    np.testing.assert_allclose(found.values, values, rtol=1e-8)
    np.testing.assert_allclose(found.standard_errors, errors, rtol=1e-8)
    np.testing.assert_allclose(found.cost, squares, rtol=1e-9)
    np.testing.assert_allclose(found.noise, deviation, rtol=1e-9)
    assert found.freedom == len(x) - 2
