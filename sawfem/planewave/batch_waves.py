"""Surface waves of one crystal in many orientations at once.

The same waves as :func:`.surface_waves`, by the same theorem, found in arrays. Below the limiting
velocity v_L the surface matrix A(v) = j Z (less the vacuum at a free surface) is Hermitian and
each of its ordered eigenvalues falls with the velocity (Barnett & Lothe 1985). Hence

    number of waves = negative eigenvalues just below v_L - 1 for a free potential,

and wave i, counted from the slowest, is the one zero of the ordered eigenvalue i (i + 1 with a
free potential): bracketed from the start, it cannot be missed. The zero is found in
d = sqrt(1 - v^2 / v_L^2), in which Z is smooth up to the limit, from exact slopes: with the
decaying partial waves U, their eigenvalues mu and L = Z U,

    conj(mu_i) X_ij - X_ij mu_j = -(U^H S U)_ij,   U^H dZ U = X,
    S = dM21 + dM22 Z - Z dM11 - Z dM12 Z,

for the change dM of the Stroh matrix with the velocity or with the turn of the cut, whence the
power-flow angle, tan(psi) = (1/v) dv/dtheta, comes for nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.planewave.batch import TensorBatch, dagger
from sawfem.planewave.counting import VACUUM
from sawfem.planewave.generalised import Array, ComplexArray

Indices = NDArray[np.intp]
Mask = NDArray[np.bool_]

#: Nearest approach to the limiting velocity, in d: 5e-13 in velocity, as for single cuts.
NEAREST = 1.0e-6
#: Depth d of the slowest velocity looked at, 0.02 v_L.
DEEPEST = np.sqrt(1.0 - 0.02**2)
#: Last step of the search in d: the error left is of the order of its square.
LAST_STEP = 1.0e-7
#: The same for an interpolation between two points: product of the distances from both.
LAST_PRODUCT = 1.0e-7
#: Distance of the last point looked at, whose motion and power flow stand for the wave's.
LAST_LOOK = 3.0e-7
STEPS = 60
#: Norm of the inverse of the displacement vectors beyond which partial waves coincide.
COINCIDING = 1.0e3
#: Eigenvalue at the limit that rounding may have moved across zero: Z is good to the square root
#: of rounding there, because two partial waves are about to meet.
DOUBTFUL = 3.0e-8
#: Relative non-Hermitian part that shows partial waves of the wrong kind.
SKEW = 1.0e-6


@dataclass(frozen=True, eq=False)
class HalfSpaces:
    """Partial waves of m half-spaces at one velocity each.

    mu (m, n); u and u_inverse (m, n, n), columns the displacements of the decaying waves;
    z (m, n, n); ``sound`` (m,) where all of that can be trusted.
    """

    mu: ComplexArray
    u: ComplexArray
    u_inverse: ComplexArray
    z: ComplexArray
    sound: Mask

    def at(self, which: Indices) -> HalfSpaces:
        """Some of them."""
        return HalfSpaces(
            self.mu[which],
            self.u[which],
            self.u_inverse[which],
            self.z[which],
            self.sound[which],
        )

    def put(self, where: Indices, half: HalfSpaces) -> None:
        """Write others over some of them."""
        self.mu[where], self.u[where] = half.mu, half.u
        self.u_inverse[where], self.z[where] = half.u_inverse, half.z

    def form(self, source: ComplexArray | Array, vector: ComplexArray) -> Array:
        """vector^H (j dZ) vector (m,), for the sources S (m, n, n) and vectors (m, n)."""
        b = (self.u_inverse @ vector[..., None])[..., 0]
        x = -(dagger(self.u) @ source @ self.u)
        x /= np.conj(self.mu)[:, :, None] - self.mu[:, None, :]
        return np.asarray(np.real(1j * np.einsum("mi,mij,mj->m", np.conj(b), x, b)))


class HalfSpaceBatch:
    """Surface matrices of a batch of orientations whose components all couple."""

    def __init__(self, tensors: TensorBatch) -> None:
        self.tensors, self.limit = tensors, tensors.limits()
        n = tensors.size
        self.inverse = np.linalg.inv(tensors.g33)
        self.turned = self.inverse @ tensors.g31
        self.stiffness = tensors.g11 - np.swapaxes(tensors.g31, 1, 2) @ self.turned
        self.mass = np.zeros((n, n))
        self.mass[range(tensors.moving), range(tensors.moving)] = tensors.density

    def velocity(self, which: Indices, depth: Array) -> Array:
        """Velocities of the orientations ``which`` at depths d (m,)."""
        return np.asarray(self.limit[which] * np.sqrt(1.0 - depth**2))

    def half_spaces(self, which: Indices, velocity: Array) -> HalfSpaces:
        """Decaying partial waves of the orientations ``which`` at velocities (m,)."""
        n = self.tensors.size
        matrix = np.empty((len(which), 2 * n, 2 * n))
        turned = self.turned[which]
        matrix[:, :n, :n], matrix[:, :n, n:] = turned, self.inverse[which]
        matrix[:, n:, :n] = velocity[:, None, None] ** 2 * self.mass - self.stiffness[which]
        matrix[:, n:, n:] = np.swapaxes(turned, 1, 2)
        mu, vectors = np.linalg.eig(matrix)
        mu, vectors = np.asarray(mu, dtype=complex), np.asarray(vectors, dtype=complex)
        order = np.argsort(mu.imag, axis=1, kind="stable")[:, :n]
        mu = np.take_along_axis(mu, order, axis=1)
        vectors = np.take_along_axis(vectors, order[:, None, :], axis=2)
        scale = np.linalg.norm(vectors[:, :n], axis=1, keepdims=True) + 1e-300
        u, traction = vectors[:, :n] / scale, vectors[:, n:] / scale
        sound = (mu.imag[:, -1] < 0.0) & (np.abs(np.linalg.det(u)) > 1e-13)
        u = np.asarray(np.where(sound[:, None, None], u, np.eye(n)), dtype=complex)
        inverse = np.linalg.inv(u)
        sound &= np.linalg.norm(inverse, axis=(1, 2)) < COINCIDING
        return HalfSpaces(mu, u, inverse, traction @ inverse, sound)

    def surface(self, half: HalfSpaces, *, metallised: bool) -> tuple[ComplexArray, Mask]:
        """Hermitian matrix of the surface, over k, and where it is Hermitian beyond doubt."""
        a = 1j * half.z
        if self.tensors.electric and metallised:
            a = a[:, :-1, :-1]
        else:
            a = a.copy()
            if self.tensors.electric:
                a[:, -1, -1] -= VACUUM
        hermitian = 0.5 * (a + dagger(a))
        rest = np.linalg.norm(a - hermitian, axis=(1, 2))
        return hermitian, rest < SKEW * np.linalg.norm(a, axis=(1, 2))

    def slope(self, half: HalfSpaces, velocity: Array, vector: ComplexArray) -> Array:
        """d/dv of vector^H A vector."""
        source = 2.0 * velocity[:, None, None] * self.mass
        return half.form(source, vector)

    def turn_slope(self, which: Indices, half: HalfSpaces, vector: ComplexArray) -> Array:
        """d/dtheta of vector^H A vector, theta (radians) turning the axes about the normal."""
        t = self.tensors.at(which)
        inverse, turned, z = self.inverse[which], self.turned[which], half.z
        m12 = -inverse @ t.turn33 @ inverse
        m11 = m12 @ t.g31 + inverse @ t.turn31
        m21 = np.swapaxes(t.turn31, 1, 2) @ turned + np.swapaxes(t.g31, 1, 2) @ m11 - t.turn11
        source = m21 + np.swapaxes(m11, 1, 2) @ z - z @ (m11 + m12 @ z)
        return half.form(source, vector)


class Search:
    """Zeros of ordered eigenvalues of one surface, for tasks (orientation, order).

    Attributes
    ----------
    which, order : (t,), orientation, and number of the wave from the slowest.
    depth : (t,), the zeros once :meth:`run` has ended. vector : (t, n) motions of the surface.
    half, looked : half-spaces and depth (t,) of the last point looked at.
    sound : (t,), found without doubt.
    """

    def __init__(
        self, batch: HalfSpaceBatch, which: Indices, order: Indices, *, metallised: bool
    ) -> None:
        self.batch, self.which, self.order, self.metallised = batch, which, order, metallised
        electric, n, tasks = batch.tensors.electric, batch.tensors.size, len(which)
        self.shift = int(electric and not metallised)
        self.vector = np.zeros((tasks, n), dtype=complex)
        self.depth = np.full(tasks, NEAREST)
        self.looked = self.depth.copy()
        self.sound = np.ones(tasks, dtype=bool)
        self._low, self._high = np.full(tasks, NEAREST), np.full(tasks, DEEPEST)
        square = np.zeros((tasks, n, n), dtype=complex)
        self.half = HalfSpaces(
            np.zeros((tasks, n), dtype=complex), square, square.copy(), square.copy(), self.sound
        )

    @property
    def velocity(self) -> Array:
        """Velocities of the waves, m/s."""
        return self.batch.velocity(self.which, self.depth)

    def look(self, task: Indices, half: HalfSpaces, depth: Array) -> tuple[Array, Array]:
        """Eigenvalue of each task and its slope by d, for half-spaces at the depths."""
        matrix, hermitian = self.batch.surface(half, metallised=self.metallised)
        values, vectors = np.linalg.eigh(matrix)
        rows, index = np.arange(len(task)), self.order[task] + self.shift
        vector = np.zeros((len(task), self.vector.shape[1]), dtype=complex)
        vector[:, : vectors.shape[1]] = vectors[rows, :, index]
        self.vector[task] = vector
        self.sound[task] &= hermitian & half.sound
        self.half.put(task, half)
        self.looked[task] = depth
        which = self.which[task]
        slope = self.batch.slope(half, self.batch.velocity(which, depth), vector)
        return values[rows, index], -slope * self.batch.limit[which] * depth / np.sqrt(
            1.0 - depth**2
        )

    def run(self, start: Array, value: Array, slope: Array) -> None:
        """Find all zeros, from a first point of every task with value and slope."""
        active = np.arange(len(self.which))
        self.depth[:] = start
        last = (np.full(start.shape, np.nan),) * 3
        f, g = value, slope
        for step in range(STEPS):
            x = self.depth[active]
            self._narrow(active, x, f)
            ahead, there = self._ahead(active, (x, f, g), last, bisect=step % 10 == 9)
            self.depth[active] = ahead
            going = ~there & self.sound[active]
            going &= self._high[active] - self._low[active] > 1e-15
            last = x[going], f[going], g[going]
            active = active[going]
            if active.size == 0:
                self.sound &= self.depth < 0.9999 * DEEPEST
                return
            depth = self.depth[active]
            which = self.which[active]
            half = self.batch.half_spaces(which, self.batch.velocity(which, depth))
            f, g = self.look(active, half, depth)
        self.sound[active] = False

    def _narrow(self, active: Indices, x: Array, f: Array) -> None:
        """Take the points into the brackets."""
        low, high = self._low[active], self._high[active]
        self._low[active] = np.where(f < 0.0, np.maximum(low, x), low)
        self._high[active] = np.where(f < 0.0, high, np.minimum(high, x))

    def _ahead(
        self, active: Indices, here: tuple[Array, ...], last: tuple[Array, ...], *, bisect: bool
    ) -> tuple[Array, Mask]:
        """Next depth, and where it is the zero: inverse Hermite interpolation of two points,
        Newton's method, or bisection.
        """
        low, high = self._low[active], self._high[active]
        (x, f, g), (x0, f0, g0) = here, last
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            newton = x - f / g
            rise = f - f0
            t = -f0 / rise
            smooth = (1.0 + 2.0 * t) * (1.0 - t) ** 2 * x0 + t**2 * (3.0 - 2.0 * t) * x
            smooth += rise * (t * (1.0 - t) ** 2 / g0 - t**2 * (1.0 - t) / g)
            usable = (g > 0.0) & (g0 > 0.0) & (np.abs(t - 0.5) < 1.5)
            usable &= (smooth > low) & (smooth < high)
            ahead = np.where(usable, smooth, newton)
            inside = (ahead > low) & (ahead < high) & (g > 0.0) & (not bisect)
            there = (np.abs(newton - x) < LAST_STEP) & (g > 0.0)
        ahead = np.where(inside, ahead, 0.5 * (low + high))
        ahead = np.where(there, newton, ahead)  # rounding may put it outside the bracket
        # Two good points: the error of the interpolation is the product of the squares.
        with np.errstate(invalid="ignore"):
            there |= inside & usable & (np.abs(ahead - x) * np.abs(ahead - x0) < LAST_PRODUCT)
            there &= np.abs(ahead - x) < LAST_LOOK
        return ahead, there

    def power_flow_angle(self) -> Array:
        """Angles from x1 to the power flow, degrees, positive towards x2."""
        across = self.batch.turn_slope(self.which, self.half, self.vector)
        velocity = self.velocity
        along = -velocity * self.batch.slope(self.half, velocity, self.vector)
        angle = np.degrees(np.arctan2(across, along))
        return np.where(np.abs(angle) < 1e-10, 0.0, angle)  # rounding


@dataclass(frozen=True, eq=False)
class FamilyWaves:
    """Waves of components that couple, in m orientations; slots from the slowest, NaN if empty.

    free, metallised : (m, slots) velocities, m/s. free_angle, metallised_angle : degrees.
    free_vector, metallised_vector : (m, slots, n), |u| = 1.
    limit : (m,), limiting velocity. sound : (m,), every wave found without doubt.
    """

    free: Array
    metallised: Array
    free_angle: Array
    metallised_angle: Array
    free_vector: ComplexArray
    metallised_vector: ComplexArray
    limit: Array
    sound: Mask


def family_waves(tensors: TensorBatch) -> FamilyWaves:
    """All waves below the limiting velocity of components that couple."""
    batch = HalfSpaceBatch(tensors)
    everything = np.arange(len(tensors))
    depth = np.full(len(tensors), NEAREST)
    half = batch.half_spaces(everything, batch.velocity(everything, depth))
    sound = half.sound.copy()
    searches: list[Search] = []
    for metallised in (False, True) if tensors.electric else (False,):
        matrix, hermitian = batch.surface(half, metallised=metallised)
        values = np.linalg.eigvalsh(matrix)
        sound &= hermitian & np.all(np.abs(values) > DOUBTFUL, axis=1)
        count = np.sum(values < 0.0, axis=1) - int(tensors.electric and not metallised)
        sound &= count >= 0
        order = np.arange(max(int(count.max(initial=0)), 0))
        which, order = np.nonzero((order < count[:, None]) & sound[:, None])
        search = Search(batch, which, order, metallised=metallised)
        tasks = np.arange(len(which))
        start = depth[which]
        value, slope = search.look(tasks, half.at(which), start)
        if searches and len(tasks):
            start, value, slope = _from_free(searches[0], search, (start, value, slope))
        search.run(start, value, slope)
        sound[which[~search.sound]] = False
        searches.append(search)
    slots = max([1, *(int(search.order.max(initial=0)) + 1 for search in searches)])
    parts = [_table(search, len(tensors), slots) for search in searches]
    (free, free_angle, free_vector), (covered, angle, vector) = parts[0], parts[-1]
    return FamilyWaves(free, covered, free_angle, angle, free_vector, vector, batch.limit, sound)


def _from_free(
    free: Search, metallised: Search, first: tuple[Array, Array, Array]
) -> tuple[Array, Array, Array]:
    """Start a metallised wave where the free one of the same order was found."""
    slots = 1 + max(int(free.order.max(initial=0)), int(metallised.order.max(initial=0)))
    place = np.full(len(free.batch.tensors) * slots, -1)
    place[free.which * slots + free.order] = np.arange(len(free.which))
    partner = place[metallised.which * slots + metallised.order]
    tasks = np.flatnonzero(partner >= 0)
    if tasks.size == 0:
        return first
    start, value, slope = (part.copy() for part in first)
    half = free.half.at(partner[tasks])
    start[tasks] = free.looked[partner[tasks]]
    value[tasks], slope[tasks] = metallised.look(tasks, half, start[tasks])
    return start, value, slope


def _table(search: Search, count: int, slots: int) -> tuple[Array, Array, ComplexArray]:
    """Velocities, angles (count, slots) and motions (count, slots, n) of the tasks in order."""
    n, moving = search.batch.tensors.size, search.batch.tensors.moving
    velocity, angle = np.full((count, slots), np.nan), np.full((count, slots), np.nan)
    vector = np.zeros((count, slots, n), dtype=complex)
    place = search.which, search.order
    velocity[place] = search.velocity
    angle[place] = search.power_flow_angle()
    norm = np.linalg.norm(search.vector[:, :moving], axis=1, keepdims=True)
    vector[place] = search.vector / np.where(norm > 0.0, norm, 1.0)
    return velocity, angle, vector
