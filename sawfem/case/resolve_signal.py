"""The [signal] of a case in SI, held against the device that has to let it through."""

from __future__ import annotations

from collections.abc import Sequence

from sawfem.case.reader import Reader
from sawfem.case.resolved_asks import ResolvedSignal
from sawfem.case.resolved_devices import (
    ResolvedCircuitDevice,
    ResolvedDevice,
    ResolvedLadderDevice,
    ResolvedResonatorDevice,
    ResolvedTransversalDevice,
)
from sawfem.units import shown


def signal(
    reader: Reader, device: ResolvedDevice | None, bands: Sequence[tuple[float, float]]
) -> ResolvedSignal:
    """The signal; ``bands`` are the ends of the case's bands, Hz.

    Raises CaseError for a device without a way through, a carrier outside the bands, a signal
    wider than its carrier allows and counts of what is not counted.
    """
    _check_device(reader, device)
    carrier = reader.quantity("carrier", "frequency")
    rate = reader.quantity("symbol_rate", "frequency")
    rolloff = float(reader.table.get("rolloff", 0.25))
    if (1.0 + rolloff) * rate >= carrier:
        raise reader.refuse(
            "symbol_rate",
            f"{shown(reader.table['symbol_rate'])} on {shown(reader.table['carrier'])}",
            "a signal narrower than its carrier",
        )
    if bands and not any(low <= carrier <= high for low, high in bands):
        raise reader.refuse(
            "carrier",
            f"{shown(reader.table['carrier'])}, outside the [band]",
            "a carrier within the [band]",
        )
    level = reader.optional("interference", "level")
    width = reader.optional("interference_band", "frequency")
    if width is not None and level is None:
        raise reader.missing("interference", 'a level, for example "-20 dB"')
    if width is not None and not (1.0 + rolloff) * rate <= width < 2.0 * carrier:
        raise reader.refuse(
            "interference_band",
            shown(reader.table["interference_band"]),
            "a width from that of the signal to twice its carrier",
        )
    half = 0.5 * (1.0 + rolloff) * rate
    held = any(low <= carrier - half and carrier + half <= high for low, high in bands)
    if level is not None and width is None and bands and not held:
        raise reader.refuse(
            "interference_band",
            "nothing, and a [band] that does not hold the signal",
            'a width, for example "60 MHz"',
        )
    return ResolvedSignal(
        carrier=carrier,
        symbol_rate=rate,
        modulation=reader.table.get("modulation", "qpsk"),
        rolloff=rolloff,
        interference=None if level is None else 10.0 ** (0.1 * level),
        interference_band=width,
        fingers=_counts(reader, device),
    )


def _check_device(reader: Reader, device: ResolvedDevice | None) -> None:
    if device is None:
        raise reader.place.refuse(
            reader.location, "a signal and no [device]", "a [device] of two ports"
        )
    one_port = isinstance(device, ResolvedResonatorDevice) or (
        isinstance(device, ResolvedCircuitDevice) and len(device.ports) < 2
    )
    if one_port:
        raise reader.place.refuse(
            reader.location,
            "a device of one port, which lets no signal through",
            'two ports; a resonator in the path is device.kind = "ladder" with '
            'chain = [{ series = "name" }]',
        )


def _counts(reader: Reader, device: ResolvedDevice | None) -> tuple[int, ...]:
    """Counts of electrodes to compare, rising; of double electrodes even."""
    asked = reader.table.get("fingers")
    if asked is None:
        return ()
    if isinstance(device, ResolvedLadderDevice):
        raise reader.refuse(
            "fingers",
            "counts to compare of a ladder, whose resonators have each their own",
            "a transversal filter, or a circuit with one [[track]]",
        )
    double = isinstance(device, ResolvedTransversalDevice) and device.transducer == "double"
    if not isinstance(asked, dict):
        if double and any(count % 2 for count in asked):
            raise reader.refuse(
                "fingers", f"{shown(asked)} for double electrodes", "even counts of electrodes"
            )
        return tuple(asked)
    first, last, points = asked["from"], asked["to"], asked["points"]
    step = 2 if double else 1
    spread = (first + (last - first) * n / (points - 1) for n in range(points))
    return tuple(sorted({max(2, step * round(count / step)) for count in spread}))
