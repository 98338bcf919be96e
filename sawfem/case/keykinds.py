"""What a key path of a case may hold, from the schema: units for axes, whole numbers for counts."""

from __future__ import annotations

from typing import Any, get_args

from pydantic import BaseModel

from sawfem.case.compound_rules import ImpedanceRule, ListRule
from sawfem.case.keypath import parse_path
from sawfem.case.rules import FractionRule, IntegerRule, QuantityRule, Rule
from sawfem.case.schema import CaseTable
from sawfem.units import BASE_UNIT


def rule_at(path: str) -> Rule | None:
    """The rule for values at a key path, or None where the schema has no such key.

    Raises CaseError for text that is no key path.
    """
    places: list[Any] = [CaseTable]
    rule: Rule | None = None
    for step in parse_path(path):
        if isinstance(step, int):
            rule = rule.item if isinstance(rule, ListRule) else rule
            continue
        fields = [found for model in places if (found := _field(model, step)) is not None]
        if not fields:
            continue  # the name of a member of the list that the path is at
        rule = next(
            (mark for found in fields for mark in found.metadata if isinstance(mark, Rule)), None
        )
        below = [model for found in fields for model in _models(found.annotation)]
        places = below or places
    return rule


def base_unit_at(path: str) -> str:
    """Unit of a bare number at a key path: "m", "deg", ...; "" for a pure number or a word."""
    kind = kind_at(path)
    return "" if kind is None else BASE_UNIT[kind]


def counts_at(path: str) -> bool:
    """Whether a key path takes whole numbers alone."""
    rule = rule_at(path)
    rule = rule.item if isinstance(rule, ListRule) else rule
    return isinstance(rule, IntegerRule)


def kind_at(path: str) -> str | None:
    """Kind of quantity (a name in UNITS) at a key path, or None for other values."""
    rule = rule_at(path)
    if isinstance(rule, FractionRule | ImpedanceRule):
        return "ratio" if isinstance(rule, FractionRule) else "resistance"
    return rule.kind if isinstance(rule, QuantityRule) else None


def _field(model: type[BaseModel], step: str) -> Any:
    """The field of a table that is written as ``step``."""
    for name, found in model.model_fields.items():
        if step == (found.alias or name):
            return found
    return None


def _models(annotation: Any) -> list[type[BaseModel]]:
    """Tables below an annotation, through lists and unions."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in _models(part)]
