"""Maps: values of single cuts at every point, kept when interrupted, the same when resumed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from sawfem.design import Stack
from sawfem.errors import GeometryError, InputError, MaterialError, OrientationError
from sawfem.material import load_material
from sawfem.planewave import maps, plane_waves
from sawfem.planewave.map_points import DONE, FAILED, NOT_RUN, chunks_of, refuse_hidden_map
from sawfem.planewave.maps import WaveMap, compute_map, request
from sawfem.planewave.temperature import temperature_coefficients

NIOBATE = Stack("lithium-niobate/kovacs-1990", euler=(0, 38, 0))
GUIDE = Stack("silicon/mason-1958").with_layer("zinc-oxide/kobyakov-1980", "1 um")


def small(**asked: object) -> maps.MapRequest:
    axes = {"substrate.euler[1]": [30.0, 38.0, 90.0], "substrate.euler[2]": [0.0, 7.0]}
    return request(NIOBATE, axes, **asked)  # type: ignore[arg-type]


def test_every_point_is_a_single_cut() -> None:
    found = compute_map(small())
    assert found.complete
    for i, mu in enumerate((30.0, 38.0, 90.0)):
        for j, theta in enumerate((0.0, 7.0)):
            waves = plane_waves(Stack("lithium-niobate/kovacs-1990", euler=(0, mu, theta)))
            wave = max(waves, key=lambda wave: wave.coupling_k2 or 0.0)
            for name in ("velocity_free", "velocity_metallised"):
                assert found.values[name][i, j] == pytest.approx(getattr(wave, name), rel=1e-9)
            assert found.values["coupling_k2"][i, j] == pytest.approx(wave.coupling_k2, abs=2e-9)
            assert found.values["power_flow_angle"][i, j] == pytest.approx(
                wave.power_flow_angle, abs=1e-3
            )


def test_a_plate_turned_about_its_edges() -> None:
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXlt)128/0")
    asked = request(
        stack, {"substrate.rotations[0]": [120.0, 128.0], "substrate.rotations[1]": [5]}
    )
    found = compute_map(asked)
    single = plane_waves(Stack("lithium-niobate/kovacs-1990", cut="(YXlt)128/5"))[0]
    assert found.values["velocity_free"][1, 0] == pytest.approx(single.velocity_free, rel=1e-9)


def test_layers_and_frequency() -> None:
    axes = {"layer[0].thickness": ["0.4 um", "1 um"], "frequency": ["868 MHz"]}
    found = compute_map(request(GUIDE, axes))
    wave = max(plane_waves(GUIDE, "868 MHz"), key=lambda wave: wave.coupling_k2 or 0.0)
    assert found.values["velocity_free"][1, 0] == wave.velocity_free
    assert found.values["coupling_k2"][1, 0] == wave.coupling_k2
    assert found.asked.axes[0].values.tolist() == [4e-7, 1e-6]


@pytest.mark.slow
def test_processes_give_the_same_bits() -> None:
    axes = {"layer[0].thickness": np.linspace(4e-7, 1e-6, 9), "frequency": [7e8, 9e8]}
    asked = request(GUIDE, axes)
    alone, together = compute_map(asked), compute_map(asked, workers=2)
    for name, values in alone.values.items():
        np.testing.assert_array_equal(values, together.values[name])


def test_leaky_waves() -> None:
    """36 deg Y-X lithium tantalate, Nakamura et al., IEEE Ultrason. Symp. 1977 (mem+rep)."""
    stack = Stack("lithium-tantalate/smith-welsh-1971", euler=(0, -54, 0))
    keep = ("velocity_free", "velocity_metallised", "attenuation_metallised")
    asked = request(stack, {"substrate.euler[1]": [-54.0]}, quantities=keep, kinds=("leaky",))
    found = compute_map(asked)
    assert found.values["velocity_free"][0] == pytest.approx(4211.3, abs=0.1)
    assert found.values["velocity_metallised"][0] == pytest.approx(4112.8, abs=0.1)
    assert 0.0 < found.values["attenuation_metallised"][0] < 0.01


@pytest.mark.parametrize("euler", [(0.0, 132.75, 0.0), (10.0, 110.0, 35.0), (0.0, 90.0, 20.0)])
def test_drift_is_that_of_single_cuts(euler: tuple[float, float, float]) -> None:
    """Central differences in batch against five temperatures and differences of fourth order."""
    held = ("piezoelectric", "permittivity")
    stack = Stack("quartz/bechmann-1958", euler=euler)
    keep = ("delay_temperature_coefficient", "frequency_temperature_coefficient")
    asked = request(stack, {"substrate.euler[1]": [euler[1]]}, quantities=keep, hold_constant=held)
    found = compute_map(asked)
    wave = max(plane_waves(stack), key=lambda wave: wave.coupling_k2 or 0.0)
    single = temperature_coefficients(stack, wave, hold_constant={stack.material.name: held})
    values = [found.values[name][0] for name in keep]
    assert values[0] == pytest.approx(single.delay.first, abs=2e-8)
    assert values[1] == pytest.approx(single.frequency.first, abs=2e-8)


def test_missing_temperature_data_are_named() -> None:
    asked = small(quantities=("delay_temperature_coefficient",))
    with pytest.raises(MaterialError, match="no coefficients of"):
        compute_map(asked)


def test_a_point_without_the_wave_says_so() -> None:
    asked = small(kinds=("bleustein-gulyaev",), quantities=("velocity_free",))
    found = compute_map(asked)
    failed = found.status == FAILED
    assert np.any(failed)
    np.testing.assert_array_equal(np.isnan(found.values["velocity_free"]), failed)
    assert "below the limiting velocity" in found.message[failed][0]
    assert all(text == "" for text in found.message[found.status == DONE])


class StoppedError(Exception):
    """Stands for the user's interruption."""


