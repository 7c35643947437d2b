"""Every place by tape: along a wall from a corner that can be found, and across from it.

Scan coordinates mean nothing to a tape. A baseline is a wall with the inside corner at its
start: the tape lies along the wall, and a square and a second tape go across from it. Two
more lengths check each place, from the corner and from the far end of the wall.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.corner import Corner, Meeting, corners_of

if TYPE_CHECKING:
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.int64]

MOST: Final = 12
"""Corners that a set of places is given from at most: more are no help to anybody."""
_SLACK_M: Final = 0.03
"""How far a tape held at a wall may cut into what the outline says of it [m]."""
_LONG_M: Final = 1.0
"""Walls from this length on give a direction that carries [m]; our choice."""
_SQUARE: Final = math.sin(math.radians(5.0))
_CARRY: Final = 1.5
"""How many lengths of the wall its line is carried on past its end."""
_TAPE_M: Final = 20.0
"""Length of a tape up to which one person pulls it straight, from a corner or across; common
practice, no source."""
_SHORTER: Final = 0.8
"""Share of a tape up to which another corner is worth its letter; a choice."""
_AGAIN: Final = 0.5
"""What a corner is worth again, along its other wall: two letters at one place mislead."""
_ONE_M: Final = 0.5
_AS_GOOD: Final = 0.95
"""Share of the best from which one is as good."""


@dataclass(frozen=True, eq=False)
class Baseline:
    """A wall to measure along, with the corner to start from.

    Attributes
    ----------
    corner : Corner
        Its place, the way along the wall, and across into the floor.
    wall_m, other_m : float
        Lengths of the wall measured along, and of the other one at the corner [m].
    on_walls : bool
        Whether both were seen as walls; else the corner is one of the outline alone.
    """

    corner: Corner
    wall_m: float
    other_m: float
    on_walls: bool = True
    square: bool = True
    """Whether the two walls meet nearly at a right angle."""

    @property
    def end_m(self) -> Array:
        """Far end of the wall (2,), local plan [m]."""
        out: Array = self.corner.place_m + self.wall_m * self.corner.along
        return out

    @property
    def floor_on_right(self) -> bool:
        """Whether the floor lies to the right of who looks along the wall from the corner."""
        along, across = self.corner.along, self.corner.across
        return bool(along[0] * across[1] - along[1] * across[0] < 0.0)

    def along_across(self, place_m: Array) -> Array:
        """Places (n, 2) as distances along and across (n, 2) [m].

        Examples
        --------
        >>> way = Corner(np.array([4.0, 1.0]), np.array([-1.0, 0.0]), np.array([0.0, 1.0]))
        >>> Baseline(way, 4.0, 3.0).along_across(np.array([[2.5, 1.5]]))
        array([[1.5, 0.5]])
        """
        axes = np.stack([self.corner.along, self.corner.across])
        out: Array = (place_m - self.corner.place_m) @ axes.T
        return out


@dataclass(frozen=True, eq=False)
class SetOut:
    """Places by tape.

    Attributes
    ----------
    base : (n,) int array
        Number of the baseline of each place; -1 where no tape reaches it.
    along_across_m : (n, 2) array
        NaN there [m].
    diagonal_m : (n,) array
        From the corner; NaN where something stands in the way [m].
    from_end_m : (n,) array
        From the far end of the wall; NaN likewise [m].
    """

    base: Index
    along_across_m: Array
    diagonal_m: Array
    from_end_m: Array


def corner_name(number: int) -> str:
    """Letter of a corner: those places are measured from come first in the alphabet.

    Examples
    --------
    >>> corner_name(0), corner_name(2)
    ('A', 'C')
    """
    return chr(ord("A") + number)


def find_baselines(
    outline: Polygon,
    place_m: Array,
    *,
    near_m: tuple[float, float],
    blocks: Sequence[Polygon] = (),
    walls: BaseGeometry | None = None,
) -> tuple[Baseline, ...]:
    """As few corners as reach all places, the one that reaches most of them first.

    Of corners that reach as many the one with the longest walls is taken, and of those the
    one nearest to ``near_m``. Nothing depends on how the room lies in the plan.

    Parameters
    ----------
    outline : shapely.Polygon
        Floor, local plan [m].
    place_m : (n, 2) array
        What is to be set out [m].
    near_m : tuple
        Where the work starts, to choose between equals [m].
    blocks : sequence of shapely.Polygon
        What no tape passes, such as columns.
    walls : shapely geometry, optional
        Where wall faces were seen; without it the whole outline counts as walls.

    Returns
    -------
    tuple of Baseline
        Empty where no inside corner between two straight walls is to be found.

    Examples
    --------
    >>> import shapely
    >>> found = find_baselines(shapely.box(0, 0, 5, 4), np.array([[1.0, 1.0]]), near_m=(0, 0))
    >>> found[0].corner.place_m.tolist(), found[0].wall_m
    ([0.0, 0.0], 5.0)
    """
    place = np.asarray(place_m, np.float64).reshape(-1, 2)
    free = _free(outline, blocks)
    ways = [way for one in corners_of(outline) if _inside(one) for way in _ways(one, walls)]
    reach = [reached(free, way, place) for way in ways]
    left = np.ones(len(place), bool)
    chosen: list[Baseline] = []
    while left.any() and len(chosen) < MOST:
        gains = [int(np.count_nonzero(mask & left)) for mask in reach]
        usable = [k for k, gain in enumerate(gains) if gain]
        if not usable:
            break
        worth = [gains[k] * (_AGAIN if _at_one(ways[k], chosen) else 1.0) for k in usable]
        best = _best([(ways[k], one) for k, one in zip(usable, worth, strict=True)],
                     np.array(near_m))  # fmt: skip
        chosen.append(ways[usable[best]])
        left &= ~reach[usable[best]]
    return tuple(_nearer(chosen, ways, reach, place, np.array(near_m)))


def _nearer(
    chosen: list[Baseline], ways: list[Baseline], reach: list[Mask], place_m: Array, near_m: Array
) -> list[Baseline]:
    """Corners, with those from which the places furthest off need less tape."""
    tape_m = np.full(len(place_m), np.inf)
    lengths = [np.where(mask, _tape_m(way, place_m), np.inf)
               for way, mask in zip(ways, reach, strict=True)]  # fmt: skip
    for way in chosen:
        tape_m = np.minimum(tape_m, lengths[next(k for k, one in enumerate(ways) if one is way)])
    while len(chosen) < MOST:
        far = np.isfinite(tape_m) & (tape_m > _TAPE_M)
        gains = [int(np.count_nonzero(far & (own < _SHORTER * tape_m))) for own in lengths]
        usable = [k for k, gain in enumerate(gains)
                  if gain and ways[k].on_walls and not _at_one(ways[k], chosen)]  # fmt: skip
        if not usable:
            break
        best = usable[_best([(ways[k], gains[k]) for k in usable], near_m)]
        chosen.append(ways[best])
        tape_m = np.minimum(tape_m, lengths[best])
    return chosen


def _tape_m(base: Baseline, place_m: Array) -> Array:
    """The longer of both tapes to each place (n,) [m]."""
    out: Array = base.along_across(place_m).max(axis=1)
    return out


def _at_one(way: Baseline, chosen: Sequence[Baseline]) -> bool:
    """Whether a corner is one of those chosen already, along its other wall."""
    return any(np.hypot(*(way.corner.place_m - one.corner.place_m)) < _ONE_M for one in chosen)


def set_out(
    outline: Polygon,
    bases: Sequence[Baseline],
    place_m: Array,
    *,
    blocks: Sequence[Polygon] = (),
) -> SetOut:
    """Each place from that baseline which reaches it with the shortest tapes, or the first.

    The first serves as far as a tape is pulled by one person.

    Parameters
    ----------
    outline, blocks
        As for ``find_baselines``.
    bases : sequence of Baseline
    place_m : (n, 2) array
        Local plan [m].
    """
    place = np.asarray(place_m, np.float64).reshape(-1, 2)
    free = _free(outline, blocks)
    count = len(place)
    along_across = np.full((count, 2), np.nan)
    diagonal, from_end = np.full(count, np.nan), np.full(count, np.nan)
    reach = [reached(free, one, place) for one in bases]
    base = _whose(bases, reach, place)
    for number, one in enumerate(bases):
        mine = np.flatnonzero(base == number)
        along_across[mine] = one.along_across(place[mine])
        for out, start in ((diagonal, one.corner.place_m), (from_end, one.end_m)):
            seen = mine[_in_sight(free, start, place[mine])]
            out[seen] = np.linalg.norm(place[seen] - start, axis=1)
    return SetOut(base, along_across, diagonal, from_end)


def _whose(bases: Sequence[Baseline], reach: Sequence[Mask], place_m: Array) -> Index:
    """Which baseline each place (n,) is measured from; -1 where none reaches it."""
    base = np.full(len(place_m), -1)
    tape_m = np.full(len(place_m), np.inf)
    for number, (one, mask) in enumerate(zip(bases, reach, strict=True)):
        own_m = _tape_m(one, place_m)
        better = mask & ((base < 0) | ((tape_m > _TAPE_M) & (own_m < tape_m)))
        base[better] = number
        tape_m[better] = own_m[better]
    return base


def reached(free: BaseGeometry, base: Baseline, place_m: Array) -> Mask:
    """Which places (n,) a tape reaches: along the wall to a foot, and from there across."""
    along, across = base.along_across(place_m).T
    out: Mask = (along > -_SLACK_M) & (along < _CARRY * base.wall_m + _SLACK_M)
    out &= across > -_SLACK_M
    some = np.flatnonzero(out)
    foot = base.corner.place_m + along[some, None] * base.corner.along
    out[some] = _in_sight(free, base.corner.place_m, foot) & _in_sight(free, foot, place_m[some])
    return out


def _free(outline: Polygon, blocks: Sequence[Polygon]) -> BaseGeometry:
    """Where a tape may lie: the floor, its openings, and a little of the wall's foot."""
    import shapely

    free = shapely.Polygon(outline.exterior).buffer(_SLACK_M, join_style="mitre")
    if blocks:
        free = free.difference(shapely.union_all(list(blocks)))
    shapely.prepare(free)
    return free


