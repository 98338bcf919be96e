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
    if case.device is not None and case.device.kind not in SERVED_DEVICES:
        found.append(f'device.kind = "{case.device.kind}"')
    for key, given in (
        ("measurement (without a [device])", case.device is None and case.measurements),
        ("results.include", [part for part in case.include if part not in SERVED_RESULTS]),
    ):
        if given:
            found.append(key)
    return tuple(found)


def unserved_waves(case: ResolvedCase) -> tuple[str, ...]:
    """The same of its plane waves alone, which know neither gratings nor devices."""
    if case.temperature != REFERENCE_TEMPERATURE:
        return (f"conditions.temperature other than {REFERENCE_TEMPERATURE:g} degC",)
    return ()
