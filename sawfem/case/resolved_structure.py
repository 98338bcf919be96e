"""What a case is built of: crystals, layers, electrodes and gratings, with nothing left open.

Units as in sawfem/case/resolved.py.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ResolvedCrystal:
    """A material and how it is turned.

    ``euler`` are three Euler angles, or ``cut`` is plate notation and ``rotations`` its angles
    where they stand apart; with neither, crystal axes are device axes.
    """

    material: str
    euler: tuple[float, float, float] | None = None
    cut: str | None = None
    rotations: tuple[float, ...] = ()


@dataclass(frozen=True)
class ResolvedLayer(ResolvedCrystal):
    """A film, bottom to top; ``potential`` is "floating" or "grounded" for a metal film, None
    where it is not said.
    """

    name: str = ""
    thickness: float = 0.0
    potential: str | None = None


@dataclass(frozen=True)
class ResolvedFilm:
    """One metal of an electrode."""

    material: str
    thickness: float


@dataclass(frozen=True)
class ResolvedElectrode:
    """One electrode; ``films`` upwards, ``width`` at the foot without the footing.

    ``footing`` is how far a slope at the foot reaches beyond the wall and up it, None for none.
    ``connection`` is "hot", "ground" or "floating", None where the case does not say.
    """

    name: str
    centre: float
    width: float
    sidewall_angle: float
    films: tuple[ResolvedFilm, ...]
    footing: tuple[float, float] | None = None
    connection: str | None = None


@dataclass(frozen=True)
class ResolvedFitted:
    """Constants in place of the computed ones, None for those that stay: m/s, magnitudes of k p
    (its sign against the computed one) and of a p in sqrt(S/m), F/m per electrode.
    """

    velocity: float | None = None
    reflection: float | None = None
    transduction: float | None = None
    capacitance: float | None = None


@dataclass(frozen=True)
class ResolvedGrating:
    """Periodic electrodes.

    ``pitch`` is None for a cell drawn in full, whose ``period`` is given instead; else the period
    of the cell is the pitch and it holds one electrode, centred. ``fitted`` are constants that a
    device takes in place of the computed ones.
    """

    name: str
    pitch: float | None
    period: float
    electrodes: tuple[ResolvedElectrode, ...]
    metallisation_ratio: float | None = None
    recess: float = 0.0
    drawn_in_full: bool = False
    fitted: ResolvedFitted | None = None

    @property
    def wavelength(self) -> float:
        """What the unit "wavelength" stands for: twice the pitch, or the period drawn in full."""
        return self.period if self.pitch is None else 2.0 * self.pitch

    @property
    def several(self) -> bool:
        """Whether a period holds several electrodes."""
        return len(self.electrodes) > 1

    @property
    def join(self) -> float:
        """From the last electrode of one cell to the first of the next, centre to centre, m."""
        ordered = self.left_to_right
        return self.period - (ordered[-1].centre - ordered[0].centre)

    @property
    def left_to_right(self) -> tuple[ResolvedElectrode, ...]:
        """The electrodes by their centres: the order of the unit cell's."""
        return tuple(sorted(self.electrodes, key=lambda electrode: electrode.centre))

    @property
    def electrode(self) -> ResolvedElectrode:
        """The first electrode; the only one unless the cell is drawn in full."""
        return self.electrodes[0]

    @property
    def metal(self) -> str:
        """Material of the first electrode's lowest film."""
        return self.electrode.films[0].material

    @property
    def thickness(self) -> float:
        """Of the first electrode, all films."""
        return sum(film.thickness for film in self.electrode.films)

    @property
    def width(self) -> float:
        """Of the first electrode, at its foot."""
        return self.electrode.width

    @property
    def sidewall_angle(self) -> float:
        """Of the first electrode, in degrees from the surface, inside the metal."""
        return self.electrode.sidewall_angle


@dataclass(frozen=True)
class ResolvedOvercoat:
    """A film over the electrodes; ``top`` is "conformal" or "flat"."""

    material: str
    thickness: float
    top: str
    name: str = ""
