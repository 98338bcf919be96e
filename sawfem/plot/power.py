"""Where the power at port 1 goes, over frequency, by mechanism."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from sawfem.plot import style
from sawfem.result import DeviceResult

#: Colour of each mechanism, and how it is called.
MECHANISMS = {
    "transmitted": (style.BLUE, "into the other ports"),
    "reflected": ("#DDDDDD", "reflected at port 1"),
    "resistance": (style.VERMILION, "finger resistance"),
    "ends": (style.ORANGE, "waves leaving the tracks"),
    "radiation": (style.GREEN, "loss of the gratings (radiation, materials)"),
    "propagation": (style.PURPLE, "propagation loss given"),
    "lumps": (style.SKY, "lumped parts"),
    "networks": (style.BLACK, "networks"),
}
#: Mechanisms that never take more than this share are left out.
NEGLIGIBLE = 1e-4


def draw_power(device: DeviceResult) -> Figure | None:
    """Stacked shares above, those that are lost alone below; None where they were not computed."""
    power = device.response.power
    shown = [name for name in MECHANISMS if np.max(power.get(name, 0.0)) > NEGLIGIBLE]
    if not shown:
        return None
    frequency = device.response.frequency / 1e6
    figure = style.new_figure(9.0, 7.0)
    whole, lost = figure.subplots(2, 1, sharex=True)
    colours = [MECHANISMS[name][0] for name in shown]
    labels = [MECHANISMS[name][1] for name in shown]
    shares = [np.maximum(100.0 * power[name], 0.0) for name in shown]
    whole.stackplot(frequency, shares, colors=colours, labels=labels, linewidth=0)
    whole.set_ylabel("share of the available power (%)")
    whole.set_ylim(0.0, 100.0)
    inner = [n for n, name in enumerate(shown) if name not in ("transmitted", "reflected")]
    styles = ("-", (0, (6, 2)), (0, (4, 1.5, 1, 1.5)), ":", (0, (1, 1)), "-.")
    for dash, n in zip(styles, inner, strict=False):
        lost.plot(frequency, shares[n], color=colours[n], linestyle=dash)
    lost.set_ylabel("lost inside (%)")
    lost.set_ylim(bottom=0.0)
    lost.set_xlim(frequency[0], frequency[-1])
    style.frequency_axis(lost)
    figure.legend(*whole.get_legend_handles_labels(), loc="outside lower center", ncols=3)
    figure.suptitle("Where the power available at port 1 goes", fontsize=11)
    return figure
