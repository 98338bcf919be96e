"""The effective permittivity of a traction-free surface (Ingebrigtsen 1969; Milsom et al. 1977).

Charge on the surface over |k| times its potential, vacuum above included:

    eps_eff(omega, k) = eps_0 - (Y_44 - Y_4u Y_uu^-1 Y_u4) / |k|.

Its zeros are the waves of the free surface and its poles those of the metallised one; for slow
waves it tends to eps_inf.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from sawfem.conventions import EPSILON_0
from sawfem.errors import GeometryError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import ComplexArray

if TYPE_CHECKING:
    from sawfem.material import Medium


def effective_permittivity(
    admittance: SurfaceAdmittance, omega: ArrayLike, k: ArrayLike
) -> ComplexArray:
    """eps_eff(omega, k), F/m.

    Parameters
    ----------
    admittance : surface admittance of the stack.
    omega : rad/s, k : rad/m; real or complex, broadcast; k = 0 is not allowed. For a complex k,
        |k| is continued as k sign(Re k).

    Returns
    -------
    (...) complex; real below the limiting velocity, with negative imaginary part where the stack
    radiates.
    """
    k = np.asarray(k)
    y = admittance(omega, k)
    elastic = np.linalg.solve(y[..., :3, :3], y[..., :3, 3:])
    charge = y[..., 3, 3] - (y[..., 3:, :3] @ elastic)[..., 0, 0]
    return np.asarray(EPSILON_0 - charge / (k * np.sign(k.real)))


def static_permittivity(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]] = (),
    k: float | None = None,
    *,
    shorts: Collection[int] = (),
) -> float:
    """eps_inf, the effective permittivity for waves much slower than sound, F/m.

    Equal to the capacitance per finger pair and metre of aperture of a transducer with equal
    strips and gaps (Engan 1969).

    Parameters
    ----------
    substrate, layers : the stack, layers upwards with thickness in metres.
    k : wavenumber in rad/m; needed with layers only, whose weight depends on it.
    shorts : interfaces held at phi = 0, as for :class:`.SurfaceAdmittance`.

    Raises
    ------
    GeometryError : layers without a wavenumber, or a surface that conducts itself.
    """
    if k is None:
        if layers:
            raise GeometryError(
                key="k",
                found="a layered stack without a wavenumber",
                expected="the wavenumber at which its layers are seen",
            )
        k = 1.0e6
    admittance = SurfaceAdmittance(substrate, layers, shorts=shorts)
    if admittance.shorted:
        raise GeometryError(
            key="shorts",
            found="a surface that conducts",
            expected="a dielectric surface: a conducting one takes up any charge at no potential",
        )
    return float(effective_permittivity(admittance, 0.0, k).real)
