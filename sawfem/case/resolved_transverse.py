"""What lies across a resonator, of a case with nothing left open."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ResolvedTransverse:
    """Across a resonator, in metres: ``busbar`` None where the case does not say; ``gap`` and
    ``dummy`` 0 for none. ``overlaps`` of its electrodes; ``apertures`` to compare, () for a range.
    """

    busbar: float | None = None
    gap: float = 0.0
    dummy: float = 0.0
    overlaps: tuple[float, ...] = (1.0,)
    apertures: tuple[float, ...] = ()
