"""The shape of a case file: tables, their keys and the rule of each.

Every key is optional here where ``like`` may supply it; resolve.py asks for what must be there.
Keys that no table has are refused with the nearest that it has. structure.py and parts.py hold
the tables of what is built; here stand those of what is asked for, and the whole.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from sawfem.case import fields as f
from sawfem.case.compound_rules import OneOrMany
from sawfem.case.parts import Device, Lump, Network, Resonator, Track
from sawfem.case.structure import (
    Conditions,
    Grating,
    Layer,
    MaterialVariant,
    Overcoat,
    Substrate,
)
from sawfem.case.tables import Table


class Band(Table):
    """Frequencies at which the device is computed, ends included."""

    start: f.Frequency
    stop: f.Frequency
    points: f.Points = 801


class Limit(Table):
    """One line of a specification."""

    name: f.Text = Field(description="for the table of limits")
    quantity: f.Text = Field(
        description="of the response or a figure of it, such as insertion_loss; a wrong name is "
        "answered with the nearest"
    )
    start: f.Frequency = Field(default=None, alias="from")
    stop: f.Frequency = Field(default=None, alias="to")
    at_most: f.Value = None
    at_least: f.Value = None


class Specification(Table):
    """What the response has to keep."""

    temperatures: f.Temperatures = Field(
        default=None, description="at every one of which every limit has to be kept"
    )
    frequency_temperature_coefficient: f.Drift = Field(
        default=None, description="relative change of all frequencies per kelvin"
    )
    hold_constant: f.HeldConstant = Field(
        default=None, description="what temperature leaves as it is, for want of coefficients"
    )
    limit: Annotated[list[Limit], OneOrMany()] = Field(default_factory=list)


class Design(Table):
    """What ``sawfem design`` may choose, and for how long."""

    kind: f.DesignKind = "ladder"
    resonators: f.Count = Field(default=7, description="of a ladder; odd: series at both ends")
    reflector_fingers: f.Strips = Field(default=40, description="of each resonator of a ladder")
    transducer: f.TransducerType = Field(default="double", description="of a transversal filter")
    gap: f.Gap = Field(default=None, description="between the transducers of a transversal filter")
    source: f.Impedance = Field(default="50 ohm", description="of a transversal filter")
    load: f.Impedance = Field(default="50 ohm", description="of a transversal filter")
    spread: f.Frequency = Field(
        default=None, description="process: how far all frequencies may be off, either way"
    )
    propagation_loss: f.LossRate = None
    sheet_resistance: f.Resistance = None
    evaluations: f.Count = Field(default=1500, description="of the search, at most")
    seed: f.Seed = Field(default=0, description="of the search")


class Measurement(Table):
    """A Touchstone file to compare with, and what to take off it: one value, or one a port."""

    name: f.Name
    file: f.FileName
    line_delay: f.Times = Field(default=None, description="one way, instrument to pad")
    line_impedance: f.Impedances = Field(default=None, description="of that line; 50 ohm")
    pad_capacitance: f.Capacitances = Field(default=None, description="from each pad to ground")
    lead_inductance: f.Inductances = Field(default=None, description="between pad and device")
    lead_resistance: f.Resistances = Field(default=None, description="between pad and device")
    open_dummy: f.FileName = Field(default="", description="Touchstone file of pads alone")
    short_dummy: f.FileName = Field(default="", description="Touchstone file, device shorted")
    noise: f.Positive = Field(
        default=None, description="standard deviation of each part, real and imaginary, of S"
    )


class Signal(Table):
    """A modulated signal that the device has to let through."""

    carrier: f.Frequency
    symbol_rate: f.Frequency = Field(description="symbols per second")
    modulation: f.Modulation = "qpsk"
    rolloff: f.Rolloff = Field(default=0.25, description="of the root-raised-cosine filters")
    interference: f.Level = Field(
        default=None,
        description="density of white interference before the device, in decibel relative to the "
        "signal's mean power over its symbol rate",
    )
    interference_band: f.Frequency = Field(
        default=None, description="width of that interference around the carrier"
    )
    fingers: f.Counts = Field(default=None, description="counts of the first transducer to compare")


class Fit(Table):
    """What ``sawfem fit`` is to find, and in which data."""

    model: f.FitModel = Field(
        default="resonator",
        description="constants of the grating of a resonator, an equivalent circuit, or a rational "
        "function of all ports",
    )
    measurement: f.Name = Field(default="", description="the first one, if left out")
    start: f.Frequency = Field(default=None, alias="from")
    stop: f.Frequency = Field(default=None, alias="to")
    free: f.FreeNames = Field(default=None, description="parameters to find; all, if left out")
    quantity: f.FitQuantity = Field(
        default="scattering", description="noise alike in S, or in proportion to |Y|"
    )
    arms: f.Arms = Field(default=1, description="motional arms of a circuit")
    tolerance: f.FitTolerance = Field(
        default=2e-3, description="largest error of a rational S, over the peak of each entry"
    )
    static: f.StaticLoss = Field(
        default="series", description="resistance in series with the static capacitance, or beside"
    )


class Transverse(Table):
    """What lies across a resonator beside its aperture, for its transverse modes."""

    busbar_width: f.Aperture = None
    end_gap: f.Gap = Field(default=None, description="from finger tips to bus-bar or dummies")
    dummy_length: f.Gap = Field(default=None, description="of dummy fingers on the bus-bars")
    window: f.Window = Field(default="", description="overlaps of the electrodes by a window")
    apertures: f.Apertures = Field(default=None, description="at which the modes are compared")


class Results(Table):
    """What else to compute, and how closely."""

    include: f.ResultParts = Field(
        default_factory=list, description="what cases/README.md tells of each"
    )
    accuracy: f.Accuracy = Field(default=1e-5, description="relative, of the edge frequencies")
    second_model: f.Flag = Field(
        default=True, description="transducers by sums over electrodes too, beside the device model"
    )


class Axis(Table):
    """One axis of a sweep or a map: a key path and its values."""

    key: f.Text = Field(description="a key path of the case, such as grating.thickness")
    start: f.Value = Field(default=None, alias="from")
    stop: f.Value = Field(default=None, alias="to")
    points: f.Points = None
    values: f.Values = None
    spacing: f.Spacing = "linear"
    together: f.Text = Field(default="", description="axes with the same label move as one")


class Sweep(Table):
    """Variants of the whole case."""

    keep: f.Keep = Field(
        default=None,
        description="constants, checks, figures, waves, or quantities such as velocity",
    )
    axis: Annotated[list[Axis], OneOrMany(8)]
    sample: f.Sampling = "grid"
    points: f.Count = Field(default=None, description="of a sample; at most, where adaptive")
    seed: f.Seed = 0
    limit: f.SweepLimit = Field(default=100_000, description="a sweep of more points is refused")
    refine: f.Keep = Field(default=None, description="adaptive: quantities to interpolate")
    tolerance: f.Positive = Field(
        default=1e-3, description="adaptive: error of an interpolant over the quantity's range"
    )
    zero: f.Text = Field(default="", description="adaptive: quantity whose zero is followed")


class Map(Table):
    """Plane waves over keys of substrate and layers."""

    waves: f.Waves = None
    keep: f.Keep = Field(
        default=None,
        description="velocity_free, velocity_metallised, coupling_k2, power_flow_angle, "
        "attenuation_free, attenuation_metallised, delay_temperature_coefficient, "
        "frequency_temperature_coefficient",
    )
    axis: Annotated[list[Axis], OneOrMany(8)]
    frequency: f.Frequency = None
    hold_constant: f.HeldConstant = Field(
        default=None, description="what temperature leaves as it is, for want of coefficients"
    )
    thick: f.Flag = Field(
        default=False, description="compute points whose layers hide the substrate all the same"
    )


class Spread(Table):
    """How much one key scatters in fabrication."""

    key: f.Text = Field(description="a key path of the case, such as grating.thickness")
    standard_deviation: f.Value = Field(
        description="in the unit of the key, or in per cent or ppm of its value"
    )
    level: f.SpreadLevel = "die"


class Correlated(Table):
    """Two keys that scatter together."""

    between: f.TwoTexts
    coefficient: f.CorrelationValue


class Yield(Table):
    """Share of devices that keep the specification."""

    samples: f.Count = Field(description="dies to draw")
    seed: f.Seed = 0
    spread: Annotated[list[Spread], OneOrMany()] = Field(default_factory=list)
    correlation: Annotated[list[Correlated], OneOrMany()] = Field(default_factory=list)
    wafers_per_lot: f.Count = 1
    dies_per_wafer: f.Count = 1
    confidence: f.Confidence = Field(default=0.95, description="of the interval of the yield")
    layout_grid: f.Thickness = Field(
        default=None, description="to which electrode edges are rounded on the mask"
    )
    missing_fingers: f.Probability = Field(default=0.0, description="chance of each finger")
    touching_fingers: f.Probability = Field(
        default=0.0, description="chance of each gap between fingers of opposite bus-bars"
    )


class CaseTable(Table):
    """The whole case."""

    title: f.Text = ""
    format: f.Format = 1
    substrate: Substrate
    layer: Annotated[list[Layer], OneOrMany()] = Field(default_factory=list)
    grating: Annotated[list[Grating], OneOrMany()] = Field(default_factory=list)
    overcoat: Annotated[list[Overcoat], OneOrMany()] = Field(default_factory=list)
    material: Annotated[list[MaterialVariant], OneOrMany()] = Field(default_factory=list)
    conditions: Conditions = Conditions()
    resonator: Annotated[list[Resonator], OneOrMany()] = Field(default_factory=list)
    lump: Annotated[list[Lump], OneOrMany()] = Field(default_factory=list)
    network: Annotated[list[Network], OneOrMany()] = Field(default_factory=list)
    track: Annotated[list[Track], OneOrMany()] = Field(default_factory=list)
    device: Device | None = None
    band: Annotated[list[Band], OneOrMany()] = Field(default_factory=list)
    specification: Specification | None = None
    signal: Signal | None = None
    transverse: Transverse | None = None
    design: Design | None = None
    measurement: Annotated[list[Measurement], OneOrMany()] = Field(default_factory=list)
    fit: Fit | None = None
    results: Results = Results()
    sweep: Sweep | None = None
    map: Map | None = None
    yield_: Yield | None = Field(default=None, alias="yield")
