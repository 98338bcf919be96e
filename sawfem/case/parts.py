"""Tables of devices and of the parts that they are made of."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from sawfem.case import fields as f
from sawfem.case.compound_rules import OneOrMany
from sawfem.case.tables import Table


class _TransducerKeys(Table):
    """Keys that every transducer has."""

    grating: f.Name = ""
    aperture: f.Aperture = Field(default=None, description="overlap of the fingers")
    gap: f.Gap = Field(
        default=None, description="centre of the last finger to that of the next electrode beyond"
    )
    sheet_resistance: f.Resistance = Field(default=None, description="ohm per square of the film")
    propagation_loss: f.LossRate = Field(
        default=None, description="along the path, per time of travel"
    )


class Resonator(_TransducerKeys):
    """[[resonator]]: a transducer between two reflectors, as a part."""

    name: f.Name
    like: f.Name = ""
    fingers: f.Fingers = Field(default=None, description="electrodes, not pairs")
    reflector_fingers: f.ReflectorFingers = None
    reflector_connection: f.ReflectorConnection = "shorted"
    reflector_grating: f.Name = Field(default="", description="where it is not the transducer's")


class Lump(Table):
    """[[lump]]: an inductance, a capacitance or a resistance, as a part."""

    name: f.Name
    like: f.Name = ""
    inductance: f.Inductance = None
    capacitance: f.Capacitance = None
    resistance: f.Resistance = None
    quality: f.QualityFactor = Field(default=None, description="of an inductance or capacitance")


class Network(Table):
    """[[network]]: measured or computed elsewhere, a Touchstone file, as a part."""

    name: f.Name
    file: f.FileName


class TrackElement(Table):
    """One element of an acoustic row: a reflector, a space or a transducer."""

    reflector: f.Strips = None
    connection: f.ReflectorConnection = "shorted"
    space: f.Gap = None
    surface: f.Surface = ""
    transducer: f.Name = ""
    grating: f.Name = ""
    fingers: f.Fingers = None
    polarity: f.Polarity = Field(
        default=None, description="bus-bar of each electrode: 1, -1, or 0 for half-way, repeated"
    )
    weights: f.Weights = Field(default=None, description="overlap of each electrode, 0 to 1")
    window: f.Window = Field(default="", description="overlaps by the name of a window")
    dummies: f.Flag = Field(default=True, description="dummy fingers where there is no overlap")
    offset: f.Position = Field(
        default=None, description="how far it lies aside, to meet a beam that walks off"
    )
    mirrored: f.Flag = Field(default=False, description="turned round, left to right")


class Track(Table):
    """[[track]]: an acoustic row, left to right, as a part."""

    name: f.Name
    like: f.Name = ""
    aperture: f.Aperture = None
    sheet_resistance: f.Resistance = Field(default=None, description="ohm per square of the film")
    propagation_loss: f.LossRate = Field(
        default=None, description="along the path, per time of travel"
    )
    elements: Annotated[list[TrackElement], OneOrMany()] = Field(default_factory=list)
    diffraction: f.Flag = Field(
        default=False, description="whether spreading and steering of the beam lower the response"
    )
    misalignment: f.Misalignment = Field(
        default=None, description="by how much the propagation may be off, either way"
    )


class Port(Table):
    """A port of a device and the impedance that ends it."""

    name: f.Name
    impedance: f.Impedance = "50 ohm"
    node: f.PortNodes = Field(default=None, description="of a circuit; two if balanced")


class ChainLink(Table):
    """One part, or several in a row, in series or in shunt."""

    series: f.Names = None
    shunt: f.Names = None


class PlacedPart(Table):
    """A part of a circuit and the nodes at its terminals."""

    part: f.Name
    nodes: f.Names = Field(description='at its terminals in order; "ground" is the common one')


class ResonatorDevice(_TransducerKeys):
    """One-port resonator on one grating."""

    kind: Literal["resonator"]
    fingers: f.Fingers = Field(default=None, description="electrodes, not pairs")
    reflector_fingers: f.ReflectorFingers = None
    reflector_connection: f.ReflectorConnection = "shorted"
    reflector_grating: f.Name = Field(default="", description="where it is not the transducer's")
    load: f.Impedance = "50 ohm"
    transverse_modes: f.Flag = Field(
        default=False, description="whether the response has the modes across the aperture"
    )


class TransversalDevice(_TransducerKeys):
    """Transversal filter: two transducers on one track, nothing reflected beyond them."""

    kind: Literal["transversal"]
    fingers: f.TwoFingers = Field(default=None, description="electrodes of input and output")
    transducer: f.TransducerType = Field(
        default="single",
        description="single: one electrode per half acoustic wavelength; double: two, on the same "
        "bus-bar, so that the acoustic wavelength is four pitches",
    )
    mirrored: f.TwoFlags = Field(
        default=None, description="which of input and output are turned round, left to right"
    )
    source: f.Impedance = "50 ohm"
    load: f.Impedance = "50 ohm"
    diffraction: f.Flag = Field(
        default=False, description="whether spreading and steering of the beam lower the response"
    )
    misalignment: f.Misalignment = Field(
        default=None, description="by how much the propagation may be off, either way"
    )
    offset: f.Position = Field(
        default=None, description="how far the output lies aside, to meet a beam that walks off"
    )


class LadderDevice(Table):
    """Two-port of parts in series and in shunt, from port 1 to port 2."""

    kind: Literal["ladder"]
    ports: Annotated[list[Port], OneOrMany()] = Field(default_factory=list)
    chain: Annotated[list[ChainLink], OneOrMany()]


class CircuitDevice(Table):
    """Parts between named nodes; "ground" is the common one."""

    kind: Literal["circuit"]
    ports: Annotated[list[Port], OneOrMany()]
    parts: Annotated[list[PlacedPart], OneOrMany()]


Device = Annotated[
    ResonatorDevice | TransversalDevice | LadderDevice | CircuitDevice,
    Field(discriminator="kind"),
]

#: Values of ``device.kind``.
DEVICE_KINDS = ("resonator", "transversal", "ladder", "circuit")
