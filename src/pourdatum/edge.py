"""The outer edge of a room as a polygon, from a staircase of cells.

The staircase is laid onto the wall faces near it, at their foot; where there is no
wall, onto the line at which the floor points end.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid
from pourdatum.outline import Room
from pourdatum.walls import WallLine, meeting

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CORNER_M: Final = 0.45
"""Distance within which two faces are carried on to a common corner [m]."""
_DOOR_M: Final = 1.3
_BESIDE_M: Final = 0.35
_SNAP_M: Final = 0.12
_SKIRTING_REACH_M: Final = 0.045
"""Distance from a wall's face at which its skirting is looked for [m]."""
_SHORTEST_RUN_M: Final = 0.12


def outline_polygon(
    grid: Grid,
    room: Room,
    lines: list[WallLine],
    foot: tuple[Array, Array],
    floor_points: NDArray[np.int64],
) -> Polygon:
    """The room's outer edge, laid onto wall faces and onto the end of the floor points.

    Parameters
    ----------
    grid : Grid
    room : Room
    lines : list of WallLine
        Faces of the walls.
    foot : (places (n, 2), counts (n,))
        Points just above the floor at the foot of walls.
    floor_points : (ny, nx) int array
        Points at the floor's level in each cell.
    """
    import shapely

    ring = _ring(grid, room.inside)
    fine = _resampled(ring, grid.cell_m)
    smooth = _rounded(fine, 5)
    # A staircase along a slanting wall is nearest to the wall once it is averaged out.
    which, _ = _nearest_line(smooth, lines, grid.cell_m)
    which = _calm_runs(which, round(_SHORTEST_RUN_M / grid.cell_m))
    edge = _to_coverage(grid, fine, smooth, room, floor_points)
    lines = [_at_its_foot(line, foot, grid.cell_m) for line in lines]
    corners = _corners(fine, edge, which, lines)
    raw = shapely.Polygon(ring)
    polygon = _largest_part(shapely.Polygon(corners))
    # No place moved farther than the reach of a face; more than that is a tangle, not an outline.
    if abs(polygon.area - raw.area) > raw.length * (_SNAP_M + grid.cell_m):
        polygon = _largest_part(shapely.Polygon(edge))
    if polygon.area < 0.5 * raw.area:
        polygon = raw
    return shapely.simplify(polygon, 0.0005)


def _largest_part(polygon: Polygon) -> Polygon:
    """The polygon, or where its ring crosses itself the largest piece of it.

    Where the ring runs around a place twice, that place is floor: an edge has no holes.

    Examples
    --------
    >>> from shapely import Polygon
    >>> way = [(0, 0), (4, 0), (4, 3), (3, 3), (3, 1), (1, 1), (1, 2), (3.5, 2), (3.5, 3), (0, 3)]
    >>> found = _largest_part(Polygon(way))
    >>> found.is_valid, len(found.interiors)
    (True, 0)
    """
    import shapely

    if polygon.is_valid:
        return polygon
    parts = [
        part
        for part in shapely.get_parts(shapely.make_valid(polygon))
        if part.geom_type == "Polygon"
    ]
    if not parts:
        return shapely.Polygon()
    return shapely.Polygon(max(parts, key=lambda part: part.area).exterior)


def _ring(grid: Grid, inside: Mask) -> Array:
    """Outer ring (n, 2) of the union of cells, counter-clockwise, in metres."""
    union = cells_polygon(grid, inside)
    parts = [union] if union.geom_type == "Polygon" else list(union.geoms)
    largest = max(parts, key=lambda part: part.area)
    ring = np.asarray(largest.exterior.coords)[:-1]
    area = np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - np.roll(ring[:, 0], -1) * ring[:, 1])
    return ring if area > 0 else ring[::-1]


def cells_polygon(grid: Grid, mask: Mask) -> Polygon:
    """Union of the squares of the chosen cells."""
    import shapely

    padded = np.pad(mask, ((0, 0), (1, 1)))
    change = np.diff(padded.astype(np.int8), axis=1)
    row, start = np.nonzero(change == 1)
    _, stop = np.nonzero(change == -1)
    half = 0.5 * grid.cell_m
    x0 = grid.x0_m + start * grid.cell_m - half
    x1 = grid.x0_m + stop * grid.cell_m - half
    y = grid.y0_m + row * grid.cell_m
    # Snapping to a tenth of the lattice keeps shared edges identical.
    boxes = shapely.box(x0.round(7), (y - half).round(7), x1.round(7), (y + half).round(7))
    return shapely.union_all(boxes)


