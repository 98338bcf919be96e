"""Conformal films between electrodes: where the gap stays open, and how far it is filled.

A film that follows the electrodes at the distance d has two fronts in a gap, one on either wall.
Between the height d and that of the lower top plus d the distance of the fronts is piecewise
linear and concave in the height (half widths are maxima of straight lines), so that there are
four cases: the gap stays open; the fronts merge all the way up and the film is level there; they
merge up to some height, which leaves a groove; or they merge above an opening, which leaves a void
(keyhole) and is refused. Beside a lower electrode a merged film ends in a step around the higher
one, in the gap or over the lower one's top. Lengths in metres; heights count from the flat surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sawfem.errors import GeometryError
from sawfem.strips import Electrode, shown_length

#: A groove ends where it is narrower than this share of the gap between the feet, for every film
#: from the outermost one in: a bottom that flat is sharper than one that is deposited.
GROOVE = 0.02
#: Share of the half width of an electrode's top that a step over it keeps away from its walls.
OVER = 0.1
#: Share of a height below which two tops are level.
LEVEL = 1e-9


@dataclass(frozen=True)
class Gap:
    """The room between an electrode and the next one, which may be that of the next period.

    Attributes
    ----------
    left, right : numbers of the electrodes.
    shift : what to add to the place of the right one: the period beyond the end of the cell.
    filled : for every film, the height up to which films up to this one fill the gap; its
        level over the flat surface where the gap stays open.
    merged : for every film, whether its fronts merge as far up as the lower electrode goes.
    """

    left: int
    right: int
    shift: float
    filled: tuple[float, ...]
    merged: tuple[bool, ...]


def gaps(
    electrodes: Sequence[Electrode], period: float, recess: float, levels: Sequence[float]
) -> tuple[Gap, ...]:
    """All gaps of a cell under conformal films with these total thicknesses, left to right.

    Raises
    ------
    GeometryError : films that close a gap above a void, or that end at a wall of a lower electrode.
    """
    return tuple(
        _gap(electrodes, number, period, recess, tuple(levels)) for number in range(len(electrodes))
    )


def _gap(
    electrodes: Sequence[Electrode],
    left: int,
    period: float,
    recess: float,
    levels: tuple[float, ...],
) -> Gap:
    """The gap on the right of an electrode: at which levels of the films it is filled."""
    right = (left + 1) % len(electrodes)
    shift = period if right <= left else 0.0
    pair = electrodes[left], electrodes[right]
    tops = [strip.thickness - recess for strip in pair]
    if min(tops) <= LEVEL * recess:  # over one that does not stand out a film has no wall
        return Gap(left, right, shift, levels, (False,) * len(levels))
    feet = _between(pair, shift, 0.0, 0.0)
    filled, merged = [], []
    for index, level in enumerate(levels):
        least = GROOVE * (len(levels) - index) * feet
        height = _filled(pair, shift, recess, index, level, least)
        filled.append(height)
        merged.append(height >= min(tops) + level)
        if merged[-1] and abs(tops[1] - tops[0]) > LEVEL * max(tops):
            inside = levels[index - 1] if index else 0.0
            _check_step(pair, shift, index, (level, inside))
    return Gap(left, right, shift, tuple(filled), tuple(merged))


def _between(pair: tuple[Electrode, Electrode], shift: float, height: float, d: float) -> float:
    """Distance of the fronts at a height over the feet."""
    left, right = pair
    assert left.centre is not None  # a cell places its electrodes
    assert right.centre is not None
    apart = right.centre + shift - left.centre
    return apart - left.half_width(height, d) - right.half_width(height, d)


def _filled(
    pair: tuple[Electrode, Electrode],
    shift: float,
    recess: float,
    index: int,
    level: float,
    least: float,
) -> float:
    """Height up to which film ``index`` fills the gap; raises GeometryError for a void."""
    upper = min(strip.thickness for strip in pair) - recess + level
    bends = [bend for strip in pair if (bend := strip.bend(level)) is not None]
    heights = sorted({level, upper, *(b - recess for b in bends if level < b - recess < upper)})
    room = [_between(pair, shift, z + recess, level) - least for z in heights]
    if all(width > 0.0 for width in room):
        return level
    if all(width <= 0.0 for width in room):
        return upper
    if room[-1] <= 0.0:
        raise GeometryError(
            key=f"overcoat[{index}].thickness",
            found=f"conformal films of {shown_length(level)} that close a gap at its top, above "
            "a void",
            expected="thinner films, steeper side walls, electrodes further apart or a flat top",
        )
    last = max(i for i, width in enumerate(room) if width <= 0.0)
    (z, a), (top, b) = ((heights[i], room[i]) for i in (last, last + 1))
    return z - a * (top - z) / (b - a)


def _check_step(
    pair: tuple[Electrode, Electrode],
    shift: float,
    index: int,
    distances: tuple[float, float],
) -> None:
    """Refuse a merged film whose step, around the higher electrode, has no clear place.

    The step may lie in the gap, or over the top of the lower electrode, away from its walls: a
    line of the mesh goes on below it.

    Parameters
    ----------
    distances : of this film and of the one below it from the metal.

    Raises GeometryError.
    """
    high, low = sorted(pair, key=lambda strip: -strip.thickness)
    level, inside = distances
    heights = [strip.thickness + level for strip in pair]
    step = _half_widths(high, heights, level)
    # Of the lower one the film below this one, or the metal itself.
    wall = _half_widths(low, [0.0, low.thickness + inside], inside)
    apart = _between(pair, shift, 0.0, 0.0) + sum(strip.half_width(0.0) for strip in pair)
    if max(step) + max(wall) < apart:
        return
    room = min(_half_widths(low, [0.0, low.thickness], 0.0)) * (1.0 - OVER)
    if all(abs(half - apart) < room for half in step):
        return
    far = max(step) > apart + room
    raise GeometryError(
        key=f"overcoat[{index}].thickness",
        found=f"conformal films of {shown_length(level)} in a gap between electrodes of unlike "
        f"height, which would end {'beyond' if far else 'at the near wall of'} the lower one",
        expected=f"a step {shown_length(apart - room)} to {shown_length(apart + room)} from the "
        f"centre of the higher one (here {shown_length(min(step))}), over the top of the lower "
        "one; films thinner than the gap, electrodes of one height or a flat top",
    )


def _half_widths(strip: Electrode, heights: Sequence[float], distance: float) -> list[float]:
    """Half widths at heights over the foot and, between them, where footing and wall meet."""
    bend = strip.bend(distance)
    between = [] if bend is None or not min(heights) < bend < max(heights) else [bend]
    return [strip.half_width(height, distance) for height in (*heights, *between)]


def check_ends(
    electrodes: Sequence[Electrode], gap: Gap, recess: float, levels: Sequence[float]
) -> None:
    """Refuse films whose fronts in the last gap cross the end of the cell.

    Raises GeometryError.
    """
    for number, room in ((gap.left, gap.shift), (gap.right, 0.0)):
        strip = electrodes[number]
        if strip.thickness <= recess * (1.0 + LEVEL):
            continue
        assert strip.centre is not None
        reach = strip.centre if room == 0.0 else room - strip.centre
        for index, level in enumerate(levels):
            top = strip.thickness - recess + level
            if gap.filled[index] >= top * (1.0 - LEVEL):
                continue  # no front
            halves = [strip.half_width(z + recess, level) for z in (gap.filled[index], top)]
            if max(halves) >= reach:
                raise GeometryError(
                    key=f"overcoat[{index}].thickness",
                    found=f"conformal films of {shown_length(level)} that reach the end of the "
                    "cell",
                    expected="electrodes placed so that the cell ends in the middle of a gap, "
                    "thinner films or a flat top",
                )
