"""The better cuts of a crystal for a stated wish.

A coarse grid over all orientations that symmetry leaves different (or over given ranges of Euler
angles), by the batch solver; then the best places are refined together by a compass search with
halved steps (Kolda, Lewis & Torczon, SIAM Rev. 45, 385 (2003)), which asks for values only and
keeps inside the wish: first the wish is to be met, then what is called best improved.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from sawfem.design import Stack
from sawfem.errors import InputError
from sawfem.orientation import Orientation
from sawfem.planewave.batch import rotations_of_euler
from sawfem.planewave.batch_drift import delay_drift
from sawfem.planewave.batch_table import wave_table
from sawfem.planewave.cut_family import (
    images,
    normals,
    same_constants,
    simplest,
    tolerances,
    turn_between,
)
from sawfem.planewave.cut_wish import CutFamily, Figures, Wish
from sawfem.planewave.generalised import Array
from sawfem.planewave.map_points import BATCH, choose
from sawfem.planewave.surface_waves import plane_waves

if TYPE_CHECKING:
    from sawfem.material import Material

__all__ = ["CutFamily", "Wish", "search_cuts"]

#: Refinement ends at steps of so many degrees, or after so many rounds; a move by a step s must
#: better the score by ENOUGH s^2, or it would crawl along the edge of a wish.
FINEST, ROUNDS, ENOUGH = 0.005, 60, 2.0e-6
#: Points looked at between two cuts to see whether one is on the slope of the other.
BETWEEN = 7
#: Cuts nearer to each other than this, degrees, or with constants as near, are one family.
APART, ALIKE = 4.0, 5.0e-3
#: Most orientations of a grid on which leaky waves are searched one by one.
MOST_LEAKY = 3000

Range = tuple[float, float]


def search_cuts(
    material: Material,
    wish: Wish,
    *,
    ranges: Sequence[Range] | None = None,
    step: float = 6.0,
    count: int = 6,
    velocity_error: float = 1e-4,
    hold_constant: Collection[str] = (),
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[CutFamily, ...]:
    """Find the best cuts of a crystal.

    Parameters
    ----------
    material : the crystal. wish : what the cut has to give.
    ranges : (from, to) of lambda, mu and theta in degrees, from = to for one that is fixed;
        all orientations if left out.
    step : of the coarse grid, degrees. count : most families returned.
    velocity_error : relative change of the velocity that the tolerances are for.
    hold_constant : what temperature leaves as it is for want of coefficients, as for
        :meth:`sawfem.material.Material.at_temperature`.
    workers : threads. progress : called with orientations done and about how many there are.

    Returns
    -------
    Families, those that meet the wish first, the best first. Where none meets it, the nearest.

    Raises
    ------
    MaterialError : temperature data are missing, or the material conducts.
    InputError : ranges, step or count that cannot be used; leaky waves on too large a grid.
    """
    search = _Search(material, wish, ranges, step, workers, progress, tuple(hold_constant))
    return search.run(count, velocity_error)


class _Search:
    def __init__(
        self,
        material: Material,
        wish: Wish,
        ranges: Sequence[Range] | None,
        step: float,
        workers: int | None,
        progress: Callable[[int, int], None] | None,
        held: tuple[str, ...],
    ) -> None:
        if not 0.2 <= step <= 30.0:
            raise InputError(key="step", found=f"{step:g} deg", expected="0.2 to 30 deg")
        self.material, self.wish, self.step, self.held = material, wish, step, held
        self.ranges = None if ranges is None else _checked(ranges)
        self.workers = workers or os.cpu_count() or 1
        self.progress, self.done = progress, 0
        self.grid = self._grid()
        self.leaky = wish.leakage_below is not None
        if self.leaky and len(self.grid) > MOST_LEAKY:
            raise InputError(
                key="ranges",
                found=f"a grid of {len(self.grid)} orientations for leaky waves",
                expected=f"ranges of the Euler angles that leave at most {MOST_LEAKY}, since leaky "
                "waves are found one orientation at a time",
            )

    def run(self, count: int, velocity_error: float) -> tuple[CutFamily, ...]:
        """The best families: a coarse grid, refined from its best points, equal cuts told once."""
        if count < 1:
            raise InputError(key="count", found=f"{count}", expected="1 or more")
        score = self._score(self.grid)
        starts = self._starts(self.grid, score, 3 * count)
        refined, score = self._refined(starts)
        kept: list[Array] = []
        for index in np.argsort(-score, kind="stable"):
            if np.isfinite(score[index]) and not any(
                self._same(refined[index], other) for other in kept
            ):
                kept.append(refined[index])
        families = [self._family(angles, velocity_error) for angles in kept]
        met = [family for family in families if family.meets]
        return tuple((met or families)[:count])

    def _grid(self) -> Array:
        """Euler angles of the coarse grid, (m, 3)."""
        if self.ranges is not None:
            axes = [
                np.linspace(low, high, 1 + int(np.ceil((high - low) / self.step)))
                for low, high in self.ranges
            ]
            return np.array(list(itertools.product(*axes)))
        theta = np.arange(0.0, 180.0, self.step)
        tops = normals(self.material, self.step)
        return np.array([(*top, turn) for top in tops.tolist() for turn in theta])

    def _score(self, angles: Array) -> Array:
        return self._figures(angles).score(self.wish)

    def _figures(self, angles: Array) -> Figures:
        parts = [angles[a : a + BATCH] for a in range(0, len(angles), BATCH)]
        compute = self._leaky if self.leaky else self._batch
        found: list[Array] = []
        with ThreadPoolExecutor(self.workers) as pool:
            for part, values in zip(parts, pool.map(compute, parts), strict=True):
                found.append(values)
                self.done += len(part)
                if self.progress is not None:
                    # the refinement takes about as many again as the grid has, at most 40,000
                    self.progress(self.done, max(len(self.grid) + 8000, self.done))
        return Figures(*np.concatenate(found, axis=1))

    def _batch(self, angles: Array) -> Array:
        rotations = rotations_of_euler(angles)
        table = wave_table(self.material, rotations)
        slot = table.select()
        drift = np.full(len(angles), np.nan)
        if self.wish.needs_drift:
            drift = delay_drift(self.material, rotations, table, slot, hold_constant=self.held)
        names = ("velocity_free", "velocity_metallised", "coupling_k2", "power_flow_angle")
        columns = [table.picked(name, slot) for name in names]
        lossless = np.where(slot >= 0, 0.0, np.nan)
        return np.array([*columns, drift, lossless, lossless])

    def _leaky(self, angles: Array) -> Array:
        """Figures of the strongest wave of each cut, one that leaks as well; rows of seven."""
        rows = []
        for euler in angles:
            stack = Stack(self.material, euler=tuple(euler))
            wave = choose(plane_waves(stack, leaky=True), ("all",), "strongest")
            if wave is None:
                rows.append([np.nan] * 7)
                continue
            values = (
                wave.velocity_free,
                wave.velocity_metallised,
                wave.coupling_k2,
                wave.power_flow_angle,
                None,
                wave.attenuation_free,
                wave.attenuation_metallised,
            )
            rows.append([np.nan if value is None else float(value) for value in values])
        return np.array(rows).T

    def _starts(self, angles: Array, score: Array, count: int) -> Array:
        """The best orientations of the grid, no two of them near or equal by symmetry."""
        rotations = rotations_of_euler(angles)
        left = np.where(np.isfinite(score), score, -np.inf)
        chosen: list[int] = []
        while len(chosen) < count and np.any(np.isfinite(left)):
            best = int(np.argmax(left))
            chosen.append(best)
            near = turn_between(rotations, images(rotations[best], self.material)).min(axis=1)
            left[near < 2.5 * self.step] = -np.inf
        return angles[chosen]

    def _refined(self, angles: Array) -> tuple[Array, Array]:
        """Compass search from all starts together: Euler angles and scores."""
        here, score = angles.copy(), self._score(angles) if len(angles) else np.empty(0)
        free = [True] * 3 if self.ranges is None else [high > low for low, high in self.ranges]
        compass = np.array(
            [d for d in itertools.product((-1.0, 0.0, 1.0), repeat=3) if any(d)], dtype=float
        )
        compass = np.unique(compass * free, axis=0)
        compass = compass[np.any(compass != 0.0, axis=1)]
        steps = np.full(len(here), 0.5 * self.step)
        for _ in range(ROUNDS):
            if len(compass) == 0 or not np.any(steps > FINEST):
                break
            active = np.flatnonzero(steps > FINEST)
            offsets = steps[active, None, None] * compass
            tried = self._moved(here[active], offsets)
            scores = self._score(tried.reshape(-1, 3)).reshape(len(active), -1)
            best = np.argmax(scores, axis=1)
            rows = np.arange(len(active))
            better = scores[rows, best] > score[active] + ENOUGH * steps[active] ** 2
            here[active[better]] = tried[rows, best][better]
            score[active[better]] = scores[rows, best][better]
            steps[active[~better]] *= 0.5
        return here, score

    def _moved(self, angles: Array, offsets: Array) -> Array:
        """Euler angles (m, d, 3) beside others (m, 3): within the ranges, or, without ranges, by
        small turns about the device axes, which have no singular place.
        """
        if self.ranges is not None:
            low, high = np.array(self.ranges).T
            return np.asarray(np.clip(angles[:, None] + offsets, low, high))
        start = rotations_of_euler(angles)
        result = np.empty(offsets.shape)
        for row, column in np.ndindex(*offsets.shape[:2]):
            turned = _small_turn(offsets[row, column]) @ start[row]
            result[row, column] = Orientation(turned).euler
        return result

    def _same(self, angles: Array, other: Array) -> bool:
        """Whether a cut is another by symmetry, near it, or on the slope that leads up to it."""
        first, second = rotations_of_euler(np.array([angles, other]))
        around = images(second, self.material)
        distance = turn_between(first[None], around)[0]
        if distance.min() < APART or same_constants(self.material, first, second, ALIKE):
            return True
        if self.ranges is not None:
            share = np.linspace(0.0, 1.0, BETWEEN + 2)[:, None]
            way = angles + share * (other - angles)
        else:
            vector = _turn_vector(around[int(np.argmin(distance))] @ first.T)
            parts = np.linspace(0.0, 1.0, BETWEEN + 2)[1:]
            turned = [_small_turn(part * vector) @ first for part in parts]
            way = np.array([angles, *(Orientation(rotation).euler for rotation in turned)])
        scores = self._score(way)
        return bool(np.all(scores[1:-1] >= scores[0] - 1e-9))

    def _family(self, angles: Array, velocity_error: float) -> CutFamily:
        """A cut with what it gives, in the simplest of its equal notations."""
        first, second, third = (round(float(angle), 2) + 0.0 for angle in angles)
        if self.ranges is None:
            rotation = rotations_of_euler(angles[None])[0]
            first, second, third = simplest(rotation, self.material)
        found = self._figures(np.array([[first, second, third]]))
        short = float(found.short(self.wish)[0])
        drift, angle = float(found.drift[0]), float(found.angle[0])
        reach = None
        if not self.leaky:
            reach = tolerances(
                self.material, (first, second, third), metallised=False, error=velocity_error
            )
        return CutFamily(
            euler=(first, second, third),
            plate=Orientation.from_euler(first, second, third).plate,
            velocity_free=float(found.free[0]),
            velocity_metallised=float(found.metallised[0]),
            coupling_k2=float(found.coupling[0]),
            power_flow_angle=None if np.isnan(angle) else angle,
            delay_temperature_coefficient=None if np.isnan(drift) else drift,
            attenuation_free=float(found.loss_free[0]),
            attenuation_metallised=float(found.loss_metallised[0]),
            meets=short <= 2e-3,  # the angles are rounded to 0.01 degrees
            short=max(short, 0.0),
            tolerance=reach,
            velocity_error=velocity_error,
        )


def _checked(ranges: Sequence[Range]) -> tuple[Range, ...]:
    found = tuple((float(low), float(high)) for low, high in ranges)
    if len(found) != 3 or any(not -360.0 <= a <= b <= 360.0 for a, b in found):
        raise InputError(
            key="ranges",
            found=f"{ranges!r:.80}",
            expected="three pairs (from, to) in degrees for lambda, mu and theta",
        )
    return found


def _turn_vector(rotation: Array) -> Array:
    """Rotation vector in degrees of a rotation matrix that turns by less than 180 degrees, so
    that :func:`_small_turn` gives the matrix back.
    """
    angle = np.arccos(np.clip(0.5 * (np.trace(rotation) - 1.0), -1.0, 1.0))
    axis = np.array(
        [
            rotation[2, 1] - rotation[1, 2],
            rotation[0, 2] - rotation[2, 0],
            rotation[1, 0] - rotation[0, 1],
        ]
    )
    size = float(np.linalg.norm(axis))
    return np.asarray(np.degrees(angle) * axis / size) if size > 1e-12 else np.zeros(3)


def _small_turn(degrees: Array) -> Array:
    """Rotation matrix of a rotation vector in degrees (Rodrigues)."""
    vector = np.radians(degrees)
    angle = float(np.linalg.norm(vector))
    if angle == 0.0:
        return np.eye(3)
    x, y, z = vector / angle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    turn = np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * (cross @ cross)
    return np.asarray(turn)
