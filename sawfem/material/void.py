"""Air as a body without mass or stiffness: what lies below a free-standing membrane."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from sawfem.conventions import EPSILON_0
from sawfem.errors import MaterialError
from sawfem.material.medium import read_only
from sawfem.material.model import Material
from sawfem.tensors import Array

#: Its name in a case and as the substrate of a stack.
AIR_NAME = "air"


@dataclass(frozen=True, eq=False, repr=False)
class Air(Material):
    """No mass, no stiffness, the permittivity of vacuum (that of air is 0.06 % above it).

    The load of the air, 1e-4 of the impedance of a crystal, is left out.
    """

    def __post_init__(self) -> None:
        for name, shape in (("stiffness", (6, 6)), ("piezoelectric", (3, 6))):
            object.__setattr__(self, name, read_only(getattr(self, name), shape))
        object.__setattr__(self, "permittivity", read_only(EPSILON_0 * np.eye(3), (3, 3)))

    def expansion_strain(self, celsius: float) -> Array:
        """MaterialError: air has no constants that move; a grating on a membrane is not heated."""
        raise _unknown_frame()

    def at_temperature(self, celsius: float, *, hold_constant: Collection[str] = ()) -> Material:
        """MaterialError: air has no constants that move; a grating on a membrane is not heated."""
        raise _unknown_frame()


def _unknown_frame() -> MaterialError:
    return MaterialError(
        key="temperature",
        found="a grating on a membrane, which its frame stretches as the temperature changes",
        expected="a substrate: of membranes the drift of plane waves alone is computed",
    )


#: The one such body.
AIR = Air(
    name=AIR_NAME,
    point_group="isotropic",
    density=0.0,
    stiffness=np.zeros((6, 6)),
    crystal="air",
    source="no mass, no stiffness, permittivity of vacuum (CODATA 2018)",
    mark="found",
)
