"""What a run does, on one page: case -> materials and cells -> gratings -> device -> result."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Executor
from pathlib import Path

from threadpoolctl import threadpool_limits

from sawfem.case import Case, ResolvedCase
from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.errors import CaseError, SawfemError, handed
from sawfem.extract import GratingSolution, solve_grating
from sawfem.extract.derivatives import constants_derivatives
from sawfem.extract.oblique_grating import ObliqueWaves, oblique_waves
from sawfem.extract.uncertainty import edge_error
from sawfem.pipeline.build import Design, build, connections_of, grating_key, held_constant
from sawfem.pipeline.devices import solve_any_device
from sawfem.pipeline.dispersion import grating_dispersion, rows_file
from sawfem.pipeline.fitted import with_fitted
from sawfem.pipeline.judgement import grating_warnings
from sawfem.pipeline.measuring import read_measurements, with_measurements
from sawfem.pipeline.second import with_second_model
from sawfem.pipeline.spurious import with_parts
from sawfem.planewave import Wave
from sawfem.result import (
    DeviceResult,
    GratingResult,
    Result,
    collect_checks,
    grating_result,
)

#: progress(stage, done, total): before, during and after every stage.
Progress = Callable[[str, int, int], None]

_ESTIMATES = (
    "Estimates from published constants and a model, not a warranty: crystal, film and process "
    "spread more than the numerical error."
)
_RADIO = (
    "Radiated power and the use of a band are regulated: local rules decide, not this estimate."
)


def run(
    case: Case,
    *,
    folder: str | Path | None = None,
    progress: Progress | None = None,
    helper: Executor | None = None,
) -> Result:
    """Compute everything that a case asks for, but for its [sweep], [map] and [yield].

    Parameters
    ----------
    case : what to compute.
    folder : where the files go, by convention results/<stem of the case>; None writes nothing.
        A result that stands there is replaced in one step, once the new one is whole.
    progress : called with (stage, steps done, steps of the stage).
    helper : an executor in another process, which then draws half of the pictures.

    Raises
    ------
    InputError : ``case`` is no Case.
    CaseError : the case asks for something that is not computed yet, or has no grating.
    MaterialError, OrientationError, GeometryError, NotFoundError : a material, cut or device that
        cannot be used, with file and key.
    OutputError : ``folder`` cannot be written; raised before anything is computed.
    ConvergenceError : no stop band, or a device whose grating lacks a constant.
    """
    handed(case, Case, "case", 'a Case, such as Case.load("buoy.toml")')
    place = None if folder is None else Path(folder)
    # One BLAS thread, as in solve_grating: small matrices, and other work on the machine.
    with threadpool_limits(limits=1, user_api="blas"):
        return _run(case, place, _Log(progress), helper)


def _run(case: Case, folder: Path | None, log: _Log, helper: Executor | None) -> Result:
    """The whole way of a case, stage by stage: the page to read first."""
    resolved = served(case)
    design = build(resolved)
    for name in design.cells:
        connections_of(resolved, name)  # said before anything is computed
    measured = read_measurements(resolved)
    if folder is not None:
        from sawfem.export import prepare_folder

        prepare_folder(folder, source=case.source)
    solutions = {
        name: solved_grating(name, resolved, design, log.named(name, len(design.cells)))
        for name in design.cells
    }
    device, remarks = solved_device(resolved, design, solutions, log.report)
    device, more = with_measurements(with_parts(device, solutions), measured)
    device, compared = with_second_model(resolved, device, design.cells, solutions, log.report)
    checks = collect_checks(solutions, device.response if device else None)
    rows = {} if folder is None else {name: rows_file(folder, name) for name in solutions}
    result = Result(
        title=case.title,
        case_name=case.stem,
        case_source=case.text,
        resolved=resolved.to_dict(),
        materials=design.entries,
        gratings={
            name: _grating(name, resolved, solved, log.report, rows.get(name))
            for name, solved in solutions.items()
        },
        device=device,
        checks=checks,
        warnings=(
            *design.warnings,
            *remarks,
            *more,
            *compared,
            *(text for solved in solutions.values() for text in grating_warnings(solved)),
            *_failed(checks),
            *accuracy_warnings(solutions, resolved),
            *_left_aside(case),
        ),
        cautions=(_ESTIMATES, _RADIO) if device else (_ESTIMATES,),
    )
    if folder is None:
        return result
    from sawfem.export import save_result

    saved = save_result(
        result,
        folder,
        source=case.source,
        log=log.text(),
        progress=log.report,
        helper=helper,
    )
    for file in rows.values():  # of this run, or of an earlier one that was interrupted
        file.unlink(missing_ok=True)
    return saved


def _grating(
    name: str, case: ResolvedCase, solution: GratingSolution, report: Progress, rows: Path | None
) -> GratingResult:
    """Everything that a case asks of one grating; ``rows`` as for :func:`grating_dispersion`."""
    asked = case.include
    return grating_result(
        name,
        solution,
        driven="fields" in asked,
        temperature=_drift(case, name, solution, report),
        dispersion=(
            grating_dispersion(solution, connections_of(case, name), report, rows)
            if "dispersion" in asked
            else None
        ),
        oblique=grating_oblique(name, solution, report) if "oblique" in asked else None,
    )


def _drift(
    case: ResolvedCase, name: str, solution: GratingSolution, report: Progress
) -> dict[str, dict[str, float]]:
    """Drift of a grating's constants with temperature, where the case asks for it.

    Raises CaseError with the coefficients that are missing.
    """
    if "temperature" not in case.include:
        return {}
    if case.temperature != REFERENCE_TEMPERATURE:
        raise CaseError(
            file=case.file,
            key="results.include",
            found=f'"temperature" at {case.temperature:g} degC',
            expected=f"{REFERENCE_TEMPERATURE:g} degC, where coefficients hold",
        )
    report(f"drift of {grating_key(name)}", 0, 1)
    try:
        found = constants_derivatives(
            solution, ["temperature"], hold_constant=held_constant(case, solution.cell)
        ).drift()
    except SawfemError as error:
        raise error.located(file=case.file, key="conditions.hold_constant") from None
    report(f"drift of {grating_key(name)}", 1, 1)
    return found


def grating_oblique(name: str, solution: GratingSolution, report: Progress) -> ObliqueWaves:
    """Oblique waves of a grating. Raises ConvergenceError with its key."""
    stage = f"oblique waves of {grating_key(name)}"
    report(stage, 0, 100)
    try:
        return oblique_waves(
            solution,
            progress=lambda done, total: report(stage, round(100.0 * done / total), 100),
        )
    except SawfemError as error:
        raise error.located(key="results.include") from None


def served(case: Case) -> ResolvedCase:
    """The resolved case, if this version computes all of it.

    Raises
    ------
    CaseError : names every key that it does not.
    """
    resolved = case.resolved()
    left = case.unserved()
    if left:
        raise CaseError(
            file=resolved.file,
            key=left[0].split(" ")[0],
            found=", ".join(left),
            expected="a case without, since this version does not compute it yet",
        )
    _ = resolved.grating  # raises where the case has none
    return resolved


def solved_grating(
    name: str,
    case: ResolvedCase,
    design: Design,
    progress: Progress | None = None,
    waves: tuple[Wave, ...] | None = None,
) -> GratingSolution:
    """One grating of a case; ``waves`` as for :func:`sawfem.extract.solve_grating`.

    Raises as :func:`run`.
    """
    try:
        return solve_grating(
            design.cells[name],
            accuracy=case.accuracy,
            connections=connections_of(case, name),
            progress=progress,
            waves=waves,
        )
    except SawfemError as error:
        raise error.located(file=case.file, key=grating_key(name)) from None


def solved_device(
    case: ResolvedCase,
    design: Design,
    solutions: dict[str, GratingSolution],
    report: Progress = lambda stage, done, total: None,
    *,
    fields: bool = True,
) -> tuple[DeviceResult | None, tuple[str, ...]]:
    """The device of a case from its solved gratings, and warnings; None where it has none.

    Without ``fields`` the response has whatever the case puts into it, but no fields of beams.

    Raises as :func:`run`.
    """
    if case.device is None:
        return None, ()
    report("device", 0, 1)
    taken, told = with_fitted(case, solutions)
    device, more = solve_any_device(case, design.stack, design.cells, taken, report, fields=fields)
    report("device", 1, 1)
    return device, (*told, *more)


def _failed(checks: dict[str, dict[str, object]]) -> list[str]:
    return [
        f"check {name} failed: {check['value']:.3g} against a limit of {check['limit']:.3g}"
        for name, check in checks.items()
        if not check["ok"]
    ]


def accuracy_warnings(solutions: dict[str, GratingSolution], case: ResolvedCase) -> list[str]:
    """Gratings whose edges are not as good as the case asks for, as sentences."""
    found = []
    for name, solution in solutions.items():
        reached = edge_error(solution.constants)
        if reached > case.accuracy:
            found.append(
                f"{grating_key(name)}: the edges are good to {reached:.1e}, not to the "
                f"{case.accuracy:g} that results.accuracy asks for"
            )
    return found


def _left_aside(case: Case) -> list[str]:
    return [
        f"[{part}] is not part of a run: sawfem {part} computes it"
        for part in ("sweep", "map", "yield", "design", "fit")
        if case.asks_for(part)
    ]


class _Log:
    """Passes progress on and keeps a line with the time of every finished stage."""

    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress
        self._started: dict[str, float] = {}
        self._lines: list[str] = []

    def report(self, stage: str, done: int, total: int) -> None:
        """A stage has reached ``done`` of ``total``."""
        now = time.monotonic()
        begun = self._started.setdefault(stage, now)
        if done >= total:
            self._lines.append(f"{stage}: {now - begun:.2f} s")
        if self._progress is not None:
            self._progress(stage, done, total)

    def named(self, name: str, gratings: int) -> Progress:
        """The same for one of several gratings, whose name is added to the stage."""
        if gratings == 1:
            return self.report
        return lambda stage, done, total: self.report(f"{stage}, {name}", done, total)

    def text(self) -> str:
        """One line a stage."""
        return "".join(f"{line}\n" for line in self._lines)
