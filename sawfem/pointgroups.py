"""The 32 crystallographic point groups and the isotropic group: symbols, settings, operations.

Settings of the axes (IEEE Std 176-1987, section 3)
    monoclinic 2, m, 2/m: unique axis Y. Orthorhombic mm2: two-fold axis Z. Tetragonal, trigonal
    and hexagonal: main axis Z; 422, 4/mmm, -42m, 32, -3m, 622, 6/mmm: two-fold axis X; 4mm, 3m,
    -3m, 6mm, -6m2: mirror plane perpendicular to X. Cubic: X, Y, Z along the cube edges.

Isotropic
    Stands for all rotations and the inversion, but is generated as the 120 operations of the
    icosahedral group: tensors of rank four or lower cannot tell the two apart, as the first
    invariant of the icosahedron beyond the sphere is of degree six.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from sawfem.errors import MaterialError, nearest
from sawfem.tensors import Array


def _axis_turn(axis: tuple[float, float, float], order: int) -> Array:
    """Rotation by 360/order degrees about ``axis`` (Rodrigues' formula)."""
    n = np.array(axis) / math.hypot(*axis)
    angle = 2.0 * math.pi / order
    cross = np.array([[0.0, -n[2], n[1]], [n[2], 0.0, -n[0]], [-n[1], n[0], 0.0]])
    turn = np.eye(3) + math.sin(angle) * cross + (1.0 - math.cos(angle)) * (cross @ cross)
    return np.asarray(turn, dtype=np.float64)


_X2 = _axis_turn((1, 0, 0), 2)
_Y2 = _axis_turn((0, 1, 0), 2)
_Z2, _Z3, _Z4, _Z6 = (_axis_turn((0, 0, 1), order) for order in (2, 3, 4, 6))
_DIAGONAL3 = _axis_turn((1, 1, 1), 3)
_VERTEX5 = _axis_turn((0, 1, (1 + math.sqrt(5)) / 2), 5)
_INVERSION = -np.eye(3)

#: Generators of every class. A mirror plane is an inverted two-fold axis.
_GENERATORS: dict[str, tuple[Array, ...]] = {
    "1": (),
    "-1": (_INVERSION,),
    "2": (_Y2,),
    "m": (-_Y2,),
    "2/m": (_Y2, _INVERSION),
    "222": (_X2, _Z2),
    "mm2": (-_X2, _Z2),
    "mmm": (_X2, _Z2, _INVERSION),
    "4": (_Z4,),
    "-4": (-_Z4,),
    "4/m": (_Z4, _INVERSION),
    "422": (_Z4, _X2),
    "4mm": (_Z4, -_X2),
    "-42m": (-_Z4, _X2),
    "4/mmm": (_Z4, _X2, _INVERSION),
    "3": (_Z3,),
    "-3": (_Z3, _INVERSION),
    "32": (_Z3, _X2),
    "3m": (_Z3, -_X2),
    "-3m": (_Z3, _X2, _INVERSION),
    "6": (_Z6,),
    "-6": (-_Z6,),
    "6/m": (_Z6, _INVERSION),
    "622": (_Z6, _X2),
    "6mm": (_Z6, -_X2),
    "-6m2": (-_Z6, -_X2),
    "6/mmm": (_Z6, _X2, _INVERSION),
    "23": (_Z2, _DIAGONAL3),
    "m-3": (_Z2, _DIAGONAL3, _INVERSION),
    "432": (_Z4, _DIAGONAL3),
    "-43m": (-_Z4, _DIAGONAL3),
    "m-3m": (_Z4, _DIAGONAL3, _INVERSION),
    "isotropic": (_VERTEX5, _DIAGONAL3, _INVERSION),
}

#: The 32 classes and "isotropic", by their short Hermann-Mauguin symbols.
POINT_GROUPS: tuple[str, ...] = tuple(_GENERATORS)

#: Other spellings of the same class in the same setting.
_SPELLINGS = {
    "121": "2",
    "1m1": "m",
    "12/m1": "2/m",
    "2/m2/m2/m": "mmm",
    "42": "422",
    "4/m2/m2/m": "4/mmm",
    "321": "32",
    "3m1": "3m",
    "-3m1": "-3m",
    "-32/m": "-3m",
    "-32/m1": "-3m",
    "62": "622",
    "6/m2/m2/m": "6/mmm",
    "m3": "m-3",
    "2/m-3": "m-3",
    "43": "432",
    "m3m": "m-3m",
    "4/m-32/m": "m-3m",
}


def canonical_point_group(text: str) -> str:
    """Short Hermann-Mauguin symbol of a class in any usual spelling, e.g. "m3m" -> "m-3m".

    Blanks are dropped; an overlined digit, a Unicode minus and "bar" all mean the bar.

    Raises
    ------
    MaterialError : no class of that name.
    """
    symbol = "".join(text.split()).lower()
    for minus in ("\u2212", "\u2013", "bar", "_"):
        symbol = symbol.replace(minus, "-")
    for overline in ("\u0304", "\u0305"):
        while overline in symbol[1:]:
            place = symbol.index(overline, 1)
            symbol = symbol[: place - 1] + "-" + symbol[place - 1] + symbol[place + 1 :]
    symbol = _SPELLINGS.get(symbol, symbol)
    if symbol not in _GENERATORS:
        near = nearest(symbol, POINT_GROUPS)
        hint = f", nearest: {', '.join(near)}" if near else ""
        raise MaterialError(
            key="point_group",
            found=f'"{text[:40]}"',
            expected=f"one of the 32 classes ({', '.join(POINT_GROUPS[:-1])}) or isotropic{hint}",
        )
    return symbol


def generators(point_group: str) -> tuple[Array, ...]:
    """Matrices (3, 3) that generate the class, proper or improper, acting on vectors."""
    return _GENERATORS[canonical_point_group(point_group)]


@cache
def group_operations(point_group: str) -> Array:
    """All operations of the class, shape (order, 3, 3)."""
    found = {_rounded(np.eye(3)): np.eye(3)}
    fresh = list(found.values())
    while fresh:
        products = [turn @ element for turn in generators(point_group) for element in fresh]
        fresh = []
        for product in products:
            if _rounded(product) not in found:
                found[_rounded(product)] = product
                fresh.append(product)
    operations = np.array(list(found.values()))
    operations.setflags(write=False)
    return operations


def _rounded(matrix: Array) -> bytes:
    return (np.round(matrix, 6) + 0.0).tobytes()
