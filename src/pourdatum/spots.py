"""A floor from single levels: checked, triangulated, put on a grid, with what lies between.

Heights are linear on the triangles between the shots, as a surveyor draws them by hand;
what the floor may do in between is drawn by ``shotfield`` and becomes the error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError, LimitMet, NoFloor
from pourdatum.grid import Grid, filled_from_nearest
from pourdatum.scan import SpotLevels
from pourdatum.shotfield import (
    BetweenShots,
    Roughness,
    draw_floors,
    expected_levels,
    spacing_m,
    weigh_roughness,
)
from pourdatum.units import MM

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SAME_PLACE_M: Final = 0.01
"""Shots nearer than this are taken at one place [m]."""
SAME_LEVEL_M: Final = 0.004
"""They may differ by this; four standard deviations of staff and eye, or so [m]."""
BEYOND_BELIEF_M: Final = 0.150
"""A single shot that far off every shot around it, and beyond chance, is a slip [m]."""
_ODD_M: Final = 0.010
_BEYOND_SIGMAS: Final = 8.0
_NARROW_M: Final = 0.10
_NARROW: Final = 0.01
_CELL_M: Final = (0.025, 0.1)
_CELLS_A_SPACING: Final = 10.0
_MOST_CELLS: Final = 1_000_000
_PLACES: Final = (600, 900)
_MANY_SHOTS: Final = 150
_FAR: Final = 3.0
"""Sides of a triangle, in spacings, from which its middle is little more than a guess."""
_NEAR_EDGE_M: Final = 0.001


@dataclass(frozen=True, eq=False)
class SpotMap:
    """Shots over an outline, ready to be put on a grid.

    Attributes
    ----------
    shots : SpotLevels
    outline : shapely.Polygon
        Area to pour, local plan [m].
    hull : shapely.Polygon
        What the shots span.
    grid : Grid
    rough : tuple of Roughness
        How the floor may be rough.
    spacing_m : float
        Typical distance of neighbouring shots [m].
    guessed_m2 : float
        Part of the outline in triangles with sides of over three spacings [m²].
    """

    shots: SpotLevels
    outline: Polygon
    hull: Polygon
    grid: Grid
    rough: tuple[Roughness, ...]
    spacing_m: float
    guessed_m2: float


@dataclass(frozen=True, eq=False)
class SpotHeights:
    """Heights on the map's grid.

    Attributes
    ----------
    height_m : (ny, nx) array
        Level, local [m]; linear on the triangles, carried on beyond the hull.
    standard_error_m, count : (ny, nx) array
        Error of each height [m], and shots in each cell.
    inside, spanned : (ny, nx) bool array
        Cell centres in the outline, and those between shots.
    between : BetweenShots
        Floors that agree with the shots, about these heights.
    """

    height_m: Array
    standard_error_m: Array
    count: Array
    inside: Mask
    spanned: Mask
    between: BetweenShots


def checked_shots(
    shots: SpotLevels, labels: Sequence[str], where: str
) -> tuple[SpotLevels, tuple[tuple[str, str], ...]]:
    """Shots without doubles and slips; what is odd comes back as (code, text).

    Parameters
    ----------
    shots : SpotLevels
    labels : sequence of str
        What each is called in a sentence.
    where : str
        The file, for errors.

    Raises
    ------
    NoFloor
        If there are fewer than three places, or all lie in a line.
    JobError
        If shots at one place contradict each other, or one is beyond belief.
    """
    shots, labels, warnings = _without_doubles(shots, labels, where)
    place = shots.points_m[:, :2]
    if len(place) < 3:
        raise NoFloor(
            f"holds levels at {len(place)} place{'s' if len(place) > 1 else ''}",
            where=where,
            hint="a floor needs three at the least, and one every metre or two to order by",
            id="few-shots",
        )
    _check_width(place, where)
    return shots, (*warnings, *_slips(shots, labels, where))


def map_spots(
    shots: SpotLevels, *, outline: Polygon | None = None, cell_m: float | None = None
) -> SpotMap:
    """Lays out the grid over the outline, or over what the shots span.

    Raises
    ------
    NoFloor
        If less than half of an outline lies between the shots.
    LimitMet
        If a cell size asked for makes too many cells.
    """
    import shapely

    place = shots.points_m[:, :2]
    hull = shapely.MultiPoint(place).convex_hull
    if outline is None:
        area = hull
    else:
        area = outline
        spanned_m2 = float(hull.intersection(outline).area)
        if spanned_m2 < 0.5 * outline.area:
            raise NoFloor(
                f"of the outline of {outline.area:.1f} m² only {spanned_m2:.1f} m² lies between"
                " the shots",
                where="--outline",
                hint="check its coordinates and unit, or take levels along the edge",
                id="outline-misses",
            )
    step = spacing_m(place)
    if cell_m is None:
        cell_m = float(np.clip(step / _CELLS_A_SPACING, *_CELL_M))
        cell_m = max(cell_m, math.sqrt(_box_area(area) / _MOST_CELLS))
    elif _box_area(area) > 4 * _MOST_CELLS * cell_m**2:
        raise LimitMet(
            f"cells of {cell_m * MM:g} mm make over {4 * _MOST_CELLS} of this floor",
            where="--cell",
            hint="give larger cells",
            id="too-many-cells",
        )
    west, south, east, north = area.bounds
    x0, y0 = (math.floor(low / cell_m - 2) * cell_m for low in (west, south))
    nx, ny = (math.ceil((high - low) / cell_m) + 3 for low, high in ((x0, east), (y0, north)))
    error = np.maximum(shots.error_m, 1e-5)
    return SpotMap(
        shots=shots,
        outline=area,
        hull=hull,
        grid=Grid(x0, y0, cell_m, ny, nx),
        rough=weigh_roughness(place, shots.points_m[:, 2], error),
        spacing_m=step,
        guessed_m2=_guessed(place, area, _FAR * step),
    )


def spot_heights(spots: SpotMap) -> SpotHeights:
    """Heights and errors on the grid of a map."""
    import shapely
    from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator

    place, level = spots.shots.points_m[:, :2], spots.shots.points_m[:, 2]
    error = np.maximum(spots.shots.error_m, 1e-5)
    grid = spots.grid
    x, y = grid.mesh()
    linear = LinearNDInterpolator(place, level)
    height = np.asarray(linear(x, y))
    spanned = np.isfinite(height)
    near = shapely.dwithin(spots.outline, shapely.points(x, y), 3 * grid.cell_m)
    beyond = ~spanned & near
    if beyond.any():
        height[beyond] = _carried_on(spots, linear, np.column_stack([x[beyond], y[beyond]]))
    height = filled_from_nearest(height)
    inside = shapely.contains_xy(spots.outline, x, y)
    on = shapely.dwithin(spots.outline, shapely.points(place), _NEAR_EDGE_M)
    lattice, weight = _places(spots.outline, _PLACES[len(place) > _MANY_SHOTS])
    at = np.concatenate([lattice, place[on]])
    drawn = draw_floors(place, level, error, spots.rough, at)
    between = BetweenShots(
        place_m=at,
        weight_m2=np.concatenate([weight, np.zeros(int(on.sum()))]),
        shot=np.arange(len(at)) >= len(lattice),
        deviation_m=drawn - grid.at(height, at),
    )
    own = between.error_m
    spread = (
        np.asarray(LinearNDInterpolator(at, own)(x, y)) if len(at) > 3 else np.full(x.shape, np.nan)
    )
    open_ = ~np.isfinite(spread)
    spread[open_] = NearestNDInterpolator(at, own)(x[open_], y[open_])
    row, col = grid.cell_of(place[on, 0], place[on, 1])
    count = np.zeros(grid.shape)
    np.add.at(count, (row, col), 1.0)
    return SpotHeights(height, spread, count, inside, spanned, between)


def _without_doubles(
    shots: SpotLevels, labels: Sequence[str], where: str
) -> tuple[SpotLevels, Sequence[str], tuple[tuple[str, str], ...]]:
    """One shot for each place: the mean of those that agree."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    points = shots.points_m
    pairs = cKDTree(points[:, :2]).query_pairs(SAME_PLACE_M, output_type="ndarray")
    if len(pairs) == 0:
        return shots, labels, ()
    apart = np.abs(points[pairs[:, 0], 2] - points[pairs[:, 1], 2])
    worst = int(np.argmax(apart))
    if apart[worst] > SAME_LEVEL_M:
        a, b = sorted(pairs[worst])
        raise JobError(
            f"{labels[a]} and {labels[b]} are at one place, and their levels differ by"
            f" {apart[worst] * MM:.1f} mm",
            where=where,
            hint="check both and take one out",
            id="shots-contradict",
        )
    n = len(points)
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (n, n))
    _, group = connected_components(links, directed=False)
    _, first, member, count = np.unique(
        group, return_index=True, return_inverse=True, return_counts=True
    )
    order = np.argsort(first)
    mean = np.stack([np.bincount(member, points[:, k]) for k in range(3)], axis=1) / count[:, None]
    error = np.sqrt(np.bincount(member, shots.error_m**2)) / count
    first = first[order]
    merged = SpotLevels(tuple(shots.names[k] for k in first), mean[order], error[order])
    text = f"{where}: {n - len(first)} shots repeat a place; their mean is taken"
    return merged, [labels[k] for k in first], (("repeated-shots", text),)


