"""Plane waves of a stack with what belongs to them; imports no mesh and no solver."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sawfem.conventions import DECIBEL
from sawfem.cuts.character import WaveCharacter, characterise
from sawfem.design import Stack
from sawfem.errors import InputError
from sawfem.planewave import Wave, plane_waves, static_permittivity
from sawfem.planewave.allwaves import ClassifiedWave, Coverage, search_waves
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.heated_stack import Held
from sawfem.planewave.hidden import refuse_hidden_substrate
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.sensitivity import ANGLES
from sawfem.quantities import json_key, to_json
from sawfem.quartz import orientation_warnings
from sawfem.result import wave_dict
from sawfem.units import QuantityLike, parse_frequency


@dataclass(frozen=True)
class CutResult:
    """Plane waves of one stack.

    Attributes
    ----------
    stack, frequency : what was asked; frequency in hertz or None for a half-space.
    waves : slowest first, leaky estimates among them; plate waves of a membrane.
    characters : of each wave, in the same order.
    eps_inf : F/m, at the wavenumber of the leading wave where layers make it depend on one; None
        where the surface itself conducts.
    bulk_limits : velocities along the surface at which bulk waves of the substrate start, m/s;
        empty below a membrane.
    coverage : strips in which every leaky wave was sought; empty where they are estimates.
    warnings : sentences about the orientation.
    """

    stack: Stack
    frequency: float | None
    waves: tuple[Wave, ...]
    characters: tuple[WaveCharacter, ...]
    eps_inf: float | None
    bulk_limits: tuple[float, ...]
    warnings: tuple[str, ...]
    coverage: tuple[Coverage, ...] = ()

    @property
    def missing(self) -> str | None:
        """The sentence for a direction without a wave that keeps its energy; None where one is."""
        if any(not wave.kind.startswith("leaky") for wave in self.waves):
            return None
        if not self.bulk_limits:
            return "no plate wave was found"
        return (
            f"no surface wave without leakage in this direction: none below "
            f"{self.bulk_limits[0]:.2f} m/s, where bulk waves of the substrate start"
        )

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of ``sawfem cut --json``."""
        orientation = self.stack.orientation
        return {
            "format": "sawfem.cut/1",
            "material": self.stack.material.name,
            "euler_deg": list(orientation.euler),
            "plate": orientation.plate,
            "layers": [
                {
                    "material": layer.material.name,
                    "thickness_m": layer.thickness,
                    "euler_deg": list(layer.orientation.euler),
                    "potential": layer.potential,
                }
                for layer in self.stack.layers
            ],
            "shorts": list(self.stack.shorts),
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
            "reasons": self._reasons(),
        }

    def _reasons(self) -> dict[str, str]:
        found = {}
        if self.eps_inf is None:
            found[json_key("eps_inf")] = "the surface itself conducts"
        if self.frequency is None:
            found[json_key("frequency")] = "a half-space knows no scale"
        if self.missing:
            found["waves"] = self.missing
        return found


def compute_cut(
    stack: Stack,
    frequency: QuantityLike | None = None,
    *,
    hold_constant: Held = (),
    leaky_to: float | None = None,
    order: int | None = None,
    sensitive: bool = False,
    thick: bool = False,
) -> CutResult:
    """All plane waves of a stack, the effective permittivity and the bulk limits.

    Parameters
    ----------
    stack : substrate and layers, or a membrane. frequency : needed with layers.
    hold_constant : constants kept as they are in temperature, for want of coefficients; as for
        :func:`.temperature_coefficients`.
    leaky_to : look for every leaky wave that loses at most so many dB per wavelength, which
        takes seconds to a minute (:func:`.search_waves`); None takes estimates.
    order : highest order of each kind of wave to keep, from 0; None keeps all.
    sensitive : whether to keep the derivatives of the velocity by every constant.
    thick : compute layers that hide the substrate all the same (:mod:`.hidden`).

    Raises
    ------
    GeometryError : layers without a frequency, or so thick that they hide the substrate.
    UnitError : a frequency that cannot be used. InputError : a negative order.
    """
    if order is not None and order < 0:
        raise InputError(key="order", found=f"{order}", expected="0 or more")
    hertz = None if frequency is None else parse_frequency(frequency, key="frequency")
    if stack.layers and hertz is not None and not thick:
        refuse_hidden_substrate(stack, hertz)
    waves, coverage = _waves(stack, hertz, leaky_to)
    waves = tuple(wave for wave, rank in _ranked(waves) if order is None or rank <= order)
    characters = tuple(
        characterise(stack, wave, hold_constant=hold_constant, sensitive=sensitive, frequency=hertz)
        for wave in waves
    )
    membrane = stack.is_membrane
    tensor = None if membrane else GeneralisedTensor.from_medium(stack.media()[0])
    return CutResult(
        stack=stack,
        frequency=hertz if stack.layers else None,
        waves=waves,
        characters=_numbered(characters) if membrane else characters,
        eps_inf=_eps_inf(stack, waves, hertz),
        bulk_limits=() if tensor is None else bulk_onsets(tensor),
        coverage=coverage,
        warnings=stack_warnings(stack),
    )


