"""Floor points right beside walls, told from wall points by place and not by cell.

A cell that a wall runs through is left out of the bare floor, for a wall point a few
millimetres up cannot be told from floor by height. Once the wall's face is known, it
can by its place: points well inside the outline are floor. Without them a high point
at a wall would rest on a fit carried on over the last cell.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.bare import BareFloor, cell_means, first_bandwidth
from pourdatum.cells import Column, gather_chosen
from pourdatum.chunks import PointStore
from pourdatum.localfit import local_heights
from pourdatum.passing import Progress

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.levels import Level

Mask = NDArray[np.bool_]

LEAST_DISTANCE_M: Final = 0.012
"""Distance from a wall's face from which a point at the floor's level is floor [m]."""
_IN_NOISES: Final = 6.0
_THING_TOP_M: Final = 0.6


def with_wall_feet(
    bare: BareFloor, store: PointStore, level: Level, outline: Polygon, progress: Progress
) -> BareFloor:
    """The bare floor with the floor points of cells that only a wall runs through.

    Parameters
    ----------
    bare : BareFloor
    store : PointStore
        The scan's points.
    level : Level
    outline : shapely.Polygon
        Edge of the floor on wall faces and columns, local plan [m].
    progress : callable
    """
    import shapely

    grid = bare.cells.grid
    away_m = max(LEAST_DISTANCE_M, _IN_NOISES * bare.noise_m)
    if away_m >= 0.8 * grid.cell_m:
        return bare
    edge = outline.boundary
    shapely.prepare(outline)
    cells = _cells_of_walls_only(bare, edge, away_m)
    if not cells.any():
        return bare

    def inside(x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> Mask:
        kept: Mask = shapely.contains_xy(outline, x_m, y_m)
        kept[kept] = shapely.distance(shapely.points(x_m[kept], y_m[kept]), edge) >= away_m
        return kept

    feet = gather_chosen(store, bare.cells, level, cells, inside, progress)
    return _joined(bare, feet)


def _cells_of_walls_only(bare: BareFloor, edge: object, away_m: float) -> Mask:
    """Occupied cells whose standing points all lie on the outline's edge."""
    import shapely

    cells = bare.cells
    size = cells.grid.ny * cells.grid.nx
    x, y = cells.grid.mesh()
    beside = np.zeros(size, bool)
    occupied = np.flatnonzero(bare.occupied.ravel())
    middle = shapely.points(x.ravel()[occupied], y.ravel()[occupied])
    near = shapely.distance(middle, edge) < 1.5 * cells.grid.cell_m
    beside[occupied[near]] = True
    for column, low in ((cells.band, bare.thing_m), (cells.structure, 0.0)):
        pick = np.flatnonzero(
            beside[column.cell] & (column.height_m >= low) & (column.height_m < _THING_TOP_M)
        )
        place = shapely.points(column.x_m[pick], column.y_m[pick])
        off = shapely.distance(place, edge) > 0.8 * away_m
        # A single voxel off the face may be a speck; a thing leaves several.
        strays = np.bincount(column.cell[pick][off], minlength=size)
        beside &= strays < 2
    return beside.reshape(cells.grid.shape)


def _joined(bare: BareFloor, feet: Column) -> BareFloor:
    """The bare floor with more floor points, in cells that held none."""
    cell_m = bare.cells.grid.cell_m
    residual = feet.height_m - bare.fit_over_coarse_m.ravel()[feet.cell]
    chosen = np.abs(residual) <= bare.gate_m
    extra = bare.cells.total(feet, chosen).astype(np.float64)
    extra[bare.count > 0] = 0.0
    new = extra > 0
    level, dx, dy = cell_means(feet, feet.z_m, chosen, bare.cells, extra)
    count = bare.count + extra
    height = np.where(new, level, bare.height_m)
    even = height if bare.rise_m is None else height - bare.rise_m
    _, slope_x, slope_y = local_heights(count, even, first_bandwidth(cell_m), with_slope=True)
    centred = level - np.nan_to_num(slope_x) * dx - np.nan_to_num(slope_y) * dy
    return replace(bare, count=count, height_m=np.where(new, centred, bare.height_m))
