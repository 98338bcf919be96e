"""The two axis conventions of quartz, and a warning where a cut and a set seem to be mixed.

"ST = (YXl)42.75" belongs to the axes of the IRE standard of 1949, in which c14 of quartz is
negative. In the axes of IEEE Std 176-1978 and later, turned by 180 degrees about Z, c14 is
positive and the same plate is (YXl)-42.75. With the wrong pair ST-X quartz comes out at
3289.5 m/s instead of 3158.1 m/s.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from sawfem.material.model import Material
    from sawfem.orientation import Orientation
    from sawfem.tensors import Array

#: Rotation of the known rotated Y-cuts about X in the axes of 1949, degrees. From memory, as
#: handbooks of quartz resonators list them; only their sign and range matter here.
KNOWN_CUTS_1949: tuple[tuple[str, float], ...] = (
    ("AT", 35.25),
    ("CT", 38.0),
    ("ST", 42.75),
    ("BT", -49.2),
    ("DT", -52.0),
)

#: Cuts used in practice lie within this distance of a known one, degrees.
_RANGE = 3.5


def orientation_warnings(material: Material, orientation: Orientation) -> tuple[str, ...]:
    """Sentences that tell where an orientation seems to be meant for the other quartz axes.

    The convention of a set is read from the sign of its c14. A warning is given when the plate
    is a rotated Y-cut that lies near a known cut of the other convention and near none of its
    own. Other crystals give no warning; langasite has one convention, c14 > 0.
    """
    if material.point_group != "32" or "quartz" not in material.crystal.lower():
        return ()
    angle = _rotated_y_angle(orientation.normal)
    if angle is None:
        return ()
    c14 = material.stiffness[0, 3]
    sign = 1.0 if c14 < 0.0 else -1.0
    if _nearest_cut(sign * angle) is not None:
        return ()
    cut = _nearest_cut(-sign * angle)
    if cut is None:
        return ()
    here, other = ("1949", "1978") if c14 < 0.0 else ("1978", "1949")
    signs = ("< 0", "> 0") if c14 < 0.0 else ("> 0", "< 0")
    name, standard = cut
    return (
        f"{material.name} is written in the axes of {here} (c14 {signs[0]}), where a Y-cut rotated "
        f"by {angle:g} deg is none of the usual cuts. If {name} or a cut near it is meant, whose "
        f"rotation is {-sign * standard:+g} deg in the axes of {other} (c14 {signs[1]}), write "
        f"(YXl){-angle:g} with this set, or keep the angle and take a set with c14 {signs[1]}.",
    )


def _nearest_cut(angle_1949: float) -> tuple[str, float] | None:
    name, standard = min(KNOWN_CUTS_1949, key=lambda cut: abs(cut[1] - angle_1949))
    return (name, standard) if abs(standard - angle_1949) <= _RANGE else None


def _rotated_y_angle(normal: Array) -> float | None:
    """Angle of a rotated Y-cut in (-90, 90], or None; the three-fold axis Z is made use of.

    The two-fold axis X makes both faces of such a plate equal, hence the angle modulo 180.
    """
    for third_of_turn in (0.0, 120.0, 240.0):
        azimuth = math.radians(third_of_turn)
        across = math.cos(azimuth) * normal[0] - math.sin(azimuth) * normal[1]
        along = math.sin(azimuth) * normal[0] + math.cos(azimuth) * normal[1]
        if abs(across) < 1e-6:
            angle = math.degrees(math.atan2(normal[2], along))
            return float(np.round(90.0 - (90.0 - angle) % 180.0, 9))
    return None
