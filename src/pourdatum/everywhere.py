"""A straightedge laid everywhere on a floor: all places and directions of a lattice.

Steps are 100 mm along and across, and 15 degrees. Every straightedge lies wholly on floor that
was seen. How it rests is told in ``straightedge``: on the two contacts either side of its middle,
the gap counting between them alone. The contacts are found as the bridge of the upper hull over
the middle: from the two ends, each side's contact moves to the level that stands highest over the
chord, until none does; the chord only rises at the middle, so that this ends. Where it lies flush,
the outermost levels that it touches count.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.compiled import compiled_loops
from pourdatum.grid import Grid

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

STEP_M: Final = 0.1
"""Between places, along a line and from line to line [m]."""
LEVELS_M: Final = 0.05
"""Between levels under a straightedge, at most [m]."""
BEARINGS: Final = 12
"""Directions: every 15 degrees; the two ways along a line are one."""
_TOUCH_M: Final = 1e-11
_MANY: Final = 50_000
"""Straightedges of one direction for which loading compiled loops is worth it."""
_ROWS: Final = 4096
"""Straightedges worked on at a time: they stay in the processor's cache."""


@dataclass(frozen=True, eq=False)
class Places:
    """Where straightedges of one length lie in one direction.

    Attributes
    ----------
    length_m : float
        Of each [m].
    bearing_rad : float
        Direction, clockwise from +y.
    lattice_m : (m, n, 2) array
        Places of the levels, line by line [m].
    line, start : (k,) arrays
        Line of each straightedge and its first level on it.
    levels : int
        Under each; an odd number, so that one lies at its middle.
    beside : bool
        Whether they are more of them along walls, which count in no share.
    """

    length_m: float
    bearing_rad: float
    lattice_m: Array
    line: Index
    start: Index
    levels: int
    beside: bool = False

    def middle_m(self, which: int) -> tuple[float, float]:
        """Place of the middle of one straightedge [m]."""
        x, y = self.lattice_m[self.line[which], self.start[which] + self.levels // 2]
        return float(x), float(y)

    def levels_m(self, which: int) -> Array:
        """Places of the levels under one straightedge (levels, 2) [m]."""
        start = self.start[which]
        out: Array = self.lattice_m[self.line[which], start : start + self.levels]
        return out


@dataclass(frozen=True, eq=False)
class Rests:
    """How straightedges rest at the places of one direction.

    Attributes
    ----------
    gap_m : (k,) array
        Greatest gap between the contacts [m].
    span_m : (k,) array
        From contact to contact [m].
    rocks_m : (k,) array
        Where it rocks on a hump: how far both ends together stand off, on average of the two,
        when it is held even [m]; 0 where it lies firm.
    """

    gap_m: Array
    span_m: Array
    rocks_m: Array


def lay_everywhere(grid: Grid, seen: Mask, length_m: float, first_rad: float = 0.0) -> list[Places]:
    """All places of a straightedge on the seen part of a grid, one entry for each direction.

    Along walls of the main directions, lines lie closer: how deep a dip at a wall reads hangs on
    how near to the wall a straightedge lies.

    Parameters
    ----------
    grid : Grid
    seen : (ny, nx) bool array
        Nodes on which it may lie; between nodes all four corners must be such.
    length_m : float
        Of the straightedge [m].
    first_rad : float
        A main direction of the floor, clockwise from +y; the others follow from it.

    Examples
    --------
    On a strip of 2 m by 0.1 m a straightedge of 2 m has places in one direction alone:

    >>> found = lay_everywhere(Grid(0.0, 0.0, 0.05, 3, 41), np.ones((3, 41), bool), 2.0)
    >>> {round(one.bearing_rad, 3) for one in found}
    {1.571}
    """
    bearings = [(first_rad + k * math.pi / BEARINGS) % math.pi for k in range(BEARINGS)]
    found = [lay_towards(grid, seen, length_m, bearing) for bearing in bearings]
    beside = _beside_edges(seen, grid.cell_m)
    found += [
        replace(lay_towards(grid, beside, length_m, bearing, grid.cell_m), beside=True)
        for bearing in (bearings[0], bearings[BEARINGS // 2])
    ]
    return [one for one in found if one.line.size]


def _beside_edges(seen: Mask, cell_m: float) -> Mask:
    """Nodes within a step of where seen floor ends, which lines a step apart may pass by."""
    from scipy.ndimage import distance_transform_edt

    framed = np.pad(seen, 1)
    away: Mask = distance_transform_edt(framed)[1:-1, 1:-1] * cell_m <= STEP_M + 2.0 * cell_m
    return seen & away


def lay_towards(
    grid: Grid, seen: Mask, length_m: float, bearing_rad: float, apart_m: float = STEP_M
) -> Places:
    """The places of a straightedge in one direction; there may be none.

    Parameters
    ----------
    grid, seen, length_m
        As of ``lay_everywhere``.
    bearing_rad : float
        Clockwise from +y.
    apart_m : float
        From line to line [m].
    """
    levels = 2 * math.ceil(0.5 * length_m / LEVELS_M - 1e-9) + 1
    step_m = length_m / (levels - 1)
    along = np.array([math.sin(bearing_rad), math.cos(bearing_rad)])
    across = np.array([-along[1], along[0]])
    wide, high = grid.cell_m * (grid.nx - 1), grid.cell_m * (grid.ny - 1)
    corner = np.array([[0.0, 0.0], [wide, 0.0], [0.0, high], [wide, high]])
    u, v = corner @ along, corner @ across
    s = u.min() + step_m * np.arange(math.floor(np.ptp(u) / step_m + 1e-6) + 1)
    t = v.min() + apart_m * np.arange(math.floor(np.ptp(v) / apart_m + 1e-6) + 1)
    # Lines lie even about the middle of the floor.
    s = s + 0.5 * (np.ptp(u) - np.ptp(s))
    t = t + 0.5 * (np.ptp(v) - np.ptp(t))
    lattice = np.add.outer(t, np.zeros_like(s))[..., None] * across + s[:, None] * along
    lattice = lattice + np.array([grid.x0_m, grid.y0_m])
    on = _on(grid, seen, lattice)
    line, start = np.zeros(0, np.int64), np.zeros(0, np.int64)
    if s.size >= levels:
        so_far = np.pad(np.cumsum(on, axis=1), ((0, 0), (1, 0)))
        line, start = np.nonzero(so_far[:, levels:] - so_far[:, :-levels] == levels)
        step = max(math.floor(STEP_M / step_m + 1e-9), 1)
        # From where the seen floor begins: whatever fits at all has a place.
        first = np.ones(line.size, bool)
        first[1:] = (np.diff(line) != 0) | (np.diff(start) != 1)
        run = np.maximum.accumulate(np.where(first, np.arange(line.size), 0))
        chosen = (start - start[run]) % step == 0 if line.size else first
        # And to where it ends: an edge is an edge on either side.
        chosen[:-1] |= first[1:]
        chosen[-1:] = True
        line, start = line[chosen], start[chosen]
    return Places(length_m, bearing_rad, lattice, line, start, levels)


def _on(grid: Grid, seen: Mask, place_m: Array) -> Mask:
    """Places between four nodes that were seen."""
    col = (place_m[..., 0] - grid.x0_m) / grid.cell_m
    row = (place_m[..., 1] - grid.y0_m) / grid.cell_m
    out = (col > -1e-6) & (row > -1e-6) & (col < grid.nx - 1 + 1e-6) & (row < grid.ny - 1 + 1e-6)
    for r in (np.floor(row + 1e-6), np.ceil(row - 1e-6)):
        for c in (np.floor(col + 1e-6), np.ceil(col - 1e-6)):
            at = np.clip(r, 0, grid.ny - 1).astype(int), np.clip(c, 0, grid.nx - 1).astype(int)
            out &= seen[at]
    return out


def covered(grid: Grid, laid: list[Places]) -> Mask:
    """Nodes (ny, nx) that some straightedge lies over or right beside.

    Parameters
    ----------
    grid : Grid
    laid : list of Places

    Examples
    --------
    A strip of 3 m with a gap that nothing was seen in: on 1 m no straightedge of 1.2 m lies:

    >>> seen = np.ones((9, 61), bool)
    >>> seen[:, 21] = False
    >>> here = covered(Grid(0.0, 0.0, 0.05, 9, 61), lay_everywhere(
    ...     Grid(0.0, 0.0, 0.05, 9, 61), seen, 1.2))
    >>> bool(here[:, 24:].all()), bool(here[:, :18].any())
    (True, False)
    """
    from scipy.ndimage import binary_dilation

    found = np.zeros(grid.shape, bool)
    for one in laid:
        rows, cols = one.lattice_m.shape[:2]
        first = one.line * (cols + 1) + one.start
        starts, ends = (
            np.bincount(at, minlength=rows * (cols + 1)) for at in (first, first + one.levels)
        )
        over = np.cumsum((starts - ends).reshape(rows, cols + 1), axis=1)[:, :-1] > 0
        place = one.lattice_m[over]
        row, col = grid.cell_of(place[:, 0], place[:, 1])
        inside = grid.holds(row, col)
        found[row[inside], col[inside]] = True
    reach = max(math.ceil(0.5 * STEP_M / grid.cell_m), 1)
    out: Mask = binary_dilation(found, np.ones((3, 3), bool), iterations=reach)
    return out


def rests(grid: Grid, height_m: Array, places: list[Places]) -> list[Rests]:
    """How straightedges rest on a floor at all their places.

    Parameters
    ----------
    grid : Grid
    height_m : (ny, nx) array
        Levels; finite wherever a straightedge may lie [m].
    places : list of Places

    Examples
    --------
    A dish of 3 x² mm leaves 3 mm under two metres, whatever it is tilted by:

    >>> grid = Grid(-2.0, 0.0, 0.05, 3, 81)
    >>> x, y = grid.mesh()
    >>> laid = lay_everywhere(grid, np.ones(grid.shape, bool), 2.0)
    >>> found = rests(grid, 0.003 * x**2 + 0.01 * x, laid)
    >>> round(1000 * max(float(one.gap_m.max()) for one in found), 6)
    3.0
    """
    known = np.nan_to_num(height_m)
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(lambda one: _rest(grid, known, one), places))


def _rest(grid: Grid, height_m: Array, places: Places) -> Rests:
    shape = places.lattice_m.shape[:2]
    level = grid.at(height_m, places.lattice_m.reshape(-1, 2))
    first = places.line * shape[1] + places.start
    loops = compiled_loops("restloop", worth=first.size > _MANY)
    if loops is not None:
        gap_m, steps, rocks_m = loops.rest_rows(level, first, places.levels, _TOUCH_M)
        return Rests(gap_m, steps * (places.length_m / (places.levels - 1)), rocks_m)
    parts = [
        rest_on(level[first[k : k + _ROWS, None] + np.arange(places.levels)], places.length_m)
        for k in range(0, first.size, _ROWS)
    ]
    return Rests(
        np.concatenate([one.gap_m for one in parts]),
        np.concatenate([one.span_m for one in parts]),
        np.concatenate([one.rocks_m for one in parts]),
    )


def rest_on(level_m: Array, length_m: float) -> Rests:
    """How a straightedge rests on each of many rows of levels, even spaced from end to end.

    Parameters
    ----------
    level_m : (k, n) array
        Levels [m]; n odd, and 3 or more.
    length_m : float
        Of the straightedge [m].

    Examples
    --------
    Over a hump it rocks, and has no gap between contacts:

    >>> x = np.linspace(-1.0, 1.0, 41)
    >>> found = rest_on(-0.003 * x[None] ** 2, 2.0)
    >>> found.gap_m.tolist(), round(1000 * float(found.rocks_m[0]), 6)
    ([0.0], 3.0)
    """
    k, n = level_m.shape
    c = n // 2
    off = np.arange(n) - float(c)
    left, right = np.zeros(k, np.int64), np.full(k, n - 1)
    middle, slope = np.empty(k), np.empty(k)
    todo = np.arange(k)
    while todo.size:
        own, a, b = level_m[todo], left[todo], right[todo]
        at = np.arange(todo.size)
        rise = (own[at, b] - own[at, a]) / (b - a)
        over = own[at, a] - rise * (a - c)
        middle[todo], slope[todo] = over, rise
        own = own - over[:, None] - rise[:, None] * off
        new_a, new_b = own[:, :c].argmax(axis=1), own[:, c + 1 :].argmax(axis=1) + c + 1
        moved_a, moved_b = own[at, new_a] > _TOUCH_M, own[at, new_b] > _TOUCH_M
        left[todo], right[todo] = np.where(moved_a, new_a, a), np.where(moved_b, new_b, b)
        todo = todo[moved_a | moved_b]
    gap, reach = _deepest(level_m, middle, slope, left, right)
    span = reach.astype(np.float64)
    held = np.zeros(k, bool)
    top = level_m[:, c]
    tips = np.flatnonzero(top >= middle - _TOUCH_M)
    if tips.size:
        # Balanced on its middle, it tips to either side; the larger gap counts.
        own, peak = level_m[tips], top[tips]
        lean = (own - peak[:, None]) / np.where(off == 0.0, 1.0, off)
        a, b = lean[:, :c].argmin(axis=1), lean[:, c + 1 :].argmax(axis=1) + c + 1
        at = np.arange(tips.size)
        mid = np.full(tips.size, c)
        one, far_one = _deepest(own, peak, lean[at, a], a, mid)
        other, far_other = _deepest(own, peak, lean[at, b], mid, b)
        gap[tips] = np.maximum(one, other)
        span[tips] = np.where(one >= other, far_one, far_other)
        held[tips] = True
    support = np.maximum(middle, top)
    rocks = np.where(held, support - 0.5 * (level_m[:, 0] + level_m[:, -1]), 0.0)
    return Rests(gap, span * (length_m / (n - 1)), np.maximum(rocks, 0.0))


def _deepest(
    level_m: Array, middle: Array, slope: Array, left: Index, right: Index
) -> tuple[Array, Index]:
    """Greatest gap between the outermost contacts of a line given by its height at the middle.

    Where it lies flush it touches beyond the two contacts that hold it. How far apart they are, in
    steps, comes with it.
    """
    n = level_m.shape[1]
    step = np.arange(n)
    gap = middle[:, None] + slope[:, None] * (step - float(n // 2)) - level_m
    touch = gap <= _TOUCH_M
    first = np.minimum(left, np.where(touch.any(axis=1), touch.argmax(axis=1), n))
    last = np.maximum(right, np.where(touch.any(axis=1), n - 1 - touch[:, ::-1].argmax(axis=1), 0))
    gap[(step < first[:, None]) | (step > last[:, None])] = 0.0
    out: Array = np.maximum(gap.max(axis=1), 0.0)
    return out, last - first
