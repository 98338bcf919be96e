"""Values of a map at a run of its points: bare half-spaces all at once, others one by one, of which
leaky waves of a half-space are followed along rows (:mod:`.leaky_rows`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from sawfem.design import Stack
from sawfem.errors import GeometryError, MaterialError, SawfemError
from sawfem.planewave.batch_drift import delay_drift
from sawfem.planewave.batch_table import wave_table
from sawfem.planewave.generalised import Array, GeneralisedTensor
from sawfem.planewave.hidden import refuse_hidden_substrate
from sawfem.planewave.leaky_rows import along_row
from sawfem.planewave.map_request import DRIFTS, LOSSES, MapRequest
from sawfem.planewave.surface_waves import Wave, leaky_pairs, plane_waves

#: State of a point.
DONE, FAILED, NOT_RUN = 0, 1, 2
#: Points that are worked through at once: a batch, a run along which leaky waves are followed, or
#: one by one.
BATCH, RUN, SINGLES = 512, 33, 8


@dataclass(frozen=True, eq=False)
class Chunk:
    """Values of some points.

    points : (p,). values : (quantities, p), NaN where there is none. messages : (p,), "" or why.
    """

    points: NDArray[np.intp]
    values: Array
    messages: tuple[str, ...]

    @property
    def status(self) -> NDArray[np.int8]:
        """DONE or FAILED, (p,)."""
        failed = np.array([bool(message) for message in self.messages])
        return np.where(failed, FAILED, DONE).astype(np.int8)


def chunks_of(asked: MapRequest) -> list[NDArray[np.intp]]:
    """All points of a map in the runs in which they are computed, always the same ones."""
    if asked.is_run:  # pieces of rows, as equal as can be
        row = asked.shape[-1]
        pieces = np.array_split(np.arange(row), -(-row // RUN))
        return [start + piece for start in range(0, asked.size, row) for piece in pieces]
    size = BATCH if asked.is_batch else SINGLES
    return [np.arange(a, min(a + size, asked.size)) for a in range(0, asked.size, size)]


def compute_chunk(asked: MapRequest, points: NDArray[np.intp]) -> Chunk:
    """Values at some points.

    Raises
    ------
    MaterialError : temperature data are missing, or a material conducts. Anything else that is
        wrong with a single point becomes its message.
    """
    if asked.is_batch:
        return _batch(asked, points)
    leaky = _leaky_along(asked, points) if asked.is_run else {}
    rows = [_single(asked, int(point), leaky.get(int(point))) for point in points]
    return Chunk(points, np.array([row for row, _ in rows]).T, tuple(text for _, text in rows))


def refuse_hidden_map(asked: MapRequest) -> None:
    """Refuse a map in which the layers hide the substrate at every point; takes milliseconds.

    Depths grow with thickness and frequency, so that the corners of such axes decide; where angles
    are varied too, each point is left to say so itself.

    Raises
    ------
    GeometryError : as :func:`.refuse_hidden_substrate`, of the first corner.
    """
    if asked.thick or len(asked.members) == 1 or any(axis.unit == "deg" for axis in asked.axes):
        return
    last: GeometryError | None = None
    for corner in product(*((0, size - 1) for size in asked.shape)):
        stack, frequency = asked.stack(int(np.ravel_multi_index(corner, asked.shape)))
        assert frequency is not None  # a request with layers has one
        try:
            refuse_hidden_substrate(stack, frequency)
            return
        except GeometryError as error:
            last = last or error
    if last is not None:
        raise last


def _batch(asked: MapRequest, points: NDArray[np.intp]) -> Chunk:
    """Points of a bare half-space, all orientations at once."""
    material, rotations = asked.members[0].material, asked.rotations(points)
    table = wave_table(material, rotations)
    slot = table.select(asked.kinds, asked.order)
    drift = None
    if set(DRIFTS) & set(asked.quantities):
        drift = delay_drift(material, rotations, table, slot, hold_constant=asked.hold_constant)
    values = np.empty((len(asked.quantities), len(points)))
    for row, name in enumerate(asked.quantities):
        if name in DRIFTS:
            assert drift is not None
            values[row] = drift if name == "delay_temperature_coefficient" else -drift
        elif name in LOSSES:  # a wave below the limiting velocity has none
            there = table.picked(name.replace("attenuation", "velocity"), slot)
            values[row] = np.where(np.isnan(there), np.nan, 0.0)
        else:
            values[row] = table.picked(name, slot)
    messages = [""] * len(points)
    for place in np.flatnonzero(np.isnan(values).any(axis=0)):
        missing = np.isnan(values[:, place])
        messages[place] = _reason(asked, missing, there=slot[place] >= 0, limit=table.limit[place])
    return Chunk(points, values, tuple(messages))


def _reason(asked: MapRequest, missing: NDArray[np.bool_], *, there: bool, limit: float) -> str:
    if not there:
        kinds = " or ".join(asked.kinds)
        return f"no {kinds + ' ' if kinds else ''}wave below the limiting velocity {limit:.2f} m/s"
    names = [name for name, gone in zip(asked.quantities, missing, strict=True) if gone]
    if "velocity_free" in names or "velocity_metallised" in names or "coupling_k2" in names:
        which = "metallised" if "velocity_metallised" in names else "free"
        return f"the {which} surface carries no such wave below {limit:.2f} m/s"
    return f"the wave has no {', '.join(names)}"


def _leaky_along(asked: MapRequest, points: NDArray[np.intp]) -> dict[int, tuple[Wave, ...]]:
    """Leaky waves at the points of a row; none where one of its stacks cannot be or fails."""
    try:
        media = [asked.stack(int(point))[0].media()[0] for point in points]
        tensors = [GeneralisedTensor.from_medium(medium) for medium in media]
        found, _ = along_row(tensors, int(points[0]))
    except SawfemError:  # each point then says for itself what is wrong
        return {}
    waves = (leaky_pairs(one.families, None) for one in found)
    return dict(zip(map(int, points), waves, strict=True))


def _waves(
    asked: MapRequest, stack: Stack, frequency: float | None, leaky: tuple[Wave, ...] | None
) -> tuple[Wave, ...]:
    """Waves of a point among which one is chosen, slowest first."""
    if leaky is None:
        return plane_waves(stack, frequency, leaky=asked.leaky)
    guided = () if set(asked.kinds) == {"leaky"} else plane_waves(stack, frequency)
    return tuple(sorted((*guided, *leaky), key=lambda wave: wave.velocity))


def _single(
    asked: MapRequest, point: int, leaky: tuple[Wave, ...] | None
) -> tuple[list[float], str]:
    """Values and message of one point by the solver of single stacks; leaky waves if known."""
    nothing = [np.nan] * len(asked.quantities)
    try:
        stack, frequency = asked.stack(point)
        if stack.layers and frequency is not None and not asked.thick:
            refuse_hidden_substrate(stack, frequency)
        waves = _waves(asked, stack, frequency, leaky)
        wave = choose(waves, asked.kinds, asked.order)
        if wave is None:
            return nothing, f"no {' or '.join(asked.kinds) or 'surface'} wave was found"
        values = [_value(asked, point, wave, name) for name in asked.quantities]
    except MaterialError:
        raise
    except SawfemError as error:
        return nothing, str(error)
    names = [n for n, v in zip(asked.quantities, values, strict=True) if np.isnan(v)]
    return values, f"the {wave.kind} wave has no {', '.join(names)}" if names else ""


def _value(asked: MapRequest, point: int, wave: Wave, name: str) -> float:
    if name in DRIFTS:
        from sawfem.planewave.temperature import temperature_coefficients

        stack, _ = asked.stack(point)
        drift = temperature_coefficients(stack, wave, hold_constant=asked.hold_constant)
        return drift.delay.first if name == DRIFTS[0] else drift.frequency.first
    value = getattr(wave, name)
    if name == "power_flow_angle" and value is not None and abs(value) < 1e-8:
        return 0.0  # rounding
    return np.nan if value is None else float(value)


def choose(waves: tuple[Wave, ...], kinds: tuple[str, ...], order: str) -> Wave | None:
    """The wave of a stack that a map shows, or None.

    As :meth:`.WaveTable.select`; "leaky" takes in leaky waves, "all" every kind.
    """
    wanted = [wave for wave in waves if _is_wanted(wave, kinds)]
    if order == "slowest":
        return min(wanted, key=lambda wave: wave.velocity, default=None)
    return max(wanted, key=lambda wave: (wave.coupling_k2 or 0.0, -wave.velocity), default=None)


def _is_wanted(wave: Wave, kinds: tuple[str, ...]) -> bool:
    if "all" in kinds:
        return True
    if "leaky" in wave.kind:
        return "leaky" in kinds
    if wave.kind.startswith("plate"):
        return not kinds or "plate" in kinds
    across = wave.shear_horizontal > 0.5
    known = {"bleustein-gulyaev", "love"} if across else {"rayleigh"}
    return not kinds or bool(known & set(kinds))
