"""The [yield] of a case: which keys scatter, by how much, in the units of the keys."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sawfem.case import Case, ResolvedCase
from sawfem.case.keykinds import base_unit_at, counts_at, kind_at
from sawfem.device.faults import FaultRates
from sawfem.device.specification import Limit
from sawfem.device.variation import Correlation, Draws, Spread, draw
from sawfem.errors import CaseError, InputError, SawfemError
from sawfem.pipeline.fitted import refuse_fitted
from sawfem.pipeline.specified import limits_of
from sawfem.units import is_number, is_relative, parse_length, parse_quantity

#: Bare numbers of these units must carry it in a case.
_SPELLED = ("degC",)


@dataclass(frozen=True)
class ScatteredKey:
    """A key that scatters.

    Attributes
    ----------
    key : its path. nominal : its value in ``unit``, the unit of bare numbers there.
    deviation : standard deviation of all levels together, in ``unit``.
    """

    key: str
    nominal: float
    unit: str
    deviation: float

    def value(self, change: float) -> Any:
        """What the case takes for a deviation ``change`` from the nominal value."""
        number = self.nominal + change
        return f"{number!r} {self.unit}" if self.unit in _SPELLED else number


@dataclass(frozen=True, eq=False)
class ProcessPlan:
    """The [yield] of a case, understood.

    Attributes
    ----------
    case, resolved : with its [specification]. limits : of it.
    keys : that scatter, by path. spreads, correlations : in SI units of the keys.
    dies, wafers_per_lot, dies_per_wafer, seed, confidence : of the draw.
    layout_grid : m, to which electrode edges are rounded on the mask, or None.
    faults : probabilities of fingers that are missing or touch.
    """

    case: Case
    resolved: ResolvedCase
    limits: tuple[Limit, ...]
    keys: Mapping[str, ScatteredKey]
    spreads: tuple[Spread, ...]
    correlations: tuple[Correlation, ...]
    dies: int
    wafers_per_lot: int
    dies_per_wafer: int
    seed: int
    confidence: float
    layout_grid: float | None
    faults: FaultRates = field(default_factory=FaultRates)

    def draws(self) -> Draws:
        """The deviations of all dies."""
        return draw(
            self.spreads,
            self.dies,
            correlations=self.correlations,
            wafers_per_lot=self.wafers_per_lot,
            dies_per_wafer=self.dies_per_wafer,
            seed=self.seed,
        )

    def variant(self, changes: Mapping[str, float]) -> ResolvedCase:
        """The case with deviations at some keys. Raises as Case.edit."""
        return self.case.resolved_with(
            {key: self.keys[key].value(change) for key, change in changes.items()}
        )


def plan_process(case: Case) -> ProcessPlan:
    """What the [yield] of a case asks for; nothing is computed.

    Raises
    ------
    CaseError : no [yield], [specification] or [device]; a key that is no number, or whose spread
        has another unit.
    """
    resolved = case.resolved()
    asked = case.to_dict().get("yield")
    file = resolved.file
    if asked is None:
        raise _missing(file, "yield", "a table [yield] with samples and [[yield.spread]]")
    if resolved.device is None:
        raise _missing(file, "device", "a [device] whose yield is asked for")
    refuse_fitted(resolved, "yield")
    limits = limits_of(resolved)
    if not limits:
        raise _missing(file, "specification", "[[specification.limit]] that a die has to keep")
    listed = asked.get("spread", [])
    listed = listed if isinstance(listed, list) else [listed]
    faults = any(asked.get(key) for key in ("missing_fingers", "touching_fingers"))
    if not listed and not faults:
        raise _missing(file, "yield.spread", "one [[yield.spread]] with key and deviation, or more")
    spreads = tuple(_spread(case, item, number) for number, item in enumerate(listed))
    pairs = asked.get("correlation", [])
    pairs = pairs if isinstance(pairs, list) else [pairs]
    grid = asked.get("layout_grid")
    plan = ProcessPlan(
        case=case,
        resolved=resolved,
        limits=limits,
        keys=_keys(case, spreads),
        spreads=spreads,
        correlations=tuple(
            Correlation(item["between"][0], item["between"][1], float(item["coefficient"]))
            for item in pairs
        ),
        dies=int(asked["samples"]),
        wafers_per_lot=int(asked.get("wafers_per_lot", 1)),
        dies_per_wafer=int(asked.get("dies_per_wafer", 1)),
        seed=int(asked.get("seed", 0)),
        confidence=float(asked.get("confidence", 0.95)),
        layout_grid=None if grid is None else parse_length(grid, key="yield.layout_grid"),
        faults=FaultRates(
            float(asked.get("missing_fingers", 0.0)), float(asked.get("touching_fingers", 0.0))
        ),
    )
    try:
        draw(plan.spreads, 1, correlations=plan.correlations)
    except InputError as error:
        raise CaseError(
            file=file, key=error.key, found=error.found, expected=error.expected
        ) from None
    _try_ends(plan)
    return plan


def _missing(file: str | None, key: str, expected: str) -> CaseError:
    return CaseError(file=file, key=key, found="nothing", expected=expected)


def _spread(case: Case, item: Mapping[str, Any], number: int) -> Spread:
    """One [[yield.spread]], its deviation in the unit of its key."""
    key, place = str(item["key"]), f"yield.spread[{number}]"
    nominal, _ = _nominal(case, key, f"{place}.key")
    given = item["standard_deviation"]
    kind = kind_at(key)
    file = case.resolved().file
    relative = isinstance(given, str) and given.strip().endswith(("%", "ppm"))
    try:
        if relative and kind != "ratio":
            deviation = abs(nominal) * parse_quantity(given, "ratio")
        elif kind == "temperature":
            deviation = _kelvins(given)
        elif kind is None:
            deviation = float(given)
        else:
            deviation = parse_quantity(given, kind)
        return Spread(key, deviation, str(item.get("level", "die")))
    except (SawfemError, ValueError) as error:
        found = getattr(error, "found", None) or repr(given)
        expected = getattr(error, "expected", None) or "a number"
        raise CaseError(
            file=file, key=f"{place}.standard_deviation", found=found, expected=expected
        ) from None


def _kelvins(given: Any) -> float:
    """A difference of temperatures: "2 K", "2 degC" or a number of kelvins."""
    if is_number(given):
        return float(given)
    return float(str(given).replace("degC", "").replace("K", ""))


def _nominal(case: Case, key: str, place: str) -> tuple[float, str]:
    """Value of a key in the unit of its bare numbers, and that unit."""
    file = case.resolved().file
    written = case.get(key)
    unit = base_unit_at(key)
    if counts_at(key) or isinstance(written, dict | list | bool):
        raise CaseError(
            file=file, key=place, found=f"{key}, which is no quantity", expected="a quantity"
        )
    if is_relative(written):
        raise CaseError(
            file=file,
            key=place,
            found=f'{key} = "{written}"',
            expected="a length in m, mm, um or nm: one in wavelengths scatters with the pitch",
        )
    kind = kind_at(key)
    if kind is None:
        if not is_number(written):
            raise CaseError(file=file, key=place, found=f"{key} = {written!r}", expected="a number")
        return float(written), ""
    return parse_quantity(written, kind), unit


def _keys(case: Case, spreads: tuple[Spread, ...]) -> dict[str, ScatteredKey]:
    found: dict[str, ScatteredKey] = {}
    for key in dict.fromkeys(spread.key for spread in spreads):
        nominal, unit = _nominal(case, key, "yield.spread.key")
        variance = sum(s.standard_deviation**2 for s in spreads if s.key == key)
        found[key] = ScatteredKey(key, nominal, unit, variance**0.5)
    return found


def _try_ends(plan: ProcessPlan) -> None:
    """Four deviations to either side must still be a case."""
    for number, spread in enumerate(plan.spreads):
        for side in (-4.0, 4.0):
            change = side * plan.keys[spread.key].deviation
            try:
                plan.variant({spread.key: change})
            except SawfemError as error:
                raise CaseError(
                    file=plan.resolved.file,
                    key=f"yield.spread[{number}].standard_deviation",
                    found=f"four deviations bring {spread.key} to "
                    f"{plan.keys[spread.key].value(change)!r} ({error.found or error.message})",
                    expected="a smaller deviation",
                ) from None
