"""Waves of a grating that run at an angle to it: slowness in its stop band and beside it.

In the stop band k1 = pi/p is given and the frequency of every edge is followed over the transverse
wavenumber k2; below it the frequency is given and k1(k2) is followed. The slowness is k/w in both.
Beside the grating stand the plane waves of the free and of the metallised surface.

What the materials lose is in the frequencies, which are complex, to every order in 1/Q. In a cell
of several electrodes the wave below the band meets them as they are connected: the hot ones of a
period share a potential (zero in the shorted grating), floating ones have their own.

A standing wave runs both ways: at gamma = pi reciprocity, f(gamma, k2) = f(-gamma, -k2), makes
f(k2) even, whatever the cut, so that its power does not flow aside. Below the stop band it may.

Every number is computed on the mesh of the grating's constants and on the next coarser one: their
distance is the error bar. Derivatives at k2 = 0 are central differences of five points; their bar
also holds the distance to those of three.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import ConvergenceError, InputError
from sawfem.extract.grating import GratingSolution, strongest, two_meshes
from sawfem.planewave.follow import locate
from sawfem.planewave.slowness_curve import SlownessCurve
from sawfem.planewave.slowness_curve import slowness_curve as plane_curve
from sawfem.unitcell.connection import ConnectedSystem
from sawfem.unitcell.discretisation import Discretisation, discretise
from sawfem.unitcell.fields import edge_names
from sawfem.unitcell.losses import LossRule, material_losses, no_losses
from sawfem.unitcell.obliquewaves import ObliqueBranch, Start, follow_oblique
from sawfem.unitcell.runningwaves import at_one_frequency, follow_wave
from sawfem.unitcell.stopband import StopBand, refine_stop_band

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Directions of the wave vector, degrees from x1 at the wavenumber of the stop band, to either
#: side; the first two give the derivatives at k2 = 0.
ANGLES = (1.0, 2.0, 5.0, 8.0, 12.0, 16.0, 20.0)
#: The same below the stop band, where every point costs some three solutions.
FEWER = (2.0, 4.0, 10.0, 18.0)
#: Phase over that of the stop band, below it.
BELOW = 0.95
#: Velocities around those of the plane waves between which the wave below is looked for.
WINDOW = (0.85, 1.01)

#: progress(done, total).
Progress = Callable[[float, float], None]


@dataclass(frozen=True, eq=False)
class ObliqueCurve:
    """One wave against the transverse wavenumber.

    Attributes
    ----------
    name : "short lower" etc. of an edge of the stop band; "short below", "open below" of a wave at
        one frequency below it.
    electrodes : "short", or "open": each cross-section floats on its own
        (:mod:`sawfem.unitcell.obliquewaves`).
    transverse : (m,) k2, rad/m, ascending, zero among them.
    longitudinal : (m,) k1, rad/m. frequency : (m,) Hz, complex; positive imaginary part is loss.
    longitudinal_error, frequency_error : (m,) numerical; the given one's is zero, NaN is unknown.
        Of a given real frequency it is the imaginary part's.
    flow_angle, anisotropy : at k2 = 0, degrees and pure, with their errors.
    ends : why it ends before the directions asked for, "" where it does not.
    """

    name: str
    electrodes: str
    transverse: Array
    longitudinal: Array = field(repr=False)
    frequency: Complex = field(repr=False)
    longitudinal_error: Array = field(repr=False)
    frequency_error: Array = field(repr=False)
    flow_angle: float
    flow_angle_error: float
    anisotropy: float
    anisotropy_error: float
    ends: tuple[str, str] = ("", "")

    @property
    def angle(self) -> Array:
        """(m,) direction of the wave vector from x1 towards x2, degrees."""
        return np.asarray(np.degrees(np.arctan2(self.transverse, self.longitudinal)))

    @property
    def slowness(self) -> Array:
        """(m, 2) k/w along x1 and x2, s/m."""
        omega = 2.0 * np.pi * self.frequency.real
        return np.column_stack([self.longitudinal / omega, self.transverse / omega])

    @property
    def velocity(self) -> Array:
        """(m,) w/|k|, m/s."""
        return np.asarray(1.0 / np.linalg.norm(self.slowness, axis=1))


@dataclass(frozen=True, eq=False)
class PlaneCurve:
    """The plane wave of a surface for comparison: directions (n,) in degrees, velocities in m/s,
    power-flow angle in degrees and anisotropy along x1.
    """

    surface: str
    angle: Array
    velocity: Array = field(repr=False)
    flow_angle: float
    anisotropy: float


@dataclass(frozen=True, eq=False)
class ObliqueWaves:
    """Waves of a grating at an angle, and the plane waves beside them.

    Attributes
    ----------
    period : m. wavenumber : k1 of the stop band, rad/m.
    curves : in the stop band, then below it. planes : of the surfaces that carry the wave.
    remarks : what could not be computed, sentences.
    """

    period: float
    wavenumber: float
    curves: tuple[ObliqueCurve, ...]
    planes: tuple[PlaneCurve, ...]
    remarks: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, object]:
        """JSON object: every curve with its derivatives and errors; SI with the unit in the key."""
        return {
            "curves": [_curve_dict(curve) for curve in self.curves],
            "plane_waves": [
                {
                    "surface": plane.surface,
                    "power_flow_angle_deg": plane.flow_angle,
                    "beam_anisotropy": plane.anisotropy,
                }
                for plane in self.planes
            ],
            "remarks": list(self.remarks),
        }

    def named(self, name: str) -> ObliqueCurve:
        """The curve of a name. InputError where there is none."""
        for curve in self.curves:
            if curve.name == name:
                return curve
        known = ", ".join(curve.name for curve in self.curves)
        raise InputError(key="oblique", found=repr(name), expected=known or "a curve")


def oblique_waves(
    solution: GratingSolution,
    *,
    angles: Sequence[float] = ANGLES,
    fewer: Sequence[float] = FEWER,
    progress: Progress | None = None,
) -> ObliqueWaves:
    """Slowness of a solved grating in its stop band and below it.

    Parameters
    ----------
    angles, fewer : directions in degrees, taken to both sides, ascending, the second twice the
        first: in the stop band, and below it, where none leaves that part out.
    progress : called as progress(done, total).

    Raises
    ------
    InputError : directions that do not ascend, or of 60 degrees or more.
    ConvergenceError : an edge that is lost from one mesh to the next.
    """
    for given in (angles, fewer):
        if [*given] != sorted({*given}) or any(not 0.0 < angle < 60.0 for angle in given):
            raise InputError(
                key="angles",
                found=f"{[*given]}",
                expected="ascending directions between 0 and 60 degrees",
            )
    band = solution.band
    rule = no_losses if solution.losses is None else material_losses
    other = refine_stop_band(discretise(solution.cell, two_meshes(solution)[1]), band)
    shift = None if solution.losses is None else solution.losses.shift
    lossy = [_losing(one, rule) for one in (band, other)]
    tell = progress or (lambda done, total: None)
    found: list[list[Found]] = []
    for number, one in enumerate((band, other)):

        def share(done: float, number: int = number) -> None:
            tell(0.1 * (number + done / (len(angles) + 1)), 1.0)

        found.append(_in_band(one, lossy[number], shift, angles, share))
    remarks: list[str] = []
    for number, curves in enumerate(found):
        for part, kind in enumerate(("short", "open") if fewer else ()):
            tell(0.2 + 0.2 * (2 * number + part), 1.0)
            try:
                curves += _below(solution, lossy[number], fewer, kind)
            except ConvergenceError as error:
                remarks.append(f"{kind} wave below the stop band: {error}")
    curves_found = [_curve(item, _partner(item[0], found[1])) for item in found[0]]
    planes, more = _planes(solution)
    tell(1.0, 1.0)
    wavenumber = band.model.system.phase / solution.cell.period
    told = (*dict.fromkeys(remarks), *more)
    return ObliqueWaves(solution.cell.period, wavenumber, tuple(curves_found), planes, told)


def _curve_dict(curve: ObliqueCurve) -> dict[str, object]:
    size = np.hypot(curve.longitudinal, curve.transverse)
    share = curve.frequency_error / curve.frequency.real
    # Both errors move the velocity, of which one is zero.
    share = share + curve.longitudinal_error * curve.longitudinal / size**2
    return {
        "name": curve.name,
        "electrodes": curve.electrodes,
        "power_flow_angle_deg": curve.flow_angle,
        "beam_anisotropy": curve.anisotropy,
        "uncertainty": {
            "power_flow_angle_deg": curve.flow_angle_error,
            "beam_anisotropy": curve.anisotropy_error,
            "velocity_m_per_s": (curve.velocity * share).tolist(),
        },
        "angle_deg": curve.angle.tolist(),
        "velocity_m_per_s": curve.velocity.tolist(),
        "frequency_hz": [[f.real, f.imag] for f in curve.frequency.tolist()],
        "ends": [text for text in curve.ends if text],
    }


#: Name, branch, and k1 with the complex frequencies where one frequency is given.
Found = tuple[str, ObliqueBranch, tuple[Array, Complex] | None]


def _losing(band: StopBand, rule: LossRule) -> Discretisation:
    """The cell of a band, with what its materials lose."""
    d: Discretisation = band.model.system.discretisation
    return d if rule is no_losses else discretise(d.cell, d.settings, losses=rule)


def _in_band(
    band: StopBand,
    cell: Discretisation,
    shift: Complex | None,
    angles: Sequence[float],
    share: Callable[[float], None],
) -> list[Found]:
    """The edges of a band, followed in a cell that may lose: ``shift`` is what that makes of their
    frequencies in first order, Hz.
    """
    system = band.model.system
    k1 = system.phase / cell.cell.period
    names = edge_names(band)
    starts = [Start.of(band, edge) for edge in names.values()]
    if shift is not None:
        pairs = zip(starts, shift.tolist(), strict=True)
        starts = [replace(start, frequency=start.frequency + more) for start, more in pairs]
    branches = follow_oblique(
        cell,
        system.phase,
        starts,
        k1 * np.tan(np.radians(angles)),
        partly=True,
        progress=lambda done, total: share(done),
    )
    return [(name, _mirrored(branch), None) for name, branch in zip(names, branches, strict=True)]


def _mirrored(branch: ObliqueBranch) -> ObliqueBranch:
    """The even branch of a standing wave, from its half k2 >= 0."""
    k2, f = branch.transverse, branch.frequency
    return replace(
        branch,
        transverse=np.concatenate([-k2[:0:-1], k2]),
        frequency=np.concatenate([f[:0:-1], f]),
        ends=(branch.ends[1], branch.ends[1]),
    )


def _below(
    solution: GratingSolution, cell: Discretisation, angles: Sequence[float], kind: str
) -> list[Found]:
    """The shorted or the open wave at one frequency below the stop band."""
    model = solution.band.model
    phase = BELOW * model.system.phase
    wave = strongest(solution.waves)
    velocities = [v for v in (wave.velocity_metallised, wave.velocity_free) if v is not None]
    branch = follow_wave(
        cell,
        phase,
        (WINDOW[0] * min(velocities), WINDOW[1] * max(velocities)),
        phase / cell.cell.period * np.tan(np.radians([*(-a for a in angles), *angles])),
        open_circuit=kind == "open",
        partly=True,
        connections=model.connections if isinstance(model, ConnectedSystem) else None,
    )
    return [(f"{kind} below", branch, at_one_frequency(cell, branch, _given(branch)))]


def _partner(name: str, others: Sequence[Found]) -> Found | None:
    return next((item for item in others if item[0] == name), None)


def _curve(item: Found, other: Found | None) -> ObliqueCurve:
    """A curve with its error bars from the coarser mesh."""
    name, branch, one = item
    k1 = None if one is None else one[0]
    values, nearest = (_straight_on(branch, k1, count) for count in (2, 1))
    bars = [abs(a - b) for a, b in zip(values, nearest, strict=True)]
    unknown = np.full(branch.transverse.size, np.nan)
    frequency_error, k1_error = unknown, unknown
    if other is not None:
        theirs = other[2]
        coarse = _straight_on(other[1], None if theirs is None else theirs[0], 2)
        bars = [max(bar, abs(a - b)) for bar, a, b in zip(bars, values, coarse, strict=True)]
        frequency_error = _distance(branch, branch.frequency, other[1], other[1].frequency)
        if one is not None and theirs is not None:
            # The frequencies given differ from mesh to mesh: what counts is the slowness k/w.
            both = [_given(branch) for branch in (branch, other[1])]
            k1_error = _distance(branch, one[0], other[1], theirs[0] * both[0] / both[1])
            frequency_error = _distance(branch, one[1].imag, other[1], theirs[1].imag)
    fixed = np.zeros(branch.transverse.size)
    return ObliqueCurve(
        name=name,
        electrodes="open" if name.startswith("open") else "short",
        transverse=branch.transverse,
        longitudinal=np.full(fixed.shape, branch.phase / branch.period) if one is None else one[0],
        frequency=branch.frequency if one is None else one[1],
        longitudinal_error=fixed if one is None else k1_error,
        frequency_error=frequency_error,
        flow_angle=values[0],
        flow_angle_error=bars[0],
        anisotropy=values[1],
        anisotropy_error=bars[1],
        ends=branch.ends,
    )


def _given(branch: ObliqueBranch) -> float:
    """Frequency at k2 = 0, Hz."""
    return float(branch.frequency[branch.transverse == 0.0][0].real)


def _straight_on(branch: ObliqueBranch, k1: Array | None, count: int) -> tuple[float, float]:
    """Power-flow angle, degrees, and anisotropy at k2 = 0, from ``count`` points to either side.

    At one frequency from s1 = s [1 - tan(psi) q - (1 + g) q^2/(2 cos^2 psi)], q = s2/s.
    """
    middle = int(np.flatnonzero(branch.transverse == 0.0)[0])
    count = min(count, middle, branch.transverse.size - 1 - middle)
    if count < 1:
        return float("nan"), float("nan")
    near = slice(middle - count, middle + count + 1)
    branch = replace(branch, transverse=branch.transverse[near], frequency=branch.frequency[near])
    k1 = None if k1 is None else k1[near]
    if k1 is None:
        return branch.flow_angle, branch.anisotropy
    scale = float(np.max(np.abs(branch.transverse)))
    series = np.polynomial.Polynomial.fit(
        branch.transverse / scale, k1, k1.size - 1, domain=[-1, 1]
    ).coef
    slope, bend = float(series[1] / scale), float(2.0 * series[2] / scale**2)
    psi = -np.arctan(slope)
    straight = float(k1[branch.transverse == 0.0][0])
    return float(np.degrees(psi)), float(-bend * straight * np.cos(psi) ** 2 - 1.0)


def _distance(
    branch: ObliqueBranch, values: Complex | Array, other: ObliqueBranch, theirs: Complex | Array
) -> Array:
    """|difference| at the same k2, NaN where the other one has none."""
    found = np.full(branch.transverse.size, np.nan)
    for place, k2 in enumerate(branch.transverse):
        same = np.flatnonzero(np.isclose(other.transverse, k2, rtol=1e-9, atol=1e-6))
        if same.size:
            found[place] = abs(values[place] - theirs[same[0]])
    return found


def _planes(solution: GratingSolution) -> tuple[tuple[PlaneCurve, ...], tuple[str, ...]]:
    """The plane wave of the grating on the free and on the metallised surface."""
    cell, wave = solution.cell, strongest(solution.waves)
    substrate, layers, interface = cell.planar()
    found: list[PlaneCurve] = []
    remarks: list[str] = []
    for surface in ("free", "metallised"):
        try:
            if surface == "metallised" and interface != len(layers):
                raise InputError(found="electrodes below a film", expected="electrodes on top")
            located = locate(
                wave,
                substrate,
                layers,
                shorts=cell.stack.shorts,
                metallised=surface == "metallised",
            )
            curve = plane_curve(located, limit=2.0 + max(ANGLES), surface=surface)
        except (InputError, ConvergenceError) as error:
            remarks.append(f"no plane wave of the {surface} surface beside it: {error}")
            continue
        found.append(_plane(curve, surface))
    return tuple(found), tuple(remarks)


def _plane(curve: SlownessCurve, surface: str) -> PlaneCurve:
    return PlaneCurve(
        surface,
        np.degrees(curve.angle),
        curve.velocity,
        float(np.degrees(curve.at(0.0)[1])),
        curve.anisotropy,
    )
