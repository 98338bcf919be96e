"""Case files: what a run is asked to do, from TOML text to SI numbers.

``Case`` is the only class most callers need; ``Case.resolved()`` gives a ``ResolvedCase``, a tree
of frozen dataclasses. The schema behind it never leaves this folder.
"""

from sawfem.case.case import Case
from sawfem.case.keypath import read_assignment
from sawfem.case.resolved import ResolvedBand, ResolvedCase, ResolvedLimit
from sawfem.case.resolved_asks import ResolvedSignal
from sawfem.case.resolved_devices import (
    ResolvedCircuitDevice,
    ResolvedDevice,
    ResolvedLadderDevice,
    ResolvedResonator,
    ResolvedResonatorDevice,
    ResolvedTrack,
    ResolvedTransversalDevice,
)
from sawfem.case.resolved_structure import (
    ResolvedCrystal,
    ResolvedElectrode,
    ResolvedFilm,
    ResolvedGrating,
    ResolvedLayer,
    ResolvedOvercoat,
)
from sawfem.case.resolved_transverse import ResolvedTransverse

__all__ = [
    "Case",
    "ResolvedBand",
    "ResolvedCase",
    "ResolvedCircuitDevice",
    "ResolvedCrystal",
    "ResolvedDevice",
    "ResolvedElectrode",
    "ResolvedFilm",
    "ResolvedGrating",
    "ResolvedLadderDevice",
    "ResolvedLayer",
    "ResolvedLimit",
    "ResolvedOvercoat",
    "ResolvedResonator",
    "ResolvedResonatorDevice",
    "ResolvedSignal",
    "ResolvedTrack",
    "ResolvedTransversalDevice",
    "ResolvedTransverse",
    "read_assignment",
]
