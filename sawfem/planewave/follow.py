"""The same wave again in a slightly changed stack: media, thickness, direction, temperature.

A wave is a wavenumber k at which the matrix K(k) of the stack (:mod:`.stack_matrix`) is singular;
it is found again near the old one by the root search of :mod:`.bordered`. If the step to the new
stack is too long, or the motion found is not the old one, it is halved along the straight line
between the two stacks.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING

import numpy as np

from sawfem.conventions import DECIBEL
from sawfem.errors import ConvergenceError, InputError
from sawfem.planewave.bordered import CONVERGED, STEPS, solved
from sawfem.planewave.generalised import ComplexArray, uncoupled_components
from sawfem.planewave.modes import HALF_SPACE_FREQUENCY
from sawfem.planewave.scaled_stack import ScaledMedium, ScaledStack
from sawfem.planewave.stack_matrix import ALL, StackMatrix, slab_counts
from sawfem.planewave.stack_wave import StackWave, ceiling_above
from sawfem.planewave.surface_waves import Wave
from sawfem.planewave.wave_form import WaveForm

if TYPE_CHECKING:
    from sawfem.material import Medium

#: Halvings of the way to a new stack.
HALVINGS = 5
#: Least likeness |u_old^H u_new|^2 of the motions of all interfaces, of norm one.
LIKENESS = 0.6
#: Relative error of a wavenumber that is said to be known.
KNOWN = 1.0e-6
#: Relative change of the substrate up to which an onset of bulk waves is kept as it was, and
#: distance sqrt(1 - v^2 / v_onset^2) from it down to which that is allowed.
SAME_ONSET = 1.0e-3
CLEAR = 0.15


def locate(
    wave: Wave,
    substrate: Medium,
    layers: Iterable[tuple[Medium, float]] = (),
    *,
    shorts: Collection[int] = (),
    metallised: bool = False,
) -> StackWave:
    """Take up a wave that a search has found, with its field at all interfaces.

    Parameters
    ----------
    wave : of :func:`.surface_waves`, :func:`.leaky_estimates` or :func:`.plane_waves`.
    substrate, layers, shorts : the stack in which it was found.
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
    stack = ScaledStack.from_media(substrate, layers, shorts=shorts)
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
    found = solved(system, k, borders, ceiling_above(stack.substrate, family, velocity))
    if abs(found.wavenumber / k - 1.0) > KNOWN:
        raise ConvergenceError(
            f"no wave at {velocity:.8g} m/s in this stack: the nearest is at "
            f"{found.velocity:.8g} m/s (residual {found.residual:.1e})"
        )
    return found


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
    wave : in the old stack. substrate, layers : the new one, with as many layers, and shorts
        at the same interfaces.
    omega : rad/s in the new one; default: as before.

    Raises
    ------
    ConvergenceError : names the place and the last residual; the wave may have reached the
        onset of a bulk wave and ended there.
    """
    stack = ScaledStack.from_media(substrate, layers, shorts=wave.stack.shorts)
    return follow_scaled(wave, stack, omega=omega)


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
    halfway = _advance(wave, wave.stack.mixed(stack, 0.5), 0.5 * (wave.omega + omega), halvings - 1)
    return _advance(halfway, stack, omega, halvings - 1)


def _step(wave: StackWave, stack: ScaledStack, omega: float) -> StackWave:
    """The wave of a stack a little further on; ConvergenceError where it is another."""
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
        ceiling = ceiling_above(stack.substrate, family, wave.velocity, wave.ceiling)
        if ceiling.index == wave.ceiling.index and ceiling.count == wave.ceiling.count:
            start = ceiling.wavenumber(omega, wave.ceiling.place(wave.omega, wave.wavenumber))
    found = solved(system, start, borders, ceiling)
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
    for family in uncoupled_components([medium.blocks for medium in stack.media]):
        if moving <= set(family):
            return family
    return ALL


def _onset_holds(wave: StackWave, medium: ScaledMedium) -> bool:
    if medium.is_vacuum:
        return True
    old, place = wave.ceiling.medium, wave.ceiling.place(wave.omega, wave.wavenumber)
    change = np.linalg.norm((medium.tensor - old.tensor).ravel())
    change = change / np.linalg.norm(old.tensor.ravel()) + abs(medium.density / old.density - 1.0)
    return bool(change < SAME_ONSET and abs(place) > CLEAR) or bool(change == 0.0)


def at_wavelength(wave: StackWave, stack: ScaledStack, wavenumber: float) -> StackWave:
    """The same wave in a changed stack at a given Re k, rad/m, as an electrode pattern fixes it.

    The frequency is found by Newton's method with the group velocity. Parameters and
    errors otherwise as for :func:`follow_scaled`.
    """
    omega = wave.omega
    found = follow_scaled(wave, stack, omega=omega)
    for _ in range(STEPS):
        error = wavenumber - found.wavenumber.real
        if abs(error) < CONVERGED * wavenumber:
            return found
        omega += error * WaveForm(found).group_velocity
        found = follow_scaled(found, stack, omega=omega)
    raise ConvergenceError(
        f"no frequency found for {wavenumber:.6g} rad/m near {found.velocity:.6g} m/s: last "
        f"residual {abs(error) / wavenumber:.1e} of the wavenumber"
    )
