"""What kind each key of a case is: names for the rules of rules.py and compound_rules.py."""

from __future__ import annotations

from typing import Annotated, Any

from sawfem.case.compound_rules import ConstantsRule, CountsRule, ImpedanceRule, ListRule
from sawfem.case.rules import (
    ChoiceRule,
    ExactlyRule,
    FlagRule,
    FractionRule,
    IntegerRule,
    NumberRule,
    QuantityRule,
    TextRule,
    ValueRule,
)

_NAME_WORDS = "a name of lower-case letters, digits and hyphens that starts with a letter"
_ANGLE = QuantityRule("angle", "angle")
_MATERIAL_WORDS = 'a material "crystal/publication", a path that starts with ./, or a [[material]]'

_NAME = TextRule(_NAME_WORDS, "[a-z][a-z0-9-]*", 64)
_COUNT = IntegerRule(1, 100_000, what="a count of electrodes")
_MOST = 100_000
_STRIPS = IntegerRule(0, _MOST, what="a count of electrodes")


def _one_a_port(kind: str, window: str = "") -> ListRule:
    """One quantity, or one for each port."""
    what = f"one value or a list of one for each port: {kind}"
    return ListRule(QuantityRule(kind, window or kind), 1, 99, what, single=True)


Name = Annotated[str, _NAME]
Names = Annotated[Any, ListRule(_NAME, 1, 20, "a name or a list of names", single=True)]
Text = Annotated[str, TextRule("a text", longest=500)]
Cut = Annotated[str, TextRule('plate notation of IEEE Std 176, such as "(YXl)128"', longest=500)]
TwoTexts = Annotated[Any, ListRule(TextRule("a key path"), 2, 2, "two key paths")]
FileName = Annotated[str, TextRule("the path of a file, beside this case file", longest=500)]
MaterialName = Annotated[str, TextRule(_MATERIAL_WORDS, longest=300)]
Format = Annotated[int, ExactlyRule(1)]

Pitch = Annotated[Any, QuantityRule("length", "pitch")]
Period = Annotated[Any, QuantityRule("length", "period")]
Thickness = Annotated[Any, QuantityRule("length", "thickness", relative=True)]
Width = Annotated[Any, QuantityRule("length", "width", relative=True)]
Position = Annotated[Any, QuantityRule("length", "position", relative=True)]
Aperture = Annotated[Any, QuantityRule("length", "aperture", relative=True)]
Gap = Annotated[Any, QuantityRule("length", "gap", relative=True)]
Apertures = Annotated[
    Any,
    ListRule(QuantityRule("length", "aperture", relative=True), 1, 500, 'a list such as ["80 um"]'),
]
Frequency = Annotated[Any, QuantityRule("frequency", "frequency")]
Angle = Annotated[Any, _ANGLE]
DesignKind = Annotated[str, ChoiceRule(("ladder", "transversal"))]
Misalignment = Annotated[Any, QuantityRule("angle", "misalignment")]
FitModel = Annotated[str, ChoiceRule(("resonator", "circuit", "rational"))]
FitTolerance = Annotated[
    Any, NumberRule(1e-6, 0.1, "a share of the peaks from 1e-6 to 0.1, such as 0.002", closed=True)
]
FitQuantity = Annotated[str, ChoiceRule(("scattering", "admittance"))]
StaticLoss = Annotated[str, ChoiceRule(("series", "parallel", "none"))]
Arms = Annotated[Any, IntegerRule(1, 12, what="a count of motional arms")]
FreeNames = Annotated[
    Any, ListRule(TextRule("the name of a parameter", longest=60), 1, 60, "a list of names")
]
SidewallAngle = Annotated[Any, QuantityRule("angle", "sidewall")]
EulerAngles = Annotated[Any, ListRule(_ANGLE, 3, 3, "three angles [lambda, mu, theta] in degrees")]
Rotations = Annotated[Any, ListRule(_ANGLE, 1, 3, "one to three angles in degrees")]
Temperature = Annotated[Any, QuantityRule("temperature", "temperature")]
Temperatures = Annotated[
    Any,
    ListRule(QuantityRule("temperature", "temperature"), 1, 100, 'a list such as ["25 degC"]'),
]
Resistance = Annotated[Any, QuantityRule("resistance", "resistance")]
Capacitance = Annotated[Any, QuantityRule("capacitance", "capacitance")]
Inductance = Annotated[Any, QuantityRule("inductance", "inductance")]
Times = Annotated[Any, _one_a_port("time")]
Impedances = Annotated[Any, _one_a_port("resistance", "impedance")]
Resistances = Annotated[Any, _one_a_port("resistance")]
Capacitances = Annotated[Any, _one_a_port("capacitance")]
Inductances = Annotated[Any, _one_a_port("inductance")]
LossRate = Annotated[Any, QuantityRule("loss rate", "loss rate")]
MetallisationRatio = Annotated[Any, FractionRule(0.0, 1.0, "0.5")]
QualityFactor = Annotated[Any, NumberRule(0.0, 1e12, "a quality factor above zero")]
Positive = Annotated[Any, NumberRule(0.0, 1e30, "a number above zero")]
Number = Annotated[Any, NumberRule(-1e30, 1e30, "a finite number")]
Accuracy = Annotated[
    Any, NumberRule(1e-9, 1e-2, "a relative accuracy from 1e-9 to 1e-2, such as 1e-5", closed=True)
]
Constants = Annotated[Any, ConstantsRule()]
SourcedConstants = Annotated[Any, ConstantsRule(sourced=True)]
SourcedNumber = Annotated[Any, ConstantsRule(sourced=True, or_number=True)]
Value = Annotated[Any, ValueRule()]
Values = Annotated[Any, ListRule(ValueRule(), 1, 10_000, "a list of values")]
Impedance = Annotated[Any, ImpedanceRule()]

