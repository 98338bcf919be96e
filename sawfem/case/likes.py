"""``like``: a member that copies another of its list and sets what differs."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from typing import Any

from sawfem.case.messages import Location
from sawfem.errors import CaseError, nearest

#: Keys of which setting one drops the others that were copied.
_INSTEAD = (
    ("pitch", "period"),
    ("euler", "cut"),
    ("inductance", "capacitance", "resistance"),
    ("metal", "film"),
)

#: Lists whose members may be like one another.
_LISTS = ("layer", "grating", "resonator", "lump", "track")

#: Raises the error of a mistake at a location: (location, found, expected).
Refuse = Callable[[Location, str, str], CaseError]


def expand(data: Mapping[str, Any], refuse: Refuse) -> dict[str, Any]:
    """Copy of a case, every list a list, in which no member has ``like`` but [[material]].

    Raises CaseError, made by ``refuse``, for an unknown name and for members in a circle.
    """
    expanded = copy.deepcopy(dict(data))
    for key in _LISTS:
        if key in expanded:
            expanded[key] = _expand_list(expanded[key], (key,), refuse)
    for index, grating in enumerate(expanded.get("grating", ())):
        if "electrode" in grating:
            location = ("grating", index, "electrode")
            grating["electrode"] = _expand_list(grating["electrode"], location, refuse)
    return expanded


def _expand_list(
    members: list[dict[str, Any]], location: Location, refuse: Refuse
) -> list[dict[str, Any]]:
    """Members of one list with what each takes over from the one it is ``like``."""
    named: dict[str, int] = {}
    for index, item in enumerate(members):
        if item.get("name") in named:
            place = (*location, index, "name")
            what = str(location[-1])
            raise refuse(place, f'a second {what} "{item["name"]}"', "unique names")
        if "name" in item:
            named[item["name"]] = index
    done: dict[int, dict[str, Any]] = {}
    for start in range(len(members)):
        chain = [start]
        while chain[-1] not in done and "like" in (item := members[chain[-1]]):
            place = (*location, chain[-1], "like")
            model = named.get(item["like"])
            if model is None:
                near = nearest(item["like"], named, 1)
                hint = f"nearest: {near[0]}" if near else f"one of {', '.join(named) or 'none'}"
                raise refuse(place, f'"{item["like"]}", an unknown name', f"a name, {hint}")
            if model in chain:
                names = [str(members[index].get("name")) for index in (*chain, model)]
                raise refuse(place, f"a circle, {' like '.join(names)}", "a member that ends it")
            chain.append(model)
        for index in reversed(chain):
            if index not in done:
                item = members[index]
                model = named.get(item.get("like", ""))
                done[index] = item if model is None else _copied(done[model], item)
    return [done[index] for index in range(len(members))]


def _copied(model: Mapping[str, Any], item: Mapping[str, Any]) -> dict[str, Any]:
    """Keys of ``model`` that ``item`` neither sets nor replaces by another, and then its own."""
    replaced = {"name", "like"}
    for group in _INSTEAD:
        if any(key in item for key in group):
            replaced.update(group)
    if "cut" in item:
        replaced.add("rotations")
    if "film" in item:
        replaced.add("thickness")
    kept = {key: copy.deepcopy(value) for key, value in model.items() if key not in replaced}
    return {**kept, **{key: value for key, value in item.items() if key != "like"}}
