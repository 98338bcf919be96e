"""Dispersion of a stack as ``sawfem cut --dispersion`` tells it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sawfem.design import Stack
from sawfem.errors import InputError
from sawfem.planewave.dispersion import Branch, dispersion
from sawfem.planewave.hidden import refuse_hidden_substrate
from sawfem.quantities import json_safe
from sawfem.units import QuantityLike, parse_frequency

#: Frequencies where no count is asked for.
USUAL_POINTS = 41


@dataclass(frozen=True)
class DispersionResult:
    """Guided waves of a stack against frequency.

    Attributes
    ----------
    stack : what was asked. metallised : whether the surface is shorted.
    branches : in the order in which they begin, slowest first.
    """

    stack: Stack
    metallised: bool
    branches: tuple[Branch, ...]

    def to_dict(self) -> dict[str, Any]:
        """The JSON object; a branch is null where it does not exist."""
        first = self.branches[0] if self.branches else None
        return {
            "metallised": self.metallised,
            "frequency_hz": [] if first is None else first.frequency.tolist(),
            "frequency_thickness_hz_m": (
                [] if first is None else first.frequency_thickness.tolist()
            ),
            "branches": [
                {
                    "kind": branch.kind,
                    "cut_off_hz": branch.cut_off,
                    "phase_velocity_m_per_s": json_safe(branch.phase_velocity),
                    "group_velocity_m_per_s": json_safe(branch.group_velocity),
                }
                for branch in self.branches
            ],
        }


def compute_dispersion(
    stack: Stack,
    frequencies: Sequence[QuantityLike],
    *,
    metallised: bool = False,
    order: int | None = None,
    thick: bool = False,
) -> DispersionResult:
    """Phase and group velocity of the guided waves of a stack.

    Parameters
    ----------
    stack : with layers. frequencies : rising, text or Hz. metallised : of the shorted surface.
    order : highest order of each kind to keep, by where the branches begin; None keeps all.
    thick : compute layers that hide the substrate all the same.

    Raises
    ------
    InputError : no layers, or frequencies that do not rise. GeometryError : layers that hide the
        substrate at the highest frequency. ConvergenceError : a wave could not be taken up.
    """
    if not stack.layers:
        raise InputError(
            key="dispersion",
            found="a bare half-space, whose waves run equally fast at every frequency",
            expected="layers",
        )
    values = [parse_frequency(item, key="dispersion") for item in frequencies]
    if values and not thick:
        refuse_hidden_substrate(stack, max(values))
    seen: Counter[str] = Counter()
    kept = []
    for branch in dispersion(stack, values, metallised=metallised):
        if order is None or seen[branch.kind] <= order:
            kept.append(branch)
        seen[branch.kind] += 1
    return DispersionResult(stack, metallised, tuple(kept))


def spread_frequencies(
    start: QuantityLike, stop: QuantityLike, points: int = USUAL_POINTS
) -> list[float]:
    """``points`` frequencies from start to stop, ends included, Hz.

    Raises
    ------
    UnitError : no frequencies. InputError : stop not above start, or fewer than two points.
    """
    low, high = (parse_frequency(item, key="dispersion") for item in (start, stop))
    if not (high > low and 2 <= points <= 2000):
        raise InputError(
            key="dispersion",
            found=f"{low:g} Hz to {high:g} Hz, {points} points",
            expected="a second frequency above the first, and 2 to 2000 points",
        )
    return [float(value) for value in np.linspace(low, high, points)]
