"""Which constants of a tensor are independent in a crystal class, and the tensor they make.

The operations g of a point group act on the components of a tensor as matrices rho(g). Their
average

    P = (1/|G|) sum_g rho(g)

projects every tensor on the part that the class allows (Wigner's projector of the identity
representation; the results are the tables of Nye, Physical Properties of Crystals, 1957). Its
range is the space of allowed tensors, and constants whose components fix a point in that space
are independent.

Names: c11 .. c66 (c_IJ with I <= J), e11 .. e36, eps11 .. eps33 and alpha11 .. alpha33 (i <= j).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Literal

import numpy as np

from sawfem.errors import MaterialError, nearest
from sawfem.pointgroups import canonical_point_group, group_operations
from sawfem.tensors import VOIGT, Array

Kind = Literal["stiffness", "piezoelectric", "permittivity", "expansion"]

#: Two values of one constant agree when they differ by less than this, relative to their size:
#: a derived constant printed to three digits passes, a contradiction does not.
AGREEMENT = 1e-3

_PREFIX: dict[Kind, str] = {
    "stiffness": "c",
    "piezoelectric": "e",
    "permittivity": "eps",
    "expansion": "alpha",
}


def _bond_matrix(turn: Array) -> Array:
    """M of T'_I = M_IJ T_J for a symmetric rank-two tensor in Voigt order (Bond 1943)."""
    matrix = np.empty((6, 6))
    for row, (i, j) in enumerate(VOIGT):
        for column, (a, b) in enumerate(VOIGT):
            matrix[row, column] = turn[i, a] * turn[j, b]
            if a != b:
                matrix[row, column] += turn[i, b] * turn[j, a]
    return matrix


@cache
def constant_names(kind: Kind) -> tuple[str, ...]:
    """Names of all components of a tensor, in the order in which independent ones are chosen.

    Stiffness: row by row over I <= J (c11, c12, ... c16, c22, ...). Piezoelectric constants:
    e11, e22, e33 first, then row by row, so that class 3m is described by e22 and not by e16.
    Permittivity and expansion: 11, 22, 33, 23, 13, 12.
    """
    prefix = _PREFIX[kind]
    if kind == "stiffness":
        return tuple(f"{prefix}{i}{j}" for i in range(1, 7) for j in range(i, 7))
    if kind == "piezoelectric":
        rows = tuple(f"{prefix}{i}{j}" for i in range(1, 4) for j in range(1, 7))
        first = ("e11", "e22", "e33")
        return first + tuple(name for name in rows if name not in first)
    return tuple(f"{prefix}{i + 1}{j + 1}" for i, j in ((min(p), max(p)) for p in VOIGT))


@cache
def _places(kind: Kind) -> tuple[Array, Array]:
    """Row and column of every named component in the matrix of its kind."""
    digits = [name[-2:] for name in constant_names(kind)]
    rows = np.array([int(pair[0]) - 1 for pair in digits])
    columns = np.array([int(pair[1]) - 1 for pair in digits])
    return rows, columns


def components(kind: Kind, matrix: Array) -> dict[str, float]:
    """All components of a matrix by name, in the order of :func:`constant_names`."""
    rows, columns = _places(kind)
    values = np.asarray(matrix)[rows, columns]
    return dict(zip(constant_names(kind), map(float, values), strict=True))


def _matrix(kind: Kind, values: Array) -> Array:
    """Named components (n,) -> matrix: stiffness (6, 6), piezoelectric (3, 6), others (3, 3)."""
    shape = {"stiffness": (6, 6), "piezoelectric": (3, 6)}.get(kind, (3, 3))
    rows, columns = _places(kind)
    matrix = np.zeros(shape)
    matrix[rows, columns] = values
    if kind != "piezoelectric":
        matrix[columns, rows] = values
    return matrix


@cache
def projector(point_group: str, kind: Kind) -> Array:
    """Matrix (n, n) that averages named components over the class; n as in constant_names."""
    turns = group_operations(point_group)
    bonds = [_bond_matrix(turn) for turn in turns]
    count = len(constant_names(kind))
    columns = []
    for unit in np.eye(count):
        matrix = _matrix(kind, unit)
        if kind == "stiffness":
            mean = sum(bond @ matrix @ bond.T for bond in bonds) / len(turns)
        elif kind == "piezoelectric":
            pairs = zip(turns, bonds, strict=True)
            mean = sum(turn @ matrix @ bond.T for turn, bond in pairs) / len(turns)
        else:
            mean = sum(turn @ matrix @ turn.T for turn in turns) / len(turns)
        columns.append(np.asarray(mean)[_places(kind)])
    average = np.array(columns).T
    average[np.abs(average) < 1e-12] = 0.0
    average.setflags(write=False)
    return average


def project(point_group: str, kind: Kind, matrix: Array) -> Array:
    """Part of a matrix that the class allows, same shape and unit."""
    average = projector(canonical_point_group(point_group), kind)
    return _matrix(kind, average @ np.asarray(matrix)[_places(kind)])


@cache
def _directions(point_group: str, kind: Kind) -> Array:
    """Columns (n, r) that span the allowed components; rows of forbidden components are 0."""
    left, singular, _ = np.linalg.svd(projector(point_group, kind))
    span = left[:, singular > 0.5 * max(singular[0], 1e-6)] if singular[0] > 1e-6 else left[:, :0]
    return np.where(np.abs(span) < 1e-12, 0.0, span)


