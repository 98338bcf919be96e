"""Located waves of membranes and of stacks with metal films and shorts: energy form against search.

Nothing published: group velocity, power flow and derivatives from the energy form meet differences
of the search by counting, which shares no field, integral or matrix of interfaces with it.
"""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.conventions import DECIBEL
from sawfem.design import Layer, Stack
from sawfem.material import load_material, material_variant
from sawfem.planewave import plane_waves
from sawfem.planewave.follow import locate
from sawfem.planewave.loss import Loss, attenuation, damped
from sawfem.planewave.profile import depth_profile, energy_shares, energy_velocity
from sawfem.planewave.sensitivity import sensitivity
from sawfem.planewave.wave_form import WaveForm

NIOBATE = "lithium-niobate/kovacs-1990"
ALUMINIUM = "aluminium/kaye-laby"
SILICA = "silica/auld-1973"
NITRIDE = "aluminium-nitride/mcneil-1993"

STACKS = {
    "film": (Stack(NIOBATE, cut="(YXl)128").with_layer(ALUMINIUM, "300 nm"), 868e6),
    "buried": (
        Stack(NIOBATE, euler=(0, 30, 7))
        .with_layer(SILICA, "300 nm")
        .with_layer(ALUMINIUM, "100 nm")
        .with_layer(SILICA, "200 nm")
        .shorted(0),
        868e6,
    ),
    "membrane": (Stack("air").with_layer(NIOBATE, "1 um", euler=(10, 40, 20)), 500e6),
    "resonator": (
        Stack("air").with_layer(ALUMINIUM, "100 nm").with_layer(NITRIDE, "1 um", euler=(0, 5, 0)),
        1500e6,
    ),
    "shorted membrane": (
        Stack("air").with_layer(NIOBATE, "1 um", euler=(0, 38, 0)).shorted(0),
        700e6,
    ),
}


@pytest.fixture(scope="module", params=STACKS)
def found(request):
    stack, frequency = STACKS[request.param]
    wave = plane_waves(stack, frequency)[0]
    return stack, frequency, wave, locate(wave, *stack.media(), shorts=stack.shorts)


def velocity(stack, frequency, like):
    waves = [w for w in plane_waves(stack, frequency) if w.kind == like.kind and w.velocity_free]
    return min((w.velocity_free for w in waves), key=lambda v: abs(v - like.velocity))


def test_the_form_vanishes_and_energies_agree(found):
    _, _, wave, located = found
    form = WaveForm(located)
    assert abs(form.total) < 1e-13 * abs(form.by_wavenumber)
    assert sum(share.kinetic for share in energy_shares(located)) == pytest.approx(0.5, abs=1e-12)
    assert energy_velocity(located)[0] == pytest.approx(form.group_velocity, rel=1e-11)
    assert form.power_flow_angle == pytest.approx(wave.power_flow_angle, abs=1e-7)


def test_group_velocity_is_the_slope_of_the_search(found):
    stack, frequency, wave, located = found
    step = 1e-4
    k = [
        2 * np.pi * frequency * (1 + d) / velocity(stack, frequency * (1 + d), wave)
        for d in (-step, step)
    ]
    slope = 4 * np.pi * frequency * step / (k[1] - k[0])
    assert WaveForm(located).group_velocity == pytest.approx(slope, rel=1e-7)


def test_sensitivities_are_the_slopes_of_the_search(found):
    stack, frequency, wave, located = found
    told = sensitivity(stack, located)
    layer = stack.layers[0]
    step = 1e-4

    def moved(**change):
        return replace(layer, **change)

    def stiffer(sign):
        material = material_variant(
            layer.material,
            "changed",
            {"stiffness_Pa": {"c44": layer.material.stiffness[3, 3] * (1 + sign * step)}}
            if layer.material.point_group != "isotropic"
            else {"stiffness_Pa": {"c11": layer.material.stiffness[0, 0] * (1 + sign * step)}},
        )
        return moved(material=material)

    name = "c44" if layer.material.point_group != "isotropic" else "c11"
    for place, changed in (
        (f"layer[0].{name}", stiffer),
        ("layer[0].thickness", lambda sign: moved(thickness=layer.thickness * (1 + sign * step))),
    ):
        ends = []
        for sign in (-1, 1):
            layers = [changed(sign), *stack.layers[1:]]
            other = Stack(
                stack.material, orientation=stack.orientation, layers=layers, shorts=stack.shorts
            )
            ends.append(velocity(other, frequency, wave))
        slope = (ends[1] - ends[0]) / (2 * step) / wave.velocity
        assert told.relative(place) == pytest.approx(slope, rel=2e-5, abs=1e-8), place


def test_loss_by_perturbation_meets_the_damped_wave(found):
    stack, _, _, located = found
    losses = [Loss(mechanical_q=2e5, loss_tangent=1e-6)] * (1 + len(stack.layers))
    first = attenuation(located, losses)
    exact = damped(located, losses)
    assert first.material == pytest.approx(exact.attenuation, rel=1e-4)
    assert first.material == pytest.approx(2 * np.pi * DECIBEL * exact.loss, rel=1e-4)


def test_one_q_for_all_of_a_metal_membrane_is_the_q_of_the_wave():
    """Without piezoelectricity alpha = pi / (Q) v / v_g nepers per wavelength (Auld 1973, vol. 2:
    from memory): all strain energy loses alike."""
    stack = Stack("air").with_layer(ALUMINIUM, "1 um")
    for wave in plane_waves(stack, 1.0e9)[:3]:
        located = locate(wave, *stack.media())
        lost = attenuation(located, [Loss(), Loss(mechanical_q=1000.0)])
        ratio = located.velocity / lost.group_velocity
        assert lost.material == pytest.approx(DECIBEL * np.pi / 1000.0 * ratio, rel=1e-9)


def test_potential_and_motion_against_depth(found):
    """The potential is zero at shorts and in metals, and nothing moves below a membrane."""
    stack, _, _, located = found
    tops = np.cumsum([0.0, *(layer.thickness for layer in reversed(stack.layers))])
    heights = tops[::-1]  # depth of interface i
    wavelength = 2 * np.pi / located.wavenumber.real
    depth = np.r_[tops, 0.5 * (tops[:-1] + tops[1:]), tops[-1] + 0.1 * wavelength]
    profile = depth_profile(located, depth)
    largest = np.abs(profile.potential).max()
    for index in stack.shorts:
        at = np.argmin(np.abs(profile.depth - heights[index]))
        assert abs(profile.potential[at]) < 1e-9 * largest
    for index, layer in enumerate(stack.layers):
        if layer.material.is_conductor:
            middle = 0.5 * (heights[index] + heights[index + 1])
            assert profile.potential[np.argmin(np.abs(profile.depth - middle))] == 0.0
    moving = np.linalg.norm(profile.displacement, axis=1)
    assert moving[:-1].min() > 1e-3
    assert (moving[-1] == 0.0) == stack.is_membrane


def test_a_metal_without_a_wave_of_its_own_is_refused_as_substrate():
    from sawfem.errors import GeometryError

    with pytest.raises(GeometryError, match="a conductor"):
        Stack(ALUMINIUM)
    with pytest.raises(GeometryError, match="dielectric has none"):
        Layer(load_material(SILICA), Stack("air").orientation, 1e-6, "floating")
    with pytest.raises(GeometryError, match="interface 2"):
        Stack(NIOBATE, cut="(YXl)128", shorts=[2])
