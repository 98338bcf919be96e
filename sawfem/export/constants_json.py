"""The JSON object of a run as text, and its JSON Schema."""

from __future__ import annotations

import json
from typing import Any

from sawfem.quantities import entry, json_key, table
from sawfem.result import CONSTANTS, FORMAT, WAVE_QUANTITIES, Result

#: Name of the file inside a folder of results.
FILE_NAME = "constants.json"

_TEXT = {"type": "string"}
_TEXTS = {"type": "array", "items": _TEXT}
_REASONS = {"type": "object", "additionalProperties": _TEXT}
_PAIR = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}


def constants_text(result: Result) -> str:
    """Text of constants.json: the very object that a run prints with --json."""
    return json.dumps(result.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def result_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of that object.

    Every key of a quantity has title and description from the table of quantities. Unknown keys
    are allowed: within a version keys are added.
    """
    grating = _grating_schema()
    check = _object({"value": {"type": "number"}, "limit": {"type": "number"}, "ok": _BOOLEAN})
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Result of a run of sawfem",
        **_object(
            {
                "format": {"const": FORMAT},
                "case": _TEXT,
                "title": _TEXT,
                "constants": {"anyOf": [grating, {"type": "null"}]},
                "gratings": {"type": "object", "additionalProperties": grating},
                "waves": {"type": "array", "items": _wave_schema()},
                "checks": {"type": "object", "additionalProperties": check},
                "device": {"anyOf": [_device_schema(), {"type": "null"}]},
                "warnings": _TEXTS,
                "cautions": _TEXTS,
                "files": _TEXTS,
            }
        ),
    }


_BOOLEAN = {"type": "boolean"}


def _object(properties: dict[str, Any], optional: tuple[str, ...] = ()) -> dict[str, Any]:
    required = [key for key in properties if key not in optional]
    return {"type": "object", "properties": properties, "required": required}


def _quantities(names: tuple[str, ...]) -> dict[str, Any]:
    return {json_key(name): entry(name).json_schema() for name in names}


def _grating_schema() -> dict[str, Any]:
    bars = _quantities(CONSTANTS)
    return _object(
        {
            "grating": _TEXT,
            **_quantities(CONSTANTS),
            "uncertainty": {
                "type": "object",
                "description": "absolute, unit and keys of the values; kinds are never merged",
                "properties": {
                    kind: {"type": "object", "properties": bars}
                    for kind in ("numerical", "process")
                },
                "required": ["numerical"],
            },
            "reasons": {**_REASONS, "description": "why a value is null, under its key"},
        }
    )


def _wave_schema() -> dict[str, Any]:
    return _object({**_quantities(WAVE_QUANTITIES), "reasons": _REASONS})


def _device_schema() -> dict[str, Any]:
    figures = {row.json_key: row.json_schema() for row in table().values() if row.form != "pair"}
    return _object(
        {
            "kind": _TEXT,
            "ports": {
                "type": "array",
                "items": _object({"name": _TEXT, "impedance_ohm": _PAIR}),
            },
            "description": {"type": "object"},
            "figures": {"type": "object", "properties": figures, "additionalProperties": False},
            "uncertainty": {"type": "object"},
            "reasons": _REASONS,
            "specification": {"type": "array"},
            "spurious": {"type": "array"},
            "quality": {"type": "object"},
            "resonators": {"type": "object"},
            "signal": {"type": "object"},
            "second_model": {"type": "array"},
            "diffraction": {"type": "array", "items": {"type": "object"}},
            "transverse": {"type": "object"},
            "touchstone": {"type": ["string", "null"]},
        },
        optional=("uncertainty", "quality", "resonators", "signal", "diffraction", "transverse"),
    )
