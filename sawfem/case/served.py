"""What a case may ask for and this version does not compute yet, so that it can be said at once."""

from __future__ import annotations

from sawfem.case.resolved import ResolvedCase
from sawfem.conventions import REFERENCE_TEMPERATURE

#: What [results] include may ask for and is computed.
SERVED_RESULTS = (
    "fields",
    "temperature",
    "dispersion",
    "diffraction",
    "transverse-modes",
    "oblique",
)
#: Kinds of devices that are computed.
SERVED_DEVICES = ("resonator", "transversal", "ladder", "circuit")


def unserved(case: ResolvedCase) -> tuple[str, ...]:
    """Keys of a valid case that are not computed yet, in the words of the case.

    [sweep], [map] and [yield] are not among them: they are not part of a run.
    """
    found: list[str] = []
    for name, grating in case.gratings.items():
        place = "grating" if len(case.gratings) == 1 else f"grating.{name}"
        if len(grating.electrodes) > 1 and case.device is not None:
            found += _parts_on(case, name, place)
    if case.device is not None and case.device.kind not in SERVED_DEVICES:
        found.append(f'device.kind = "{case.device.kind}"')
    for key, given in (
        ("measurement (without a [device])", case.device is None and case.measurements),
        ("results.include", [part for part in case.include if part not in SERVED_RESULTS]),
    ):
        if given:
            found.append(key)
    return tuple(found)


def _parts_on(case: ResolvedCase, name: str, place: str) -> list[str]:
    """What stands on a grating of several electrodes a period and is no transducer of a track."""
    told = f"on {place}.electrode (several a period)"
    assert case.device is not None
    if case.device.kind != "circuit":
        return [f'device {told}: only tracks of a device.kind = "circuit" do']
    return [
        f"resonator.{part} {told}"
        for part, resonator in case.resonators.items()
        if name in (resonator.grating, resonator.reflector_grating)
    ]


def unserved_waves(case: ResolvedCase) -> tuple[str, ...]:
    """The same of its plane waves alone, which know neither gratings nor devices."""
    if case.temperature != REFERENCE_TEMPERATURE:
        return (f"conditions.temperature other than {REFERENCE_TEMPERATURE:g} degC",)
    return ()