def choose(point_group: str, kind: Kind, names: Iterable[str]) -> tuple[str, ...]:
    """First names of an ordering whose components are linearly independent in the class.

    The choice is complete when it has as many names as :func:`independent_constants`.
    """
    span = _directions(canonical_point_group(point_group), kind)
    order = constant_names(kind)
    chosen: list[str] = []
    rows = np.empty((0, span.shape[1]))
    for name in names:
        candidate = np.vstack([rows, span[order.index(name)]])
        if np.linalg.matrix_rank(candidate, tol=1e-8) == len(candidate):
            chosen.append(name)
            rows = candidate
        if len(chosen) == span.shape[1]:
            break
    return tuple(chosen)


@cache
def independent_constants(point_group: str, kind: Kind) -> tuple[str, ...]:
    """Names of the independent constants of a class, sorted; e.g. 3m: e15, e22, e31, e33."""
    return tuple(sorted(choose(point_group, kind, constant_names(kind))))


def allowed_constants(point_group: str, kind: Kind) -> tuple[str, ...]:
    """Names of all constants that need not vanish in the class, independent or not, sorted."""
    span = _directions(canonical_point_group(point_group), kind)
    names = zip(constant_names(kind), span, strict=True)
    return tuple(sorted(name for name, row in names if np.any(row != 0.0)))


def invariant_basis(point_group: str, kind: Kind) -> Array:
    """One matrix per independent constant, shape (r, rows, columns).

    The matrix of a class is the sum of constant times basis matrix, in the order of
    :func:`independent_constants`.
    """
    names = independent_constants(canonical_point_group(point_group), kind)
    units = np.eye(len(names))
    shape = _matrix(kind, np.zeros(len(constant_names(kind)))).shape
    matrices = [_combine(point_group, kind, names, unit) for unit in units]
    return np.array(matrices).reshape(len(names), *shape)


def _combine(point_group: str, kind: Kind, names: tuple[str, ...], values: Array) -> Array:
    """Matrix whose components ``names``, a complete choice, take ``values``."""
    span = _directions(canonical_point_group(point_group), kind)
    order = constant_names(kind)
    rows = span[[order.index(name) for name in names]]
    combined = span @ np.linalg.solve(rows, np.asarray(values, dtype=np.float64))
    matrix = _matrix(kind, combined)
    scale = np.max(np.abs(values), initial=0.0)
    matrix[np.abs(matrix) < 1e-12 * scale] = 0.0
    return matrix


def expand(
    point_group: str,
    kind: Kind,
    constants: Mapping[str, float],
    *,
    first: Iterable[str] = (),
) -> Array:
    """Full matrix of a class from its constants, in the unit of the constants.

    Any complete set will do: for class 3m c66 may stand for c12. The independent constants of
    :func:`independent_constants` are taken where they are given, those named in ``first``
    before all others. Constants left over must agree within :data:`AGREEMENT`.

    Returns
    -------
    Array : (6, 6) stiffness, (3, 6) piezoelectric, (3, 3) permittivity or expansion.

    Raises
    ------
    MaterialError : a constant unknown, missing, forbidden by the class or contradicting others.
    """
    group = canonical_point_group(point_group)
    _refuse_forbidden(group, kind, constants)
    names = constant_names(kind)
    standard = independent_constants(group, kind)
    order = dict.fromkeys([*first, *standard, *names])
    chosen = choose(group, kind, [name for name in order if name in constants])
    if len(chosen) < len(standard):
        missing = choose(group, kind, [*chosen, *standard])[len(chosen) :]
        raise MaterialError(
            key=", ".join(missing),
            found="nothing",
            expected=f"the independent constants of class {group}: {', '.join(standard)}",
        )
    matrix = _combine(group, kind, chosen, np.array([constants[name] for name in chosen]))
    _refuse_contradictions(group, kind, constants, chosen, matrix)
    return matrix


def _refuse_forbidden(group: str, kind: Kind, constants: Mapping[str, float]) -> None:
    names = constant_names(kind)
    allowed = allowed_constants(group, kind)
    independent = ", ".join(independent_constants(group, kind)) or "none"
    for name, value in constants.items():
        if name not in names:
            near = nearest(name, names)
            hint = f", nearest: {', '.join(near)}" if near else ""
            raise MaterialError(
                key=name, found="an unknown constant", expected=f"{independent}{hint}"
            )
        if name not in allowed and value != 0.0:
            raise MaterialError(
                key=name,
                found=f"{value:g}",
                expected=f"zero in class {group}, whose independent constants are {independent}",
            )


def _refuse_contradictions(
    group: str, kind: Kind, constants: Mapping[str, float], chosen: tuple[str, ...], matrix: Array
) -> None:
    implied = components(kind, matrix)
    names = constant_names(kind)
    basis = np.array(
        [_combine(group, kind, chosen, unit)[_places(kind)] for unit in np.eye(len(chosen))]
    ).reshape(len(chosen), len(names))
    sizes = np.abs([constants[name] for name in chosen]) @ np.abs(basis)
    for name, value in constants.items():
        size = sizes[names.index(name)]
        if abs(value - implied[name]) > AGREEMENT * max(size, abs(value)):
            raise MaterialError(
                key=name,
                found=f"{value:g}",
                expected=f"{implied[name]:.6g}, which follows from {', '.join(chosen)} "
                f"in class {group}; leave it out",
            )
