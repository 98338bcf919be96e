"""Leaky surface waves near the real axis: where a grating on a leaky cut may have its stop band.

Roots of the surface determinant as :mod:`.leaky_search` counts and finds them, those of them that
lie between the branch points of their own strip: on the sheet of the real axis. A wave whose root
lies on another sheet, beyond a branch point, is not seen here, nor where a branch point off the
real axis forbids the search. Hence "estimate"; :func:`.allwaves.search_waves` states its coverage.
"""

from __future__ import annotations

from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.leaky_search import LeakyRoot, leaky_roots
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.modes import SurfaceMode

#: Largest loss that still counts as a surface wave, -Im k / Re k (1.6 dB per wavelength).
LARGEST_LOSS = 0.03

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
            False: _kept(free, fastest),
            True: _kept(metallised, fastest),
        }
    return result


def _kept(roots: list[LeakyRoot], fastest: float) -> tuple[SurfaceMode, ...]:
    kept = [
        root
        for root in roots
        if root.across is None and root.attenuation < LARGEST_LOSS and root.velocity < fastest
    ]
    return tuple(sorted(kept, key=lambda root: root.velocity))
