"""What belongs to one wave beside its velocities: depth, beam, losses, sensitivity, drift."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from sawfem.design import Stack
from sawfem.errors import ConvergenceError, InputError, SawfemError
from sawfem.planewave import Wave
from sawfem.planewave.beam import beam
from sawfem.planewave.follow import locate
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.heated_stack import Held
from sawfem.planewave.leaky import leaky_polarisation
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.loss import Attenuation, Loss, attenuation
from sawfem.planewave.plates import lamb_family
from sawfem.planewave.profile import EnergyShare, energy_shares, penetration_depth
from sawfem.planewave.sensitivity import Sensitivity, sensitivity
from sawfem.planewave.stack_wave import StackWave
from sawfem.planewave.surface_waves import LEAKY
from sawfem.planewave.temperature import temperature_coefficients
from sawfem.planewave.wave_form import WaveForm

#: Numbers beyond those of the wave itself, in the order in which they are listed.
CHARACTER_QUANTITIES: tuple[str, ...] = (
    "shear_horizontal_share",
    "penetration_depth",
    "penetration_depth_in_wavelengths",
    "group_velocity",
    "beam_anisotropy",
    "attenuation_material",
    "velocity_uncertainty",
    "delay_temperature_coefficient",
    "frequency_temperature_coefficient",
    "turnover_temperature",
)
_DEPTHS = ("penetration_depth", "penetration_depth_in_wavelengths")
_DRIFTS = CHARACTER_QUANTITIES[-3:]
_LOCATED = (
    *_DEPTHS,
    "group_velocity",
    "beam_anisotropy",
    "attenuation_material",
    "velocity_uncertainty",
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
    label : of a plate wave what Lamb's theory would call it, such as "A0"; of a leaky estimate its
        polarisation (:func:`.leaky_polarisation`); or "".
    loss : attenuation by each material, or None where no set knows of a loss.
    sensitivity : derivatives of the velocity, or None where they were not asked for.
    contributions : name of a constant -> m/s that its uncertainty adds, largest first.
    """

    surface: str
    values: dict[str, float | None]
    reasons: dict[str, str]
    energy: tuple[EnergyShare, ...]
    caution: str | None
    label: str = ""
    loss: Attenuation | None = None
    sensitivity: Sensitivity | None = None
    contributions: Mapping[str, float] = field(default_factory=dict)


def characterise(
    stack: Stack,
    wave: Wave,
    *,
    hold_constant: Held = (),
    sensitive: bool = False,
    frequency: float | None = None,
) -> WaveCharacter:
    """Everything about one wave that can be had; what cannot, with the reason.

    Parameters
    ----------
    stack, wave : the wave and the stack in which it was found.
    hold_constant : as for :func:`.temperature_coefficients`.
    sensitive : whether to keep the derivatives of the velocity.
    frequency : Hz, to which a viscosity refers on a half-space.

    Raises
    ------
    MaterialError : a name in ``hold_constant`` that means nothing.
    """
    metallised = wave.velocity_free is None
    found = _Findings()
    found.values["shear_horizontal_share"] = wave.shear_horizontal
    try:
        located = locate(wave, *stack.media(), shorts=stack.shorts, metallised=metallised)
    except (ConvergenceError, InputError) as error:
        found.refuse(_LOCATED, error)
    else:
        _depth(found, stack, located)
        _motion(found, stack, wave, located)
        _losses(found, stack, located, frequency)
        _uncertainty(found, stack, located, sensitive=sensitive)
    _drift(found, stack, wave, metallised, hold_constant)
    return WaveCharacter(
        surface="metallised" if metallised else "free",
        values=found.values,
        reasons=found.reasons,
        energy=found.energy,
        caution=found.caution,
        label=found.label,
        loss=found.loss,
        sensitivity=found.sensitivity,
        contributions=found.contributions,
    )


