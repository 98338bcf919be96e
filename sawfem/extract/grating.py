"""From a unit cell to grating constants with their numerical uncertainty.

The plane waves of the stack at the grating's wavelength say where to look. The cell is then
solved twice, on a mesh and on one with an order and a grading more; the finer answer is
reported and the distance between the two is its error bar. (The finer answer minus an
extrapolation would flatter: errors of order and of grading have opposite signs and may cancel.)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from threadpoolctl import threadpool_limits

from sawfem.design import UnitCell
from sawfem.errors import ConvergenceError, GeometryError, InputError, handed
from sawfem.extract.constants import (
    PER_WAVELENGTH,
    GratingConstants,
    decibels_per_wavelength,
    effective_coupling,
)
from sawfem.extract.edges import (
    TwoModes,
    transduction_from_residues,
    two_modes,
    with_material_losses,
)
from sawfem.extract.group_velocity import phase_over_group_velocity
from sawfem.extract.loss_budget import LossBudget, has_losses, loss_budget, with_losses
from sawfem.extract.uncertainty import beyond_first_order, edge_error, numerical_uncertainty
from sawfem.planewave import Wave, estimate_velocities
from sawfem.planewave.buried import buried_waves
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.limiting import bulk_onsets
from sawfem.unitcell.connection import ConnectedSystem, check_connections
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.meshsize import MEMORY_LIMIT, mesh_size
from sawfem.unitcell.stopband import (
    MOVED,
    STILL_ALIKE,
    StopBand,
    find_stop_band,
    refine_stop_band,
)
from sawfem.units import is_number

#: progress(stage, done, total): called before and after every stage.
Progress = Callable[[str, int, int], None]

#: Meshes from coarse to fine. Neighbours differ by an order and a grading.
MESHES: tuple[MeshSettings, ...] = tuple(
    MeshSettings(order=order, gradings=order - 1, ratio=0.15) for order in (3, 4, 5, 6)
)

#: Meshes of a grating's constants, from coarse to fine: an order and a grading apart. The degree
#: falls towards the corners, so that half the unknowns give the same error; from mesh to mesh the
#: errors of edges fall by 8 to 12 and keep their sign (four cells).
THRIFTY: tuple[MeshSettings, ...] = tuple(
    MeshSettings(order=order, gradings=order - 2, ratio=0.1, thrift=0.3) for order in (4, 5, 6, 7)
)


@dataclass(frozen=True)
class GratingSolution:
    """Everything that was computed on the way to the constants.

    Attributes
    ----------
    cell, constants, wave : the grating, its constants, and the plane wave it works on.
    waves : all plane waves that were found at the stop band.
    band : the edges on the finest mesh, without the losses of materials; band.model answers
        Y(f, pi) and holds the mode shapes.
    picture : the two-mode fit, None where an edge is missing.
    checks : {name: (value, limit)}; a check holds when value <= limit.
    losses : of the edges by mechanism, where a material of the cell has losses. The constants
        contain them.
    """

    cell: UnitCell
    constants: GratingConstants
    wave: Wave
    waves: tuple[Wave, ...]
    band: StopBand = field(repr=False)
    picture: TwoModes | None = field(repr=False)
    checks: Mapping[str, tuple[float, float]]
    losses: LossBudget | None = field(default=None, repr=False)


def grating_constants(
    cell: UnitCell, *, accuracy: float = 1e-5, connections: Sequence[str] | None = None
) -> GratingConstants:
    """Constants of a grating; finds the stop band itself.

    Parameters
    ----------
    cell : one electrode a period, half a wave long; or several, one wave long.
    accuracy : relative numerical uncertainty of the edge frequencies to reach.
    connections : "hot", "ground" or "floating" for each of several electrodes, left to right.

    Raises
    ------
    InputError : ``cell`` is none, or an accuracy outside 1e-9 to 1e-2.
    GeometryError : several electrodes without their connections, or connections of none.
    ConvergenceError : no wave, or no stop band, that couples to the electrodes.
    """
    return solve_grating(cell, accuracy=accuracy, connections=connections).constants


def solve_grating(
    cell: UnitCell,
    *,
    accuracy: float = 1e-5,
    connections: Sequence[str] | None = None,
    progress: Progress | None = None,
    waves: tuple[Wave, ...] | None = None,
) -> GratingSolution:
    """As :func:`grating_constants`, with everything that was computed on the way.

    ``waves`` are those of :func:`grating_waves` for this cell where they are known already, as in
    a sweep over gratings on one stack; cells of several electrodes look for their own.
    """
    handed(cell, UnitCell, "cell", "a UnitCell")
    if connections is not None:
        connections = check_connections(connections, len(cell.electrodes))
    elif len(cell.electrodes) != 1:
        raise GeometryError(
            key="grating.electrode.connection",
            found=f"none for {len(cell.electrodes)} electrodes a period",
            expected='"hot", "ground" or "floating" for each, left to right',
        )
    if not (is_number(accuracy) and 1e-9 <= accuracy <= 1e-2):
        raise InputError(
            key="results.accuracy", found=f"{accuracy!r}", expected="a number from 1e-9 to 1e-2"
        )
    # One BLAS thread: the matrices are small, and threads that wait for one another take minutes
    # on a machine that is busy.
    with threadpool_limits(limits=1, user_api="blas"):
        report = progress or (lambda stage, done, total: None)
        return _solved(cell, accuracy, connections, report, waves)


def _solved(
    cell: UnitCell,
    accuracy: float,
    connections: Sequence[str] | None,
    report: Progress,
    waves: tuple[Wave, ...] | None,
) -> GratingSolution:
    # The coarsest pair of meshes seldom reaches 1e-5: do not start with it when that is asked.
    meshes = _affordable(cell, THRIFTY if accuracy > 3e-5 else THRIFTY[1:])
    report("plane waves", 0, 1)
    if waves is None or connections is not None:
        waves = grating_waves(cell, phase=math.pi if connections is None else 2.0 * math.pi)
    strongest(waves)  # said before the long part, if there is none
    report("plane waves", 1, 1)

    total = len(meshes)
    coarse: GratingSolution | None = None
    for number, settings in enumerate(meshes):
        report("unit cell", number, total)
        fine = _on_mesh(cell, connections, waves, settings, coarse)
        if coarse is not None:
            bars = numerical_uncertainty(coarse.constants, fine.constants)
            fine = replace(fine, constants=replace(fine.constants, numerical=bars))
            if edge_error(fine.constants) <= accuracy or number == total - 1:
                report("unit cell", total, total)
                if fine.losses is not None:
                    bars = beyond_first_order(bars, fine.losses, fine.constants)
                    fine = replace(fine, constants=replace(fine.constants, numerical=bars))
                return replace(fine, checks=_checks(fine.band, fine.picture))
        coarse = fine
    raise AssertionError("MESHES holds at least two meshes")


def _affordable(cell: UnitCell, meshes: tuple[MeshSettings, ...]) -> tuple[MeshSettings, ...]:
    """The meshes that memory allows; of a cell that is too large for two of them, coarser ones."""
    kept = tuple(m for m in meshes if mesh_size(cell, m).memory <= MEMORY_LIMIT)
    return kept if len(kept) > 1 else THRIFTY[:2]


def two_meshes(solution: GratingSolution) -> tuple[MeshSettings, MeshSettings]:
    """The mesh of a solution, and the next coarser one, whose distance is an error bar."""
    fine = solution.band.model.system.discretisation.settings
    for family in (THRIFTY, MESHES):
        if fine in family[1:]:
            return fine, family[family.index(fine) - 1]
    return fine, THRIFTY[0]


def solve_like(
    solution: GratingSolution,
    cell: UnitCell,
    settings: MeshSettings,
    *,
    limits: tuple[float, float] = (MOVED, STILL_ALIKE),
) -> GratingSolution:
    """A cell much like that of a solution, on one mesh: its edges start from the known ones.

    ``limits`` are how far an edge may move, relatively, and how alike its displacement must stay;
    beyond them the edges are searched anew.

    Plane waves, error bars and checks are not computed again: ``waves`` are those of the
    solution, ``numerical`` and ``checks`` are empty.
    """
    model = solution.band.model
    connections = model.connections if isinstance(model, ConnectedSystem) else None
    return _on_mesh(cell, connections, solution.waves, settings, solution, limits)


def grating_waves(cell: UnitCell, *, phase: float = math.pi) -> tuple[Wave, ...]:
    """Plane waves of the stack at the wavenumber phase / p, strongest coupling first.

    At phase pi the wavelength is that of the stop band, 2p. A layered stack is dispersive:
    frequency and velocity are brought together by iteration. Overcoats count as level films;
    under them, or in a groove, the metallised velocity is that with a conductor at the feet.
    """
    substrate, layers, interface = cell.planar()
    wavenumber = phase / cell.period
    shorts = cell.stack.shorts

    def found(omega: float | None) -> tuple[Wave, ...]:
        if omega is None or (interface == len(layers) and not shorts):
            return estimate_velocities(substrate, layers, omega)
        return buried_waves(substrate, layers, omega, interface, shorts=shorts)

    if not layers:
        return found(None)
    # Over a membrane's vacuum the lowest film tells where to start.
    first = substrate if substrate.density else layers[0][0]
    shear = math.sqrt(float(first.stiffness[0, 2, 0, 2]) / first.density)
    waves = found(0.9 * shear * wavenumber)
    for _ in range(12):
        velocity = strongest(waves).velocity
        waves = found(velocity * wavenumber)
        if abs(strongest(waves).velocity - velocity) < 1e-4 * velocity:
            break
    return waves


def strongest(waves: tuple[Wave, ...]) -> Wave:
    """The wave that couples most to electrodes.

    Raises
    ------
    ConvergenceError : none couples.
    """
    for wave in waves:
        if wave.coupling_k2 and wave.coupling_k2 > 1e-9:
            return wave
    found = ", ".join(str(wave) for wave in waves[:3]) or "no surface wave at all"
    if len(waves) > 3:
        found += f", and {len(waves) - 3} more"
    raise ConvergenceError(
        "no surface wave of this stack couples to electrodes, so a grating on it has no "
        f"electrical stop band (found: {found}); choose a piezoelectric material or another cut"
    )


def _on_mesh(
    cell: UnitCell,
    connections: Sequence[str] | None,
    waves: tuple[Wave, ...],
    settings: MeshSettings,
    coarse: GratingSolution | None,
    limits: tuple[float, float] = (MOVED, STILL_ALIKE),
) -> GratingSolution:
    """Stop band, picture and constants on one mesh; from a coarse solution where there is one."""
    wave = strongest(waves)
    discretisation = discretise(cell, settings)
    if coarse is not None:
        band = refine_stop_band(discretisation, coarse.band, moved=limits[0], alike=limits[1])
    else:
        assert wave.velocity_free is not None
        assert wave.velocity_metallised is not None
        band = find_stop_band(
            discretisation,
            wave.velocity_free,
            wave.velocity_metallised,
            connections=connections,
        )
    # The band itself stays lossless, since its model and mode shapes are; the constants lose.
    losses = loss_budget(band) if has_losses(cell) else None
    lossy = band if losses is None else with_losses(band, losses)
    complete = len(band.shorted) == 2 and len(band.open) == 2
    picture = two_modes(band) if complete else None
    if picture is not None and losses is not None:
        picture = with_material_losses(picture, lossy, losses.capacitance)
    if picture is not None and picture.capacitance <= 0.0:
        reason = (
            "the two-mode picture does not fit this grating at all (negative capacitance); "
            f"its electrodes are {cell.electrodes[0].thickness / (2.0 * band.pitch):.2g} "
            "wavelengths thick"
        )
        lossy, picture = replace(lossy, reasons=(*band.reasons, reason)), None
        band = replace(band, reasons=lossy.reasons)
    # A ratio of lengths of phase, which materials' losses move in second order alone.
    g = None if picture is None else phase_over_group_velocity(band)
    constants = _constants(cell, wave, lossy, picture, g)
    return GratingSolution(cell, constants, wave, waves, band, picture, {}, losses)


def _constants(
    cell: UnitCell, wave: Wave, band: StopBand, picture: TwoModes | None, g: float | None
) -> GratingConstants:
    resonance, antiresonance = band.resonance, band.antiresonance
    two = len(band.shorted) == 2
    upper = two and band.shorted[1] is resonance
    reasons = _reasons(band, picture)
    if picture is not None and g is None:
        reasons["phase_over_group_velocity"] = "not known: no mode beside the driven edge"
    onsets = _bulk_onsets(cell, 2.0 * band.pitch)
    return GratingConstants(
        pitch=band.pitch,
        metallisation_ratio=cell.metallisation_ratio,
        velocity=_shorted_velocity(band),
        stopband_short=_pair(band.shorted),
        stopband_open=_pair(band.open),
        reflection_per_electrode=picture.reflection if picture else None,
        transduction_per_electrode=picture.transduction if picture else None,
        coupling_k2=wave.coupling_k2,
        coupling_k2_effective=(
            effective_coupling(resonance.frequency.real, antiresonance.frequency.real)
            if antiresonance is not None and antiresonance.frequency.real > resonance.frequency.real
            else None
        ),
        capacitance_per_pair=2.0 * band.share * float(band.model.capacitance()[0, 0].real),
        capacitance_fitted_per_pair=2.0 * picture.capacitance if picture else None,
        attenuation=_attenuation(resonance.frequency),
        attenuation_open=_attenuation(antiresonance.frequency) if antiresonance else None,
        resonant_edge="upper" if upper else "lower",
        bulk_onset=min(onsets, default=None),
        next_bulk_onset=min((f for f in onsets if f > resonance.frequency.real), default=None),
        phase_over_group_velocity=g,
        fit_range=picture.fit_range if picture else None,
        **_backward(picture),
        fit_band=picture.band if picture else None,
        fit_misfit=picture.misfit if picture else None,
        reasons=reasons,
    )


def _backward(picture: TwoModes | None) -> dict[str, Any]:
    """Constants of the backward wave, losses, and where the phases hold."""
    if picture is None:
        return {}
    com = picture.com
    return {
        "reflection_back_per_electrode": com.both_reflections[1],
        "transduction_back_per_electrode": com.both_transductions[1],
        "attenuation_coupled": decibels_per_wavelength(com.attenuation, 2.0 * com.pitch),
        "capacitance_loss": com.capacitance_loss,
        "capacitance_slope": com.capacitance_slope,
        "directivity": com.directivity,
        "reference_plane": picture.reference,
        "transduction_centre": picture.transduction_centre,
    }


def _bulk_onsets(cell: UnitCell, wavelength: float) -> list[float]:
    """Frequencies at which the bulk waves of the substrate start at a wavelength, Hz."""
    substrate, _ = cell.stack.media()
    velocities = bulk_onsets(GeneralisedTensor.from_medium(substrate))
    return [velocity / wavelength for velocity in velocities]


def _shorted_velocity(band: StopBand) -> float | None:
    if len(band.shorted) < 2:
        return None
    return band.pitch * (band.shorted[0].frequency.real + band.shorted[1].frequency.real)


def _pair(edges: tuple[Any, ...]) -> tuple[float | None, float | None]:
    found = [edge.frequency.real for edge in edges]
    return (found[0] if found else None, found[1] if len(found) > 1 else None)


def _attenuation(frequency: complex) -> float:
    """DB per wavelength; rounding below 1e-12 is no loss."""
    ratio = frequency.imag / frequency.real
    return PER_WAVELENGTH * ratio if abs(ratio) > 1e-12 else 0.0


def _reasons(band: StopBand, picture: TwoModes | None) -> dict[str, str]:
    reasons: dict[str, str] = {}
    sentence = "; ".join(band.reasons)
    if len(band.shorted) < 2:
        for name in ("stopband_short", "velocity"):
            reasons[name] = sentence
    if len(band.open) < 2:
        reasons["stopband_open"] = sentence
    if picture is None:
        for name in (
            "reflection_per_electrode",
            "transduction_per_electrode",
            "reflection_back_per_electrode",
            "transduction_back_per_electrode",
            "attenuation_coupled",
            "capacitance_fitted_per_pair",
            "capacitance_loss",
            "capacitance_slope",
            "directivity",
            "reference_plane",
            "transduction_centre",
            "phase_over_group_velocity",
            "fit_band",
            "fit_misfit",
            "fit_range",
        ):
            reasons[name] = f"needs the two-mode picture of four edges: {sentence}"
    if band.antiresonance is None:
        for name in ("attenuation_open", "coupling_k2_effective"):
            reasons[name] = sentence
    elif band.antiresonance.frequency.real <= band.resonance.frequency.real:
        reasons["coupling_k2_effective"] = "the antiresonance was not found above the resonance"
    return reasons


def _checks(band: StopBand, picture: TwoModes | None) -> dict[str, tuple[float, float]]:
    """Name of a check -> (value, limit)."""
    model = band.model
    edges = (*band.shorted, *band.open)
    frequency = 0.5 * (edges[0].frequency.real + edges[-1].frequency.real)
    y = complex(model.admittance(1.0001 * frequency)[0, 0])
    checks = {
        # Y of a passive grating has no negative conductance beyond rounding.
        "passivity": (max(0.0, -y.real) / abs(y), 1e-9),
        "power_balance": (model.power_balance(1.0001 * frequency), 1e-8),
        "reduced_model": (max(model.frequency_error(e.frequency, e.vector) for e in edges), 1e-6),
    }
    if band.counted is not None:
        checks["modes_counted"] = (0.0 if band.counted else 1.0, 0.5)
    if picture is not None:
        other = transduction_from_residues(band)
        checks["transduction_two_ways"] = (abs(abs(picture.transduction) / other - 1.0), 0.25)
        checks["constants_passive"] = (max(0.0, -picture.com.least_loss()), 1e-9)
    return checks
