"""What an answer depends on, as digests: the case at a point, its materials, the numerics.

Two points with one key have one answer, whatever sweep they belong to and on whatever machine
they were computed.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path

from sawfem import __version__
from sawfem.case import Case, ResolvedCase
from sawfem.case.plain import to_toml
from sawfem.datafiles import shipped_file
from sawfem.errors import SawfemError
from sawfem.material import AIR_NAME
from sawfem.sweep.keeping import DEVICE, GRATINGS, WAVES
from sawfem.sweep.plan import SweepPlan, without_studies

#: Rooms whose text decides the numbers of a point.
_NUMERICS = (
    "conventions.py",
    "tensors.py",
    "pointgroups.py",
    "symmetry.py",
    "orientation.py",
    "platenotation.py",
    "stacks.py",
    "strips.py",
    "films.py",
    "design.py",
    "touchstone.py",
    "material",
    "case",
    "planewave",
    "unitcell",
    "extract",
    "device",
    "measured",
    "pipeline/build.py",
    "pipeline/assemblies.py",
    "pipeline/beams.py",
    "pipeline/circuits.py",
    "pipeline/devices.py",
    "pipeline/fingers.py",
    "pipeline/fitted.py",
    "pipeline/transverse.py",
    "pipeline/execute.py",
    "sweep/point.py",
)
#: Keys of a resolved case on which no answer of a point depends.
_ASIDE = frozenset(
    {
        "title",
        "limits",
        "specification_temperatures",
        "specification_hold_constant",
        "frequency_temperature_coefficient",
        "design",
        "measurements",
        "fit",
        "include",
    }
)
#: Keys on which answers of each level depend in addition to those of the level below.
_FOR_GRATINGS = frozenset({"overcoat", "accuracy"})
_FOR_DEVICES = frozenset(
    {"device", "resonators", "lumps", "networks", "tracks", "bands", "transverse"}
)


@cache
def numerics() -> str:
    """Digest of the program text that makes the numbers, with its version."""
    home = Path(__file__).resolve().parents[1]
    digest = hashlib.sha256(__version__.encode())
    for name in _NUMERICS:
        place = home / name
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            digest.update(path.relative_to(home).as_posix().encode())
            digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return f"{__version__}+{digest.hexdigest()[:12]}"


class Identity:
    """Keys of the points of one sweep.

    Parameters
    ----------
    plan : the sweep. Texts of materials and of other files are read once and kept as digests.
    """

    def __init__(self, plan: SweepPlan) -> None:
        self._case, self._level = plan.case, plan.keep.level
        self._digests: dict[str, str] = {}
        self._plan = plan
        self._whole = ""

    def of(self, case: ResolvedCase) -> bytes:
        """Key of the answer for a case, 16 bytes.

        Raises
        ------
        NotFoundError, MaterialError : a material that is not there; the point cannot be computed.
        """
        tree = case.to_dict()
        kept = {key: value for key, value in tree.items() if key not in self._aside()}
        if self._level == WAVES:
            # Plane waves see of a grating the wavelength alone.
            kept["gratings"] = {name: item.period for name, item in case.gratings.items()}
        else:
            kept["networks"] = (
                {name: self._of_file(item.file) for name, item in case.networks.items()}
                if self._level == DEVICE
                else {}
            )
        used = _crystals(case) if self._level == WAVES else _materials(case)
        kept["materials"] = {name: self.material(case, name) for name in used}
        kept["numerics"], kept["level"] = numerics(), self._level
        text = json.dumps(kept, sort_keys=True, allow_nan=False)
        return hashlib.sha256(text.encode()).digest()[:16]

    def _aside(self) -> frozenset[str]:
        aside = _ASIDE
        if self._level in (WAVES, GRATINGS):
            aside = aside | _FOR_DEVICES
        return aside | _FOR_GRATINGS if self._level == WAVES else aside

    def of_plan(self) -> str:
        """Digest of the whole sweep: the same for one whose points all have the same keys."""
        if self._whole:
            return self._whole
        plan = self._plan
        resolved = plan.case.resolved()
        names = self._all_materials(resolved)
        tree = {
            "case": without_studies(plan.case),
            "sweep": dict(plan.table),
            "materials": {name: self.material(resolved, name) for name in names},
            "networks": {n: self._of_file(item.file) for n, item in resolved.networks.items()},
            "numerics": numerics(),
        }
        text = json.dumps(tree, sort_keys=True, default=str)
        self._whole = hashlib.sha256(text.encode()).hexdigest()
        return self._whole

    def of_place(self, place: int) -> bytes:
        """Key of a point whose case cannot be made: it belongs to this sweep alone."""
        return hashlib.sha256(f"{self.of_plan()} {place}".encode()).digest()[:16]

    def entries(self) -> dict[str, dict[str, str]]:
        """Texts, digests and sources of the materials of the sweep, as a result keeps them."""
        from sawfem.material import load_material
        from sawfem.result import material_entry

        resolved, found = self._plan.case.resolved(), {}
        for name in self._all_materials(resolved):
            variant = resolved.materials.get(name)
            if variant is not None:
                text = to_toml({"material": [{"name": name, **variant}]})
                found[name] = material_entry(text, f"like {variant['like']}", "variant")
                continue
            try:
                material = load_material(name, base=self._case.base)
                text = material_file(self._case, name).read_text(encoding="utf-8-sig")
            except (SawfemError, OSError):
                continue  # the points that need it have failed and say so
            found[name] = material_entry(text, material.source, material.mark)
        return found

    def _all_materials(self, resolved: ResolvedCase) -> list[str]:
        """Names of the case, and those that its axes put in."""
        swept = {
            str(value)
            for axis in self._plan.axes
            if axis.key.endswith(("material", "metal", "like"))
            for value in axis.values
        }
        return sorted(set(_materials(resolved)) | swept)

    def material(self, case: ResolvedCase, name: str) -> str:
        """Digest of a material's text; of a variant, its own table and what it is like."""
        variant = case.materials.get(name)
        if variant is not None:
            own = to_toml({"material": [{"name": name, **variant}]})
            like = self.material(case, str(variant["like"]))
            return hashlib.sha256(f"{own}{like}".encode()).hexdigest()
        if name == AIR_NAME:
            return AIR_NAME
        if name not in self._digests:
            self._digests[name] = self._of_file(material_file(self._case, name))
        return self._digests[name]

    @staticmethod
    def _of_file(path: Path) -> str:
        try:
            raw = path.read_bytes()
        except OSError:
            return "missing"
        return hashlib.sha256(raw.replace(b"\r\n", b"\n")).hexdigest()


def material_file(case: Case, name: str) -> Path:
    """File of a material that a case names, be it shipped or beside the case."""
    if name.startswith(("./", "../", "/")) or name.endswith(".toml"):
        return case.base / name
    return shipped_file("materials", name)


def _materials(case: ResolvedCase) -> list[str]:
    """Names of all materials that a case uses."""
    found = [*_crystals(case), *(item.material for item in case.overcoat)]
    for grating in case.gratings.values():
        found += [film.material for strip in grating.electrodes for film in strip.films]
    return sorted(set(found))


def _crystals(case: ResolvedCase) -> list[str]:
    """Names of the materials of substrate and layers."""
    return sorted({case.substrate.material, *(layer.material for layer in case.layers)})
