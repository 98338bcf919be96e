"""How the constants of a grating move with its dimensions, materials and temperature.

Every derivative is a difference of cells solved on one kind of mesh: the edges are found again
from those of the cell itself, and the constants are made of them as ever. With d(h) the central
difference over steps +-h,

    derivative = [4 d(h) - d(2h)]/3,      error = |d(h) - d(2h)|/3,

the first term that the extrapolation takes away, which bounds what it leaves where h is small,
and shows where it is not, or where a mesh jumped. Derivatives of the edges alone with respect to
material constants come without any of this from sawfem/unitcell/perturbation.py.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.design import Electrode, Overcoat, Stack, UnitCell
from sawfem.errors import InputError
from sawfem.extract.constants import GratingConstants
from sawfem.extract.grating import MESHES, GratingSolution, solve_like
from sawfem.extract.heated_cell import heated_cell
from sawfem.material import Material
from sawfem.planewave.heated_stack import Held
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.perturbation import cell_materials, substituted

Array = NDArray[np.float64]

#: Constants that are differentiated, and "resonance" and "antiresonance", Hz.
NAMES: tuple[str, ...] = (
    "resonance",
    "antiresonance",
    "velocity",
    "stopband_short",
    "stopband_open",
    "reflection_per_electrode",
    "transduction_per_electrode",
    "coupling_k2_effective",
    "capacitance_per_pair",
    "capacitance_fitted_per_pair",
    "capacitance_loss",
    "capacitance_slope",
    "attenuation",
    "attenuation_open",
    "attenuation_coupled",
    "directivity",
)
#: Relative step of dimensions and of constants of materials; of angles in degrees; kelvin.
STEP, ANGLE, KELVIN = 2e-3, 0.25, 5.0

Number = float | complex | tuple[float, float]


@dataclass(frozen=True)
class Parameter:
    """What is varied.

    Attributes
    ----------
    name : "thickness", "width", "sidewall_angle", "recess", "layer[0].thickness",
        "overcoat[0].thickness", "<material>.density", ".stiffness", ".permittivity" or
        ".piezoelectric", "temperature".
    unit : of the parameter: "m", "deg", "K", or "" for a relative change of a material constant
        (all components together).
    value : now; 0 for a relative change.
    step : of the difference. cell : the cell at value + x.
    """

    name: str
    unit: str
    value: float
    step: float
    cell: Callable[[float], UnitCell]


@dataclass(frozen=True)
class Derivatives:
    """Derivatives of the constants of one grating.

    Attributes
    ----------
    parameters : under their names.
    values, errors : parameter -> constant -> derivative, and what it may be off by: per metre,
        degree, kelvin or relative change; tuples for pairs. A constant that the grating lacks on
        either side is left out.
    constants : of the grating itself on the same mesh.
    """

    parameters: Mapping[str, Parameter]
    values: Mapping[str, Mapping[str, Number]]
    errors: Mapping[str, Mapping[str, Number]]
    constants: Mapping[str, Number]

    def relative(self, parameter: str, constant: str) -> Number:
        """Derivative over the constant: ppm/K and the like, divided by 1e6."""
        return _apply(
            lambda slope, value: slope / value,
            self.values[parameter][constant],
            self.constants[constant],
        )

    def drift(self) -> dict[str, dict[str, float]]:
        """Relative change per kelvin of every real constant, and its error; JSON-safe.

        {"relative_per_K": {name: value}, "error_per_K": {name: error}}: of complex constants that
        of the real part, and nothing of constants that are zero. "temperature" must be among the
        parameters.
        """
        found: dict[str, dict[str, float]] = {"relative_per_K": {}, "error_per_K": {}}
        for name, slope in self.values["temperature"].items():
            value, error = self.constants[name], self.errors["temperature"][name]
            if isinstance(value, tuple) or value.real == 0.0:
                continue
            assert not isinstance(slope, tuple)
            assert not isinstance(error, tuple)
            found["relative_per_K"][name] = slope.real / value.real
            found["error_per_K"][name] = abs(error.real / value.real)
        return found

    def with_process(
        self, constants: GratingConstants, tolerances: Mapping[str, float]
    ) -> GratingConstants:
        """The constants with ``process``, their :meth:`spread`, beside ``numerical``."""
        spread = self.spread(tolerances)
        return replace(
            constants, process={name: spread[name] for name in NAMES[2:] if name in spread}
        )

    def spread(self, tolerances: Mapping[str, float]) -> dict[str, Number]:
        """Standard deviation of every constant for independent deviations of the parameters.

        Parameters
        ----------
        tolerances : standard deviation by name of the parameter, in its unit.

        Returns
        -------
        Root of the sum of squares of (derivative x deviation), for real and imaginary part and
        for both members of a pair on their own. First order: it holds for small deviations.

        Raises
        ------
        InputError : a parameter that was not differentiated, or a negative deviation.
        """
        total: dict[str, Number] = {}
        for name, deviation in tolerances.items():
            if name not in self.values:
                known = ", ".join(self.values)
                raise InputError(key="tolerances", found=f'"{name}"', expected=f"among {known}")
            if not (math.isfinite(deviation) and deviation >= 0.0):
                raise InputError(
                    key=f"tolerances.{name}", found=f"{deviation!r}", expected="0 or more, finite"
                )
            for constant, slope in self.values[name].items():
                share = _apply(lambda s, d=deviation: _square(s * d), slope)
                total[constant] = (
                    _apply(lambda a, b: a + b, total[constant], share)
                    if constant in total
                    else share
                )
        return {name: _apply(_root, value) for name, value in total.items()}


def cell_parameters(cell: UnitCell, *, hold_constant: Held | None = None) -> dict[str, Parameter]:
    """Everything of a cell that can be varied, under its name.

    ``hold_constant`` brings "temperature" in: what temperature leaves as it is.
    """
    first = cell.electrodes[0]
    found = [
        Parameter("thickness", "m", first.thickness, STEP * first.thickness, _thicker(cell)),
        Parameter("width", "m", first.width, STEP * first.width, _wider(cell)),
    ]
    if first.sidewall_angle < 90.0 - 2.0 * ANGLE:
        angle = first.sidewall_angle
        found.append(Parameter("sidewall_angle", "deg", angle, ANGLE, _leaning(cell)))
    if cell.recess > 0.0:
        found.append(
            Parameter(
                "recess",
                "m",
                cell.recess,
                STEP * cell.recess,
                lambda x: _cell(cell, recess=cell.recess + x),
            )
        )
    for index, layer in enumerate(cell.stack.layers):
        name = f"layer[{index}].thickness"
        thick = layer.thickness
        found.append(Parameter(name, "m", thick, STEP * thick, _layer(cell, index)))
    for index, coat in enumerate(cell.overcoat):
        name = f"overcoat[{index}].thickness"
        thick = coat.thickness
        found.append(Parameter(name, "m", thick, STEP * thick, _coat(cell, index)))
    for material in cell_materials(cell):
        found.extend(
            _constant(cell, material, part)
            for part in ("density", "stiffness", "piezoelectric", "permittivity")
            if getattr(material, part) is not None and np.any(getattr(material, part))
        )
    if hold_constant is not None:
        held = hold_constant
        found.append(
            Parameter(
                "temperature",
                "K",
                REFERENCE_TEMPERATURE,
                KELVIN,
                lambda x: heated_cell(cell, REFERENCE_TEMPERATURE + x, hold_constant=held),
            )
        )
    return {parameter.name: parameter for parameter in found}


def constants_derivatives(
    solution: GratingSolution,
    names: Iterable[str] | None = None,
    *,
    hold_constant: Held | None = None,
    mesh: MeshSettings = MESHES[1],
    progress: Callable[[str, int, int], None] | None = None,
) -> Derivatives:
    """Derivatives of the constants of a solved grating.

    Parameters
    ----------
    solution : what :func:`sawfem.extract.solve_grating` returns.
    names : parameters (see :class:`Parameter`); None takes all. hold_constant : see
        :func:`cell_parameters`; "temperature" needs it, if only as ().
    mesh : on which the differences are taken; their error is that of a derivative, and far below
        that of the constants.

    Raises
    ------
    InputError : an unknown parameter. MaterialError : temperature data are missing.
    """
    known = cell_parameters(solution.cell, hold_constant=hold_constant)
    chosen = list(known if names is None else names)
    for name in chosen:
        if name not in known:
            raise InputError(key="names", found=f'"{name}"', expected=f"among {', '.join(known)}")
    values: dict[str, dict[str, Number]] = {}
    errors: dict[str, dict[str, Number]] = {}
    with threadpool_limits(limits=1, user_api="blas"):
        base = solve_like(solution, solution.cell, mesh)
        for done, name in enumerate(chosen):
            if progress is not None:
                progress("derivatives", done, len(chosen))
            parameter = known[name]
            samples = [
                numbers(solve_like(base, parameter.cell(n * parameter.step), mesh))
                for n in (-2, -1, 1, 2)
            ]
            values[name], errors[name] = _differences(samples, parameter.step)
    return Derivatives({name: known[name] for name in chosen}, values, errors, numbers(base))


def numbers(solution: GratingSolution) -> dict[str, Number]:
    """The constants of NAMES that a grating has."""
    constants: GratingConstants = solution.constants
    band = solution.band
    found: dict[str, Number] = {"resonance": band.resonance.frequency.real}
    if band.antiresonance is not None:
        found["antiresonance"] = band.antiresonance.frequency.real
    for name in NAMES[2:]:
        value = getattr(constants, name)
        if value is not None and not (isinstance(value, tuple) and None in value):
            found[name] = value
    return found


def _differences(
    samples: Sequence[Mapping[str, Number]], step: float
) -> tuple[dict[str, Number], dict[str, Number]]:
    """Extrapolated derivative and its error from values at -2, -1, 1 and 2 steps."""
    values: dict[str, Number] = {}
    errors: dict[str, Number] = {}
    for name in samples[0]:
        if not all(name in sample for sample in samples):
            continue
        far_low, low, high, far_high = (sample[name] for sample in samples)
        near = _apply(lambda a, b: (b - a) / (2.0 * step), low, high)
        far = _apply(lambda a, b: (b - a) / (4.0 * step), far_low, far_high)
        values[name] = _apply(lambda d, e: (4.0 * d - e) / 3.0, near, far)
        errors[name] = _apply(lambda d, e: _size(d - e) / 3.0, near, far)
    return values, errors


def _apply(function: Callable[..., float | complex], *numbers: Number) -> Number:
    """A function of numbers, or of the members of pairs."""
    if isinstance(numbers[0], tuple):
        first, second = (function(*members) for members in zip(*numbers, strict=True))
        return (first.real, second.real)
    return function(*numbers)


def _size(value: float | complex) -> float | complex:
    if isinstance(value, complex):
        return complex(abs(value.real), abs(value.imag))
    return abs(value)


def _square(value: float | complex) -> float | complex:
    if isinstance(value, complex):
        return complex(value.real**2, value.imag**2)
    return value**2


def _root(value: float | complex) -> float | complex:
    if isinstance(value, complex):
        return complex(math.sqrt(value.real), math.sqrt(value.imag))
    return math.sqrt(value)


def _cell(
    cell: UnitCell,
    *,
    stack: Stack | None = None,
    electrodes: Sequence[Electrode] | None = None,
    overcoat: Sequence[Overcoat] | None = None,
    recess: float | None = None,
) -> UnitCell:
    """The cell with some of its parts changed."""
    return UnitCell(
        cell.stack if stack is None else stack,
        cell.electrodes if electrodes is None else electrodes,
        cell.period,
        overcoat=cell.overcoat if overcoat is None else overcoat,
        recess=cell.recess if recess is None else recess,
    )


def redrawn(electrode: Electrode, height: float, width: float, angle: float) -> Electrode:
    """An electrode with its films in proportion ``height``, wider by ``width``, leaning anew."""
    films = electrode.films
    drawn = Electrode(
        films[0].metal,
        films[0].thickness * height,
        electrode.width + width,
        centre=electrode.centre,
        sidewall_angle=angle,
        footing=electrode.footing,
    )
    for film in films[1:]:
        drawn = drawn.with_film(film.metal, film.thickness * height)
    return drawn


def _thicker(cell: UnitCell) -> Callable[[float], UnitCell]:
    """All electrodes in one proportion; x is the change of the first one."""

    def changed(x: float) -> UnitCell:
        ratio = 1.0 + x / cell.electrodes[0].thickness
        strips = [redrawn(e, ratio, 0.0, e.sidewall_angle) for e in cell.electrodes]
        return _cell(cell, electrodes=strips)

    return changed


def _wider(cell: UnitCell) -> Callable[[float], UnitCell]:
    """All electrodes by the same length, as an exposure does."""
    return lambda x: _cell(
        cell, electrodes=[redrawn(e, 1.0, x, e.sidewall_angle) for e in cell.electrodes]
    )


def _leaning(cell: UnitCell) -> Callable[[float], UnitCell]:
    return lambda x: _cell(
        cell, electrodes=[redrawn(e, 1.0, 0.0, e.sidewall_angle + x) for e in cell.electrodes]
    )


def _layer(cell: UnitCell, index: int) -> Callable[[float], UnitCell]:
    def changed(x: float) -> UnitCell:
        layers = list(cell.stack.layers)
        old = layers[index]
        layers[index] = replace(old, thickness=old.thickness + x)
        stack = copy.copy(cell.stack)
        object.__setattr__(stack, "layers", tuple(layers))
        return _cell(cell, stack=stack)

    return changed


def _coat(cell: UnitCell, index: int) -> Callable[[float], UnitCell]:
    def changed(x: float) -> UnitCell:
        coats = list(cell.overcoat)
        old = coats[index]
        coats[index] = Overcoat(
            old.material, old.thickness + x, top=old.top, orientation=old.orientation
        )
        return _cell(cell, overcoat=coats)

    return changed


def _constant(cell: UnitCell, material: Material, part: str) -> Parameter:
    """A relative change of all components of one constant of one material."""
    value = getattr(material, part)

    def changed(x: float) -> UnitCell:
        return substituted(cell, material, replace(material, **{part: value * (1.0 + x)}))

    return Parameter(f"{material.name}.{part}", "", 0.0, STEP, changed)
