"""Plane waves of a stack with what belongs to them; imports no mesh and no solver."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from sawfem.design import Stack
from sawfem.planewave import Wave, plane_waves, static_permittivity
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.limiting import bulk_onsets
from sawfem.quantities import json_key
from sawfem.quartz import orientation_warnings
from sawfem.result import wave_dict
from sawfem.units import QuantityLike, parse_frequency


@dataclass(frozen=True)
class CutResult:
    """Plane waves of one stack.

    Attributes
    ----------
    stack, frequency : what was asked; frequency in hertz or None for a half-space.
    waves : slowest first, leaky estimates among them.
    eps_inf : F/m, at the wavenumber of the leading wave where layers make it depend on one.
    bulk_limits : velocities along the surface at which bulk waves of the substrate start, m/s.
    warnings : sentences about the orientation.
    """

    stack: Stack
    frequency: float | None
    waves: tuple[Wave, ...]
    eps_inf: float
    bulk_limits: tuple[float, ...]
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of ``sawfem cut --json``."""
        orientation = self.stack.orientation
        return {
            "format": "sawfem.cut/1",
            "material": self.stack.material.name,
            "euler_deg": list(orientation.euler),
            "plate": orientation.plate,
            "layers": [
                {"material": layer.material.name, "thickness_m": layer.thickness}
                for layer in self.stack.layers
            ],
            json_key("frequency"): self.frequency,
            "waves": [wave_dict(wave) for wave in self.waves],
            json_key("eps_inf"): self.eps_inf,
            "bulk_limits_m_per_s": list(self.bulk_limits),
            "source": self.stack.material.source,
            "provenance": self.stack.material.mark,
            "warnings": list(self.warnings),
        }


def compute_cut(stack: Stack, frequency: QuantityLike | None = None) -> CutResult:
    """All plane waves of a stack, the effective permittivity and the bulk limits.

    Parameters
    ----------
    stack : substrate and layers. frequency : needed with layers.

    Raises
    ------
    GeometryError : layers without a frequency. UnitError : a frequency that cannot be used.
    """
    hertz = None if frequency is None else parse_frequency(frequency, key="frequency")
    waves = plane_waves(stack, hertz, leaky=True)
    substrate, layers = stack.media()
    wavenumber = None
    if layers and hertz is not None:
        leading = max(waves, key=lambda wave: wave.coupling_k2 or 0.0, default=None)
        velocity = leading.velocity if leading else _shear(substrate)
        wavenumber = 2.0 * math.pi * hertz / velocity
    return CutResult(
        stack=stack,
        frequency=hertz if layers else None,
        waves=waves,
        eps_inf=static_permittivity(substrate, layers, wavenumber),
        bulk_limits=bulk_onsets(GeneralisedTensor.from_medium(substrate)),
        warnings=tuple(
            warning
            for material, orientation in (
                (stack.material, stack.orientation),
                *((layer.material, layer.orientation) for layer in stack.layers),
            )
            for warning in orientation_warnings(material, orientation)
        ),
    )


def _shear(medium: Any) -> float:
    """A velocity of bulk waves, m/s, where no surface wave tells one."""
    return math.sqrt(float(medium.stiffness[0, 2, 0, 2]) / float(medium.density))
