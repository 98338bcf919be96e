"""Pictures of a result, PNG and SVG, without a screen.

admittance   harmonic admittance with the stop bands marked
mode         shapes of the standing waves
cell         cross-section of the unit cell: materials and mesh
dispersion   admittance and modes over frequency and phase
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
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from sawfem.result import DeviceResult, Result

__all__ = ["draw_result"]


def draw_result(
    result: Result,
    folder: str | Path,
    *,
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[Path, ...]:
    """Draw everything a result holds into an existing folder and return the files.

    harmonic-admittance, cell and mode of the first grating, harmonic-admittance-NAME etc. of
    further ones, and response of the device; each as .png and .svg. Where fields were asked for,
    driven and the animation mode.gif too.
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
    files.extend(_animations(result, Path(folder)))
    report("pictures", len(drawings), len(drawings))
    return tuple(files)


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

    found: list[tuple[str, Callable[[], Figure | None]]] = []
    for number, (name, grating) in enumerate(result.gratings.items()):
        ending = f"-{name}" if number else ""
        found.append((f"harmonic-admittance{ending}", lambda g=grating: draw_admittance(g)))  # type: ignore[misc]
        if grating.cell is not None:
            found.append((f"cell{ending}", lambda c=grating.cell: draw_cell(c)))  # type: ignore[misc]
        found.append((f"mode{ending}", lambda g=grating: draw_modes(g)))  # type: ignore[misc]
        if grating.dispersion is not None:
            found.append((f"dispersion{ending}", lambda m=grating.dispersion: draw_dispersion(m)))  # type: ignore[misc]
        if grating.driven is not None:
            found.append((f"driven{ending}", lambda g=grating: draw_driven(g)))  # type: ignore[misc]
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
    found.append(("response", lambda: draw_response(device)))
    if device.response.ports > 1:
        found.append(("impulse", lambda: draw_impulse(device)))
    signal = device.signal
    if signal is not None:
        found.append(("constellation", lambda: draw_constellation(signal)))
        found.append(("knee", lambda: draw_knee(signal)))
    found.append(("spurious", lambda: draw_spurious(device)))
    study = device.transverse
    if study is not None and study.modes:
        found.append(("transverse-profiles", lambda: draw_profiles(study)))
        found.append(("transverse-response", lambda: draw_with_modes(device)))
    if study is not None and study.swept_frequency.size:
        found.append(("transverse-apertures", lambda: draw_against_aperture(study)))
    if device.response.power:
        found.append(("power", lambda: draw_power(device)))
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
        found.append(("layout", lambda: draw_layout(circuit, gratings)))
        found.append(("circuit", lambda: draw_circuit(circuit)))
    return found