def _check_width(place: Array, where: str) -> None:
    middle = place - place.mean(axis=0)
    _, _, axes = np.linalg.svd(middle, full_matrices=False)
    long, wide = np.ptp(middle @ axes.T, axis=0)
    if wide < max(_NARROW_M, _NARROW * long):
        raise NoFloor(
            f"all {len(place)} levels lie in one line ({long:.2f} m long, {wide:.2f} m wide)",
            where=where,
            hint="take levels over the whole floor",
            id="shots-in-line",
        )


def _slips(shots: SpotLevels, labels: Sequence[str], where: str) -> tuple[tuple[str, str], ...]:
    """Refuses a shot that stands alone far from all around it; names those that are odd."""
    from scipy.spatial import Delaunay

    place = shots.points_m[:, :2]
    if len(place) < 5:
        return ()
    level = shots.points_m[:, 2] - _calm_plane(shots.points_m)
    first, around = Delaunay(place - place.mean(axis=0)).vertex_neighbor_vertices
    off, least, near = np.zeros((3, len(place)))
    for k in range(len(place)):
        gaps = level[k] - level[around[first[k] : first[k + 1]]]
        if len(gaps):
            off[k], near[k] = np.median(gaps), len(gaps)
            least[k] = np.min(np.abs(gaps)) if abs(np.sign(gaps).sum()) == len(gaps) else 0.0
    sigma = max(1.4826 * float(np.median(np.abs(off))), float(np.median(shots.error_m)))
    worst = int(np.argmax(least))
    if least[worst] > max(BEYOND_BELIEF_M, _BEYOND_SIGMAS * sigma):
        raise JobError(
            f"{labels[worst]} lies {_side(off[worst])} all {near[worst]:.0f} shots around it",
            where=where,
            hint="check it for a slip of the pen; take it out if it is not on this floor",
            id="shot-beyond-belief",
        )
    odd = np.flatnonzero(
        (np.abs(off) > max(_ODD_M, _BEYOND_SIGMAS * sigma)) & (least > 0.5 * np.abs(off))
    )
    return tuple(
        (
            "odd-shot",
            f"{where}: {labels[k]} lies {_side(off[k])} the shots around it",
        )
        for k in odd[np.argsort(-np.abs(off[odd]))][:5]
    )


