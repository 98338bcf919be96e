"""The [transverse] of a case in SI, held against the resonator across which it lies."""

from __future__ import annotations

from collections.abc import Mapping

from sawfem.case.reader import Reader
from sawfem.case.resolve_tracks import window_overlaps
from sawfem.case.resolved_devices import ResolvedDevice, ResolvedResonatorDevice
from sawfem.case.resolved_structure import ResolvedGrating
from sawfem.case.resolved_transverse import ResolvedTransverse
from sawfem.units import parse_quantity, shown

#: What results.include calls the modes.
ASKED = "transverse-modes"


def transverse(
    reader: Reader,
    device: ResolvedDevice | None,
    gratings: Mapping[str, ResolvedGrating],
    include: tuple[str, ...],
    *,
    given: bool,
) -> ResolvedTransverse | None:
    """What lies across the resonator; None where nothing asks for its transverse modes.

    ``given`` : the case has a table [transverse].

    Raises CaseError for modes of what is no resonator, for a table that nothing asks for and for
    an aperture below a wavelength.
    """
    applied = isinstance(device, ResolvedResonatorDevice) and device.transverse_modes
    if ASKED not in include and not applied:
        if given:
            raise reader.place.refuse(
                reader.location,
                "a table that nothing asks for",
                f'"{ASKED}" in results.include, or device.transverse_modes = true',
            )
        return None
    if not isinstance(device, ResolvedResonatorDevice):
        found = "no [device]" if device is None else f'device.kind = "{device.kind}"'
        raise reader.place.refuse(
            ("results", "include"), f'"{ASKED}" with {found}', 'device.kind = "resonator"'
        )
    resonator = device.resonator
    if any(gratings[name].several for name in (resonator.grating, resonator.reflector_grating)):
        place = ("device", "transverse_modes") if applied else ("results", "include")
        raise reader.place.refuse(
            place,
            "transverse modes on cells of several electrodes",
            "one electrode a period, whose waves are followed across",
        )
    wavelength = gratings[resonator.grating].wavelength
    apertures = []
    for number, value in enumerate(reader.table.get("apertures") or ()):
        aperture = parse_quantity(value, "length", window="aperture", wavelength=wavelength)
        if aperture < wavelength:
            raise reader.place.refuse(
                (*reader.location, "apertures", number),
                f"{shown(value)}, less than a wavelength",
                "a wavelength or more",
            )
        apertures.append(aperture)
    window = reader.table.get("window", "")
    return ResolvedTransverse(
        busbar=(
            reader.length("busbar_width", "aperture", wavelength=wavelength)
            if "busbar_width" in reader
            else None
        ),
        gap=reader.length("end_gap", "gap", wavelength=wavelength, default=0.0),
        dummy=reader.length("dummy_length", "gap", wavelength=wavelength, default=0.0),
        overlaps=tuple(window_overlaps(window, resonator.fingers)) if window else (1.0,),
        apertures=tuple(sorted(set(apertures))),
    )
