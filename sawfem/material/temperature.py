"""Temperature coefficients and thermal expansion of a material.

Form of every coefficient list (T1, T2, T3), up to third order, per K, K^2, K^3:

    X(T) = X0 (1 + T1 dT + T2 dT^2 + T3 dT^3),    dT = T - reference
    strain_ii(T) = alpha1 dT + alpha2 dT^2 + alpha3 dT^3

(Bechmann, Ballato, Lukaszek, Proc. IRE 50, 1812 (1962)).

Rule for c66
    Where c66 = (c11 - c12)/2 (trigonal, hexagonal; c44 in isotropic bodies), published
    coefficients of c12 and c66 rarely agree. If c66 has its own coefficients it is evolved with
    them and c12 = c11 - 2 c66 follows; coefficients of c12 are then ignored. With quartz the
    other way adds -12 ppm/K to the temperature coefficient of delay of the ST cut.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sawfem import symmetry
from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.errors import MaterialError, nearest
from sawfem.tensors import Array

if TYPE_CHECKING:
    from sawfem.material.model import Material

#: Parts of a material that change with temperature.
PARTS: tuple[symmetry.Kind, ...] = ("stiffness", "piezoelectric", "permittivity", "expansion")

#: The constant that yields to all others when more coefficients are given than are needed.
_LAST = "c12"


@dataclass(frozen=True)
class Coefficients:
    """Coefficients of one part of a material.

    Attributes
    ----------
    values : constant name -> (T1, T2, ...), relative per K^n; for expansion (alpha1, ...), 1/K^n.
    reference : temperature at which the constants hold, degrees Celsius.
    source, mark, confidence, note : as in Material.
    """

    values: Mapping[str, tuple[float, ...]]
    reference: float = REFERENCE_TEMPERATURE
    source: str = ""
    mark: str = "unconfirmed"
    confidence: str = ""
    note: str = ""

    def polynomial(self, name: str, celsius: float) -> float:
        """T1 dT + T2 dT^2 + ... of one constant."""
        difference = celsius - self.reference
        powers = enumerate(self.values[name], start=1)
        return math.fsum(value * difference**order for order, value in powers)


@dataclass(frozen=True)
class TemperatureData:
    """Temperature coefficients of the constants, each part with its own source; None if unknown."""

    stiffness: Coefficients | None = None
    piezoelectric: Coefficients | None = None
    permittivity: Coefficients | None = None

    def part(self, kind: symmetry.Kind) -> Coefficients | None:
        """Coefficients of one part by name."""
        found = getattr(self, kind)
        return found if isinstance(found, Coefficients) else None


class Evolved(NamedTuple):
    """Constants at another temperature, SI."""

    density: float
    stiffness: Array
    piezoelectric: Array
    permittivity: Array | None


def _evolved_matrix(
    material: Material, kind: symmetry.Kind, celsius: float, held: frozenset[str]
) -> tuple[Array, tuple[str, ...]]:
    """Matrix of one part at ``celsius``, and the constants whose coefficients are missing.

    A constant that is zero stays zero and needs no coefficient, nor does one that is held.
    """
    if kind in held:
        return material.matrix(kind), ()
    group = material.point_group
    values = symmetry.components(kind, material.matrix(kind))
    data = (material.temperature or TemperatureData()).part(kind)
    changes = {name: data.polynomial(name, celsius) for name in data.values} if data else {}
    standard = symmetry.independent_constants(group, kind)
    changes |= dict.fromkeys((name for name in values if name in held), 0.0)
    changes |= dict.fromkeys((name for name in standard if values[name] == 0.0), 0.0)
    order = [name for name in dict.fromkeys([*standard, *values]) if name in changes]
    chosen = symmetry.choose(group, kind, sorted(order, key=lambda name: name == _LAST))
    if len(chosen) < len(standard):
        missing = symmetry.choose(group, kind, [*chosen, *standard])[len(chosen) :]
        return material.matrix(kind), missing
    constants = {name: values[name] * (1.0 + changes[name]) for name in chosen}
    return symmetry.expand(group, kind, constants), ()


def evolve(material: Material, celsius: float, held: frozenset[str]) -> Evolved:
    """Constants of ``material`` at ``celsius``; see Material.at_temperature."""
    _refuse_unknown(material, held)
    if not math.isfinite(celsius):
        raise MaterialError(key="temperature", found=f"{celsius:g}", expected="a finite number")
    matrices: dict[str, Array] = {}
    missing: list[str] = []
    for kind in PARTS[:3]:
        matrices[kind], lacking = _evolved_matrix(material, kind, celsius, held)
        missing.extend(lacking)
    density = material.density
    if "expansion" not in held:
        lacking = _missing_expansion(material)
        missing.extend(lacking)
        if not lacking:
            density /= float(np.linalg.det(np.eye(3) + expansion_strain(material, celsius)))
    if missing:
        raise MaterialError(
            file=material.name,
            key="temperature",
            found=f"no coefficients of {', '.join(missing)}",
            expected="all of them, or hold_constant naming what shall not change",
        )
    permittivity = None if material.is_conductor else matrices["permittivity"]
    return Evolved(density, matrices["stiffness"], matrices["piezoelectric"], permittivity)


def _refuse_unknown(material: Material, held: frozenset[str]) -> None:
    names = [name for kind in PARTS[:3] for name in symmetry.constant_names(kind)]
    for name in held:
        if name not in (*PARTS, *names):
            near = ", ".join(nearest(name, (*PARTS, *names))) or ", ".join(PARTS)
            raise MaterialError(
                file=material.name, key="hold_constant", found=f'"{name[:40]}"', expected=near
            )


def _missing_expansion(material: Material) -> tuple[str, ...]:
    needed = symmetry.independent_constants(material.point_group, "expansion")
    known = material.expansion.values if material.expansion else {}
    return tuple(name for name in needed if name not in known)


def expansion_strain(material: Material, celsius: float) -> Array:
    """Thermal strain (3, 3) of ``material``; see Material.expansion_strain."""
    missing = _missing_expansion(material)
    if missing or material.expansion is None:
        raise MaterialError(
            file=material.name,
            key="expansion",
            found=f"no coefficients of {', '.join(missing)}",
            expected="all of them",
        )
    strains = {
        name: material.expansion.polynomial(name, celsius) for name in material.expansion.values
    }
    return symmetry.expand(material.point_group, "expansion", strains)
