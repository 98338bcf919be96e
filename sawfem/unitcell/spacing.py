"""Nodes along one axis of the mesh: graded towards marks, cut where too long, moved onto levels.

The charge and the stress are singular at the corners of the electrodes, where uniform refinement
of any order converges only like the root of the element size; elements shrinking by a fixed ratio
towards the corner restore exponential convergence (Babuska & Guo, SIAM J. Numer. Anal. 25, 837
(1988)).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: A node nearer to a level than this share of the gap beside it is moved onto the level.
MOVED = 0.3
#: Levels nearer to one another than this, in periods, are one.
SAME = 1e-9


def graded(
    start: float, stop: float, ends: str, gradings: int, ratio: float, largest: float
) -> Array:
    """Nodes of an interval that crowd together geometrically towards one or both ends.

    ``ends`` names the singular ends: "both", "start" or "stop". The nodes include both ends.
    Intervals longer than ``largest`` are halved until they are not.
    """
    if gradings == 0:
        return split(np.array([start, stop]), largest)
    length = stop - start
    powers = ratio ** np.arange(gradings, 0, -1)
    if ends == "both":
        half = 0.5 * length
        nodes = np.r_[start, start + half * powers, start + half, stop - half * powers[::-1], stop]
    elif ends == "start":
        nodes = np.r_[start, start + length * powers, stop]
    else:
        nodes = np.r_[start, stop - length * powers[::-1], stop]
    return split(nodes, largest)


def split(nodes: Array, largest: float) -> Array:
    """The same nodes with every interval longer than ``largest`` cut into equal pieces."""
    pieces = [nodes[:1]]
    for left, right in pairwise(nodes):
        count = max(1, int(np.ceil((right - left) / largest - 1e-9)))
        pieces.append(np.linspace(left, right, count + 1)[1:])
    return np.concatenate(pieces)


def gradings_for(length: float, finest: float, ratio: float, most: int) -> int:
    """Element layers towards an end of an interval until they are as small as ``finest``.

    ``length`` is what the layers of that end may take up. A short interval needs fewer.
    """
    wanted = math.log(max(length / finest, 1.0)) / math.log(1.0 / ratio)
    return max(0, min(most, math.ceil(wanted - 1e-6)))


def with_levels(nodes: Array, levels: Sequence[float]) -> Array:
    """The same nodes with every level inside them among them, the ends kept.

    The nearest node is moved onto a level, or the level is added where none is near. A level on a
    node is there already.
    """
    taken = {float(nodes[0]), float(nodes[-1])}
    for level in levels:
        near = int(np.argmin(np.abs(nodes - level)))
        if not nodes[0] < level < nodes[-1] or abs(nodes[near] - level) < SAME:
            continue
        if 0 < near < nodes.size - 1 and float(nodes[near]) not in taken:
            gap = min(nodes[near] - nodes[near - 1], nodes[near + 1] - nodes[near])
            if abs(nodes[near] - level) < MOVED * gap:
                nodes = nodes.copy()
                nodes[near] = level
                taken.add(level)
                continue
        nodes = np.sort(np.append(nodes, level))
        taken.add(level)
    return nodes
