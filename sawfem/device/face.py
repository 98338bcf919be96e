"""Devices as they are written in Python: lengths and impedances as text, the gap left open.

``Device`` holds SI numbers and what was not said; it becomes a Resonator or a Transversal once
the grating is known, whose pitch a gap that was left out continues.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.description import Resonator, Transversal
from sawfem.device.losses import attenuation_of_loss
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants, GratingConstants
from sawfem.units import (
    QuantityLike,
    parse_frequency,
    parse_length,
    parse_loss_rate,
    parse_resistance,
)

Impedance = QuantityLike | complex


@dataclass(frozen=True)
class Device:
    """A device on one grating, described and not computed.

    Attributes
    ----------
    kind : "resonator" or "transversal".
    keys : what was given, SI; see Resonator and Transversal.
    """

    kind: str
    keys: Mapping[str, Any] = field(repr=False)

    @classmethod
    def resonator(
        cls,
        *,
        fingers: int,
        reflector_fingers: int | tuple[int, int],
        aperture: QuantityLike,
        gap: QuantityLike | None = None,
        reflector_connection: str = "shorted",
        load: Impedance = 50.0,
        sheet_resistance: QuantityLike = 0.0,
        electrode_width: QuantityLike | None = None,
        propagation_loss: QuantityLike = 0.0,
    ) -> Device:
        """A transducer between two reflectors.

        Parameters
        ----------
        fingers : electrodes of the transducer; reflector_fingers : strips, left and right or both.
        aperture, gap : text with a unit or metres; a gap left out is one pitch.
        load : "50 ohm", or a complex number in ohm.
        sheet_resistance : per square; needs ``electrode_width``.
        propagation_loss : "0.9 dB/us", or dB per second of travel.

        Raises UnitError for text that is no such quantity. What cannot exist is refused with the
        grating: see Resonator.
        """
        if isinstance(reflector_fingers, int):
            reflector_fingers = (reflector_fingers, reflector_fingers)
        keys = _common(aperture, gap, sheet_resistance, propagation_loss)
        width = None if electrode_width is None else _length(electrode_width, "electrode_width")
        return cls(
            "resonator",
            {
                **keys,
                "fingers": fingers,
                "reflector_fingers": reflector_fingers,
                "reflector_connection": reflector_connection,
                "load": _impedance(load, "load"),
                "electrode_width": width,
            },
        )

    @classmethod
    def transversal(
        cls,
        *,
        fingers: tuple[int, int],
        aperture: QuantityLike,
        gap: QuantityLike,
        transducer: str = "single",
        source: Impedance = 50.0,
        load: Impedance = 50.0,
        sheet_resistance: QuantityLike = 0.0,
        electrode_width: QuantityLike | None = None,
        propagation_loss: QuantityLike = 0.0,
    ) -> Device:
        """Two transducers on one track.

        Parameters
        ----------
        fingers : electrodes of input and output.
        transducer : "single", or "double": two electrodes in a row on each bus-bar, with the
            constants of ``double_electrode_constants``.
        source, load : impedances of input and output. Others as for ``resonator``.
        """
        if transducer not in ("single", "double"):
            raise InputError(key="transducer", found=repr(transducer), expected="single or double")
        keys = _common(aperture, gap, sheet_resistance, propagation_loss)
        width = None if electrode_width is None else _length(electrode_width, "electrode_width")
        sequence = "++--" if transducer == "double" else "+-"
        return cls(
            "transversal",
            {
                **keys,
                "fingers": fingers,
                "polarity": (sequence, sequence),
                "terminations": (_impedance(source, "source"), _impedance(load, "load")),
                "electrode_width": None if width is None else (width, width),
            },
        )

    @property
    def double_electrodes(self) -> bool:
        """Whether two electrodes in a row share a bus-bar."""
        return "++--" in self.keys.get("polarity", ())

    def on(self, constants: ComConstants) -> Resonator | Transversal:
        """The described device on a grating. Raises GeometryError and InputError as those."""
        keys = dict(self.keys)
        if keys["gap"] is None:
            keys["gap"] = constants.pitch
        loss = keys.pop("propagation_loss")
        keys["attenuation"] = attenuation_of_loss(loss, constants.velocity)
        return Resonator(**keys) if self.kind == "resonator" else Transversal(**keys)

    def __repr__(self) -> str:
        fingers = self.keys["fingers"]
        return f"Device({self.kind}, fingers {fingers}, aperture {self.keys['aperture']:.6g} m)"


def com_constants(constants: ComConstants | GratingConstants, device: Any) -> ComConstants:
    """Constants as a device model takes them.

    Raises
    ------
    InputError : constants of a plain grating for a device of double electrodes.
    ConvergenceError : the grating lacks a constant.
    """
    if isinstance(constants, ComConstants):
        return constants
    double = device.double_electrodes if isinstance(device, Device) else _is_double(device)
    if double:
        raise InputError(
            key="constants",
            found="constants of the plain grating for double electrodes",
            expected="those of double_electrode_constants(cell)",
        )
    return constants.com()


def frequencies(frequency: ArrayLike | tuple[QuantityLike, QuantityLike, int]) -> ArrayLike:
    """Frequencies in hertz: an array as it is, or (start, stop, points), ends included.

    A tuple of three is always such a band; give single frequencies as a list or an array.
    Raises UnitError for text that is no frequency, InputError for a band that does not rise.
    """
    if not (isinstance(frequency, tuple) and len(frequency) == 3):
        return frequency
    start = parse_frequency(frequency[0], key="frequency")
    stop = parse_frequency(frequency[1], key="frequency")
    points = frequency[2]
    whole = isinstance(points, int | np.integer) and not isinstance(points, bool)
    if not whole or points < 2 or stop <= start:
        raise InputError(
            key="frequency",
            found=f"{frequency!r}",
            expected='(start, stop, points), such as ("840 MHz", "920 MHz", 801)',
        )
    return np.linspace(start, stop, int(points))


def _is_double(device: Any) -> bool:
    return "++--" in getattr(device, "polarity", ())


def _common(
    aperture: QuantityLike,
    gap: QuantityLike | None,
    sheet_resistance: QuantityLike,
    propagation_loss: QuantityLike,
) -> dict[str, Any]:
    return {
        "aperture": _length(aperture, "aperture"),
        "gap": None if gap is None else _length(gap, "gap"),
        "sheet_resistance": parse_resistance(sheet_resistance, key="sheet_resistance"),
        "propagation_loss": parse_loss_rate(propagation_loss, key="propagation_loss"),
    }


def _length(value: QuantityLike, key: str) -> float:
    window = {"electrode_width": "width"}.get(key, key)
    return parse_length(value, window=window, key=key)


def _impedance(value: Impedance, key: str) -> complex:
    if isinstance(value, complex):
        return value
    return complex(parse_resistance(value, window="impedance", key=key))
