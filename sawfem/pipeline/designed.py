"""What a design gives, whatever it designs."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sawfem.case import Case, ResolvedCase
from sawfem.device.optimise import Optimum
from sawfem.device.specification import SPREADS, Limit, Verdict
from sawfem.errors import CaseError
from sawfem.pipeline.fitted import refuse_fitted
from sawfem.pipeline.specified import limits_of
from sawfem.units import format_quantity

#: progress(stage, done, total).
Progress = Callable[[str, int, int], None]

#: Accuracy of the constants of a design, relative, of the edge frequencies.
ACCURACY = 1e-4
#: Points of each limit in the search.
SEARCH_POINTS = 25


@dataclass(frozen=True)
class Designed:
    """A design.

    Attributes
    ----------
    case : to be run. verdicts : of the constants of the search, corners of the process included.
    optimum : of the search. told : sentences: feasibility, what cannot be had, what was assumed.
    feasible : whether what is asked is within the reach of such a device. first : the first design.
    """

    case: Case
    verdicts: tuple[Verdict, ...]
    optimum: Optimum
    told: tuple[str, ...]
    feasible: bool
    first: Any = field(repr=False)

    @property
    def met(self) -> bool:
        """Whether every limit is kept."""
        return all(verdict.met for verdict in self.verdicts)


def worth(verdicts: Iterable[Verdict]) -> float:
    """What a search makes small: minus the least margin in units of its scale, a little of all."""
    margins = []
    for verdict in verdicts:
        if verdict.limit.quantity in SPREADS and verdict.margin is None:
            return float("inf")
        scale = max(0.1 * abs(verdict.bound), 1e-12)
        margins.append((verdict.margin or 0.0) / scale)
    least = np.array(margins)
    return float(-least.min() - 0.05 * np.minimum(least, 3.0).mean())


def worse_of(*sides: tuple[Verdict, ...]) -> tuple[Verdict, ...]:
    """Of verdicts on the same limits at several corners, the one with the least margin each."""
    return tuple(
        min(both, key=lambda verdict: -np.inf if verdict.margin is None else verdict.margin)
        for both in zip(*sides, strict=True)
    )


def losses_of(case: ResolvedCase) -> tuple[list[Limit], list[Limit]]:
    """Limits on the insertion loss of pass bands and of stop bands.

    Raises CaseError for a case without [design], with other than one grating that has a pitch, or
    without a pass band.
    """
    if case.design is None:
        raise CaseError(
            file=case.file, key="design", found="nothing", expected="a table [design] to start from"
        )
    if len(case.gratings) != 1 or case.grating.pitch is None:
        raise CaseError(
            file=case.file,
            key="grating",
            found=f"{len(case.gratings)} gratings" if len(case.gratings) != 1 else "a period",
            expected="one grating with a pitch near that of the device",
        )
    refuse_fitted(case, "design")
    loss = [limit for limit in limits_of(case) if limit.quantity == "insertion_loss"]
    passed = [limit for limit in loss if limit.at_most is not None]
    if not passed:
        raise CaseError(
            file=case.file,
            key="specification.limit",
            found="no pass band",
            expected='a limit on "insertion_loss" with at_most',
        )
    return passed, [limit for limit in loss if limit.at_least is not None]


def absolute_thickness(case: Case, resolved: ResolvedCase) -> Case:
    """The case with its film thickness in metres, so that pitches can move under it."""
    thickness = round(resolved.grating.thickness, 10)
    return case.edit({"grating.thickness": format_quantity(thickness, "m")})
