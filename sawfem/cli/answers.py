"""The tables after a run: constants, device, checks, cautions, files."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from typing import Any

from sawfem.case.keypath import UNNAMED
from sawfem.cli.beams import show_beams
from sawfem.cli.screen import labelled, listed_files, paragraph, show, table
from sawfem.cli.signals import show_signal
from sawfem.cli.transverse import show_transverse
from sawfem.device.comparison import ModelComparison, small_share
from sawfem.extract.constants import GratingConstants
from sawfem.extract.oblique_grating import ObliqueWaves
from sawfem.measured.comparison import MeasuredComparison
from sawfem.quantities import Quantity, entry, json_key
from sawfem.result import DeviceResult, GratingResult, Result
from sawfem.units import format_quantity

#: Constants in the order of the table; pairs take two rows.
ROWS = (
    "velocity",
    "stopband_short",
    "stopband_open",
    "next_bulk_onset",
    "reflection_per_electrode",
    "transduction_per_electrode",
    "coupling_k2",
    "coupling_k2_effective",
    "capacitance_per_pair",
    "capacitance_fitted_per_pair",
    "attenuation",
    "attenuation_open",
    "phase_over_group_velocity",
    "fit_misfit",
)
#: Unwanted responses that are listed.
SPURIOUS = 6
HEADS = ("value", "± numerical", "unit")


def show_result(result: Result, seconds: float, told: Container[str] = ()) -> None:
    """Everything a person wants to read of a result, but for warnings that were ``told``."""
    for name, grating in result.gratings.items():
        if name != next(iter(result.gratings)):
            show()
        title = "Grating constants" + (f", {name}" if len(result.gratings) > 1 else "")
        show_constants(title, grating.constants)
        _show_losses(grating)
        _show_drift(grating)
        if grating.dispersion is not None:
            for remark in grating.dispersion.remarks():
                labelled("Dispersion", remark)
        if grating.oblique is not None:
            _show_oblique(grating.oblique)
    if result.device is not None:
        show()
        show_device(result.device)
    show()
    paragraph(
        "± is the numerical error alone; the spread of crystal, film and process is not in it."
    )
    _show_checks(result)
    for warning in result.warnings:
        if warning not in told:
            labelled("Warning", warning)
    for caution in result.cautions:
        labelled("Caution", caution)
    if result.files:
        folder = result.files[0].rpartition("/")[0]
        names = [file.removeprefix(f"{folder}/") for file in result.files]
        labelled("Files", f"{folder}/", listed_files(names))
    labelled("Time", f"{seconds:.1f} s")


def _show_oblique(found: ObliqueWaves) -> None:
    """Power flow and spreading of the grating's waves beside those of the plane ones."""
    rows = [
        (
            curve.name,
            f"{curve.flow_angle:z.3f}",
            f"{curve.flow_angle_error:.1g}",
            f"{curve.anisotropy:.4f}",
            f"{curve.anisotropy_error:.1g}",
            f"{curve.angle[0]:.0f} to {curve.angle[-1]:.0f}",
        )
        for curve in found.curves
    ]
    rows += [
        (
            f"plane wave, {plane.surface}",
            f"{plane.flow_angle:z.3f}",
            "",
            f"{plane.anisotropy:.4f}",
            "",
            f"{plane.angle[0]:.0f} to {plane.angle[-1]:.0f}",
        )
        for plane in found.planes
    ]
    heads = ("Oblique waves", "power flow, deg", "±", "anisotropy g", "±", "directions, deg")
    table(heads, rows, right=(1, 2, 3, 4, 5))
    for remark in found.remarks:
        labelled("Oblique", remark)


def show_constants(title: str, constants: GratingConstants) -> None:
    """Constants of one grating, and why some are missing."""
    rows = []
    for name in ROWS:
        label = entry(name).label
        if entry(name).form == "pair":
            for part, side in enumerate(("lower", "upper")):
                mark = _resonant(constants, name, side)
                rows.append(_row(f"{label}, {side}{mark}", constants.quantity(name, part)))
        else:
            rows.append(_row(label, constants.quantity(name)))
    table((title, *HEADS), rows, right=(1, 2))
    for name, reason in constants.reasons.items():
        if name in ROWS:
            labelled("", f"{entry(name).label}: {reason}")


