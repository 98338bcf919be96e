"""Plane waves as JSON objects, for results and for tables of cuts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sawfem.quantities import json_key, to_json

if TYPE_CHECKING:
    from sawfem.planewave import Wave

#: Numbers of a plane wave, in the order in which they are listed.
WAVE_QUANTITIES: tuple[str, ...] = (
    "kind",
    "velocity_free",
    "velocity_metallised",
    "coupling_k2",
    "power_flow_angle",
    "attenuation_free",
    "attenuation_metallised",
    "frequency",
)

_WAVE_REASONS = {
    "velocity_free": "the free surface carries no such wave",
    "velocity_metallised": "the metallised surface carries no such wave",
    "coupling_k2": "needs the wave on the free and on the metallised surface",
    "power_flow_angle": "not computed for leaky waves and for waves buried below the surface",
    "attenuation_free": "the free surface carries no such wave",
    "attenuation_metallised": "the metallised surface carries no such wave",
    "frequency": "a half-space knows no scale: its waves are the same at every frequency",
}


def wave_dict(wave: Wave) -> dict[str, Any]:
    """JSON object of a plane wave; what it does not have is null, with "reasons"."""
    values = {name: getattr(wave, name) for name in WAVE_QUANTITIES}
    reasons = {json_key(name): _WAVE_REASONS[name] for name, v in values.items() if v is None}
    return to_json(values) | {"reasons": reasons}
