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
from pourdatum.outline import Room
from pourdatum.things import Obstruction, covered
from pourdatum.walls import Upright

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BELOW_M: Final = 0.3
"""Distance in plan within which a gap is the blind spot of an instrument [m]."""
LEAST_OPENING_M: Final = 0.1
"""Openings from this width on are excluded and listed [m]."""
_BLIND_M: Final = 0.45
"""Extent from which a gap may be the blind spot below a tripod, or part of one [m]."""
_DEEPEST_M: Final = 3.0
_EDGE_M: Final = 1.0
"""Width of the shade between the face of an edge and lower ground that was seen [m]."""
_RIM_CELLS: Final = 2.0
"""Cells at the edge in which points of its face lie [1]."""
_HOLLOW: Final = 0.3
"""Share of the ground, and of the usual points, below which lower points are reflections."""
_LEAST_TOP_M2: Final = 0.04
_SHADOW_M: Final = 1.5
"""Distance from a table top within which its shadow is looked for [m]."""
_RING: Final = (2, 6)
"""Cells from a gap between which whole floor tells how many points are usual there [1]."""
_LEAST_RING: Final = 16
_SEEN_WIDTHS: Final = 3.0
"""Depth, in widths of the hole, down to which a slanting look into it reaches."""


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
    """

    place_m: tuple[float, float]
    area_m2: float
    depth_m: float | None
    outline: Polygon
    seen: bool


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
    """
    from scipy.ndimage import (
        binary_closing,
        binary_dilation,
        binary_erosion,
        binary_fill_holes,
        distance_transform_edt,
        label,
    )

    grid = cells.grid
    below = cells.total(cells.band, cells.band.height_m < -least_drop_m) + cells.total(
        cells.structure, (cells.structure.height_m < 0) & (cells.structure.height_m > -_DEEPEST_M)
    )
    hollow = cells.total(
        cells.band, (cells.band.height_m < -gate_m) & (cells.band.height_m >= -least_drop_m)
    )
    # The mirror image of a wall or a crate under a polished slab lies straight below it.
    standing = room.tall | (structure.things >= 2)
    below[binary_dilation(standing, np.ones((3, 3), bool))] = 0
    if lid is not None and lid.any():
        # Through a slab nothing is seen: walls of the storey below are no holes.
        solid = binary_closing(room.seen, np.ones((3, 3), bool), iterations=3) | lid
        below[solid] = 0
    if room.apart is not None and room.apart.any():
        # The face below an edge is no hole; before it the lower ground lies in shade.
        at_edge: Mask = distance_transform_edt(room.inside) <= _RIM_CELLS
        at_edge &= distance_transform_edt(~room.apart) * grid.cell_m < _EDGE_M
        below[at_edge] = 0
    usual, mean = _usual_count(floor_points, room.seen, grid.cell_m)
    taken = covered(grid, columns, 0.05)
    gap = (floor_points < 0.6 * usual) | (below >= 2)
    gap |= _hollow_ground(below, floor_points, usual, room)
    if room.apart is not None:  # beyond an edge of the floor lower ground is seen, and no hole
        gap &= ~binary_dilation(room.apart, np.ones((3, 3), bool), iterations=3)
    gap &= room.inside & ~taken & (structure.things < 2) & ~room.tall
    groups, count = label(gap)
    reflected = _reflected(below, floor_points, room)
    empty = _empty_discs(floor_points, usual, grid.cell_m)
    things = binary_dilation((structure.things >= 3) & room.inside, np.ones((3, 3), bool))
    blocked = things | taken
    shading = _under_tops(cells, room, floor_points)
    rim_of_room = ~binary_erosion(room.inside, np.ones((5, 5), bool))
    whole = room.seen & (groups == 0) & ~blocked
    # The top of a pit's face lies within the gate and passes for floor: as much of it, by its
    # height, as was seen right below.
    face = hollow * (gate_m / (least_drop_m - gate_m))
    level_points = np.maximum(floor_points - face, 0.0)
    found = []
    boxes = group_windows(groups)
    gaps = _Gaps(groups, count)
    size = gaps.added()
    large = size * grid.cell_m**2 >= 0.5 * LEAST_OPENING_M**2
    lower = gaps.total(below)
    # Reflections lie below seen floor all over; more than those must show in the gap.
    through = (lower >= 5) & (lower > 4 * reflected * size)
    through &= gaps.total(below > 0) >= 0.04 * size
    # By chance alone a cell lacks points here and there; only nearly empty ones count.
    thin = floor_points <= 0.25 * usual
    telling = (gaps.total(thin & empty) > 0) | ~_by_chance(gaps, thin, usual)
    telling &= gaps.total(thin & shading) == 0
    telling &= gaps.total(np.where(thin, hollow, 0)) <= 2  # points just below: a dip, not a hole
    for k in (1 + np.flatnonzero(large & (through | telling))).tolist():
        window = widened(boxes[k - 1], 3, grid.shape)
        own = groups[window] == k
        ring = binary_dilation(own, np.ones((3, 3), bool)) & ~own
        seen_through = bool(through[k - 1])
        if seen_through:
            own = binary_fill_holes(own)
        if not seen_through:
            own &= thin[window]
            rim = float(np.median(mean[window][ring])) if ring.any() else 0.0
            lonely = not ((ring & blocked[window]).any() or (own & rim_of_room[window]).any())
            shape = cells_polygon(grid.window(*window), own)
            height, width = np.ptp(np.nonzero(own), axis=1) + 1
            longest_m = max(height, width) * grid.cell_m
            compact = (
                shape.area > 0.72 * shape.convex_hull.area
                and shape.area > 0.3 * longest_m**2
                and shape.area > (0.65 if longest_m < _BLIND_M else 0.75) * _box_area(shape)
            )
            # The floor around a tripod's blind spot is denser than farther off, and where the
            # shadows of two stations cross it is thinner; around an opening it is even.
            ratio = rim / _density_around(mean, room, window, grid)
            even = ratio > 0.75 if longest_m < _BLIND_M else 0.75 < ratio < 1.15
            if not (lonely and compact and even and longest_m < 1.5):
                continue
        elif not (ring & room.seen[window]).any():
            continue
        usual_here = _whole_around(floor_points, window, own, whole, mean)
        opening = _opening(cells, window, own, level_points, usual_here, seen_through, least_drop_m)
        if opening is not None:
            found.append(opening)
    return tuple(found)


