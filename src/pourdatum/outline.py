"""The room: which cells are floor or hide floor.

Cells are joined to a room by asking what can be reached from outside without
crossing a wall or seen floor.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.elsewhere import bays_at_edge, hidden_apart
from pourdatum.errors import NoFloor
from pourdatum.grid import Grid, group_windows, widened
from pourdatum.walls import Upright, WallLine, meeting, tall_from_m, wall_height_m

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BRIDGE_M: Final = 1.2
"""Gap in a seen wall face across which the wall is taken to run on [m]."""
_COLUMN_M: Final = 1.2
"""Extent up to which an upright thing standing alone can be a column [m]."""
DOOR_M: Final = (0.5, 1.3)
_WALLED: Final = 0.75
"""Share of its rim along which floor behind a doorway must have walls to be a room [1]."""
_THINNEST: Final = 0.3
"""Share of the main room's points per cell from which another room was scanned itself [1]."""
_ROUND: Final = 0.6
"""Share of the rim of a column along which floor is seen at the least [1]."""
_CORNER_M: Final = 0.45
"""Distance within which two faces are carried on to a common corner [m]."""


@dataclass(frozen=True, eq=False)
class Room:
    """Cells of the floor, seen or hidden.

    Attributes
    ----------
    inside : (ny, nx) bool array
        Cells within the outer edge, columns and openings included.
    seen : (ny, nx) bool array
        Cells in which floor was seen, small gaps between points closed.
    tall : (ny, nx) bool array
        Cells of walls, columns and fixed things.
    beyond : tuple of (x, y, area)
        Floor seen through doorways and left out: its middle [m] and area [m²].
    taken : tuple of (x, y, area)
        Floor behind doorways that was taken in.
    """

    inside: Mask
    seen: Mask
    tall: Mask
    beyond: tuple[tuple[float, float, float], ...] = ()
    taken: tuple[tuple[float, float, float], ...] = ()
    seen_anywhere: Mask | None = None
    """As ``seen``, in other rooms as well."""
    apart: Mask | None = None
    """Cells of other levels beside the room."""


def find_room(
    grid: Grid,
    floor_points: NDArray[np.int64],
    structure: Upright,
    lines_of: Callable[[Mask], list[WallLine]],
    start: Mask,
    through_doors: bool | None = None,
    apart: Mask | None = None,
) -> tuple[Room, list[WallLine]]:
    """The room around the main floor.

    Parameters
    ----------
    grid : Grid
    floor_points : (ny, nx) int array
        Points at the floor's level in each cell.
    structure : Upright
    lines_of : callable
        Gives the wall lines of a mask of upright cells.
    start : (ny, nx) bool array
        Cells of the coarse floor, by which the room is chosen.
    through_doors : bool, optional
        Whether what lies behind doorways belongs to the floor; without it, rooms with walls
        of their own nearly all round do.
    apart : (ny, nx) bool array, optional
        Cells of other levels, at which the floor ends.

    Raises
    ------
    NoFloor
        If no room of half a square metre is left.
    """
    from scipy.ndimage import binary_closing, binary_dilation, binary_opening, label

    disc = _disc(1.5)
    closed: Mask = binary_closing(floor_points > 0, disc, iterations=1) | (floor_points > 0)
    seen = _without_specks(closed, 12)
    reach = _flood(~(seen | structure.upright))
    edge = binary_dilation(reach, _disc(3.0)) & ~reach
    height = tall_from_m(structure, wall_height_m(structure, edge))
    tall = _whole(structure.tall(height), structure, grid.cell_m)
    lines = lines_of(tall)
    barrier = tall | _along_lines(grid, lines, structure.layers >= 2)
    barrier = binary_closing(barrier, _disc(2.5))
    barrier |= _bridges(grid, lines, _of_columns(grid, lines, tall, seen)) & ~seen
    reach = _flood(~(seen | barrier))
    body = (~reach & ~barrier) | (seen & ~tall)
    if apart is not None:
        bays = bays_at_edge(apart, seen, grid.cell_m, lines)
        hidden = hidden_apart(apart, seen | bays, barrier | structure.upright)
        apart = apart | (hidden & ~reach)
        body |= bays & ~barrier
        body &= ~apart
        # Slivers between another level and its walls are no floor.
        body &= seen | bays | binary_opening(body | barrier, _disc(2.5))
    doors = _doorways(grid, lines) & body
    # Neighbours by a side only: two rooms do not join through a wall's corner.
    groups, count = label(body & ~doors)
    if count == 0:
        raise NoFloor("no connected floor was found", hint="scan again", id="no-floor")
    votes = np.bincount(groups[start & body], minlength=count + 1)
    votes[0] = 0
    main = int(np.argmax(votes)) if votes.any() else 1
    dense = _usual_points(floor_points, groups, count)
    room, beyond, taken = _through_doors(groups, main, doors, barrier, grid, dense, through_doors)
    inside = ~_flood(~room)
    edge_of = None if apart is None else apart & ~inside
    return Room(inside, seen & inside, tall, beyond, taken, seen, edge_of), lines


