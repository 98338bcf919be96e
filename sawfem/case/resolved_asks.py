"""What a case asks of its device beside the response: a signal, a design, measurements, a fit."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class ResolvedSignal:
    """A linear modulation through the device; hertz and symbols per second.

    ``modulation`` is "qpsk" or "16qam". ``interference`` is the density of white interference
    relative to the signal's mean power over its symbol rate, a factor, None without any;
    ``interference_band`` its width around the carrier, None for the case's band. ``fingers`` are
    counts of the first transducer to compare.
    """

    carrier: float
    symbol_rate: float
    modulation: str
    rolloff: float
    interference: float | None = None
    interference_band: float | None = None
    fingers: tuple[int, ...] = ()


@dataclass(frozen=True)
class ResolvedDesign:
    """What a design may choose; ``spread`` in hertz, ``propagation_loss`` in decibel per second.

    ``gap`` in metres, None where it is left to the program.
    """

    kind: str
    resonators: int
    reflector_fingers: int
    transducer: str
    gap: float | None
    source: complex
    load: complex
    spread: float
    propagation_loss: float
    sheet_resistance: float | None
    evaluations: int
    seed: int


@dataclass(frozen=True)
class ResolvedFit:
    """What is fitted: "resonator", "circuit" or "rational", to a measurement by name or, "", to
    what was computed, between two frequencies in hertz or, None, all of them.

    ``free`` names parameters, empty for all. ``quantity`` is what residuals are of; ``arms`` and
    ``static`` belong to a circuit, ``tolerance`` to a rational function.
    """

    model: str
    measurement: str
    start: float | None
    stop: float | None
    free: tuple[str, ...]
    quantity: str
    arms: int
    static: str
    tolerance: float = 2e-3


@dataclass(frozen=True)
class ResolvedMeasurement:
    """A Touchstone file to compare with, and what is taken off it.

    Tuples have one value a port or one for all: delay in s and impedance in ohm of a line, F of a
    pad, H and ohm of a lead. ``noise`` is the standard deviation of each part of S, or None.
    """

    name: str
    file: Path
    line_delay: tuple[float, ...] = (0.0,)
    line_impedance: tuple[float, ...] = (50.0,)
    pad_capacitance: tuple[float, ...] = (0.0,)
    lead_inductance: tuple[float, ...] = (0.0,)
    lead_resistance: tuple[float, ...] = (0.0,)
    open_dummy: Path | None = None
    short_dummy: Path | None = None
    noise: float | None = None