def _resampled(ring: Array, step: float) -> Array:
    closed = np.vstack([ring, ring[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    n = max(round(float(length[-1]) / step), 8)
    at = (np.arange(n) + 0.5) * length[-1] / n
    return np.stack([np.interp(at, length, closed[:, k]) for k in (0, 1)], axis=1)


def _rounded(ring: Array, reach: int) -> Array:
    out = np.zeros_like(ring)
    for shift in range(-reach, reach + 1):
        out += np.roll(ring, shift, axis=0)
    return out / (2 * reach + 1)


def _normals(smooth: Array) -> Array:
    """Outward normals of a counter-clockwise ring."""
    tangent = np.roll(smooth, -3, axis=0) - np.roll(smooth, 3, axis=0)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
    unit: Array = normal / np.maximum(np.hypot(*normal.T), 1e-12)[:, None]
    return unit


def _nearest_line(
    smooth: Array, lines: list[WallLine], cell_m: float
) -> tuple[NDArray[np.int64], Array]:
    """Which face each place of the edge belongs to, -1 for none, and how far it is."""
    which = np.full(len(smooth), -1)
    nearest = np.full(len(smooth), _SNAP_M + cell_m)
    normal = _normals(smooth)
    for k, line in enumerate(lines):
        distance = np.abs(line.distance(smooth))
        along = line.along(smooth)
        beside = np.zeros(len(smooth), bool)
        for low, high in _across_doors(line.along_m):
            beside |= (along > low - 0.25) & (along < high + 0.25)
        facing = np.abs(normal @ line.normal) > 0.75
        better = beside & facing & (distance < nearest)
        which[better] = k
        nearest[better] = distance[better]
    return which, nearest


def _across_doors(stretches: Array) -> Array:
    """Seen stretches of a face, joined across gaps no wider than a doorway."""
    if len(stretches) < 2:
        return stretches
    wide = np.flatnonzero(stretches[1:, 0] - stretches[:-1, 1] > _DOOR_M)
    first = np.concatenate([[0], wide + 1])
    last = np.append(wide, len(stretches) - 1)
    return np.stack([stretches[first, 0], stretches[last, 1]], axis=1)


def open_length_m(
    outline: Polygon, grid: Grid, room: Room, lines: list[WallLine], step_m: float = 0.1
) -> float:
    """Length of the outer edge at which neither a wall nor another level bounds the floor [m].

    Parameters
    ----------
    outline : shapely.Polygon
    grid : Grid
    room : Room
    lines : list of WallLine
        Faces of the walls; doorways in them bound the floor too.
    step_m : float
        Distance at which the edge is looked at [m].
    """
    from scipy.ndimage import distance_transform_edt

    xy = _resampled(np.asarray(outline.exterior.coords)[:-1], step_m)
    bound = room.tall if room.apart is None else room.tall | room.apart
    away = distance_transform_edt(~bound) * grid.cell_m
    row, col = grid.cell_of(xy[:, 0], xy[:, 1])
    free = away[np.clip(row, 0, grid.ny - 1), np.clip(col, 0, grid.nx - 1)] > _BESIDE_M
    for line in lines:
        along = line.along(xy)
        on = np.abs(line.distance(xy)) < _BESIDE_M
        for low, high in _across_doors(line.along_m):
            free &= ~(on & (along > low - _BESIDE_M) & (along < high + _BESIDE_M))
    return float(free.mean() * outline.exterior.length)


def _calm_runs(which: NDArray[np.int64], least: int) -> NDArray[np.int64]:
    """Takes runs shorter than ``least`` into the run before them, around the ring."""
    n = len(which)
    if n == 0 or np.all(which == which[0]):
        return which
    start = int(np.flatnonzero(which != np.roll(which, 1))[0])
    turned = np.roll(which, -start)
    for _ in range(3):
        first = np.flatnonzero(np.diff(turned, prepend=-99))
        last = np.append(first[1:], n)
        short = (last - first) < least
        if not short.any() or short.all():
            break
        for k in np.flatnonzero(short):
            before = turned[first[k] - 1]
            after = turned[last[k] % n]
            # Between two faces the leftover becomes free edge: the corner is their meeting.
            turned[first[k] : last[k]] = before if before == after else -1
        if not np.any((last - first < least) & (turned[first] != -1)):
            break
    return np.roll(turned, start)


def _to_coverage(
    grid: Grid, fine: Array, smooth: Array, room: Room, floor_points: NDArray[np.int64]
) -> Array:
    """Moves the free edge inwards to where floor points end within the outermost cells."""
    from scipy.ndimage import uniform_filter, uniform_filter1d

    normal = _normals(smooth)
    inner = room.seen
    counts = uniform_filter(np.where(inner, floor_points, 0).astype(np.float64), 5, mode="constant")
    share = uniform_filter(inner.astype(np.float64), 5, mode="constant")
    usual = counts / np.maximum(share, 1e-9)

    def look(field: Array, depth: float) -> Array:
        xy = fine - normal * depth * grid.cell_m
        row, col = grid.cell_of(xy[:, 0], xy[:, 1])
        out: Array = field[np.clip(row, 0, grid.ny - 1), np.clip(col, 0, grid.nx - 1)]
        return out

    window = max(3, round(0.3 / grid.cell_m))
    expected = uniform_filter1d(look(usual, 4.0), window, mode="wrap")
    found = sum(
        (
            uniform_filter1d(look(floor_points.astype(np.float64), d), window, mode="wrap")
            for d in (0.5, 1.5)
        ),
        np.zeros(len(fine)),
    )
    missing = np.clip(2.0 - found / np.maximum(expected, 1e-9), -1.0, 2.0) * grid.cell_m
    missing = np.where(expected > 0.2, missing, 0.0)
    return fine - normal * missing[:, None]


def _at_its_foot(line: WallLine, foot: tuple[Array, Array], cell_m: float) -> WallLine:
    """The face where it meets the floor: on a skirting, where one was seen along most of it."""
    xy, count = foot
    distance = line.distance(xy)
    along = line.along(xy)
    on = np.zeros(len(xy), bool)
    for low, high in line.along_m:
        on |= (along >= low) & (along <= high)
    on &= np.abs(distance) < _SKIRTING_REACH_M
    length = float(np.sum(line.along_m[:, 1] - line.along_m[:, 0]))
    seen = np.unique(np.floor(along[on] / cell_m)).size * cell_m
    if seen < 0.5 * length:
        return line
    order = np.argsort(distance[on])
    share = np.cumsum(count[on][order]) / count[on].sum()
    low, middle, high = np.interp([0.15, 0.5, 0.85], share, distance[on][order])
    if high - low > 0.5 * _SKIRTING_REACH_M:
        return line
    return replace(line, offset_m=line.offset_m + float(middle))


def _corners(fine: Array, edge: Array, which: NDArray[np.int64], lines: list[WallLine]) -> Array:
    """Corner places of the outline: faces meet in points, free edge stays as it is."""
    n = len(which)
    if np.all(which == -1):
        return edge
    if np.all(which == which[0]):
        return fine
    start = int(np.flatnonzero(which != np.roll(which, 1))[0])
    order = (np.arange(n) + start) % n
    label = which[order]
    first = np.flatnonzero(np.diff(label, prepend=-99))
    last = np.append(first[1:], n)
    runs = [(int(label[a]), order[a:b]) for a, b in zip(first, last, strict=True)]
    if runs[0][0] == runs[-1][0] and len(runs) > 1:
        tail = runs.pop()
        runs[0] = (runs[0][0], np.concatenate([tail[1], runs[0][1]]))
    runs = _joined_at_corners(runs, fine, lines)
    out: list[Array] = []
    for k, (face, index) in enumerate(runs):
        if face == -1:
            out.append(edge[index])
            continue
        line = lines[face]
        after_face, after_index = runs[(k + 1) % len(runs)]
        before_face, _ = runs[k - 1]
        if before_face == -1 or _meet(line, lines[before_face], fine[index[0]]) is None:
            out.append(_foot(line, fine[index[0]]))
        if (
            after_face != -1
            and (corner := _meet(line, lines[after_face], fine[after_index[0]])) is not None
        ):
            out.append(corner[None])
        else:
            out.append(_foot(line, fine[index[-1]]))
    return np.concatenate(out)


def _joined_at_corners(
    runs: list[tuple[int, NDArray[np.int64]]], fine: Array, lines: list[WallLine]
) -> list[tuple[int, NDArray[np.int64]]]:
    """Drops free edge between two faces that meet near it: the corner itself."""
    kept = []
    count = len(runs)
    for k, (face, index) in enumerate(runs):
        before, after = runs[k - 1][0], runs[(k + 1) % count][0]
        if face == -1 and before != -1 and after != -1 and before != after:
            reach = np.hypot(*np.ptp(fine[index], axis=0))
            if (
                reach < _CORNER_M
                and _meet(lines[before], lines[after], fine[index].mean(axis=0)) is not None
            ):
                continue
        kept.append((face, index))
    return kept


def _meet(a: WallLine, b: WallLine, near: Array) -> Array | None:
    """Where two faces meet, if that is near the given place."""
    corner = meeting(a, b)
    return corner if corner is not None and np.hypot(*(corner - near)) < _CORNER_M else None


def _foot(line: WallLine, place: Array) -> Array:
    return (place - line.normal * (place @ line.normal - line.offset_m))[None]
