"""From a case to its result.

execute    what a run does, on one page
plan       what it would do and how long it would take
build      materials, stack and unit cells, with every mistake told at its key of the case
devices    the device of a case, with what it leaves open filled in
"""

from sawfem.pipeline.execute import Progress, run
from sawfem.pipeline.plan import Plan, check

__all__ = ["Plan", "Progress", "check", "run"]