class _Gaps:
    """Cells that hang together: all groups are summed over at once."""

    def __init__(self, groups: NDArray[np.signedinteger[Any]], count: int) -> None:
        self.cells = np.nonzero(groups)
        self._number = groups[self.cells] - 1
        self._count = count

    def added(self, value: Array | None = None) -> Array:
        """Sum over each group (k,) of what its cells have, or their number."""
        return np.bincount(self._number, value, self._count).astype(np.float64)

    def total(self, field: NDArray[np.int64] | Mask) -> Array:
        """Sum of a field (ny, nx) over each group (k,)."""
        return self.added(field[self.cells].astype(np.float64))


def _usual_count(floor_points: NDArray[np.int64], seen: Mask, cell_m: float) -> tuple[Array, Array]:
    """Points that a cell of whole floor holds around here: at the least, and on average.

    What is thin may be no opening: density jumps at the rim of the blind spot below a
    tripod. So a gap is judged by the least of the neighbourhood's means.
    """
    from scipy.ndimage import gaussian_filter, minimum_filter

    width = max(0.06 / cell_m, 1.5)
    total = gaussian_filter(np.where(seen, floor_points, 0).astype(np.float64), width)
    share = gaussian_filter(seen.astype(np.float64), width)
    mean = np.where(share > 0.3, total / np.maximum(share, 1e-6), np.inf)
    size = 2 * round(0.15 / cell_m) + 1
    least = minimum_filter(mean, size, mode="nearest")
    broad = gaussian_filter(np.where(seen, floor_points, 0).astype(np.float64), 2 * width)
    broad /= np.maximum(gaussian_filter(seen.astype(np.float64), 2 * width), 1e-6)
    return np.where(np.isfinite(least), least, 0.0), broad


def _hollow_ground(
    below: NDArray[np.int64], floor_points: NDArray[np.int64], usual: Array, room: Room
) -> Mask:
    """Ground far from seen floor under which lower points were seen: the middle of a pit.

    In shade there are as few of them as reflections leave.
    """
    from scipy.ndimage import binary_dilation, label

    blank = (floor_points == 0) & (usual == 0.0) & room.inside
    groups, count = label(blank)
    if count == 0:
        return np.zeros(blank.shape, bool)
    near = binary_dilation(below > 0, np.ones((3, 3), bool))
    size = np.bincount(groups.ravel(), minlength=count + 1)
    held = np.bincount(groups.ravel(), weights=near.ravel(), minlength=count + 1)
    points = np.bincount(groups.ravel(), weights=below.ravel(), minlength=count + 1)
    typical = float(np.median(floor_points[room.seen & (floor_points > 0)]))
    keep = (held > _HOLLOW * size) & (points > _HOLLOW * typical * size)
    keep[0] = False
    hollow: Mask = keep[groups]
    return hollow