def _side(off_m: float) -> str:
    return f"{abs(off_m) * MM:.0f} mm {'above' if off_m > 0 else 'below'}"


def _calm_plane(points_m: Array) -> Array:
    """Plane of least absolute distance, at the shots (n,): a slip does not tilt it."""
    base = np.column_stack([np.ones(len(points_m)), points_m[:, :2] - points_m[:, :2].mean(axis=0)])
    weight = np.ones(len(points_m))
    fitted = np.zeros(len(points_m))
    for _ in range(30):
        root = np.sqrt(weight)
        best, *_ = np.linalg.lstsq(base * root[:, None], points_m[:, 2] * root, rcond=None)
        fitted = base @ best
        weight = 1.0 / np.maximum(np.abs(points_m[:, 2] - fitted), 1e-4)
    return fitted


def _box_area(area: Polygon) -> float:
    west, south, east, north = area.bounds
    return float((east - west) * (north - south))


def _guessed(place: Array, area: Polygon, longest_m: float) -> float:
    """Part of the outline in triangles with a side longer than that [m²]."""
    import shapely
    from scipy.spatial import Delaunay

    corner = place[Delaunay(place - place.mean(axis=0)).simplices]
    side = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max(axis=1)
    wide = shapely.polygons(corner[side > longest_m])
    return float(shapely.area(shapely.intersection(wide, area)).sum()) if len(wide) else 0.0


def _carried_on(spots: SpotMap, linear: object, at_m: Array) -> Array:
    """Likeliest levels beyond the hull, joined to the surface at the hull."""
    import shapely

    place, level = spots.shots.points_m[:, :2], spots.shots.points_m[:, 2]
    ring = spots.hull.exterior
    foot = shapely.get_coordinates(
        shapely.line_interpolate_point(ring, shapely.line_locate_point(ring, shapely.points(at_m)))
    )
    # A hair inwards, so that rounding does not leave the hull.
    foot += 1e-6 * (np.array(spots.hull.centroid.coords[0]) - foot)
    error = np.maximum(spots.shots.error_m, 1e-5)
    both = expected_levels(place, level, error, spots.rough, np.concatenate([at_m, foot]))
    step = np.asarray(linear(foot)) - both[len(at_m) :]  # type: ignore[operator]
    out: Array = both[: len(at_m)] + np.nan_to_num(step)
    return out


def _places(area: Polygon, count: int) -> tuple[Array, Array]:
    """Places evenly over an area (m, 2), and the area each stands for (m,) [m²]."""
    import shapely

    west, south, east, north = area.bounds
    step = math.sqrt(area.area / count)
    for _ in range(6):
        x, y = np.meshgrid(
            np.arange(west + step / 2, east, step), np.arange(south + step / 2, north, step)
        )
        inside = shapely.contains_xy(area, x, y)
        if inside.sum() >= count // 4:
            break
        step /= 2  # a narrow outline slips through a wide lattice
    at = np.column_stack([x[inside], y[inside]])
    return at, np.full(len(at), area.area / max(len(at), 1))


__all__ = [
    "SpotHeights",
    "SpotMap",
    "checked_shots",
    "map_spots",
    "spot_heights",
]
