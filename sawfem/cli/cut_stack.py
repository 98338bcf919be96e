"""The stack of ``sawfem cut``: from its options, or from a case."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sawfem.cli import options
from sawfem.errors import InputError, OrientationError, SawfemError

if TYPE_CHECKING:
    from sawfem.design import Stack


@dataclass(frozen=True)
class Asked:
    """A stack, its frequency as written or None, and what temperature leaves as it is."""

    stack: Stack
    frequency: str | float | None
    hold_constant: tuple[str, ...]


def asked_of(
    case_name: str | None,
    changes: tuple[str, ...],
    frequency: str | None,
    material: str | None,
    euler: tuple[float, float, float] | None,
    plate: str | None,
    layers: tuple[str, ...],
    shorts: tuple[int, ...],
) -> Asked:
    """What the options ask for. Raises InputError and others at the option that is wrong."""
    if case_name is None:
        if changes:
            raise InputError(key="--set", found="no case", expected="--case, whose key it changes")
        asked = Asked(stack_by_hand(material, euler, plate, layers, shorts), frequency, ())
    else:
        by_hand = {
            "MATERIAL": material,
            "--euler": euler,
            "--cut": plate,
            "--layer": layers,
            "--short": shorts,
        }
        asked = stack_of_case(case_name, changes, by_hand, frequency)
    if asked.stack.layers and asked.frequency is None:
        raise InputError(
            key="--frequency",
            found="nothing",
            expected='a frequency such as "868 MHz": layers make the waves dispersive',
        )
    return asked


def stack_of_case(
    name: str, changes: tuple[str, ...], by_hand: Mapping[str, object], frequency: str | None
) -> Asked:
    """The stack of a case, with the frequency of its [map] unless one is given.

    Raises
    ------
    InputError : options in ``by_hand`` (name -> what was given) that say what the case says.
    CaseError : no such case, one that cannot be used, or another temperature.
    """
    given = [key for key, value in by_hand.items() if value]
    if given:
        raise InputError(
            key="--case", found=f"{given[0]} as well", expected="the case, or the stack by hand"
        )
    case = options.load_case(name, changes)
    case.refuse_unserved_waves("a case without: plane waves are those at the reference temperature")
    from sawfem.pipeline.build import build

    resolved = case.resolved()
    stack = build(resolved).stack
    told = case.to_dict().get("map", {}).get("frequency")
    return Asked(stack, frequency or told, resolved.hold_constant)


def stack_by_hand(
    material: str | None,
    euler: tuple[float, float, float] | None,
    plate: str | None,
    layers: tuple[str, ...],
    shorts: tuple[int, ...],
) -> Stack:
    """The stack of MATERIAL and its options. Raises InputError and others at the option."""
    from sawfem.design import Stack

    if material is None:
        raise InputError(
            key="MATERIAL",
            found="nothing",
            expected='the substrate, such as "quartz/bechmann-1958", or --case CASE',
        )
    if euler is not None and plate is not None:
        raise InputError(key="--cut", found="--euler and --cut", expected="one of the two")
    try:
        stack = Stack(material, euler=euler, cut=plate)
    except OrientationError as error:
        raise error.located(key="--cut" if plate else "--euler") from None
    except SawfemError as error:
        raise error.located(key="MATERIAL") from None
    for text in layers:
        plain, own, turned = text.partition(":(")
        layer_cut = f"({turned}" if own else None
        name, mark, thickness = plain.rpartition(":")  # the last: a path may hold colons
        if not mark or not name:
            raise InputError(
                key="--layer",
                found=f'"{text}"',
                expected='MATERIAL:THICKNESS, such as "zinc-oxide/kobyakov-1980:1.6 um", or with '
                'a cut, "lithium-tantalate/warner-1967:0.6 um:(YXl)42"',
            )
        try:
            stack = stack.with_layer(name, thickness, cut=layer_cut)
        except SawfemError as error:
            raise error.located(key="--layer") from None
    try:
        return stack.shorted(*shorts) if shorts else stack
    except SawfemError as error:
        raise error.located(key="--short") from None
