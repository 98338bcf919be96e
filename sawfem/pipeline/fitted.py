"""Constants fitted to a measurement, in place of the computed ones of a grating."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sawfem.case import ResolvedCase
from sawfem.case.resolved_structure import ResolvedFitted
from sawfem.errors import CaseError
from sawfem.extract import GratingConstants, GratingSolution

_KEYS = ("velocity", "reflection", "transduction", "capacitance")


def with_fitted(
    case: ResolvedCase, solutions: Mapping[str, GratingSolution]
) -> tuple[dict[str, GratingSolution], tuple[str, ...]]:
    """The solutions with [grating.fitted] in their constants, and sentences that say so.

    Raises CaseError where a constant that was fitted was not computed.
    """
    found, told = dict(solutions), []
    for name, grating in case.gratings.items():
        if grating.fitted is None or name not in found:
            continue
        key = "grating.fitted" if len(case.gratings) == 1 else f"grating.{name}.fitted"
        given = [part for part in _KEYS if getattr(grating.fitted, part) is not None]
        constants = found[name].constants
        if None in (constants.velocity, constants.reflection_per_electrode) or (
            constants.transduction_per_electrode is None
            or constants.capacitance_fitted_per_pair is None
        ):
            raise CaseError(
                file=case.file,
                key=key,
                found="a grating without all constants",
                expected="a cut whose constants are computed, to put fitted ones in their place",
            )
        found[name] = replace(found[name], constants=_replaced(constants, grating.fitted))
        told.append(f"{key}: the device takes fitted {', '.join(given)}, not the computed")
    return found, tuple(told)


def refuse_fitted(case: ResolvedCase, study: str) -> None:
    """Raise CaseError where constants are fitted: they would stay while the grating changes."""
    for name, grating in case.gratings.items():
        if grating.fitted is not None:
            raise CaseError(
                file=case.file,
                key="grating.fitted" if len(case.gratings) == 1 else f"grating.{name}.fitted",
                found="fitted constants",
                expected=f"none in a {study}, where the grating changes and they would not",
            )


def _replaced(constants: GratingConstants, fitted: ResolvedFitted) -> GratingConstants:
    """Magnitudes replaced, phases and the losses inside the constants kept.

    The band over which C was fitted moves with the velocity, so that its slope stays as it was.
    """
    changes: dict[str, Any] = {}
    bars = dict(constants.numerical)
    if fitted.velocity is not None and constants.velocity is not None:
        changes["velocity"] = fitted.velocity
        if constants.fit_band is not None:
            share = fitted.velocity / constants.velocity
            changes["fit_band"] = tuple(share * edge for edge in constants.fit_band)
    for name, value in (("reflection", fitted.reflection), ("transduction", fitted.transduction)):
        forward = getattr(constants, f"{name}_per_electrode")
        if value is None or not forward:
            continue
        for key in (f"{name}_per_electrode", f"{name}_back_per_electrode"):
            part = getattr(constants, key)
            if part is not None:
                changes[key] = part * (value / abs(forward))
    if fitted.capacitance is not None and constants.capacitance_fitted_per_pair:
        share = 2.0 * fitted.capacitance / constants.capacitance_fitted_per_pair
        for key in ("capacitance_fitted_per_pair", "capacitance_per_pair"):
            changes[key] = getattr(constants, key) * share
    for key in changes:
        bars.pop(key, None)
    return replace(constants, numerical=bars, **changes)
