"""Sweeps of a bay: its blocks as they are poured, and straight ones.

A straight one has strips beside one of its walls, from the far one to where it is left.

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


class Sweep:
    """The blocks of a bay as they fall in level, with sums over the first k of them.

    Thousands of strips are looked up in these sums: plain numbers, no small arrays.
    """

    def __init__(self, blocks: Blocks, own: Index) -> None:
        self.own = own[np.argsort(-blocks.level[own], kind="stable")]
        slope = blocks.slope[self.own]
        self.upto: list[float] = _sums(blocks.volume_m3[self.own]).tolist()
        self.areas: list[float] = _sums(blocks.area_m2[self.own]).tolist()
        self.level: list[float] = blocks.level[self.own].tolist()
        self.steep: list[float] = _sums(np.hypot(*slope.T)).tolist()
        self.slope, self.place_m = slope, blocks.place_m[self.own]
        self.volume_m3 = float(blocks.volume_m3[self.own].sum())


class Sweeps:
    """A floor parted into bays, each sorted along its sweep once for all ways to lay it.

    Parameters
    ----------
    blocks : Blocks
    bays : (n,) int array
        Bay of each block, from 0.
    """

    def __init__(self, blocks: Blocks, bays: Index) -> None:
        self.blocks, self.bays = blocks, bays
        self._of: dict[int, Sweep] = {}

    def of(self, name: int) -> Sweep:
        """One of the bays."""
        if name not in self._of:
            self._of[name] = Sweep(self.blocks, np.flatnonzero(self.bays == name))
        return self._of[name]


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

    Of places in a row the longer is along it:

    >>> sides_of(np.array([[0.0, 0.0], [3.0, 4.0], [6.0, 8.0]])).round(6).tolist()
    [[0.6, 0.8], [0.8, -0.6]]
    """
    import shapely

    if len(places_m) == 1:
        return np.eye(2)
    # A line through all places is made at once, and has the same hull.
    box = shapely.linestrings(places_m).minimum_rotated_rectangle
    # Places in a row have a box without a width, or a line for one.
    side = np.diff(shapely.get_coordinates(box)[:3], axis=0)
    length = np.hypot(*side.T)
    if not length.size or not length.max() > 0.0:
        return np.eye(2)
    first = side[int(length.argmax())] / length.max()
    found = np.array([first, [-first[1], first[0]]])
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


def _sums(values: Array) -> Array:
    """What the first k of them come to, k from 0 to all (n + 1,)."""
    return np.concatenate([[0.0], np.cumsum(values)])
