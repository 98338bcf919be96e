"""Any bytes at all are a measurement that can be used, or one line that says why not."""

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sawfem.errors import InputError
from sawfem.touchstone import read_touchstone

GOOD = b"! a wafer\n# MHz S RI R 50\n800 .1 .2\n810 .2 -.1\n820 1e-1 0\n"
WORDS = [b"nan", b"inf", b"#", b"!", b"\n", b"[Version] 2.0\n", b"[Network Data]\n", b"9" * 400]
WORDS += [b"1e999", b"-", b"\xff", b"\0", b"# Hz S MA\n", b"820 0 0\n", b"[End]\n", b"R", b"\r\n"]


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    """A good file with pieces cut out and words put in."""
    text = bytearray(GOOD)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(text)))
        text[at : at + draw(st.integers(0, 12))] = draw(st.sampled_from(WORDS))
    return bytes(text)


@settings(max_examples=150, deadline=None)
@given(st.one_of(spoilt(), st.binary(max_size=200)), st.sampled_from(["s1p", "s2p", "s4p", "ts"]))
def test_a_usable_measurement_or_one_line(raw: bytes, suffix: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / f"wafer.{suffix}"
        place.write_bytes(raw)
        told, data = "", None
        try:
            data = read_touchstone(place)
        except InputError as error:
            told = str(error)
    if data is None:
        assert told.startswith(f"wafer.{suffix}: ")
        assert "\n" not in told
        assert len(told) < 400
        return
    assert np.isfinite(data.scattering).all()
    assert np.all(np.diff(data.frequency) > 0.0)
    assert data.scattering.shape == (data.frequency.size, data.ports, data.ports)
