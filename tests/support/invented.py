"""The invented measurement of cases/buoy-measured.toml: how its file was made.

    python -m tests.support.invented cases/measured/buoy-wafer-3.s1p

Nobody measured it. It is the coupling-of-modes model of the case's resonator with constants up to
some per cent away from the computed ones, behind a pad and a lead, with noise of a fixed seed.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from sawfem.device import Resonator
from sawfem.extract.constants import ComConstants
from sawfem.measured.embedding import Fixture, embedded
from sawfem.measured.oneport import OnePort

PITCH = 2.228e-6
#: Slope of the capacitance, its width and the group velocity as computed for the grating of the
#: case; the rest is below.
GRATING = ComConstants(
    PITCH,
    3876.5,
    -0.0063,
    0.173,
    244.2e-12,
    capacitance_slope=0.66,
    slope_width=0.0214,
    phase_over_group_velocity=1.0016573,
)
#: velocity m/s, |k p|, |a p| sqrt(S/m), C F/m, propagation loss dB/s, resistance ohm.
TRUTH = np.array([3878.9, 0.00655, 0.1712, 246.5e-12, 3.4e6, 1.05])
FIXTURE = Fixture(capacitance=(60e-15,), inductance=(0.2e-9,), resistance=(0.4,))
FREQUENCY = np.linspace(850e6, 905e6, 221)
NOISE, SEED = 1e-3, 868


def touchstone_text() -> str:
    """The file's text."""
    resonator = Resonator(fingers=121, reflector_fingers=(300, 300), aperture=178e-6, gap=PITCH)
    y = OnePort(resonator, GRATING).admittance(TRUTH, FREQUENCY)
    s = ((1.0 - 50.0 * y) / (1.0 + 50.0 * y))[:, None, None]
    z = np.full((FREQUENCY.size, 1), 50.0 + 0j)
    random = np.random.default_rng(SEED)
    noise = random.normal(size=FREQUENCY.size) + 1j * random.normal(size=FREQUENCY.size)
    seen = embedded(s, z, FREQUENCY, FIXTURE)[:, 0, 0] + NOISE * noise
    head = (
        "! INVENTED DATA: a model with noise, nobody measured this\n"
        "! made by tests/support/invented.py for cases/buoy-measured.toml\n"
        "# MHz S RI R 50\n"
    )
    rows = zip(FREQUENCY.tolist(), seen.tolist(), strict=True)
    return head + "".join(f"{f / 1e6:.2f} {v.real:.6f} {v.imag:.6f}\n" for f, v in rows)


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(touchstone_text(), encoding="ascii", newline="\n")