def _usual_points(
    floor_points: NDArray[np.int64], groups: NDArray[np.signedinteger], count: int
) -> Array:
    """Mean points per cell of each group of cells."""
    size = np.maximum(np.bincount(groups.ravel(), minlength=count + 1), 1)
    held = np.bincount(groups.ravel(), weights=floor_points.ravel(), minlength=count + 1)
    mean: Array = held / size
    return mean


Parts = tuple[tuple[float, float, float], ...]


def _through_doors(
    groups: NDArray[np.signedinteger],
    main: int,
    doors: Mask,
    barrier: Mask,
    grid: Grid,
    dense: Array,
    wanted: bool | None,
) -> tuple[Mask, Parts, Parts]:
    """The main room with what lies behind its doorways, where that belongs to it.

    Unless it is said, what belongs to it is a room of its own. A niche or a next room that was
    scanned has walls of its own nearly all round, and as many points as other rooms. A wedge
    of floor that the scanner saw through a doorway has not: the pour ends at the doorway.

    Returns
    -------
    room : (ny, nx) bool array
    beyond, taken : tuple of (x, y, area)
        Floor behind doorways that was left out, and that was taken in: its middle, local plan
        [m], and area [m²].
    """
    from scipy.ndimage import binary_dilation, binary_erosion, label

    room = groups == main
    beyond, taken = [], []
    known = {0, main}
    ways, count = label(doors, np.ones((3, 3), bool))
    cross = binary_dilation(doors, np.ones((3, 3), bool))
    left = set(range(1, count + 1))
    # Room by room: what was taken in may have doorways of its own.
    while left:
        near = [k for k in left if (binary_dilation(ways == k, np.ones((3, 3), bool)) & room).any()]
        if not near:
            break
        for k in near:
            left.discard(k)
            way = ways == k
            around = binary_dilation(way, np.ones((3, 3), bool))
            for other in np.unique(groups[around]):
                if other in known:
                    continue
                known.add(other)
                part = groups == other
                row, col = np.nonzero(part)
                place = (
                    float(grid.x0_m + col.mean() * grid.cell_m),
                    float(grid.y0_m + row.mean() * grid.cell_m),
                    float(row.size * grid.cell_m**2),
                )
                rim = part & ~binary_erosion(part, np.ones((3, 3), bool)) & ~cross
                walled = rim & binary_dilation(barrier, _disc(2.5))
                own = walled.sum() >= _WALLED * max(rim.sum(), 1)
                own &= dense[other] >= _THINNEST * dense[main]
                if own if wanted is None else wanted:
                    room |= part | way
                    taken.append(place)
                else:
                    beyond.append(place)
    return room, tuple(beyond), tuple(taken)


def _whole(tall: Mask, structure: Upright, cell_m: float) -> Mask:
    """Tall cells with the upright ones that belong to the same narrow thing.

    A scanner that looks up only a little sees the near side of a column to a lower height
    than its far side; the column is one thing all the same.
    """
    from scipy.ndimage import label

    groups, _ = label(structure.upright, np.ones((3, 3), bool))
    whole = tall.copy()
    for k, window in enumerate(group_windows(groups), 1):
        if max(part.stop - part.start for part in window) * cell_m <= _COLUMN_M:
            own = groups[window] == k
            if tall[window][own].mean() > 0.25:
                whole[window] |= own
    return whole


def _flood(free: Mask) -> Mask:
    """Free cells that can be reached from the border of the grid."""
    from scipy.ndimage import label

    groups, _ = label(np.pad(free, 1, constant_values=True))
    reached: Mask = (groups == groups[0, 0])[1:-1, 1:-1]
    return reached


def _without_specks(mask: Mask, least: int) -> Mask:
    from scipy.ndimage import label

    groups, count = label(mask, np.ones((3, 3), bool))
    sizes = np.bincount(groups.ravel(), minlength=count + 1)
    keep = sizes >= least
    keep[0] = False
    kept: Mask = keep[groups]
    return kept


def _disc(radius: float) -> Mask:
    n = int(radius)
    y, x = np.ogrid[-n : n + 1, -n : n + 1]
    disc: Mask = x**2 + y**2 <= radius**2
    return disc


def _cells_on(grid: Grid, line: WallLine, stretches: Array) -> Mask:
    mask = np.zeros(grid.shape, bool)
    for low, high in stretches:
        along = np.arange(low, high + 0.25 * grid.cell_m, 0.5 * grid.cell_m)
        xy = line.at(along)
        row, col = grid.cell_of(xy[:, 0], xy[:, 1])
        ok = (row >= 0) & (col >= 0) & (row < grid.ny) & (col < grid.nx)
        mask[row[ok], col[ok]] = True
    return mask


