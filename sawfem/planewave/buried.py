"""Waves of a stack whose electrodes lie at an interface inside it: under overcoats or in grooves.

The free wave is that of the whole stack; the metallised one is that with a massless conductor at
the interface of the electrodes' feet, the surface above left free. Where that interface is the
surface itself, both are those of :func:`.surface_waves`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sawfem.planewave.surface_waves import Wave, leaky_estimates, surface_waves

if TYPE_CHECKING:
    from sawfem.material import Medium

#: Normalised product of two motions at the surface from which they may be one wave.
ALIKE = 0.25
#: A conductor slows a guided wave down; real parts of leaky waves may cross by this share.
SLACK = 1e-3


def buried_waves(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]],
    omega: float,
    interface: int,
    *,
    shorts: Collection[int] = (),
) -> tuple[Wave, ...]:
    """Waves that electrodes at an interface may use, leaky estimates included, strongest first.

    Parameters
    ----------
    substrate, layers : media in device axes, layers with thickness in metres, upwards.
    omega : rad/s. interface : 0 lies below the first layer, len(layers) is the surface.
    shorts : interfaces that conduct anyway.

    Returns
    -------
    Waves of the free stack; velocity_metallised and coupling_k2 = 2 (v_f - v_m)/v_f belong to the
    interface, None where no wave moves alike under the conductor.
    """
    found: list[Wave] = []
    for search in (surface_waves, leaky_estimates):
        free = search(substrate, layers, omega, shorts=shorts)
        shorted = [
            wave
            for wave in search(substrate, layers, omega, shorts=(*shorts, interface))
            if wave.velocity_free is not None
        ]
        found += _paired([wave for wave in free if wave.velocity_free is not None], shorted)
    return tuple(sorted(found, key=lambda wave: (-(wave.coupling_k2 or 0.0), wave.velocity)))


def _paired(free: Sequence[Wave], shorted: Sequence[Wave]) -> list[Wave]:
    """Each free wave with the slower shorted one that moves most alike, none used twice."""
    likeness = sorted(
        (
            (abs(np.vdot(a.polarisation, b.polarisation)) ** 2, i, j)
            for i, a in enumerate(free)
            for j, b in enumerate(shorted)
            if b.velocity <= a.velocity * (1.0 + SLACK)
        ),
        reverse=True,
    )
    partner: dict[int, int] = {}
    for alike, i, j in likeness:
        if alike > ALIKE and i not in partner and j not in partner.values():
            partner[i] = j
    waves = []
    for i, wave in enumerate(free):
        other = shorted[partner[i]] if i in partner else None
        assert wave.velocity_free is not None  # the caller leaves the others out
        slow = None if other is None else other.velocity_free
        coupling = None if slow is None else 2.0 * (wave.velocity_free - slow) / wave.velocity_free
        waves.append(
            replace(
                wave,
                velocity_metallised=slow,
                coupling_k2=0.0 if coupling is not None and abs(coupling) < 1e-12 else coupling,
                attenuation_metallised=None if other is None else other.attenuation_free,
            )
        )
    return waves
