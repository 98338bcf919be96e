"""Many devices at once give what each gives alone; numbers come out of a tree and go back in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sawfem.device import Resonator
from sawfem.device.assembled import solve_assembly
from sawfem.device.assembly import ResonatorPart, ladder
from sawfem.device.lump import Lump
from sawfem.device.numbers import Numbered
from sawfem.device.population import population_scattering
from sawfem.device.specification import Limit
from sawfem.device.track import Element, Gratings, Space, Track, Transducer
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants
from sawfem.pipeline.circuits import CircuitSetting
from sawfem.pipeline.specified import judged_together
from sawfem.pipeline.yields import DIE_POINTS

#: Invented, of the size of aluminium on lithium tantalate.
SERIES = ComConstants(2.26e-6, 4035.0, -0.106, 0.193, 2.3e-10, 30.0, capacitance_slope=0.1)
GRATINGS = Gratings({"series": SERIES, "shunt": replace(SERIES, pitch=2.35e-6)})
F = np.linspace(820e6, 920e6, 61)


def circuit(fingers: int = 150):
    row: tuple[Element, ...] = (
        Transducer("1", "series", 31),
        Space(20e-6, ""),
        Transducer("2", "series", 31),
    )
    parts = {
        "s": ResonatorPart(
            Resonator(
                fingers, (30, 0), 60e-6, 2.3e-6, sheet_resistance=0.1, electrode_width=1.1e-6
            ),
            "series",
        ),
        "p": ResonatorPart(
            Resonator(90, (20, 20), 80e-6, 2.4e-6, "open", attenuation=40.0), "shunt", "series"
        ),
        "bond": Lump(inductance=0.5e-9, quality=20.0),
        "row": Track(100e-6, row),
    }
    chain = [("series", ["bond"]), ("series", ["s"]), ("shunt", ["p"]), ("series", ["row"])]
    return ladder(parts, chain, [("1", 50.0), ("2", 60.0 + 5.0j)])


def population(count: int, fingers: int = 150):
    """Devices all of whose numbers are off by up to a thousandth."""
    known = Numbered((circuit(fingers), GRATINGS))
    random = np.random.default_rng(7)
    return [
        known.changed(known.numbers * (1.0 + 1e-3 * random.uniform(-1, 1, known.numbers.size)))
        for _ in range(count)
    ]


def test_a_population_is_solved_as_each_device_alone():
    devices = population(5)
    together = population_scattering([c for c, _ in devices], [g for _, g in devices], F)
    assert together.shape == (5, F.size, 2, 2)
    for (one, gratings), s in zip(devices, together, strict=True):
        np.testing.assert_allclose(s, solve_assembly(one, gratings, F).solution.s, atol=1e-11)
    assert np.ptp(np.abs(together[:, :, 1, 0]), axis=0).max() > 1e-3


def test_devices_of_other_counts_are_refused():
    with pytest.raises(InputError, match="different layout"):
        population_scattering([circuit(150), circuit(152)], [GRATINGS, GRATINGS], F)


def test_numbers_are_put_back_where_they_were():
    tree = (circuit(), GRATINGS)
    known = Numbered(tree)
    assert known.changed(known.numbers) is tree
    moved = known.numbers.copy()
    place = int(np.flatnonzero(moved == 60e-6)[0])
    moved[place] *= 1.5
    changed, gratings = known.changed(moved)
    assert gratings is GRATINGS
    assert changed.parts["s"].resonator.aperture == 90e-6
    assert changed.parts["p"] is tree[0].parts["p"]
    assert changed.parts["s"].resonator.fingers == 150
    np.testing.assert_array_equal(Numbered((changed, gratings)).numbers, moved)


def test_points_of_a_die_find_the_worst_of_a_band():
    # The same margins at ten times the frequencies, to a twentieth of a decibel.
    limits = (
        Limit("pass", "insertion_loss", 866e6, 873e6, at_most=3.0),
        Limit("stop", "insertion_loss", 780e6, 830e6, at_least=10.0),
    )
    settings = [CircuitSetting(c, g, {}, F) for c, g in population(3)]
    few, many = (
        judged_together(settings, limits, (25.0,), lambda celsius: 0.0, points=points)
        for points in (DIE_POINTS, 10 * DIE_POINTS)
    )
    for a, b in zip(few, many, strict=True):
        np.testing.assert_allclose([v.margin for v in a], [v.margin for v in b], atol=0.05)
