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
    from scipy.optimize import Bounds, differential_evolution, minimize

    low, high = bounds[:, 0], bounds[:, 1]
    best_value, best_x = np.inf, np.array(start, dtype=float)
    done = 0

    def value(unit: FloatArray) -> float:
        nonlocal done, best_value, best_x
        if done >= evaluations:
            raise _EnoughError
        done += 1
        x = low + np.clip(unit, 0.0, 1.0) * (high - low)
        try:
            found = float(objective(x))
        except SawfemError:
            found = np.inf
        found = found if np.isfinite(found) else 1e30
        if found < best_value:
            best_value, best_x = found, x
        watch(done, evaluations, best_value)
        return found

    unit = np.clip((start - low) / (high - low), 0.0, 1.0)
    first, stopped = np.nan, ""
    people = 8 * start.size
    try:
        first = value(unit)
        generations = max(1, int(0.6 * evaluations) // people - 1)
        differential_evolution(
            value,
            Bounds(np.zeros(start.size), np.ones(start.size)),
            x0=unit,
            maxiter=generations,
            popsize=8,
            seed=seed,
            tol=0.0,
            polish=False,
        )
        while done < evaluations:
            at = (best_x - low) / (high - low)
            minimize(
                value,
                at,
                method="Nelder-Mead",
                bounds=Bounds(np.zeros(start.size), np.ones(start.size)),
                options={"maxfev": evaluations, "xatol": 1e-5, "fatol": 1e-6},
            )
            if np.allclose((best_x - low) / (high - low), at, atol=1e-6):
                break
    except _EnoughError:
        pass
    except KeyboardInterrupt:
        stopped = "interrupted: the best so far is kept"
    except (ValueError, ArithmeticError, np.linalg.LinAlgError) as error:
        stopped = f"the search failed ({error}): the best so far is kept"
    return Optimum(best_x, best_value, float(first), done, stopped)
