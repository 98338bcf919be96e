"""Medium: the constants of a material in device axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sawfem.errors import MaterialError
from sawfem.tensors import Array


@dataclass(frozen=True, eq=False)
class Medium:
    """Constants of a material in device axes (x1 propagation, x3 outward normal).

    Attributes
    ----------
    density : kg/m^3.
    stiffness : c_ijkl at constant field, shape (3, 3, 3, 3), Pa.
    piezoelectric : e_ikl, shape (3, 3, 3), C/m^2.
    permittivity : eps_ik at constant strain, shape (3, 3), F/m; zeros in a conductor.
    is_conductor : no field inside; its permittivity has no meaning.
    mechanical_q : quality factor of the stiffness, or None where no loss is known.
    viscosity : eta_ijkl, shape (3, 3, 3, 3), Pa s, or None.
    loss_tangent : dielectric, or None where none is known.
    name : of the material, for messages.
    """

    density: float
    stiffness: Array
    piezoelectric: Array
    permittivity: Array
    is_conductor: bool = False
    mechanical_q: float | None = None
    name: str = ""
    viscosity: Array | None = None
    loss_tangent: float | None = None

    def __post_init__(self) -> None:
        if self.viscosity is not None:
            object.__setattr__(self, "viscosity", read_only(self.viscosity, (3, 3, 3, 3)))
        for attribute, rank in (("stiffness", 4), ("piezoelectric", 3), ("permittivity", 2)):
            object.__setattr__(self, attribute, read_only(getattr(self, attribute), (3,) * rank))

    @property
    def is_piezoelectric(self) -> bool:
        """Some piezoelectric constant differs from zero."""
        return bool(np.any(self.piezoelectric != 0.0))

    def generalised_tensor(self) -> Array:
        """G_iJKl of ``sawfem.conventions``, shape (3, 4, 4, 3), SI; J, K = 4 is the potential.

        G_ijkl = c_ijkl, G_ij4l = e_lij, G_i4kl = e_ikl, G_i44l = -eps_il.
        """
        tensor = np.empty((3, 4, 4, 3))
        tensor[:, :3, :3, :] = self.stiffness
        tensor[:, :3, 3, :] = np.einsum("lij->ijl", self.piezoelectric)
        tensor[:, 3, :3, :] = self.piezoelectric
        tensor[:, 3, 3, :] = -self.permittivity
        return tensor


def read_only(array: Array, shape: tuple[int, ...]) -> Array:
    """Read-only copy of the right shape with finite numbers."""
    copy = np.array(array, dtype=np.float64)
    if copy.shape != shape or not np.all(np.isfinite(copy)):
        raise MaterialError(
            found=f"an array of shape {copy.shape}", expected=f"finite numbers of shape {shape}"
        )
    copy.setflags(write=False)
    return copy
