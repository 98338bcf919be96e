"""Impulse and step response of a two-port over time."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from sawfem.device.impulse import OVER, equidistant, impulse_response
from sawfem.plot import style
from sawfem.result import DeviceResult


def draw_impulse(device: DeviceResult) -> Figure | None:
    """Envelope of the impulse response in decibel above, of the step response below.

    None for frequencies that are not one equidistant band, and where nothing comes through.
    """
    response = device.response
    transfer = response.s[:, 1, 0]
    if not equidistant(response.frequency) or not np.any(np.abs(transfer) > 0.0):
        return None
    carrier = float(device.signal["carrier_hz"]) if device.signal is not None else None
    h = impulse_response(response.frequency, transfer, carrier=carrier)
    start, stop = float(h.step_time[0]), float(h.step_time[-1])
    scale, unit = (1e9, "ns") if stop < 2e-6 else (1e6, "µs")
    figure = style.new_figure(9.0, 7.0)
    impulse, step = figure.subplots(2, 1, sharex=True)
    shown = (h.time >= start) & (h.time <= stop)
    impulse.plot(scale * h.time[shown], h.decibel[shown], **style.FIRST.keywords())
    impulse.set_ylim(OVER, 5.0)
    impulse.set_ylabel("envelope of the impulse response (dB)")
    impulse.axvline(
        scale * h.main,
        color=style.BLACK,
        linewidth=1.0,
        linestyle=(0.0, (1.0, 1.5)),
        label=f"largest at {scale * h.main:.4g} {unit}, "
        f"{scale * h.half_width:.3g} {unit} wide at half of it",
    )
    if h.sidelobe is not None and h.sidelobe > OVER:
        impulse.axhline(
            h.sidelobe,
            color=style.VERMILION,
            linewidth=1.0,
            linestyle=(0.0, (6.0, 2.0)),
            label=f"largest side lobe {h.sidelobe:.1f} dB",
        )
    impulse.legend(loc="upper right")
    step.plot(scale * h.step_time, h.step, **style.FIRST.keywords())
    step.axhline(1.0, color=style.BLACK, linewidth=0.8, linestyle=":")
    step.set_ylim(bottom=0.0)
    rise = f", from 10 to 90 % in {scale * h.rise_time:.3g} {unit}" if h.rise_time else ""
    step.set_title(f"carrier of {h.carrier / 1e6:.6g} MHz switched on at zero{rise}")
    step.set_ylabel("envelope over its final value")
    step.set_xlabel(f"time ({unit})")
    step.set_xlim(scale * start, scale * stop)
    figure.suptitle(
        f"{device.kind}: in the time domain, resolved to {scale * h.resolution:.3g} {unit}",
        fontsize=11,
    )
    return figure