def _show_losses(grating: GratingResult) -> None:
    """Loss of resonance and antiresonance by mechanism."""
    constants = grating.constants
    wanted = {f"short {constants.resonant_edge}": "resonance"}
    for side, frequency in zip(("lower", "upper"), constants.stopband_open, strict=True):
        common = [
            f
            for f in constants.stopband_short
            if f and frequency and abs(f / frequency - 1.0) < 1e-9
        ]
        if not common:
            wanted[f"open {side}"] = "antiresonance"
    label = "Losses"
    for edge, name in wanted.items():
        parts = grating.losses.get(edge)
        if parts:
            told = "; ".join(f"{mechanism} {value:.3g}" for mechanism, value in parts.items())
            labelled(label, f"{name}, dB/wavelength: {told}")
            label = ""


def _show_drift(grating: GratingResult) -> None:
    """Drift of the constants with temperature, where it was asked for."""
    drift = grating.temperature.get("relative_per_K", {})
    told = [
        f"{name.replace('_', ' ')} {1e6 * drift[name]:+.2f}"
        for name in ("resonance", "antiresonance", "velocity", "capacitance_per_pair")
        if name in drift
    ]
    if told:
        labelled("Drift", f"{'; '.join(told)} ppm/K")


def _resonant(constants: GratingConstants, name: str, side: str) -> str:
    mine = name == "stopband_short" and constants.resonant_edge == side
    return " (resonance)" if mine else ""


def show_device(device: DeviceResult) -> None:
    """Figures of the device, and why some are missing."""
    figures = device.response.figures
    rows = [_row(entry(name).label, figure) for name, figure in figures.items()]
    table((f"Device: {device.kind}", *HEADS), rows, right=(1, 2))
    double = device.description.get("double_electrode")
    if double is not None:
        velocity = Quantity.of("velocity", double["velocity_m_per_s"])
        capacitance = Quantity.of(
            "capacitance_per_pair", 2.0 * double["capacitance_per_cell_F_per_m"]
        )
        labelled(
            "",
            f"double electrodes, phase pi/2 per pitch: velocity {velocity}, "
            f"capacitance {capacitance} per acoustic wavelength",
        )
    for name, reason in device.response.reasons.items():
        labelled("", f"{entry(name).label}: {reason}")
    for item in device.measurements:
        _show_measurement(item)
    _show_spurious(device.spurious)
    for name, told in device.quality.items():
        parts = "; ".join(
            f"{key} {float(f'{q:.4g}'):.0f}" for key, q in told["by_mechanism"].items()
        )
        labelled("Quality", f"factor that each loss alone would leave, {name}: {parts}")
    _show_resonators(device.resonators)
    for compared in device.second_model:
        _show_second_model(compared)
    show_beams(device.beams)
    if device.specification:
        show()
        specification_table(device.specification)
    if device.transverse is not None:
        show_transverse(device.transverse)
    if device.signal is not None:
        show_signal(device.signal)


def _show_measurement(item: MeasuredComparison) -> None:
    """How far a measurement is from what was computed."""
    show()
    rows = [_row(entry(name).label, figure) for name, figure in item.figures.items()]
    table((f"Measurement: {item.name}", *HEADS), rows, right=(1, 2))
    labelled("", f"{item.file}, {item.frequency.size} frequencies inside the computed band")
    if item.removed:
        labelled("", f"taken off: {item.removed}")
    for name, reason in item.reasons.items():
        labelled("", f"{entry(name).label}: {reason}")


def _show_second_model(found: ModelComparison) -> None:
    """How far two models of one transducer agree, and over which band."""
    low, high = (edge / 1e6 for edge in found.band)
    band = "band of the fit" if found.fit_band is not None else "main lobe"
    leaky = ", leaky wave" if found.leaky else ""
    shifts = [
        f"{name} {1e6 * (two / one - 1.0):+.1f} ppm"
        for name, (one, two) in zip(("resonance", "antiresonance"), found.peaks, strict=False)
    ]
    texts = [f"integral of G {100.0 * (found.conductance_ratio - 1.0):+.2f} %"]
    if found.apart.any():
        place, value = found.worst
        texts.append(
            f"|Y| within {found.typical_difference:.2f} dB over nine tenths of it, most "
            f"{value:+.2f} dB at {place / 1e6:.2f} MHz"
        )
    if found.radiated is not None:
        share = small_share(found.bulk_share)
        texts.append(f"{share} of the integral of G goes into the bulk directly")
    labelled(
        "Two models",
        f"{found.name} by sums over electrodes against coupling of modes, {band} "
        f"{low:.2f} to {high:.2f} MHz, Q {found.quality_factor:.0f}{leaky}:",
        "; ".join([*shifts, *texts]),
    )


