"""What a table of grating constants interpolates, and the way from it to constants and back.

A cell with a mirror has an edge that the electrodes drive, shorted and open, and an edge common to
both, each smooth in the geometry, even where they cross. In a cell without a mirror (a directional
cut) all four edges are mixtures of both standing waves; they avoid one another, and near an avoided
crossing each of them turns sharply. Smooth are the sum of the two shorted edges, k p and k' p as
complex numbers (their product is [pi (f2 - f1)/Re(f1 + f2)]^2, the phase is that against 2 arg a),
and sum and squared difference of the two open edges:

    shorted_sum = p (f1 + f2),   open_sum = p (g1 + g2),   open_split = [(g2 - g1)/Re(f1 + f2)]^2.

Never arg k itself is interpolated, which jumps where |k| vanishes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import ConvergenceError
from sawfem.extract.constants import PER_WAVELENGTH
from sawfem.extract.edges import referred, reflection_phase
from sawfem.extract.grating import GratingSolution
from sawfem.extract.loss_budget import with_losses
from sawfem.extract.table_cells import launch_turn
from sawfem.unitcell.stopband import Edge, StopBand

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Columns of either kind after its own: C p in F/m; the rest pure. "launch" is the turn of a from
#: where it is real to the reference plane, exp(j K (x_t - x_0)), complex; one of one electrode.
SCALE = (
    "capacitance",
    "capacitance_loss",
    "capacitance_slope",
    "slope_width",
    "capacitance_static",
    "phase_over_group_velocity",
    "launch",
)
#: Relative distance within which two edges are common to both stop bands.
COMMON = 1e-7


@dataclass(frozen=True)
class Edges:
    """Edges of many gratings, each (m,), times the pitch, complex velocities in m/s.

    Attributes
    ----------
    poles, zeros : (2, m) shorted and open edges p f, lower and upper.
    driven, opened : (m,) the shorted edge of larger charge, and the open one without a twin.
    phase : (m,) arg k - 2 arg a.
    reflection, reflection_back : (m,) k p and k' p.
    """

    poles: Complex
    zeros: Complex
    driven: Complex
    opened: Complex
    phase: Array
    reflection: Complex
    reflection_back: Complex


@dataclass(frozen=True)
class Kind:
    """One way to keep gratings.

    Attributes
    ----------
    mirror : whether it is for cells with a mirror.
    names : columns before those of SCALE; the first ``velocities`` of them are velocities 2 p f.
    row : a solved grating -> its columns, without those of SCALE.
    edges : (columns, m) -> Edges.
    marks : frequencies, Hz, by which a neighbour's band is predicted; marked(band, values) puts
        them into a band.
    """

    mirror: bool
    names: tuple[str, ...]
    velocities: int
    row: Callable[[GratingSolution], list[complex]]
    edges: Callable[[Complex], Edges]
    marks: Callable[[StopBand], list[complex]]
    marked: Callable[[StopBand, list[complex]], tuple[list[Edge], list[Edge]]]

    @property
    def columns(self) -> tuple[str, ...]:
        """All columns."""
        return (*self.names, *SCALE)


def kind_of(band: StopBand) -> Kind:
    """The kind that a complete band asks for."""
    common = _quiet(band).frequency
    twin = min(band.open, key=lambda edge: abs(edge.frequency - common)).frequency
    return MIRRORED if abs(twin - common) <= COMMON * abs(common) else DIRECTIONAL


def where(solution: GratingSolution) -> str:
    """The place of a grating in its table, for messages."""
    tallest = max(strip.thickness for strip in solution.cell.electrodes)
    height = tallest / (2.0 * solution.band.pitch)
    return f"at {height:.4g} wavelengths of metal, ratio {solution.cell.metallisation_ratio:.4g}"


def scale_row(solution: GratingSolution) -> list[complex]:
    """The columns of SCALE. Raises ConvergenceError where there is no two-mode picture."""
    if solution.picture is None:
        raise ConvergenceError(f"{where(solution)}: {'; '.join(solution.band.reasons)}")
    com = solution.picture.com
    static = 0.5 * solution.constants.capacitance_per_pair
    g = solution.constants.phase_over_group_velocity
    return [
        com.capacitance,
        com.capacitance_loss,
        com.capacitance_slope,
        com.slope_width,
        static,
        math.nan if g is None else g,
        launch_turn(solution),
    ]


def _quiet(band: StopBand) -> Edge:
    """The shorted edge that holds less charge."""
    return min(band.shorted, key=lambda edge: edge.coupling)


def complete(band: StopBand) -> StopBand:
    """The band, if it has all four edges. Raises ConvergenceError."""
    if len(band.shorted) < 2 or len(band.open) < 2 or band.antiresonance is None:
        raise ConvergenceError(
            "a grating of the table lacks an edge of its stop band: "
            f"{'; '.join(band.reasons)}; ask for a smaller box"
        )
    return band


def _mirrored_marks(band: StopBand) -> list[complex]:
    """The driven shorted, the driven open and the common edge."""
    opened = complete(band).antiresonance
    assert opened is not None
    return [band.resonance.frequency, opened.frequency, _quiet(band).frequency]


def _mirrored_places(band: StopBand, values: list[complex]) -> tuple[list[Edge], list[Edge]]:
    driven, opened, common = values
    return (
        [_at(edge, driven if edge is band.resonance else common) for edge in band.shorted],
        [_at(edge, opened if edge is band.antiresonance else common) for edge in band.open],
    )


def _at(edge: Edge, frequency: complex) -> Edge:
    return replace(edge, frequency=complex(frequency))


def _mirrored_row(solution: GratingSolution) -> list[complex]:
    """Velocities 2 p f of the driven shorted, driven open and common edge."""
    driven, _, common = _mirrored_marks(solution.band)
    if not kind_of(solution.band).mirror:
        raise ConvergenceError(f"{where(solution)} the grating has no edge common to both bands")
    if solution.picture is None:
        raise ConvergenceError(f"{where(solution)}: {'; '.join(solution.band.reasons)}")
    picture = solution.picture
    # Back to where a is real, and k with it.
    com = referred(picture.com, picture.reference - picture.transduction_centre)
    p, v = com.pitch, com.velocity
    k = com.reflection / p
    if (k.real > 0.0) != (driven.real > common.real) and abs(k) * p > 1e-6:
        raise ConvergenceError(
            f"{where(solution)} the driven and the common edge cannot be told apart"
        )
    centre = math.pi / p + 1j * com.attenuation
    omega = 2.0 * math.pi * com.centre_frequency
    a, a_back = com.both_transductions
    opened = 4.0 * a * a_back / p / (omega * com.complex_capacitance) + k
    return [p * v / math.pi * (centre + d) for d in (k, opened, -k)]


def _mirrored_edges(columns: Complex) -> Edges:
    driven, opened, common = 0.5 * columns[:3]
    upper = driven.real > common.real
    poles = np.where(upper, [common, driven], [driven, common])
    above = opened.real > common.real
    zeros = np.where(above, [common, opened], [opened, common])
    k = np.pi * (driven - common) / (driven + common).real
    # The driven edge is even about the electrode: k > 0 where it is the upper one.
    return Edges(poles, zeros, driven, opened, np.where(upper, 0.0, np.pi), k, k)


def _directional_marks(band: StopBand) -> list[complex]:
    """The edges by their order, which they keep: lower and upper, shorted and open."""
    complete(band)
    return [edge.frequency for edge in (*band.shorted, *band.open)]


def _directional_places(band: StopBand, values: list[complex]) -> tuple[list[Edge], list[Edge]]:
    return (
        [_at(edge, value) for edge, value in zip(band.shorted, values[:2], strict=True)],
        [_at(edge, value) for edge, value in zip(band.open, values[2:], strict=True)],
    )


def _directional_row(solution: GratingSolution) -> list[complex]:
    """Twice the mean of the shorted and of the open edges, k p, k' p, and the open split."""
    band = solution.band if solution.losses is None else with_losses(solution.band, solution.losses)
    p = band.pitch
    low, high = (p * edge.frequency for edge in band.shorted)
    first, second = (p * edge.frequency for edge in band.open)
    total = (low + high).real
    size = math.pi * (high - low) / total
    turn = complex(np.exp(1j * reflection_phase(*solution.band.shorted)))
    split = ((second - first) / total) ** 2
    return [low + high, first + second, size * turn, size * turn.conjugate(), split]


