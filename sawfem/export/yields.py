"""Files of a yield: yield.json, and a picture of margins and effects.

The numbers of every die are in yield.json: some hundred bytes a die.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sawfem.quantities import entry, json_safe
from sawfem.wholefiles import replacing, unwritable

if TYPE_CHECKING:
    from sawfem.result.yields import YieldResult

FORMAT = "sawfem.yield/1"
_EXPECTED = "a folder that can be written; name another with --out"


def prepare_yield(folder: Path) -> None:
    """Make sure that files may be written, before time is spent. Raises OutputError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        trial = folder / ".try"
        trial.write_text("", encoding="utf-8")
        trial.unlink()
    except OSError as error:
        raise unwritable(folder, error, _EXPECTED) from error


def save_yield(found: YieldResult, folder: Path) -> tuple[str, ...]:
    """Write yield.json and yield.png, yield.svg; each replaces an older one in one step.

    Raises OutputError where the folder cannot be written.
    """
    from sawfem.plot import style
    from sawfem.plot.yields import draw_yield

    try:
        with style.house_style():
            pictures = style.save_figure(draw_yield(found), folder, "yield")
        names = ("yield.json", *(picture.name for picture in pictures))
        files = tuple((folder / name).as_posix() for name in names)
        text = json.dumps(yield_dict(found, files), indent=1, ensure_ascii=False, allow_nan=False)
        with replacing(folder / "yield.json") as new:
            new.write_text(text + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        raise unwritable(folder, error, _EXPECTED) from error
    return files


def yield_dict(found: YieldResult, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """The JSON object of a yield: SI units, margins of every die, null where one does not exist."""
    draws = found.draws
    count = found.passed.size
    return {
        "format": FORMAT,
        "case": found.case_name,
        "title": found.title,
        "yield": found.total.value,
        "interval": [found.total.low, found.total.high],
        "confidence": found.total.confidence,
        "dies": count,
        "dies_asked": found.asked,
        "dies_independent": found.total.independent,
        "seed": found.seed,
        "limits": [
            {
                "name": limit.name,
                "quantity": limit.quantity,
                "unit": entry(limit.quantity).unit,
                "kind": limit.kind,
                "limit": limit.bound,
                "kept_by": limit.share,
                "margin_nominal": json_safe(limit.nominal),
                "margin_worst_corner": json_safe(limit.worst),
                "margin": json_safe(limit.margin),
            }
            for limit in found.limits
        ],
        "effects": [
            {
                "key": effect.key,
                "unit": effect.unit,
                "standard_deviation": effect.deviation,
                "margin_per_sigma": json_safe(effect.margin),
                "frequency_per_sigma": effect.frequency,
                "trim_ppm_per_nm": None if effect.trim is None else 1e-3 * effect.trim,
            }
            for effect in found.effects
        ],
        "deviations": {key: json_safe(values[:count]) for key, values in draws.deviation.items()},
        "lot": json_safe(draws.lot[:count]),
        "layout_grid": {
            name: {"pitch_error_m": mean, "edge_error_rms_m": rms}
            for name, (mean, rms) in found.grid.items()
        },
        "faults": {
            name: {"dies": has, "passed": kept} for name, (has, kept) in found.faulty.items()
        },
        "surrogate": {"cells_solved": found.cells_solved, "error": found.surrogate_error},
        "warnings": list(found.warnings),
        "files": list(files),
    }
