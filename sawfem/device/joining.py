"""Sections with one electrical port, joined acoustically in a row and electrically in parallel."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sawfem.device.pmatrix import PMatrix, cascade


def with_idle_port(section: PMatrix) -> PMatrix:
    """The same with an electrical port that does nothing."""
    matrix = np.zeros((section.frequency.size, 3, 3), dtype=complex)
    matrix[:, :2, :2] = section.matrix
    return PMatrix(section.frequency, matrix)


def with_capacitance(section: PMatrix, capacitance: float) -> PMatrix:
    """A capacitance in farad, of either sign, added at the one electrical port."""
    if capacitance == 0.0:
        return section
    matrix = section.matrix.copy()
    matrix[:, 2, 2] += 2j * np.pi * section.frequency * capacitance
    return PMatrix(section.frequency, matrix)


def in_parallel(sections: Sequence[PMatrix]) -> PMatrix:
    """Side by side with their one electrical port each in parallel."""
    total = sections[0]
    for section in sections[1:]:
        total = cascade([total, section]).connected([[1.0], [1.0]])
    return total


def repeated(section: PMatrix, times: int) -> PMatrix:
    """``times`` of the same in a row, ports in parallel, by doubling: cost log(times)."""
    total: PMatrix | None = None
    while times:
        if times & 1:
            total = section if total is None else in_parallel([total, section])
        times >>= 1
        if times:
            section = in_parallel([section, section])
    assert total is not None
    return total
