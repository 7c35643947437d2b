"""Straight sweeps of a bay: strips beside one of its walls, from the far one to where it is left.

Contours of the trickle (``pourblocks``) bend about the exit and into the corners of the far end. In
a bay with straight walls strips that lie along one of them are shorter, deeper, and in one piece.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.pourblocks import Blocks

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_AT_EXIT_M: Final = 0.6
"""How far from the last edge of a straight sweep an exit may lie [m]: within its last strip."""


def straightened(blocks: Blocks, bays: Index, *, turned: bool = False) -> Blocks | None:
    """Blocks whose level falls straight along a side of each bay; None where no bay can be so.

    Parameters
    ----------
    blocks : Blocks
    bays : (n,) int array
        Bay of each block, from 0.
    turned : bool
        Along the other side of a bay than the one along which it falls to the exit.

    Notes
    -----
    The bay with the exit is swept so only where the exit lies at the end of the sweep.
    """
    level, slope = blocks.level.copy(), blocks.slope.copy()
    any_straight = False
    last = int(bays[blocks.exit_block])
    for bay in range(int(bays.max()) + 1):
        own = np.flatnonzero(bays == bay)
        for way in ways_of(blocks, own, turned=turned):
            along = blocks.place_m[own] @ way
            ends_at = blocks.place_m[blocks.exit_block] @ way
            if bay == last and ends_at < along.max() - _AT_EXIT_M:
                continue
            across = blocks.place_m[own] @ np.array([-way[1], way[0]])
            # Rows of blocks lie at one level: within a row it falls by what it falls to the next.
            within = (across - across.min()) / max(float(np.ptp(across)), blocks.side_m)
            level[own] = along.max() - along - within * blocks.side_m
            slope[own] = -way
            any_straight = True
            break
    if not any_straight:
        return None
    # Nothing is poured after the exit.
    level[blocks.exit_block] = level[bays == last].min() - 1e-6
    return replace(blocks, level=level, slope=slope)


def sides_of(places_m: Array) -> Array:
    """Directions (2, 2) of the sides of the least rectangle around places (n, 2), the longer first.

    Examples
    --------
    >>> sides_of(np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 1.0], [0.0, 1.0]])).round(6).tolist()
    [[1.0, 0.0], [0.0, 1.0]]
    """
    import shapely

    box = shapely.multipoints(places_m).minimum_rotated_rectangle
    if box.geom_type != "Polygon":
        return np.eye(2)
    corner = np.asarray(box.exterior.coords)[:3]
    side = np.diff(corner, axis=0)
    length = np.hypot(*side.T)
    found = side[np.argsort(-length, kind="stable")] / np.sort(length)[::-1, None]
    # Of two opposite directions the one to the right, or upwards.
    flip = (found[:, 0] < -1e-9) | ((abs(found[:, 0]) <= 1e-9) & (found[:, 1] < 0.0))
    out: Array = np.where(flip[:, None], -found, found) + 0.0
    return out


def ways_of(blocks: Blocks, own: Index, *, turned: bool) -> list[Array]:
    """Directions (2,) along the sides of a bay, downhill, the steeper first; last if ``turned``."""
    downhill = -(blocks.slope[own] * blocks.area_m2[own, None]).sum(axis=0)
    sides = sides_of(blocks.place_m[own])
    ways = [side if side @ downhill >= 0.0 else -side for side in sides]
    ways.sort(key=lambda way: float(way @ downhill), reverse=not turned)
    return ways
