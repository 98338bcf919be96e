"""What a sweep keeps: names of [sweep] keep, and how much of a run they need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sawfem.case import ResolvedCase
from sawfem.errors import CaseError, nearest
from sawfem.quantities import table
from sawfem.result.waves import WAVE_QUANTITIES

#: How far a point is computed: plane waves alone; gratings too; the device as well.
WAVES, GRATINGS, DEVICE = "waves", "gratings", "device"

#: Names that stand for many.
PARTS = ("waves", "constants", "checks", "figures")


@dataclass(frozen=True)
class Keeping:
    """What is kept of every point.

    Attributes
    ----------
    names : of [sweep] keep: parts, quantities, or GRATING.quantity.
    level : WAVES, GRATINGS or DEVICE: how far a point must be computed for them.
    """

    names: tuple[str, ...]
    level: str

    def wants(self, column: str) -> bool:
        """Whether a column of the answers is kept: "velocity", "shunt.velocity", "checks.main.x",
        "waves.velocity_free", "figures.resonance".
        """
        part, _, rest = column.partition(".")
        return column in self.names or part in self.names or (part in PARTS and rest in self.names)


def keeping(case: ResolvedCase, names: Sequence[str] | None) -> Keeping:
    """What a case wants kept; everything that it computes but the plane waves by default.

    Raises
    ------
    CaseError : a name that is none, or of something that the case does not have.
    """
    gratings, device = bool(case.gratings), case.device is not None
    if names is None:
        usual = ("constants", "checks") if gratings else ("waves",)
        names = (*usual, "figures") if device else usual
    level = WAVES
    for number, name in enumerate(names):
        needed = _level(case, name, f"sweep.keep[{number}]")
        level = max(level, needed, key=(WAVES, GRATINGS, DEVICE).index)
    return Keeping(tuple(dict.fromkeys(names)), level)


def _level(case: ResolvedCase, name: str, key: str) -> str:
    """How far a point must be computed for one name."""
    from sawfem.result import CONSTANTS

    grating, _, quantity = name.rpartition(".")
    known = [*PARTS, *dict.fromkeys((*WAVE_QUANTITIES, *CONSTANTS))]

    def refuse(found: str, expected: str) -> CaseError:
        return CaseError(file=case.file, key=key, found=found, expected=expected)

    if grating and grating not in (*case.gratings, *PARTS):
        near = nearest(grating, case.gratings, 1)
        raise refuse(
            f'"{name}", of no grating of this case',
            f"GRATING.quantity{f', nearest: {near[0]}' if near else ''}",
        )
    if name == "waves" or (quantity in WAVE_QUANTITIES and grating in ("", "waves")):
        return WAVES
    if name in ("constants", "checks") or quantity in CONSTANTS:
        if not case.gratings:
            raise refuse(f'"{name}"', "waves or their quantities: the case has no grating")
        return GRATINGS
    if name == "figures" or quantity in table():
        if case.device is None:
            raise refuse(
                f'"{name}", a figure of a device', f"one of {', '.join(known)}: no [device] here"
            )
        return DEVICE
    near = nearest(name, [*known, *table()], 1)
    hint = f", nearest: {near[0]}" if near else f": {', '.join(known)}"
    raise refuse(f'"{name}", nothing that a sweep keeps', f"a part or a quantity{hint}")