def _along_lines(grid: Grid, lines: list[WallLine], some: Mask) -> Mask:
    """Cells with some structure that lie on the seen stretches of wall faces."""
    from scipy.ndimage import binary_dilation

    mask = np.zeros(grid.shape, bool)
    for line in lines:
        reach = line.along_m + np.array([-0.3, 0.3])
        mask |= _cells_on(grid, line, reach)
    grown: Mask = binary_dilation(mask, _disc(1.5)) & some
    return grown


def _doorways(grid: Grid, lines: list[WallLine]) -> Mask:
    """Cells across gaps of a door's width in a wall face."""
    from scipy.ndimage import binary_dilation

    mask = np.zeros(grid.shape, bool)
    for line in lines:
        gaps = np.stack([line.along_m[:-1, 1], line.along_m[1:, 0]], axis=1)
        width = gaps[:, 1] - gaps[:, 0]
        mask |= _cells_on(grid, line, gaps[(width >= DOOR_M[0]) & (width <= DOOR_M[1])])
    wide: Mask = binary_dilation(mask, np.ones((2, 2), bool))
    return wide


def _bridges(grid: Grid, lines: list[WallLine], of_columns: list[bool]) -> Mask:
    """Cells on wall faces, across their gaps, and beyond their ends to the next corner.

    Where a face was seen it is whole: one cell of it that was missed would let all of the
    outside in, behind a column or a crate. The face of a column ends with it.
    """
    from scipy.ndimage import binary_dilation

    mask = np.zeros(grid.shape, bool)
    walls = [line for line, alone in zip(lines, of_columns, strict=True) if not alone]
    for line, alone in zip(lines, of_columns, strict=True):
        gaps = np.stack([line.along_m[:-1, 1], line.along_m[1:, 0]], axis=1)
        gaps = gaps[gaps[:, 1] - gaps[:, 0] <= _BRIDGE_M]
        ends = [] if alone else [np.array([stretch]) for stretch in _run_on(line, walls)]
        mask |= _cells_on(grid, line, np.concatenate([line.along_m, gaps, *ends]))
    wide: Mask = binary_dilation(mask, np.ones((2, 2), bool))
    return wide


def _of_columns(grid: Grid, lines: list[WallLine], tall: Mask, seen: Mask) -> list[bool]:
    """Which faces are of columns: of tall things no wider, with seen floor nearly all round.

    A piece of wall between two things that hide the rest of it has floor on one side.
    """
    from scipy.ndimage import binary_dilation, label

    groups, count = label(tall, np.ones((3, 3), bool))
    alone = np.zeros(count + 1, bool)
    for k, window in enumerate(group_windows(groups), 1):
        if max(part.stop - part.start for part in window) * grid.cell_m > _COLUMN_M:
            continue
        wide = widened(window, 3, grid.shape)
        own = groups[wide] == k
        ring = binary_dilation(own, _disc(2.5)) & ~own
        alone[k] = seen[wide][ring].mean() > _ROUND
    of = []
    for line in lines:
        along = _cells_on(grid, line, line.along_m)
        row, col = np.nonzero(along)
        if not row.size:
            of.append(False)
            continue
        window = slice(row.min(), row.max() + 1), slice(col.min(), col.max() + 1)
        wide = widened(window, 1, grid.shape)
        on = groups[wide][binary_dilation(along[wide]) & tall[wide]]
        of.append(on.size > 0 and bool(alone[np.bincount(on).argmax()]))
    return of


def _run_on(line: WallLine, lines: list[WallLine]) -> list[tuple[float, float]]:
    """Stretches from a face's ends to where it meets others; a little way where it meets none.

    A thing in a corner hides both faces there. At a corner that stands out into the room a face
    ends: behind a crate beside it lies floor.
    """
    first, last = float(line.along_m[0, 0]), float(line.along_m[-1, 1])
    corners = []
    for other in lines:
        corner = meeting(line, other)
        if corner is not None and _beyond(other, corner) <= _BRIDGE_M:
            corners.append(float(line.along(corner[None])[0]))
    found = []
    for end, way in ((first, -1.0), (last, 1.0)):
        beyond = [(at - end) * way for at in corners if (at - end) * way > -_CORNER_M]
        reach = min(beyond, key=abs, default=_CORNER_M)
        reach = reach if reach <= _BRIDGE_M else _CORNER_M
        if reach > 0.0:
            found.append((end, end + way * reach) if way > 0.0 else (end - reach, end))
    return found


def _beyond(line: WallLine, place: Array) -> float:
    """How far a place on a face's line lies beyond the ends of its seen stretches [m]."""
    at = float(line.along(place[None])[0])
    return max(float(line.along_m[0, 0]) - at, at - float(line.along_m[-1, 1]), 0.0)
