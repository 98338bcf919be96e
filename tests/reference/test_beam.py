"""Published anisotropy of surface-wave cuts."""

import pytest

from sawfem.design import Stack
from sawfem.planewave import plane_waves
from sawfem.planewave.beam import beam, velocity_by_direction
from sawfem.planewave.follow import locate

# Slobodnik, Conway, Delmonico, Microwave Acoustics Handbook 1A, 1973; Slobodnik, Proc. IEEE 64,
# 581 (1976): mem+rep. The fourth number is the derivative itself, calc. On YZ lithium niobate the
# angle bends so strongly that the tabled number, a difference over one degree to each side, is
# not the derivative.
ROWS = [
    ("lithium-niobate/warner-1967", (0, 90, 90), -1.08, -1.105),
    ("quartz/bechmann-1958", (0, 132.75, 0), 0.378, 0.378),
    ("quartz/bechmann-1958", (0, 90, 0), 0.654, 0.654),
    ("lithium-tantalate/warner-1967", (0, 90, 90), -0.212, -0.212),
    ("bismuth-germanium-oxide/kraut-1970", (0, 0, 45), -0.307, -0.307),
]


@pytest.mark.parametrize(("material", "euler", "printed", "derivative"), ROWS)
def test_anisotropy(material, euler, printed: float, derivative: float) -> None:
    stack = Stack(material, euler=euler)
    wave = locate(plane_waves(stack)[0], *stack.media())
    found = beam(wave)
    assert found.anisotropy == pytest.approx(derivative, abs=6e-4)
    assert abs(found.power_flow_angle) < 1e-9
    angles = velocity_by_direction(wave, [-1.0, 1.0]).power_flow_angle
    difference = (angles[1] - angles[0]) / 2.0
    decimals = len(str(printed).split(".")[1])
    assert difference == pytest.approx(printed, abs=1.01 * 10.0**-decimals)
    if printed != -1.08:
        assert found.anisotropy == pytest.approx(printed, abs=0.02)
