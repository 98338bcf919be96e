"""Plane waves of a stack as ``sawfem cut`` tells them; imports no mesh and no solver of cells.

answer       compute_cut: all waves of a stack, and the JSON object of them
character    what belongs to one wave: depth, beam, losses, sensitivity, uncertainty, drift
dispersed    phase and group velocity against frequency
"""

from sawfem.cuts.answer import CutResult, compute_cut, quality_factor, stack_warnings
from sawfem.cuts.character import CHARACTER_QUANTITIES, ICE_POINT, WaveCharacter, characterise

__all__ = [
    "CHARACTER_QUANTITIES",
    "ICE_POINT",
    "CutResult",
    "WaveCharacter",
    "characterise",
    "compute_cut",
    "quality_factor",
    "stack_warnings",
]
