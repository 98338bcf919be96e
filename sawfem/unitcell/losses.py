"""What the materials of a cell lose: imaginary parts of their scaled tensors.

    K(w) = K + j (K_s + W K_v),     W = w p / VELOCITY,

K_s from mechanical quality factors, c -> c (1 + j/Q), and dielectric loss tangents,
eps -> eps (1 - j tan), K_v from viscosities, c -> c + j w eta; at exp(+j w t), all of them real
and of the pattern of K. They are kept apart by material and mechanism, so that each one's share
of the power can be told:

    P = w/2 x^H (K_s or W K_v) x  >= 0      a period and metre of aperture.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.conventions import STRESS
from sawfem.material import Medium
from sawfem.planewave.generalised import (
    GeneralisedTensor,
    generalised_tensor,
    layer_tensor,
    turn_about_normal,
)
from sawfem.planewave.lossy_admittance import LossyBody

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LossTerm:
    """One loss of one medium.

    Attributes
    ----------
    mechanism : "mechanical", "viscous" or "dielectric".
    tensor : imaginary part of the scaled G_iJKl, (3, 4, 4, 3); of a viscous term that over w, in
        seconds.
    """

    mechanism: str
    tensor: Array

    @property
    def viscous(self) -> bool:
        """Whether it grows with the frequency."""
        return self.mechanism == "viscous"


#: What a medium loses.
LossRule = Callable[[Medium], Sequence[LossTerm]]


def material_losses(medium: Medium) -> tuple[LossTerm, ...]:
    """What a medium says of its losses: quality factor, viscosity, loss tangent."""
    terms = []
    real = layer_tensor(medium)
    if medium.mechanical_q is not None and np.isfinite(medium.mechanical_q):
        tensor = np.zeros_like(real)
        tensor[:, :3, :3, :] = real[:, :3, :3, :] / medium.mechanical_q
        terms.append(LossTerm("mechanical", tensor))
    if medium.viscosity is not None and np.any(medium.viscosity):
        tensor = np.zeros_like(real)
        tensor[:, :3, :3, :] = medium.viscosity / STRESS
        terms.append(LossTerm("viscous", tensor))
    if medium.loss_tangent and not medium.is_conductor:
        tensor = np.zeros_like(real)
        # G_i44l = -eps_il, and eps (1 - j tan).
        tensor[:, 3, 3, :] = -medium.loss_tangent * real[:, 3, 3, :]
        terms.append(LossTerm("dielectric", tensor))
    return tuple(terms)


def no_losses(medium: Medium) -> tuple[LossTerm, ...]:
    """Nothing is lost."""
    return ()


def lossy_media(media: Iterable[Medium], rule: LossRule) -> list[list[object]]:
    """[name, mechanism, tensor] of all losses of some media, each once, as plain numbers."""
    found: list[list[object]] = []
    for medium in media:
        for term in rule(medium):
            entry: list[object] = [medium.name, term.mechanism, term.tensor.tolist()]
            if entry not in found:
                found.append(entry)
    return sorted(found, key=str)


def lossy_body(medium: Medium, rule: LossRule, angle: float = 0.0) -> LossyBody:
    """A medium of a stack with its losses, for the plane waves.

    ``angle`` : radians about x3 from x1 towards x2, by which the axes are turned.
    """
    sums: list[GeneralisedTensor | None] = []
    terms = rule(medium)
    for viscous in (False, True):
        chosen = [term.tensor for term in terms if term.viscous is viscous]
        sums.append(_blocks(medium, np.sum(chosen, axis=0), angle) if chosen else None)
    real = layer_tensor(medium) if medium.is_conductor else generalised_tensor(medium)
    return LossyBody(_blocks(medium, real, angle), *sums)


def _blocks(medium: Medium, tensor: Array, angle: float) -> GeneralisedTensor:
    density = medium.density / STRESS
    turned = turn_about_normal(tensor, angle) if angle != 0.0 else tensor
    if medium.is_conductor:
        return GeneralisedTensor.of_conductor(turned[:, :3, :3, :], density)
    return GeneralisedTensor.from_tensor(turned, density)
