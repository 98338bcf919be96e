"""Pictures of a result, PNG and SVG, without a screen.

admittance   harmonic admittance with the stop bands marked
mode         shapes of the standing waves
response     device response
style        colours, lines and files of all of them

matplotlib is loaded when something is drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from sawfem.result import Result

__all__ = ["draw_result"]


def draw_result(
    result: Result,
    folder: str | Path,
    *,
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[Path, ...]:
    """Draw everything a result holds into an existing folder and return the files.

    harmonic-admittance and mode of the first grating, harmonic-admittance-NAME and mode-NAME of
    further ones, and response of the device; each as .png and .svg.
    """
    from sawfem.plot import style

    drawings = list(_drawings(result))
    files: list[Path] = []
    report = progress or (lambda stage, done, total: None)
    for number, (name, draw) in enumerate(drawings):
        report("pictures", number, len(drawings))
        with style.house_style():
            figure = draw()
            if figure is not None:
                files.extend(style.save_figure(figure, Path(folder), name))
    report("pictures", len(drawings), len(drawings))
    return tuple(files)


def _drawings(result: Result) -> list[tuple[str, Callable[[], Figure | None]]]:
    """Names and functions that draw."""
    from sawfem.plot.admittance import draw_admittance
    from sawfem.plot.mode import draw_modes
    from sawfem.plot.response import draw_response

    found: list[tuple[str, Callable[[], Figure | None]]] = []
    for number, (name, grating) in enumerate(result.gratings.items()):
        ending = f"-{name}" if number else ""
        found.append((f"harmonic-admittance{ending}", lambda g=grating: draw_admittance(g)))  # type: ignore[misc]
        found.append((f"mode{ending}", lambda g=grating: draw_modes(g)))  # type: ignore[misc]
    device = result.device
    if device is not None:
        found.append(("response", lambda: draw_response(device)))
    return found
