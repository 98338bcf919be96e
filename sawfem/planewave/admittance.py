"""The surface admittance Y(omega, k) of a stack: a half-space with layers on it.

At the top of the stack, for fields exp(j(omega t - k x1)),

    (T_31, T_32, T_33, D_3) = Y (u1, u2, u3, phi).

It is the one thing that the unit cell, the search for surface waves and the effective
permittivity need to know about a stack. Properties (asserted by the tests): Y(omega, -k) =
Y(omega, k)^T; Hermitian where nothing is radiated; Y of a half-space is homogeneous, Y = |k| y(v).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.conventions import CHARGE, FIELD, STRESS
from sawfem.errors import ConvergenceError, GeometryError, InputError
from sawfem.planewave.generalised import (
    Array,
    ComplexArray,
    GeneralisedTensor,
    Numbers,
    checked_layers,
)
from sawfem.planewave.layers import top_impedance
from sawfem.planewave.partial_waves import impedances, newton, stroh_matrix

if TYPE_CHECKING:
    from sawfem.material import Medium

#: |k| over kappa below which a wave counts as running straight down (k = 0).
STRAIGHT_DOWN = 1.0e-10
#: How often a step into the complex plane may be halved.
HALVINGS = 45

_TRACTION = np.array([STRESS, STRESS, STRESS, CHARGE])
_DISPLACEMENT = np.array([1.0, 1.0, 1.0, FIELD])


class SurfaceAdmittance:
    """Y(omega, k) at the top of a stack; a callable.

    Parameters
    ----------
    substrate : medium of the half-space x3 < 0, in the device frame; vacuum (no stiffness)
        under a membrane.
    layers : (medium, thickness in metres), from the substrate upwards. A conductor is elastic
        only, with phi = 0 at both faces.
    shorts : interfaces held at phi = 0 by a perfect conductor without mass: 0 lies below the
        first layer, len(layers) is the surface.

    Raises
    ------
    GeometryError for a thickness that is not positive, an interface that does not exist, or a
    membrane without layers; MaterialError for a conducting substrate.

    Notes
    -----
    *Branch.* At real omega and k the half-space carries the waves that decay downwards and the
    oscillating ones whose energy flows down (:func:`.partial_waves.waves_below`), without any
    artificial loss. At complex omega or k the branch is chosen at (Re omega, Re k), and the
    half-space is carried from there along the straight line by continuity. Choosing by decay at
    the complex point would put a cut along the real axis.

    *k = 0.* D_3 = 0 throughout, so the potential drops out: its row and column of Y are zero and
    the displacements radiate with the stiffened constants. Y is continuous there.
    *Conductors.* A floating plane has one potential, and fields ~ exp(-j k x1) leave it none but
    zero: for k != 0 floating and grounded are the same. At k = 0 a plane takes up no charge
    (floating). Where the surface itself conducts, ``shorted`` is true, its potential is held at
    zero, and the row and column of the potential in Y are zero.
    *omega = 0.* Elastostatics and electrostatics; Y(0, 0) = 0.
    """

    def __init__(
        self,
        substrate: Medium,
        layers: Sequence[tuple[Medium, float]] = (),
        *,
        shorts: Collection[int] = (),
    ) -> None:
        self._substrate = GeneralisedTensor.from_medium(substrate)
        self._layers = tuple(
            (GeneralisedTensor.of_layer(medium), thickness)
            for medium, thickness in checked_layers(layers)
        )
        self._shorts = checked_shorts(shorts, len(self._layers))
        self._halvings = HALVINGS
        if self._substrate.is_vacuum and not self._layers:
            raise GeometryError(
                key="layers", found="none", expected="the layers of which a membrane consists"
            )

    @classmethod
    def from_tensors(
        cls,
        substrate: GeneralisedTensor,
        layers: Sequence[tuple[GeneralisedTensor, float]],
        *,
        shorts: Collection[int] = (),
        halvings: int = HALVINGS,
    ) -> SurfaceAdmittance:
        """The same from scaled tensors, for stacks that are turned or restricted on the way.

        ``halvings``: how often a step into the complex plane may be halved before it fails.
        """
        self = cls.__new__(cls)
        self._substrate, self._layers, self._halvings = substrate, tuple(layers), halvings
        self._shorts = frozenset(shorts)
        return self

    @property
    def tensors(
        self,
    ) -> tuple[GeneralisedTensor, tuple[tuple[GeneralisedTensor, float], ...]]:
        """Scaled tensors of the substrate and (tensor, thickness) of the layers."""
        return self._substrate, self._layers

    @property
    def shorts(self) -> frozenset[int]:
        """Interfaces held at phi = 0 by a plane without mass."""
        return self._shorts

    @property
    def shorted(self) -> bool:
        """Whether the surface itself conducts: a plane or a metal layer ends the stack."""
        metal = bool(self._layers) and self._layers[-1][0].conducting
        return metal or len(self._layers) in self._shorts

    @property
    def potentials(self) -> int:
        """Potentials of the surface that are free to move, 0 or 1."""
        return int(self._substrate.electric and not self.shorted)

    def __call__(self, omega: ArrayLike, k: ArrayLike) -> ComplexArray:
        """Surface admittance in SI.

        Parameters
        ----------
        omega : angular frequency, rad/s, real >= 0 or complex with real part >= 0.
        k : wavenumber along x1, rad/m, real or complex. Both are broadcast against each other.

        Returns
        -------
        (..., 4, 4) complex. Blocks: mechanical Pa/m; [:3, 3] Pa/V; [3, :3] C/m^3; [3, 3] F/m^2.

        Raises
        ------
        InputError for values that are not finite or Re omega < 0; ConvergenceError if the
        continuation to a complex point fails, as it does from a branch point itself.
        """
        return np.asarray(self.scaled(omega, k) * (_TRACTION[:, None] / _DISPLACEMENT))

    def scaled(self, omega: ArrayLike, k: ArrayLike) -> ComplexArray:
        """The same in the units of the solvers, 1/m: all four blocks are of one size.

        (T_3i / STRESS, D_3 / CHARGE) = scaled (u_i, phi / FIELD). Arguments as for a call.
        """
        frequency, wavenumber, shape = _broadcast(omega, k)
        result = self._scaled(frequency.real, wavenumber.real, frequency, wavenumber)
        return result.reshape(*shape, *result.shape[1:])

    def restricted(
        self, components: tuple[int, ...], *, halvings: int = HALVINGS
    ) -> SurfaceAdmittance:
        """The same for components that do not couple to the others; only ``scaled`` then works,
        with matrices of as many rows (:func:`.generalised.uncoupled_components`).
        """
        return SurfaceAdmittance.from_tensors(
            self._substrate.restricted(components),
            [(tensor.restricted(components), height) for tensor, height in self._layers],
            shorts=self._shorts,
            halvings=halvings,
        )

    def along(self, omega: ArrayLike, k: ArrayLike) -> ComplexArray:
        """Y in SI along a path, carried by continuity from its first point, which is real.

        For contours on which the straight line from the real axis is not the wanted one, such as
        a turn around a branch point onto the other sheet.

        Parameters
        ----------
        omega, k : (points,) or scalar, broadcast; the path must be fine enough to tell the
            partial waves apart, steps are halved where they are not.

        Returns
        -------
        (points, 4, 4) complex.
        """
        frequency, wavenumber, _ = _broadcast(omega, k)
        if frequency[0].imag != 0.0 or wavenumber[0].imag != 0.0:
            raise InputError(found="a path that starts off the real axis", expected="a real start")
        kappa = self._reference(frequency[:1], wavenumber[:1])
        q, s = wavenumber / kappa, frequency / kappa
        z = below(self._substrate, q[:1].real, s[:1].real)
        path = [z]
        for index in range(1, len(q)):
            before, here = slice(index - 1, index), slice(index, index + 1)
            z = carried_impedance(
                self._substrate, (q[before], s[before]), (q[here], s[here]), z, self._halvings
            )
            path.append(z)
        top = self._through_layers(True, q, s, np.full(len(q), kappa[0]), np.concatenate(path))
        result = np.zeros((len(q), 4, 4), dtype=complex)
        result[:, : top.shape[-1], : top.shape[-1]] = 1j * kappa[0] * top
        return np.asarray(result * (_TRACTION[:, None] / _DISPLACEMENT))

    def _reference(self, omega: ComplexArray, k: ComplexArray) -> Array:
        """kappa, the wavenumber that makes a point dimensionless, rad/m."""
        bodies = (self._substrate, *(tensor for tensor, _ in self._layers))
        density = next((body.density for body in bodies if body.density), 0.0)
        kappa = np.hypot(np.abs(k), np.abs(omega) * np.sqrt(density))
        return np.asarray(kappa)

    def _scaled(
        self, start_omega: Array, start_k: Array, omega: ComplexArray, k: ComplexArray
    ) -> ComplexArray:
        """Scaled admittances (m, 4, 4) at (omega, k), continued from the real start."""
        kappa = self._reference(omega, k)
        full = self._substrate.size
        result = np.zeros((len(kappa), full, full), dtype=complex)
        straight = np.abs(k) <= STRAIGHT_DOWN * kappa
        for mask, charged in ((~straight, True), (straight & (kappa > 0.0), False)):
            points = np.flatnonzero(mask)
            if points.size == 0:
                continue
            scale = kappa[points]
            part = self._impedance(
                charged,
                (start_k[points] / scale, start_omega[points] / scale),
                (k[points] / scale, omega[points] / scale),
                scale,
            )
            size = part.shape[-1]
            result[points, :size, :size] = 1j * scale[:, None, None] * part
        return result

    def _impedance(
        self,
        charged: bool,
        start: tuple[Numbers, Numbers],
        end: tuple[Numbers, Numbers],
        kappa: Array,
    ) -> ComplexArray:
        """Impedance Z at the top of the stack, (m, n, n), in the scale of kappa."""
        tensor = self._substrate if charged else self._substrate.without_charge()
        if not charged:  # the true k is below rounding
            start, end = (0.0 * start[0], start[1]), (0.0 * end[0], end[1])
        z = below(tensor, *start)
        moved = np.flatnonzero((end[0].imag != 0.0) | (end[1].imag != 0.0))
        if moved.size:
            z[moved] = carried_impedance(
                tensor,
                (start[0][moved].astype(complex), start[1][moved].astype(complex)),
                (end[0][moved], end[1][moved]),
                z[moved],
                self._halvings,
            )
        else:
            end = start  # real arithmetic is faster, and exact about the kind of a wave
        return self._through_layers(charged, *end, kappa, z)

    def _through_layers(
        self,
        charged: bool,
        q: Numbers,
        s: Numbers,
        kappa: Array,
        z: ComplexArray,
    ) -> ComplexArray:
        """Z from the top of the substrate to the surface, scaled."""
        for index, (medium, thickness) in enumerate(self._layers):
            if index in self._shorts:
                z = self.grounded(z)
            layer = medium if charged else medium.without_charge()
            z = top_impedance(layer, q, s, kappa * thickness, z)
        return self.grounded(z) if len(self._layers) in self._shorts else z

    def grounded(self, z: ComplexArray) -> ComplexArray:
        """Impedance of a surface whose potential, if it has one, is held at zero."""
        moving = self._substrate.moving
        return z[..., :moving, :moving]


def below(tensor: GeneralisedTensor, q: Numbers, s: Numbers) -> ComplexArray:
    """Impedance Z of the half-space below at real q and s (m,); of vacuum, also at complex q.

    Vacuum bears no stress and takes up the charge D_3 = -eps_0 |k| phi.
    """
    if not tensor.is_vacuum:
        return impedances(tensor, q, s)[0]
    z = np.zeros((len(q), tensor.size, tensor.size), dtype=complex)
    if tensor.electric:
        z[:, -1, -1] = -1j * tensor.g33[-1, -1] * q * np.sign(np.real(q))
    return z


def checked_shorts(shorts: Collection[int], layers: int) -> frozenset[int]:
    """Interfaces as a set. GeometryError for one that a stack of so many layers does not have."""
    for index in shorts:
        if not 0 <= index <= layers:
            raise GeometryError(
                key="shorts",
                found=f"interface {index}",
                expected=f"0 (below the layers) to {layers} (the surface)",
            )
    return frozenset(int(index) for index in shorts)


def _broadcast(
    omega: ArrayLike, k: ArrayLike
) -> tuple[ComplexArray, ComplexArray, tuple[int, ...]]:
    frequency, wavenumber = np.broadcast_arrays(
        np.asarray(omega, dtype=complex), np.asarray(k, dtype=complex)
    )
    for name, values in (("omega", frequency), ("k", wavenumber)):
        if not np.all(np.isfinite(values)):
            raise InputError(key=name, found="a value that is not finite", expected="numbers")
    if np.any(frequency.real < 0.0):
        raise InputError(key="omega", found="a negative frequency", expected="Re omega >= 0")
    return frequency.ravel(), wavenumber.ravel(), frequency.shape


def carried_impedance(
    tensor: GeneralisedTensor,
    start: tuple[Numbers, Numbers],
    end: tuple[Numbers, Numbers],
    z: ComplexArray,
    halvings: int,
) -> ComplexArray:
    """Carry the half-space's Z (m, n, n) from the points (q, s) ``start`` to ``end``.

    Z follows the four partial waves by continuity: Newton's method from one point to the next,
    the step halved wherever convergence is not beyond doubt. Vacuum has no waves to follow.
    """
    if tensor.is_vacuum:
        return below(tensor, *end)
    result, sure = newton(stroh_matrix(tensor, *end), z)
    doubtful: NDArray[np.intp] = np.flatnonzero(~sure)
    if doubtful.size == 0:
        return result
    if halvings == 0:
        raise ConvergenceError(
            "the half-space cannot be carried to a complex point: the path passes a branch point"
            f" (q = {end[0][doubtful[0]]:.6g}, s = {end[1][doubtful[0]]:.6g} m/s)"
        )
    first = (start[0][doubtful], start[1][doubtful])
    last = (end[0][doubtful], end[1][doubtful])
    middle = (0.5 * (first[0] + last[0]), 0.5 * (first[1] + last[1]))
    halfway = carried_impedance(tensor, first, middle, z[doubtful], halvings - 1)
    result[doubtful] = carried_impedance(tensor, middle, last, halfway, halvings - 1)
    return result
