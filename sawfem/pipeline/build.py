"""From a resolved case to what the solvers take: materials, the stack, the unit cells.

Every mistake that only shows here (a material file, an orientation, a metal that is none) is told
at the key of the case where it was made.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sawfem.case import (
    ResolvedCase,
    ResolvedCrystal,
    ResolvedElectrode,
    ResolvedGrating,
    ResolvedOvercoat,
    ResolvedResonator,
    ResolvedResonatorDevice,
    ResolvedTransversalDevice,
)
from sawfem.case.keypath import UNNAMED
from sawfem.case.plain import to_toml
from sawfem.case.reader import located
from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.datafiles import shipped_file
from sawfem.design import Electrode, Film, Layer, Overcoat, Stack, UnitCell
from sawfem.errors import CaseError, MaterialError, SawfemError
from sawfem.extract.heated_cell import heated_cell
from sawfem.material import AIR, AIR_NAME, Material, load_material, material_variant
from sawfem.orientation import Orientation
from sawfem.quartz import orientation_warnings
from sawfem.result import material_entry
from sawfem.unitcell.perturbation import cell_materials
from sawfem.units import format_quantity


@dataclass(frozen=True)
class Design:
    """What a case describes.

    Attributes
    ----------
    stack : substrate and layers.
    cells : the unit cell of every grating, by its name, in the order of the file.
    materials : every material that is used, by the name that the case gives it.
    entries : the same with their TOML, digest, source and provenance, as a result keeps them.
    warnings : sentences about orientations and materials that may not be what was meant.
    """

    stack: Stack
    cells: Mapping[str, UnitCell]
    materials: Mapping[str, Material]
    entries: Mapping[str, Mapping[str, str]]
    warnings: tuple[str, ...]


def build(case: ResolvedCase) -> Design:
    """Load the materials of a case and set up its stack and unit cells.

    Raises
    ------
    CaseError, MaterialError, NotFoundError, OrientationError, GeometryError : with the file and
        the key of the case, or those of a material's own file.
    """
    library = _Library(case)
    warnings: list[str] = []
    substrate = library.load(case.substrate.material, "substrate.material")
    turned = _orientation(case, case.substrate, "substrate")
    warnings += orientation_warnings(substrate, turned)
    layers = []
    for index, film in enumerate(case.layers):
        place = f"layer.{film.name}" if film.name else f"layer[{index}]"
        material = library.load(film.material, f"{place}.material")
        orientation = _orientation(case, film, place)
        warnings += orientation_warnings(material, orientation)
        with _at(case, {"layer": place}):
            layers.append(Layer(material, orientation, film.thickness, film.potential))
    with _at(case, {}):
        stack = Stack(substrate, orientation=turned, layers=layers, shorts=case.shorts)
    coats = _overcoats(case, library)
    cells = {
        name: _cell(case, stack, grating, coats, library, grating_key(name))
        for name, grating in case.gratings.items()
    }
    _check_gap(case)
    if case.temperature != REFERENCE_TEMPERATURE and cells:
        with _at(case, {}), _heated(case):
            cells = {
                name: heated_cell(cell, case.temperature, hold_constant=held_constant(case, cell))
                for name, cell in cells.items()
            }
        stack = next(iter(cells.values())).stack
    counts = case.temperature != REFERENCE_TEMPERATURE or "temperature" in case.include
    if case.hold_constant and cells and counts:
        held = ", ".join(case.hold_constant)
        warnings.append(f"kept constant in temperature, as hold_constant asks: {held}")
    warnings += library.warnings()
    return Design(stack, cells, library.loaded, library.entries(), tuple(dict.fromkeys(warnings)))


def grating_key(name: str) -> str:
    """Key of a grating in messages: "grating", or "grating.series" where it has a name."""
    return "grating" if name == UNNAMED else f"grating.{name}"


@contextmanager
def _at(case: ResolvedCase, places: Mapping[str, str]) -> Iterator[None]:
    """Tell errors of the design at the keys of the case: "layer.x" as places["layer"] + ".x"."""
    try:
        yield
    except MaterialError:
        raise
    except SawfemError as error:
        head, _, tail = (error.key or "").partition(".")
        key = ".".join(filter(None, (places.get(head, head), tail)))
        raise located(error, case.file, key) from None


@contextmanager
def _heated(case: ResolvedCase) -> Iterator[None]:
    """Tell what a set lacks for another temperature at the key that asks for that temperature."""
    try:
        yield
    except MaterialError as error:
        if error.key not in ("temperature", "expansion"):
            raise
        raise CaseError(
            file=case.file,
            key="conditions.temperature",
            found=f"{case.temperature:g} degC, and in {error.file} {error.found}",
            expected=f"{REFERENCE_TEMPERATURE:g} degC, or conditions.hold_constant naming what "
            "shall not change",
        ) from None


def _orientation(case: ResolvedCase, crystal: ResolvedCrystal, place: str) -> Orientation:
    key = "euler" if crystal.cut is None else "rotations" if crystal.rotations else "cut"
    try:
        if crystal.cut is not None:
            return Orientation.from_plate(crystal.cut, crystal.rotations)
        return Orientation.from_euler(*(crystal.euler or (0.0, 0.0, 0.0)))
    except SawfemError as error:
        raise located(error, case.file, f"{place}.{key}") from None


def _cell(
    case: ResolvedCase,
    stack: Stack,
    grating: ResolvedGrating,
    coats: Sequence[Overcoat],
    library: _Library,
    place: str,
) -> UnitCell:
    """The unit cell of one grating; mistakes are told at their keys of the case."""
    strips = [
        _strip(case, grating, drawn, library, _strip_key(grating, drawn, place))
        for drawn in grating.left_to_right
    ]
    names = {f"overcoat[{i}]": _coat_key(film, i) for i, film in enumerate(case.overcoat)}
    with _at(case, {"electrode": place, "grating": place, **names}):
        return UnitCell(stack, strips, grating.period, overcoat=coats, recess=grating.recess)


def held_constant(case: ResolvedCase, cell: UnitCell) -> dict[str, tuple[str, ...]]:
    """What temperature leaves as it is, by material of a cell.

    conditions.hold_constant names parts or constants of all materials, or "SET: part" of one.

    Raises CaseError for a set that is not in the cell.
    """
    found: dict[str, list[str]] = {material.name: [] for material in cell_materials(cell)}
    for entry in case.hold_constant:
        name, colon, part = (text.strip() for text in entry.partition(":"))
        if colon and name not in found:
            raise CaseError(
                file=case.file,
                key="conditions.hold_constant",
                found=f'"{name}"',
                expected=" or ".join(found),
            )
        for material in [name] if colon else found:
            found[material].append(part if colon else name)
    return {name: tuple(parts) for name, parts in found.items()}


def connections_of(case: ResolvedCase, name: str) -> tuple[str, ...] | None:
    """Where the electrodes of a cell are tied, left to right; None for one of one electrode.

    Raises CaseError for one of several electrodes that is tied to nothing.
    """
    grating = case.gratings[name]
    strips = grating.left_to_right
    if len(strips) == 1:
        return None
    for strip in strips:
        if strip.connection is None:
            raise CaseError(
                file=case.file,
                key=f"{_strip_key(grating, strip, grating_key(name))}.connection",
                found="nothing",
                expected='"hot", "ground" or "floating", in a cell of several electrodes',
            )
    return tuple(strip.connection or "" for strip in strips)


def _strip_key(grating: ResolvedGrating, drawn: ResolvedElectrode, place: str) -> str:
    if not grating.drawn_in_full:
        return place
    index = next(i for i, strip in enumerate(grating.electrodes) if strip is drawn)
    return f"{place}.electrode.{drawn.name}" if drawn.name else f"{place}.electrode[{index}]"


def _coat_key(film: ResolvedOvercoat, index: int) -> str:
    return f"overcoat.{film.name}" if film.name else f"overcoat[{index}]"


def _strip(
    case: ResolvedCase,
    grating: ResolvedGrating,
    drawn: ResolvedElectrode,
    library: _Library,
    place: str,
) -> Electrode:
    """An electrode with its films, from the foot up."""
    metals = []
    for number, film in enumerate(drawn.films):
        key = f"{place}.metal" if len(drawn.films) == 1 else f"{place}.film[{number}].material"
        metal = library.load(film.material, key)
        if not metal.is_conductor:
            raise CaseError(
                file=case.file,
                key=key,
                found=f"{metal.name}, which does not conduct",
                expected='a metal, for example "aluminium/kaye-laby"',
            )
        metals.append(metal)
    with _at(case, {"electrode": place}):
        films = [
            Film(metal, film.thickness) for metal, film in zip(metals, drawn.films, strict=True)
        ]
        return Electrode.of_films(
            films,
            drawn.width,
            centre=drawn.centre if grating.drawn_in_full else None,
            sidewall_angle=drawn.sidewall_angle,
            footing=drawn.footing,
        )


def _overcoats(case: ResolvedCase, library: _Library) -> list[Overcoat]:
    found = []
    for index, film in enumerate(case.overcoat):
        place = _coat_key(film, index)
        material = library.load(film.material, f"{place}.material")
        with _at(case, {"overcoat": place}):
            found.append(Overcoat(material, film.thickness, top=film.top))
    return found


def _check_gap(case: ResolvedCase) -> None:
    """Refuse, before anything is computed, a gap in which two electrodes touch."""
    device = case.device
    if isinstance(device, ResolvedResonatorDevice):
        part: ResolvedResonator | ResolvedTransversalDevice = device.resonator
        if not any(device.resonator.reflector_fingers):
            return
    elif isinstance(device, ResolvedTransversalDevice):
        part = device
    else:
        return
    width = _beside(case, device)
    if part.gap <= width:
        raise CaseError(
            file=case.file,
            key="device.gap",
            found=format_quantity(part.gap, "m", digits=6),
            expected=f"more than the electrode width, {format_quantity(width, 'm', digits=6)}: "
            "a gap runs from centre to centre",
        )


def _beside(
    case: ResolvedCase, device: ResolvedResonatorDevice | ResolvedTransversalDevice
) -> float:
    """Half the widths of the electrodes on both sides of a gap added up, m; the largest sum."""
    if isinstance(device, ResolvedTransversalDevice):
        strips = case.gratings[device.grating].left_to_right
        turned, other = device.mirrored
        return 0.5 * (strips[0 if turned else -1].width + strips[-1 if other else 0].width)
    part = device.resonator
    one, mirror = (
        case.gratings[name].left_to_right
        for name in (part.grating, part.reflector_grating or part.grating)
    )
    return 0.5 * max(mirror[-1].width + one[0].width, one[-1].width + mirror[0].width)


class _Library:
    """Materials of one case: shipped sets, files beside it, and its own [[material]] tables."""

    def __init__(self, case: ResolvedCase) -> None:
        self.case = case
        self.loaded: dict[str, Material] = {}
        self._texts: dict[str, str] = {}

    def load(self, name: str, key: str) -> Material:
        """The material called ``name`` at ``key`` of the case, read once."""
        if name == AIR_NAME and name not in self.case.materials:
            return AIR
        if name not in self.loaded:
            variant = self.case.materials.get(name)
            self.loaded[name] = self._read(name, key) if variant is None else self._variant(name)
        return self.loaded[name]

    def _read(self, name: str, key: str) -> Material:
        """A material set by name or path, its text kept for the result."""
        path = self._path(name)
        if path is not None and not path.is_file():
            raise CaseError(
                file=self.case.file,
                key=key,
                found=f'"{name}", {"a folder" if path.is_dir() else "no such file"}',
                expected="a material file; relative paths start at the folder of the case",
            )
        try:
            material = load_material(name, base=self.case.base)
        except SawfemError as error:
            # A mistake inside the material's own file is told there.
            raise error if error.file else located(error, self.case.file, key) from None
        source = path or shipped_file("materials", name)
        self._texts[name] = source.read_text(encoding="utf-8-sig")
        return material

    def _path(self, name: str) -> Path | None:
        """File of a material named by a path, or None for a shipped set."""
        is_path = name.startswith(("./", "../", "/")) or name.endswith(".toml")
        return self.case.base / name if is_path else None

    def _variant(self, name: str) -> Material:
        written: dict[str, Any] = dict(self.case.materials[name])
        place = f"material.{name}"
        base = self.load(written["like"], f"{place}.like")
        overrides = {key: value for key, value in written.items() if key != "like"}
        try:
            material = material_variant(base, name, overrides)
        except SawfemError as error:
            key = ".".join(filter(None, (place, error.key)))
            raise located(error, self.case.file, key) from None
        self._texts[name] = to_toml({"material": [{"name": name, **written}]})
        return material

    def entries(self) -> dict[str, Mapping[str, str]]:
        """TOML, digest, source and provenance of every material."""
        return {
            name: material_entry(self._texts[name], material.source, material.mark)
            for name, material in self.loaded.items()
        }

    def warnings(self) -> list[str]:
        """Sets whose digits nobody has confirmed."""
        return [
            f"{name}: constants are marked unconfirmed ({material.source or 'no source given'})"
            for name, material in self.loaded.items()
            if material.mark == "unconfirmed"
        ]
