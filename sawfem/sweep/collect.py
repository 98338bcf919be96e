"""From the rows of a store to arrays over the axes of a sweep."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.result.sweep_table import (
    DONE,
    FAILED,
    NOT_RUN,
    SweepCoordinate,
    SweepTable,
    quantity_of,
)
from sawfem.sweep.keeping import PARTS
from sawfem.sweep.plan import SweepPlan
from sawfem.sweep.store import Kept, Store


def collect(store: Store, kept: Kept, plan: SweepPlan) -> SweepTable:
    """Everything that a store holds of one sweep, whole or in part."""
    chosen: list[list[Any]] = []
    if plan.sample != "adaptive":
        columns = _Columns(plan, plan.size)
        for place, status, answer, message, _ in store.members(kept.number):
            columns.put(place, status, answer, message)
        return columns.table(plan.shape, _coordinates(plan, chosen))
    # Places count in the order in which they were chosen; some of the last may not be there yet.
    chosen = [json.loads(changes) for *_, changes in store.members(kept.number)]
    columns = _Columns(plan, len(chosen))
    for row, (_, status, answer, message, _) in enumerate(store.members(kept.number)):
        columns.put(row, status, answer, message)
    return columns.table((len(chosen),), _coordinates(plan, chosen))


def _coordinates(plan: SweepPlan, chosen: list[list[Any]]) -> tuple[SweepCoordinate, ...]:
    found = []
    for dimension in plan.dimensions:
        for number in dimension.axes:
            axis = plan.axes[number]
            values: NDArray[Any] = axis.numbers
            if plan.sample == "adaptive":
                values = np.array([row[number] for row in chosen], dtype=float)
            elif axis.is_words:
                values = np.array([str(value) for value in axis.values], dtype=object)
            found.append(SweepCoordinate(axis.key, axis.unit, dimension.name, values))
    return tuple(found)


class _Columns:
    """Arrays that are filled point by point; a column begins when a point first has it."""

    def __init__(self, plan: SweepPlan, count: int) -> None:
        self._plan, self._count = plan, count
        self.values: dict[str, NDArray[Any]] = {}
        self.bars: dict[str, NDArray[Any]] = {}
        self.reasons: dict[str, NDArray[Any]] = {}
        self.checks: dict[str, NDArray[np.float64]] = {}
        self.limits: dict[str, float] = {}
        self.status = np.full(count, NOT_RUN, dtype=np.int8)
        self.message = np.full(count, "", dtype=object)
        self._names: dict[str, str | None] = {}

    def put(self, place: int, status: int, answer: str, message: str) -> None:
        """One row."""
        self.status[place] = DONE if status == DONE else FAILED
        self.message[place] = message
        if not answer:
            return
        tree: Mapping[str, Any] = json.loads(answer)
        for group, arrays in (("values", self.values), ("uncertainty", self.bars)):
            for column, value in tree[group].items():
                name = self._name(column)
                if name is not None:
                    self._set(arrays, name, place, value)
        for column, reason in tree["reasons"].items():
            name = self._name(column)
            if name is not None:
                self.reasons.setdefault(name, np.full(self._count, "", dtype=object))
                self.reasons[name][place] = reason
        for check, (value, limit) in tree["checks"].items():
            if self._plan.keep.wants(f"checks.{check}"):
                self.checks.setdefault(check, np.full(self._count, np.nan))
                self.checks[check][place] = value
                self.limits[check] = limit

    def _name(self, column: str) -> str | None:
        """Column of the table for a column of an answer, None where it is not kept."""
        if column not in self._names:
            part, _, rest = column.partition(".")
            name = rest if part in PARTS else column
            self._names[column] = name if self._plan.keep.wants(column) else None
        return self._names[column]

    def _set(self, arrays: dict[str, NDArray[Any]], name: str, place: int, value: Any) -> None:
        """Put a value of a point into the array of its quantity, made when first met."""
        form = quantity_of(name).form
        if name not in arrays:
            if form == "text":
                arrays[name] = np.full(self._count, "", dtype=object)
            elif form == "pair":
                arrays[name] = np.full((self._count, 2), np.nan)
            else:
                kind = complex if form == "complex" else float
                arrays[name] = np.full(self._count, np.nan, dtype=kind)
        if value is None:
            return
        if form == "complex":
            arrays[name][place] = complex(*value)
        elif form == "pair":
            arrays[name][place] = [np.nan if part is None else part for part in value]
        else:
            arrays[name][place] = value

    def table(self, shape: tuple[int, ...], coordinates: tuple[SweepCoordinate, ...]) -> SweepTable:
        """The arrays in their shape, columns by name."""

        def shaped(arrays: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
            return {
                name: arrays[name].reshape(*shape, *arrays[name].shape[1:])
                for name in sorted(arrays)
            }

        return SweepTable(
            title=self._plan.case.title,
            dimensions=tuple(dimension.name for dimension in self._plan.dimensions),
            shape=shape,
            coordinates=coordinates,
            values=shaped(self.values),
            uncertainty=shaped(self.bars),
            status=self.status.reshape(shape),
            message=self.message.reshape(shape),
            checks=shaped(self.checks),
            limits=dict(sorted(self.limits.items())),
            reasons=shaped(self.reasons),
        )
