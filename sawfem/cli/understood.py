"""What a case was understood to mean: the lines before anything is computed."""

from __future__ import annotations

from sawfem import __version__
from sawfem.case import (
    ResolvedCase,
    ResolvedCrystal,
    ResolvedElectrode,
    ResolvedGrating,
    ResolvedResonatorDevice,
    ResolvedTransversalDevice,
)
from sawfem.cli.screen import headline, labelled, show
from sawfem.orientation import Orientation
from sawfem.pipeline.plan import Plan
from sawfem.units import format_quantity


def show_understood(plan: Plan, named: str) -> None:
    """Title, substrate, layers, gratings, device and band of a case, with warnings.

    ``named`` is how the user called the case.
    """
    case = plan.resolved
    headline(f"sawfem {__version__}", named)
    if case.title:
        show(case.title)
    show()
    labelled("Substrate", _crystal(plan, case.substrate), _source(plan, case.substrate.material))
    for layer in case.layers:
        labelled(
            "Layer",
            f"{_crystal(plan, layer)}, {_length(layer.thickness)}",
            _source(plan, layer.material),
        )
    for name, grating in case.gratings.items():
        label = "Grating" if len(case.gratings) == 1 else f"Grating {name}"
        labelled(label, *_grating(case, grating))
        metals = [film.material for strip in grating.electrodes for film in strip.films]
        for source in dict.fromkeys(_source(plan, metal) for metal in metals):
            labelled("", source)
    for coat in case.overcoat:
        labelled(
            "Overcoat",
            f"{coat.material}, {_length(coat.thickness)} over the flat surface, {coat.top} top",
            _source(plan, coat.material),
        )
    for text in _device(case):
        labelled("Device", text)
    for band in case.bands:
        labelled(
            "Band",
            f"{format_quantity(band.start, 'Hz')} to {format_quantity(band.stop, 'Hz')}, "
            f"{band.points} points",
        )
    if case.signal is not None:
        sent = case.signal
        labelled(
            "Signal",
            f"{sent.modulation}, {sent.symbol_rate / 1e6:.6g} million symbols per second at "
            f"{format_quantity(sent.carrier, 'Hz')}, roll-off {sent.rolloff:g}"
            + (f"; {len(sent.fingers)} counts of fingers to compare" if sent.fingers else ""),
        )
    for warning in plan.warnings:
        labelled("Warning", warning)
    show()


def _length(value: float) -> str:
    return format_quantity(value, "m", digits=5)


def _crystal(plan: Plan, crystal: ResolvedCrystal) -> str:
    if crystal.cut is not None:
        return f"{crystal.material}, {Orientation.from_plate(crystal.cut, crystal.rotations)}"
    if crystal.euler is not None:
        return f"{crystal.material}, {Orientation.from_euler(*crystal.euler)}"
    found = plan.design.materials.get(crystal.material) if plan.design else None
    if found is not None and found.point_group == "isotropic":
        return crystal.material
    return f"{crystal.material}, crystal axes along the device axes"


def _source(plan: Plan, material: str) -> str:
    entry = plan.design.entries.get(material) if plan.design else None
    return f"{entry['source'] or 'no source'} (digits: {entry['provenance']})" if entry else ""


def _grating(case: ResolvedCase, grating: ResolvedGrating) -> list[str]:
    sunk = f", sunk {_length(grating.recess)} into the surface" if grating.recess else ""
    if not grating.drawn_in_full:
        return [
            _strip(grating, grating.electrode) + sunk,
            f"pitch {_length(grating.period)}, metallisation ratio "
            f"{grating.metallisation_ratio:g} at the foot, {case.temperature:g} degC",
        ]
    lines = [
        f"{strip.name or f'electrode {number}'}: {_strip(grating, strip)}, "
        f"{_length(strip.width)} wide at {_length(strip.centre)}"
        for number, strip in enumerate(grating.electrodes, start=1)
    ]
    return [*lines, f"period {_length(grating.period)}{sunk}, {case.temperature:g} degC"]


def _strip(grating: ResolvedGrating, strip: ResolvedElectrode) -> str:
    """Films from the foot up, and the walls."""
    films = [f"{film.material}, {_length(film.thickness)}" for film in strip.films]
    unit = "of the period" if grating.drawn_in_full else "wavelength"
    height = sum(film.thickness for film in strip.films) / grating.wavelength
    walls = (
        "upright side walls"
        if strip.sidewall_angle == 90.0
        else f"side walls {strip.sidewall_angle:g} deg"
    )
    if strip.footing:
        walls += ", footing {} wide and {} high".format(*map(_length, strip.footing))
    return f"{' + '.join(films)} = {height:.4g} {unit}, {walls}"


def _device(case: ResolvedCase) -> list[str]:
    device = case.device
    if device is None:
        return []
    if isinstance(device, ResolvedResonatorDevice):
        part = device.resonator
        left, right = part.reflector_fingers
        return [
            f"resonator: {part.fingers} fingers between {left} and {right} "
            f"{part.reflector_connection} strips, aperture {_length(part.aperture)}, "
            f"gap {_length(part.gap)}, ended by {_ohms(device.load)}"
        ]
    if isinstance(device, ResolvedTransversalDevice):
        first, second = device.fingers
        return [
            f"transversal filter: {first} and {second} {_kind(case, device)}, aperture "
            f"{_length(device.aperture)}, gap {_length(device.gap)}, "
            + (f"output {_length(device.offset)} aside, " if device.offset else "")
            + "between "
            f"{_ohms(device.source)} and {_ohms(device.load)}"
        ]
    return [device.kind]


def _kind(case: ResolvedCase, device: ResolvedTransversalDevice) -> str:
    """What the electrodes of a transversal filter are, and which transducer is turned round."""
    each = len(case.gratings[device.grating].electrodes)
    kind = f"electrodes in cells of {each}" if each > 1 else f"{device.transducer} electrodes"
    names = ("input", "output")
    turned = [name for name, yes in zip(names, device.mirrored, strict=True) if yes]
    return f"{kind}, {' and '.join(turned)} turned round" if turned else kind


def _ohms(impedance: complex) -> str:
    if impedance.imag == 0.0:
        return f"{impedance.real:g} ohm"
    return f"({impedance.real:g} {impedance.imag:+g}j) ohm"
