"""What interrupts the floor: columns and fixed things, loose things, openings.

Columns reach the ceiling and are cut out. Loose things only hide floor, which is
inferred. An opening is a gap in well-sampled floor through which lower points were
seen, or, where nothing was seen in it, one that no thing can have shaded and no
tripod stood over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import Cells
from pourdatum.edge import cells_polygon
from pourdatum.grid import Grid
from pourdatum.outline import Room
from pourdatum.walls import Upright, face_points

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_OPENING_M: Final = 0.1
"""Openings from this width on are excluded and listed [m]."""
_DEEPEST_M: Final = 2.0
_LARGEST_UNSEEN_ARC: Final = np.radians(235.0)
_LEAST_TOP_M2: Final = 0.04
_SHADOW_M: Final = 1.5
"""Distance from a table top within which its shadow is looked for [m]."""
_SEEN_WIDTHS: Final = 3.0
"""Depth, in widths of the hole, down to which a slanting look into it reaches."""
_LEAST_THING_M2: Final = 0.004


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


@dataclass(frozen=True)
class Obstruction:
    """A thing on the floor.

    Attributes
    ----------
    kind : "loose", "column" or "unsure"
        A column is cut out of the floor; loose things hide floor to be poured;
        an unsure one is treated as loose and listed.
    place_m : tuple
        Its middle, local plan [m].
    area_m2 : float
        Area of its footprint as seen [m²].
    height_m : float
    outline : shapely.Polygon
    """

    kind: Literal["loose", "column", "unsure"]
    place_m: tuple[float, float]
    area_m2: float
    height_m: float
    outline: Polygon


def find_columns(cells: Cells, room: Room, structure: Upright) -> tuple[Obstruction, ...]:
    """Fixed upright things wholly within the room."""
    from scipy.ndimage import binary_closing, binary_dilation, binary_fill_holes, label

    grid = cells.grid
    tall = room.tall & room.inside
    groups, count = label(binary_closing(tall, np.ones((5, 5), bool)) | tall, np.ones((3, 3), bool))
    rim = binary_dilation(~room.inside, np.ones((3, 3), bool))
    found = []
    for k in range(1, count + 1):
        own = groups == k
        if (own & rim).any() or own.sum() < 2:
            continue
        around = binary_dilation(own, np.ones((3, 3), bool))
        xy, weight = face_points(cells, around & structure.upright)
        outline = footprint(xy, weight) if len(xy) >= 5 else None
        if outline is None:
            outline = cells_polygon(grid, binary_fill_holes(own))
            if outline.geom_type != "Polygon":
                outline = outline.convex_hull
        if outline.area < _LEAST_THING_M2:
            continue
        height = (
            float(np.median(structure.top_m[own & structure.upright]))
            if (own & structure.upright).any()
            else 0.0
        )
        found.append(_thing("column", outline, height))
    return tuple(found)


def footprint(xy: Array, weight: Array) -> Polygon | None:
    """Rectangle or circle through the faces of a column, whichever fits; None if neither.

    Examples
    --------
    Three faces of a column of 0.4 by 0.3 m, the fourth unseen:

    >>> t = np.linspace(0, 1, 20)
    >>> sides = np.c_[0.4 * t, 0 * t], np.c_[0 * t, 0.3 * t], np.c_[0.4 + 0 * t, 0.3 * t]
    >>> xy = np.concatenate(sides)
    >>> round(footprint(xy, np.ones(60)).area, 3)
    0.12
    """
    import shapely

    hull = shapely.MultiPoint(xy).convex_hull
    if hull.geom_type != "Polygon":
        return None
    rectangle = _rectangle(xy, weight, hull)
    circle = _circle(xy, weight)
    fits = []
    for shape in (rectangle, circle):
        if shape is not None:
            distance = shapely.distance(shape.exterior, shapely.points(xy))
            fits.append(
                (float(np.sqrt(np.average(np.minimum(distance, 0.1) ** 2, weights=weight))), shape)
            )
    if not fits:
        return None
    error, best = min(fits, key=lambda item: item[0])
    return best if error < 0.02 else None


def _rectangle(xy: Array, weight: Array, hull: Polygon) -> Polygon | None:
    import shapely

    box = np.asarray(hull.minimum_rotated_rectangle.exterior.coords)
    side = box[1] - box[0]
    length = np.hypot(*side)
    if length < 1e-6:
        return None
    u = side / length
    turn = np.stack([u, [-u[1], u[0]]])
    local = xy @ turn.T
    limits = []
    for axis in (0, 1):
        low, high = local[:, axis].min(), local[:, axis].max()
        # The extreme of noisy places lies outside the face; the mean of those near it is on it.
        near = [np.abs(local[:, axis] - end) < 0.012 for end in (low, high)]
        limits.append([np.average(local[pick, axis], weights=weight[pick]) for pick in near])
    (x0, x1), (y0, y1) = limits
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ turn
    shape = shapely.Polygon(corners)
    return shape if shape.area > 0 else None


def _circle(xy: Array, weight: Array) -> Polygon | None:
    import shapely

    # Kasa's algebraic fit: x² + y² = 2 a x + 2 b y + c is linear in a, b, c.
    centre = np.average(xy, axis=0, weights=weight)
    d = xy - centre
    root = np.sqrt(weight)
    matrix = np.column_stack([2 * d, np.ones(len(d))]) * root[:, None]
    (a, b, c), *_ = np.linalg.lstsq(matrix, (d**2).sum(axis=1) * root, rcond=None)
    radius = np.sqrt(max(c + a**2 + b**2, 0.0))
    if not 0.03 < radius < 1.5:
        return None
    bearing = np.sort(np.arctan2(d[:, 1] - b, d[:, 0] - a))
    if np.diff(bearing, append=bearing[0] + 2 * np.pi).max() > _LARGEST_UNSEEN_ARC:
        return None  # two faces of a square column lie near a large circle too
    turn = np.linspace(0, 2 * np.pi, 65)[:-1]
    # A polygon of 64 sides has 0.16 % less area than its circle; its radius makes up for it.
    radius *= np.sqrt(np.pi / (32 * np.sin(np.pi / 32)))
    return shapely.Polygon(
        centre + [a, b] + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    )


def find_things(
    grid: Grid, room: Room, structure: Upright, columns: tuple[Obstruction, ...], tall_m: float
) -> tuple[Obstruction, ...]:
    """Loose things in the room: crates, tools, people."""
    from scipy.ndimage import binary_dilation, binary_erosion, binary_fill_holes, label

    taken = _covered(grid, columns, 0.06)
    mask = (
        (structure.things >= 3)
        & binary_erosion(room.inside, np.ones((3, 3), bool))
        & ~taken
        & ~room.tall
    )
    groups, count = label(binary_dilation(mask, np.ones((3, 3), bool)), np.ones((3, 3), bool))
    found = []
    for k in range(1, count + 1):
        own = binary_fill_holes((groups == k) & mask) & room.inside
        if own.sum() * grid.cell_m**2 < 4 * _LEAST_THING_M2:
            continue
        outline = cells_polygon(grid, own).convex_hull
        if outline.geom_type != "Polygon":
            continue
        heights = structure.top_m[own & mask]
        height = float(np.quantile(heights[heights > 0], 0.8)) if (heights > 0).any() else 0.03
        kind: Literal["loose", "unsure"] = (
            "unsure" if height > 0.8 * tall_m and height > 1.5 else "loose"
        )
        found.append(_thing(kind, outline, height))
    return tuple(found)


def _thing(
    kind: Literal["loose", "column", "unsure"], outline: Polygon, height: float
) -> Obstruction:
    middle = outline.centroid
    return Obstruction(kind, (middle.x, middle.y), outline.area, height, outline)


def _covered(grid: Grid, things: tuple[Obstruction, ...], margin_m: float) -> Mask:
    import shapely

    mask = np.zeros(grid.shape, bool)
    x, y = grid.mesh()
    for thing in things:
        shape = thing.outline.buffer(margin_m)
        mask |= shapely.contains_xy(shape, x, y)
    return mask


def find_openings(
    cells: Cells,
    room: Room,
    structure: Upright,
    floor_points: NDArray[np.int64],
    columns: tuple[Obstruction, ...],
    least_drop_m: float,
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
    least_drop_m : float
        Depth from which a point lies below the floor and not in its noise [m].
    """
    from scipy.ndimage import binary_dilation, binary_erosion, label

    grid = cells.grid
    below = cells.total(cells.band, cells.band.height_m < -least_drop_m) + cells.total(
        cells.structure, (cells.structure.height_m < 0) & (cells.structure.height_m > -_DEEPEST_M)
    )
    # The mirror image of a wall or a crate under a polished slab lies straight below it.
    standing = room.tall | (structure.things >= 2)
    below[binary_dilation(standing, np.ones((3, 3), bool))] = 0
    usual, mean = _usual_count(floor_points, room.seen, grid.cell_m)
    taken = _covered(grid, columns, 0.05)
    gap = (floor_points < 0.6 * usual) | (below >= 2)
    gap &= room.inside & ~taken & (structure.things < 2) & ~room.tall
    groups, count = label(gap)
    reflected = _reflected(below, floor_points, room)
    empty = _empty_discs(floor_points, usual, grid.cell_m)
    things = binary_dilation((structure.things >= 3) & room.inside, np.ones((3, 3), bool))
    shading = _under_tops(cells, room, floor_points)
    rim_of_room = ~binary_erosion(room.inside, np.ones((5, 5), bool))
    found = []
    boxes = _boxes(groups)
    for k in range(1, count + 1):
        window = boxes[k - 1]
        own = groups[window] == k
        if own.sum() * grid.cell_m**2 < 0.5 * LEAST_OPENING_M**2:
            continue
        ring = binary_dilation(own, np.ones((3, 3), bool)) & ~own
        lower = int(below[window][own].sum())
        # Reflections lie below seen floor all over; more than those must show in the gap.
        open_cells = int((below[window][own] > 0).sum())
        seen_through = (
            lower >= 5 and lower > 4 * reflected * own.sum() and open_cells >= 0.04 * own.sum()
        )
        if not seen_through:
            # By chance alone a cell lacks points here and there; only cells with none at all count.
            own &= floor_points[window] == 0
            if not (own & empty[window]).any() or (own & shading[window]).any():
                continue
            rim = float(np.median(mean[window][ring])) if ring.any() else 0.0
            lonely = not (ring & things[window]).any() and not (own & rim_of_room[window]).any()
            shape = cells_polygon(_part(grid, window), own)
            height, width = np.ptp(np.nonzero(own), axis=1) + 1
            longest_m = max(height, width) * grid.cell_m
            compact = shape.area > 0.72 * shape.convex_hull.area and shape.area > 0.3 * longest_m**2
            # The floor around a tripod's blind spot is denser than farther off, and where the
            # shadows of two stations cross it is thinner; around an opening it is even.
            ratio = rim / _density_around(mean, room, window, grid)
            even = ratio > 0.5 if longest_m < 0.45 else 0.7 < ratio < 1.15
            if not (lonely and compact and even and longest_m < 1.5):
                continue
        elif not (ring & room.seen[window]).any():
            continue
        opening = _opening(cells, window, own, floor_points, mean, seen_through, least_drop_m)
        if opening is not None:
            found.append(opening)
    return tuple(found)


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
    """Middles of discs as wide as the least opening that hold no point though many are due.

    With 16 points due, a disc is empty by chance once in nine million.
    """
    from scipy.ndimage import correlate

    reach = int(0.5 * LEAST_OPENING_M / cell_m)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = (x**2 + y**2 <= (0.45 * LEAST_OPENING_M / cell_m) ** 2).astype(np.float64)
    found = correlate(floor_points.astype(np.float64), disc, mode="constant")
    due = correlate(usual, disc, mode="constant") * (
        0.25 * np.pi * (LEAST_OPENING_M / cell_m) ** 2 / disc.sum()
    )
    empty: Mask = (found < 0.5) & (due >= 16.0)
    return empty


