"""Constants of one crystal in many orientations at once, and what bounds their surface waves.

The arrays carry the orientations along their first axis, so that NumPy works through thousands
of them in compiled code. The equations are those of :mod:`.generalised` and :mod:`.limiting`;
:mod:`.batch_waves` finds the waves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sawfem.conventions import STRESS
from sawfem.planewave.generalised import Array, ComplexArray, generalised_tensor
from sawfem.planewave.limiting import least_of_three

if TYPE_CHECKING:
    from sawfem.material import Material

#: Directions of bulk waves, over 180 degrees, in which the slowest sheet is first sampled.
DIRECTIONS = 46
#: Local minima of the samples this much above the lowest (in v^2) are followed as well.
RIVAL = 1.03
#: Steps of the search for the foot of a sheet, and length of the last one in radians: the error
#: of the velocity is of the order of its square.
STEPS = 40
SMALL_TURN = 1.0e-8
#: Relative size of a constant that counts as zero when components are found not to couple.
UNCOUPLED = 1.0e-12


@dataclass(frozen=True, eq=False)
class TensorBatch:
    """Blocks of the scaled generalised tensor in m orientations, and their turn.

    Attributes
    ----------
    g33, g31, g11 : (m, n, n), as in :class:`.GeneralisedTensor`.
    turn33, turn31, turn11 : (m, n, n), their derivatives by the angle (radians) of a turn of the
        axes about x3, from x1 towards x2.
    density : over STRESS. electric : the potential is among the components and comes last.
    """

    g33: Array
    g31: Array
    g11: Array
    turn33: Array
    turn31: Array
    turn11: Array
    density: float
    electric: bool = True

    @classmethod
    def of(cls, material: Material, rotations: Array) -> TensorBatch:
        """The constants of a crystal in the device frames ``rotations`` (m, 3, 3).

        MaterialError for a conductor.
        """
        return cls.from_tensor(
            generalised_tensor(material.rotated(np.eye(3))),
            material.density / STRESS,
            np.asarray(rotations, dtype=float),
        )

    @classmethod
    def from_tensor(cls, tensor: Array, density: float, rotations: Array) -> TensorBatch:
        """The same from a scaled tensor G_iJKl (3, 4, 4, 3) in crystal axes."""
        field = np.zeros((len(rotations), 4, 4))
        field[:, :3, :3], field[:, 3, 3] = rotations, 1.0
        # First the spatial indices (9 of the 81 products are needed), then the field's.
        turned = np.einsum("mia,abcd,mld->milbc", rotations, tensor, rotations, optimize=True)
        g = field[:, None, None] @ turned @ np.swapaxes(field, 1, 2)[:, None, None]
        spin = np.zeros((4, 4))
        spin[0, 1], spin[1, 0] = 1.0, -1.0

        def along(block: Array) -> Array:
            return np.asarray(spin @ block + block @ spin.T)

        g33, g31, g11 = g[:, 2, 2], g[:, 2, 0], g[:, 0, 0]
        return cls(
            g33,
            g31,
            g11,
            along(g33),
            along(g31) + g[:, 2, 1],
            along(g11) + g[:, 1, 0] + g[:, 0, 1],
            density,
        )

    def __len__(self) -> int:
        return len(self.g33)

    @property
    def size(self) -> int:
        """Number n of field components."""
        return int(self.g33.shape[-1])

    @property
    def moving(self) -> int:
        """Number of displacements among them; they come first."""
        return self.size - 1 if self.electric else self.size

    def at(self, where: NDArray[np.intp]) -> TensorBatch:
        """Some of the orientations."""
        return self._each(lambda part: part[where], self.electric)

    def restricted(self, components: tuple[int, ...]) -> TensorBatch:
        """Some components, in orientations in which they do not couple to the others.

        The turn of the axes couples them to the others at once, but that changes the waves only
        to second order: the blocks of the derivatives are those of the components.
        """
        rows, columns = np.ix_(components, components)
        return self._each(lambda part: part[:, rows, columns], 3 in components)

    def _each(self, take: Callable[[Array], Array], electric: bool) -> TensorBatch:
        """The same with a part taken of every array."""
        return TensorBatch(
            take(self.g33),
            take(self.g31),
            take(self.g11),
            take(self.turn33),
            take(self.turn31),
            take(self.turn11),
            self.density,
            electric,
        )

    def families(self) -> dict[tuple[tuple[int, ...], ...], NDArray[np.intp]]:
        """Families of components that do not couple -> orientations that have just these.

        As :func:`.generalised.uncoupled_components`, for all four components.
        """
        magnitude = np.abs(self.g33) + np.abs(self.g11) + np.abs(self.g31)
        magnitude += np.abs(np.swapaxes(self.g31, 1, 2))
        scale = np.sqrt(np.einsum("mii->mi", magnitude))
        coupled = magnitude > UNCOUPLED * scale[:, :, None] * scale[:, None, :]
        coupled |= np.eye(4, dtype=bool)
        for _ in range(2):  # paths of length two, then four
            coupled = (coupled.astype(np.uint8) @ coupled.astype(np.uint8)) > 0
        patterns, members = np.unique(coupled.reshape(-1, 16), axis=0, return_inverse=True)
        return {
            tuple(
                dict.fromkeys(tuple(np.flatnonzero(row).tolist()) for row in p.reshape(4, 4))
            ): np.flatnonzero(members.ravel() == number)
            for number, p in enumerate(patterns)
        }

    def limits(self) -> Array:
        """Limiting velocity of every orientation, m/s: least trace velocity of the slowest sheet.

        Sheets meet in kinks that are maxima of the slowest one, so that each of its minima is
        smooth and hence the onset of a bulk wave (see :mod:`.limiting`).
        """
        angle = np.pi * (np.arange(1, DIRECTIONS + 1) / (DIRECTIONS + 1.0) - 0.5)
        square = self._sampled(angle)
        inside = np.full(square.shape, np.inf)
        middle = square[:, 1:-1]
        low = (middle <= square[:, :-2]) & (middle <= square[:, 2:])
        inside[:, 1:-1] = np.where(low, middle, np.inf)
        best = np.full(len(self), np.inf)
        lowest = inside.min(axis=1)
        while True:
            place = np.argmin(inside, axis=1)
            rows = np.arange(len(self))
            rivals = np.flatnonzero(inside[rows, place] < RIVAL * lowest)
            if rivals.size == 0:
                break
            at = place[rivals]
            found = self.at(rivals)._foot(angle[at - 1], angle[at + 1], angle[at])
            best[rivals] = np.minimum(best[rivals], found)
            inside[rivals, at] = np.inf
        return np.asarray(np.sqrt(best / self.density))

    def _contracted(self, angle: Array) -> tuple[Array, Array]:
        """Tensor contracted with (cos, 0, sin) twice, and its derivative: (m, a, n, n)."""
        along, normal = np.cos(angle)[..., None, None], np.sin(angle)[..., None, None]
        g11, g33 = self.g11[:, None], self.g33[:, None]
        mixed = (self.g31 + np.swapaxes(self.g31, 1, 2))[:, None]
        full = along**2 * g11 + along * normal * mixed + normal**2 * g33
        change = 2.0 * along * normal * (g33 - g11) + (along**2 - normal**2) * mixed
        return full, change

    def _sampled(self, angle: Array) -> Array:
        """Values rho v^2 of the slowest sheet at the angles (a,) of all orientations: (m, a)."""
        cosine, sine, m = np.cos(angle), np.sin(angle), self.moving
        weights = np.stack([cosine**2, cosine * sine, sine**2], axis=1)
        mixed = self.g31 + np.swapaxes(self.g31, 1, 2)
        blocks = np.stack([self.g11, mixed, self.g33], axis=1).reshape(len(self), 3, -1)
        full = (weights @ blocks).reshape(len(self), len(angle), self.size, self.size)
        stiffness = full[..., :m, :m]
        if self.electric:
            potential = full[..., :m, m] / full[..., m, m][..., None]
            stiffness = stiffness - full[..., :m, m, None] * potential[..., None, :]
        least = least_of_three(stiffness) if m == 3 else np.linalg.eigvalsh(stiffness)[..., 0]
        return np.asarray(least / cosine**2)

    def _slowest(self, angle: Array) -> tuple[Array, Array]:
        """(rho v^2, its derivative) of the slowest sheet at angles (m, a): (m, a) each."""
        full, change = self._contracted(angle)
        m = self.moving
        stiffness = full[..., :m, :m]
        if self.electric:
            potential = full[..., :m, m] / full[..., m, m][..., None]
            stiffness = stiffness - full[..., :m, m, None] * potential[..., None, :]
        values, vectors = np.linalg.eigh(stiffness)
        u = vectors[..., 0]
        if self.electric:
            u = np.concatenate([u, -np.sum(potential * u, axis=-1, keepdims=True)], axis=-1)
        slope = np.einsum("...i,...ij,...j->...", u, change, u)
        cosine = np.cos(angle)
        square = values[..., 0] / cosine**2
        return square, slope / cosine**2 + 2.0 * square * np.tan(angle)

    def _foot(self, left: Array, right: Array, start: Array) -> Array:
        """Least rho v^2 of the slowest sheet between two angles (m,), by its slope's zero."""
        left, right, x = left.copy(), right.copy(), start.copy()
        square, slope = (part[:, 0] for part in self._slowest(x[:, None]))
        best = square.copy()
        spacing = right - left
        before, slope_before = x - 0.25 * spacing, None
        active = np.arange(len(x))
        for number in range(STEPS):
            left[active] = np.where(slope < 0.0, x[active], left[active])
            right[active] = np.where(slope < 0.0, right[active], x[active])
            if slope_before is None:
                ahead = x[active] - 0.25 * np.sign(slope) * spacing[active] * 0.5
            else:
                with np.errstate(divide="ignore", invalid="ignore"):
                    ahead = x[active] - slope * (x[active] - before) / (slope - slope_before)
            outside = ~((ahead > left[active]) & (ahead < right[active]))
            if number % 8 == 7:
                outside[:] = True
            ahead = np.where(outside, 0.5 * (left[active] + right[active]), ahead)
            ahead = np.where(slope == 0.0, x[active], ahead)
            moving = np.abs(ahead - x[active]) > SMALL_TURN
            moving &= right[active] - left[active] > SMALL_TURN
            before, slope_before = x[active][moving], slope[moving]
            active = active[moving]
            if active.size == 0:
                break
            x[active] = ahead[moving]
            square, slope = (part[:, 0] for part in self.at(active)._slowest(x[active][:, None]))
            best[active] = np.minimum(best[active], square)
        return best


