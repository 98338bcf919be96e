"""Which side a unidirectional transducer launches to: the whole transducer in finite elements.

The sign of a directivity stands at the end of a long chain: phases of modes, reference planes, and
signs of k and a. Here nothing of that chain is used. A few periods of the cell, between free
surfaces, are solved in one piece at one frequency, and the motion of the surface to the right is
held against that to the left. Only the strips as described and the material constants are the
project's.

Finite elements of a piezoelectric body: Allik & Hughes, Int. J. Numer. Methods Eng. 2, 151 (1970);
from memory. Quadratic rectangles on a tensor grid; all sides but the surface absorb by a loss that
grows gradually.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.device.section import transducer_section
from sawfem.extract import grating_constants
from sawfem.material import load_material

WAVE, HEIGHT = 3.616e-6, 145e-9
STRIPS = ((1 / 8, 1 / 8), (3 / 8, 1 / 8), (3 / 4, 1 / 4))  # (centre, width) over the wave
FREQUENCY = 858e6
STACK = Stack("quartz/bechmann-1958", euler=(0, 132.75, 0))
METAL = "aluminium/kaye-laby"

PASCAL, FIELD, VACUUM = 1e11, 1e10, 8.8541878128e-12
ABSORBER, SIDE, DEPTH = 4.0, 8.0, 4.5  # waves
LOSS = 0.7
AIR, METALLIC, BODY = 0, 1, 2

# Quadratic elements on [-1, 1]: stiffness, mass, and int N_i' N_j.
K1 = np.array([[7, -8, 1], [-8, 16, -8], [1, -8, 7]]) / 6
M1 = np.array([[4, 2, -1], [2, 16, 2], [-1, 2, 4]]) / 15
C1 = np.array([[-3, -4, 1], [4, 0, -4], [-1, 4, 3]]) / 6


def grid(periods: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """Element edges along x1 and x3 in waves, strip of each column (-1: none), metal's row."""
    ends = [n + c + s * w / 2 for n in range(periods) for c, w in STRIPS for s in (-1, 1)]
    x = [np.linspace(-SIDE, ends[0] - 0.1, 27), [ends[0] - 0.05, ends[0] - 0.015]]
    x += [a + (b - a) * np.array([0.0, 0.12, 0.5, 0.88]) for a, b in pairwise(ends)]
    last = ends[-1]
    x += [[last, last + 0.015, last + 0.05], np.linspace(last + 0.1, periods + SIDE, 27)]
    along = np.concatenate(x)
    middle = 0.5 * (along[1:] + along[:-1])
    pairs = np.array(ends).reshape(-1, 2)
    strip = np.where(
        (middle[:, None] > pairs[:, 0]) & (middle[:, None] < pairs[:, 1]), np.arange(len(pairs)), -1
    ).max(axis=1)
    deep = np.concatenate([np.arange(-DEPTH, -0.6, 0.3), [-0.5, -0.3, -0.15, -0.06, -0.02, 0.0]])
    up = HEIGHT / WAVE + np.array([0.0, 0.03, 0.15, 0.5, 1.2])
    return along, np.concatenate([deep, up]), strip, deep.size - 1


def generalised(medium) -> np.ndarray:
    """G_iJKl in units of PASCAL and FIELD, directions 1 and 3: (2, 4, 4, 2)."""
    G = np.zeros((3, 4, 4, 3))
    G[:, :3, :3] = medium.stiffness
    G[:, :3, 3] = medium.piezoelectric.transpose(1, 2, 0) * FIELD
    G[:, 3, :3] = medium.piezoelectric * FIELD
    G[:, 3, 3] = -medium.permittivity * FIELD**2
    return G[np.ix_([0, 2], range(4), range(4), [0, 2])] / PASCAL


