"""The [[measurement]] of a case: read, freed of pads and lines, held against the device."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sawfem.case import ResolvedCase
from sawfem.case.resolved_asks import ResolvedMeasurement
from sawfem.case.resolved_devices import ResolvedDevice
from sawfem.device.assembled import bare_response
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import SawfemError
from sawfem.measured.comparison import compare
from sawfem.measured.embedding import Fixture, referred, without_fixture
from sawfem.result import DeviceResult
from sawfem.touchstone import TouchstoneData, read_touchstone
from sawfem.units import format_quantity


@dataclass(frozen=True)
class Measured:
    """A measurement as the case names it, without what was in the way.

    ``removed`` says in words what was taken off ``raw``; ``dummies`` are the open and the short.
    """

    asked: ResolvedMeasurement
    data: TouchstoneData
    removed: str
    raw: TouchstoneData
    dummies: tuple[TouchstoneData | None, TouchstoneData | None] = (None, None)

    def noise_weights(self, reference: ComplexArray) -> FloatArray:
        """Noise of a one-port's S between ``reference`` (K,) over that of the file, (K,).

        Taking things off a one-port is a holomorphic function of its S11, which multiplies small
        noise by one complex number, the derivative: differences give it.
        """
        z, step = reference[:, None], 1e-6

        def freed(change: float) -> ComplexArray:
            shifted = replace(self.raw, scattering=self.raw.scattering + change)
            found = without_fixture(
                shifted, _fixture(self.asked), opened=self.dummies[0], shorted=self.dummies[1]
            )
            return referred(found.scattering, found.reference, z)[:, 0, 0]

        return np.asarray(np.abs(freed(step) - freed(-step)) / (2.0 * step))


def read_measurements(case: ResolvedCase) -> tuple[Measured, ...]:
    """All measurements of a case, in its order.

    Raises
    ------
    InputError : a file that cannot be read or does not fit the device; file, key of the case.
    """
    if case.device is None:
        return ()
    ports = port_count(case.device)
    return tuple(read_measurement(asked, ports) for asked in case.measurements)


def port_count(device: ResolvedDevice) -> int:
    """Number of ports of a device."""
    if device.kind == "resonator":
        return 1
    given = getattr(device, "ports", None)
    return 2 if given is None else len(given)


def read_measurement(asked: ResolvedMeasurement, ports: int) -> Measured:
    """One measurement of a device of so many ports. Raises as :func:`read_measurements`."""
    try:
        raw = read_touchstone(asked.file, ports=ports)
        opened, shorted = (
            None if place is None else read_touchstone(place)
            for place in (asked.open_dummy, asked.short_dummy)
        )
        data = without_fixture(raw, _fixture(asked), opened=opened, shorted=shorted)
    except SawfemError as error:
        where = f"measurement.{asked.name}"
        key = f"{where}, {error.key}" if error.key else where
        raise type(error)(error.message, file=error.file or asked.file.name, key=key) from None
    return Measured(asked, data, _in_words(asked), raw, (opened, shorted))


def with_measurements(
    device: DeviceResult | None, measured: Sequence[Measured]
) -> tuple[DeviceResult | None, tuple[str, ...]]:
    """The device with its measurements beside it, and what is odd about them, as sentences."""
    if device is None or not measured:
        return device, ()
    circuit, gratings = device.circuit, device.gratings
    assert circuit is not None
    assert gratings is not None
    listed = device.response.frequency
    band = (float(listed[0]) * (1.0 - 1e-9), float(listed[-1]) * (1.0 + 1e-9))
    found = []
    for item in measured:
        try:
            comparison = compare(
                item.asked.name,
                item.data,
                device.response.reference[0],
                band,
                lambda f: bare_response(circuit, gratings, f).s,
                removed=item.removed,
            )
        except SawfemError as error:
            raise error.located(key=f"measurement.{item.asked.name}") from None
        found.append(comparison)
    warnings = tuple(text for item in measured for text in item.data.warnings)
    return replace(device, measurements=tuple(found)), warnings


def _fixture(asked: ResolvedMeasurement) -> Fixture:
    return Fixture(
        delay=asked.line_delay,
        impedance=asked.line_impedance,
        capacitance=asked.pad_capacitance,
        inductance=asked.lead_inductance,
        resistance=asked.lead_resistance,
    )


def _in_words(asked: ResolvedMeasurement) -> str:
    """What was taken off, outermost first; "" for nothing."""
    parts = []
    if any(asked.line_delay):
        line, ends = _list(asked.line_delay, "s"), _list(asked.line_impedance, "ohm")
        parts.append(f"line of {line}, {ends}")
    for name, values, unit in (
        ("pad", asked.pad_capacitance, "F"),
        ("lead inductance", asked.lead_inductance, "H"),
        ("lead resistance", asked.lead_resistance, "ohm"),
    ):
        if any(values):
            parts.append(f"{name} of {_list(values, unit)}")
    for name, place in (("open", asked.open_dummy), ("short", asked.short_dummy)):
        if place is not None:
            parts.append(f"{name} dummy {place.name}")
    return "; ".join(parts)


def _list(values: tuple[float, ...], unit: str) -> str:
    return " and ".join(format_quantity(value, unit) for value in values)
