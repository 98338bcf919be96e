"""The unit cell against a textbook cell: two independent discretisations meet.

Different elements, meshes, ways of assembly, scales, ends of the substrate (exact waves here, an
absorbing layer there), ends of the air, Bloch condition and solvers; the description of the cell
and the material constants are all that is common.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from benchmarks.textbook_cell import TextbookCell, TextbookMesh

from sawfem.design import Stack, UnitCell
from sawfem.extract.grating import MESHES
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.stopband import find_stop_band
from sawfem.unitcell.system import harmonic_admittance

# (f in hertz, gamma): below the stop band; near it; past the onset of bulk waves, radiating;
# travelling waves at two other phases, radiating at the last one.
POINTS = (
    (600e6, math.pi),
    (850e6, math.pi),
    (980e6, math.pi),
    (500e6, 0.6 * math.pi),
    (500e6, 0.4 * math.pi),
)


@pytest.fixture(scope="module")
def niobate() -> UnitCell:
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    return UnitCell.grating(stack, "aluminium/kaye-laby", pitch="2.228 um", thickness="89 nm")


@pytest.fixture(scope="module")
def discretisation(niobate):
    return discretise(niobate, MESHES[0])


@pytest.fixture(scope="module")
def textbooks(niobate) -> list[TextbookCell]:
    """The elements at the electrode's corners are a quarter as large from one to the next."""
    return [TextbookCell(niobate, TextbookMesh(halvings=h, largest=0.25)) for h in (1, 3, 5)]


def test_admittances_meet_as_the_textbook_mesh_is_refined(discretisation, textbooks):
    exact = np.array([harmonic_admittance(discretisation, f, phase) for f, phase in POINTS])
    found = np.array([[cell.at(phase).admittance(f) for f, phase in POINTS] for cell in textbooks])
    error = np.abs(found / exact - 1.0)
    assert np.all(error[-1] < 5e-3)
    # The charge is singular at the corners: the error is proportional to the elements there, and
    # falls by four a step. At the last phase the absorber's reflection, 2e-3, covers that.
    assert np.all(error[1, :4] < 0.35 * error[0, :4])
    assert np.all(error[2, :4] < 0.35 * error[1, :4])


def test_radiated_power_meets_as_the_absorber_grows(niobate, discretisation):
    """Bulk waves leave through the exact floor as they do through an ever gentler absorber."""
    frequency, phase = POINTS[4]
    exact = harmonic_admittance(discretisation, frequency, phase)
    assert exact.real > 5e-3 * abs(exact)
    error = []
    for length, loss in ((8.0, 1.0), (32.0, 0.3)):
        settings = TextbookMesh(largest=0.25, halvings=2, absorber=length, loss=loss)
        found = TextbookCell(niobate, settings).at(phase).admittance(frequency)
        error.append(abs(found.real / exact.real - 1.0))
    assert error[1] < 0.01
    assert error[1] < 0.1 * error[0]


def test_edges_are_poles_and_zeros_of_the_textbook_admittance(discretisation, textbooks):
    """The excited shorted edge is a pole and the uncommon open one a zero of Y(f, pi)."""
    band = find_stop_band(discretisation, 3979.0, 3871.0)
    at_pi = textbooks[1].at(math.pi)

    def root(function, start: float) -> float:
        """Two secant steps from a part in 1e3 on either side."""
        before, here = 0.999 * start, 1.001 * start
        low, high = function(before), function(here)
        for _ in range(2):
            before, here, low = here, here - high * (here - before) / (high - low), high
            high = function(here)
        return here

    resonance = band.resonance.frequency.real
    antiresonance = band.antiresonance.frequency.real
    pole = root(lambda f: (1.0 / at_pi.admittance(f)).imag, resonance)
    zero = root(lambda f: at_pi.admittance(f).imag, antiresonance)
    assert pole == pytest.approx(resonance, rel=2e-4)
    assert zero == pytest.approx(antiresonance, rel=2e-4)


def test_cut_without_a_mirror():
    """Quartz in a general direction: everything is coupled and nothing is symmetric."""
    stack = Stack("quartz/bechmann-1958", euler=(10.0, 120.0, 25.0))
    cell = UnitCell.grating(
        stack, "aluminium/kaye-laby", pitch="2 um", thickness="120 nm", metallisation_ratio=0.4
    )
    d = discretise(cell, MESHES[0])
    textbook = TextbookCell(cell, TextbookMesh(largest=0.25, halvings=4))
    for frequency, phase in ((700e6, math.pi), (600e6, 0.7 * math.pi)):
        exact = harmonic_admittance(d, frequency, phase)
        assert textbook.at(phase).admittance(frequency) == pytest.approx(exact, rel=1e-2)