def _waves(
    stack: Stack, hertz: float | None, leaky_to: float | None
) -> tuple[tuple[Wave, ...], tuple[Coverage, ...]]:
    """Waves, slowest first, and where leaky ones were sought."""
    if leaky_to is None or stack.is_membrane:
        return plane_waves(stack, hertz, leaky=True), ()
    omega = None if hertz is None else 2.0 * math.pi * hertz
    found = search_waves(*stack.media(), omega, attenuation=leaky_to, shorts=stack.shorts)
    return found.waves, found.coverage


def _ranked(waves: Sequence[Wave]) -> Iterator[tuple[Wave, int]]:
    """Each wave with its number within its kind, slowest first."""
    seen: Counter[str] = Counter()
    for wave in waves:
        yield wave, seen[wave.kind]
        seen[wave.kind] += 1


def _numbered(characters: Sequence[WaveCharacter]) -> tuple[WaveCharacter, ...]:
    """Plate waves with the order of their family: A -> A0, A1, .."""
    seen: Counter[str] = Counter()
    found = []
    for item in characters:
        label = f"{item.label}{seen[item.label]}" if item.label else ""
        seen[item.label] += 1
        found.append(replace(item, label=label))
    return tuple(found)


def _eps_inf(stack: Stack, waves: Sequence[Wave], hertz: float | None) -> float | None:
    """At the wavenumber of the leading wave where layers make it depend on one."""
    if stack.conducts:
        return None
    substrate, layers = stack.media()
    wavenumber = None
    if layers and hertz is not None:
        leading = max(waves, key=lambda wave: wave.coupling_k2 or 0.0, default=None)
        velocity = leading.velocity if leading else _shear(layers[0][0])
        wavenumber = 2.0 * math.pi * hertz / velocity
    return static_permittivity(substrate, layers, wavenumber, shorts=stack.shorts)


def stack_warnings(stack: Stack) -> tuple[str, ...]:
    """Sentences about orientations that may not be what was meant."""
    parts = [(stack.material, stack.orientation)]
    parts += [(layer.material, layer.orientation) for layer in stack.layers]
    return tuple(warning for part in parts for warning in orientation_warnings(*part))


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
        | _loss_json(wave, character)
        | _sensitivity_json(character)
        | {
            "surface": character.surface,
            "label": character.label,
            "energy_shares": energy,
            "temperature_caution": character.caution,
            "reasons": reasons,
        }
    )


def _loss_json(wave: Wave, character: WaveCharacter) -> dict[str, Any]:
    """Attenuation by each body, substrate first."""
    if character.loss is None:
        return {}
    loss = character.loss
    return {
        "attenuation_by_body_dB_per_wavelength": {
            "mechanical": list(loss.mechanical),
            "dielectric": list(loss.dielectric),
        },
        "quality_factor": quality_factor(wave, character),
    }


def _sensitivity_json(character: WaveCharacter) -> dict[str, Any]:
    """Exponents d ln v / d ln p and, of angles, m/s per degree."""
    found: dict[str, Any] = {}
    if character.contributions:
        found["uncertainty_contributions_m_per_s"] = dict(character.contributions)
    told = character.sensitivity
    if told is not None:
        found["sensitivity"] = {
            name: told.relative(name)
            for name in told.derivatives
            if name.rpartition(".")[2] not in ANGLES
        }
        found["sensitivity_to_angles_m_per_s_per_deg"] = {
            name: math.radians(1.0) * slope
            for name, slope in told.derivatives.items()
            if name.rpartition(".")[2] in ANGLES
        }
        found["sensitivity_to_frequency"] = told.by_frequency
    return found


def quality_factor(wave: Wave, character: WaveCharacter) -> float | None:
    """Q = (pi / a) v / v_g, a nepers per wavelength: of a resonance that loses nothing else.

    None where no set knows of a loss, or none is lost.
    """
    loss = character.loss
    if loss is None or loss.total == 0.0:
        return None
    return math.pi * DECIBEL / loss.total * wave.velocity / abs(loss.group_velocity)


def _shear(medium: Any) -> float:
    """A velocity of bulk waves, m/s, where no surface wave tells one."""
    return math.sqrt(float(medium.stiffness[0, 2, 0, 2]) / float(medium.density))
