"""The same wave again in a slightly changed stack: media, thickness, direction, temperature.

A wave is a wavenumber k at which the matrix K(k) of the stack (:mod:`.stack_matrix`) is singular.
Bordered by the null vectors of the old wave,

    [ K(k)   conj(w) ] [x]   [0]
    [ u^H       0    ] [f] = [1],

K is singular where f(k) = 0, and f belongs to the old wave: other waves, whose vectors differ,
hardly move it (Griewank & Reddien, IMA J. Numer. Anal. 4, 295 (1984): from memory). The secant
method finds the root in the variable sqrt(1 - v^2 / v_onset^2), v_onset the next onset of a bulk
wave above, in which K is smooth up to the onset. If the step to the new stack is too long, or the
motion found is not the old one, it is halved along the straight line between the two stacks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from sawfem.errors import ConvergenceError, InputError
from sawfem.planewave.generalised import ComplexArray, uncoupled_components
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.modes import HALF_SPACE_FREQUENCY
from sawfem.planewave.scaled_stack import ScaledMedium, ScaledStack
from sawfem.planewave.stack_matrix import ALL, StackMatrix, slab_counts
from sawfem.planewave.surface_waves import DECIBEL, Wave

if TYPE_CHECKING:
    from sawfem.material import Medium

#: Relative change of k that counts as converged; the rounding error of K allows no less.
CONVERGED = 1.0e-13
#: The same where f no longer falls: it has met its own rounding error.
STALLED = 1.0e-9
#: Steps of the secant method, and halvings of the way to a new stack.
STEPS = 30
HALVINGS = 8
#: Least likeness |u_old^H u_new|^2 of the motions of all interfaces, of norm one.
LIKENESS = 0.6
#: Attenuation -Im k / Re k below which a wave of a lossless stack counts as guided.
GUIDED = 1.0e-11
#: Relative change of the substrate up to which an onset of bulk waves is kept as it was, and
#: distance sqrt(1 - v^2 / v_onset^2) from it down to which that is allowed.
SAME_ONSET = 1.0e-3
CLEAR = 0.15


@dataclass(frozen=True, eq=False)
class Ceiling:
    """The next onset of a bulk wave above a wave, m/s (None: there is none), whether it is the
    lowest one, and the substrate for which it was computed."""

    velocity: float | None
    lowest: bool
    medium: ScaledMedium

    def place(self, omega: float, k: complex) -> complex:
        """sqrt(1 - v^2 / v_onset^2), real part >= 0; k over omega, s/m, above all onsets."""
        if self.velocity is None:
            return k / omega
        return complex(np.sqrt(1.0 - (omega / (k * self.velocity)) ** 2 + 0.0j))

    def wavenumber(self, omega: float, place: complex) -> complex:
        """The k of a place."""
        if self.velocity is None:
            return place * omega
        return complex(omega / (self.velocity * np.sqrt(1.0 - place**2)))


@dataclass(frozen=True, eq=False)
class StackWave:
    """One wave of one stack with one condition at its surface: what is followed.

    Attributes
    ----------
    stack : scaled media and thicknesses. omega : rad/s (any for a half-space).
    metallised : massless perfect conductor on the surface; otherwise vacuum lies above.
    wavenumber : k, rad/m; Im k < 0 for a wave that leaks or is damped.
    nodal : (nodes, 4), (u1, u2, u3, phi / FIELD) at the interfaces upwards, slabs of the layers
        included, norm one.
    reverse : the same for the wave with -k; conj(nodal) where nothing leaks.
    family, slabs, ceiling : components that take part, slabs per layer, next onset above.
    residual : |f| at the root.
    """

    stack: ScaledStack
    omega: float
    metallised: bool
    wavenumber: complex
    nodal: ComplexArray
    reverse: ComplexArray
    family: tuple[int, ...]
    slabs: tuple[int, ...]
    ceiling: Ceiling
    residual: float

    @property
    def velocity(self) -> float:
        """Phase velocity omega / Re k, m/s."""
        return self.omega / self.wavenumber.real

    @property
    def loss(self) -> float:
        """-Im k / Re k, nepers per radian of phase."""
        return -self.wavenumber.imag / self.wavenumber.real

    @property
    def attenuation(self) -> float:
        """dB per wavelength."""
        return 2.0 * math.pi * DECIBEL * self.loss

    @property
    def is_guided(self) -> bool:
        """The stack is lossless and the wave does not leak, so that it has a finite energy."""
        return abs(self.loss) < GUIDED and not any(m.is_lossy for m in self.stack.media)

    @property
    def polarisation(self) -> tuple[complex, complex, complex]:
        """(u1, u2, u3) at the surface, norm one, the largest real and positive."""
        u = self.nodal[-1, :3]
        largest = u[int(np.argmax(np.abs(u)))]
        u1, u2, u3 = (complex(x) for x in u * abs(largest) / (largest * np.linalg.norm(u)))
        return u1, u2, u3

    @property
    def system(self) -> StackMatrix:
        """K of its stack."""
        return StackMatrix(
            self.stack, self.omega, self.slabs, family=self.family, metallised=self.metallised
        )


def locate(
    wave: Wave,
    substrate: Medium,
    layers: Iterable[tuple[Medium, float]] = (),
    *,
    metallised: bool = False,
) -> StackWave:
    """Take up a wave that a search has found, with its field at all interfaces.

    Parameters
    ----------
    wave : of :func:`.surface_waves`, :func:`.leaky_estimates` or :func:`.plane_waves`.
    substrate, layers : the stack in which it was found.
    metallised : the wave of the metallised surface instead of the free one.

    Raises
    ------
    InputError : there is no such wave at this surface. ConvergenceError : it is not a wave of
        this stack.
    """
    velocity = wave.velocity_metallised if metallised else wave.velocity_free
    attenuation = wave.attenuation_metallised if metallised else wave.attenuation_free
    surface = "metallised" if metallised else "free"
    if velocity is None:
        raise InputError(found=f"no wave of the {surface} surface", expected=f"not {wave.kind}")
    stack = ScaledStack.from_media(substrate, layers)
    omega = HALF_SPACE_FREQUENCY
    if stack.layers:
        if wave.frequency is None:
            raise InputError(key="frequency", found="none", expected="that of a layered stack")
        omega = 2.0 * math.pi * wave.frequency
    k = omega / velocity * (1.0 - 1j * (attenuation or 0.0) / (2.0 * math.pi * DECIBEL))
    return take_up(stack, omega, k, np.array(wave.polarisation), metallised=metallised)


def take_up(
    stack: ScaledStack,
    omega: float,
    k: complex,
    polarisation: ComplexArray,
    *,
    metallised: bool,
    slabs: tuple[int, ...] | None = None,
) -> StackWave:
    """The wave at a known k, rad/m, that moves the surface along ``polarisation`` (3,)."""
    family = _family(stack, np.append(polarisation, 0.0)[None])
    velocity = omega / k.real
    slabs = slabs or slab_counts(stack, omega, velocity)
    system = StackMatrix(stack, omega, slabs, family=family, metallised=metallised)
    left, _, right = np.linalg.svd(system(k if k.imag else k.real))
    borders = right[-1].conj(), left[:, -1].conj()
    return _solved(system, k, borders, _ceiling(stack.substrate, family, velocity))


def follow(
    wave: StackWave,
    substrate: Medium,
    layers: Iterable[tuple[Medium, float]] = (),
    *,
    omega: float | None = None,
) -> StackWave:
    """The same wave in a slightly changed stack.

    Parameters
    ----------
    wave : in the old stack. substrate, layers : the new one, with as many layers.
    omega : rad/s in the new one; default: as before.

    Raises
    ------
    ConvergenceError : names the place and the last residual; the wave may have reached the
        onset of a bulk wave and ended there.
    """
    return follow_scaled(wave, ScaledStack.from_media(substrate, layers), omega=omega)


def follow_scaled(wave: StackWave, stack: ScaledStack, *, omega: float | None = None) -> StackWave:
    """:func:`follow` for a stack that is scaled already; it may be lossy."""
    return _advance(wave, stack, wave.omega if omega is None else omega, HALVINGS)


def _advance(wave: StackWave, stack: ScaledStack, omega: float, halvings: int) -> StackWave:
    wave.stack.mixed(stack, 1.0)  # as many layers
    try:
        return _step(wave, stack, omega)
    except ConvergenceError:
        if halvings == 0:
            raise
    halfway = _advance(
        wave, wave.stack.mixed(stack, 0.5), 0.5 * (wave.omega + omega), halvings - 1
    )
    return _advance(halfway, stack, omega, halvings - 1)


def _step(wave: StackWave, stack: ScaledStack, omega: float) -> StackWave:
    needed = slab_counts(stack, omega, wave.velocity)
    if any(new > old for new, old in zip(needed, wave.slabs, strict=True)):
        finer = tuple(max(pair) for pair in zip(needed, wave.slabs, strict=True))
        wave = _resliced(wave, finer)
    family = _family(stack, wave.nodal)
    system = StackMatrix(stack, omega, wave.slabs, family=family, metallised=wave.metallised)
    borders = system.picked(wave.nodal), system.picked(wave.reverse)
    start = wave.wavenumber * (omega / wave.omega)
    ceiling = wave.ceiling
    if family != wave.family or not _onset_holds(wave, stack.substrate):
        ceiling = _ceiling(stack.substrate, family, wave.velocity)
    found = _solved(system, start, borders, ceiling)
    alike = abs(np.vdot(found.nodal, wave.nodal)) ** 2
    if alike < LIKENESS:
        raise ConvergenceError(
            f"the wave near {wave.velocity:.6g} m/s was lost: at {found.velocity:.6g} m/s the "
            f"stack moves otherwise (likeness {alike:.2g}, residual {found.residual:.1e})"
        )
    return found


def _resliced(wave: StackWave, slabs: tuple[int, ...]) -> StackWave:
    """The same wave with more slabs."""
    return take_up(
        wave.stack,
        wave.omega,
        wave.wavenumber,
        wave.nodal[-1, :3],
        metallised=wave.metallised,
        slabs=slabs,
    )


def _family(stack: ScaledStack, nodal: ComplexArray) -> tuple[int, ...]:
    """Components that move alone with this wave, or all of them."""
    size = np.abs(nodal).max(axis=0)
    moving = {index for index in range(3) if size[index] > 1e-9 * size[:3].max()}
    for family in uncoupled_components([medium.lossless for medium in stack.media]):
        if moving <= set(family):
            return family
    return ALL


def _ceiling(medium: ScaledMedium, family: tuple[int, ...], velocity: float) -> Ceiling:
    onsets = bulk_onsets(medium.lossless.restricted(family))
    above = [onset for onset in onsets if onset > velocity]
    return Ceiling(min(above, default=None), len(above) == len(onsets), medium)


def _onset_holds(wave: StackWave, medium: ScaledMedium) -> bool:
    old, place = wave.ceiling.medium, wave.ceiling.place(wave.omega, wave.wavenumber)
    change = np.linalg.norm((medium.tensor - old.tensor).ravel())
    change = change / np.linalg.norm(old.tensor.ravel()) + abs(medium.density / old.density - 1.0)
    return bool(change < SAME_ONSET and abs(place) > CLEAR) or bool(change == 0.0)


def _bordered(
    system: StackMatrix, k: complex, borders: tuple[ComplexArray, ComplexArray]
) -> tuple[complex, ComplexArray, ComplexArray]:
    """f at k, and the right and left vectors."""
    right, left = borders
    n = len(right)
    matrix = np.zeros((n + 1, n + 1), dtype=complex)
    matrix[:n, :n] = system(k)
    matrix[:n, n], matrix[n, :n] = left.conj(), right.conj()
    one = np.zeros(n + 1)
    one[n] = 1.0
    solution = np.linalg.solve(matrix, one)
    return complex(solution[n]), solution[:n], np.linalg.solve(matrix.T, one)[:n]


def _solved(
    system: StackMatrix, k: complex, borders: tuple[ComplexArray, ComplexArray], ceiling: Ceiling
) -> StackWave:
    """The wave whose f has its root near k."""
    norms = [np.linalg.norm(vector) for vector in borders]
    borders = borders[0] / norms[0], borders[1] / norms[1]
    lossless = not any(medium.is_lossy for medium in system.stack.media)
    real = lossless and ceiling.lowest and abs(k.imag) < GUIDED * k.real
    k, residual = _secant(system, k, borders, ceiling, real=real)
    _, right, left = _bordered(system, k, borders)
    if real:
        left = right.conj()
    u, w = system.embedded(right), system.embedded(left)
    return StackWave(
        stack=system.stack,
        omega=system.omega,
        metallised=system.metallised,
        wavenumber=k,
        nodal=u / np.linalg.norm(u),
        reverse=w / np.linalg.norm(w),
        family=system.family,
        slabs=system.slabs,
        ceiling=ceiling,
        residual=residual,
    )


def _secant(
    system: StackMatrix,
    k: complex,
    borders: tuple[ComplexArray, ComplexArray],
    ceiling: Ceiling,
    *,
    real: bool,
) -> tuple[complex, float]:
    """Root of f near k, and |f| there."""
    omega = system.omega

    def f(place: complex) -> complex:
        at = ceiling.wavenumber(omega, place)
        return _bordered(system, at.real if real else at, borders)[0]

    x = ceiling.place(omega, k)
    x = complex(x.real) if real else x
    before, x = x, x * (1.0 + 1e-5)
    f_before, f_here = f(before), f(x)
    for _ in range(STEPS):
        if f_here == f_before or f_here == 0.0:
            return ceiling.wavenumber(omega, x), abs(f_here)
        move = -f_here * (x - before) / (f_here - f_before)
        move = complex(move.real) if real else move
        limit = 0.5 * x.real if ceiling.velocity else 0.1 * abs(x)
        shrink = min(1.0, limit / max(abs(move), 1e-300)) if (x + move).real <= limit else 1.0
        new = x + move * shrink
        change = abs(ceiling.wavenumber(omega, new) / ceiling.wavenumber(omega, x) - 1.0)
        f_new = f(new)
        if change < CONVERGED or (change < STALLED and abs(f_new) >= abs(f_here)):
            best = new if abs(f_new) <= abs(f_here) else x
            return ceiling.wavenumber(omega, best), min(abs(f_new), abs(f_here))
        before, f_before, x, f_here = x, f_here, new, f_new
    raise ConvergenceError(_not_found(system, ceiling, ceiling.wavenumber(omega, x), abs(f_here)))


def _not_found(system: StackMatrix, ceiling: Ceiling, k: complex, residual: float) -> str:
    text = (
        f"no wave found again near {system.omega / k.real:.8g} m/s "
        f"(f = {system.omega / (2.0 * math.pi):.6g} Hz): last residual {residual:.1e}"
    )
    if ceiling.velocity is not None and abs(ceiling.place(system.omega, k)) < 1e-3:
        text += f"; it has reached the onset of a bulk wave at {ceiling.velocity:.8g} m/s"
    return text


def at_wavelength(wave: StackWave, stack: ScaledStack, wavenumber: float) -> StackWave:
    """The same wave in a changed stack at a given Re k, rad/m, as an electrode pattern fixes it.

    The frequency is found by Newton's method with the group velocity. Half-spaces have no
    dispersion; there the frequency is only scaled.
    """
    omega = wave.omega
    found = follow_scaled(wave, stack, omega=omega)
    for _ in range(STEPS):
        error = wavenumber - found.wavenumber.real
        if abs(error) < CONVERGED * wavenumber:
            return found
        slope = 1.0 / found.velocity if not stack.layers else _slowness_of_group(found)
        omega += error / slope
        found = follow_scaled(found, stack, omega=omega)
    raise ConvergenceError(
        f"no frequency found for {wavenumber:.6g} rad/m near {found.velocity:.6g} m/s: last "
        f"residual {abs(error) / wavenumber:.1e} of the wavenumber"
    )


def _slowness_of_group(wave: StackWave) -> float:
    """d Re k / d omega by a difference, s/m."""
    step = 1e-6 * wave.omega
    near = follow_scaled(wave, wave.stack, omega=wave.omega + step)
    return (near.wavenumber.real - wave.wavenumber.real) / step


def with_surface(wave: StackWave, *, metallised: bool) -> StackWave:
    """The same wave with the other condition at its surface, where its motion stays alike."""
    if metallised == wave.metallised:
        return wave
    family = _family(wave.stack, wave.nodal)
    system = StackMatrix(wave.stack, wave.omega, wave.slabs, family=family, metallised=metallised)
    borders = system.picked(wave.nodal), system.picked(wave.reverse)
    found = _solved(system, wave.wavenumber, borders, wave.ceiling)
    return replace(found, metallised=metallised)
