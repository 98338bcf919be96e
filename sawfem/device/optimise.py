"""Bounded, seeded optimisation that always keeps the best so far.

Differential evolution (Storn & Price, J. Global Optim. 11, 341 (1997)) over the whole box from a
first design, then the simplex of Nelder & Mead (1965) inside the box; both by scipy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sawfem.device.pmatrix import FloatArray
from sawfem.errors import SawfemError

#: progress(evaluations done, allowed, best value so far).
Watch = Callable[[int, int, float], None]


@dataclass(frozen=True)
class Optimum:
    """The best point found.

    Attributes
    ----------
    x : (n,) of the box. value : of the objective there; first : at the start.
    evaluations : made. stopped : "" at the end of the budget, else why it ended early.
    """

    x: FloatArray
    value: float
    first: float
    evaluations: int
    stopped: str = ""


class _EnoughError(Exception):
    """The budget is spent."""


class _Search:
    """The objective over the unit box, counted, with the best point so far."""

    def __init__(
        self,
        objective: Callable[[FloatArray], float],
        start: FloatArray,
        bounds: FloatArray,
        evaluations: int,
        watch: Watch,
    ) -> None:
        self.objective, self.watch, self.allowed = objective, watch, evaluations
        self.low, self.size = bounds[:, 0], bounds[:, 1] - bounds[:, 0]
        self.done, self.first, self.best = 0, np.nan, np.inf
        self.x = np.array(start, dtype=float)

    @property
    def place(self) -> FloatArray:
        """The best point so far, in the unit box."""
        return np.asarray((self.x - self.low) / self.size)

    def __call__(self, unit: FloatArray) -> float:
        if self.done >= self.allowed:
            raise _EnoughError
        self.done += 1
        x = self.low + np.clip(unit, 0.0, 1.0) * self.size
        try:
            found = float(self.objective(x))
        except SawfemError:
            found = np.inf
        found = found if np.isfinite(found) else 1e30
        if self.done == 1:
            self.first = found
        if found < self.best:
            self.best, self.x = found, x
        self.watch(self.done, self.allowed, self.best)
        return found


def minimise(
    objective: Callable[[FloatArray], float],
    start: FloatArray,
    bounds: FloatArray,
    *,
    evaluations: int,
    seed: int = 0,
    watch: Watch = lambda done, allowed, best: None,
) -> Optimum:
    """Smallest value found of ``objective`` in the box ``bounds`` (n, 2), from ``start`` (n,).

    A point that the objective refuses with a SawfemError counts as infinitely bad. An interruption
    (KeyboardInterrupt) ends the search with the best so far, and says so; so does a failure of the
    search itself. The same seed gives the same answer.
    """
    search, stopped = _Search(objective, start, bounds, evaluations, watch), ""
    try:
        _everywhere(search, np.clip(search.place, 0.0, 1.0), seed)
        _nearby(search)
    except _EnoughError:
        pass
    except KeyboardInterrupt:
        stopped = "interrupted: the best so far is kept"
    except (ValueError, ArithmeticError, np.linalg.LinAlgError) as error:
        stopped = f"the search failed ({error}): the best so far is kept"
    return Optimum(search.x, search.best, float(search.first), search.done, stopped)


def _everywhere(search: _Search, start: FloatArray, seed: int) -> None:
    """Differential evolution over the unit box, from a start that is looked at first."""
    from scipy.optimize import Bounds, differential_evolution

    search(start)
    people = 8 * start.size
    generations = max(1, int(0.6 * search.allowed) // people - 1)
    differential_evolution(
        search,
        Bounds(np.zeros(start.size), np.ones(start.size)),
        x0=start,
        maxiter=generations,
        popsize=8,
        seed=seed,
        tol=0.0,
        polish=False,
    )


def _nearby(search: _Search) -> None:
    """The simplex from the best point, again and again until it stays where it is."""
    from scipy.optimize import Bounds, minimize

    box = Bounds(np.zeros(search.x.size), np.ones(search.x.size))
    while search.done < search.allowed:
        at = search.place
        minimize(
            search,
            at,
            method="Nelder-Mead",
            bounds=box,
            options={"maxfev": search.allowed, "xatol": 1e-5, "fatol": 1e-6},
        )
        if np.allclose(search.place, at, atol=1e-6):
            return