def _directional_edges(columns: Complex) -> Edges:
    """Edges from sums, k p, k' p and the split of the open pair, of gratings without a mirror."""
    shorted, opened, k, k_back, split = columns[:5]
    total = shorted.real
    size = np.sqrt(k * k_back)
    size = np.where(size.real < 0.0, -size, size)
    apart = size * total / np.pi
    half = np.sqrt(split) * total
    poles = np.array([0.5 * (shorted - apart), 0.5 * (shorted + apart)], dtype=np.complex128)
    zeros = np.array([0.5 * (opened - half), 0.5 * (opened + half)], dtype=np.complex128)
    turn = np.where(np.abs(size) > 0.0, k / np.where(size == 0.0, 1.0, size), 1.0)
    # The charges of the standing waves are as cos and sin of half the phase.
    upper = turn.real > 0.0
    driven, quiet = np.where(upper, poles[::-1], poles)
    far = np.abs(zeros - quiet)
    lone = np.where(far[1] >= far[0], zeros[1], zeros[0])
    return Edges(poles, zeros, driven, lone, np.angle(turn), k, k_back)


MIRRORED = Kind(
    True,
    ("driven_short", "driven_open", "common"),
    3,
    _mirrored_row,
    _mirrored_edges,
    _mirrored_marks,
    _mirrored_places,
)
DIRECTIONAL = Kind(
    False,
    ("shorted_sum", "open_sum", "reflection", "reflection_back", "open_split"),
    2,
    _directional_row,
    _directional_edges,
    _directional_marks,
    _directional_places,
)


def loss(frequency: Complex) -> Array:
    """DB per wavelength of complex frequencies; rounding is no loss."""
    ratio = frequency.imag / frequency.real
    return np.asarray(np.where(np.abs(ratio) > 1e-12, PER_WAVELENGTH * ratio, 0.0))
