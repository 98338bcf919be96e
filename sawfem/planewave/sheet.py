"""The impedance of a half-space on the sheet that belongs to a stretch of real velocities.

Between two branch points the same partial waves run at every real slowness u = 1 / v. With

    u = (u_fast + u_slow) / 2 - (u_slow - u_fast) / 2 cos(angle),

Z is analytic in the angle across both ends, where in u it has square roots; past an end it goes on
to the sheet that lies behind that branch point. A rational function through samples at real angles
(the AAA algorithm: Nakatsukasa, Sete & Trefethen, SIAM J. Sci. Comput. 40, A1494 (2018)) carries
Z to complex u, and Newton's method on the Riccati equation of Z makes it exact and tells where it
was not near enough. There the rough Z still picks its partial waves out of all; where even that
leaves doubt, Z is followed from the real axis in small steps of the angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sawfem.errors import ConvergenceError
from sawfem.planewave.generalised import (
    Array,
    ComplexArray,
    GeneralisedTensor,
    Indices,
    Mask,
    Numbers,
)
from sawfem.planewave.partial_waves import (
    impedances,
    newton_step,
    polished,
    stroh_matrix,
    wave_ratio,
)

#: Samples between the two branch points.
SAMPLES = 72
#: Most support points of the rational function, and the relative error that ends their choice.
SUPPORTS = 26
MISFIT = 1.0e-9
#: Largest first step of Newton's method, relative to Z, with which the guess counts as near; the
#: step whose square is rounding; least gain from one step to the next.
NEAR = 1.0e-3
SETTLED = 3.0e-8
GAIN = 0.05
STEPS = 4
#: Largest misfit of a partial wave to a rough guess of Z, and its ratio to the next worse wave's.
ROUGH = 0.1
CLEARLY = 0.2

#: Distance of the real start of a path from both ends, as an angle, and halvings of its steps.
INSIDE = 0.1
HALVINGS = 12


@dataclass(frozen=True, eq=False)
class RationalFit:
    """Barycentric rational function of several components.

    support (m,), values (m, c), weights (m,).
    """

    support: Array
    values: ComplexArray
    weights: ComplexArray

    @classmethod
    def of(cls, x: Array, samples: ComplexArray, *, tolerance: float, most: int) -> RationalFit:
        """Through samples (p, c) at places x (p,), by the AAA algorithm."""
        size = np.abs(samples).max()
        scaled = samples / size
        rest = np.ones(len(x), dtype=bool)
        fitted = np.broadcast_to(scaled.mean(axis=0), scaled.shape)
        support: list[int] = []
        weights = np.ones(1, dtype=complex)
        loewner = np.empty((len(x), samples.shape[1], 0), dtype=complex)
        for _ in range(most):
            misfit = np.where(rest, np.abs(scaled - fitted).max(axis=1), -1.0)
            worst = int(np.argmax(misfit))
            if misfit[worst] < tolerance:
                break
            support.append(worst)
            rest[worst] = False
            distance = x - x[worst]
            distance[worst] = 1.0
            column = (scaled - scaled[worst]) / distance[:, None]
            loewner = np.concatenate([loewner, column[:, :, None]], axis=2)
            tall = loewner[rest].reshape(-1, len(support))
            weights = np.linalg.svd(np.linalg.qr(tall, mode="r"))[2][-1].conj()
            cauchy = 1.0 / (x[rest][:, None] - x[support])
            fitted = scaled.copy()
            below = cauchy @ weights
            fitted[rest] = (cauchy * weights) @ scaled[support] / below[:, None]
        return cls(x[support], samples[support], weights)

    def __call__(self, z: ComplexArray) -> ComplexArray:
        """Values (m, c) at complex places (m,)."""
        distance = z[:, None] - self.support
        distance = np.where(distance == 0.0, 1e-300, distance)
        terms = self.weights / distance
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            value = terms @ self.values / terms.sum(axis=1, keepdims=True)
        return np.asarray(np.where(np.isfinite(value), value, 0.0))


class Sheet:
    """Z at q = 1 of a half-space, for slownesses about a stretch of the real axis.

    Parameters
    ----------
    tensor : the half-space. slow, fast : branch points at the ends, m/s; beyond the last one any
        larger velocity.

    Attributes
    ----------
    carried : points so far at which Z had to be followed in steps.
    """

    def __init__(self, tensor: GeneralisedTensor, slow: float, fast: float) -> None:
        self.tensor = tensor
        self.middle, self.half = 0.5 * (1.0 / slow + 1.0 / fast), 0.5 * (1.0 / slow - 1.0 / fast)
        self.carried = 0
        # The ends themselves are left out: there two partial waves coincide.
        angle = np.pi * (np.arange(SAMPLES) + 0.5) / SAMPLES
        s = 1.0 / (self.middle - self.half * np.cos(angle))
        z, _ = impedances(tensor, np.ones_like(s), s)
        self.fit = RationalFit.of(angle, z.reshape(len(z), -1), tolerance=MISFIT, most=SUPPORTS)

    def angle(self, u: ComplexArray) -> ComplexArray:
        """Complex angle of slownesses; the end of a stretch is passed on the side of Im u."""
        return np.asarray(np.arccos((self.middle - u) / self.half + 0.0j))

    def impedance(self, u: ComplexArray) -> ComplexArray:
        """Z (m, n, n) at complex slownesses u = k / omega (m,), s/m."""
        n = self.tensor.size
        matrix = stroh_matrix(self.tensor, np.ones_like(u), 1.0 / u)
        guess = self.fit(self.angle(u)).reshape(-1, n, n)
        z = guess.copy()
        near = np.ones(len(u), dtype=bool)
        before = np.full(len(u), NEAR / GAIN)
        open_: Indices = np.arange(len(u))
        for _ in range(STEPS):
            step = newton_step(matrix[open_], z[open_])
            z[open_] += step
            size = np.linalg.norm(step, axis=(1, 2)) / (1.0 + np.linalg.norm(z[open_], axis=(1, 2)))
            gained = (size < SETTLED) | (size <= GAIN * before[open_])
            near[open_[~gained]] = False
            before[open_] = size
            open_ = open_[gained & (size >= SETTLED)]
            if open_.size == 0:
                break
        near[open_] = False
        far = np.flatnonzero(~near)
        if far.size:
            z[far], clear = chosen_waves(matrix[far], guess[far])
            far = far[~clear]
        if far.size:
            self.carried += far.size
            z[far] = self._carried(u[far])
        return z

    def slowness(self, angle: ComplexArray) -> ComplexArray:
        """U of complex angles."""
        return np.asarray(self.middle - self.half * np.cos(angle))

    def _carried(self, u: ComplexArray) -> ComplexArray:
        """Z at u, followed in steps from real angles clear of the ends."""
        end = self.angle(u)
        start = np.clip(end.real, INSIDE, np.pi - INSIDE).astype(np.complex128)
        s = 1.0 / self.slowness(start).real
        z, _ = impedances(self.tensor, np.ones_like(s), s)
        return self._followed(start, end, z, HALVINGS)

    def _followed(
        self, start: ComplexArray, end: ComplexArray, z: ComplexArray, halvings: int
    ) -> ComplexArray:
        """Z from angles to angles: its partial waves are those that fit the Z before best."""
        u = self.slowness(end)
        matrix = stroh_matrix(self.tensor, np.ones_like(u), 1.0 / u)
        result, clear = chosen_waves(matrix, z)
        doubtful = np.flatnonzero(~clear)
        if doubtful.size == 0:
            return result
        if halvings == 0:
            worst = 1.0 / u[doubtful[0]]
            raise ConvergenceError(
                "the half-space cannot be carried to a complex point: two partial waves meet near "
                f"{worst.real:.6g}{worst.imag:+.3g}j m/s"
            )
        first, last = start[doubtful], end[doubtful]
        middle = 0.5 * (first + last)
        halfway = self._followed(first, middle, z[doubtful], halvings - 1)
        result[doubtful] = self._followed(middle, last, halfway, halvings - 1)
        return result


def chosen_waves(matrix: Numbers, guess: ComplexArray) -> tuple[ComplexArray, Mask]:
    """Z (m, n, n) of the n partial waves that fit a rough guess of it best, and where there is no
    doubt about which they are: every other one fits much worse.
    """
    n = guess.shape[-1]
    _, vectors = np.linalg.eig(matrix)
    u, traction = vectors[:, :n], vectors[:, n:]
    misfit = np.linalg.norm(traction - guess @ u, axis=1)
    misfit /= np.linalg.norm(traction, axis=1) + np.linalg.norm(guess @ u, axis=1) + 1e-300
    order = np.argsort(misfit, axis=1)
    ranked = np.take_along_axis(misfit, order, axis=1)
    chosen = np.take_along_axis(vectors, order[:, None, :n], axis=2)
    z, sound = wave_ratio(chosen)
    clear = sound & (ranked[:, n - 1] < ROUGH) & (ranked[:, n - 1] < CLEARLY * ranked[:, n])
    return polished(matrix, z), clear
