"""A map of 91 x 91 orientations against the same cuts asked one at a time.

    python -m pytest tests/benchmarks/test_map_speed.py --benchmark-only

Single cuts are timed on a sample of the map's own orientations, in every round, so that whatever
else the machine does falls on both; the map is timed whole, with two workers.
"""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.design import Stack
from sawfem.material import load_material
from sawfem.planewave import plane_waves
from sawfem.planewave.maps import compute_map, request
from tests.support.commands import number_printed

#: The map has to be so many times faster; a map of leaky waves, followed along its rows.
LEAST_GAIN = 8.0
LEAST_LEAKY = 2.5
#: Largest memory of the whole process, megabytes.
MOST_MEMORY = 500.0
SAMPLE = 60


MEMORY = """
import resource, sys
import numpy as np
from sawfem.design import Stack
from sawfem.planewave.maps import compute_map, request
axes = {"substrate.euler[1]": np.linspace(0.0, 180.0, 91),
        "substrate.euler[2]": np.linspace(0.0, 90.0, 91)}
keep = ("velocity_free", "coupling_k2", "power_flow_angle")
compute_map(request(Stack("lithium-niobate/kovacs-1990"), axes, quantities=keep), workers=2)
unit = 1e6 if sys.platform == "darwin" else 1e3
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit)
"""


def memory_of_a_map() -> float:
    """Megabytes, in a process of its own: what other benchmarks used before does not count."""
    return number_printed(MEMORY)


@pytest.mark.benchmark(group="map")
@pytest.mark.parametrize("name", ["lithium-niobate/kovacs-1990", "quartz/bechmann-1958"])
def test_map_of_orientations(against, name):
    material = load_material(name)
    axes = {
        "substrate.euler[1]": np.linspace(0.0, 180.0, 91),
        "substrate.euler[2]": np.linspace(0.0, 90.0, 91),
    }
    keep = ("velocity_free", "velocity_metallised", "coupling_k2", "power_flow_angle")
    asked = request(Stack(material), axes, quantities=keep)
    sample = np.random.default_rng(0).choice(asked.size, SAMPLE, replace=False)
    stacks = [asked.stack(int(point))[0] for point in sample]

    def singles():
        return [plane_waves(stack) for stack in stacks]

    ratio = against(
        f"map of {name.partition('/')[0]}",
        lambda: compute_map(asked, workers=2),
        singles,
        unit=f"{SAMPLE} single cuts by plane_waves",
        limit=asked.size / SAMPLE / LEAST_GAIN,
        rounds=3,
    )
    assert ratio < asked.size / SAMPLE / LEAST_GAIN
    assert memory_of_a_map() < MOST_MEMORY


@pytest.mark.benchmark(group="map")
@pytest.mark.parametrize(
    "name", ["lithium-tantalate/smith-welsh-1971", "lithium-niobate/kovacs-1990"]
)
def test_map_of_leaky_waves(against, name):
    """Followed along rows with one worker, against the same points one at a time.

    Seen: 5.1 times as fast. Where waves set in and end along a row it is 2, and 1.3 over rows of
    random cuts of six crystals, of which half the points are searched (1584 points, all alike).
    """
    axes = {"substrate.euler[2]": [1.0, 3.0], "substrate.euler[1]": np.linspace(-62.0, -30.0, 65)}
    keep = ("velocity_free", "velocity_metallised", "coupling_k2", "attenuation_metallised")
    asked = request(Stack(name), axes, quantities=keep, kinds=("leaky",))
    sample = np.random.default_rng(0).choice(asked.size, SAMPLE, replace=False)
    stacks = [asked.stack(int(point))[0] for point in sample]
    limit = asked.size / SAMPLE / LEAST_LEAKY
    ratio = against(
        f"leaky map of {name.partition('/')[0]}",
        lambda: compute_map(asked, workers=1),
        lambda: [plane_waves(stack, leaky=True) for stack in stacks],
        unit=f"{SAMPLE} single cuts by plane_waves",
        limit=limit,
        rounds=3,
    )
    assert ratio < limit