@dataclass
class _Findings:
    """What is filled in step by step."""

    values: dict[str, float | None] = field(
        default_factory=lambda: dict.fromkeys(CHARACTER_QUANTITIES)
    )
    reasons: dict[str, str] = field(default_factory=dict)
    energy: tuple[EnergyShare, ...] = ()
    caution: str | None = None
    label: str = ""
    loss: Attenuation | None = None
    sensitivity: Sensitivity | None = None
    contributions: Mapping[str, float] = field(default_factory=dict)

    def refuse(self, names: tuple[str, ...], reason: SawfemError | str) -> None:
        self.reasons.update(dict.fromkeys(names, str(reason)))


def _depth(found: _Findings, stack: Stack, located: StackWave) -> None:
    try:
        depth = penetration_depth(located)
        found.energy = energy_shares(located)
    except (ConvergenceError, InputError) as error:
        found.refuse(_DEPTHS, error)
        return
    if stack.is_membrane:
        found.refuse(_DEPTHS, "a membrane, which its waves fill")
        return
    found.values[_DEPTHS[1]] = depth * located.wavenumber.real / (2.0 * math.pi)
    if stack.layers:
        found.values[_DEPTHS[0]] = depth
    else:
        found.reasons[_DEPTHS[0]] = "a half-space knows no scale: see it in wavelengths"


def _motion(found: _Findings, stack: Stack, wave: Wave, located: StackWave) -> None:
    found.values["group_velocity"] = WaveForm(located).group_velocity
    if stack.is_membrane:
        found.label = lamb_family(located)
    elif wave.kind == LEAKY:
        tensor = GeneralisedTensor.from_medium(stack.media()[0])
        found.label = leaky_polarisation(located, bulk_onsets(tensor))
    if not located.is_guided:
        found.reasons["beam_anisotropy"] = "not computed for leaky waves, like the power-flow angle"
        return
    try:
        found.values["beam_anisotropy"] = beam(located).anisotropy
    except (ConvergenceError, InputError) as error:
        found.refuse(("beam_anisotropy",), error)


def _losses(found: _Findings, stack: Stack, located: StackWave, frequency: float | None) -> None:
    name = "attenuation_material"
    materials = [stack.material, *(layer.material for layer in stack.layers)]
    if not any(material.is_lossy for material in materials):
        found.reasons[name] = "no set tells a quality factor, a viscosity or a loss tangent"
        return
    viscous = any(material.viscosity is not None for material in materials)
    if viscous and not stack.layers and frequency is None:
        found.reasons[name] = "a viscosity needs the frequency"
        return
    substrate, layers = stack.media()
    losses = [Loss.of(medium) for medium in (substrate, *(medium for medium, _ in layers))]
    found.loss = attenuation(located, losses, frequency=frequency)
    found.values[name] = found.loss.material


def _uncertainty(found: _Findings, stack: Stack, located: StackWave, *, sensitive: bool) -> None:
    name = "velocity_uncertainty"
    deviations = dict(stack.material.deviations())
    for index, layer in enumerate(stack.layers):
        own = layer.material.deviations()
        deviations |= {f"layer[{index}].{key}": value for key, value in own.items()}
    if not deviations:
        found.reasons[name] = "no set tells how uncertain its constants are"
        if not sensitive:
            return
    told = sensitivity(stack, located)
    found.sensitivity = told if sensitive else None
    if deviations:
        found.values[name] = told.uncertainty(deviations)
        found.contributions = told.contributions(deviations)


def _drift(
    found: _Findings, stack: Stack, wave: Wave, metallised: bool, hold_constant: Held
) -> None:
    try:
        drift = temperature_coefficients(
            stack, wave, metallised=metallised, hold_constant=hold_constant
        )
    except SawfemError as error:
        if error.key == "hold_constant":  # a name that means nothing
            raise
        found.refuse(_DRIFTS, error)
        return
    found.values["delay_temperature_coefficient"] = drift.delay.first
    found.values["frequency_temperature_coefficient"] = drift.frequency.first
    found.caution = drift.caution
    if drift.turnover is None:
        found.reasons["turnover_temperature"] = "the frequency is stationary nowhere within 200 K"
    else:
        found.values["turnover_temperature"] = drift.turnover + ICE_POINT
