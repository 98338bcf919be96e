"""Greedy growth of a basis: a full solution where the bound on the error is worst, and again.

(Greedy choice of snapshots by an estimate of the error: Hesthaven, Rozza, Stamm, Certified
Reduced Basis Methods for Parametrized Partial Differential Equations, 2016; from memory.)
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sawfem.errors import ConvergenceError
from sawfem.unitcell.projected import CellAtPhase
from sawfem.unitcell.region import Region
from sawfem.unitcell.snapshots import SnapshotBasis

#: Called as progress(done, total).
Progress = Callable[[float, float], None]

#: |Y| below this share of w C is measured against that share.
SMALL = 0.01
#: A training point whose bound reaches this share of the largest one possible is taken for the
#: worst: a weak greedy choice converges alike and renews far fewer bounds.
WEAK = 0.2


def silent(done: float, total: float) -> None:
    """No progress."""


class Growth:
    """Greedy growth of a basis over a region."""

    def __init__(
        self,
        source: SnapshotBasis,
        region: Region,
        tolerance: float,
        most: int,
        training: tuple[int, int],
        progress: Progress,
    ) -> None:
        self.source, self.tolerance, self.most, self.progress = source, tolerance, most, progress
        frequencies, phases = region.grid(*training)
        self.frequencies = frequencies
        self._fine = [(f, g) for g in phases for f in frequencies]
        #: Relative bound at every training point, as it was when it was last looked at; every
        #: second frequency and phase first, the others when those are within the tolerance.
        self.estimates = {(f, g): np.inf for g in phases[::2] for f in frequencies[::2]}
        self.snapshots: list[tuple[float, float]] = []
        self.capacitance = 0.0
        self.reached = np.inf
        self.projected = source.projected()
        self._views: dict[float, CellAtPhase] = {}
        # The floor does not depend on the basis: all of its blocks at once.
        at = np.array(frequencies)
        self._blocks = {g: self.projected.floor_blocks(at, g) for g in phases}

    def run(self) -> None:
        """Add snapshots until every training point is within the tolerance."""
        if self.source.order == 0:
            self._add(*list(self.estimates)[len(self.estimates) // 2])
        first: float | None = None
        while True:
            place, error = self._worst()
            first = first or error
            total = max(np.log10(first / self.tolerance), 1e-3)
            self.progress(float(np.clip(np.log10(first / error), 0.0, total)), float(total))
            if error <= self.tolerance and len(self.estimates) < len(self._fine):
                self.estimates = dict.fromkeys(self._fine, np.inf) | self.estimates
                continue
            if error <= self.tolerance:
                self.reached = max(self.estimates.values())
                return
            if place in self.snapshots:
                raise ConvergenceError(
                    f"the reduced model reached {error:.1e} of {self.tolerance:.1e}, which is "
                    f"rounding on this mesh (a full solution at {place[0]:.6g} Hz and phase "
                    f"{place[1]:.4g} is in it): ask for a larger tolerance or a coarser mesh"
                )
            if len(self.snapshots) >= self.most:
                raise ConvergenceError(
                    f"the reduced model reached {error:.1e} of {self.tolerance:.1e} with "
                    f"{self.most} snapshots (worst at {place[0]:.6g} Hz, phase {place[1]:.4g}); "
                    "ask for a smaller region or a larger tolerance"
                )
            self._add(*place)

    def _worst(self) -> tuple[tuple[float, float], float]:
        """A point whose relative bound is within WEAK of the largest, or the largest one if it
        meets the tolerance.

        Old bounds hardly ever grow when the basis does: they are renewed from the largest down,
        until what was renewed leads what is left.
        """
        order = sorted(self.estimates, key=lambda p: -self.estimates[p])
        best, worst = order[0], 0.0
        for place in order:
            left = self.estimates[place]
            if worst >= (WEAK * left if worst > self.tolerance else left):
                break
            if left <= self.tolerance:
                break
            self.estimates[place] = self._relative(place)
            if self.estimates[place] > worst:
                best, worst = place, self.estimates[place]
        return best, max(worst, 1e-300)

    def _relative(self, place: tuple[float, float]) -> float:
        frequency, phase = place
        if phase not in self._views:
            self._views[phase] = self.projected.at(phase)
        block = self._blocks[phase][self.frequencies.index(frequency)]
        answer = self._views[phase].answer(frequency, block)
        floor = SMALL * 2.0 * np.pi * frequency * self.capacitance
        return answer.bound / max(float(np.max(np.abs(answer.admittance))), floor)

    def _add(self, frequency: float, phase: float) -> None:
        """Full solutions at one point join the basis."""
        block = self._blocks[phase][self.frequencies.index(frequency)]
        self.source.extend(self.source.solve(frequency, phase, block))
        self.projected = self.source.projected()
        self._views.clear()
        self.snapshots.append((frequency, phase))
        if not self.capacitance:
            admittance = self.projected.at(phase).answer(frequency).admittance
            self.capacitance = float(np.max(np.abs(admittance)) / (2.0 * np.pi * frequency))
