"""Finite sets of electrodes in an endless array, with mutual admittances in closed form.

At eta = 0.5, far below all waves, an electrode at 1 V in a grounded array on a half-space of
effective permittivity eps_inf has the harmonic charge 2 eps_inf |sin(gamma/2)| (Blotekjaer,
Ingebrigtsen, Skeie 1973; from memory), so that

    C_m = (1/2 pi) int 2 eps_inf |sin(gamma/2)| exp(-j m gamma) = -(4 eps_inf/pi)/(4 m^2 - 1).
"""

import numpy as np
import pytest
from scipy.linalg import toeplitz

from sawfem.device.endless_array import MutualAdmittances
from sawfem.device.finite_array import ElectrodeSet, array_admittance, toeplitz_product
from sawfem.device.pmatrix import cascade
from sawfem.device.section import grating_section, transducer_section
from sawfem.errors import GeometryError, InputError
from sawfem.extract.constants import ComConstants


def static(lags, eps=1.0):
    m = np.arange(lags)
    return -(4.0 * eps / np.pi) / (4.0 * m**2 - 1.0) + 0j


def travelling(lags, phase, weight=0.01):
    """An electrode beside a driven one: static charge and a wave that runs to both sides."""
    return 1j * static(lags) + weight * np.exp(-1j * phase * np.arange(lags))


def test_toeplitz_product_by_transform():
    rng = np.random.default_rng(1)
    y = rng.standard_normal(37) + 1j * rng.standard_normal(37)
    V = rng.standard_normal((37, 3))
    assert toeplitz_product(y, V + 0j) == pytest.approx(toeplitz(y, y) @ V, abs=1e-12)


def test_capacitance_of_a_regular_transducer():
    """Per electrode eps_inf/2 (Engan 1969), and at the two ends together 1/pi of one less.

    C = (1/4) sum_nm (-1)^(n-m) C_(n-m) = N C_inf - (1/2) sum_m (-1)^m m C_m (m < N), and
    sum (-1)^m m/(4 m^2 - 1) = -1/4.
    """
    for N in (20, 200):
        C = ElectrodeSet.transducer(N).admittance(static(N)).real
        assert abs(C / 0.5 - (N - 1.0 / np.pi)) < 0.3 / N


def test_floating_electrodes_take_no_current_and_the_potential_of_symmetry():
    electrodes = ElectrodeSet("+f-")
    V = electrodes.potentials(static(3))
    assert V[1] == pytest.approx(0.0, abs=1e-14)
    # Two joined between the poles: together without current, at the same potential.
    electrodes = ElectrodeSet("++aa-f0-")
    y = travelling(8, 3.0)
    V = electrodes.potentials(y)
    currents = toeplitz(y, y) @ V
    assert V[2] == V[3]
    assert currents[2] + currents[3] == pytest.approx(0.0, abs=1e-14)
    assert currents[5] == pytest.approx(0.0, abs=1e-14)
    assert V[6] == 0.0


def test_current_of_the_port_is_that_of_its_poles():
    y = travelling(40, 2.9)
    electrodes = ElectrodeSet.transducer(40, "++--").changed(7, "f")
    V = electrodes.potentials(y)
    currents = toeplitz(y, y) @ V
    plus = sum(i for i, letter in zip(currents, electrodes.pattern, strict=True) if letter == "+")
    minus = sum(i for i, letter in zip(currents, electrodes.pattern, strict=True) if letter == "-")
    assert electrodes.admittance(y) == pytest.approx(0.5 * (plus - minus), rel=1e-12)
    one = MutualAdmittances(1e9, 1e6, y, 0.0, np.zeros(1))
    assert array_admittance(electrodes, [one], 2e-4)[0] == pytest.approx(1e-4 * (plus - minus))


