"""What is built, in SI: crystals, layers, gratings, overcoat."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from sawfem.case.reader import Reader, located, top_width
from sawfem.case.resolved_structure import (
    ResolvedCrystal,
    ResolvedElectrode,
    ResolvedFilm,
    ResolvedFitted,
    ResolvedGrating,
    ResolvedLayer,
    ResolvedOvercoat,
)
from sawfem.datafiles import shipped_names
from sawfem.errors import SawfemError
from sawfem.units import format_quantity, shown

#: Substrate of a membrane; the name that the library of materials gives it.
AIR = "air"

_PLATE = re.compile(r"\(\s*[XYZxyz]{2}(?P<turns>[lwtLWT]{0,3})\s*\)(?P<angles>.*)", re.DOTALL)
#: A rotated cut as it is spoken of: 128YX, 128° Y-X, ST-X is none of them.
_SPOKEN = re.compile(
    r"(?P<angle>[-+]?[0-9]+(\.[0-9]*)?)\s*(deg|\u00b0)?\s*-?(?P<axes>[XYZ]-?[XYZ])(-?cut)?",
    re.IGNORECASE,
)
_PLATE_WORDS = 'plate notation of IEEE Std 176, such as "(YXl)128"'


@cache
def _shipped() -> frozenset[str]:
    return frozenset(shipped_names("materials"))


def material(reader: Reader, variants: Mapping[str, Any], key: str = "material") -> str:
    """Name of a material: of a variant in the case, a path, or a set of the library."""
    name = str(reader.need(key, '"quartz/bechmann-1958"'))
    if name in variants:
        return name
    if name == AIR:
        if reader.location == ("substrate",):
            return name
        raise reader.refuse(key, f'"{AIR}"', "a body; air lies below a membrane, as substrate")
    _check_set(name, reader, key)
    return name


def _check_set(name: str, reader: Reader, key: str) -> None:
    """Refuse a name that is neither a path nor a shipped set, in the words of the library."""
    if name.startswith(("./", "../", "/")) or name.endswith(".toml"):
        return
    if name in _shipped():
        return
    from sawfem.material import load_material  # brings in NumPy: only for its message

    try:
        load_material(name)
    except SawfemError as error:
        raise located(error, reader.place.file, reader.key(key)) from None


def variants(readers: Iterable[Reader]) -> dict[str, dict[str, Any]]:
    """[[material]] by name, each with its keys as written; chains of ``like`` must end."""
    found: dict[str, dict[str, Any]] = {}
    members = list(readers)
    for reader in members:
        name = reader.table["name"]
        if name in found:
            raise reader.refuse("name", f'a second material "{name}"', "unique names")
        found[name] = {key: value for key, value in reader.table.items() if key != "name"}
    for reader in members:
        chain = [reader.table["name"]]
        while (parent := found[chain[-1]]["like"]) in found:
            if parent in chain:
                names = " like ".join([*chain, parent])
                raise reader.refuse("like", f"a circle, {names}", "a set of the library at its end")
            chain.append(parent)
        if len(chain) == 1:
            _check_set(parent, reader, "like")
    return found


def crystal(reader: Reader, known: Mapping[str, Any]) -> ResolvedCrystal:
    """Material and orientation of a substrate or layer."""
    name = material(reader, known)
    euler = reader.angles("euler")
    rotations = reader.angles("rotations")
    if euler and "cut" in reader:
        raise reader.refuse("cut", "euler and cut", "one of the two")
    if rotations and "cut" not in reader:
        raise reader.refuse("rotations", "rotations without cut", 'cut, such as "(YXl)", beside')
    if "cut" not in reader:
        return ResolvedCrystal(name, euler=(euler[0], euler[1], euler[2]) if euler else None)
    cut = reader.table["cut"]
    match = _PLATE.fullmatch(cut)
    if match is None:
        raise reader.refuse("cut", shown(cut), _plate_words(cut))
    if rotations:
        if match["angles"].strip():
            raise reader.refuse(
                "rotations", f"rotations beside the angles in {shown(cut)}", "one of the two"
            )
        turns = len(match["turns"])
        if turns != len(rotations):
            raise reader.refuse(
                "rotations",
                f"{len(rotations)} for the {turns} in {shown(cut)}",
                f"{turns} angle{'s' * (turns != 1)}",
            )
    return ResolvedCrystal(name, cut=cut, rotations=rotations)


def _plate_words(cut: str) -> str:
    """What plate notation looks like; of a cut as it is spoken of, what it would be."""
    spoken = _SPOKEN.fullmatch(cut.strip())
    if spoken is None:
        return _PLATE_WORDS
    axes = spoken["axes"].replace("-", "").upper()
    return f'plate notation of IEEE Std 176, such as "({axes}l){spoken["angle"]}"'


def layers(
    readers: Iterable[Reader], known: Mapping[str, Any], wavelength: float | None
) -> tuple[ResolvedLayer, ...]:
    """Layers from the substrate upwards."""
    found = []
    for reader in readers:
        oriented = crystal(reader, known)
        found.append(
            ResolvedLayer(
                material=oriented.material,
                euler=oriented.euler,
                cut=oriented.cut,
                rotations=oriented.rotations,
                name=reader.table.get("name", ""),
                thickness=reader.length("thickness", "thickness", wavelength=wavelength),
                potential=reader.table.get("potential"),
            )
        )
    return tuple(found)


def shorts(substrate: Reader, layers: Iterable[Reader]) -> tuple[int, ...]:
    """Interfaces with a perfect conductor without mass: 0 on the substrate, then upwards."""
    members = (substrate, *layers)
    return tuple(index for index, item in enumerate(members) if item.table.get("short", False))


def overcoat(
    readers: Iterable[Reader], known: Mapping[str, Any], wavelength: float | None
) -> tuple[ResolvedOvercoat, ...]:
    """Films over the electrodes, upwards."""
    return tuple(
        ResolvedOvercoat(
            material=material(reader, known),
            thickness=reader.length("thickness", "thickness", wavelength=wavelength),
            top=reader.table.get("top", "conformal"),
            name=reader.table.get("name", ""),
        )
        for reader in readers
    )


def grating(reader: Reader, name: str, known: Mapping[str, Any]) -> ResolvedGrating:
    """A grating of one electrode per pitch, or a cell drawn in full."""
    if "pitch" in reader and "period" in reader:
        raise reader.refuse("period", "pitch and period", "one of the two")
    if "period" in reader:
        return _drawn_in_full(reader, name, known)
    pitch = reader.length("pitch", "pitch")
    if "electrode" in reader:
        raise reader.refuse(
            "electrode", "electrodes beside a pitch", "period in place of pitch, metal, thickness"
        )
    metal = material(reader, known, "metal")
    thickness = reader.length("thickness", "thickness", wavelength=2.0 * pitch)
    ratio = reader.ratio("metallisation_ratio", "0.5")
    angle = reader.angle("sidewall_angle", "sidewall", 90.0)
    width = ratio * pitch
    _check_sidewall(reader, width, thickness, angle, pitch)
    electrode = ResolvedElectrode("", pitch / 2.0, width, angle, (ResolvedFilm(metal, thickness),))
    recess = reader.length("recess", "thickness", wavelength=2.0 * pitch, default=0.0)
    return ResolvedGrating(name, pitch, pitch, (electrode,), ratio, recess, fitted=_fitted(reader))


def _fitted(reader: Reader) -> ResolvedFitted | None:
    """Constants that stand in for the computed ones."""
    table = reader.table.get("fitted")
    return ResolvedFitted(**{key: float(value) for key, value in table.items()}) if table else None


def _drawn_in_full(reader: Reader, name: str, known: Mapping[str, Any]) -> ResolvedGrating:
    period = reader.length("period", "period")
    for key in ("metal", "thickness", "metallisation_ratio", "sidewall_angle"):
        if key in reader:
            raise reader.refuse(
                key, f"{key} beside a period", "it in each [[grating.electrode]], or pitch"
            )
    members = reader.below("electrode")
    if not members:
        raise reader.missing("electrode", "one [[grating.electrode]] or more beside a period")
    electrodes = tuple(_electrode(member, period, known) for member in members)
    _check_apart(members, electrodes, period)
    recess = reader.length("recess", "thickness", wavelength=period, default=0.0)
    return ResolvedGrating(
        name, None, period, electrodes, None, recess, drawn_in_full=True, fitted=_fitted(reader)
    )


def _electrode(reader: Reader, period: float, known: Mapping[str, Any]) -> ResolvedElectrode:
    centre = reader.length("centre", "position", wavelength=period)
    width = reader.length("width", "width", wavelength=period)
    angle = reader.angle("sidewall_angle", "sidewall", 90.0)
    if "film" in reader:
        for key in ("metal", "thickness"):
            if key in reader:
                raise reader.refuse(key, f"{key} beside films", "one of the two")
        films = tuple(
            ResolvedFilm(
                material(film, known), film.length("thickness", "thickness", wavelength=period)
            )
            for film in reader.below("film")
        )
    else:
        metal = material(reader, known, "metal")
        thickness = reader.length("thickness", "thickness", wavelength=period)
        films = (ResolvedFilm(metal, thickness),)
    height = sum(film.thickness for film in films)
    _check_sidewall(reader, width, height, angle, period)
    footing = _footing(reader, period)
    connection = reader.table.get("connection") or None
    name = reader.table.get("name", "")
    return ResolvedElectrode(name, centre, width, angle, films, footing, connection)


def _footing(reader: Reader, period: float) -> tuple[float, float] | None:
    """Extent and height of the slope at the foot; both keys or none."""
    keys = ("footing_extent", "footing_height")
    given = [key for key in keys if key in reader]
    if not given:
        return None
    for key in keys:
        if key not in reader:
            raise reader.refuse(key, f"{given[0]} alone", f"{key} beside it")
    extent, height = (reader.length(key, "thickness", wavelength=period) for key in keys)
    return extent, height


def _check_sidewall(
    reader: Reader, width: float, thickness: float, angle: float, period: float
) -> None:
    """Refuse side walls that meet below the top, or overhang into the next electrode."""
    if width >= period:
        raise reader.refuse(
            "width" if "width" in reader else "metallisation_ratio",
            f"an electrode {format_quantity(width, 'm', digits=4)} wide",
            f"less than the period, {format_quantity(period, 'm', digits=4)}",
        )
    top = top_width(width, thickness, angle)
    if 0.0 < top < period:
        return
    sizes = (
        f"{angle:g} deg on {format_quantity(thickness, 'm', digits=4)} of metal "
        f"{format_quantity(width, 'm', digits=4)} wide"
    )
    if top <= 0.0:
        raise reader.refuse(
            "sidewall_angle", f"{sizes}, which leaves no top", "a steeper wall or a thinner metal"
        )
    raise reader.refuse(
        "sidewall_angle", f"{sizes}, which reaches the next electrode", "less overhang"
    )


def _check_apart(
    members: list[Reader], electrodes: tuple[ResolvedElectrode, ...], period: float
) -> None:
    """Refuse electrodes that touch or overlap at the foot, periodic neighbours included."""
    order = sorted(range(len(electrodes)), key=lambda index: electrodes[index].centre)
    for position, index in enumerate(order):
        following = order[(position + 1) % len(order)]
        here, other = electrodes[index], electrodes[following]
        wrap = period if position + 1 == len(order) else 0.0
        free = other.centre + wrap - here.centre - (here.width + other.width) / 2.0
        if free <= 1e-9 * period:  # 1 um + 1 um is not quite 2 um in floating point
            raise members[index].refuse(
                "centre",
                "an electrode that touches the next one of the period",
                "centres and widths that leave a space",
            )
