"""Tables of what is built: substrate, layers, gratings, overcoat, materials, conditions."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from sawfem.case import fields as f
from sawfem.case.compound_rules import OneOrMany
from sawfem.case.tables import Table


class Substrate(Table):
    """Half-space that carries everything; material "air" below a membrane."""

    material: f.MaterialName
    euler: f.EulerAngles = None
    cut: f.Cut = ""
    rotations: f.Rotations = None
    short: f.Flag = Field(
        default=False, description="a perfect conductor without mass lies on it; plane waves alone"
    )


class Layer(Table):
    """Film between substrate and electrodes; upwards in the order of the file."""

    name: f.Name = ""
    like: f.Name = ""
    material: f.MaterialName = ""
    thickness: f.Thickness = None
    euler: f.EulerAngles = None
    cut: f.Cut = ""
    rotations: f.Rotations = None
    potential: f.Potential = Field(
        default="", description="of a metal film, floating unless said; for it alone"
    )
    short: f.Flag = Field(
        default=False, description="a perfect conductor without mass lies on it; plane waves alone"
    )


class Film(Table):
    """One metal of an electrode; upwards."""

    material: f.MaterialName = ""
    thickness: f.Thickness = None


class Electrode(Table):
    """One electrode of a cell that is drawn in full."""

    name: f.Name = ""
    like: f.Name = ""
    centre: f.Position = None
    width: f.Width = Field(default=None, description="at the foot")
    sidewall_angle: f.SidewallAngle = None
    footing_extent: f.Thickness = Field(
        default=None, description="how far a slope at the foot reaches beyond the wall"
    )
    footing_height: f.Thickness = Field(default=None, description="how high that slope is")
    connection: f.Connection = Field(
        default="", description="where it is tied, in a cell of several electrodes"
    )
    metal: f.MaterialName = ""
    thickness: f.Thickness = None
    film: Annotated[list[Film], OneOrMany()] = Field(default_factory=list)


class Fitted(Table):
    """Constants fitted to a measurement, which a device takes in place of the computed ones."""

    velocity: f.Positive = Field(default=None, description="m/s")
    reflection: f.Number = Field(
        default=None, description="magnitude of k p; negative turns the computed sign"
    )
    transduction: f.Positive = Field(default=None, description="magnitude of a p, sqrt(S/m)")
    capacitance: f.Positive = Field(
        default=None, description="per electrode and metre of aperture, F/m"
    )


class Grating(Table):
    """Periodic electrodes: pitch, metal and thickness, or a period and electrodes."""

    name: f.Name = ""
    like: f.Name = ""
    pitch: f.Pitch = Field(default=None, description="electrode centre to electrode centre")
    period: f.Period = Field(default=None, description="of a cell drawn in full")
    metal: f.MaterialName = ""
    thickness: f.Thickness = None
    metallisation_ratio: f.MetallisationRatio = Field(
        default=None, description="width at the foot / pitch"
    )
    sidewall_angle: f.SidewallAngle = Field(
        default=90, description="from the surface, inside the metal; degrees"
    )
    recess: f.Thickness = Field(
        default=None, description="how far the electrodes sink into the surface"
    )
    electrode: Annotated[list[Electrode], OneOrMany()] = Field(default_factory=list)
    fitted: Fitted | None = None


class Overcoat(Table):
    """Film over the electrodes; upwards."""

    name: f.Name = ""
    material: f.MaterialName
    thickness: f.Thickness
    top: f.OvercoatTop = "conformal"


class MaterialVariant(Table):
    """A material of this case alone, like one of the library with other values."""

    name: f.Name
    like: f.MaterialName
    density: f.Positive = Field(default=None, description="kg/m^3")
    mechanical_q: f.QualityFactor = None
    resistivity_ohm_m: f.Positive = None
    youngs_modulus_GPa: f.Positive = None  # noqa: N815
    poisson_ratio: f.Number = None
    stiffness_GPa: f.Constants = None  # noqa: N815
    stiffness_Pa: f.Constants = None  # noqa: N815
    piezoelectric_C_per_m2: f.Constants = None  # noqa: N815
    permittivity_relative: f.Constants = None
    permittivity_F_per_m: f.Constants = None  # noqa: N815
    viscosity_Pa_s: f.SourcedConstants = None  # noqa: N815
    loss_tangent: f.SourcedNumber = None
    uncertainty: f.SourcedConstants = Field(
        default=None, description="relative standard deviations of constants and density"
    )
    source: f.Text = ""
    mark: f.Text = ""
    note: f.Text = ""


class Conditions(Table):
    """Under what the case holds; dimensions are those at 25 degC."""

    temperature: f.Temperature = "25 degC"
    hold_constant: f.HeldConstant = Field(
        default=None,
        description="what temperature leaves as it is, for want of coefficients: parts or "
        'constants of all materials, or "SET: part" of one',
    )
