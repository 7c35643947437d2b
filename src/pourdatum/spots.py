"""A floor from single levels: triangulated, put on a grid, with what lies between.

Heights are linear on the triangles between the shots, as a surveyor draws them by hand;
what the floor may do in between is drawn by ``shotfield`` and becomes the error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import LimitMet, NoFloor
from pourdatum.evenly import even_cells
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
    row, col, cells = even_cells(inside.astype(float), _PLACES[len(place) > _MANY_SHOTS])
    lattice = np.column_stack([x[row, col], y[row, col]])
    weight = cells * (spots.outline.area / max(int(cells.sum()), 1))
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


__all__ = [
    "SpotHeights",
    "SpotMap",
    "map_spots",
    "spot_heights",
]
