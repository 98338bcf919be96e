"""The transverse modes of a resonator on the screen."""

from __future__ import annotations

from sawfem.cli.screen import labelled, show, table
from sawfem.device.transverse_study import TransverseStudy

#: Spurious modes that are listed, and the level in dB down to which one is worth a row.
LISTED, FLOOR = 8, -30.0


def show_transverse(study: TransverseStudy) -> None:
    """The mode that is excited most and the strongest beside it, by number."""
    show()
    main = study.main
    errors = dict(zip((mode.number for mode in study.modes), study.errors, strict=True))
    shown = () if main is None else (main, *study.spurious(FLOOR)[:LISTED])
    rows = [
        (
            f"  transverse mode {mode.number}" + (" (main)" if mode is main else ""),
            f"{mode.frequency / 1e6:.4f}",
            f"{errors[mode.number] / 1e6:.4f}",
            f"{100.0 * mode.excitation:.2f}",
            f"{100.0 * mode.confinement:.1f}",
            f"{study.level(mode):.1f}",
        )
        for mode in shown
    ]
    heads = ("Transverse modes", "MHz", "± numerical", "excitation %", "inside %", "level dB")
    table(heads, rows, right=(1, 2, 3, 4, 5))
    widths = study.aperture / study.wavelength
    labelled(
        "",
        f"{len(study.modes)} guided at an aperture of {widths:.3g} wavelengths; they hold "
        f"{100.0 * study.guided_share:.1f} % of what the electrodes drive",
    )
    told = (f"{name} {cutoff / 1e6:.3f}" for name, _, cutoff, _ in study.regions)
    labelled("", f"cut-off from the middle outwards, MHz: {', '.join(told)}")
    if study.leaky:
        lost = (
            f"{mode.number} half wave{'s' if mode.number > 1 else ''} at "
            f"{mode.frequency.real / 1e6:.3f} MHz, "
            f"Q {mode.quality_factor:.3g}"
            for mode in study.leaky[:3]
        )
        labelled("", f"under bus-bars that go on for ever they leak: {'; '.join(lost)}")
