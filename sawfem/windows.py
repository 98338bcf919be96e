"""What each thing may be: windows that catch a forgotten unit, such as a pitch of 2.228 m."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from sawfem.unittext import BASE_UNIT, format_quantity


@dataclass(frozen=True)
class Window:
    """Range that a key may have, in the base unit of ``kind``, and an example of good text."""

    kind: str
    low: float
    high: float
    example: str

    def __str__(self) -> str:
        unit = BASE_UNIT[self.kind]
        low = "0" if self.low == 0 else format_quantity(self.low, unit)
        return f"{low} to {format_quantity(self.high, unit)}"

    def holds(self, value: float) -> bool:
        """Whether ``value`` lies within the window, ends included."""
        return self.low <= value <= self.high


#: Windows by the name of what is measured. They catch forgotten units, not bad designs.
WINDOWS: Mapping[str, Window] = MappingProxyType(
    {
        "length": Window("length", 1e-10, 1.0, "2.4 um"),
        "pitch": Window("length", 1e-8, 1e-3, "2.228 um"),
        "period": Window("length", 1e-8, 1e-2, "4.6 um"),
        "thickness": Window("length", 1e-10, 1e-3, "89 nm"),
        "width": Window("length", 1e-9, 1e-3, "1.114 um"),
        "position": Window("length", -1e-2, 1e-2, "1.15 um"),
        "aperture": Window("length", 1e-7, 1e-1, "178 um"),
        "gap": Window("length", 1e-9, 1e-1, "2.228 um"),
        "spread": Window("length", 1e-12, 1e-3, "1 nm"),
        "frequency": Window("frequency", 1e3, 1e12, "868 MHz"),
        "angle": Window("angle", -360.0, 360.0, "80 deg"),
        "sidewall": Window("angle", 10.0, 170.0, "80 deg"),
        "misalignment": Window("angle", 0.0, 5.0, "0.2 deg"),
        "temperature": Window("temperature", -273.15, 1500.0, "25 degC"),
        "time": Window("time", 1e-15, 1.0, "25 ns"),
        "resistance": Window("resistance", 0.0, 1e9, "0.34 ohm"),
        "impedance": Window("resistance", 1e-3, 1e6, "50 ohm"),
        "reactance": Window("resistance", -1e6, 1e6, "-8 ohm"),
        "capacitance": Window("capacitance", 1e-18, 1.0, "0.12 pF"),
        "inductance": Window("inductance", 1e-15, 1.0, "0.6 nH"),
        "ratio": Window("ratio", -1e9, 1e9, "5 %"),
        "level": Window("level", -1e4, 1e4, "3 dB"),
        "loss rate": Window("loss rate", 0.0, 1e9, "0.9 dB/us"),
    }
)
