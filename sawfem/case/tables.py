"""Base of every table of a case: strict, and helpful about unknown keys."""

from __future__ import annotations

from difflib import SequenceMatcher
from typing import Any

from pydantic import BaseModel, ConfigDict, model_validator

from sawfem.case.rules import RefusedError
from sawfem.errors import nearest


class UnknownKeyError(RefusedError):
    """A key that a table does not have."""


def alike(key: str, name: str) -> bool:
    """Whether a key looks like a slip of the keyboard for ``name``, rather than another word."""
    return SequenceMatcher(None, key[:80], name).ratio() >= 0.6


class Table(BaseModel):
    """Base of all tables: strict, frozen, and helpful about unknown keys."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    @classmethod
    def keys(cls) -> list[str]:
        """Keys as they are written in a case."""
        return [field.alias or name for name, field in cls.model_fields.items()]

    @model_validator(mode="before")
    @classmethod
    def _known(cls, data: Any) -> Any:
        if isinstance(data, dict):
            keys = cls.keys()
            for key in data:
                if key not in keys:
                    near = [name for name in nearest(str(key)[:80], keys, 1) if alike(key, name)]
                    hint = f", nearest: {near[0]}" if near else f": {', '.join(keys)}"
                    raise UnknownKeyError("an unknown key", "a key of {table}" + hint, f".{key}")
        return data
