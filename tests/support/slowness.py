"""Slowness curves in closed form."""

import math

import numpy as np

from sawfem.planewave.slowness_curve import SlownessCurve


def ellipse(a: float, b: float, tilt: float = 0.0) -> SlownessCurve:
    """(s1/a)^2 + (s2/b)^2 = 1, turned by ``tilt`` degrees: psi and g are known in closed form."""
    theta = np.radians(np.arange(-110.0, 111.0, 0.5))
    t = theta - math.radians(tilt)
    square = (np.cos(t) / a) ** 2 + (np.sin(t) / b) ** 2
    # d ln s / d theta = -tan(psi)
    slope = -(b**-2 - a**-2) * np.sin(t) * np.cos(t) / square
    return SlownessCurve(theta, np.sqrt(square), -np.arctan(slope))
