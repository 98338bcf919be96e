"""What a device answers: admittance, scattering, figures and checks over frequency."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.network import admittance_to_scattering, as_references, group_delay
from sawfem.device.pmatrix import ComplexArray, FloatArray, PMatrix, as_frequencies
from sawfem.errors import InputError
from sawfem.quantities import Quantity

RECIPROCITY_LIMIT = 1.0e-10
POWER_BALANCE_LIMIT = 1.0e-9
PASSIVITY_LIMIT = -1.0e-9


@dataclass(frozen=True)
class Check:
    """A number that must lie on the right side of its limit."""

    value: float
    limit: float
    ok: bool


@dataclass(frozen=True)
class Response:
    """Answer of a device with n ports at F frequencies.

    Attributes
    ----------
    frequency : (F,) in hertz, increasing.
    y : (F, n, n) in siemens.
    s : (F, n, n), power waves (sawfem/device/network.py).
    reference : (F, n) in ohm, the terminations of s.
    figures : name -> Quantity, defined in the table of quantities (sawfem/quantities.toml). A
        figure that does not exist has its reason in ``reasons`` instead.
    checks : name -> Check: ``reciprocity`` is max |Y - Y^T| / max |Y|; ``passivity`` the smallest
        eigenvalue of 1 - S^H S; ``power_balance`` the largest entry of the power matrix
        (sawfem/device/pmatrix.py) of the same device with its losses taken out; ``energy`` how
        far the shares of power miss one.
    power : share (F,) of the power available at port 1 by mechanism, where it was computed.
    """

    frequency: FloatArray
    y: ComplexArray
    s: ComplexArray
    reference: ComplexArray
    figures: Mapping[str, Quantity] = field(default_factory=dict)
    reasons: Mapping[str, str] = field(default_factory=dict)
    checks: Mapping[str, Check] = field(default_factory=dict)
    power: Mapping[str, FloatArray] = field(default_factory=dict)

    def widened(self, others: Iterable[Response]) -> Response:
        """The figures with an uncertainty that takes in how far each of ``others`` differs.

        The differences are added to what a figure has of its own, such as that of two methods.
        """
        spread = {name: figure.uncertainty or 0.0 for name, figure in self.figures.items()}
        for other in others:
            for name in self.figures.keys() & other.figures.keys():
                spread[name] += abs(other.figures[name].value - self.figures[name].value)
        figures = {
            name: Quantity.of(name, figure.value, spread[name])
            for name, figure in self.figures.items()
        }
        return replace(self, figures=figures)

    def __repr__(self) -> str:
        figures = ", ".join(f"{name} {figure}" for name, figure in self.figures.items())
        return (
            f"Response({self.ports} port(s), {self.frequency.size} frequencies from "
            f"{self.frequency[0]:.6g} to {self.frequency[-1]:.6g} Hz; {figures})"
        )

    @property
    def ports(self) -> int:
        """Number of electrical ports, n."""
        return int(self.y.shape[-1])

    @property
    def group_delay(self) -> FloatArray:
        """(F,) in seconds: of S21, or of S11 for a one-port."""
        return group_delay(self.frequency, self.s[:, -1, 0])

    @property
    def insertion_loss(self) -> FloatArray:
        """(F,) in dB: -20 log10 |S21| between the terminations. Raises InputError for a one-port.

        Infinite where nothing at all comes through.
        """
        if self.ports < 2:
            raise InputError(key="insertion_loss", found="one port", expected="two ports")
        with np.errstate(divide="ignore"):
            return np.asarray(-20.0 * np.log10(np.abs(self.s[:, 1, 0])))

    def network(self, reference: float | None = None) -> Any:
        """The same response as a scikit-rf Network with power waves.

        With ``reference`` (ohm, real) S is first referred to it at every port. Touchstone files
        of version 1 hold one real reference for all ports: give it whenever the terminations are
        complex, unequal or vary with frequency.
        """
        import skrf

        frequencies, ports = self.y.shape[:2]
        z, s = self.reference, self.s
        if reference is not None:
            z = as_references(reference, frequencies, ports)
            s = admittance_to_scattering(self.y, z)
        axis = skrf.Frequency.from_f(self.frequency, unit="hz")
        return skrf.Network(frequency=axis, s=s, z0=z, s_def="power")


def strictly_increasing(frequency: ArrayLike) -> FloatArray:
    """Frequencies in hertz, positive, finite and increasing, or InputError."""
    f = as_frequencies(frequency)
    if np.any(np.diff(f) <= 0.0):
        raise InputError(key="frequency", found="a step back or none", expected="increasing")
    return f


def make_checks(y: ComplexArray, s: ComplexArray, lossless: PMatrix) -> dict[str, Check]:
    """Checks of a response; ``lossless`` is the device with its losses taken out."""
    scale = float(np.max(np.abs(y))) or 1.0
    reciprocity = float(np.max(np.abs(y - y.transpose(0, 2, 1)))) / scale
    reciprocity = max(reciprocity, lossless.reciprocity_error())
    gain = np.eye(s.shape[-1]) - s.conj().transpose(0, 2, 1) @ s
    passivity = float(np.min(np.linalg.eigvalsh(gain)))
    balance = lossless.power_error()
    return {
        "reciprocity": Check(reciprocity, RECIPROCITY_LIMIT, reciprocity <= RECIPROCITY_LIMIT),
        "power_balance": Check(balance, POWER_BALANCE_LIMIT, balance <= POWER_BALANCE_LIMIT),
        "passivity": Check(passivity, PASSIVITY_LIMIT, passivity >= PASSIVITY_LIMIT),
    }
