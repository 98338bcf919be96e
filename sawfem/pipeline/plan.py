"""What a run of a case would do and about how long it would take; nothing is computed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sawfem.case import Case, ResolvedCase
from sawfem.errors import handed
from sawfem.pipeline.beams import tracks_with_beams
from sawfem.pipeline.build import Design, build
from sawfem.pipeline.measuring import read_measurements
from sawfem.pipeline.second import STAGE, applies
from sawfem.result import current_versions

#: Seconds measured on one core of a two-core server of 2024: plane waves of a half-space, and
#: what the first and every further layer adds to them; the unit cell on its meshes, by whether
#: the accuracy asks for the finer ones; double electrodes; device; one count of fingers; second
#: model; pictures.
PLANE_WAVES, FIRST_LAYER, NEXT_LAYER = 0.1, 0.4, 0.4
CELL_COARSE, CELL_FINE, PER_LAYER = 0.5, 0.8, 0.6
DOUBLE, DEVICE, COUNT, SECOND, PICTURES = 2.0, 0.4, 0.05, 1.8, 3.0
#: The same of a slowness curve with the beams of one track.
BEAMS = 3.5


@dataclass(frozen=True)
class Plan:
    """A case that was understood.

    Attributes
    ----------
    case, resolved, design : what was asked, in SI, and as the solvers take it; design is None
        where the case asks for something that is not computed yet.
    not_computed : keys of the case for which a run would be refused.
    stages : (name, estimated seconds) of a run, in order, as progress names them.
    """

    case: Case
    resolved: ResolvedCase
    design: Design | None
    not_computed: tuple[str, ...]
    stages: tuple[tuple[str, float], ...]

    @property
    def seconds(self) -> float:
        """Estimated time of a run, s."""
        return sum(seconds for _, seconds in self.stages)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences about what may not be what was meant."""
        return self.design.warnings if self.design else ()

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of ``sawfem check --json``."""
        materials = self.design.entries if self.design else {}
        return {
            "format": "sawfem.check/1",
            "case": self.case.stem,
            "title": self.case.title,
            "resolved": self.resolved.to_dict(),
            "materials": {
                name: {key: entry[key] for key in ("source", "provenance", "sha256")}
                for name, entry in materials.items()
            },
            "not_computed": list(self.not_computed),
            "stages": [{"name": name, "estimated_s": seconds} for name, seconds in self.stages],
            "estimated_s": self.seconds,
            "warnings": list(self.warnings),
            "versions": dict(current_versions()),
        }


def check(case: Case) -> Plan:
    """Resolve a case, load its materials and estimate its cost.

    Raises
    ------
    MaterialError, OrientationError, GeometryError, NotFoundError, InputError : as ``run``.
    """
    handed(case, Case, "case", 'a Case, such as Case.load("buoy.toml")')
    resolved = case.resolved()
    left = case.unserved()
    _ = resolved.grating  # raises where the case has none
    design = None if left else build(resolved)
    if not left:
        read_measurements(resolved)
    return Plan(case, resolved, design, left, stages(resolved))


def stages(case: ResolvedCase) -> tuple[tuple[str, float], ...]:
    """Names of the stages of a run and their estimated seconds."""
    layers = len(case.layers)
    waves = PLANE_WAVES + (FIRST_LAYER + (layers - 1) * NEXT_LAYER if layers else 0.0)
    cell = (CELL_FINE if case.accuracy <= 3e-5 else CELL_COARSE) + layers * PER_LAYER
    found = []
    for name in case.gratings:
        tail = f", {name}" if len(case.gratings) > 1 else ""
        found += [(f"plane waves{tail}", waves), (f"unit cell{tail}", cell)]
    if case.device is not None:
        double = getattr(case.device, "transducer", "single") == "double"
        found.append(("device", DEVICE + (DOUBLE + waves if double else 0.0)))
        found += [(f"beams of {name}", BEAMS) for name in tracks_with_beams(case)]
        if case.signal is not None and case.signal.fingers:
            found.append(("finger counts", COUNT * len(case.signal.fingers)))
    if applies(case):
        found.append((STAGE, SECOND))
    return (*found, ("pictures", PICTURES))
