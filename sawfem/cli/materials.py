"""``sawfem materials``: the shipped sets."""

from __future__ import annotations

import json
from typing import Any

import click

from sawfem.cli import options
from sawfem.cli.screen import encodable, show, table
from sawfem.datafiles import read_toml, shipped_file, shipped_names
from sawfem.errors import SawfemError


@click.command("materials")
@click.argument("name", metavar="[NAME]", required=False)
@options.as_json
@options.quiet
def command(name: str | None, as_json: bool, quiet: bool) -> None:
    """List the shipped material sets, or show one.

    NAME is a set (quartz/bechmann-1958), a crystal or a formula (quartz, SiO2: its sets are
    listed) or the path of a material file of your own.
    """
    names = shipped_names("materials")
    chosen = [full for full in names if full.partition("/")[0] == name] if name else list(names)
    if name and not chosen:
        chosen = [full for full in names if _summary(full)["formula"].lower() == name.lower()]
    if name and not chosen:
        _one(name, as_json, quiet)
        return
    rows = [_summary(full) for full in chosen]
    if as_json:
        click.echo(json.dumps({"format": "sawfem.materials/1", "materials": rows}, indent=2))
    elif not quiet:
        heads = ("Set", "formula", "class", "kg/m^3", "digits")
        cells = [
            (
                str(row["name"]),
                str(row["formula"]),
                str(row["point_group"]),
                f"{row['density_kg_per_m3']:g}",
                str(row["provenance"]),
            )
            for row in rows
        ]
        table(heads, cells, right=(3,))
        show()
        show("sawfem materials SET shows its constants, source and conditions.")


def _summary(name: str) -> dict[str, Any]:
    """What a list says of a set, read from its file without building its tensors."""
    data = read_toml(shipped_file("materials", name), shown=name)
    return {
        "name": name,
        "crystal": data["crystal"],
        "formula": data.get("formula", ""),
        "point_group": data["point_group"],
        "density_kg_per_m3": data["density"],
        "source": data["source"],
        "provenance": data["mark"],
    }


def _one(name: str, as_json: bool, quiet: bool) -> None:
    """All of one set."""
    from sawfem.material import load_material

    try:
        material = load_material(name)
    except SawfemError as error:
        raise error.located(key="NAME") from None
    if not as_json:
        if not quiet:
            show(encodable(material.summary(), None))
        return
    permittivity = material.permittivity
    record = {
        "format": "sawfem.material/1",
        "name": material.name,
        "crystal": material.crystal,
        "formula": material.formula,
        "point_group": material.point_group,
        "density_kg_per_m3": material.density,
        "stiffness_Pa": material.stiffness.tolist(),
        "piezoelectric_C_per_m2": material.piezoelectric.tolist(),
        "permittivity_F_per_m": None if permittivity is None else permittivity.tolist(),
        "resistivity_ohm_m": material.resistivity,
        "mechanical_q": material.mechanical_q,
        "axes": material.axes,
        "conditions": material.conditions,
        "source": material.source,
        "provenance": material.mark,
        "note": material.note,
    }
    click.echo(json.dumps(record, indent=2, ensure_ascii=False))