def rotations_of_euler(angles: Array) -> Array:
    """Rotation matrices (m, 3, 3) of Euler angles (m, 3) in degrees (``sawfem.conventions``).

    Multiples of 90 degrees are exact to rounding of the cosine, see :func:`.exact_cosine_sine`.
    """
    (cl, sl), (cm, sm), (ct, st) = (exact_cosine_sine(a) for a in np.asarray(angles, float).T)
    rows = [
        [cl * ct - sl * cm * st, sl * ct + cl * cm * st, sm * st],
        [-cl * st - sl * cm * ct, -sl * st + cl * cm * ct, sm * ct],
        [sl * sm, -cl * sm, cm],
    ]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def exact_cosine_sine(degrees: Array) -> tuple[Array, Array]:
    """Cosine and sine of angles in degrees; 0 and +-1 exactly at multiples of 90 degrees."""
    quarter = np.round(np.asarray(degrees) / 90.0)
    rest = np.radians(degrees - 90.0 * quarter)
    cosine, sine = np.cos(rest), np.sin(rest)
    turn = quarter.astype(int) % 4
    turned_cosine = np.choose(turn, [cosine, -sine, -cosine, sine])
    turned_sine = np.choose(turn, [sine, cosine, -sine, -cosine])
    return turned_cosine, turned_sine


def dagger(matrix: ComplexArray) -> ComplexArray:
    """Conjugate transpose of a stack of matrices."""
    return np.asarray(np.conj(np.swapaxes(matrix, -1, -2)))
