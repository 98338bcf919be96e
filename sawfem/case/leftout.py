"""What holds where a key is left out, for those keys of which the schema itself has no default.

By table and key; ``tests/house/test_keys.py`` asks for every one of them. Values that the schema
has are not repeated here.
"""

from __future__ import annotations

from collections.abc import Mapping

NEEDED = "needed"

_ORIENTED = {
    "euler": "cut; without either, crystal axes along the device axes",
    "cut": "euler; without either, crystal axes along the device axes",
    "rotations": "the angles in cut",
}
_PLACE = {"name": "no name", "like": "nothing"}
_TRANSDUCER = {
    "grating": "the only one; needed where there are several",
    "aperture": NEEDED,
    "sheet_resistance": "from the bulk resistivity of the metal, with a warning",
    "propagation_loss": "0",
}
_RESONATOR = {
    **_TRANSDUCER,
    "gap": "the mean of the two pitches, half a wavelength",
    "fingers": NEEDED,
    "reflector_fingers": NEEDED,
    "reflector_grating": "that of the transducer",
}
_BEAM = {"misalignment": "0", "offset": "0"}
_ONE = "one of the three is needed"
_AXIS = "values in their place"

#: Path of a table -> key -> what holds without it.
LEFT_OUT: Mapping[str, Mapping[str, str]] = {
    "": {"title": "none"},
    "substrate": _ORIENTED,
    "layer": {
        **_PLACE,
        **_ORIENTED,
        "material": NEEDED,
        "thickness": NEEDED,
        "potential": "floating",
    },
    "grating": {
        "name": "main; needed where there are several",
        "like": "nothing",
        "pitch": "needed, or period",
        "period": "pitch, and one electrode in its middle",
        "metal": "needed beside pitch",
        "thickness": "needed beside pitch",
        "metallisation_ratio": "needed beside pitch",
        "recess": "0",
    },
    "grating.electrode": {
        **_PLACE,
        "centre": NEEDED,
        "width": NEEDED,
        "sidewall_angle": "90 deg",
        "footing_extent": "no slope",
        "footing_height": "no slope",
        "connection": "needed in a cell of several electrodes",
        "metal": "needed, or film",
        "thickness": "needed, or film",
    },
    "grating.electrode.film": {"material": NEEDED, "thickness": NEEDED},
    "grating.fitted": dict.fromkeys(
        ("velocity", "reflection", "transduction", "capacitance"), "the computed one"
    ),
    "overcoat": {"name": "no name"},
    "material": {
        **dict.fromkeys(
            (
                "density",
                "mechanical_q",
                "resistivity_ohm_m",
                "youngs_modulus_GPa",
                "poisson_ratio",
                "stiffness_GPa",
                "stiffness_Pa",
                "piezoelectric_C_per_m2",
                "permittivity_relative",
                "permittivity_F_per_m",
                "viscosity_Pa_s",
                "loss_tangent",
                "uncertainty",
                "note",
            ),
            "as in like",
        ),
        "source": "that of like, and what was changed",
        "mark": "unconfirmed, where a constant was changed",
    },
    "conditions": {"hold_constant": "nothing"},
    "resonator": {"like": "nothing", **_RESONATOR},
    "lump": {
        "like": "nothing",
        "inductance": _ONE,
        "capacitance": _ONE,
        "resistance": _ONE,
        "quality": "lossless",
    },
    "track": {
        "like": "nothing",
        "aperture": NEEDED,
        "sheet_resistance": _TRANSDUCER["sheet_resistance"],
        "propagation_loss": "0",
        "misalignment": "0",
    },
    "track.elements": {
        "reflector": _ONE,
        "space": _ONE,
        "transducer": _ONE,
        "surface": "the velocity of the gratings beside it",
        "grating": _TRANSDUCER["grating"],
        "fingers": "needed of a transducer",
        "polarity": "in turn, going on from a section of the same transducer before it",
        "weights": "all 1",
        "window": "no window",
        "offset": "0",
    },
    "device (resonator)": _RESONATOR,
    "device (transversal)": {
        **_TRANSDUCER,
        **_BEAM,
        "gap": NEEDED,
        "fingers": NEEDED,
        "mirrored": "neither",
    },
    "device.ports": {"node": "needed in a circuit"},
    "device.chain": {
        "series": "one of the two is needed",
        "shunt": "one of the two is needed",
    },
    "specification": {
        "temperatures": "25 degC",
        "frequency_temperature_coefficient": "that of the plane wave, if its sets tell it",
        "hold_constant": "nothing",
    },
    "specification.limit": {
        "from": "a figure has none",
        "to": "a figure has none",
        "at_most": "at_least in its place",
        "at_least": "at_most in its place",
    },
    "signal": {
        "interference": "none",
        "interference_band": "the [band]",
        "fingers": "none",
    },
    "transverse": {
        "busbar_width": "10 wavelengths, with a warning",
        "end_gap": "0",
        "dummy_length": "0",
        "window": "no window",
        "apertures": "31 from 0.25 to 1.5 times the aperture",
    },
    "design": {
        "gap": "chosen",
        "spread": "0",
        "propagation_loss": "0",
        "sheet_resistance": _TRANSDUCER["sheet_resistance"],
    },
    "measurement": {
        "line_delay": "0",
        "line_impedance": "50 ohm",
        "pad_capacitance": "0",
        "lead_inductance": "0",
        "lead_resistance": "0",
        "open_dummy": "none",
        "short_dummy": "none",
        "noise": "from the scatter of the residuals",
    },
    "fit": {
        "measurement": "the first one",
        "from": "the lowest frequency",
        "to": "the highest frequency",
        "free": "all",
    },
    "sweep": {
        "keep": "constants and checks, and figures where there is a device",
        "points": "needed of a sample",
        "refine": "needed if adaptive, or zero",
        "zero": "none",
    },
    "sweep.axis": {
        "from": _AXIS,
        "to": _AXIS,
        "points": _AXIS,
        "values": "from, to and points in their place",
        "together": "an axis of its own",
    },
    "map": {
        "waves": "the strongest",
        "keep": "velocities of both surfaces, coupling, power flow",
        "frequency": "needed with layers",
        "hold_constant": "nothing",
    },
    "map.axis": {
        "from": _AXIS,
        "to": _AXIS,
        "points": _AXIS,
        "values": "from, to and points in their place",
        "together": "always: axes of a map form a grid",
    },
    "yield": {"layout_grid": "none"},
}
