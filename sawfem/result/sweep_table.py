"""The answers of a sweep as arrays over labelled axes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import NotFoundError, SawfemError, nearest
from sawfem.quantities import QuantityEntry, entry
from sawfem.units import BASE_UNIT, WINDOWS, parse_quantity, split_text

#: State of a point.
DONE, FAILED, NOT_RUN = 0, 1, 2


@dataclass(frozen=True, eq=False)
class SweepCoordinate:
    """Where the points of a sweep lie along one key path.

    Attributes
    ----------
    key : the key path. unit : "m", "deg", "wavelength", ...; "" for pure numbers and words.
    dimension : name of the dimension along which it varies.
    values : numbers in ``unit``, or words (an array of str).
    """

    key: str
    unit: str
    dimension: str
    values: NDArray[Any]

    @property
    def is_words(self) -> bool:
        """Whether the values are names rather than numbers."""
        return self.values.dtype.kind not in "if"


@dataclass(frozen=True, eq=False)
class SweepTable:
    """What a sweep found.

    Attributes
    ----------
    title : of the case.
    dimensions : names, in order. shape : their lengths.
    coordinates : one for every axis of the sweep; axes that move together share a dimension.
    values : column -> array of ``shape`` (with a last axis of 2, lower and upper, for pairs);
        numbers are NaN and words "" where a point has none. A column is a quantity of the first
        grating ("velocity"), of another one ("shunt.velocity"), of the device ("resonance").
    uncertainty : column -> array like the values, the numerical error; NaN where there is none.
    checks, limits : "GRATING.check" -> array of ``shape``, and the limit it has to keep.
    reasons : column -> array of texts, why a constant is missing at a point that is done.
    status : int8, DONE, FAILED or NOT_RUN. message : why a point failed, "" else.
    """

    title: str
    dimensions: tuple[str, ...]
    shape: tuple[int, ...]
    coordinates: tuple[SweepCoordinate, ...]
    values: Mapping[str, NDArray[Any]]
    uncertainty: Mapping[str, NDArray[Any]]
    status: NDArray[np.int8]
    message: NDArray[Any]
    checks: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    limits: Mapping[str, float] = field(default_factory=dict)
    reasons: Mapping[str, NDArray[Any]] = field(default_factory=dict)

    def __repr__(self) -> str:
        size = " x ".join(map(str, self.shape))
        return f"SweepTable({size} points, {self.done} done, {', '.join(self.values)})"

    @property
    def done(self) -> int:
        """Number of points with an answer."""
        return int((self.status == DONE).sum())

    @property
    def failed(self) -> int:
        """Number of points that could not be computed."""
        return int((self.status == FAILED).sum())

    @property
    def size(self) -> int:
        """Number of points."""
        return int(self.status.size)

    def coordinate(self, key: str) -> SweepCoordinate:
        """The coordinate of a key path. Raises NotFoundError with the nearest."""
        found: SweepCoordinate = _chosen(
            key, {item.key: item for item in self.coordinates}, "an axis"
        )
        return found

    def masked(self, column: str) -> np.ma.MaskedArray[Any, Any]:
        """The values of a column, masked where there is none. Raises NotFoundError."""
        values = _chosen(column, self.values, "a column")
        missing = values == "" if values.dtype.kind not in "ifc" else np.isnan(values)
        return np.ma.MaskedArray(values, mask=missing)

    def real(self, column: str) -> NDArray[np.float64]:
        """A column as real numbers of ``shape``: of a complex one the real part, of a pair the
        lower one; "column.lower", ".upper", ".imaginary" and ".size" name other parts.

        Raises
        ------
        NotFoundError : no such column or part. SawfemError : the column holds words.
        """
        name, part = column, ""
        if column not in self.values and column.rpartition(".")[2] in _PARTS:
            name, _, part = column.rpartition(".")
        values = _chosen(name, self.values, "a column")
        if values.dtype.kind not in "ifc":
            raise SawfemError(found=f'"{name}", which holds words', expected="numbers")
        if values.ndim > len(self.shape):
            return np.asarray(values[..., 1 if part == "upper" else 0], dtype=float)
        if part == "imaginary":
            return np.asarray(values.imag, dtype=float)
        return np.asarray(np.abs(values) if part == "size" else values.real, dtype=float)

    def is_real(self, column: str) -> bool:
        """Whether a complex column is real but for rounding, as constants of a mirrored cell are.

        Raises NotFoundError.
        """
        values = _chosen(column, self.values, "a column")
        if values.dtype.kind != "c":
            return True
        size = float(np.nanmax(np.abs(values), initial=0.0))
        return float(np.nanmax(np.abs(values.imag), initial=0.0)) <= 1e-9 * size

    def places(self) -> dict[str, NDArray[Any]]:
        """Key path -> value at every point, (size,), points in the order of the arrays."""
        found = {}
        for item in self.coordinates:
            number = self.dimensions.index(item.dimension)
            shape = [1] * len(self.shape)
            shape[number] = self.shape[number]
            found[item.key] = np.broadcast_to(item.values.reshape(shape), self.shape).ravel()
        return found

    def best(self, column: str, *, largest: bool = False, count: int = 10) -> list[dict[str, Any]]:
        """The best points by one column: {"place": (...), key path: value, column: value}.

        Points without a value are left out. Raises as :meth:`real`.
        """
        values = self.real(column).ravel()
        places = self.places()
        order = np.argsort(-values if largest else values, kind="stable")
        chosen = [int(n) for n in order if not np.isnan(values[n])][:count]
        return [
            {
                "place": tuple(int(i) for i in np.unravel_index(n, self.shape)),
                **{key: array[n] for key, array in places.items()},
                column: float(values[n]),
            }
            for n in chosen
        ]

    def at(self, key: str, value: str | float) -> SweepTable:
        """The slice at the value of an axis that is nearest to ``value``; "80 nm" reads as well.

        Raises
        ------
        NotFoundError : no such axis, or a word that is not among its values.
        """
        item = self.coordinate(key)
        index = _nearest(item, value)
        number = self.dimensions.index(item.dimension)

        def cut(arrays: Mapping[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
            return {name: np.take(array, [index], number) for name, array in arrays.items()}

        coordinates = [
            replace(other, values=other.values[[index]])
            if other.dimension == item.dimension
            else other
            for other in self.coordinates
        ]
        shape = list(self.shape)
        shape[number] = 1
        return replace(
            self,
            shape=tuple(shape),
            coordinates=tuple(coordinates),
            values=cut(self.values),
            uncertainty=cut(self.uncertainty),
            checks=cut(self.checks),
            reasons=cut(self.reasons),
            status=np.take(self.status, [index], number),
            message=np.take(self.message, [index], number),
        ).squeezed()

    def squeezed(self) -> SweepTable:
        """Without dimensions of length one, but for the last that is left."""
        kept = [n for n, length in enumerate(self.shape) if length > 1] or [0]
        if len(kept) == len(self.shape):
            return self
        names = tuple(self.dimensions[n] for n in kept)
        shape = tuple(self.shape[n] for n in kept)

        def flat(arrays: Mapping[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
            return {
                name: array.reshape(*shape, *array.shape[len(self.shape) :])
                for name, array in arrays.items()
            }

        return replace(
            self,
            dimensions=names,
            shape=shape,
            coordinates=tuple(item for item in self.coordinates if item.dimension in names),
            values=flat(self.values),
            uncertainty=flat(self.uncertainty),
            checks=flat(self.checks),
            reasons=flat(self.reasons),
            status=self.status.reshape(shape),
            message=self.message.reshape(shape),
        )

    def only(self, columns: Sequence[str]) -> SweepTable:
        """The same with these columns alone. Raises NotFoundError."""
        values = {name: _chosen(name, self.values, "a column") for name in columns}
        bars = {name: array for name, array in self.uncertainty.items() if name in values}
        return replace(self, values=values, uncertainty=bars)

    def messages(self) -> Iterator[tuple[tuple[int, ...], str]]:
        """Place and message of every point that failed."""
        for place in np.argwhere(self.status == FAILED):
            where = tuple(int(i) for i in place)
            yield where, str(self.message[where])

    def to_xarray(self) -> Any:
        """The same as an ``xarray.Dataset`` with coordinates and attributes.

        Raises
        ------
        NotFoundError : xarray is not installed.
        """
        try:
            import xarray as xr
        except ImportError:
            raise NotFoundError(
                found="no package xarray", expected="it installed, or the NumPy arrays of the table"
            ) from None
        coordinates = {
            item.key: (
                item.dimension,
                item.values.astype(str) if item.is_words else item.values,
                {"units": item.unit, "long_name": item.key},
            )
            for item in self.coordinates
        }
        variables: dict[str, Any] = {}
        for suffix, columns in (("", self.values), ("_uncertainty", self.uncertainty)):
            for name, array in columns.items():
                dimensions = self.dimensions
                if array.ndim > len(self.shape):
                    dimensions = (*dimensions, "edge")
                    coordinates["edge"] = ("edge", np.array(["lower", "upper"]), {})
                attributes = {("units" if k == "unit" else k): v for k, v in _row(name).items()}
                kept = array.astype(str) if array.dtype.kind not in "ifc" else array
                variables[name + suffix] = (dimensions, kept, attributes)
        variables["status"] = (self.dimensions, self.status, {"long_name": STATUS_WORDS})
        variables["message"] = (self.dimensions, self.message.astype(str), {})
        return xr.Dataset(variables, coordinates, {"title": self.title})


_PARTS = ("lower", "upper", "real", "imaginary", "size")

STATUS_WORDS = "0 done, 1 failed, 2 not run"


def _nearest(item: SweepCoordinate, value: str | float) -> int:
    """Index of the value of an axis that is nearest to a number, a quantity text or a word."""
    if item.is_words:
        listed = [str(word) for word in item.values]
        _chosen(str(value), dict.fromkeys(listed), "a value of the axis")
        return listed.index(str(value))
    number = _number(value, item.unit)
    if number is None:
        raise NotFoundError(
            key=item.key, found=f'"{value}"', expected=f"a number in {item.unit or 'no unit'}"
        )
    return int(np.argmin(np.abs(item.values - number)))


def _number(value: str | float, unit: str) -> float | None:
    """A number, or a text with a unit, in the unit of an axis."""
    try:
        return float(value)
    except ValueError:
        pass
    parts = split_text(str(value))
    if parts is not None and parts[2] == unit:
        return float(f"{parts[0]}e{parts[1]}")
    for kind, base in BASE_UNIT.items():
        if base == unit and kind in WINDOWS:
            try:
                return parse_quantity(value, kind)
            except SawfemError:
                continue
    return None


def quantity_of(column: str) -> QuantityEntry:
    """The row of the table of quantities behind a column. Raises NotFoundError."""
    return entry(column.rpartition(".")[2])


def _row(column: str) -> dict[str, str]:
    return quantity_of(column).attributes()


def _chosen(name: str, options: Mapping[str, Any], what: str) -> Any:
    if name in options:
        return options[name]
    near = nearest(name, options, 3) or list(options)[:12]
    raise NotFoundError(
        found=f'"{name}", not in this sweep', expected=f"{what}: {', '.join(near) or 'none'}"
    )