def test_what_is_done_is_kept_and_taken_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Interrupted in the middle and taken up again: the bits of an undisturbed map."""
    axes = {"substrate.euler[1]": np.linspace(0, 90, 40), "substrate.euler[2]": np.arange(40.0)}
    asked = request(NIOBATE, axes)
    assert len(chunks_of(asked)) == 4
    whole = compute_map(asked, workers=1)
    kept: list[WaveMap] = []

    def stop(done: int, total: int, left: float | None) -> None:
        assert total == 1600
        if done >= 1024:
            assert left is not None
            raise StoppedError

    with pytest.raises(StoppedError):
        compute_map(asked, workers=1, progress=stop, keep=kept.append)
    part = kept[-1]
    assert part.done == 1024
    assert not part.complete
    assert np.all(np.isnan(part.values["velocity_free"][part.status == NOT_RUN]))

    computed: list[int] = []
    once = maps.compute_chunk

    def counted(asked: maps.MapRequest, points: np.ndarray) -> maps.Chunk:
        computed.append(len(points))
        return once(asked, points)

    monkeypatch.setattr(maps, "compute_chunk", counted)
    resumed = compute_map(asked, workers=2, known=part)
    assert sum(computed) == 1600 - 1024
    for name, values in whole.values.items():
        np.testing.assert_array_equal(values, resumed.values[name])
    np.testing.assert_array_equal(whole.status, resumed.status)
    np.testing.assert_array_equal(whole.message, resumed.message)
    assert compute_map(asked, known=resumed).complete


def test_a_part_of_another_map_is_refused() -> None:
    part = compute_map(small())
    with pytest.raises(InputError, match="another request"):
        compute_map(small(quantities=("velocity_free",)), known=part)


@pytest.mark.parametrize(
    ("axes", "message"),
    [
        ({}, "0 axes"),
        ({"substrate.euler[1]": []}, "no values"),
        ({"substrate.mu": [1.0]}, "substrate.mu"),
        ({"layer[0].thickness": [1e-6]}, "layer"),
        ({"substrate.thickness": [1e-6]}, "thickness of a layer"),
        ({"substrate.euler": [1e-6]}, "substrate.euler"),
        ({"substrate.rotations[1]": [1.0]}, "rotations of this plate"),
        ({f"substrate.euler[{i}]": [1.0] for i in range(3)}, "3 axes"),
        ({"substrate.euler[1]": np.zeros(1001), "substrate.euler[2]": np.zeros(1001)}, "points"),
    ],
)
def test_axes_that_are_none(axes: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        request(NIOBATE, axes)  # type: ignore[arg-type]


def test_other_requests_that_cannot_be() -> None:
    with pytest.raises(InputError, match="velocity_free"):
        small(quantities=("velocity_fre",))
    with pytest.raises(InputError, match="keep"):
        small(quantities=())
    with pytest.raises(InputError, match="waves"):
        small(kinds=("plate",))
    with pytest.raises(GeometryError, match="frequency"):
        request(GUIDE, {"layer[0].thickness": [1e-6]})
    with pytest.raises(InputError, match="workers"):
        compute_map(small(), workers=0)
    with pytest.raises(OrientationError):
        request(Stack("quartz/bechmann-1958", cut="(YXl)400"), {"substrate.rotations[0]": [1.0]})


def rayleigh_depth(shear: float, longitudinal: float) -> tuple[float, float]:
    """Velocity of Rayleigh's wave on an isotropic half-space, and the depth in wavelengths above
    which 1 - exp(-2) of its kinetic energy lies (closed form of the fields: Viktorov, Rayleigh
    and Lamb Waves, 1967; from memory).
    """
    ratio = shear / longitudinal

    def secular(v: float) -> float:  # v over the shear velocity
        q, s = np.sqrt(1.0 - (v * ratio) ** 2), np.sqrt(1.0 - v**2)
        return float((2.0 - v**2) ** 2 - 4.0 * q * s)

    v = brentq(secular, 0.5, 0.9999)
    q, s = np.sqrt(1.0 - (v * ratio) ** 2), np.sqrt(1.0 - v**2)
    z = np.linspace(0.0, 30.0, 300_001)  # k times depth
    along = np.exp(-q * z) - 2.0 * q * s / (1.0 + s**2) * np.exp(-s * z)
    across = q * (np.exp(-q * z) - 2.0 / (1.0 + s**2) * np.exp(-s * z))
    energy = np.cumsum(along**2 + across**2)
    place = np.searchsorted(energy, (1.0 - np.exp(-2.0)) * energy[-1])
    return v * shear, float(z[place] / (2.0 * np.pi))


def test_layers_that_hide_the_substrate_are_marked() -> None:
    """Silica on silicon: eight depths of Rayleigh's wave in closed form divide the points."""
    silica = load_material("silica/auld-1973")
    shear, longitudinal = (np.sqrt(silica.stiffness[i, i] / silica.density) for i in (3, 0))
    velocity, depth = rayleigh_depth(shear, longitudinal)
    thickness = 8.0 * depth * velocity / 900e6
    stack = Stack("silicon/mason-1958").with_layer("silica/auld-1973", 1e-6)
    axes = {"layer[0].thickness": [1e-6, 1.001 * thickness, 2.0 * thickness]}
    keep = ("velocity_free",)
    asked = request(stack, axes, frequency=900e6, quantities=keep, kinds=("rayleigh",))
    found = compute_map(asked)
    assert found.status.tolist() == [DONE, FAILED, FAILED]
    assert all("hide the substrate" in text for text in found.message[1:])
    refuse_hidden_map(asked)  # one point is left
    hidden = {"layer[0].thickness": [1.001 * thickness, 2.0 * thickness]}
    with pytest.raises(GeometryError, match="hide the substrate"):
        refuse_hidden_map(request(stack, hidden, frequency=900e6))
    just = {"layer[0].thickness": [0.999 * thickness, 2.0 * thickness]}
    refuse_hidden_map(request(stack, just, frequency=900e6))
    # Asked for all the same: the wave is that of the silica alone.
    thick = {"layer[0].thickness": [1.001 * thickness]}
    asked = request(stack, thick, frequency=900e6, quantities=keep, order="slowest", thick=True)
    assert compute_map(asked).values["velocity_free"][0] == pytest.approx(velocity, rel=1e-6)
