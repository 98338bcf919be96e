"""What the methods of the project gain over a textbook cell, as ratios taken in one run.

    python -m pytest tests/benchmarks --benchmark-only

runs this folder (a minute or two) and prints the table of ratios; without ``--benchmark-only``
it is skipped. Seconds mean nothing on another machine, so only ratios are asserted. Their limits
are three times what was seen when they were set, or more: they are there to catch a method that
has been lost, not a bad day. Two are what the project promises, above what was seen:
plane waves, all edges, the capacitance and the constants for at most one textbook point (seen:
0.87), and for at most three with error bars and the group velocity (seen: 2.3). One BLAS thread
(tests/conftest.py).

The case is 128 deg Y-X lithium niobate with aluminium, h/lambda = 2 %. The textbook cell
(textbook_cell.py) has as many unknowns as the project's own cell, 10,500 and 10,800, and its mesh
is refined at the electrode's corners like that one. At that size its Y(f, pi) off the stop band
is good to 1.5e-3 and the project's to 7e-5 (``test_accuracy_beside_the_ratios``). A textbook cell
of the project's accuracy would need many times the unknowns: the ratios flatter the textbook.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from benchmarks.textbook_cell import TextbookCell, TextbookMesh

from sawfem.design import Stack, UnitCell
from sawfem.extract import solve_grating
from sawfem.extract.edges import two_modes
from sawfem.extract.grating import MESHES, THRIFTY, grating_waves, strongest
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.stopband import find_stop_band
from sawfem.unitcell.system import BlochSystem, floor_admittance, harmonic_admittance

#: Frequencies off the stop band (868 to 893 MHz) at which the accuracy is looked at, hertz.
OFF_RESONANCE = (600e6, 850e6)
FREQUENCY = 850e6
POINT = "one (f, gamma) point, phase given"
#: 10,456 unknowns; see textbook_cell.TextbookMesh.
TEXTBOOK_MESH = TextbookMesh(largest=0.25, halvings=5, clear=2.0, absorber=6.0)
#: The mesh of one degree that is as large as the textbook's: 10,784 unknowns.
MESH = MESHES[1]
#: The mesh that reaches 1e-5 in the edges (5e-6 here, and 9e-5 in C): 4,828 unknowns.
SPARE = THRIFTY[1]


@pytest.fixture(scope="module")
def cell() -> UnitCell:
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    return UnitCell.grating(stack, "aluminium/kaye-laby", pitch="2.228 um", thickness="89 nm")


@pytest.fixture(scope="module")
def discretisation(cell):
    return discretise(cell, MESH)


@pytest.fixture(scope="module")
def system(discretisation):
    return BlochSystem(discretisation, math.pi, floor_admittance(discretisation))


@pytest.fixture(scope="module")
def textbook(cell) -> TextbookCell:
    return TextbookCell(cell, TEXTBOOK_MESH)


@pytest.fixture(scope="module")
def textbook_point(textbook):
    """One textbook point at phase pi: the unit in which the rest is counted."""
    at_pi = textbook.at(math.pi)
    return lambda: at_pi.admittance(FREQUENCY)


def test_accuracy_beside_the_ratios(cell, discretisation, system, textbook, benchmark):
    """Equal sizes, unequal errors; the finer answer of the project serves as the truth."""
    assert 0.9 < textbook.at(math.pi).size / discretisation.size < 1.1
    finer = discretise(cell, MESHES[2])
    truth = BlochSystem(finer, math.pi, floor_admittance(finer))
    at_pi = textbook.at(math.pi)

    def errors():
        exact = [complex(truth.admittance(f)[0, 0]) for f in OFF_RESONANCE]
        ours = [complex(system.admittance(f)[0, 0]) for f in OFF_RESONANCE]
        theirs = [at_pi.admittance(f) for f in OFF_RESONANCE]
        return [
            max(abs(a / b - 1.0) for a, b in zip(values, exact, strict=True))
            for values in (ours, theirs)
        ]

    ours, theirs = benchmark.pedantic(errors, rounds=1)
    benchmark.extra_info.update({"relative_error": ours, "textbook_relative_error": theirs})
    assert ours < 1e-4
    assert theirs < 3e-3


@pytest.mark.benchmark(group="assembly")
def test_assembly(against, cell):
    """Scalar forms and their products with the constants against the vector form."""
    ratio = against(
        "assembly",
        lambda: discretise(cell, MESH),
        lambda: TextbookCell(cell, TEXTBOOK_MESH),
        unit="assembly in vector form",
        limit=0.2,
        rounds=5,
    )
    assert ratio < 0.2


@pytest.mark.benchmark(group="point")
def test_full_point_at_a_new_phase(against, discretisation, textbook):
    ratio = against(
        "full point, new phase",
        lambda: harmonic_admittance(discretisation, FREQUENCY, math.pi),
        lambda: textbook.at(math.pi).admittance(FREQUENCY),
        unit="one (f, gamma) point, new phase",
        limit=2.0,
        rounds=7,
    )
    assert ratio < 2.0


@pytest.mark.benchmark(group="point")
def test_full_point(against, system, textbook_point):
    """A full solution, with the exact floor and air."""
    ratio = against(
        "full point, phase given",
        lambda: system.admittance(FREQUENCY),
        textbook_point,
        unit=POINT,
        limit=2.0,
        rounds=7,
    )
    assert ratio < 2.0


@pytest.mark.benchmark(group="point")
def test_reduced_point(against, system, textbook_point):
    """A point of a curve: the small model, once it is there."""
    model = reduce(system, 880e6)
    frequencies = np.linspace(840e6, 900e6, 40)
    ratio = against(
        "point of the reduced model",
        lambda: [model.admittance(float(f)) for f in frequencies],
        textbook_point,
        unit=POINT,
        limit=0.02,
        rounds=7,
        calls=frequencies.size,
    )
    assert ratio < 0.02


@pytest.mark.benchmark(group="edges")
def test_edges_and_capacitance(against, cell, textbook_point):
    """From the cell's description to plane waves, four edges, static capacitance and constants.

    A textbook cell finds an edge by sweeping: a hundred points resolve a stop band to a percent
    of its width.
    """

    def edges():
        wave = strongest(grating_waves(cell))
        band = find_stop_band(discretise(cell, SPARE), wave.velocity_free, wave.velocity_metallised)
        assert len(band.shorted) == len(band.open) == 2
        assert band.counted
        return two_modes(band), band.model.capacitance()

    ratio = against("edges, C and constants", edges, textbook_point, unit=POINT, limit=1, rounds=9)
    assert ratio < 1


@pytest.mark.benchmark(group="case")
def test_whole_case(against, cell, textbook_point):
    """All constants with error bars from two meshes, at an accuracy of 1e-5 in the edges."""
    ratio = against(
        "whole case at 1e-5",
        lambda: solve_grating(cell, accuracy=1e-5),
        textbook_point,
        unit=POINT,
        limit=3,
        rounds=5,
    )
    assert ratio < 3
