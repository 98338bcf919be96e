"""Energy stored and lost by mechanism against closed forms."""

import numpy as np
import pytest

from sawfem.device import Resonator
from sawfem.device.assembled import circuit_response, solve_assembly
from sawfem.device.assembly import Circuit, ResonatorPart
from sawfem.device.circuit import CircuitPort
from sawfem.device.lump import Lump
from sawfem.device.mirrored import ResonatorSolver
from sawfem.device.quality import quality_by_mechanism
from sawfem.device.resonator import series_resistance
from sawfem.device.track import Gratings, Reflector, Track, Transducer
from sawfem.device.wiring import GROUND
from sawfem.extract.constants import ComConstants

ALPHA = 30.0  # Np/m
MAIN = ComConstants(2.2e-6, 3870.0, -0.02, 0.03, 2.4e-10)
LOSSY = ComConstants(2.2e-6, 3870.0, -0.02, 0.03, 2.4e-10, attenuation=20.0)
CENTRE = 3870.0 / 4.4e-6
F = np.linspace(0.97, 1.04, 401) * CENTRE
PITCH = {"gap": 2.2e-6, "electrode_width": 1.1e-6}
PORT = (CircuitPort("1", ("in", GROUND), 50.0),)


def alone(constants=MAIN, **keys):
    resonator = Resonator(101, (400, 400), 150e-6, **PITCH, **keys)
    parts = {"r": ResonatorPart(resonator, "main")}
    circuit = Circuit(parts, (("r", (("in", GROUND),)),), PORT)
    return circuit, Gratings({"main": constants})


def test_attenuation_of_waves_has_its_own_quality_factor():
    # All waves lose 2 a v of their energy a second: Q = w/(2 a v), with the port shorted and open,
    # whatever the mirrors do. Two rates side by side add: one of the grating, one of the device.
    circuit, gratings = alone(LOSSY, attenuation=ALPHA)
    figures = circuit_response(circuit, gratings, F).figures
    told = quality_by_mechanism(circuit, gratings, figures)
    w = 2.0 * np.pi * told["resonance"]["frequency_hz"]
    parts = told["resonance"]["by_mechanism"]
    assert parts["propagation"] == pytest.approx(w / (2.0 * ALPHA * 3870.0), rel=0.01)
    assert parts["radiation"] == pytest.approx(w / (2.0 * 20.0 * 3870.0), rel=0.01)
    rates = sum(1.0 / q for q in parts.values())
    assert rates == pytest.approx(1.0 / told["resonance"]["quality_factor"], rel=1e-9)


@pytest.mark.parametrize("name", ["resonance", "antiresonance"])
def test_open_ends_do_not_change_what_the_other_losses_leave(name):
    # Closed form: d = w/v - pi/p - j alpha in every section, so that attenuation alpha moves each
    # natural frequency by j alpha v/(2 pi), however much leaves by the ends. Short mirrors: the
    # driven device holds neighbouring modes beside the one that rings, above all at the
    # antiresonance. The ends alone: the same device without any other loss.
    f = np.linspace(0.95, 1.06, 601) * CENTRE
    parts = {"r": ResonatorPart(Resonator(101, (60, 60), 150e-6, **PITCH), "main")}
    circuit = Circuit(parts, (("r", (("in", GROUND),)),), PORT)
    ends = circuit_response(circuit, Gratings({"main": MAIN}), f).figures
    parts = {
        "r": ResonatorPart(Resonator(101, (60, 60), 150e-6, **PITCH, attenuation=ALPHA), "main")
    }
    circuit = Circuit(parts, (("r", (("in", GROUND),)),), PORT)
    gratings = Gratings({"main": LOSSY})
    figures = circuit_response(circuit, gratings, f).figures
    told = quality_by_mechanism(circuit, gratings, figures)[name]
    w = 2.0 * np.pi * told["frequency_hz"]
    found = told["by_mechanism"]
    assert found["propagation"] == pytest.approx(w / (2.0 * ALPHA * 3870.0), rel=2e-3)
    assert found["radiation"] == pytest.approx(w / (2.0 * 20.0 * 3870.0), rel=2e-3)
    assert found["ends"] == pytest.approx(float(ends[f"quality_factor_{name}_energy"]), rel=2e-3)


