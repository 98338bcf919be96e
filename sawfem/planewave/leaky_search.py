"""Leaky waves of a stack: all roots of the surface determinant strip by strip, and what was sought.

The strips lie between the branch points of the substrate (:mod:`.leaky_strip`); in each the roots
are counted by the argument principle and then found (:mod:`.root_count`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from sawfem.errors import ConvergenceError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import uncoupled_components
from sawfem.planewave.leaky_strip import Strip
from sawfem.planewave.limiting import branch_points, slowest_unstiffened
from sawfem.planewave.modes import SurfaceMode, embedded
from sawfem.planewave.root_count import roots_in

#: Decibel per wavelength of a loss -Im k / Re k.
LOSS = 2.0 * math.pi * 20.0 / math.log(10.0)
#: Fastest velocity sought, over the fastest onset of a bulk wave.
BEYOND = 1.1
#: Relative width of a strip between branch points below which it is left out.
NARROW = 1.0e-6
#: Thickest layers that are searched, in wavelengths: the time grows with the square.
THICKEST = 30.0
#: Shares of the loss asked for that are tried where branch points off the real axis forbid all.
SHARES = (1.0, 0.5, 0.25, 0.1, 0.05, 0.02, 0.005)
#: Distance from the branch points as an angle: 2.5e-7 of the width of a strip.
EDGE = 1.0e-3


@dataclass(frozen=True)
class Coverage:
    """One strip of the search for leaky waves, of one family of components.

    Attributes
    ----------
    family : components that take part, 0 to 2 displacements, 3 potential.
    slow, fast : m/s. attenuation : bound, dB per wavelength; 0 where nothing was searched.
    counted, found : (free, metallised) roots counted by the argument principle, and found; on
        both sides of the real axis within the bounds.
    fanned : the sheet was also continued past both branch points.
    note : why a strip was not, or not fully, searched.
    """

    family: tuple[int, ...]
    slow: float
    fast: float
    attenuation: float
    counted: tuple[int, int]
    found: tuple[int, int]
    fanned: bool
    note: str = ""


@dataclass(frozen=True, eq=False)
class LeakyRoot(SurfaceMode):
    """A leaky wave of one surface.

    Attributes
    ----------
    across : velocity of the branch point, m/s, past which its sheet had to be continued.
    residual : least over largest singular value of the surface matrix.
    """

    across: float | None = None
    residual: float = 0.0


def leaky_roots(
    stack: SurfaceAdmittance, omega: float, loss: float
) -> Iterator[tuple[tuple[int, ...], tuple[list[LeakyRoot], list[LeakyRoot]], list[Coverage]]]:
    """Roots of the free and the metallised surface, by families of components, and the coverage.

    Parameters
    ----------
    stack : all four components; a membrane has no leaky waves. omega : rad/s.
    loss : bound of -Im k / Re k.
    """
    substrate, layers = stack.tensors
    if substrate.is_vacuum:
        return
    for family in uncoupled_components([substrate, *(tensor for tensor, _ in layers)]):
        if family != (3,):
            yield family, *_family(stack, family, omega, loss)


def _family(
    stack: SurfaceAdmittance, family: tuple[int, ...], omega: float, loss: float
) -> tuple[tuple[list[LeakyRoot], list[LeakyRoot]], list[Coverage]]:
    """Roots of both surfaces, strip by strip, of components that do not couple to others."""
    part = stack.restricted(family)
    points = branch_points(part.tensors[0])
    thick = wavelengths(part, omega)
    if thick > THICKEST:
        note = f"not searched: layers of {thick:.3g} wavelengths guide and leak waves without end"
        ends = points[0], BEYOND * points[-1]
        return ([], []), [Coverage(family, *ends, 0.0, (0, 0), (0, 0), False, note)]
    strips, roots = [], (list[LeakyRoot](), list[LeakyRoot]())
    for slow, fast in pairwise((*points, BEYOND * points[-1])):
        width = fast / slow - 1.0
        if width < NARROW:
            note = "not searched: the strip is too narrow"
            strips.append(Coverage(family, slow, fast, 0.0, (0, 0), (0, 0), False, note))
            continue
        coverage, strip, found = _searched(part, family, omega, (slow, fast), min(loss, width))
        strips.append(coverage)
        for surface, ks in enumerate(found):
            roots[surface].extend(_root(strip, k, family, bool(surface)) for k in ks)
    return roots, strips


def wavelengths(stack: SurfaceAdmittance, omega: float) -> float:
    """Thickness of all layers, each in wavelengths of its slowest bulk wave."""
    turns = sum(height * omega / slowest_unstiffened(tensor) for tensor, height in stack.tensors[1])
    return turns / (2.0 * math.pi)


def _searched(
    part: SurfaceAdmittance,
    family: tuple[int, ...],
    omega: float,
    ends: tuple[float, float],
    loss: float,
) -> tuple[Coverage, Strip, list[list[complex]]]:
    """One strip, with less fan and less loss where branch points off the real axis forbid it."""
    note = ""
    for share, fan in product(SHARES, (1.0, 0.0)):
        bound = share * loss
        strip = Strip(part, omega, *ends, fan)
        try:
            free, metallised = roots_in(strip, (EDGE, np.pi - EDGE), (-0.3 * bound, bound))
        except ConvergenceError as error:
            note = f"restricted: {error}"
            continue
        kept = [[k for k in side.found if k.imag < 1e-9 * k.real] for side in (free, metallised)]
        coverage = Coverage(
            family,
            *ends,
            LOSS * bound,
            (free.counted, metallised.counted),
            (len(free.found) - free.poles, len(metallised.found) - metallised.poles),
            fan > 0.0,
            note,
        )
        return coverage, strip, kept
    failed = note.replace("restricted", "not searched")
    return Coverage(family, *ends, 0.0, (0, 0), (0, 0), False, failed), strip, [[], []]


def _root(strip: Strip, k: complex, family: tuple[int, ...], metallised: bool) -> LeakyRoot:
    """The wave of a root: its motion from the null vector of the surface matrix."""
    _, values, vectors = np.linalg.svd(strip.surface(k, metallised=metallised))
    velocity = strip.omega / k.real
    across = None
    if not strip.slow <= velocity <= strip.fast:
        across = strip.slow if velocity < strip.slow else strip.fast
    return LeakyRoot(
        velocity,
        embedded(vectors[-1].conj(), family),
        max(-k.imag / k.real, 0.0),
        family,
        across=across,
        residual=float(values[-1] / values[0]),
    )
