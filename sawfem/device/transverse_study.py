"""What transverse modes do to a one-port resonator: spurious responses by name, against aperture.

A model along x1 alone takes one wave of uniform amplitude across the whole aperture W. Each guided
mode n is instead a track of its own, whose velocities are r = f_n/f_0 times those of the first (f_0
the cut-off of the overlap), and which has the share s_n (``strength``) of the acoustic admittance:

    Y(f) = j w C + sum_n (s_n/r_n) [Y_0(f/r_n) - j w C/r_n].

Its motional inductance is then 1/s_n times that of the uniform wave, as of the terms s_n/(f_n^2 -
f^2) of which the driven guide consists, and the static capacitance stays. What is not guided,
1 - sum s_n, radiates sideways over a band: it is left out. Mode n is named "transverse mode n"; its
level is its peak conductance over that of the strongest mode, 10 log10(s_n/s_main) where all have
one quality factor; its resonance lies at f_n/f_0 times that of the uniform wave.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.device.description import Resonator
from sawfem.device.network import in_series
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.resonator import (
    one_port_response,
    resonator_admittance,
    resonator_sections,
    series_resistance,
)
from sawfem.device.response import (
    PASSIVITY_LIMIT,
    RECIPROCITY_LIMIT,
    Check,
    Response,
    strictly_increasing,
)
from sawfem.device.section import coefficients
from sawfem.device.transverse import TransverseGuide, TransverseMode
from sawfem.device.transverse_cell import ResonatorRegions
from sawfem.device.transverse_leaky import LeakyMode, leaky_modes
from sawfem.device.transverse_regions import RegionDispersion, TransverseRegion
from sawfem.device.unwanted import Unwanted
from sawfem.extract.constants import ComConstants
from sawfem.quantities import Quantity, json_key, json_safe

Array = NDArray[np.float64]

#: Level in dB down to which a mode is worth a name.
WEAKEST_LEVEL = -40.0
#: Modes of less strength than this share of the strongest are left out of an admittance.
WEAKEST = 1e-5


@dataclass(frozen=True)
class TransverseLayout:
    """Lengths across a resonator beside its aperture, in metres.

    Attributes
    ----------
    busbar : width of the bus-bar. gap : between finger tips and the other bus-bar, or the dummy
        fingers; 0 for none. dummy : length of dummy fingers; 0 for none.
    overlaps : of the electrodes over the aperture, centred; (1,) drives all of it.
    """

    busbar: float
    gap: float = 0.0
    dummy: float = 0.0
    overlaps: tuple[float, ...] = (1.0,)

    def guide(self, regions: ResonatorRegions, aperture: float) -> TransverseGuide:
        """The guide across a resonator of an aperture, m. Raises InputError, GeometryError."""
        beside = [
            TransverseRegion(name, width, dispersion)
            for name, width, dispersion in (
                ("end gap", self.gap, regions.gap),
                ("dummy fingers", self.dummy, regions.overlap),
                ("bus-bar", self.busbar, regions.busbar),
            )
            if width > 0.0
        ]
        return TransverseGuide(
            aperture, regions.overlap, regions.free, tuple(beside), self.overlaps
        )


@dataclass(frozen=True, eq=False)
class TransverseStudy:
    """Transverse modes of a resonator.

    Attributes
    ----------
    aperture, wavelength : W and 2p, m.
    regions : (name, width in m, cut-off in Hz, anisotropy g) from the middle outwards; the width
        of the outside is infinite.
    modes : guided, by number. errors : (n,) Hz, what a point less of every dispersion changes.
    apertures : (A,) m; swept_frequency, swept_excitation : (A, n) Hz and shares, by number; nan
        where an aperture has fewer modes.
    frequency, admittance : (F,) Hz and S, with all modes; empty where nothing is guided.
    uniform : (F,) S, of one uniform wave across the aperture.
    figures : of that admittance (sawfem/device/resonance.py).
    leaky : modes of the aperture under bus-bars that go on for ever, where those hold the wave
        better than the overlap (:mod:`.transverse_leaky`).
    remarks : sentences on what is guided, and what was assumed.
    """

    aperture: float
    wavelength: float
    regions: tuple[tuple[str, float, float, float], ...]
    modes: tuple[TransverseMode, ...]
    errors: Array
    apertures: Array
    swept_frequency: Array
    swept_excitation: Array
    frequency: FloatArray
    admittance: ComplexArray
    uniform: ComplexArray
    figures: Mapping[str, Quantity] = field(default_factory=dict)
    leaky: tuple[LeakyMode, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def main(self) -> TransverseMode | None:
        """The mode that the drive excites most; None where nothing is guided."""
        return max(self.modes, key=lambda mode: mode.strength, default=None)

    @property
    def guided_share(self) -> float:
        """Sum of the excitations of all guided modes."""
        return float(sum(mode.excitation for mode in self.modes))

    def level(self, mode: TransverseMode) -> float:
        """Peak conductance of a mode over that of the strongest, dB; -inf if it is not excited."""
        main = self.main
        if main is None or mode.strength == 0.0:
            return -np.inf
        return float(10.0 * np.log10(mode.strength / main.strength))

    def spurious(self, floor: float = WEAKEST_LEVEL) -> tuple[TransverseMode, ...]:
        """Modes beside the strongest, down to a level in dB, strongest first."""
        found = [m for m in self.modes if m is not self.main and self.level(m) >= floor]
        return tuple(sorted(found, key=lambda mode: -mode.strength))

    def unwanted(self, part: str, resonance: float) -> tuple[Unwanted, ...]:
        """The same as unwanted responses, for a uniform wave that resonates at so many hertz."""
        edge = self.regions[0][2]
        return tuple(
            Unwanted(
                f"transverse mode {mode.number}",
                part,
                resonance * mode.frequency / edge,
                self.level(mode),
            )
            for mode in self.spurious()
        )

    def to_dict(self) -> dict[str, Any]:
        """JSON object: regions, modes with their errors, and what they do against aperture."""
        keys = {
            name: json_key(f"transverse_mode_{name}")
            for name in ("frequency", "excitation", "strength", "confinement", "level")
        }
        modes = []
        for mode, error in zip(self.modes, self.errors, strict=True):
            level = self.level(mode)
            modes.append(
                {
                    "name": f"transverse mode {mode.number}",
                    "symmetric": mode.symmetric,
                    **{key: getattr(mode, name, None) for name, key in keys.items()},
                    keys["level"]: level if np.isfinite(level) else None,
                    "uncertainty": {keys["frequency"]: float(error)},
                }
            )
        main = self.main
        found = {
            json_key("aperture"): self.aperture,
            "wavelength_m": self.wavelength,
            "regions": [
                {
                    "name": name,
                    "width_m": width if np.isfinite(width) else None,
                    json_key("transverse_cutoff"): cutoff,
                    "anisotropy": anisotropy,
                }
                for name, width, cutoff, anisotropy in self.regions
            ],
            "main": None if main is None else f"transverse mode {main.number}",
            json_key("transverse_guided_share"): self.guided_share,
            "modes": modes,
            "figures_with_modes": {
                json_key(name): quantity.value for name, quantity in self.figures.items()
            },
            "under_endless_busbars": [
                {
                    "half_waves": mode.number,
                    keys["frequency"]: mode.frequency.real,
                    "quality_factor": mode.quality_factor,
                }
                for mode in self.leaky
            ],
            "against_aperture": {
                json_key("aperture"): self.apertures.tolist(),
                keys["frequency"]: _without_nan(self.swept_frequency),
                keys["excitation"]: _without_nan(self.swept_excitation),
            },
            "remarks": list(self.remarks),
        }
        made: dict[str, Any] = json_safe(found)
        return made


def _without_nan(values: Array) -> list[list[float | None]]:
    return [[None if np.isnan(x) else float(x) for x in row] for row in values]


def study_transverse_modes(
    device: Resonator,
    constants: ComConstants,
    regions: ResonatorRegions,
    layout: TransverseLayout,
    *,
    frequency: ArrayLike,
    apertures: Sequence[float] | Array = (),
    reflector: ComConstants | None = None,
) -> tuple[TransverseStudy, Response | None]:
    """Transverse modes of a resonator, against aperture too, and its response with them.

    Parameters
    ----------
    constants, reflector : of the gratings. regions : of the transducer's (:mod:`.transverse_cell`).
    frequency : (F,) Hz, increasing. apertures : m, for the dependence on the aperture.

    Returns
    -------
    The study, and the response; None where no mode is guided.

    Raises
    ------
    InputError : regions with curvatures of unlike sign, which hold no guided modes; and as
        :func:`.resonator_response`.
    """
    guide = layout.guide(regions, device.aperture)
    modes = guide.modes()
    mirror = reflector or constants
    swept = _swept(regions, layout, apertures)
    listed: list[tuple[str, float, RegionDispersion]] = [
        ("overlap", device.aperture, guide.overlap),
        *((region.name, region.width, region.dispersion) for region in guide.beside),
        ("free surface", np.inf, guide.outside),
    ]
    response = None
    f, y, uniform = np.empty(0), np.empty(0, dtype=complex), np.empty(0, dtype=complex)
    if modes:
        response = response_with_modes(device, constants, mirror, guide, modes, frequency)
        f, y = response.frequency, response.y[:, 0, 0]
        uniform = resonator_admittance(device, constants, mirror, f)
    study = TransverseStudy(
        aperture=device.aperture,
        wavelength=2.0 * np.pi / regions.wavenumber,
        regions=tuple(
            (name, float(width), d.cutoff, d.anisotropy(regions.wavenumber))
            for name, width, d in listed
        ),
        modes=modes,
        errors=_errors(regions, layout, device.aperture, modes),
        apertures=np.asarray(apertures, dtype=float),
        swept_frequency=swept[0],
        swept_excitation=swept[1],
        frequency=f,
        admittance=y,
        uniform=uniform,
        leaky=_leaky(guide),
        figures={} if response is None else response.figures,
        remarks=(*regions.remarks, *_told(guide, modes)),
    )
    return study, response


def _leaky(guide: TransverseGuide) -> tuple[LeakyMode, ...]:
    """Modes of the aperture with the last region, the bus-bar, going on for ever."""
    *between, busbar = guide.beside
    return leaky_modes(guide.aperture, guide.overlap, busbar.dispersion, between)


def _errors(
    regions: ResonatorRegions,
    layout: TransverseLayout,
    aperture: float,
    modes: Sequence[TransverseMode],
) -> Array:
    """What a point less of every dispersion changes in each mode, (n,) Hz; nan where not known."""
    errors = np.full(len(modes), np.nan)
    if regions.coarser is not None:
        other = layout.guide(regions.coarser, aperture).frequencies()
        shared = min(other.size, len(modes))
        found = np.array([mode.frequency for mode in modes[:shared]])
        errors[:shared] = np.abs(found - other[:shared])
    return errors


def _swept(
    regions: ResonatorRegions, layout: TransverseLayout, apertures: Sequence[float] | Array
) -> Array:
    """Frequencies and excitations by aperture and number, (2, A, n); nan where there is no mode."""
    guides = [layout.guide(regions, float(aperture)) for aperture in apertures]
    swept = [guide.modes(profiles=False) for guide in guides]
    most = max((len(found) for found in swept), default=0)
    rows = np.full((2, len(swept), most), np.nan)
    for number, found in enumerate(swept):
        rows[0, number, : len(found)] = [mode.frequency for mode in found]
        rows[1, number, : len(found)] = [mode.excitation for mode in found]
    return rows


def response_with_modes(
    device: Resonator,
    transducer: ComConstants,
    reflector: ComConstants,
    guide: TransverseGuide,
    modes: Sequence[TransverseMode],
    frequency: ArrayLike,
) -> Response:
    """Response of the resonator with every excited mode as a track of its own (module docstring).

    Its figures are those of the whole admittance: resonance is where its conductance is largest.
    """
    f = strictly_increasing(frequency)
    strongest = max(mode.strength for mode in modes)
    excited = [mode for mode in modes if mode.strength > WEAKEST * strongest]
    driven = float(np.mean(guide.overlaps))

    # A track whose velocities are r times those of another answers at f as that one does at f/r.
    ratios = np.array([mode.frequency for mode in excited]) / guide.overlap.cutoff
    shares = np.array([mode.strength for mode in excited]) / ratios

    def admittance(at: FloatArray) -> ComplexArray:
        places = (at[:, None] / ratios).ravel()
        whole = resonator_sections(device, transducer, reflector, places).admittance[:, 0, 0]
        acoustic = whole - 1j * _susceptance(device, transducer, places)
        total = acoustic.reshape(at.size, ratios.size) @ shares
        total = total + 1j * driven * _susceptance(device, transducer, at)
        return in_series(total[:, None, None], series_resistance(device))[:, 0, 0]

    found = one_port_response(admittance, f, device.load)
    passive = float(np.min(1.0 - np.abs(found.s[:, 0, 0]) ** 2))
    return replace(
        found,
        checks={
            "reciprocity": Check(0.0, RECIPROCITY_LIMIT, True),
            "passivity": Check(passive, PASSIVITY_LIMIT, passive >= PASSIVITY_LIMIT),
        },
    )


def _susceptance(device: Resonator, constants: ComConstants, frequency: FloatArray) -> ComplexArray:
    """C w of the transducer's fingers in S, (F,); complex where the dielectric is lossy."""
    found = coefficients(constants, device.aperture, frequency).susceptance
    return np.asarray(found * device.fingers * constants.pitch)


def _told(guide: TransverseGuide, modes: Sequence[TransverseMode]) -> list[str]:
    """What is guided, and why not the rest, as sentences."""
    told = []
    sign = guide.sign
    if sign < 0.0:
        told.append(
            "frequency falls with k2 (anisotropy below -1): a region holds the wave where it is "
            "the faster one, and higher modes lie below the fundamental"
        )
    held = "slower" if sign > 0.0 else "faster"
    core, outside = sign * guide.overlap.cutoff, sign * guide.outside.cutoff
    bars = [r.dispersion.cutoff for r in guide.beside if r.name == "bus-bar"]
    if modes and any(sign * cutoff < core for cutoff in bars):
        told.append(
            f"the bus-bar is {held} than the overlap: it holds modes of its own, and those of "
            "the overlap reach into it; frequencies and shares depend on its width"
        )
    if outside <= core:
        told.append(
            f"the surface outside is {held} than the overlap: no mode is confined to the aperture, "
            "and what the drive excites radiates sideways"
        )
    if not modes:
        told.append("no transverse mode is guided")
    return told
