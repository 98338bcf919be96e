"""Direction of the power flow against the Poynting vector and the derivative of the velocity."""

import numpy as np
import pytest

from sawfem.conventions import CHARGE, EPSILON_0, FIELD
from sawfem.design import Stack
from sawfem.planewave import plane_waves
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import GeneralisedTensor, generalised_tensor
from sawfem.planewave.modes import HALF_SPACE_FREQUENCY, SurfaceMode, both_surfaces
from sawfem.planewave.partial_waves import impedances, stroh_matrix
from sawfem.planewave.power_flow import power_flow_angles

CUTS = [
    ("lithium-tantalate/warner-1967", (90, 90, 112.2)),
    ("langasite/kaminskii-1983", (0, 138.5, 26.6)),
    ("quartz/bechmann-1958", (10, 110, 35)),
]


@pytest.mark.parametrize(("material", "euler"), CUTS)
def test_against_the_poynting_vector_integrated_over_depth(material, euler) -> None:
    """P_i = -(omega/2) Im sum_J T_iJ U_J^*, displacement and potential alike, and the vacuum."""
    medium, _ = Stack(material, euler=euler).media()
    stack = SurfaceAdmittance(medium)
    ((family, found),) = both_surfaces(stack, HALF_SPACE_FREQUENCY).items()
    modes = found[False]
    assert family == (0, 1, 2, 3)
    v, u = modes[0].velocity, modes[0].displacement
    tensor, blocks = generalised_tensor(medium), GeneralisedTensor.from_medium(medium)
    one, s = np.array([1.0]), np.array([v])  # lengths in units of 1 / k
    z = impedances(blocks, one, s)[0][0]
    matrix = stroh_matrix(blocks, one, s)[0]
    mu, vectors = np.linalg.eig(matrix[:4, :4] + matrix[:4, 4:] @ z)
    amplitude = np.linalg.solve(vectors, u)
    nodes, weights = np.polynomial.legendre.leggauss(400)
    depth = 200.0 / 2.0 * (nodes - 1.0)  # x3 from -200 to 0
    phase = amplitude[:, None] * np.exp(1j * mu[:, None] * depth)
    field, slope = vectors @ phase, vectors @ (1j * mu[:, None] * phase)
    flow = []
    for i in (0, 1):
        traction = tensor[i, :, :, 2] @ slope - 1j * tensor[i, :, :, 0] @ field
        flow.append(-np.sum(100.0 * weights * np.imag(traction * field.conj()).sum(axis=0)))
    flow[0] -= EPSILON_0 * FIELD / CHARGE * abs(u[3]) ** 2 / 2.0  # vacuum, exp(-2 k x3)
    expected = np.degrees(np.arctan2(flow[1], flow[0]))
    (found,) = power_flow_angles(medium, (), HALF_SPACE_FREQUENCY, [SurfaceMode(v, u)], [True])
    assert found == pytest.approx(expected, abs=1e-8)
    assert abs(found) > 0.1


@pytest.mark.parametrize(("material", "euler"), CUTS)
@pytest.mark.parametrize("layered", [False, True])
def test_against_the_derivative_of_the_velocity(material, euler, layered) -> None:
    """tan(psi) = (1/v) dv/dtheta at fixed frequency."""

    def waves(turn: float):
        direction = (euler[0], euler[1], euler[2] + turn)
        stack = Stack(material, euler=direction)
        if layered:
            film = (20.0, 70.0, -10.0 + turn)
            stack = stack.with_layer("quartz/bechmann-1958", 1e-7, euler=film)
        return plane_waves(stack, 1e9)[0]

    step = 0.02
    before, here, after = (waves(turn) for turn in (-step, 0.0, step))
    slope = (after.velocity_free - before.velocity_free) / np.radians(2.0 * step)
    expected = np.degrees(np.arctan(slope / here.velocity_free))
    assert here.power_flow_angle == pytest.approx(expected, abs=1e-4)