def _density_around(mean: Array, room: Room, window: tuple[slice, slice], grid: Grid) -> float:
    """Points per cell that the floor within half a metre of a gap usually holds."""
    margin = round(0.5 / grid.cell_m)
    rows, cols = window
    wide = (
        slice(max(rows.start - margin, 0), rows.stop + margin),
        slice(max(cols.start - margin, 0), cols.stop + margin),
    )
    values = mean[wide][room.seen[wide]]
    return max(float(np.quantile(values, 0.6)), 1e-9) if values.size else 1e-9


def _reflected(below: NDArray[np.int64], floor_points: NDArray[np.int64], room: Room) -> float:
    """Mean number of points below the floor under a cell of seen floor."""
    whole = room.inside & (floor_points > 0)
    return float(below[whole].mean()) if whole.any() else 0.0


def _boxes(groups: NDArray[np.signedinteger]) -> list[tuple[slice, slice]]:
    from scipy.ndimage import find_objects

    shape = groups.shape
    grown = []
    for rows, cols in find_objects(groups):
        grown.append(
            (
                slice(max(rows.start - 3, 0), min(rows.stop + 3, shape[0])),
                slice(max(cols.start - 3, 0), min(cols.stop + 3, shape[1])),
            )
        )
    return grown


def _part(grid: Grid, window: tuple[slice, slice]) -> Grid:
    rows, cols = window
    return Grid(
        grid.x0_m + cols.start * grid.cell_m,
        grid.y0_m + rows.start * grid.cell_m,
        grid.cell_m,
        rows.stop - rows.start,
        cols.stop - cols.start,
    )


def _opening(
    cells: Cells,
    window: tuple[slice, slice],
    own: Mask,
    floor_points: NDArray[np.int64],
    usual: Array,
    seen: bool,
    least_drop_m: float,
) -> Opening | None:
    """The opening of a gap, its outline drawn so that it holds the floor that is missing."""
    import shapely
    from scipy.ndimage import binary_dilation

    part = _part(cells.grid, window)
    near = binary_dilation(own, np.ones((3, 3), bool))
    lacking = 1 - floor_points[window] / np.maximum(usual[window], 1e-9)
    missing = np.where(own, np.clip(lacking, 0.0, 1.0), 0.0)
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
