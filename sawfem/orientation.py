"""Orientation of a plate in its crystal: Euler angles and the plate notation of IEEE Std 176-1987.

Euler angles (lambda, mu, theta), degrees, z-x-z, passive (``sawfem.conventions``):

    R = Rz(theta) Rx(mu) Rz(lambda)

Row 1 of R is the propagation direction, row 3 the outward normal, row 2 = row 3 x row 1, all in
crystal axes. Plate notation such as (YXl)128: see ``sawfem.platenotation``; the wave runs along
the length and the thickness is the outward normal, after all rotations.

Both name a surface together with its outward side. (YZ) is the +Y face, Euler (0, -90, -90);
tables of lithium niobate list "YZ" as (0, 90, 90), the -Y face, which is (YZl)180. Likewise
(YXl)42.75 is (0, -47.25, 0) and tables list ST quartz as (0, 132.75, 0), which is (YXl)222.75.
Velocity and coupling of the two faces are equal: the inversion of space takes one face to the
other and reverses the wave, and of all constants e alone changes sign.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from sawfem.errors import OrientationError
from sawfem.platenotation import (
    Plate,
    arc,
    check_angle,
    cosine_sine,
    format_angle,
    parse_plate,
    tidy,
    wrapped,
)
from sawfem.tensors import Array

#: Directions that differ by less than this count as equal.
SAME = 1e-9

#: Faces and directions along crystal axes, in the order in which the simplest text is sought.
_PAIRS = (("Y", "X"), ("Y", "Z"), ("X", "Y"), ("X", "Z"), ("Z", "X"), ("Z", "Y"))


@dataclass(frozen=True, eq=False)
class Orientation:
    """Device axes in a crystal. Two orientations are equal when their matrices are equal.

    Attributes
    ----------
    rotation : R, shape (3, 3); row 1 propagation, row 3 outward normal, in crystal axes.

    Raises
    ------
    OrientationError : the rows are not a right-handed orthonormal set.
    """

    rotation: Array
    _euler: tuple[float, float, float] | None = field(default=None, repr=False)
    _plate: str | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        matrix = np.array(self.rotation, dtype=np.float64) + 0.0
        if not _is_rotation(matrix):
            raise OrientationError("the device axes are not a right-handed orthonormal set")
        matrix.setflags(write=False)
        object.__setattr__(self, "rotation", matrix)

    @classmethod
    def from_euler(cls, first: float, second: float, third: float) -> Orientation:
        """Orientation (lambda, mu, theta) = (first, second, third), degrees.

        Raises
        ------
        OrientationError : an angle is not a finite number within +-360 degrees.
        """
        first, second, third = map(check_angle, (first, second, third))
        matrix = _turn_z(third) @ _turn_x(second) @ _turn_z(first)
        return cls(matrix, _euler=(first, second, third))

    @classmethod
    def from_plate(cls, text: str, rotations: Sequence[float] = ()) -> Orientation:
        """Orientation of a plate, e.g. ``"(YXl)128"``, or ``"(YXl)"`` with ``rotations=[128]``.

        Parameters
        ----------
        text : plate notation. Angles follow the parenthesis, separated by "/", in degrees or
            as degrees and minutes (35°15').
        rotations : the angles, degrees, where the text has none.

        Raises
        ------
        OrientationError : the text cannot be read, or the number of angles is not that of the
            rotation edges.
        """
        plate = parse_plate(text, rotations)
        return cls(plate.matrix(), _plate=str(plate))

    @property
    def propagation(self) -> Array:
        """Direction of the wave in crystal axes, (3,)."""
        return np.asarray(self.rotation[0])

    @property
    def normal(self) -> Array:
        """Outward normal in crystal axes, (3,)."""
        return np.asarray(self.rotation[2])

    @property
    def euler(self) -> tuple[float, float, float]:
        """Euler angles, degrees: as given, or from the matrix with -180 < angles <= 180.

        From the matrix, mu = 0 or 180 leaves only the sum or the difference of lambda and theta
        fixed, and lambda is set to 0. Otherwise (lambda, mu, theta) and (lambda + 180, -mu,
        theta + 180) are the same; of the two the one with -90 < lambda <= 90 is given, so that
        rotated Y-cuts have lambda = 0.
        """
        return self._euler if self._euler is not None else _euler_angles(self.rotation)

    @property
    def plate(self) -> str:
        """Plate notation: as given, or the simplest with at most one rotation, or (YXwlt).

        Every orientation is (YXwlt) lambda/(mu + 90)/theta; rotations by zero are left out.
        """
        return self._plate if self._plate is not None else str(_simplest_plate(self))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Orientation):
            return NotImplemented
        return bool(np.array_equal(self.rotation, other.rotation))

    def __hash__(self) -> int:
        return hash(self.rotation.tobytes())

    def __str__(self) -> str:
        angles = ", ".join(format_angle(angle) for angle in self.euler)
        return f"{self.plate} = Euler ({angles}) deg"

    def __repr__(self) -> str:
        return f"<Orientation {self}>"


def _is_rotation(matrix: Array) -> bool:
    if matrix.shape != (3, 3) or not np.all(np.isfinite(matrix)):
        return False
    orthonormal = np.allclose(matrix @ matrix.T, np.eye(3), rtol=0.0, atol=SAME)
    return bool(orthonormal) and float(np.linalg.det(matrix)) > 0.0


def _turn_x(degrees: float) -> Array:
    c, s = cosine_sine(degrees)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]])


def _turn_z(degrees: float) -> Array:
    c, s = cosine_sine(degrees)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def _euler_angles(matrix: Array) -> tuple[float, float, float]:
    """Angles of R, from its third row (sin l sin m, -cos l sin m, cos m) and third column.

    The third column is (sin t sin m, cos t sin m, cos m).
    """
    propagation, normal = matrix[0], matrix[2]
    sine = math.hypot(normal[0], normal[1])
    if sine < SAME:
        second = 0.0 if normal[2] > 0.0 else 180.0
        return 0.0, second, arc(propagation[1] * normal[2], propagation[0])
    first = arc(normal[0], -normal[1])
    second = arc(sine, normal[2])
    third = arc(matrix[0, 2], matrix[1, 2])
    if not -90.0 < first <= 90.0:
        first, second, third = wrapped(first + 180.0), wrapped(-second), wrapped(third + 180.0)
    return first, second, third


def _simplest_plate(orientation: Orientation) -> Plate:
    candidates = [Plate(thickness, length) for thickness, length in _PAIRS]
    candidates += [
        _one_rotation(orientation, plate, edge) for edge in "ltw" for plate in candidates
    ]
    for plate in candidates:
        if np.allclose(plate.matrix(), orientation.rotation, rtol=0.0, atol=SAME):
            return plate
    first, second, third = orientation.euler
    turns = {"w": first, "l": second + 90.0, "t": third}
    kept = {edge: angle for edge, angle in turns.items() if tidy(angle) != 0.0}
    return Plate("Y", "X", "".join(kept), tuple(kept.values()))


def _one_rotation(orientation: Orientation, start: Plate, edge: str) -> Plate:
    """The plate turned about one edge so that another comes as near as possible to its place."""
    edges = start.unturned()
    moved, target = ("t", orientation.normal) if edge == "l" else ("l", orientation.propagation)
    across = np.cross(edges[edge], edges[moved])
    angle = arc(float(target @ across), float(target @ edges[moved]))
    # Rotated Y-cuts keep the angle mu + 90 of Euler (0, mu, 0) for -180 < mu <= 180.
    if edge == "l" and angle <= -90.0:
        angle += 360.0
    return Plate(start.thickness, start.length, edge, (angle,))