def surface_motion(periods: int) -> tuple[np.ndarray, np.ndarray]:
    """Places of the surface's nodes in waves and u3 there, for one volt on the hot strips."""
    x, z, strip, row = grid(periods)
    hx, hz = np.diff(x), np.diff(z)
    kind = np.full((hx.size, hz.size), BODY)
    kind[:, row:] = AIR
    kind[strip >= 0, row] = METALLIC
    nth, up = np.meshgrid(np.arange(hx.size), np.arange(hz.size), indexing="ij")
    local = np.arange(3)
    i, j = 2 * nth[..., None, None] + local[:, None], 2 * up[..., None, None] + local
    nz = 2 * hz.size + 1
    nodes = (i * nz + j).reshape(hx.size, hz.size, 9)
    count = (2 * hx.size + 1) * nz

    middle, level = 0.5 * (x[1:] + x[:-1]), 0.5 * (z[1:] + z[:-1])
    off = np.maximum(x[0] + ABSORBER - middle, middle - x[-1] + ABSORBER).clip(0) / ABSORBER
    below = (-level - DEPTH + 2.5).clip(0) / 2.5
    loss = 1 + 1j * LOSS * np.maximum(off[:, None], below) ** 2

    metal = load_material(METAL).rotated(np.eye(3))
    media = {BODY: generalised(STACK.media()[0]), METALLIC: generalised(metal)}
    media[METALLIC][:, 3], media[METALLIC][:, :, 3] = 0.0, 0.0
    media[AIR] = np.zeros((2, 4, 4, 2))
    media[AIR][[0, 1], 3, 3, [0, 1]] = -VACUUM * FIELD**2 / PASCAL
    density = {BODY: STACK.media()[0].density, METALLIC: metal.density, AIR: 0.0}
    inertia = (2 * np.pi * FREQUENCY * WAVE) ** 2 / PASCAL * np.diag([1, 1, 1, 0])

    rows, columns, values = [], [], []
    for what, G in media.items():
        at = kind == what
        a, b = (h[at][:, None, None] for h in np.broadcast_arrays(hx[:, None], hz))
        elastic = np.ones((at.sum(), 1, 4, 1, 4), dtype=complex)
        elastic[:, :, :3, :, :3] = loss[at][:, None, None, None, None]
        forms = {
            (0, 0): b / a * np.kron(K1, M1), (1, 1): a / b * np.kron(M1, K1),
            (0, 1): np.kron(C1, C1.T) + 0 * a, (1, 0): np.kron(C1.T, C1) + 0 * a,
        }  # fmt: skip
        part = sum(
            form[:, :, None, :, None] * G[p, :, :, q][None, None, :, None, :]
            for (p, q), form in forms.items()
        )
        mass = a * b / 4 * np.kron(M1, M1)
        part = part * elastic - mass[:, :, None, :, None] * density[what] * inertia[:, None, :]
        unknown = (4 * nodes[at][:, :, None] + np.arange(4)).reshape(-1, 36)
        rows.append(np.repeat(unknown, 36, axis=1).ravel())
        columns.append(np.tile(unknown, 36).ravel())
        values.append(part.reshape(-1))
    A = sp.csc_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(4 * count, 4 * count),
    )

    potential = np.full(4 * count, np.nan)  # what is prescribed
    edge = nodes[:, 0, [0, 3, 6]], nodes[0], nodes[-1]
    for part in edge:
        potential[(4 * part[..., None] + np.arange(4)).ravel()] = 0.0
    for at, number in enumerate(strip):
        if number >= 0:
            potential[4 * nodes[at, row] + 3] = 1.0 / (FIELD * WAVE) * (number % 3 == 0)
    silent = np.setdiff1d(nodes[kind == AIR], nodes[kind != AIR])
    for component in range(3):
        potential[4 * silent + component] = 0.0
    free = np.isnan(potential)
    u = np.where(free, 0.0, potential).astype(complex)
    lu = splu(
        A[free][:, free].tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.01,
        options={"SymmetricMode": True},
    )
    u[free] = lu.solve(-(A[free] @ u))
    surface = np.unique(nodes[:, row][:, [0, 3, 6]])
    return np.interp(surface // nz, 2 * np.arange(x.size), x), u[4 * surface + 2]


def launched(periods: int) -> float:
    """Logarithm of the power to the right over that to the left."""
    x, u = surface_motion(periods)
    right = np.abs(u[(x > periods + 1.0) & (x < periods + 4.0)])
    left = np.abs(u[(x < -1.0) & (x > -4.0)])
    assert np.std(right) < 0.04 * right.mean()  # one wave that runs away
    assert np.std(left) < 0.04 * left.mean()
    return float(np.log(np.mean(right**2) / np.mean(left**2)))


def test_a_whole_transducer_launches_to_the_side_that_its_constants_say() -> None:
    # The constants know of endless gratings alone. What the ends do is the same for two lengths, so
    # that their difference tells the grating's part.
    strips = [Electrode(METAL, HEIGHT, w * WAVE, centre=c * WAVE) for c, w in STRIPS]
    cell = UnitCell(STACK, strips, WAVE)
    com = grating_constants(cell, accuracy=1e-4, connections=("hot", "ground", "ground")).com()
    assert com.directivity > 0.9
    found, told = [], []
    for periods in (4, 6):
        P = transducer_section(com, 2 * periods, 1.0, [FREQUENCY]).matrix[0]
        told.append(2.0 * np.log(abs(P[1, 2] / P[0, 2])))
        found.append(launched(periods))
    assert found[0] > 0.1
    assert found[1] - found[0] == pytest.approx(told[1] - told[0], rel=0.1)
