"""Plate notation of IEEE Std 176-1987: text <-> axes of the plate.

(YXlt)42/10: the first letter is the crystal axis along the thickness, the second the one along
the length; width is the third. The edges l, w, t start along the positive crystal axes. Each
further letter turns the plate about that edge, which the plate carries along, by an angle that
counts positive counter-clockwise when seen from the edge's positive end (section 3.6 of the
standard).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sawfem.errors import OrientationError
from sawfem.tensors import Array

EXAMPLE = '"(YXl)128" or "(YXlt)42/10"'

#: Largest angle that is taken for meant, degrees.
LARGEST_ANGLE = 360.0

_TEXT = re.compile(r"\(\s*([XYZxyz])\s*([XYZxyz])\s*([lwtLWT\s]*)\)(.*)", re.DOTALL)
_ANGLE = re.compile(
    r"([+-]?)(\d{1,4}(?:\.\d{0,15})?|\.\d{1,15})\s*(?:°|deg)?(?:\s*(\d{1,2}(?:\.\d{0,15})?)\s*')?"
)
_LONGEST_TEXT = 200


@dataclass(frozen=True)
class Plate:
    """A plate text taken apart: axes such as "Y", "X", edges such as "lt", degrees per edge."""

    thickness: str
    length: str
    edges: str = ""
    angles: tuple[float, ...] = ()

    def __str__(self) -> str:
        angles = "/".join(format_angle(angle) for angle in self.angles)
        return f"({self.thickness}{self.length}{self.edges}){angles}"

    def unturned(self) -> dict[str, Array]:
        """Edges l, w, t before rotation; for (YX..) they form a left-handed set."""
        axes = dict(zip("XYZ", np.eye(3), strict=True))
        (width,) = set("XYZ") - {self.thickness, self.length}
        return {"l": axes[self.length], "w": axes[width], "t": axes[self.thickness]}

    def matrix(self) -> Array:
        """Rows: length, thickness x length, thickness, in crystal axes; (3, 3)."""
        edges = self.unturned()
        for letter, angle in zip(self.edges, self.angles, strict=True):
            axis = edges[letter]
            edges = {
                name: edge if name == letter else _turned(edge, axis, angle)
                for name, edge in edges.items()
            }
        return np.array([edges["l"], np.cross(edges["t"], edges["l"]), edges["t"]])


def parse_plate(text: str, rotations: Sequence[float] = ()) -> Plate:
    """Read plate notation whose angles stand in the text or in ``rotations``.

    Raises
    ------
    OrientationError : says what was found and what would do.
    """
    if not isinstance(text, str):
        raise OrientationError(found=f"{text!r}"[:40], expected=f"plate notation, {EXAMPLE}")
    clean = text.strip().replace("\u2212", "-").replace("\u2032", "'")
    match = _TEXT.fullmatch(clean) if len(clean) < _LONGEST_TEXT else None
    if match is None:
        raise OrientationError(
            found=_quoted(text),
            expected="plate notation: (thickness axis, length axis, rotation edges l, w, t) and "
            f"angles, for example {EXAMPLE}",
        )
    thickness, length = match[1].upper(), match[2].upper()
    edges = "".join(match[3].split()).lower()
    if thickness == length:
        raise OrientationError(
            found=f"{thickness} for both thickness and length in {_quoted(text)}",
            expected=f"two different axes, for example {EXAMPLE}",
        )
    if len(edges) > 3:
        raise OrientationError(
            found=f"{len(edges)} rotations in {_quoted(text)}", expected="at most three"
        )
    angles = _angles(match[4].strip(), text, rotations)
    if len(angles) != len(edges):
        raise OrientationError(
            found=f"{len(angles)} angles for {len(edges)} rotation edges in {_quoted(text)}",
            expected=f"one angle per edge, separated by /, for example {EXAMPLE}",
        )
    return Plate(thickness, length, edges, angles)


def _angles(written: str, text: str, rotations: Sequence[float]) -> tuple[float, ...]:
    if written and len(rotations):
        raise OrientationError(
            found=f"angles in {_quoted(text)} and in rotations", expected="only one of the two"
        )
    if written:
        angles = [_parse_angle(part.strip(), text) for part in written.split("/")]
        return tuple(map(check_angle, angles))
    return tuple(map(check_angle, rotations))


def _parse_angle(part: str, text: str) -> float:
    """Degrees, or degrees and minutes such as 35°15'."""
    match = _ANGLE.fullmatch(part)
    if match is None:
        raise OrientationError(
            found=f"the angle {_quoted(part)} in {_quoted(text)}",
            expected=f"degrees, separated by /, for example {EXAMPLE}",
        )
    size = float(match[2]) + float(match[3] or 0.0) / 60.0
    return -size if match[1] == "-" else size


def check_angle(angle: float) -> float:
    """The angle as a float; refuses what is not a number within +-360 degrees."""
    real = isinstance(angle, int | float | np.integer | np.floating)
    if not real or isinstance(angle, bool) or not abs(angle) <= LARGEST_ANGLE:
        raise OrientationError(
            found=f"the angle {angle}"[:50], expected="degrees between -360 and 360"
        )
    return float(angle)


def cosine_sine(degrees: float) -> tuple[float, float]:
    """Cosine and sine, exact at multiples of 90 degrees."""
    quarter, rest = divmod(degrees, 90.0)
    cosine, sine = math.cos(math.radians(rest)), math.sin(math.radians(rest))
    for _ in range(int(quarter) % 4):
        cosine, sine = -sine, cosine
    return cosine + 0.0, sine + 0.0


def _turned(vector: Array, axis: Array, degrees: float) -> Array:
    """Vector perpendicular to a unit axis, turned about it by the right-hand rule."""
    cosine, sine = cosine_sine(degrees)
    return np.asarray(cosine * vector + sine * np.cross(axis, vector), dtype=np.float64)


def arc(sine: float, cosine: float) -> float:
    """Angle in degrees, (-180, 180], without the rounding error of its computation."""
    return wrapped(math.degrees(math.atan2(sine, cosine)))


def wrapped(angle: float) -> float:
    """The same angle in (-180, 180] degrees, rounded to 1e-10."""
    return tidy(180.0 - (180.0 - tidy(angle)) % 360.0)


def tidy(angle: float) -> float:
    """Angle rounded to 1e-10 degrees, without a negative zero."""
    return round(float(angle), 10) + 0.0


def format_angle(angle: float) -> str:
    """Angle with the decimals it needs, at most ten, never with an exponent."""
    return f"{tidy(angle):.10f}".rstrip("0").rstrip(".")


def _quoted(text: str) -> str:
    return f'"{text[:60]}"'