def _under_tops(cells: Cells, room: Room, floor_points: NDArray[np.int64]) -> Mask:
    """Cells within reach of the shadow of a table top: it lies apart from what casts it."""
    from scipy.ndimage import binary_opening, distance_transform_edt

    height = cells.structure.height_m
    over = cells.total(cells.structure, (height > 0.25) & (height < 1.9)) >= 2
    low = cells.total(cells.band, cells.band.height_m >= 0.03) + cells.total(
        cells.structure, (height > 0) & (height < 0.25)
    )
    tops = over & (low == 0) & (floor_points > 0) & ~room.tall & room.inside
    # Edges of crates and specks leave single cells; a top is as wide as a patch at the least.
    tops = binary_opening(tops, np.ones((3, 3), bool))
    if tops.sum() * cells.grid.cell_m**2 < _LEAST_TOP_M2:
        return np.zeros(cells.grid.shape, bool)
    near: Mask = distance_transform_edt(~tops) * cells.grid.cell_m < _SHADOW_M
    return near


def _empty_discs(floor_points: NDArray[np.int64], usual: Array, cell_m: float) -> Mask:
    """Middles of discs as wide as the least opening that lack the points due to them.

    A disc with no point where 16 are due, or a quarter of 30 and more, is so by chance once
    in millions. The quarter is for a round hole that is not centred on a cell.
    """
    from scipy.ndimage import correlate

    radius = 0.5 * LEAST_OPENING_M / cell_m
    reach = int(radius)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = (x**2 + y**2 <= radius**2).astype(np.float64)
    found = correlate(floor_points.astype(np.float64), disc, mode="constant")
    due = correlate(usual, disc, mode="constant") * np.pi * radius**2 / disc.sum()
    empty: Mask = ((found < 0.5) & (due >= 16.0)) | ((found <= 0.25 * due) & (due >= 30.0))
    return empty


def _by_chance(gaps: _Gaps, thin: Mask, usual: Array) -> Mask:
    """Whether the nearly empty cells of a gap may have come about by chance on whole floor (k,).

    Each holds a quarter or less of the points due; a plane holds about 4**n shapes of n
    cells (lattice animals), over a hundred thousand places.
    """
    from scipy.special import pdtr

    due = usual[gaps.cells]
    rare = -np.log(np.maximum(pdtr(np.floor(0.25 * due), due), 1e-300)) - np.log(4.0)
    own = thin[gaps.cells]
    chance: Mask = (gaps.added(rare * own) < 14.0) | (gaps.total(thin) == 0.0)
    return chance


def _box_area(shape: Polygon) -> float:
    return float(shape.minimum_rotated_rectangle.area)


def _density_around(mean: Array, room: Room, window: tuple[slice, slice], grid: Grid) -> float:
    """Points per cell that the floor within half a metre of a gap usually holds."""
    wide = widened(window, round(0.5 / grid.cell_m), mean.shape)
    values = mean[wide][room.seen[wide]]
    return max(float(np.quantile(values, 0.6)), 1e-9) if values.size else 1e-9


def _whole_around(
    floor_points: NDArray[np.int64],
    window: tuple[slice, slice],
    own: Mask,
    whole: Mask,
    mean: Array,
) -> Array:
    """Points that cells of whole floor hold around a gap, over its window.

    Cells that straddle the rim hold fewer: with them in the mean the rim itself would pass for
    usual, and openings come out too small by a tenth of a cell all round.
    """
    from scipy.ndimage import binary_dilation

    wide = widened(window, _RING[1], floor_points.shape)
    gap = np.zeros(floor_points.shape, bool)[wide]
    gap[
        window[0].start - wide[0].start : window[0].stop - wide[0].start,
        window[1].start - wide[1].start : window[1].stop - wide[1].start,
    ] = own
    near, far = (binary_dilation(gap, np.ones((3, 3), bool), iterations=k) for k in _RING)
    ring = far & ~near & whole[wide]
    if ring.sum() < _LEAST_RING:
        return mean[window]
    return np.full(own.shape, float(floor_points[wide][ring].mean()))


def _reflected(below: NDArray[np.int64], floor_points: NDArray[np.int64], room: Room) -> float:
    """Mean number of points below the floor under a cell of seen floor."""
    whole = room.inside & (floor_points > 0)
    return float(below[whole].mean()) if whole.any() else 0.0


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
    near = binary_dilation(own, np.ones((3, 3), bool))
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
    return Opening((cx, cy), area, depth, outline, bool(seen))


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
