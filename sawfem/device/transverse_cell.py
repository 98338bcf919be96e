"""The oblique dispersion of every region across a resonator, from its solved grating.

overlap, dummy fingers   the resonant edge of the shorted grating at phase pi, by finite elements
                         with exact waves below (sawfem/unitcell/obliquewaves.py)
bus-bar                  the stack with the metals of the electrode as films over all of it
free surface             the stack alone
end gap                  between finger tips and the other bus-bar every second strip is missing:
                         the mean of grating and free surface, which is what half of the strips do
                         to first order

All at k1 = pi/p. Plane waves are followed to k2^2 < 0 as well, through complex directions: there
they decay across. A standing wave at phase pi is even in k2 by reciprocity; a plane wave that
steers is not, and its even part is taken, with a remark. Of leaky waves the real part of the
frequency is taken.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.design import UnitCell
from sawfem.device.transverse_regions import RegionDispersion
from sawfem.errors import ConvergenceError, InputError
from sawfem.extract.grating import MESHES, GratingSolution
from sawfem.material import Medium
from sawfem.planewave import Wave, leaky_estimates, surface_waves
from sawfem.planewave.follow import at_wavelength, locate
from sawfem.planewave.stack_wave import StackWave
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.obliquewaves import follow_edge
from sawfem.unitcell.stopband import refine_stop_band

Array = NDArray[np.float64]

#: Points of the grating beside k2 = 0.
GRATING_POINTS = 4
#: Steps of a plane wave to one side of k2^2 = 0, and the first one over k1^2.
PLANE_STEPS, FIRST_STEP = 5, 0.004
#: Largest |k2^2| over k1^2.
FARTHEST = 0.15
#: How far beyond the window of guided modes a dispersion is computed.
MARGIN = 1.15
#: Odd part of f(k2) over f from which steering is spoken of, and up to which it is rounding.
STEERING, ROUNDING = 1e-6, 1e-11
#: Likeness |u^H u'|^2 of the motions of a wave under the film and on the bare surface.
ALIKE = 0.5


@dataclass(frozen=True)
class ResonatorRegions:
    """Dispersions of the regions.

    Attributes
    ----------
    wavenumber : k1 = pi/p, rad/m.
    overlap, gap, busbar, free : of each region; the overlap's is that of dummy fingers too.
    coarser : the same four with a point less each: how far the results of the two differ is
        what the polynomials are good for; None for those themselves, and for parabolas.
    remarks : sentences on what was assumed.
    """

    wavenumber: float
    overlap: RegionDispersion
    gap: RegionDispersion
    busbar: RegionDispersion
    free: RegionDispersion
    coarser: ResonatorRegions | None = None
    remarks: tuple[str, ...] = ()


def resonator_regions(solution: GratingSolution) -> ResonatorRegions:
    """Follow the wave of a solved grating across all regions of a resonator made of it.

    Where the cut-offs and slopes at k2 = 0 say already that nothing is guided (the outside holds
    the wave better than every other region, or the slopes differ in sign) they are all there is:
    parabolas, and no search for waves that decay.

    Raises
    ------
    InputError : a cell of several electrodes, or one that is recessed, whose bus-bar is not known.
    ConvergenceError : a wave was lost on its way, as at the onset of a bulk wave.
    """
    cell = solution.cell
    if len(cell.electrodes) != 1 or cell.recess > 0.0:
        raise InputError(
            key="grating",
            found="several electrodes a period" if cell.recess == 0.0 else "recessed electrodes",
            expected="one electrode a period, on the surface, for transverse modes",
        )
    k1 = math.pi / cell.period
    edge = solution.band.resonance.frequency.real
    free = _Plane("free surface", _free_wave(solution, k1), k1)
    busbar = _Plane("bus-bar", _busbar_wave(solution, k1), k1)
    cutoffs = [edge, free.cutoff, busbar.cutoff]
    window = min(cutoffs), max(cutoffs)
    # The grating's slope is near that of the bus-bar.
    farthest = MARGIN * max(abs((f - edge) / busbar.slope) for f in window)
    reach = math.sqrt(min(max(farthest, 4.0 * FIRST_STEP), FARTHEST))
    sides = reach * np.arange(GRATING_POINTS + 1) / GRATING_POINTS
    grating = edge * _grating(solution, k1 * sides[1:])
    slopes = [(grating[1] - edge) / sides[1] ** 2, free.slope, busbar.slope]
    sign = math.copysign(1.0, free.slope)
    held = max(sign * (free.cutoff - edge), sign * (free.cutoff - busbar.cutoff))
    if held <= 0.0 or len(set(np.sign(slopes))) > 1:
        bends = [(2.0 * f * slope / k1**2, f) for f, slope in zip(cutoffs, slopes, strict=True)]
        core, outside, bar = (RegionDispersion.parabolic(f, bend) for bend, f in bends)
        mean = RegionDispersion.parabolic(
            0.5 * (core.cutoff + outside.cutoff), 0.5 * (core.slope + outside.slope) or core.slope
        )
        return ResonatorRegions(k1, core, mean, bar, outside)
    curves = [(sides**2, grating), free.points(window), busbar.points(window)]
    fine = _regions(k1, curves)
    coarse = _regions(k1, [_thinned(q, f) for q, f in curves])
    remarks = []
    odd = max(free.odd, busbar.odd)
    if odd > STEERING:
        share = odd * window[1] / (window[1] - window[0])
        remarks.append(
            f"plane waves beside the grating steer, by {100.0 * share:.1f} % of the window of "
            "guided frequencies at its end: the mean of both directions is taken"
        )
    return ResonatorRegions(k1, *fine, ResonatorRegions(k1, *coarse), tuple(remarks))


def _regions(
    k1: float, curves: list[tuple[Array, Array]]
) -> tuple[RegionDispersion, RegionDispersion, RegionDispersion, RegionDispersion]:
    """Overlap, gap, bus-bar, free surface from points (k2/k1)^2 of grating, free surface, bus-bar.

    The gap is averaged where both are known, and a little beyond where the grating decays.
    """
    grating, free, busbar = (RegionDispersion.from_points(k1**2 * q, f) for q, f in curves)
    low = 0.5 * k1**2 * float(curves[1][0][0])
    high = k1**2 * float(min(curves[0][0][-1], curves[1][0][-1]))
    return grating, grating.mean(free, low, high), busbar, free


def _thinned(q: Array, f: Array) -> tuple[Array, Array]:
    """The same without the last but one on the longer side."""
    left_out = 1 if q[0] < -q[-1] else q.size - 2
    return np.delete(q, left_out), np.delete(f, left_out)


def _grating(solution: GratingSolution, transverse: Array) -> Array:
    """f(k2)/f(0) of the resonant shorted edge, zero first.

    On the coarsest mesh: errors of edge and oblique wave nearly cancel in the ratio (3e-7 between
    this mesh and the next but one on 128 deg Y-X niobate, of a change of 1.8e-2).
    """
    band = refine_stop_band(discretise(solution.cell, MESHES[0]), solution.band)
    branch = follow_edge(band, band.resonance, transverse)
    return np.asarray(branch.frequency.real / branch.frequency[0].real)


class _Plane:
    """A plane wave at k1 along x1, followed to k2^2 = q k1^2 of both signs."""

    def __init__(self, name: str, wave: StackWave, k1: float) -> None:
        self.name, self.wave, self.k1 = name, wave, k1
        self.odd, self.symmetric = 0.0, False
        self.cutoff = wave.omega / (2.0 * math.pi)
        self.slope = self._slope()
        if self.slope == 0.0:
            raise ConvergenceError(f"the wave of the {name} has a frequency that ignores k2")

    def _slope(self) -> float:
        """Of f at q = 0; of a leaky wave, which may not be carried to q < 0, on one side."""
        near, far = self._to([FIRST_STEP, 2.0 * FIRST_STEP])
        self.symmetric = self.odd < ROUNDING
        try:
            return float(near - self._to([-FIRST_STEP])[0]) / (2.0 * FIRST_STEP)
        except ConvergenceError:
            return float(4.0 * near - 3.0 * self.cutoff - far) / (2.0 * FIRST_STEP)

    def _to(self, squares: Sequence[float] | Array) -> Array:
        """Even part of f at q = ``squares``, each farther out than the one before."""
        ways = []
        for way in (1.0,) if self.symmetric else (1.0, -1.0):
            here, values = self.wave, []
            for q in squares:
                angle = cmath.atan(way * cmath.sqrt(q))
                stack = self.wave.stack.turned(angle if q < 0.0 else angle.real)
                try:
                    here = at_wavelength(here, stack, self.k1 * math.sqrt(1.0 + q))
                except ConvergenceError:
                    raise self._lost(q) from None
                values.append(here.omega / (2.0 * math.pi))
            ways.append(np.array(values))
        odd = float(np.max(np.abs(ways[0] - ways[-1]))) / (2.0 * self.cutoff)
        self.odd = max(self.odd, odd)
        return np.asarray(0.5 * (ways[0] + ways[-1]))

    def _lost(self, q: float) -> ConvergenceError:
        how = "decays" if q < 0.0 else "runs"
        return ConvergenceError(
            f"the wave of the {self.name} could not be followed to k2^2 = {q:.3g} k1^2, where it "
            f"{how} across: it meets another wave or the onset of a bulk wave, and a guide of one "
            "wave does not describe this resonator"
        )

    def points(self, window: tuple[float, float]) -> tuple[Array, Array]:
        """(m,) q, rising, and f over a window of frequencies and a little on either side of f0."""
        places, values = [np.zeros(1)], [np.array([self.cutoff])]
        for end in window:
            distance = (end - self.cutoff) / self.slope
            # At an end of the window two points beyond f0 hold the slope there.
            farthest = min(max(MARGIN * abs(distance), 4.0 * FIRST_STEP), FARTHEST)
            side = math.copysign(1.0, distance) if distance else self._beyond(window)
            count = PLANE_STEPS if distance else 2
            farthest = farthest if distance else 2.0 * FIRST_STEP
            squares = side * farthest * np.arange(1, count + 1) / count
            places.append(squares)
            values.append(self._to(squares))
        q, f = np.concatenate(places), np.concatenate(values)
        order = np.argsort(q)
        q, f = q[order], f[order]
        if not np.all(np.diff(f) * self.slope > 0.0):
            raise ConvergenceError(
                f"the frequency of the wave of the {self.name} turns back between k2^2 = "
                f"{q[0]:.3g} and {q[-1]:.3g} k1^2 (anisotropy "
                f"{2.0 * self.slope / self.cutoff - 1.0:.2f}): it has several k2 at one frequency, "
                "and a guide of one wave does not describe this resonator"
            )
        return q, f

    def _beyond(self, window: tuple[float, float]) -> float:
        """Side of q = 0 on which f leaves the window that has f0 at one end."""
        inside = 0.5 * (window[0] + window[1]) - self.cutoff
        return -math.copysign(1.0, inside / self.slope)


def _free_wave(solution: GratingSolution, k1: float) -> StackWave:
    """The wave of the stack without electrodes at k1."""
    cell = solution.cell
    substrate, layers, _ = cell.planar()
    wave = locate(solution.wave, substrate, layers, shorts=cell.stack.shorts)
    return at_wavelength(wave, wave.stack, k1)


def _busbar_wave(solution: GratingSolution, k1: float) -> StackWave:
    """The wave of the stack with the electrode's films over all of it, at k1."""
    cell = solution.cell
    substrate, layers = _covered(cell)
    metallised = solution.wave.velocity_metallised or solution.wave.velocity
    best: tuple[float, Wave] | None = None
    for search in (surface_waves, leaky_estimates):
        for wave in search(substrate, layers, metallised * k1, shorts=cell.stack.shorts):
            alike = float(abs(np.vdot(wave.polarisation, solution.wave.polarisation)) ** 2)
            known = wave.velocity_free is not None
            if known and alike > ALIKE and (best is None or alike > best[0]):
                best = alike, wave
        if best is not None:
            break
    if best is None:
        raise ConvergenceError(
            f"no wave like that of the grating runs under a bus-bar near {metallised:.6g} m/s"
        )
    found = locate(best[1], substrate, layers, shorts=cell.stack.shorts)
    return at_wavelength(found, found.stack, k1)


def _covered(cell: UnitCell) -> tuple[Medium, tuple[tuple[Medium, float], ...]]:
    """Substrate and layers with the films of the electrode in their place among them."""
    substrate, layers, interface = cell.planar()
    films = tuple(
        (film.metal.rotated(np.eye(3)), film.thickness) for film in cell.electrodes[0].films
    )
    return substrate, (*layers[:interface], *films, *layers[interface:])
