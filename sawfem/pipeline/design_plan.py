"""The search of a design, whatever it designs: what it moves in, what it makes small."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from sawfem.case import Case, ResolvedCase
from sawfem.case.resolved_asks import ResolvedDesign
from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.design import Stack
from sawfem.device.laddering import LadderWish
from sawfem.device.optimise import minimise
from sawfem.device.pmatrix import FloatArray
from sawfem.device.specification import Limit, Verdict
from sawfem.device.transversal_first import TransversalWish
from sawfem.extract import GratingSolution
from sawfem.pipeline.designed import SEARCH_POINTS, Designed, Progress, worse_of, worth
from sawfem.pipeline.specified import drift_of, limits_of, unattainable

Wish = TypeVar("Wish", LadderWish, TransversalWish)
First = TypeVar("First")

#: Points of each limit in the verdicts that are told.
FINAL_POINTS = 201


@dataclass(kw_only=True)
class DesignPlan(ABC, Generic[Wish, First]):
    """What the search of a design moves in.

    Attributes
    ----------
    case : with its film thickness in metres. asked : its [design].
    conditions : limits and temperatures, and how frequencies drift.
    wish : what the limits ask of such a device. first : the design by formulas.
    feasible : whether the wish is within reach, and a sentence that says so.
    assumed : sentences on what the case does not say.
    """

    case: Case
    asked: ResolvedDesign
    conditions: Conditions
    wish: Wish
    first: First
    feasible: tuple[bool, str]
    assumed: list[str]

    @abstractmethod
    def start(self) -> FloatArray:
        """Coordinates of the first design."""

    @abstractmethod
    def box(self, start: FloatArray) -> FloatArray:
        """Bounds (n, 2) of the search around the first design."""

    @abstractmethod
    def made(self, x: FloatArray) -> Any:
        """The device at a point of the box."""

    @abstractmethod
    def judged(self, device: Any, offset: float, points: int) -> tuple[Verdict, ...]:
        """Verdicts on a device at every temperature, all frequencies off by so much, relative."""

    @abstractmethod
    def case_of(self, x: FloatArray) -> Case:
        """The case file of a point."""

    def rounded(self, x: FloatArray) -> FloatArray:
        """The point that the case file of ``x`` stands for, where digits are rounded there."""
        return x

    def told(self) -> list[str]:
        """Sentences of this kind of device alone."""
        return []

    def verdicts(self, x: FloatArray, points: int) -> tuple[Verdict, ...]:
        """Verdicts at every temperature and, for a spread, at both corners of the process."""
        device, spread = self.made(x), self.asked.spread / self.wish.centre
        corners = (-spread, spread) if spread else (0.0,)
        return worse_of(*(self.judged(device, offset, points) for offset in corners))

    def designed(self, progress: Progress) -> Designed:
        """Search, and judge the best point at many frequencies."""
        start = self.start()
        optimum = minimise(
            lambda x: worth(self.verdicts(x, SEARCH_POINTS)),
            start,
            self.box(start),
            evaluations=self.asked.evaluations,
            seed=self.asked.seed,
            watch=lambda done, allowed, best: progress("search", done, allowed),
        )
        best = self.rounded(optimum.x)
        told = [self.feasible[1], *self.told(), *self.conditions.unattainable(), *self.assumed]
        told += [optimum.stopped] if optimum.stopped else []
        return Designed(
            case=self.case_of(best),
            verdicts=self.verdicts(best, FINAL_POINTS),
            optimum=optimum,
            told=tuple(told),
            feasible=self.feasible[0],
            first=self.first,
        )


@dataclass(frozen=True)
class Conditions:
    """Under what a device has to keep its limits.

    Attributes
    ----------
    limits : of the case. temperatures : Celsius.
    drift : relative change of all frequencies at a temperature.
    """

    limits: tuple[Limit, ...]
    temperatures: tuple[float, ...]
    drift: Callable[[float], float]

    @classmethod
    def of(
        cls, case: ResolvedCase, stack: Stack, solutions: Mapping[str, GratingSolution]
    ) -> tuple[Conditions, tuple[str, ...]]:
        """The conditions of a case, and sentences on what was assumed of its drift."""
        drift, assumed = drift_of(case, stack, solutions)
        temperatures = case.specification_temperatures or (REFERENCE_TEMPERATURE,)
        return cls(limits_of(case), temperatures, drift), tuple(assumed)

    @property
    def room(self) -> float:
        """Relative width that the drift takes between the temperatures."""
        changes = [self.drift(celsius) for celsius in self.temperatures]
        return max(changes) - min(changes)

    def unattainable(self) -> list[str]:
        """Sentences on limits that no design could keep."""
        return list(unattainable(self.limits, self.temperatures, self.drift))
