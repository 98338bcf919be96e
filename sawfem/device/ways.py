"""Where the elements of a track stand together, and how far it is from group to group."""

from __future__ import annotations

import math
from itertools import pairwise

from sawfem.device.passages import Way
from sawfem.device.track import Element, Gratings, Space, Track, Transducer


def groups_of(track: Track, gratings: Gratings) -> tuple[tuple[int, ...], ...]:
    """Places of the elements that stand within a wave of each other, with the spaces among them.

    Spaces longer than a wave of the grating to their left lie between the groups.
    """
    found: list[list[int]] = []
    apart, before = math.inf, 0.0
    for place, element in enumerate(track.elements):
        if isinstance(element, Space):
            apart += element.length
            continue
        if not found or apart > before:
            found.append([])
        elif found[-1]:
            found[-1].extend(range(found[-1][-1] + 1, place))
        found[-1].append(place)
        apart, before = 0.0, 2.0 * gratings.half_wave(element)
    return tuple(tuple(group) for group in found)


def space_length(track: Track, position: int, gratings: Gratings) -> float:
    """Length of a space between the sections beside it, m."""
    element = track.elements[position]
    assert isinstance(element, Space)
    length = element.length
    if position > 0:
        length -= gratings.lead(track.elements[position - 1], right=True)
    if position + 1 < len(track.elements):
        length -= gratings.lead(track.elements[position + 1], right=False)
    return length


def ways_of(track: Track, gratings: Gratings) -> list[Way]:
    """From each group of elements to the next, from line to line (:mod:`.passages`)."""
    groups = groups_of(track, gratings)
    found = []
    for left, right in pairwise(groups):
        spaces = range(left[-1] + 1, right[0])
        length = sum(space_length(track, place, gratings) for place in spaces)
        ends = track.elements[left[-1]], track.elements[right[0]]
        depths = [_depth(end, gratings) for end in ends]
        aside = [getattr(end, "offset", 0.0) for end in ends]
        found.append(Way(length + sum(depths), track.aperture, aside[1] - aside[0]))
    return found


def _depth(element: Element, gratings: Gratings) -> float:
    """How far behind its edge an element stands as a line, m."""
    assert not isinstance(element, Space)
    half = 0.5 * gratings.half_waves(element) * gratings.half_wave(element)
    if isinstance(element, Transducer):
        return half
    constants = gratings.of(element.grating)
    kappa = abs(constants.reflection) / constants.pitch
    return math.tanh(2.0 * kappa * half) / (2.0 * kappa) if kappa * half > 1e-6 else half
