"""Pads and lines between the instrument and a device: put around it, and taken off again.

From the instrument inwards every port has a line (delay tau, characteristic impedance Zc, without
loss), a pad (shunt capacitance C) and a lead (R + j w L in series):

    line   S referred to Zc is multiplied by exp(-j w tau) at each port it passes
    pad    Y -> Y + j w C    on the diagonal
    lead   Z -> Z + R + j w L    on the diagonal

Dummies measured on the same wafer take the place of pad and lead: an open one, whose admittance is
subtracted, and a short one, whose impedance without the open one is subtracted then (Koolen, Geelen
& Versleijen, IEEE Bipolar Circuits and Technology Meeting, 1991, p. 188; scikit-rf does it). Lines
are taken off the dummies too: they were measured through them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sawfem.device.network import admittance_to_scattering, scattering_to_admittance
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError
from sawfem.touchstone import TouchstoneData


@dataclass(frozen=True)
class Fixture:
    """What lies at each of n ports; every tuple has one value a port, or one for all.

    Attributes
    ----------
    delay : s, one way through the line. impedance : ohm, of the line.
    capacitance : F, of the pad. inductance, resistance : H, ohm, of the lead behind it.
    """

    delay: tuple[float, ...] = (0.0,)
    impedance: tuple[float, ...] = (50.0,)
    capacitance: tuple[float, ...] = (0.0,)
    inductance: tuple[float, ...] = (0.0,)
    resistance: tuple[float, ...] = (0.0,)

    @property
    def has_line(self) -> bool:
        """Whether any port has a line of some length."""
        return any(self.delay)

    @property
    def has_lumps(self) -> bool:
        """Whether any port has a pad or a lead."""
        return any((*self.capacitance, *self.inductance, *self.resistance))

    def values(self, name: str, ports: int) -> FloatArray:
        """One field as (n,). Raises InputError for another count of values."""
        given = np.asarray(getattr(self, name), dtype=float)
        if given.size not in (1, ports):
            raise InputError(
                key=name, found=f"{given.size} values", expected=f"one, or {ports} for the ports"
            )
        return np.array(np.broadcast_to(given, (ports,)))


def referred(s: ComplexArray, reference: ComplexArray, to: ComplexArray) -> ComplexArray:
    """S (K, n, n) in power waves of ``reference`` (K, n), referred to ``to`` (K, n), ohm.

    a = (V + z I)/(2 sqrt(Re z)) and b = (V - z* I)/(2 sqrt(Re z)) (sawfem/device/network.py) give,
    with c = 1/(2 sqrt(Re z Re z')) of each port,

        a' = c [(z' + z*) a + (z - z') b],     b' = c [(z* - z'*) a + (z + z'*) b],

    and S' = b'/a' with b = S a, which needs neither Y nor Z to exist.
    """
    if np.array_equal(reference, to):
        return s.copy()
    one = np.eye(s.shape[-1])
    c = 0.5 / np.sqrt(reference.real * to.real)
    incoming = (to + reference.conj())[:, :, None] * one + (reference - to)[:, :, None] * s
    outgoing = (reference - to).conj()[:, :, None] * one + (reference + to.conj())[:, :, None] * s
    # outgoing @ incoming^-1 as the solution of a transposed system
    quotient = np.linalg.solve(incoming.transpose(0, 2, 1), outgoing.transpose(0, 2, 1))
    return np.asarray(quotient.transpose(0, 2, 1) * c[:, :, None] / c[:, None, :])


def _turned(
    s: ComplexArray,
    reference: ComplexArray,
    frequency: FloatArray,
    fixture: Fixture,
    sign: float,
) -> ComplexArray:
    """S behind (sign +1) or before (-1) the lines of a fixture."""
    ports = s.shape[-1]
    line = np.broadcast_to(fixture.values("impedance", ports).astype(complex), reference.shape)
    phase = np.exp(-2j * np.pi * sign * frequency[:, None] * fixture.values("delay", ports))
    inside = referred(s, reference, line) * phase[:, :, None] * phase[:, None, :]
    return referred(inside, line, reference)


def _lumps(
    s: ComplexArray, reference: ComplexArray, frequency: FloatArray, fixture: Fixture, sign: float
) -> ComplexArray:
    """S with pads and leads put on (sign +1) or taken off (-1)."""
    ports = s.shape[-1]
    omega = 2.0 * np.pi * frequency[:, None]
    shunt = 1j * omega * fixture.values("capacitance", ports)
    series = fixture.values("resistance", ports) + 1j * omega * fixture.values("inductance", ports)
    y = scattering_to_admittance(s, reference)
    one = np.eye(ports)
    if sign < 0.0:
        y = y - shunt[:, :, None] * one
    # 1/(1/Y +- Z) without 1/Y: Y -> (1 +- Y Z)^-1 Y
    y = np.asarray(np.linalg.solve(one + sign * y * series[:, None, :], y))
    if sign > 0.0:
        y = y + shunt[:, :, None] * one
    return admittance_to_scattering(y, reference)


def embedded(
    s: ComplexArray, reference: ComplexArray, frequency: FloatArray, fixture: Fixture
) -> ComplexArray:
    """S (K, n, n) of a device as an instrument sees it behind a fixture; references (K, n)."""
    if fixture.has_lumps:
        s = _lumps(s, reference, frequency, fixture, 1.0)
    return _turned(s, reference, frequency, fixture, 1.0) if fixture.has_line else s


def deembedded(
    s: ComplexArray, reference: ComplexArray, frequency: FloatArray, fixture: Fixture
) -> ComplexArray:
    """The inverse of :func:`embedded`. Raises InputError for a port in short circuit."""
    if fixture.has_line:
        s = _turned(s, reference, frequency, fixture, -1.0)
    return _lumps(s, reference, frequency, fixture, -1.0) if fixture.has_lumps else s


def without_fixture(
    data: TouchstoneData,
    fixture: Fixture,
    *,
    opened: TouchstoneData | None = None,
    shorted: TouchstoneData | None = None,
) -> TouchstoneData:
    """A measurement with lines, pads and leads taken off.

    Parameters
    ----------
    opened, shorted : dummies; they take the place of the fixture's pads and leads.

    Raises
    ------
    InputError : dummies beside pads or leads in numbers, of another number of ports or other
        frequencies; a fixture with values for another number of ports.
    """
    dummies = [dummy for dummy in (opened, shorted) if dummy is not None]
    if dummies and fixture.has_lumps:
        raise InputError(
            file=data.file,
            found="dummies and a pad or a lead in numbers",
            expected="one or the other: both take the same thing off",
        )
    for dummy in dummies:
        _check_dummy(data, dummy)
    s = deembedded(data.scattering, data.reference, data.frequency, fixture)
    if dummies:
        bare = [
            _network(d, deembedded(d.scattering, d.reference, d.frequency, fixture))
            if d is not None
            else None
            for d in (opened, shorted)
        ]
        s = _without_dummies(_network(data, s), bare[0], bare[1])
    return TouchstoneData(data.frequency, s, data.reference, data.file, data.warnings)


def _check_dummy(data: TouchstoneData, dummy: TouchstoneData) -> None:
    if dummy.ports != data.ports:
        raise InputError(
            file=dummy.file,
            found=f"{dummy.ports} port{'s' if dummy.ports > 1 else ''}",
            expected=f"{data.ports}, as {data.file} has",
        )
    same = dummy.frequency.shape == data.frequency.shape
    if not (same and np.allclose(dummy.frequency, data.frequency, rtol=1e-9, atol=0.0)):
        raise InputError(
            file=dummy.file,
            found=f"{dummy.frequency.size} frequencies from {dummy.frequency[0] / 1e6:.9g} to "
            f"{dummy.frequency[-1] / 1e6:.9g} MHz",
            expected=f"the frequencies of {data.file}",
        )


def _network(data: TouchstoneData, s: ComplexArray):  # type: ignore[no-untyped-def]
    import skrf

    axis = skrf.Frequency.from_f(data.frequency, unit="hz")
    return skrf.Network(frequency=axis, s=s, z0=data.reference, s_def="power")


def _without_dummies(network, opened, shorted) -> ComplexArray:  # type: ignore[no-untyped-def]
    from skrf.calibration import deembedding

    if opened is not None and shorted is not None:
        method = deembedding.OpenShort(opened, shorted)
    elif opened is not None:
        method = deembedding.Open(opened)
    else:
        method = deembedding.Short(shorted)
    return np.asarray(method.deembed(network).s)
