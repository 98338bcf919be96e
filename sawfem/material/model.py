"""Material: the constants of one substance from one publication, in its crystal axes."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, fields, replace

import numpy as np

from sawfem import symmetry
from sawfem.conventions import EPSILON_0
from sawfem.errors import MaterialError, nearest
from sawfem.material.imperfection import LossTangent, Uncertainty, Viscosity
from sawfem.material.medium import Medium, read_only
from sawfem.material.temperature import (
    PARTS,
    Coefficients,
    TemperatureData,
    evolve,
    expansion_strain,
)
from sawfem.pointgroups import canonical_point_group
from sawfem.tensors import Array, piezoelectric_tensor, rotate, stiffness_tensor

#: What stands behind the digits of a set, best first.
#:
#: found: read in the publication or a public data file that cites it.
#: reproduced: from memory, and the set gives the published wave velocity in a calculation.
#: from memory: recalled with the publication's name; digits not compared with the paper.
#: unconfirmed: recalled with doubt about digits or attribution.
MARKS: tuple[str, ...] = ("found", "reproduced", "from memory", "unconfirmed")

#: Smallest eigenvalue of stiffness or permittivity, relative to the largest, that counts as
#: positive definite.
DEFINITE = 1e-6


@dataclass(frozen=True, eq=False)
class Material:
    """Constants of one substance from one publication, in its crystal axes.

    Attributes
    ----------
    name : "crystal/publication" of a shipped set, or the path of the user's own file.
    crystal, formula : what it is, e.g. "lithium niobate", "LiNbO3".
    point_group : short Hermann-Mauguin symbol, or "isotropic".
    density : kg/m^3.
    stiffness : c_IJ at constant field, shape (6, 6), Pa; Voigt order 11, 22, 33, 23, 13, 12.
    piezoelectric : e_iJ, shape (3, 6), C/m^2; zeros where there is none.
    permittivity : eps_ij at constant strain, shape (3, 3), F/m; None for a conductor.
    axes : in words, which axes and signs the constants refer to.
    source, mark, marks, confidence : publication; one of :data:`MARKS` for the set as a whole
        (its weakest part) and, where parts differ, by part.
    conditions, note : temperature and the like; remarks.
    temperature, expansion : coefficients, see :mod:`sawfem.material.temperature`.
    mechanical_q : quality factor of the stiffness, or None.
    viscosity, loss_tangent, uncertainty : as :mod:`sawfem.material.imperfection` has them, or None.
    resistivity : bulk value, ohm m, or None.

    Raises
    ------
    MaterialError : wrong shapes, numbers that are not finite, density not positive, constants
        that contradict the class, stiffness or permittivity not positive definite.
    """

    name: str
    point_group: str
    density: float
    stiffness: Array
    piezoelectric: Array = field(default_factory=lambda: np.zeros((3, 6)))
    permittivity: Array | None = None
    crystal: str = ""
    formula: str = ""
    publication: str = ""
    axes: str = ""
    source: str = ""
    mark: str = "unconfirmed"
    marks: Mapping[str, str] = field(default_factory=dict)
    confidence: str = ""
    conditions: str = ""
    note: str = ""
    temperature: TemperatureData | None = None
    expansion: Coefficients | None = None
    mechanical_q: float | None = None
    resistivity: float | None = None
    viscosity: Viscosity | None = None
    loss_tangent: LossTangent | None = None
    uncertainty: Uncertainty | None = None

    def __post_init__(self) -> None:
        group = canonical_point_group(self.point_group)
        object.__setattr__(self, "point_group", group)
        object.__setattr__(self, "stiffness", read_only(self.stiffness, (6, 6)))
        object.__setattr__(self, "piezoelectric", read_only(self.piezoelectric, (3, 6)))
        if self.permittivity is not None:
            object.__setattr__(self, "permittivity", read_only(self.permittivity, (3, 3)))
        _check_positive("density", self.density)
        for name in ("mechanical_q", "resistivity"):
            value = getattr(self, name)
            if value is not None:
                _check_positive(name, value)
        for mark in (self.mark, *self.marks.values()):
            if mark not in MARKS:
                raise MaterialError(
                    key="mark", found=f'"{mark}"', expected=f"one of {', '.join(MARKS)}"
                )
        self._check_tensors()
        self._check_uncertainty()

    def _check_uncertainty(self) -> None:
        if self.uncertainty is None:
            return
        kinds: tuple[symmetry.Kind, ...] = ("stiffness", "piezoelectric", "permittivity")
        known = ["density"]
        for kind in kinds:
            known += symmetry.independent_constants(self.point_group, kind)
        for name in self.uncertainty.relative:
            if name not in known:
                near = nearest(name, known) or known
                raise MaterialError(
                    key=f"uncertainty.{name[:40]}",
                    found="no independent constant",
                    expected=f"one of {', '.join(near)}",
                )

    def _check_tensors(self) -> None:
        _check_class(self.point_group, "stiffness", self.stiffness)
        _check_class(self.point_group, "piezoelectric", self.piezoelectric)
        _check_definite("stiffness", self.stiffness)
        if self.permittivity is not None:
            _check_class(self.point_group, "permittivity", self.permittivity)
            _check_definite("permittivity", self.permittivity)
        elif self.is_piezoelectric:
            raise MaterialError(
                key="permittivity",
                found="nothing",
                expected="the permittivity of a piezoelectric material; only a conductor has none",
            )

    @property
    def is_conductor(self) -> bool:
        """No permittivity is given: a metal."""
        return self.permittivity is None

    @property
    def is_piezoelectric(self) -> bool:
        """Some piezoelectric constant differs from zero."""
        return bool(np.any(self.piezoelectric != 0.0))

    def matrix(self, kind: symmetry.Kind) -> Array:
        """Matrix of "stiffness", "piezoelectric" or "permittivity", SI; zeros if it has none."""
        if kind == "stiffness":
            return self.stiffness
        if kind == "piezoelectric":
            return self.piezoelectric
        return np.zeros((3, 3)) if self.permittivity is None else self.permittivity

    def constants(self, kind: symmetry.Kind) -> dict[str, float]:
        """Independent constants of one kind by name, SI."""
        values = symmetry.components(kind, self.matrix(kind))
        return {n: values[n] for n in symmetry.independent_constants(self.point_group, kind)}

    def rotated(self, rotation: Array) -> Medium:
        """Constants in device axes: c'_ijkl = R_ia R_jb R_kc R_ld c_abcd, likewise e and eps.

        Parameters
        ----------
        rotation : (3, 3); row i is device axis i in crystal axes, as ``Orientation.rotation``.

        Raises
        ------
        MaterialError : the matrix is not a rotation.
        """
        turn = np.asarray(rotation, dtype=np.float64)
        good = turn.shape == (3, 3) and np.allclose(turn @ turn.T, np.eye(3), rtol=0, atol=1e-9)
        if not good or np.linalg.det(turn) < 0.0:
            raise MaterialError("the device axes are not a right-handed orthonormal set")
        return Medium(
            density=self.density,
            stiffness=rotate(stiffness_tensor(self.stiffness), turn),
            piezoelectric=rotate(piezoelectric_tensor(self.piezoelectric), turn),
            permittivity=rotate(self.matrix("permittivity"), turn),
            is_conductor=self.is_conductor,
            mechanical_q=self.mechanical_q,
            name=self.name,
            viscosity=(
                None
                if self.viscosity is None
                else rotate(stiffness_tensor(self.viscosity.matrix), turn)
            ),
            loss_tangent=None if self.loss_tangent is None else self.loss_tangent.value,
        )

    @property
    def is_lossy(self) -> bool:
        """The set knows of a loss."""
        return any(x is not None for x in (self.mechanical_q, self.viscosity, self.loss_tangent))

    def deviations(self) -> dict[str, float]:
        """Standard deviation of every constant that carries one, SI, "density" among them."""
        if self.uncertainty is None:
            return {}
        kinds: tuple[symmetry.Kind, ...] = ("stiffness", "piezoelectric", "permittivity")
        values = {"density": self.density}
        for kind in kinds:
            values |= self.constants(kind)
        told = self.uncertainty.relative
        return {name: abs(values[name]) * told[name] for name in told}

    def expansion_strain(self, celsius: float) -> Array:
        """Thermal strain from the reference temperature of the expansion to ``celsius``, (3, 3).

        Raises
        ------
        MaterialError : the set has no expansion coefficients.
        """
        return expansion_strain(self, celsius)

    def at_temperature(self, celsius: float, *, hold_constant: Collection[str] = ()) -> Material:
        """The same substance at another temperature, degrees Celsius.

        The mark of the result is the weakest of the set and of the coefficients used.
        Constants follow their coefficients; density follows the volume. Lengths (pitch,
        thickness) are the caller's: see :meth:`expansion_strain`.

        Parameters
        ----------
        celsius : the temperature.
        hold_constant : what shall stay as it is because its coefficients are unknown: parts
            ("stiffness", "piezoelectric", "permittivity", "expansion") or constants ("e31").
            Nothing is held constant unless it is named here.

        Raises
        ------
        MaterialError : names every constant whose coefficient is missing.
        """
        held = frozenset(hold_constant)
        changed = evolve(self, celsius, held)
        return replace(
            self,
            mark=max([self.mark, *self._coefficient_marks(held).values()], key=MARKS.index),
            density=changed.density,
            stiffness=changed.stiffness,
            piezoelectric=changed.piezoelectric,
            permittivity=changed.permittivity,
            marks={},
            conditions=f"carried to {celsius:g} degC by temperature coefficients",
            temperature=None,
            expansion=None,
        )

    def _coefficient_marks(self, held: Collection[str] = ()) -> dict[str, str]:
        """Mark by part of the temperature coefficients and expansion that are known."""
        data = self.temperature or TemperatureData()
        parts = {kind: data.part(kind) for kind in PARTS[:3]} | {"expansion": self.expansion}
        return {kind: part.mark for kind, part in parts.items() if part and kind not in held}

    def contents(self) -> bytes:
        """Every number of the set as bytes, to tell whether two sets compute alike.

        Names, sources and remarks are left out.
        """
        words = {"name", "crystal", "formula", "publication", "axes", "source", "mark", "marks"}
        words |= {"confidence", "conditions", "note"}
        parts = []
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name in words:
                continue
            whole = value.tobytes() if isinstance(value, np.ndarray) else repr(value).encode()
            parts.append(item.name.encode() + b"=" + whole)
        return b"\0".join(parts)

    def summary(self) -> str:
        """Several lines for a reader: what it is, its constants, where they are from."""
        lines = [
            f"{self.name}  {self.formula}".rstrip(),
            f"  class {self.point_group}, density {self.density:g} kg/m^3",
            "  stiffness, GPa: " + _listed(self.constants("stiffness"), 1e9),
        ]
        if self.is_piezoelectric:
            lines.append("  piezoelectric, C/m^2: " + _listed(self.constants("piezoelectric"), 1.0))
        if self.is_conductor:
            lines.append("  conductor" + _with(self.resistivity, ", resistivity {:g} ohm m"))
        else:
            lines.append(
                "  permittivity, relative: " + _listed(self.constants("permittivity"), EPSILON_0)
            )
        lines.append(f"  source: {self.source}")
        parts = _marked(self.marks)
        lines.append(f"  mark: {self.mark}" + (f" ({parts})" if parts else ""))
        lines.append(f"  temperature coefficients: {_marked(self._coefficient_marks()) or 'none'}")
        lines += self._imperfections()
        for title, text in (
            ("confidence", self.confidence),
            ("conditions", self.conditions),
            ("axes", self.axes),
            ("note", self.note),
        ):
            if text:
                lines.append(f"  {title}: {text}")
        return "\n".join(lines)

    def _imperfections(self) -> list[str]:
        """Lines about losses and uncertainty, where the set has some."""
        lines = []
        if self.mechanical_q is not None:
            lines.append(f"  mechanical quality factor: {self.mechanical_q:g}")
        if self.viscosity is not None:
            eta = symmetry.components("stiffness", self.viscosity.matrix)
            names = symmetry.independent_constants(self.point_group, "stiffness")
            told = _listed({f"eta{name[1:]}": eta[name] for name in names}, 1.0)
            lines.append(f"  viscosity, Pa s: {told} ({self.viscosity.source})")
        if self.loss_tangent is not None:
            tangent = self.loss_tangent
            lines.append(f"  loss tangent: {tangent.value:g} ({tangent.source})")
        if self.uncertainty is not None:
            told = _listed(self.uncertainty.relative, 0.01)
            lines.append(f"  standard deviations, %: {told} ({self.uncertainty.source})")
        return lines

    def __repr__(self) -> str:
        return (
            f"<Material {self.name}: class {self.point_group}, {self.density:g} kg/m^3, "
            f"{self.source or 'no source'}; {self.mark}>"
        )


def _marked(marks: Mapping[str, str]) -> str:
    return ", ".join(f"{part} {mark}" for part, mark in marks.items())


def _listed(constants: Mapping[str, float], unit: float) -> str:
    return ", ".join(f"{name} {value / unit:.6g}" for name, value in constants.items())


def _with(value: float | None, text: str) -> str:
    return "" if value is None else text.format(value)


def _check_positive(key: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0.0):
        raise MaterialError(key=key, found=f"{value:g}", expected="a positive number")


def _check_class(group: str, kind: symmetry.Kind, matrix: Array) -> None:
    scale = float(np.max(np.abs(matrix), initial=0.0))
    residual = np.abs(matrix - symmetry.project(group, kind, matrix))
    if scale > 0.0 and float(residual.max()) > symmetry.AGREEMENT * scale:
        row, column = np.unravel_index(int(residual.argmax()), residual.shape)
        raise MaterialError(
            key=kind,
            found=f"component {row + 1}{column + 1} = {matrix[row, column]:g}",
            expected=f"a matrix of class {group}",
        )


def _check_definite(key: str, matrix: Array) -> None:
    """Stored energy must be positive for every strain (field)."""
    values = np.linalg.eigvalsh(matrix)
    if values[0] <= DEFINITE * np.max(np.abs(values)):
        raise MaterialError(
            key=key,
            found=f"a matrix with eigenvalue {values[0]:g}",
            expected="a positive definite matrix (stored energy above zero for every load)",
        )
