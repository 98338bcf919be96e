"""Circuits and tracks at random: reciprocity, unitarity, energy; Foster's theorem."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sawfem.device import Resonator
from sawfem.device.assembled import circuit_response, solve_assembly
from sawfem.device.assembly import Circuit, ResonatorPart, ladder
from sawfem.device.circuit import CircuitPort
from sawfem.device.lump import Lump
from sawfem.device.network import scattering_to_admittance
from sawfem.device.rows import solve_track
from sawfem.device.track import Gratings, Reflector, Space, Track, Transducer
from sawfem.extract.constants import ComConstants

PITCH = 2.27e-6
BASE = ComConstants(PITCH, 4050.0, -0.1, 0.19, 2.3e-10)
unit = st.floats(0.0, 1.0)

LUMPS = {
    "l": Lump(inductance=0.7e-9),
    "c": Lump(capacitance=0.4e-12),
    "big": Lump(capacitance=5e-12),
}


@st.composite
def lossless_gratings(draw):
    """Strong reflectors: what leaves 4000 strips of |r| above 8 % is below rounding."""
    pitch = PITCH * (1 + 0.02 * draw(unit))
    size = 0.08 + 0.05 * draw(unit)
    main = replace(BASE, reflection=-size, transduction=0.15 + 0.1 * draw(unit))
    return Gratings({"series": main, "shunt": replace(main, pitch=pitch)})


@st.composite
def ladders(draw):
    parts = dict(LUMPS)
    for name in ("series", "shunt"):
        resonator = Resonator(
            draw(st.integers(20, 400)), (4000, 4000), draw(st.floats(20e-6, 200e-6)), PITCH * 1.03
        )
        parts[name] = ResonatorPart(resonator, name)
    link = st.one_of(
        st.tuples(
            st.just("series"), st.lists(st.sampled_from(["series", "l"]), min_size=1, max_size=2)
        ),
        st.tuples(
            st.just("shunt"),
            st.lists(st.sampled_from(["shunt", "c", "l", "big"]), min_size=1, max_size=2),
        ),
    )
    chain = [("series", ["series"]), *draw(st.lists(link, max_size=6))]
    ohm = st.complex_numbers(min_magnitude=1.0, max_magnitude=200.0)
    ends = [complex(abs(z.real) + 5.0, z.imag) for z in (draw(ohm), draw(ohm))]
    return ladder(parts, chain, [("1", ends[0]), ("2", ends[1])])


def inside(gratings):
    """Frequencies inside both stop bands, where the reflectors let nothing out."""
    series, shunt = (g.centre_frequency for g in gratings.constants.values())
    half = 0.9 * abs(gratings.of("series").reflection) / np.pi
    low, high = max(series, shunt) * (1 - half), min(series, shunt) * (1 + half)
    return np.linspace(low, high, 23)


@settings(max_examples=60, deadline=None)
@given(lossless_gratings(), ladders())
def test_lossless_two_ports_are_reciprocal_and_unitary(gratings, circuit):
    f = inside(gratings)
    s = solve_assembly(circuit, gratings, f).solution.s
    np.testing.assert_allclose(s, s.transpose(0, 2, 1), atol=1e-9)
    product = s.conj().transpose(0, 2, 1) @ s
    np.testing.assert_allclose(product, np.broadcast_to(np.eye(2), product.shape), atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(lossless_gratings(), ladders(), st.sampled_from([None, 3e-13, 4e-9]))
def test_foster(gratings, circuit, end):
    # The susceptance of a lossless one-port rises with frequency wherever it is finite (Foster,
    # Bell Syst. Tech. J. 3, 259 (1924)); the second port is closed by a lump or left out.
    parts = dict(circuit.parts)
    placed = list(circuit.placed)
    second = circuit.ports[1].nodes
    parts["end"] = Lump(inductance=end) if end and end > 1e-10 else Lump(capacitance=end or 1e-15)
    placed.append(("end", (second,)))
    port = CircuitPort("1", circuit.ports[0].nodes, 50.0)
    closed = Circuit(parts, tuple(placed), (port,))
    f = inside(gratings)
    step = 1e-7

    def susceptance(at):
        solution = solve_assembly(closed, gratings, at).solution
        y = scattering_to_admittance(solution.s, solution.reference)[:, 0, 0]
        assert np.all(np.abs(y.real) < 1e-6 * np.maximum(np.abs(y), 1e-3))
        return y.imag

    before, after = susceptance(f * (1 - step)), susceptance(f * (1 + step))
    # a pole between the two points is no fall
    rises = after - before
    ordinary = np.abs(rises) < 0.1 * (np.abs(before) + np.abs(after))
    assert np.all(rises[ordinary] > 0.0)
    assert np.count_nonzero(ordinary) > f.size // 2


@st.composite
def tracks(draw):
    polarity = st.lists(st.sampled_from([1, -1, 0]), min_size=1, max_size=7).map(tuple)
    elements = [
        Reflector("series", draw(st.integers(1, 60)), draw(st.sampled_from(["shorted", "open"])))
    ]
    for number in range(draw(st.integers(1, 4))):
        fingers = 2 * draw(st.integers(1, 40))
        weights = draw(st.sampled_from([None, tuple(np.round(np.hanning(fingers + 2)[1:-1], 1))]))
        port = draw(st.sampled_from("ab"))
        grating = draw(st.sampled_from(["series", "shunt"]))
        elements.append(Transducer(port, grating, fingers, draw(polarity), weights))
        if draw(st.booleans()):
            elements.append(
                Space((1 + 20 * draw(unit)) * PITCH, draw(st.sampled_from(["", "free"])))
            )
        del number
    elements.append(Reflector("shunt", draw(st.integers(1, 60))))
    return Track(draw(st.floats(20e-6, 300e-6)), tuple(elements))


@settings(max_examples=40, deadline=None)
@given(lossless_gratings(), tracks(), st.floats(0.9, 1.1))
def test_tracks_balance_their_power(gratings, track, offset):
    gratings = replace(gratings, velocity_free=4100.0)
    if any(isinstance(e, Transducer) and e.double for e in track.elements):
        return
    f = np.array([0.98, 1.0, offset]) * BASE.centre_frequency
    solution = solve_track(track, gratings, np.unique(f), lossless=True)
    assert solution.reciprocity_error() < 1e-9
    assert solution.power_error() < 1e-9


@settings(max_examples=30, deadline=None)
@given(lossless_gratings(), ladders(), unit, unit)
def test_power_is_accounted_for(gratings, circuit, attenuation, sheet):
    parts = {}
    for name, part in circuit.parts.items():
        if isinstance(part, ResonatorPart):
            lossy = replace(
                part.resonator,
                attenuation=200.0 * attenuation,
                sheet_resistance=sheet,
                electrode_width=1e-6,
                reflector_fingers=(30, 30),
            )
            part = replace(part, resonator=lossy)
        elif part.resistance is None:
            part = replace(part, quality=20.0)
        parts[name] = part
    f = np.linspace(820e6, 960e6, 31)
    response = circuit_response(replace(circuit, parts=parts), gratings, f)
    assert all(check.ok for check in response.checks.values()), response.checks
    assert all(np.all(share > -1e-9) for share in response.power.values())
