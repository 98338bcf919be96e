"""What leaky estimates are called by their motion."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.cuts import compute_cut
from sawfem.design import Stack
from sawfem.planewave.allwaves import search_waves
from sawfem.planewave.leaky import _named

NIOBATE = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
COATED = NIOBATE.with_layer("silica/auld-1973", 1e-6).with_layer("aluminium/kaye-laby", 0.3e-6)


def labels(stack: Stack, frequency: float | None = None) -> dict[float, str]:
    found = compute_cut(stack, frequency)
    return {
        wave.velocity: character.label
        for wave, character in zip(found.waves, found.characters, strict=True)
        if wave.kind == "leaky-estimate"
    }


@pytest.mark.parametrize(
    ("material", "cut"),
    [
        ("lithium-tantalate/smith-welsh-1971", "(YXl)36"),
        ("lithium-niobate/warner-1967", "(YXl)41"),
        ("lithium-niobate/warner-1967", "(YXl)64"),
    ],
)
def test_rotated_y_cuts_have_shear_horizontal_leaky_waves(material: str, cut: str) -> None:
    """Nakamura et al. 1977; Yamanouchi & Shibayama, J. Appl. Phys. 43, 856 (1972): from memory."""
    assert list(labels(Stack(material, cut=cut)).values()) == ["SH-type"]


def test_layers_that_load_them_do_not_change_their_name() -> None:
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)64")
    coated = stack.with_layer("silica/auld-1973", 0.2e-6)
    assert list(labels(coated, 868e6).values()) == ["SH-type"]


def test_a_longitudinal_wave_agrees_with_the_search_for_all() -> None:
    """Two ways: the estimate with its label, and the counted search that goes by the limits."""
    ((velocity, label),) = labels(COATED, 868e6).items()
    assert label == "longitudinal"
    found = search_waves(*COATED.media(), 2.0 * np.pi * 868e6, attenuation=1.0)
    same = [wave for wave in found.waves if abs(wave.velocity / velocity - 1.0) < 1e-6]
    assert [wave.kind for wave in same] == ["leaky longitudinal"]


def test_a_pseudo_surface_wave_of_quartz_moves_in_the_sagittal_plane() -> None:
    """As counted by the search for all waves on that cut, "leaky Rayleigh-type"."""
    stack = Stack("quartz/bechmann-1958", euler=(0, 15, 0))
    ((velocity, label),) = labels(stack).items()
    assert label == "Rayleigh-type"
    near = [w for w in search_waves(*stack.media()).waves if abs(w.velocity / velocity - 1) < 1e-6]
    assert [wave.kind for wave in near] == ["leaky Rayleigh-type"]


@pytest.mark.parametrize(
    ("squares", "velocity", "label"),
    [
        ((0.1, 0.8, 0.1), 4000.0, "SH-type"),
        ((0.9, 0.05, 0.05), 6500.0, "longitudinal"),
        ((0.9, 0.05, 0.05), 4000.0, ""),  # along x1, but slower than a shear wave
        ((0.5, 0.1, 0.4), 4000.0, "Rayleigh-type"),
        ((0.3, 0.4, 0.3), 4000.0, ""),  # neither
    ],
)
def test_what_is_not_clear_has_no_name(squares: tuple[float, ...], velocity: float, label: str):
    assert _named(np.array(squares), velocity, (3800.0, 4500.0, 7000.0)) == label
