"""Plane waves of a stack with what belongs to them; imports no mesh and no solver."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from sawfem.design import Stack
from sawfem.errors import ConvergenceError, InputError, SawfemError
from sawfem.planewave import Wave, plane_waves, static_permittivity
from sawfem.planewave.allwaves import ClassifiedWave, Coverage, search_waves
from sawfem.planewave.beam import beam
from sawfem.planewave.follow import locate
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.heated_stack import Held
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.profile import EnergyShare, energy_shares, penetration_depth
from sawfem.planewave.temperature import temperature_coefficients
from sawfem.quantities import json_key, to_json
from sawfem.quartz import orientation_warnings
from sawfem.result import wave_dict
from sawfem.units import QuantityLike, parse_frequency

#: Numbers beyond those of the wave itself, in the order in which they are listed.
CHARACTER_QUANTITIES: tuple[str, ...] = (
    "shear_horizontal_share",
    "penetration_depth",
    "penetration_depth_in_wavelengths",
    "beam_anisotropy",
    "delay_temperature_coefficient",
    "frequency_temperature_coefficient",
    "turnover_temperature",
)
#: 0 degrees Celsius, K.
ICE_POINT = 273.15


@dataclass(frozen=True)
class WaveCharacter:
    """What belongs to one wave beside its velocities: of the free one, or else the metallised.

    Attributes
    ----------
    surface : "free" or "metallised": the surface that the numbers hold for.
    values : by the names of CHARACTER_QUANTITIES, SI; None where it is not to be had.
    reasons : the name of each None, and why.
    energy : shares by body, vacuum and layers downwards to the substrate; empty if the wave leaks.
    caution : what was held constant in temperature, or None.
    """

    surface: str
    values: dict[str, float | None]
    reasons: dict[str, str]
    energy: tuple[EnergyShare, ...]
    caution: str | None


@dataclass(frozen=True)
class CutResult:
    """Plane waves of one stack.

    Attributes
    ----------
    stack, frequency : what was asked; frequency in hertz or None for a half-space.
    waves : slowest first, leaky estimates among them.
    characters : of each wave, in the same order.
    eps_inf : F/m, at the wavenumber of the leading wave where layers make it depend on one.
    bulk_limits : velocities along the surface at which bulk waves of the substrate start, m/s.
    coverage : strips in which every leaky wave was sought; empty where they are estimates.
    warnings : sentences about the orientation.
    """

    stack: Stack
    frequency: float | None
    waves: tuple[Wave, ...]
    characters: tuple[WaveCharacter, ...]
    eps_inf: float
    bulk_limits: tuple[float, ...]
    warnings: tuple[str, ...]
    coverage: tuple[Coverage, ...] = ()

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
            "waves": [
                _described(wave, character)
                for wave, character in zip(self.waves, self.characters, strict=True)
            ],
            json_key("eps_inf"): self.eps_inf,
            "bulk_limits_m_per_s": list(self.bulk_limits),
            "coverage": [_strip(strip) for strip in self.coverage],
            "source": self.stack.material.source,
            "provenance": self.stack.material.mark,
            "warnings": list(self.warnings),
        }


def compute_cut(
    stack: Stack,
    frequency: QuantityLike | None = None,
    *,
    hold_constant: Held = (),
    leaky_to: float | None = None,
) -> CutResult:
    """All plane waves of a stack, the effective permittivity and the bulk limits.

    Parameters
    ----------
    stack : substrate and layers. frequency : needed with layers.
    hold_constant : constants kept as they are in temperature, for want of coefficients; as for
        :func:`.temperature_coefficients`.
    leaky_to : look for every leaky wave that loses at most so many dB per wavelength, which
        takes seconds to a minute (:func:`.search_waves`); None takes estimates.

    Raises
    ------
    GeometryError : layers without a frequency. UnitError : a frequency that cannot be used.
    """
    hertz = None if frequency is None else parse_frequency(frequency, key="frequency")
    substrate, layers = stack.media()
    coverage: tuple[Coverage, ...] = ()
    waves: tuple[Wave, ...]
    if leaky_to is None:
        waves = plane_waves(stack, hertz, leaky=True)
    else:
        omega = None if hertz is None else 2.0 * math.pi * hertz
        found = search_waves(substrate, layers, omega, attenuation=leaky_to)
        waves, coverage = found.waves, found.coverage
    wavenumber = None
    if layers and hertz is not None:
        leading = max(waves, key=lambda wave: wave.coupling_k2 or 0.0, default=None)
        velocity = leading.velocity if leading else _shear(substrate)
        wavenumber = 2.0 * math.pi * hertz / velocity
    return CutResult(
        stack=stack,
        frequency=hertz if layers else None,
        waves=waves,
        characters=tuple(_character(stack, wave, hold_constant) for wave in waves),
        eps_inf=static_permittivity(substrate, layers, wavenumber),
        bulk_limits=bulk_onsets(GeneralisedTensor.from_medium(substrate)),
        coverage=coverage,
        warnings=tuple(
            warning
            for material, orientation in (
                (stack.material, stack.orientation),
                *((layer.material, layer.orientation) for layer in stack.layers),
            )
            for warning in orientation_warnings(material, orientation)
        ),
    )


def _strip(strip: Coverage) -> dict[str, Any]:
    """Where leaky waves were sought, as JSON."""
    return {
        "from_m_per_s": strip.slow,
        "to_m_per_s": strip.fast,
        "attenuation_dB_per_wavelength": strip.attenuation,
        "counted": list(strip.counted),
        "found": list(strip.found),
        "note": strip.note,
    }


def _character(stack: Stack, wave: Wave, hold_constant: Held) -> WaveCharacter:
    """Everything about one wave that can be had; what cannot, with the reason."""
    metallised = wave.velocity_free is None
    values: dict[str, float | None] = dict.fromkeys(CHARACTER_QUANTITIES)
    values["shear_horizontal_share"] = wave.shear_horizontal
    reasons: dict[str, str] = {}
    energy: tuple[EnergyShare, ...] = ()
    caution = None

    def refused(names: tuple[str, ...], error: SawfemError) -> None:
        reasons.update(dict.fromkeys(names, str(error)))

    depths = ("penetration_depth", "penetration_depth_in_wavelengths")
    try:
        located = locate(wave, *stack.media(), metallised=metallised)
    except (ConvergenceError, InputError) as error:
        refused((*depths, "beam_anisotropy"), error)
    else:
        try:
            depth = penetration_depth(located)
            values[depths[1]] = depth * located.wavenumber.real / (2.0 * math.pi)
            if stack.layers:
                values[depths[0]] = depth
            else:
                reasons[depths[0]] = "a half-space knows no scale: see it in wavelengths"
            energy = energy_shares(located)
        except (ConvergenceError, InputError) as error:
            refused(depths, error)
        if located.is_guided:
            try:
                values["beam_anisotropy"] = beam(located).anisotropy
            except (ConvergenceError, InputError) as error:
                refused(("beam_anisotropy",), error)
        else:
            reasons["beam_anisotropy"] = "not computed for leaky waves, like the power-flow angle"
    try:
        drift = temperature_coefficients(
            stack, wave, metallised=metallised, hold_constant=hold_constant
        )
    except SawfemError as error:
        if error.key == "hold_constant":  # a name that means nothing
            raise
        refused(CHARACTER_QUANTITIES[4:], error)
    else:
        values["delay_temperature_coefficient"] = drift.delay.first
        values["frequency_temperature_coefficient"] = drift.frequency.first
        caution = drift.caution
        if drift.turnover is None:
            reasons["turnover_temperature"] = "the frequency is stationary nowhere within 200 K"
        else:
            values["turnover_temperature"] = drift.turnover + ICE_POINT
    surface = "metallised" if metallised else "free"
    return WaveCharacter(surface, values, reasons, energy, caution)


def _described(wave: Wave, character: WaveCharacter) -> dict[str, Any]:
    """JSON object of a wave and its character."""
    told = wave_dict(wave)
    if isinstance(wave, ClassifiedWave):
        told |= {"exceeds": list(wave.exceeds), "order": wave.order}
    reasons = told.pop("reasons")
    reasons |= {json_key(name): reason for name, reason in character.reasons.items()}
    energy = {
        share.body: {
            "kinetic": share.kinetic,
            "strain": share.strain,
            "electric": share.electric,
            "total": share.total,
        }
        for share in character.energy
    }
    return (
        told
        | to_json(character.values)
        | {
            "surface": character.surface,
            "energy_shares": energy,
            "temperature_caution": character.caution,
            "reasons": reasons,
        }
    )


def _shear(medium: Any) -> float:
    """A velocity of bulk waves, m/s, where no surface wave tells one."""
    return math.sqrt(float(medium.stiffness[0, 2, 0, 2]) / float(medium.density))
