"""Pictures of a result, PNG and SVG, without a screen.

admittance   harmonic admittance with the stop bands marked
mode         shapes of the standing waves
cell         cross-section of the unit cell: materials and mesh
dispersion   admittance and modes over frequency and phase
oblique      slowness and frequencies of waves at an angle to the grating
fields       driven field, and the motion as an animation
layout       tracks of a device to scale, and its circuit
impulse      impulse and step response of a two-port
spurious     what rings in each resonator, by name
signals      errors of a modulated signal over the count of fingers, constellation
response     device response, with the limits of its specification
power        where the power goes, by mechanism
beams        the beam from transducer to transducer, over the track
measured     a measurement beside the computed response
second_model a transducer by two models, and what they differ by
transverse   modes across a resonator: against aperture, profiles, admittance
style        colours, lines and files of all of them

matplotlib is loaded when something is drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from sawfem.result import DeviceResult, Result

__all__ = ["draw_result", "make_ready"]


def draw_result(
    result: Result,
    folder: str | Path,
    *,
    progress: Callable[[str, int, int], None] | None = None,
    helper: Executor | None = None,
) -> tuple[Path, ...]:
    """Draw everything a result holds into an existing folder and return the files.

    harmonic-admittance, cell and mode of the first grating, harmonic-admittance-NAME etc. of
    further ones, and response of the device; each as .png and .svg. Where fields were asked for,
    driven and the animation mode.gif too. A ``helper`` in another process draws from the end of
    the list while this one draws from its start.
    """
    drawings = list(_drawings(result))
    report = progress or (lambda stage, done, total: None)
    drawn: dict[str, list[Path]] = {}
    taken: dict[str, Future[list[Path]]] = {}
    if helper is not None:
        for name, draw in reversed(drawings):
            taken[name] = helper.submit(_draw, name, draw, Path(folder))
    for name, draw in drawings:
        if name not in taken or taken[name].cancel():
            report("pictures", len(drawn), len(drawings))
            drawn[name] = _draw(name, draw, Path(folder))
    for name, draw in drawings:
        if name not in drawn:
            report("pictures", len(drawn), len(drawings))
            try:
                drawn[name] = taken[name].result()
            except BrokenExecutor:  # whoever ended the other process: the picture is not lost
                drawn[name] = _draw(name, draw, Path(folder))
    files = [file for name, _ in drawings for file in drawn[name]]
    files.extend(_animations(result, Path(folder)))
    report("pictures", len(drawings), len(drawings))
    return tuple(files)


def _draw(name: str, draw: Callable[[], Figure | None], folder: Path) -> list[Path]:
    """One picture in the style of the house; no file where there is nothing to draw."""
    from sawfem.plot import style

    with style.house_style():
        figure = draw()
        return [] if figure is None else list(style.save_figure(figure, folder, name))


def make_ready() -> None:
    """Load what drawing needs: what a helper does while there is nothing to draw yet."""
    from matplotlib import font_manager

    from sawfem.plot import style

    font_manager.findfont("DejaVu Sans")
    with style.house_style():
        style.new_figure(1.0, 1.0)


def _animations(result: Result, folder: Path) -> list[Path]:
    """mode.gif of every grating that fields were asked of."""
    if not result.has_driven_field:
        return []
    from sawfem.plot import style
    from sawfem.plot.fields import animate_mode

    found: list[Path | None] = []
    for number, (name, grating) in enumerate(result.gratings.items()):
        ending = f"-{name}" if number else ""
        with style.house_style():
            found.append(animate_mode(grating, folder / f"mode{ending}.gif"))
    return [path for path in found if path is not None]


def _drawings(result: Result) -> list[tuple[str, Callable[[], Figure | None]]]:
    """Names and functions that draw."""
    from sawfem.plot.admittance import draw_admittance
    from sawfem.plot.cell import draw_cell
    from sawfem.plot.dispersion import draw_dispersion
    from sawfem.plot.fields import draw_driven
    from sawfem.plot.mode import draw_modes
    from sawfem.plot.oblique import draw_oblique

    found: list[tuple[str, Callable[[], Figure | None]]] = []
    for number, (name, grating) in enumerate(result.gratings.items()):
        ending = f"-{name}" if number else ""
        found.append((f"harmonic-admittance{ending}", partial(draw_admittance, grating)))
        if grating.cell is not None:
            found.append((f"cell{ending}", partial(draw_cell, grating.cell)))
        found.append((f"mode{ending}", partial(draw_modes, grating)))
        if grating.dispersion is not None:
            found.append((f"dispersion{ending}", partial(draw_dispersion, grating.dispersion)))
        if grating.oblique is not None:
            found.append((f"oblique{ending}", partial(draw_oblique, grating.oblique)))
        if grating.driven is not None:
            found.append((f"driven{ending}", partial(draw_driven, grating)))
    if result.device is not None:
        found += _device_drawings(result.device)
    return found


def _device_drawings(device: DeviceResult) -> list[tuple[str, Callable[[], Figure | None]]]:
    """Names and functions that draw a device."""
    from sawfem.plot.beams import draw_beam, draw_pair_transfer
    from sawfem.plot.impulse import draw_impulse
    from sawfem.plot.layout import draw_circuit, draw_layout
    from sawfem.plot.measured import draw_measurement
    from sawfem.plot.power import draw_power
    from sawfem.plot.response import draw_response
    from sawfem.plot.second_model import draw_second_model
    from sawfem.plot.signals import draw_constellation, draw_knee
    from sawfem.plot.spurious import draw_spurious
    from sawfem.plot.transverse import draw_against_aperture, draw_profiles, draw_with_modes

    found: list[tuple[str, Callable[[], Figure | None]]] = []
    found.append(("response", partial(draw_response, device)))
    if device.response.ports > 1:
        found.append(("impulse", partial(draw_impulse, device)))
    signal = device.signal
    if signal is not None:
        found.append(("constellation", partial(draw_constellation, signal)))
        found.append(("knee", partial(draw_knee, signal)))
    study = device.transverse
    if study is not None and study.modes:
        found.append(("transverse-profiles", partial(draw_profiles, study)))
        found.append(("transverse-response", partial(draw_with_modes, study)))
    if study is not None and study.swept_frequency.size:
        found.append(("transverse-apertures", partial(draw_against_aperture, study)))
    if device.response.power:
        found.append(("power", partial(draw_power, device)))
    found += [
        (f"measurement-{item.name}", partial(draw_measurement, item))
        for item in device.measurements
    ]
    for number, compared in enumerate(device.second_model):
        ending = f"-{compared.name}" if number else ""
        found.append((f"second-model{ending}", partial(draw_second_model, compared)))
    for pair in device.beams:
        ending = f"-{pair.name}" if len(device.beams) > 1 else ""
        found.append((f"beam{ending}", partial(draw_beam, pair)))
        found.append((f"beam-transfer{ending}", partial(draw_pair_transfer, pair)))
    circuit, gratings = device.circuit, device.gratings
    if circuit is not None and gratings is not None:
        found.append(("spurious", partial(draw_spurious, device)))
        found.append(("layout", partial(draw_layout, circuit, gratings)))
        found.append(("circuit", partial(draw_circuit, circuit)))
    return found
