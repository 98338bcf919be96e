"""Leaky surface waves near the real axis: where a grating on a leaky cut may have its stop band.

Roots of the surface determinant as :mod:`.leaky_search` counts and finds them, those of them that
lie between the branch points of their own strip: on the sheet of the real axis. A wave whose root
lies on another sheet, beyond a branch point, is not seen here, nor where a branch point off the
real axis forbids the search. Hence "estimate"; :func:`.allwaves.search_waves` states its coverage.
"""

from __future__ import annotations

import numpy as np

from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import Array
from sawfem.planewave.leaky_search import LeakyRoot, leaky_roots
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.modes import SurfaceMode
from sawfem.planewave.profile import depth_profile
from sawfem.planewave.stack_wave import StackWave

#: Largest loss that still counts as a surface wave, -Im k / Re k (1.6 dB per wavelength).
LARGEST_LOSS = 0.03

#: Share of the motion from which it is called after one direction, and least share along x3 of a
#: wave in the sagittal plane that is not longitudinal.
CLEAR, UPRIGHT = 0.75, 0.25
#: Depths in the layers at which the motion is looked at.
DEPTHS = 41

Family = tuple[int, ...]


def leaky_modes(
    admittance: SurfaceAdmittance, omega: float
) -> dict[Family, dict[bool, tuple[SurfaceMode, ...]]]:
    """Leaky waves above the limiting velocity of their family of components, slowest first.

    Parameters and returns as for :func:`.modes.both_surfaces`; velocity is omega / Re k, and
    ``attenuation`` is -Im k / Re k. None is faster than the fastest onset of a bulk wave.
    """
    result = {}
    for family, (free, metallised), _ in leaky_roots(admittance, omega, LARGEST_LOSS):
        fastest = bulk_onsets(admittance.tensors[0].restricted(family))[-1]
        result[family] = {
            False: kept_roots(free, fastest),
            True: kept_roots(metallised, fastest),
        }
    return result


def kept_roots(roots: list[LeakyRoot], fastest: float) -> tuple[SurfaceMode, ...]:
    """Those on the sheet of the real axis, slower than ``fastest`` (m/s), slowest first."""
    kept = [
        root
        for root in roots
        if root.across is None and root.attenuation < LARGEST_LOSS and root.velocity < fastest
    ]
    return tuple(sorted(kept, key=lambda root: root.velocity))


def leaky_polarisation(wave: StackWave, onsets: tuple[float, ...]) -> str:
    """What a located leaky wave is by its motion, or "" where that is not clear.

    "SH-type" where three quarters of |u|^2 are along x2; "longitudinal" where as
    much is along x1 and the wave is faster than all onsets but the last; "Rayleigh-type" where
    three quarters are in the sagittal plane and a quarter at least along x3. It has to hold at the
    surface and on the average over the layers, for a wave of the layers may hardly move the
    surface. ``onsets`` are those of the substrate's bulk waves, m/s (:func:`.bulk_onsets`).
    """
    surface = np.abs(wave.nodal[-1, :3]) ** 2
    named = {_named(surface, wave.velocity, onsets)}
    if wave.stack.layers:
        depth = np.linspace(0.0, wave.stack.thickness, DEPTHS)
        inside = np.sum(np.abs(depth_profile(wave, depth).displacement) ** 2, axis=0)
        named.add(_named(inside, wave.velocity, onsets))
    return named.pop() if len(named) == 1 else ""


def _named(squares: Array, velocity: float, onsets: tuple[float, ...]) -> str:
    """By |u_i|^2 (3,)."""
    along, across, upright = squares / squares.sum()
    if across > CLEAR:
        return "SH-type"
    if along > CLEAR and velocity > max(onsets[:-1], default=np.inf):
        return "longitudinal"
    return "Rayleigh-type" if across < 1.0 - CLEAR and upright > UPRIGHT else ""