#: Figures of each resonator of a larger device that are shown, with their heads.
RESONATOR = {
    "resonance": "resonance",
    "antiresonance": "antiresonance",
    "coupling_k2_effective": "coupling",
    "quality_factor_resonance": "Q width",
    "quality_factor_resonance_energy": "Q energy",
    "quality_factor_antiresonance": "Qa width",
    "quality_factor_antiresonance_energy": "Qa energy",
}


def _show_resonators(resonators: Mapping[str, Any]) -> None:
    """One line for each resonator of a larger device."""
    if not resonators:
        return
    rows = []
    for name, told in resonators.items():
        values = {key: told["figures"].get(json_key(key)) for key in RESONATOR}
        rows.append((f"  {name}", *(_rounded(key, value) for key, value in values.items())))
    show()
    table(("Resonators", *RESONATOR.values()), rows, right=range(1, len(RESONATOR) + 1))


def _rounded(name: str, value: float | None) -> str:
    """A figure to six digits for a frequency and to three for others; its unit follows."""
    if value is None:
        return "none"
    digits = 6 if entry(name).unit == "Hz" else 3
    number, _, unit = Quantity.of(name, float(f"{value:.{digits}g}")).parts()
    return f"{number} {unit}".strip()


def _show_spurious(items: Sequence[Mapping[str, Any]]) -> None:
    """The strongest unwanted responses, and bulk onsets."""
    onsets = [item for item in items if item["level_dB"] is None]
    peaks = sorted(
        (item for item in items if item["level_dB"] is not None), key=lambda q: -q["level_dB"]
    )
    told = [
        f"{item['name']} ({item['part']}) {item['frequency_hz'] / 1e6:.2f} MHz"
        + ("" if item["level_dB"] is None else f" {item['level_dB']:.1f} dB")
        for item in (*onsets, *peaks[:SPURIOUS])
    ]
    more = len(peaks) - SPURIOUS
    if told:
        rest = f"; and {more} weaker" if more > 0 else ""
        labelled("Unwanted", f"{'; '.join(told)}{rest}")


def specification_table(lines: Iterable[Mapping[str, Any]]) -> None:
    """Every limit, the worst value, where it stands, and by how much it is kept or missed."""
    rows = []
    for line in lines:
        unit = line["unit"]
        bound = format_quantity(line["limit"], unit)
        asked = f"{entry(line['quantity']).label} {line['kind'].replace('_', ' ')} {bound}"
        if line["worst"] is None:
            rows.append((f"  {line['name']}", asked, "none", "", "", "NO"))
            continue
        worst, margin = (format_quantity(line[key], unit, digits=3) for key in ("worst", "margin"))
        at = "" if line["at"] is None else f"{line['at'] / 1e6:.2f} MHz, "
        place = f"{at}{line['temperature_K'] - 273.15:g} degC"
        met = "yes" if line["met"] else "NO"
        rows.append((f"  {line['name']}", asked, worst, place, margin, met))
    heads = ("Specification", "asked for", "worst", "at", "margin", "met")
    table(heads, rows, right=(2, 4))


def _row(label: str, quantity: Quantity) -> tuple[str, str, str, str]:
    if quantity.name == "fit_misfit" and quantity.value:  # an error itself: three digits tell it
        quantity = Quantity.of(quantity.name, float(f"{quantity.value:.3g}"))
    number, error, unit = quantity.parts()
    return (f"  {label}", number, error, unit)


def _show_checks(result: Result) -> None:
    """How many hold, what was checked, and every one that does not hold."""
    groups: dict[str, list[str]] = {}
    for name, check in result.checks.items():
        if check["ok"]:
            whose, _, what = name.rpartition(".")
            groups.setdefault(whose, []).append(what.replace("_", " "))
    good = sum(map(len, groups.values()))
    texts = [
        f"{'grating' if whose == UNNAMED else whose}: {', '.join(names)}"
        for whose, names in groups.items()
    ]
    labelled("Checks", f"{good} of {len(result.checks)} ok", *texts)
    for name, check in result.checks.items():
        if not check["ok"]:
            labelled("", f"FAILED {name}: {check['value']:.2g}, limit {check['limit']:.2g}")
