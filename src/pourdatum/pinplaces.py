"""Where depth pins stand: extremes, both sides of joints and thresholds, and rows between.

Pins stand on floor that was seen. Those whose place can be chosen keep 200 mm off walls, columns
and openings, since a hand with a staff, and later a spiked roller, works around them; the
highest and the lowest place are where they are. All lengths here are common practice, without
a source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid
from pourdatum.joints import CARRIED, Joint, beside, runs
from pourdatum.thresholds import way_through

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
PinKind = Literal["high", "low", "joint", "border", "threshold", "row"]

REACH_M: Final = 2.0
"""How far a rake or a straightedge reaches from pin to pin [m]."""
CLEAR_M: Final = 0.2
"""What a chosen place keeps off walls, columns and openings [m]."""
MOST_PINS: Final = 200
"""Pins of a floor for which no reach is stated: a list that is still read."""
_OFF_THINGS_M: Final = 0.1
_LEAST: Final = 3
"""Fewer pins show no plane."""
_TOO_NEAR: Final = 0.4
"""Share of the spacing within which a pin of a row stands for nothing new."""
_PATCH_M: Final = 0.1
_DOOR_M: Final = (0.25, 0.8)
_NODES: Final = 20_000


@dataclass(frozen=True)
class PinPlace:
    """A place for a pin.

    Attributes
    ----------
    kind : str
        Why it stands there: "high", "low", "joint", "border", "threshold" or "row".
    place_m : tuple
        Local plan [m].
    of : int
        Number, from 1, of the joint or threshold; 0 without.
    row : int
        Row of the pour, from 1 at the far end.
    """

    kind: PinKind
    place_m: tuple[float, float]
    of: int = 0
    row: int = 0


def spacing_m(area_m2: float, joints_m: float, reach_m: float | None = None) -> float:
    """Distance from pin to pin: the reach, and without one stated more on a large floor [m].

    Parameters
    ----------
    area_m2 : float
        Floor [m²].
    joints_m : float
        Length of joints that take pins on both sides [m].
    reach_m : float, optional
        As stated.

    Examples
    --------
    >>> spacing_m(30.0, 0.0), round(spacing_m(2400.0, 0.0), 2), spacing_m(2400.0, 0.0, 2.5)
    (2.0, 3.46, 2.5)
    """
    if reach_m is not None:
        return reach_m
    # One pin to a square of the spacing and two to its length of joint, MOST_PINS in all.
    per_m = (math.sqrt(joints_m**2 + area_m2 * MOST_PINS) - joints_m) / max(area_m2, 1e-9)
    return max(REACH_M, 1.0 / per_m)


def place_pins(
    depth_m: Array,
    measured: Mask,
    inside: Mask,
    grid: Grid,
    *,
    along: Array,
    spacing_m: float,
    from_m: tuple[float, float],
    high_m: tuple[float, float] | None = None,
    joints: Sequence[Joint] = (),
    borders: Sequence[Joint] = (),
    thresholds: Sequence[tuple[float, float]] = (),
    outline: Polygon | None = None,
) -> list[PinPlace]:
    """Places of the pins, in the order in which the rows are poured.

    Parameters
    ----------
    depth_m : (ny, nx) array
        Depth of the pour [m].
    measured, inside : (ny, nx) bool arrays
        Floor that was seen, and all floor.
    grid : Grid
    along : (2,) array
        Unit vector along the room's own walls.
    spacing_m : float
        From pin to pin [m].
    from_m : tuple
        The exit, or where else the pour ends; rows are numbered from the end far from it [m].
    high_m : tuple, optional
        The patch that sets the datum; the least depth is looked for without it [m].
    joints : sequence of Joint
    borders : sequence of Joint
        Between zones of different datums.
    thresholds : sequence of (float, float)
        Local plan [m].
    outline : shapely.Polygon, optional
        Needed with thresholds.

    Returns
    -------
    list of PinPlace
        Empty where no floor was seen.
    """
    edge_m = from_edge_m(inside, grid)
    free = workable(measured, inside, edge_m, grid)
    found = _extremes(depth_m, measured, edge_m, grid, high_m)
    for number, joint in enumerate(joints, 1):
        if joint.kind in CARRIED:
            for place in beside(joint, free, grid, spacing_m):
                found.append(PinPlace("joint", place, number))
    for number, border in enumerate(borders, 1):
        for place in beside(border, free, grid, spacing_m):
            found.append(PinPlace("border", place, number))
    for number, threshold in enumerate(thresholds, 1):
        assert outline is not None
        for place in _at_threshold(threshold, outline, free, grid):
            found.append(PinPlace("threshold", place, number))
    ways = _ways(along, free, grid)
    if ways is None:
        return found
    lattice = _lattice(free, grid, ways, spacing_m)
    for place in lattice:
        if _apart(place, found) >= _TOO_NEAR * spacing_m:
            found.append(PinPlace("row", place))
    found += _fillers(found, free, grid, spacing_m)
    return _in_order(found, ways, spacing_m, from_m)


def workable(measured: Mask, inside: Mask, edge_m: Array, grid: Grid) -> Mask:
    """Cells in which a pin may be put where it can be chosen (ny, nx).

    Examples
    --------
    >>> room = np.zeros((12, 12), bool)
    >>> room[1:11, 1:11] = True
    >>> grid = Grid(0.0, 0.0, 0.1, 12, 12)
    >>> int(workable(room, room, from_edge_m(room, grid), grid).sum())
    36
    """
    from scipy.ndimage import distance_transform_edt

    # In a strip that is narrower than a hand's room, its middle.
    free: Mask = measured & (edge_m >= min(CLEAR_M, 0.6 * float(edge_m.max())) - 1e-9)
    hidden = inside & ~measured
    if hidden.any():
        free &= (distance_transform_edt(~hidden) - 0.5) * grid.cell_m >= _OFF_THINGS_M
    return free


def from_edge_m(inside: Mask, grid: Grid) -> Array:
    """How far cell centres are from the edge of the floor at the least (ny, nx) [m].

    The edge runs somewhere between the last centre inside it and the first outside.
    """
    from scipy.ndimage import distance_transform_edt

    cells: Array = distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
    return (cells - 1.0) * grid.cell_m


def _extremes(
    depth_m: Array,
    measured: Mask,
    edge_m: Array,
    grid: Grid,
    high_m: tuple[float, float] | None,
) -> list[PinPlace]:
    """The least and the greatest mean depth over a patch that was seen as a whole."""
    from scipy.ndimage import minimum_filter, uniform_filter

    size = 2 * int(0.5 * _PATCH_M / grid.cell_m + 0.01) + 1
    whole = minimum_filter(measured, size, mode="constant", cval=0)
    # Cells may be as wide as the patch; half of it is floor on every side all the same.
    whole &= edge_m >= 0.5 * _PATCH_M - 1e-9
    whole = whole if whole.any() else measured
    if not whole.any():
        return []
    mean = uniform_filter(np.where(measured, depth_m, 0.0), size, mode="constant")
    if high_m is None:
        high_m = _place_of(int(np.argmin(np.where(whole, mean, np.inf))), grid)
    low = _place_of(int(np.argmax(np.where(whole, mean, -np.inf))), grid)
    found = [PinPlace("high", high_m)]
    if math.dist(high_m, low) > _PATCH_M:
        found.append(PinPlace("low", low))
    return found


def _place_of(flat: int, grid: Grid) -> tuple[float, float]:
    row, col = divmod(flat, grid.nx)
    return grid.x0_m + grid.cell_m * col, grid.y0_m + grid.cell_m * row


def _at_threshold(
    threshold: tuple[float, float], outline: Polygon, free: Mask, grid: Grid
) -> list[tuple[float, float]]:
    """The nearest workable places before and behind a threshold, square to its wall."""
    at, way = way_through(threshold, outline)
    found = []
    for sign in (1.0, -1.0):
        for off_m in np.arange(*_DOOR_M, 0.05):
            place = at + sign * off_m * way
            if grid.marked(free, place[None])[0]:
                found.append((float(place[0]), float(place[1])))
                break
    return found


@dataclass(frozen=True, eq=False)
class _Ways:
    """The two directions of the rows, and where workable floor begins and ends along them."""

    long: Array
    narrow: Array
    first: tuple[float, float]
    last: tuple[float, float]

    def rows(self, spacing: float) -> int:
        """How many rows lie between the ends."""
        return max(1, math.ceil((self.last[0] - self.first[0]) / spacing - 1e-9))


def _ways(along: Array, free: Mask, grid: Grid) -> _Ways | None:
    """Rows run across the narrow way of the floor."""
    if not free.any():
        return None
    x_m, y_m = grid.mesh()
    nodes = np.column_stack([x_m[free], y_m[free]])
    across = np.array([-along[1], along[0]])
    ends = [((nodes @ way).min(), (nodes @ way).max()) for way in (along, across)]
    (a, b), (c, d) = ends
    half = 0.5 * grid.cell_m
    long, narrow, near, far = along, across, (a, c), (b, d)
    if d - c > b - a:
        long, narrow, near, far = across, along, (c, a), (d, b)
    return _Ways(
        long,
        narrow,
        (float(near[0]) - half, float(near[1]) - half),
        (float(far[0]) + half, float(far[1]) + half),
    )


def _lattice(free: Mask, grid: Grid, ways: _Ways, spacing: float) -> list[tuple[float, float]]:
    """Places spread evenly over every stretch of workable floor along every row."""
    rows = ways.rows(spacing)
    step_m = 0.5 * grid.cell_m
    u = np.arange(ways.first[1], ways.last[1] + step_m, step_m)
    found = []
    for k in range(rows):
        t = ways.first[0] + (k + 0.5) * (ways.last[0] - ways.first[0]) / rows
        line = t * ways.long + u[:, None] * ways.narrow
        for first, last in runs(grid.marked(free, line)):
            count = max(1, math.ceil((last - first) * step_m / spacing - 1e-9))
            for j in range(count):
                x, y = line[int(first + (j + 0.5) * (last - first) / count)]
                found.append((float(x), float(y)))
    return found


def _apart(place: tuple[float, float], found: Sequence[PinPlace]) -> float:
    return min((math.dist(place, one.place_m) for one in found), default=math.inf)


def _fillers(found: Sequence[PinPlace], free: Mask, grid: Grid, spacing: float) -> list[PinPlace]:
    """What the rows leave out of reach, the farthest first; and three pins at the least."""
    every = max(1, math.ceil(math.sqrt(np.count_nonzero(free) / _NODES)))
    row, col = np.nonzero(free[::every, ::every])
    nodes = np.column_stack(
        [grid.x0_m + grid.cell_m * every * col, grid.y0_m + grid.cell_m * every * row]
    )
    more: list[PinPlace] = []
    away = np.full(len(nodes), np.inf)
    for one in found:
        away = np.minimum(away, np.hypot(*(nodes - one.place_m).T))
    while len(nodes):
        far = int(np.argmax(away))
        few = len(found) + len(more) < _LEAST and away[far] > 2 * _PATCH_M
        if away[far] <= spacing and not few:
            break
        x, y = nodes[far]
        more.append(PinPlace("row", (float(x), float(y))))
        away = np.minimum(away, np.hypot(*(nodes - nodes[far]).T))
    return more


def _in_order(
    found: Sequence[PinPlace], ways: _Ways, spacing: float, from_m: tuple[float, float]
) -> list[PinPlace]:
    """Row after row from the far end, there and back."""
    rows = ways.rows(spacing)
    start, end = ways.first[0], ways.last[0]
    places = np.array([one.place_m for one in found])
    t, u = places @ ways.long, places @ ways.narrow
    row = np.clip(np.floor((t - start) / (end - start) * rows), 0, rows - 1).astype(np.int64)
    if float(np.array(from_m) @ ways.long) < 0.5 * (start + end):
        row = rows - 1 - row
    side = np.where(row % 2 == 0, u, -u)
    return [
        PinPlace(found[k].kind, found[k].place_m, found[k].of, int(row[k]) + 1)
        for k in np.lexsort((side, row))
    ]
