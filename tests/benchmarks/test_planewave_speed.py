"""One surface wave, free and metallised, from nothing known, in eigen-decompositions.

The yardstick is numpy.linalg.eig of one real 8x8 matrix of partial waves, called one by one: at
most 120 of them. Medians of 75 to 97 were measured, the larger ones on a busy machine.
"""

import numpy as np
import pytest

from sawfem.material import load_material
from sawfem.orientation import Orientation
from sawfem.planewave import surface_waves
from sawfem.planewave.allwaves import search_waves
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.partial_waves import stroh_matrix

#: Decompositions in one go: as long as the search itself, so that a busy machine hits both alike.
BATCH = 80
MOST = 120.0


@pytest.mark.benchmark(group="plane waves")
@pytest.mark.parametrize(
    ("crystal", "euler"),
    [
        ("lithium-niobate/kovacs-1990", (0.0, 38.0, 0.0)),
        ("quartz/bechmann-1958", (10.0, 110.0, 35.0)),
        ("zinc-oxide/kobyakov-1980", (20.0, 30.0, 40.0)),
    ],
)
def test_one_surface_wave(against, crystal, euler):
    medium = load_material(crystal).rotated(Orientation.from_euler(*euler).rotation)
    tensor = GeneralisedTensor.from_medium(medium)
    matrix = stroh_matrix(tensor, np.array([1.0]), np.array([3000.0]))[0]

    def eigen():
        for _ in range(BATCH):
            np.linalg.eig(matrix)

    ratio = against(
        f"surface wave, {crystal.partition('/')[0]}",
        lambda: surface_waves(medium),
        eigen,
        unit=f"{BATCH} eig of 8x8",
        limit=MOST / BATCH,
        rounds=40,
    )
    assert ratio * BATCH < MOST


@pytest.mark.benchmark(group="plane waves")
@pytest.mark.parametrize(
    ("crystal", "euler"),
    [
        ("lithium-tantalate/smith-welsh-1971", (0.0, -54.0, 0.0)),
        ("lithium-niobate/warner-1967", (90.0, 90.0, 36.0)),
        ("langasite/bungo-1999", (0.0, 138.5, 26.7)),
    ],
)
def test_every_leaky_wave(against, crystal, euler):
    """Counted and found up to 1 dB per wavelength: at most 4000 decompositions, some 0.2 s."""
    medium = load_material(crystal).rotated(Orientation.from_euler(*euler).rotation)
    matrix = stroh_matrix(GeneralisedTensor.from_medium(medium), np.array([1.0]), np.array([4e3]))[
        0
    ]

    def eigen():
        for _ in range(1000):
            np.linalg.eig(matrix)

    ratio = against(
        f"every leaky wave, {crystal.partition('/')[0]}",
        lambda: search_waves(medium),
        eigen,
        unit="1000 eig of 8x8",
        limit=4.0,
        rounds=5,
    )
    assert ratio < 4.0
