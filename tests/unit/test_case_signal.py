"""[signal] of a case: SI, defaults, and what is refused."""

import pytest

from sawfem.case import Case
from sawfem.errors import SawfemError

BASE = {
    "substrate": {"material": "quartz/bechmann-1958", "euler": [0, 132.75, 0]},
    "grating": {
        "pitch": "0.9068 um",
        "metal": "aluminium/kaye-laby",
        "thickness": "40 nm",
        "metallisation_ratio": 0.5,
    },
    "device": {
        "kind": "transversal",
        "transducer": "double",
        "fingers": [400, 320],
        "aperture": "0.5 mm",
        "gap": "100 um",
    },
    "band": {"start": "828 MHz", "stop": "908 MHz"},
    "signal": {"carrier": "868 MHz", "symbol_rate": "2 MHz"},
}
RESONATOR = {
    "kind": "resonator",
    "fingers": 101,
    "reflector_fingers": 50,
    "aperture": "60 um",
}


def case(signal=None, **changes):
    return Case.from_dict({**BASE, "signal": {**BASE["signal"], **(signal or {})}, **changes})


def test_defaults_and_counts():
    found = case().resolved().signal
    assert (found.carrier, found.symbol_rate) == (868e6, 2e6)
    assert (found.modulation, found.rolloff, found.fingers) == ("qpsk", 0.25, ())
    assert found.interference is None
    found = case(
        {
            "modulation": "16qam",
            "interference": "-20 dB",
            "interference_band": "40 MHz",
            "fingers": {"from": 101, "to": 401, "points": 4},
        }
    ).resolved()
    assert found.signal.interference == pytest.approx(0.01)
    assert found.signal.interference_band == 40e6
    assert found.signal.fingers == (100, 200, 300, 400)  # double electrodes stand in pairs
    assert found.to_dict()["signal"]["symbol_rate"] == 2e6
    assert case({"fingers": [40, 80]}).resolved().signal.fingers == (40, 80)
    moved = case().edit({"signal.symbol_rate": "1 MHz"})
    assert moved.resolved().signal.symbol_rate == 1e6


@pytest.mark.parametrize(
    ("signal", "message"),
    [
        ({"carier": 1}, "signal.carier: found an unknown key; .*nearest: carrier"),
        ({"modulation": "qspk"}, 'signal.modulation: found "qspk"; expected "qpsk" or "16qam"'),
        ({"rolloff": 1.2}, "signal.rolloff: found 1.2; expected a roll-off from 0 to 1"),
        ({"carrier": "686 MHz"}, r"signal.carrier: found .686 MHz., outside the \[band\]"),
        ({"symbol_rate": "900 MHz"}, "signal.symbol_rate: .*narrower than its carrier"),
        ({"symbol_rate": 2}, "signal.symbol_rate: found 2, that is 2 Hz; expected 1 kHz"),
        ({"interference": "20"}, "signal.interference: found"),
        ({"interference_band": "9 MHz"}, "signal.interference: found nothing; expected a level"),
        (
            {"interference": "-9 dB", "interference_band": "1 MHz"},
            "signal.interference_band: .*expected a width from that of the signal",
        ),
        (
            {"interference": "-9 dB", "symbol_rate": "80 MHz"},
            r"signal.interference_band: found nothing, and a \[band\] that does not hold",
        ),
        ({"fingers": [41, 81]}, "signal.fingers: .*even counts"),
        ({"fingers": [80, 40]}, r"signal.fingers: found \[80, 40\]; expected a list of rising"),
        ({"fingers": [1]}, r"signal.fingers\[0\]: found 1; expected a count of electrodes, 2 to"),
        ({"fingers": {"from": 40, "to": 80}}, "signal.fingers.points: found nothing"),
        ({"fingers": {"form": 40}}, "signal.fingers.form: found an unknown key; .*nearest: from"),
        (
            {"fingers": {"from": 80, "to": 40, "points": 3}},
            "signal.fingers.to: found 40, not above",
        ),
        ({"fingers": {"from": 8, "to": 40, "points": 1}}, "signal.fingers.points: found 1"),
    ],
)
def test_bad_signals(signal, message):
    with pytest.raises(SawfemError, match=message):
        case(signal).resolved()


def test_devices_without_a_way_through():
    with pytest.raises(SawfemError, match=r"signal: found a device of one port, .*ladder"):
        case(device=RESONATOR)
    data = {key: value for key, value in BASE.items() if key != "device"}
    with pytest.raises(SawfemError, match=r"signal: found a signal and no \[device\]"):
        Case.from_dict(data)
    ladder = {"kind": "ladder", "chain": [{"series": "s"}]}
    part = [{"name": "s", **{k: v for k, v in RESONATOR.items() if k != "kind"}}]
    assert case(device=ladder, resonator=part).resolved().signal.fingers == ()
    with pytest.raises(SawfemError, match=r"signal.fingers: found counts to compare of a ladder"):
        case({"fingers": [40, 80]}, device=ladder, resonator=part)