def test_a_fault_takes_its_own_terms_out_of_the_sum():
    """Conductance of electrodes that only radiate: G = w |sum_n V_n exp(j gamma n)|^2."""
    phase, weight, N = 3.05, 0.02, 60
    wave = weight * np.cos(phase * np.arange(N)) + 0j  # y_m = w cos(m gamma): no mutual reaction
    n = np.arange(N)

    def summed(potentials):
        return weight * abs(np.sum(potentials * np.exp(1j * phase * n))) ** 2

    whole = ElectrodeSet.transducer(N)
    missing = whole.changed(17, "0")
    pair = whole.changed([30, 31], "0")
    for electrodes in (whole, missing, pair):
        found = electrodes.admittance(wave)
        assert found.real == pytest.approx(summed(electrodes.drive), rel=1e-10)
    changes = whole.admittance(wave).real - missing.admittance(wave).real
    assert changes > 0.0


# A grating without reflection: each of N electrodes launches by itself.
PLAIN = ComConstants(
    pitch=2.0e-6, velocity=3500.0, reflection=0.0, transduction=0.02, capacitance=1e-10
)


def _launched(sections, frequency):
    return cascade(sections).connected(np.ones((_ports(sections), 1))).matrix[:, 0, 2]


def _ports(sections):
    return sum(section.electrical_ports for section in sections)


def _array_factor(positions, signs, frequency, velocity):
    k = 2.0 * np.pi * frequency / velocity
    return np.exp(-1j * np.multiply.outer(k, positions)) @ signs


@pytest.mark.parametrize("fault", ["missing finger", "shorted pair", "pitch error"])
def test_coupling_of_modes_with_a_fault_is_the_sum_over_electrodes(fault):
    """|P13| over that of one electrode = |sum_n s_n exp(-j k x_n)| (delta functions: Tancrell and
    Holland, Proc. IEEE 59, 393 (1971); from memory), for fingers missing, shorted, or displaced.
    """
    p, N, aperture = PLAIN.pitch, 60, 1e-4
    frequency = PLAIN.centre_frequency * np.linspace(0.93, 1.07, 57)
    first, lost = 21, {"missing finger": 1, "shorted pair": 2, "pitch error": 0}[fault]
    signs = (-1.0) ** np.arange(N)
    positions = p * np.arange(N)
    if fault == "pitch error":  # the rest of the transducer is drawn 2 % too wide
        wide = ComConstants(**{**PLAIN.__dict__, "pitch": 1.02 * p})
        wide = ComConstants(**{**wide.__dict__, "transduction": PLAIN.transduction})
        positions[first:] = p * (first - 0.5) + 1.02 * p * (np.arange(N - first) + 0.5)
        rest, middle = wide, []
    else:
        signs[first : first + lost] = 0.0
        rest, middle = PLAIN, [grating_section(PLAIN, lost, frequency)]
    parts = [
        transducer_section(PLAIN, first, aperture, frequency),
        *middle,
        transducer_section(
            rest,
            N - first - lost,
            aperture,
            frequency,
            polarity=1 if (first + lost) % 2 == 0 else -1,
        ),
    ]
    single = transducer_section(PLAIN, 1, aperture, frequency).matrix[:, 0, 2]
    launched = _launched(parts, frequency)
    expected = _array_factor(positions, signs, frequency, PLAIN.velocity)
    # From the centre of the first electrode; an electrode of the sum is a point, one of coupling
    # of modes a pitch long: their shapes differ by the second order in the detuning.
    off = np.abs(launched / single - expected)
    assert off.max() < 0.02 * N if fault == "pitch error" else off.max() < 0.005 * N
    whole = _array_factor(p * np.arange(N), (-1.0) ** np.arange(N), frequency, PLAIN.velocity)
    assert np.abs(expected - whole).max() > 0.5  # the fault is seen at all


def test_refusals():
    with pytest.raises(GeometryError, match="characters"):
        ElectrodeSet("+-x")
    with pytest.raises(GeometryError, match="both poles"):
        ElectrodeSet("++0f")
    with pytest.raises(GeometryError, match="place"):
        ElectrodeSet("+-").changed(2, "f")
    with pytest.raises(InputError, match="lags"):
        ElectrodeSet.transducer(8).admittance(static(7))
    with pytest.raises(GeometryError, match="aperture"):
        array_admittance(ElectrodeSet("+-"), [], 0.0)
