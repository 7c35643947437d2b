"""Joints and cracks of a slab: which are carried through the pour, and places on both sides.

Movement and isolation joints are carried through the pour and end bays; saw-cuts, day joints
and cracks are repaired before priming, and the pour goes over them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
JointKind = Literal["movement", "isolation", "saw-cut", "day", "crack"]

BESIDE_M: Final = (0.15, 0.2, 0.25, 0.3)
"""How far the pins on both sides of a joint stand from it, the nearest that is workable [m]."""
CARRIED: Final = ("movement", "isolation")
"""Joints that are carried through the pour; the others are repaired before priming."""


@dataclass(frozen=True, eq=False)
class Joint:
    """A joint or crack as a line.

    Attributes
    ----------
    kind : str
        "movement", "isolation", "saw-cut", "day" or "crack".
    points_m : (k, 2) array
        Local plan [m].
    """

    kind: JointKind
    points_m: Array


def beside(joint: Joint, free: Mask, grid: Grid, spacing: float) -> list[tuple[float, float]]:
    """Pairs of places on both sides of a joint; one alone where there is floor on one side.

    Parameters
    ----------
    joint : Joint
    free : (ny, nx) bool array
        Where a pin may stand.
    grid : Grid
    spacing : float
        From pair to pair at most [m].

    Examples
    --------
    >>> middle = Joint("movement", np.array([[2.0, 0.0], [2.0, 1.0]]))
    >>> beside(middle, np.ones((21, 81), bool), Grid(0.0, 0.0, 0.05, 21, 81), 2.0)
    [(1.85, 0.5125), (2.15, 0.5125)]
    """
    step_m = 0.5 * grid.cell_m
    found = []
    at, across = _walked(_within(joint.points_m, grid), step_m)
    sides = [_first_free(at, sign * across, free, grid) for sign in (1.0, -1.0)]
    on = [np.isfinite(side) for side in sides]
    both, any_side = on[0] & on[1], on[0] | on[1]
    for first, last in runs(any_side):
        count = max(1, math.ceil((last - first) * step_m / spacing))
        for k in range(count):
            ends = first + np.array([k, k + 1]) * (last - first) / count
            stretch = np.arange(round(ends[0]), max(round(ends[1]), round(ends[0]) + 1))
            good = stretch[both[stretch]] if both[stretch].any() else stretch[any_side[stretch]]
            if not good.size:
                continue
            best = int(good[np.argmin(np.abs(good - ends.mean()))])
            for sign, side in zip((1.0, -1.0), sides, strict=True):
                if np.isfinite(side[best]):
                    x, y = at[best] + sign * side[best] * across[best]
                    found.append((float(x), float(y)))
    return found


def _first_free(at: Array, way: Array, free: Mask, grid: Grid) -> Array:
    """How far from places on a joint (n, 2) workable floor begins (n,) [m]; NaN where it is far."""
    out = np.full(len(at), np.nan)
    for off_m in BESIDE_M:
        out[grid.marked(free, at + off_m * way) & np.isnan(out)] = off_m
    return out


def _within(points: Array, grid: Grid) -> list[Array]:
    """The pieces of a line that lie on the grid."""
    import shapely

    here = shapely.box(grid.x_m[0], grid.y_m[0], grid.x_m[-1], grid.y_m[-1])
    cut = shapely.LineString(points).intersection(here)
    return [
        shapely.get_coordinates(part)
        for part in shapely.get_parts(cut)
        if part.geom_type == "LineString"
    ]


def _walked(pieces: Sequence[Array], step_m: float) -> tuple[Array, Array]:
    """Places along lines at about a step (n, 2), and unit vectors across them there."""
    places, across = [], []
    for start, end in (pair for points in pieces for pair in pairwise(points)):
        way = end - start
        long_m = float(np.hypot(*way))
        if long_m == 0.0:
            continue
        at = (np.arange(max(1, round(long_m / step_m))) + 0.5) / max(1, round(long_m / step_m))
        places.append(start + at[:, None] * way)
        across.append(np.tile(np.array([-way[1], way[0]]) / long_m, (len(at), 1)))
    if not places:
        return np.empty((0, 2)), np.empty((0, 2))
    return np.concatenate(places), np.concatenate(across)


def runs(mask: Mask) -> list[tuple[int, int]]:
    """First and one past the last of every stretch of true.

    Examples
    --------
    >>> runs(np.array([True, True, False, True]))
    [(0, 2), (3, 4)]
    """
    steps = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in steps.reshape(-1, 2)]