def test_resistance_in_series_burns_as_in_the_motional_arm():
    # At the series resonance of R1, L1, C1 a resistance Rs before it has Q = w L1/Rs.
    circuit, gratings = alone(attenuation=ALPHA, sheet_resistance=0.4)
    figures = circuit_response(circuit, gratings, F).figures
    told = quality_by_mechanism(circuit, gratings, figures)["resonance"]
    resistance = series_resistance(circuit.parts["r"].resonator)
    L = float(figures["motional_inductance"])
    expected = 2.0 * np.pi * told["frequency_hz"] * L / resistance
    assert told["by_mechanism"]["resistance"] == pytest.approx(expected, rel=0.02)


def test_energy_stored_is_that_of_the_slope_of_the_reactance():
    # A one-port without losses stores W = |I|^2 (dX/dw)/2 where X = 0 (I effective; Foster 1924,
    # Bell Syst. Tech. J. 3, 259; Montgomery, Dicke, Purcell 1948, ch. 5; from memory). Fingers
    # with a resistance Rs lose Rs |I|^2, so that Q = w (dX/dw)/(2 Rs), and one watt available from
    # 50 ohm drives |I|^2 = 4 . 50/(50 + Rs)^2.
    resonator = Resonator(101, (1500, 1500), 150e-6, **PITCH, sheet_resistance=0.4)
    bare = Resonator(101, (1500, 1500), 150e-6, **PITCH)
    gratings = Gratings({"main": MAIN})
    ground = (("in", GROUND),)
    circuit = Circuit({"r": ResonatorPart(resonator, "main")}, (("r", ground),), PORT)
    f = np.linspace(0.985, 1.02, 301) * CENTRE
    figures = circuit_response(circuit, gratings, f).figures
    told = quality_by_mechanism(circuit, gratings, figures)["resonance"]

    def reactance(at):
        solved = ResonatorSolver(gratings, np.asarray(at)).solve(ResonatorPart(bare, "main"))
        return (1.0 / solved.admittance[:, 0, 0]).imag

    fr, step = told["frequency_hz"], 1e-7 * CENTRE
    low, high = reactance([fr - step, fr + step])
    slope = (high - low) / (4.0 * np.pi * step)
    resistance = series_resistance(resonator)
    alone = told["by_mechanism"]["resistance"]  # waves that leave at the ends take their own part
    assert alone == pytest.approx(np.pi * fr * slope / resistance, rel=0.01)
    stored = 0.5 * slope * 4.0 * 50.0 / (50.0 + resistance) ** 2
    assert told["stored_energy_J_per_W"] == pytest.approx(stored, rel=0.01)


def test_all_power_is_found_in_circuits_of_every_kind_of_part():
    # Conservation of energy; tracks, resonators and lumps with losses together.
    resonator = Resonator(81, (60, 60), 150e-6, **PITCH, attenuation=ALPHA, sheet_resistance=0.3)
    elements = (
        Reflector("main", 50),
        Transducer("a", "main", 31),
        Transducer("b", "main", 41, weights=tuple(np.linspace(0.2, 1.0, 41))),
        Reflector("main", 50, "open"),
    )
    parts = {
        "row": Track(120e-6, elements, 0.3, ALPHA),
        "r": ResonatorPart(resonator, "main"),
        "coil": Lump(inductance=3e-9, quality=20.0),
    }
    placed = (
        ("row", (("in", GROUND), ("mid", GROUND))),
        ("r", (("mid", "out"),)),
        ("coil", (("in", GROUND),)),
    )
    ports = (CircuitPort("1", ("in", GROUND), 50.0), CircuitPort("2", ("out", GROUND), 40 + 10j))
    circuit = Circuit(parts, placed, ports)
    gratings = Gratings({"main": LOSSY}, widths={"main": 1.1e-6})
    for port in (0, 1):
        shares = solve_assembly(circuit, gratings, F).shares(port)
        assert sum(shares.values()) == pytest.approx(np.ones(F.size), abs=1e-9)
        for name in ("resistance", "ends", "radiation", "propagation", "lumps"):
            assert shares[name].min() > -1e-9, name
            assert shares[name].max() > 1e-5, name
    assert circuit_response(circuit, gratings, F).checks["energy"].ok