def _in_sight(free: BaseGeometry, start_m: Array, end_m: Array) -> Mask:
    """Whether nothing stands between starts and ends (n, 2) [m]."""
    import shapely

    start = np.broadcast_to(start_m, end_m.shape)
    # A line of no length is none to shapely; a foot in the corner itself is one.
    end = np.where(np.abs(end_m - start).max(axis=1, keepdims=True) < 1e-6, start + 1e-6, end_m)
    out: Mask = shapely.covers(free, shapely.linestrings(np.stack([start, end], axis=1)))
    return out


def _inside(one: Meeting) -> bool:
    """Whether the floor lies within the corner and not around it."""
    return bool(one.before[0] * one.after[1] - one.before[1] * one.after[0] > 0.0)


def _ways(one: Meeting, walls: BaseGeometry | None) -> list[Baseline]:
    """The two walls of a corner, each as one to measure along."""
    import shapely

    seen = True
    if walls is not None:
        for way, long_m in ((-one.before, one.before_m), (one.after, one.after_m)):
            piece = shapely.LineString([one.place_m, one.place_m + long_m * way])
            seen &= bool(piece.intersection(walls).length > 0.4 * long_m)
    after, before = one.after, -one.before
    square = abs(float(after @ before)) < _SQUARE
    # The outline has the floor on its left, which is across on the way out and not on the way in.
    left = Corner(one.place_m, after, np.array([-after[1], after[0]]))
    right = Corner(one.place_m, before, np.array([before[1], -before[0]]))
    return [
        Baseline(left, one.after_m, one.before_m, seen, square),
        Baseline(right, one.before_m, one.after_m, seen, square),
    ]


def _findable(base: Baseline) -> float:
    """How many places one place is worth from here: a corner must be found before it serves."""
    if not base.on_walls:
        return 0.05
    return 1.0 if base.square and min(base.wall_m, base.other_m) >= _LONG_M else 0.7


def _best(ways: Sequence[tuple[Baseline, float]], near: Array) -> int:
    """Which of the baselines to take, with the number of places that each adds."""
    worths = [(_findable(base) * gain, base.wall_m, base.other_m) for base, gain in ways]
    left = list(range(len(ways)))
    for worth in zip(*worths, strict=True):
        most = max(worth[k] for k in left)
        left = [k for k in left if worth[k] >= _AS_GOOD * most]

    def nearness(k: int) -> tuple[float, float]:
        # In a square both walls of the nearest corner are equals; the one is taken along which
        # the start lies further.
        along, across = ways[k][0].along_across(near[None])[0]
        return round(math.hypot(along, across), 6), across - along

    return min(left, key=nearness)