Count = Annotated[Any, IntegerRule(1)]
SweepLimit = Annotated[Any, IntegerRule(1, 100_000_000)]
Fingers = Annotated[Any, IntegerRule(2, _MOST, what="a count of electrodes")]
TwoFingers = Annotated[
    Any,
    ListRule(
        IntegerRule(2, _MOST, what="a count of electrodes"), 2, 2, "two counts, input and output"
    ),
]
ReflectorFingers = Annotated[
    Any, ListRule(_STRIPS, 2, 2, "a count of electrodes, or two: left and right", single=True)
]
Counts = Annotated[Any, CountsRule(IntegerRule(2, _MOST, what="a count of electrodes"))]
Modulation = Annotated[str, ChoiceRule(("qpsk", "16qam"))]
Rolloff = Annotated[Any, NumberRule(0.0, 1.0, "a roll-off from 0 to 1", closed=True)]
Level = Annotated[Any, QuantityRule("level", "level")]
Strips = Annotated[Any, _COUNT]
Polarity = Annotated[
    Any, ListRule(IntegerRule(-1, 1, "1, -1 or 0"), 1, 1000, "a list of 1, -1 and 0, repeated")
]
Drift = Annotated[Any, FractionRule(-1e-3, 1e-3, '"-38 ppm"')]
Weights = Annotated[
    Any,
    ListRule(
        NumberRule(0.0, 1.0, "an overlap from 0 to 1", closed=True),
        2,
        100_000,
        "a list of overlaps, one for each electrode",
    ),
]
Window = Annotated[str, ChoiceRule(("cosine", "hann", "hamming", "blackman"))]
Flag = Annotated[bool, FlagRule()]
TwoFlags = Annotated[Any, ListRule(FlagRule(), 2, 2, "two of true and false, of input and output")]
PortNodes = Annotated[Any, ListRule(_NAME, 1, 2, "a node, or two of a balanced port", single=True)]
Points = Annotated[Any, IntegerRule(2, what="a count of points")]
Seed = Annotated[int, IntegerRule(0)]
Potential = Annotated[str, ChoiceRule(("floating", "grounded"))]
Surface = Annotated[str, ChoiceRule(("free", "metallised"))]
OvercoatTop = Annotated[str, ChoiceRule(("conformal", "flat"))]
TransducerType = Annotated[str, ChoiceRule(("single", "double"))]
ReflectorConnection = Annotated[str, ChoiceRule(("shorted", "open"))]
Connection = Annotated[str, ChoiceRule(("hot", "ground", "floating"))]
SpreadLevel = Annotated[str, ChoiceRule(("lot", "wafer", "die", "finger"))]
CorrelationValue = Annotated[Any, NumberRule(-1.0, 1.0, "a correlation from -1 to 1", closed=True)]
Probability = Annotated[
    Any, NumberRule(0.0, 1.0, "a probability from 0 to 1, such as 1e-5", closed=True)
]
Confidence = Annotated[Any, NumberRule(0.0, 1.0, "a confidence between 0 and 1, such as 0.95")]
Spacing = Annotated[str, ChoiceRule(("linear", "log"))]
Sampling = Annotated[str, ChoiceRule(("grid", "sobol", "random", "latin-hypercube", "adaptive"))]
ResultParts = Annotated[
    Any,
    ListRule(
        ChoiceRule(
            ("temperature", "dispersion", "fields", "diffraction", "transverse-modes", "oblique")
        ),
        0,
        6,
        'a list such as ["fields", "temperature"]',
    ),
]
Waves = Annotated[
    Any,
    ListRule(
        ChoiceRule(
            (
                "rayleigh",
                "bleustein-gulyaev",
                "love",
                "leaky",
                "plate",
                "all",
                "strongest",
                "slowest",
            )
        ),
        1,
        8,
        "a list of kinds of waves, and strongest or slowest where there are several",
    ),
]
HeldConstant = Annotated[
    Any, ListRule(TextRule("a part or a constant of a material"), 1, 60, "a list of names")
]
Keep = Annotated[
    Any, ListRule(TextRule("the name of a quantity or a part of the result"), 1, 100, "a list")
]
