"""What ``sawfem map`` does: case -> request -> map, kept as it grows -> map.h5 and pictures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sawfem.case import Case, ResolvedCase, ResolvedCrystal
from sawfem.case.axes import FREQUENCY_KEYS
from sawfem.design import Layer, Stack
from sawfem.errors import CaseError, InputError, OutputError, SawfemError
from sawfem.pipeline.build import Design, build
from sawfem.planewave.generalised import Array
from sawfem.planewave.map_points import refuse_hidden_map
from sawfem.planewave.map_request import USUAL, Member, Place
from sawfem.planewave.maps import MapAxis, MapRequest, Progress, WaveMap, compute_map
from sawfem.platenotation import parse_plate
from sawfem.result import current_versions
from sawfem.units import parse_frequency
from sawfem.wholefiles import ANOTHER_OUT, unwritable

_STUDIES = ("sweep", "map", "yield")
_ALLOWED = (
    "an angle (substrate.euler[1], substrate.rotations[0], layer[0].euler[2]), a thickness "
    "(layer[0].thickness) or the frequency of the map; a [sweep] moves the rest"
)


@dataclass(frozen=True)
class MapPlan:
    """A map that was understood: the case, what it builds, and what the solver is asked."""

    case: Case
    design: Design
    asked: MapRequest


@dataclass(frozen=True)
class MapResult:
    """A map and its files, as openable from the working directory."""

    found: WaveMap
    files: tuple[str, ...]


def plan_map(case: Case) -> MapPlan:
    """What the [map] of a case asks for.

    Raises
    ------
    CaseError : no [map], an axis that moves nothing of the waves, or a case that asks for what
        is not computed yet. Others as :func:`sawfem.pipeline.run`.
    """
    resolved = case.resolved()
    tables = case.to_dict()
    asked = tables.get("map")
    if asked is None:
        raise CaseError(
            file=resolved.file,
            key="map",
            found="nothing",
            expected="a table [map] with one or two [[map.axis]] of key, from, to and points",
        )
    case.refuse_unserved_waves("a case without, since this version does not compute its map yet")
    design = build(resolved)
    bare = Case.from_dict(
        {key: value for key, value in tables.items() if key not in _STUDIES}, base=case.base
    )
    listed = asked["axis"] if isinstance(asked["axis"], list) else [asked["axis"]]
    axes = tuple(_axis(case, bare, table, index) for index, table in enumerate(listed))
    waves = tuple(asked.get("waves", ()))
    frequency = asked.get("frequency")
    try:
        request = MapRequest(
            members=_members(resolved, design),
            frequency=None if frequency is None else parse_frequency(frequency),
            axes=axes,
            quantities=tuple(dict.fromkeys(asked.get("keep", USUAL))),
            kinds=tuple(name for name in waves if name not in ("strongest", "slowest")),
            order="slowest" if "slowest" in waves else "strongest",
            hold_constant=tuple(asked.get("hold_constant", ())),
            shorts=resolved.shorts,
            thick=bool(asked.get("thick", False)),
        )
        refuse_hidden_map(request)
    except SawfemError as error:
        raise _told(error, resolved.file) from None
    return MapPlan(case, design, request)


def _told(error: SawfemError, file: str | None) -> SawfemError:
    """The same error at its key of the case."""
    if "hide the substrate" in (error.found or "") or "a membrane of" in (error.found or ""):
        expected = f"{error.expected}; thick = true computes them all the same"
        return type(error)(file=file, key="map", found=error.found, expected=expected)
    return type(error)(
        file=file, key=f"map.{error.key}", found=error.found, expected=error.expected
    )


def _members(resolved: ResolvedCase, design: Design) -> tuple[Member, ...]:
    stack = design.stack
    parts: list[tuple[ResolvedCrystal, Stack | Layer]] = [(resolved.substrate, stack)]
    parts += zip(resolved.layers, stack.layers, strict=True)
    members = []
    for crystal, part in parts:
        thickness = part.thickness if isinstance(part, Layer) else 0.0
        potential = part.potential if isinstance(part, Layer) else None
        if crystal.cut is None:
            angles = tuple(crystal.euler or (0.0, 0.0, 0.0))
            members.append(Member(part.material, angles, None, thickness, potential))
            continue
        plate = parse_plate(crystal.cut, crystal.rotations or ())
        text = f"({plate.thickness}{plate.length}{plate.edges})"
        members.append(Member(part.material, plate.angles, text, thickness, potential))
    return tuple(members)


def _numbers(resolved: ResolvedCase) -> tuple[tuple[str, ...], dict[Place, float]]:
    """What of a case the waves depend on: words that must not change, and numbers that may."""
    words, numbers = [], {}
    crystals: list[tuple[ResolvedCrystal, float]] = [(resolved.substrate, 0.0)]
    crystals += [(layer, layer.thickness) for layer in resolved.layers]
    for member, (crystal, thickness) in enumerate(crystals):
        words.append(f"{crystal.material} {crystal.cut}")
        given = crystal.euler if crystal.cut is None else crystal.rotations
        for index, angle in enumerate(given or ()):
            numbers[Place(member, "angle", index)] = float(angle)
        numbers[Place(member, "thickness")] = thickness
    return tuple(words), numbers


def _axis(case: Case, bare: Case, table: Mapping[str, Any], index: int) -> MapAxis:
    """One axis: its values tried one by one on the case, since one may move several numbers."""
    key, place = table["key"], f"map.axis[{index}]"
    file = case.resolved().file

    def refuse(found: str, expected: str = _ALLOWED) -> CaseError:
        return CaseError(file=file, key=f"{place}.key", found=found, expected=expected)

    if table.get("together"):
        raise CaseError(
            file=file, key=f"{place}.together", found="together", expected="axes that form a grid"
        )
    if key in FREQUENCY_KEYS:
        ends = [parse_frequency(v, key=f"{place}.from", file=file) for v in _written(table)]
        values = _spread(table, ends)
        return MapAxis("frequency", "Hz", values, (Place(0, "frequency"),), values[:, None])
    words, before = _numbers(bare.resolved())
    tried = []
    for value in _written(table):
        changed, numbers = _numbers(_edited(bare, key, value, file, place).resolved())
        if changed != words or set(numbers) != set(before):
            raise refuse(f'"{key}", which changes a material or the plate')
        tried.append(numbers)
    moved = [p for p in before if any(n[p] != tried[0][p] for n in tried) or _named(p, key)]
    moved = moved or [p for p in before if any(n[p] != before[p] for n in tried)]
    if not moved:
        raise refuse(f'"{key}", which moves none of the waves')
    if len({p.what for p in moved}) > 1:
        raise refuse(f'"{key}", which moves angles and thicknesses')
    columns = [_spread(table, [numbers[p] for numbers in tried]) for p in moved]
    unit = "deg" if moved[0].what == "angle" else "m"
    return MapAxis(key, unit, columns[0], tuple(moved), np.stack(columns, axis=1))


def _named(place: Place, key: str) -> bool:
    """Whether a key names this number of the substrate, even where its values are all alike."""
    return (
        place.member == 0
        and place.what == "angle"
        and key
        in (
            f"substrate.euler[{place.index}]",
            f"substrate.rotations[{place.index}]",
        )
    )


def _edited(bare: Case, key: str, value: Any, file: str | None, place: str) -> Case:
    try:
        return bare.edit({key: value})
    except SawfemError as error:
        raise error.located(file=file, key=place) from None


def _written(table: Mapping[str, Any]) -> list[Any]:
    """The values of an axis, or its two ends."""
    return list(table["values"]) if "values" in table else [table["from"], table["to"]]


def _spread(table: Mapping[str, Any], numbers: list[float]) -> Array:
    """The points of an axis from its values or its two ends."""
    if "values" in table:
        return np.array(numbers, dtype=float)
    first, last = numbers
    count = int(table["points"])
    if table.get("spacing") == "log" and first > 0.0 and last > 0.0:
        return np.asarray(np.geomspace(first, last, count))
    return np.linspace(first, last, count)


def run_map(
    plan: MapPlan,
    *,
    folder: str | Path | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
    picture: Callable[[str], None] | None = None,
) -> MapResult:
    """Compute a map, or go on with one that was interrupted, and write its files.

    Parameters
    ----------
    folder : where map.h5 and pictures go, by convention results/<case>.sweep; None writes none.
    workers, progress : as for :func:`sawfem.planewave.maps.compute_map`.
    picture : called with the name of every quantity before it is drawn.

    Raises
    ------
    OutputError : the folder cannot be written, or holds the map of another case file.
    KeyboardInterrupt : passed on once what is done stands in map.h5.
    """
    if folder is None:
        return MapResult(compute_map(plan.asked, workers=workers, progress=progress), ())
    from sawfem.export.map_hdf5 import FILE_NAME, MapOrigin, read_map, write_map
    from sawfem.export.places import source_from

    place = Path(folder)
    _prepare(place, plan.case)
    target = place / FILE_NAME
    origin = MapOrigin(
        title=plan.case.title,
        case_source=plan.case.text,
        resolved=plan.case.resolved().to_dict(),
        source=source_from(place, plan.case.source),
        materials=plan.design.entries,
        versions=current_versions(),
    )

    def keep(part: WaveMap) -> None:
        write_map(part, target, origin)

    known = read_map(target, plan.asked) if target.exists() else None
    found = compute_map(
        plan.asked,
        workers=workers,
        progress=progress,
        known=known,
        keep=keep,
    )
    files = [write_map(found, target, origin)]
    from sawfem.plot.maps import draw_map

    files += draw_map(found, place, title=plan.case.title, each=picture)
    return MapResult(found, tuple(path.as_posix() for path in files))


def _prepare(place: Path, case: Case) -> None:
    """Make the folder, and refuse one with the map of another case file."""
    from sawfem.export.map_hdf5 import FILE_NAME, map_source
    from sawfem.export.places import source_from

    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(place, error, ANOTHER_OUT) from error
    target = place / FILE_NAME
    if not target.exists():
        return
    try:
        known = map_source(target)
    except InputError as error:
        raise OutputError(
            file=target.as_posix(),
            found=error.found or error.message,
            expected="a map, or nothing yet; move the file, or name another folder with --out",
        ) from None
    asked = source_from(place, case.source)
    if known and asked and known != asked:
        raise OutputError(
            file=place.as_posix(),
            found=f"the map of another case file, {known}",
            expected="a folder of its own for each case file: name one with --out",
        )
