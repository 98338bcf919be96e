"""Shipped and own material sets by name, and local variants of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from sawfem import symmetry
from sawfem.datafiles import read_toml, shipped_file, shipped_names
from sawfem.errors import MaterialError, NotFoundError, nearest
from sawfem.material import reading
from sawfem.material.model import Material
from sawfem.tensors import Array


def list_materials() -> tuple[str, ...]:
    """Names "crystal/publication" of the shipped sets, sorted."""
    return shipped_names("materials")


def load_material(name: str, *, base: Path | str | None = None) -> Material:
    """Read a material set.

    Parameters
    ----------
    name : "crystal/publication" of a shipped set, for example "lithium-niobate/kovacs-1990"; or
        the path of a file: it starts with "./", "../" or "/" or ends with ".toml".
    base : folder that relative paths start from. Default: the working folder.

    Raises
    ------
    NotFoundError : no such set; names the nearest.
    MaterialError : only the crystal is named (lists its sets); or the file cannot be read,
        has an unknown or missing key, or constants that contradict one another.
    """
    if not isinstance(name, str) or not name.strip():
        raise MaterialError(found=repr(name)[:40], expected='a name such as "quartz/bechmann-1958"')
    if name.startswith(("./", "../", "/")) or name.endswith(".toml"):
        return _read(Path(base or ".") / name, name, Path(name).stem)
    names = list_materials()
    if name not in names:
        raise _not_shipped(name, names)
    return _shipped(name)


@cache
def _shipped(name: str) -> Material:
    """A shipped set; read once, since Material cannot change."""
    return _read(shipped_file("materials", name), name, name.rpartition("/")[2])


def _read(path: Path, name: str, publication: str) -> Material:
    table = read_toml(path, shown=name, error=MaterialError)
    try:
        return reading.material_from_table(table, name=name, publication=publication)
    except MaterialError as error:
        raise error.located(file=name) from None


def _not_shipped(name: str, names: tuple[str, ...]) -> MaterialError | NotFoundError:
    shown = f'"{name[:60]}"'
    sets = [full for full in names if full.partition("/")[0] == name.strip("/")]
    if sets:
        count = f"{len(sets)} sets" if len(sets) > 1 else "one set"
        return MaterialError(
            found=f"{shown}, a crystal with {count}",
            expected=("one of " if len(sets) > 1 else "") + ", ".join(sets),
        )
    crystal = name.partition("/")[0]
    near = [full for full in names if full.partition("/")[0] == crystal]
    near = near or [full for full in names if _shipped(full).formula.lower() == name.lower()]
    near = near or nearest(name, names)
    if not near:
        crystals = dict.fromkeys(full.partition("/")[0] for full in names)
        near_crystals = nearest(crystal, crystals)
        near = [full for full in names if full.partition("/")[0] in near_crystals]
    hint = (
        f"a shipped set, nearest: {', '.join(near)}"
        if near
        else "a shipped set, or a path that starts with ./"
    )
    return NotFoundError(found=f"{shown}, an unknown set", expected=hint)


_OVERRIDES = (
    "density",
    "mechanical_q",
    "resistivity_ohm_m",
    "source",
    "mark",
    "note",
    *reading.ELASTIC_PAIR,
    *reading.CONSTANT_TABLES,
    *reading.IMPERFECTIONS,
)


def material_variant(base: Material, name: str, overrides: Mapping[str, Any]) -> Material:
    """A set that differs from another in some values.

    Parameters
    ----------
    base : the set to start from.
    name : of the variant.
    overrides : keys and units of a material file: density, mechanical_q, resistivity_ohm_m,
        note, source, mark, youngs_modulus_GPa and poisson_ratio (isotropic), tables of
        constants, of which only the changed ones need be named, and viscosity_Pa_s, loss_tangent
        and uncertainty, which replace those of the base and need no source of their own.

    Returns
    -------
    Material : its mark is "unconfirmed" and its source tells what was changed, unless the
        overrides say otherwise or touch neither density nor constants. Temperature
        coefficients are those of the base.

    Raises
    ------
    MaterialError : as for a material file; its key is the key inside ``overrides``.
    """
    reading.refuse_unknown_keys(overrides, _OVERRIDES)
    changes: dict[str, Any] = {"name": name}
    if "density" in overrides:
        changes["density"] = reading.positive(overrides, "density")
    for key, attribute in (("mechanical_q", "mechanical_q"), ("resistivity_ohm_m", "resistivity")):
        if key in overrides:
            changes[attribute] = reading.positive(overrides, key)
    changes.update(_changed_matrices(base, overrides))
    data = sorted({"density", "stiffness", "piezoelectric", "permittivity"} & changes.keys())
    if data:
        changes["source"] = f"{base.source}; changed locally: {', '.join(data)}"
        changes["mark"] = "unconfirmed"
        changes["marks"] = {}
    if "mark" in overrides:
        changes["mark"] = reading.mark(overrides, "mark")
    for key in ("source", "note"):
        if key in overrides:
            changes[key] = reading.text(overrides, key)
    changes |= reading.imperfections(
        overrides,
        base.point_group,
        source=str(changes.get("source", "set locally")),
        mark_of=str(changes.get("mark", "unconfirmed")),
    )
    return replace(base, **changes)


def _changed_matrices(base: Material, overrides: Mapping[str, Any]) -> dict[str, Array]:
    changed: dict[str, Array] = {}
    if any(key in overrides for key in reading.ELASTIC_PAIR):
        pair = _elastic_pair(base) | {k: v for k, v in overrides.items() if k not in ("density",)}
        changed["stiffness"] = reading.stiffness(pair, base.point_group)
    kinds: tuple[symmetry.Kind, ...] = ("stiffness", "piezoelectric", "permittivity")
    for kind in kinds:
        if kind not in changed and reading.has(overrides, kind):
            changed[kind] = _merged(base, kind, overrides)
    return changed


def _elastic_pair(base: Material) -> dict[str, float]:
    """Young's modulus (GPa) and Poisson's ratio of an isotropic base; empty for others."""
    if base.point_group != "isotropic":
        return {}
    c11, c12 = base.stiffness[0, 0], base.stiffness[0, 1]
    ratio = c12 / (c11 + c12)
    modulus = (c11 - c12) * (1.0 + ratio)
    return {"youngs_modulus_GPa": modulus / 1e9, "poisson_ratio": ratio}


def _merged(base: Material, kind: symmetry.Kind, overrides: Mapping[str, Any]) -> Array:
    """Matrix in SI from the changed constants and, where they leave it open, the base's.

    A changed c66 makes the base's c12 yield, as the changed names are taken first.
    """
    key, changed, unit = reading.constants_of_table(overrides, kind)
    group = base.point_group
    constants = {name: value * unit for name, value in changed.items()}
    kept = {n: v for n, v in base.constants(kind).items() if n not in constants}
    yielding = sorted(kept, key=lambda constant: constant == "c12")
    try:
        known = [name for name in constants if name in symmetry.constant_names(kind)]
        chosen = symmetry.choose(group, kind, [*known, *yielding])
        constants |= {name: kept[name] for name in yielding if name in chosen}
        return symmetry.expand(group, kind, constants, first=known)
    except MaterialError as error:
        place = f"{key}.{error.key}" if error.key else key
        raise MaterialError(
            error.message, key=place, found=error.found, expected=error.expected
        ) from None
