"""The impedance of a half-space on the sheet that belongs to a stretch of real velocities.

Between two branch points the same partial waves run at every real slowness u = 1 / v. With

    u = (u_fast + u_slow) / 2 - (u_slow - u_fast) / 2 cos(angle),

Z is analytic in the angle across both ends, where in u it has square roots; past an end it goes on
to the sheet that lies behind that branch point. A rational function through samples at real angles
(the AAA algorithm: Nakatsukasa, Sete & Trefethen, SIAM J. Sci. Comput. 40, A1494 (2018)) carries
Z to complex u, and Newton's method on the Riccati equation of Z makes it exact and tells where it
was not near enough. There Z is carried along the straight path from the real axis, in small steps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sawfem.planewave.generalised import Array, ComplexArray, GeneralisedTensor, Indices
from sawfem.planewave.partial_waves import impedances, newton_step, stroh_matrix

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

#: Carries Z (m, n, n) to slownesses u (m,) in another way.
Carrier = Callable[[ComplexArray], ComplexArray]


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
    otherwise : carries Z where the rational function is not near enough.
    """

    def __init__(
        self, tensor: GeneralisedTensor, slow: float, fast: float, otherwise: Carrier
    ) -> None:
        self.tensor, self.otherwise = tensor, otherwise
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
        z = self.fit(self.angle(u)).reshape(-1, n, n)
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
            self.carried += far.size
            z[far] = self.otherwise(u[far])
        return z
