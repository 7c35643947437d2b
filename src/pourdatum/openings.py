"""Openings in the floor: drains, pits and ducts that the pour must not run into.

An opening is a gap in well-sampled floor through which lower points were seen, or,
where nothing was seen in it, one that no thing can have shaded and no tripod stood
over.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import Cells
from pourdatum.edge import cells_polygon
from pourdatum.grid import Grid, group_windows, widened
from pourdatum.lacking import (
    LEAST_OPENING_M,
    Gaps,
    by_chance,
    density_around,
    empty_discs,
    hollow_ground,
    reflected,
    under_tops,
    usual_count,
    whole_around,
)
from pourdatum.outline import Room
from pourdatum.things import Obstruction, covered
from pourdatum.walls import Upright

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BELOW_M: Final = 0.3
"""Distance in plan within which a gap is the blind spot of an instrument [m]."""
_BLIND_M: Final = 0.45
"""Extent from which a gap may be the blind spot below a tripod, or part of one [m]."""
_DEEPEST_M: Final = 3.0
_EDGE_M: Final = 1.0
"""Width of the shade between the face of an edge and lower ground that was seen [m]."""
_RIM_CELLS: Final = 2.0
"""Cells at the edge in which points of its face lie [1]."""
_SEEN_WIDTHS: Final = 3.0
"""Depth, in widths of the hole, down to which a slanting look into it reaches."""
_SQUARE: Final = np.ones((3, 3), bool)
"""A cell and its eight neighbours."""


@dataclass(frozen=True)
class Opening:
    """A hole in the floor.

    Attributes
    ----------
    place_m : tuple
        Its middle, local plan [m].
    area_m2 : float
    depth_m : float or None
        How far down points were seen in it [m]; None where none were.
    outline : shapely.Polygon
    seen : bool
        Whether points were seen below its rim.
    kept : bool
        Whether the user said that it stays open.
    """

    place_m: tuple[float, float]
    area_m2: float
    depth_m: float | None
    outline: Polygon
    seen: bool
    kept: bool = False


def not_below(
    openings: tuple[Opening, ...], stood_m: Sequence[tuple[float, float, float] | None]
) -> tuple[Opening, ...]:
    """Openings without gaps in which nothing was seen below an instrument: there it sees nothing.

    Parameters
    ----------
    openings : tuple of Opening
    stood_m : sequence of (x, y, z) or None
        Where instruments stood, local [m].
    """
    return tuple(
        hole
        for hole in openings
        if hole.seen
        or all(math.dist(hole.place_m, at[:2]) >= _BELOW_M for at in stood_m if at is not None)
    )


def find_openings(
    cells: Cells,
    room: Room,
    structure: Upright,
    floor_points: NDArray[np.int64],
    columns: tuple[Obstruction, ...],
    gate_m: float,
    least_drop_m: float,
    lid: Mask | None = None,
    edges: Mask | None = None,
) -> tuple[Opening, ...]:
    """Holes in the floor of 100 mm or more.

    Parameters
    ----------
    cells : Cells
    room : Room
    structure : Upright
    floor_points : (ny, nx) int array
        Points at the floor's level.
    columns : tuple of Obstruction
    gate_m : float
        Greatest distance of a floor point from the floor [m].
    least_drop_m : float
        Depth from which a point lies below the floor and not in its noise [m].
    lid : (ny, nx) bool array, optional
        Cells over the underside of the floor's slab: what lies below is another storey.
    edges : (ny, nx) bool array, optional
        Cells beside the steep sides of pieces of the floor: what lies below is the lower piece.
    """
    from scipy.ndimage import binary_dilation, label

    below = _points_below(cells, room, structure, least_drop_m, lid)
    if edges is not None:
        below[edges] = 0
    hollow = cells.total(
        cells.band, (cells.band.height_m < -gate_m) & (cells.band.height_m >= -least_drop_m)
    )
    usual, mean = usual_count(floor_points, room.seen, cells.grid.cell_m)
    taken = covered(cells.grid, columns, 0.05)
    gap = (floor_points < 0.6 * usual) | (below >= 2)
    gap |= hollow_ground(below, floor_points, usual, room)
    if room.apart is not None:  # beyond an edge of the floor lower ground is seen, and no hole
        gap &= ~binary_dilation(room.apart, _SQUARE, iterations=3)
    gap &= room.inside & ~taken & (structure.things < 2) & ~room.tall
    groups, count = label(gap)
    gaps = Gaps(groups, count)
    things = binary_dilation((structure.things >= 3) & room.inside, _SQUARE)
    around = _Around(cells.grid, room, groups, floor_points, mean, blocked=things | taken)
    # By chance alone a cell lacks points here and there; only nearly empty ones count.
    thin = floor_points <= 0.25 * usual
    large = gaps.added() * cells.grid.cell_m**2 >= 0.5 * LEAST_OPENING_M**2
    through = _seen_through(gaps, below, floor_points, room)
    telling = _tells_without_points(gaps, cells, room, floor_points, usual, thin, hollow)
    # The top of a pit's face lies within the gate and passes for floor: as much of it, by its
    # height, as was seen right below.
    face = hollow * ((gate_m + 0.001) / (least_drop_m - gate_m - 0.001))
    level_points = np.maximum(floor_points - face, 0.0)
    boxes = group_windows(groups)
    found = []
    for k in np.flatnonzero(large & (through | telling)).tolist():
        window = widened(boxes[k], 3, cells.grid.shape)
        seen = bool(through[k])
        own = around.seen_through(k, window) if seen else around.unseen(k, window, thin)
        if own is None:
            continue
        usual_here = around.usual(window, own)
        opening = _opening(cells, window, own, level_points, usual_here, seen, least_drop_m)
        if opening is not None:
            found.append(opening)
    return tuple(found)


def _points_below(
    cells: Cells, room: Room, structure: Upright, least_drop_m: float, lid: Mask | None
) -> NDArray[np.int64]:
    """Points per cell under the floor, where they can have come through a hole in it."""
    from scipy.ndimage import binary_closing, binary_dilation, distance_transform_edt

    below = cells.total(cells.band, cells.band.height_m < -least_drop_m) + cells.total(
        cells.structure, (cells.structure.height_m < 0) & (cells.structure.height_m > -_DEEPEST_M)
    )
    # The mirror image of a wall or a crate under a polished slab lies straight below it.
    standing = room.tall | (structure.things >= 2)
    below[binary_dilation(standing, _SQUARE)] = 0
    if lid is not None and lid.any():
        # Through a slab nothing is seen: walls of the storey below are no holes.
        solid = binary_closing(room.seen, _SQUARE, iterations=3) | lid
        below[solid] = 0
    if room.apart is not None and room.apart.any():
        # The face below an edge is no hole; before it the lower ground lies in shade.
        at_edge: Mask = distance_transform_edt(room.inside) <= _RIM_CELLS
        at_edge &= distance_transform_edt(~room.apart) * cells.grid.cell_m < _EDGE_M
        below[at_edge] = 0
    return below


def _seen_through(
    gaps: Gaps, below: NDArray[np.int64], floor_points: NDArray[np.int64], room: Room
) -> Mask:
    """Gaps through which lower points were seen (k,).

    Reflections lie below seen floor all over; more than those must show in the gap.
    """
    size = gaps.added()
    lower = gaps.total(below)
    through: Mask = (lower >= 5) & (lower > 4 * reflected(below, floor_points, room) * size)
    through &= gaps.total(below > 0) >= 0.04 * size
    return through


def _tells_without_points(
    gaps: Gaps,
    cells: Cells,
    room: Room,
    floor_points: NDArray[np.int64],
    usual: Array,
    thin: Mask,
    hollow: NDArray[np.int64],
) -> Mask:
    """Gaps that neither chance, the shadow of a table nor a dip explains (k,)."""
    empty = empty_discs(floor_points, usual, cells.grid.cell_m)
    telling = (gaps.total(thin & empty) > 0) | ~by_chance(gaps, thin, usual)
    telling &= gaps.total(thin & under_tops(cells, room, floor_points)) == 0
    telling &= gaps.total(np.where(thin, hollow, 0)) <= 2  # points just below: a dip, not a hole
    return telling


class _Around:
    """The floor around gaps, by which one of them is judged."""

    def __init__(
        self,
        grid: Grid,
        room: Room,
        groups: NDArray[np.signedinteger[Any]],
        floor_points: NDArray[np.int64],
        mean: Array,
        *,
        blocked: Mask,
    ) -> None:
        from scipy.ndimage import binary_erosion

        self._grid, self._room, self._groups = grid, room, groups
        self._floor_points, self._mean = floor_points, mean
        self._blocked = blocked
        self._rim_of_room = ~binary_erosion(room.inside, np.ones((5, 5), bool))
        self._whole = room.seen & (groups == 0) & ~blocked

    def _own(self, k: int, window: tuple[slice, slice]) -> tuple[Mask, Mask]:
        """Cells of gap k in its window, and the ring around them."""
        from scipy.ndimage import binary_dilation

        own = self._groups[window] == k + 1
        return own, binary_dilation(own, _SQUARE) & ~own

    def seen_through(self, k: int, window: tuple[slice, slice]) -> Mask | None:
        """Cells of a hole in which lower points were seen; None where no floor lies around it."""
        from scipy.ndimage import binary_fill_holes

        own, ring = self._own(k, window)
        if not (ring & self._room.seen[window]).any():
            return None
        filled: Mask = binary_fill_holes(own)
        return filled

    def unseen(self, k: int, window: tuple[slice, slice], thin: Mask) -> Mask | None:
        """Nearly empty cells of a gap; None where it may be a shadow or a blind spot."""
        own, ring = self._own(k, window)
        own &= thin[window]
        if (ring & self._blocked[window]).any() or (own & self._rim_of_room[window]).any():
            return None
        height, width = np.ptp(np.nonzero(own), axis=1) + 1
        longest_m = max(height, width) * self._grid.cell_m
        small = longest_m < _BLIND_M
        shape = cells_polygon(self._grid.window(*window), own)
        compact = (
            shape.area > 0.72 * shape.convex_hull.area
            and shape.area > 0.3 * longest_m**2
            and shape.area > (0.65 if small else 0.75) * _box_area(shape)
        )
        # The floor around a tripod's blind spot is denser than farther off, and where the
        # shadows of two stations cross it is thinner; around an opening it is even.
        rim = float(np.median(self._mean[window][ring])) if ring.any() else 0.0
        ratio = rim / density_around(self._mean, self._room, window, self._grid)
        even = ratio > 0.75 if small else 0.75 < ratio < 1.15
        return own if compact and even and longest_m < 1.5 else None

    def usual(self, window: tuple[slice, slice], own: Mask) -> Array:
        """Points that cells of whole floor hold here, over the window."""
        return whole_around(self._floor_points, window, own, self._whole, self._mean)


def _box_area(shape: Polygon) -> float:
    return float(shape.minimum_rotated_rectangle.area)


def _opening(
    cells: Cells,
    window: tuple[slice, slice],
    own: Mask,
    level_points: Array,
    usual: Array,
    seen: bool,
    least_drop_m: float,
) -> Opening | None:
    """The opening of a gap, its outline drawn so that it holds the floor that is missing."""
    import shapely
    from scipy.ndimage import binary_dilation

    part = cells.grid.window(*window)
    near = binary_dilation(own, _SQUARE)
    lacking = 1 - level_points[window] / np.maximum(usual, 1e-9)
    missing = np.where(own, np.clip(lacking, 0.0, 1.0), 0.0)
    if missing.sum() == 0.0:
        return None
    # The rim is counted with its sign: a cell of whole floor holds by chance as often more
    # points as it holds fewer.
    rim = max(float(lacking[near & ~own].sum()), 0.0)
    area = max(float(missing.sum()) + rim, 0.5) * part.cell_m**2
    shape = cells_polygon(part, own)
    if shape.geom_type != "Polygon":
        shape = max(shape.geoms, key=lambda item: item.area)
    shape = shapely.Polygon(shape.exterior)
    x, y = part.mesh()
    cx, cy = (float(np.average(axis, weights=missing)) for axis in (x, y))
    rounded = shapely.simplify(shape.buffer(part.cell_m).buffer(-part.cell_m), 0.4 * part.cell_m)
    scale = np.sqrt(area / rounded.area)
    centre = rounded.centroid
    moved = (np.asarray(rounded.exterior.coords) - [centre.x, centre.y]) * scale + [cx, cy]
    outline = shapely.Polygon(moved)
    width = 2 * np.sqrt(area / np.pi)
    if width < (0.7 if seen else 0.85) * LEAST_OPENING_M:
        return None
    depth = None
    if seen:
        flat = np.zeros(cells.grid.shape, bool)
        flat[window] = own
        depth = _depth_seen(cells, flat, least_drop_m, width)
        if depth is None:
            return None
    return Opening((cx, cy), area, depth, outline, seen)


def _depth_seen(cells: Cells, own: Mask, least_drop_m: float, width_m: float) -> float | None:
    """Depth that nine in ten of the points seen below the rim do not exceed [m].

    None where they are too few, or most lie deeper than one can see through a hole of
    this width: then they are reflections.
    """
    heights, counts = [], []
    for column in (cells.band, cells.structure):
        pick = own.ravel()[column.cell] & (column.height_m < -least_drop_m)
        heights.append(column.height_m[pick])
        counts.append(column.count[pick])
    height, count = np.concatenate(heights), np.concatenate(counts)
    near = (height > -_SEEN_WIDTHS * width_m) & (height > -_DEEPEST_M)
    if count[near].sum() < max(5, 0.3 * count[height > -_DEEPEST_M].sum()):
        return None
    order = np.argsort(height[near])
    share = np.cumsum(count[near][order]) / count[near].sum()
    return float(-np.interp(0.1, share, height[near][order]))
