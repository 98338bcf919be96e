"""What a set may say of its losses and of how sure its constants are, each with its own source."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sawfem.errors import MaterialError
from sawfem.material.medium import read_only
from sawfem.tensors import Array


@dataclass(frozen=True, eq=False)
class Viscosity:
    """c -> c + j w eta at exp(+j w t).

    Attributes
    ----------
    matrix : eta_IJ, (6, 6), Pa s, crystal axes, Voigt order as the stiffness.
    source, mark : where it is from, as for the set.

    Raises
    ------
    MaterialError : a viscosity that would feed a wave.
    """

    matrix: Array
    source: str = ""
    mark: str = "unconfirmed"

    def __post_init__(self) -> None:
        object.__setattr__(self, "matrix", read_only(self.matrix, (6, 6)))
        values = np.linalg.eigvalsh(self.matrix)
        if values[0] < -1e-9 * np.abs(values).max():
            raise MaterialError(
                key="viscosity",
                found=f"a matrix with eigenvalue {values[0]:g}",
                expected="eigenvalues of zero or more: a loss, no gain",
            )

    def __repr__(self) -> str:
        return f"Viscosity({self.matrix.tolist()}, {self.source!r}, {self.mark!r})"


@dataclass(frozen=True)
class LossTangent:
    """Dielectric loss: eps -> eps (1 - j tangent) at exp(+j w t).

    Raises
    ------
    MaterialError : a tangent below zero, or none.
    """

    value: float
    source: str = ""
    mark: str = "unconfirmed"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.value >= 0.0):
            raise MaterialError(
                key="loss_tangent", found=f"{self.value:g}", expected="zero or more"
            )


@dataclass(frozen=True)
class Uncertainty:
    """One standard deviation of constants and density, relative to their values.

    ``relative`` : "c11", "e15", "eps33", "density" -> deviation. Constants that are not named are
    taken as sure; all are taken as independent of one another.

    Raises
    ------
    MaterialError : a deviation below zero, or none.
    """

    relative: Mapping[str, float]
    source: str = ""
    mark: str = "unconfirmed"

    def __post_init__(self) -> None:
        for name, value in self.relative.items():
            if not (math.isfinite(value) and value >= 0.0):
                raise MaterialError(
                    key=f"uncertainty.{name}",
                    found=f"{value:g}",
                    expected="a relative standard deviation, such as 0.002",
                )
