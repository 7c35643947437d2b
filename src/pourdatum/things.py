"""What stands on the floor: columns and fixed things, and loose things that hide it.

Columns reach the ceiling and are cut out. Loose things only hide floor that will be
poured, and which is inferred.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import STRUCTURE_LAYER_M, Cells
from pourdatum.edge import cells_polygon
from pourdatum.footprint import footprint
from pourdatum.grid import Grid, group_windows, widened
from pourdatum.outline import Room
from pourdatum.walls import Upright, face_points

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LEAST_THING_M2: Final = 0.004
_TO_M: Final = 6.0
_BELOW_CEILING_M: Final = 0.12
_STANDS_M: Final = 2.0
"""What begins higher above the floor hangs [m]."""
_GAP_M: Final = 0.6
"""Gap over which layers are those of one thing: between a table and its foot [m]."""
_LAYER_LEAST: Final = 3
_LAYER_SHARE: Final = 0.002
"""Share of a thing's points that a layer of it holds; fewer are specks."""


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
    from scipy.ndimage import binary_closing, binary_dilation, label

    grid = cells.grid
    tall = room.tall & room.inside
    groups, count = label(binary_closing(tall, np.ones((5, 5), bool)) | tall, np.ones((3, 3), bool))
    rim = binary_dilation(~room.inside, np.ones((3, 3), bool))
    found = []
    windows = group_windows(groups)
    near = _within(cells, binary_dilation(groups > 0, np.ones((3, 3), bool)))
    for k in range(1, count + 1):
        window = windows[k - 1]
        part = groups[window] == k
        if (part & rim[window]).any() or part.sum() < 2:
            continue
        wide = widened(window, 1, grid.shape)
        around = np.zeros(grid.shape, bool)
        around[wide] = binary_dilation(groups[wide] == k, np.ones((3, 3), bool))
        xy, weight = face_points(near, around & structure.upright)
        outline = footprint(xy, weight, grid) if len(xy) >= 5 else None
        if outline is None:
            outline = cells_polygon(grid.window(*window), part).convex_hull
        if outline.area < _LEAST_THING_M2:
            continue
        tops = structure.top_m[window][part & structure.upright[window]]
        height = float(np.median(tops)) if tops.size else 0.0
        found.append(_thing("column", outline, height))
    return tuple(found)


def _within(cells: Cells, where: Mask) -> Cells:
    """The pass over the points with what lies in the chosen cells only."""
    band, structure = (
        column.chosen(np.flatnonzero(where.ravel()[column.cell]))
        for column in (cells.band, cells.structure)
    )
    return replace(cells, band=band, structure=structure)


def find_things(
    cells: Cells,
    room: Room,
    structure: Upright,
    columns: tuple[Obstruction, ...],
    tall_m: float,
    thing_m: float,
) -> tuple[Obstruction, ...]:
    """Loose things in the room: crates, tools, people.

    Parameters
    ----------
    cells, room, structure
        The pass over the points, and what was made of it.
    columns : tuple of Obstruction
    tall_m : float
        Height from which an upright thing is none of furniture [m].
    thing_m : float
        Height above the floor from which a point is none of the floor's [m].
    """
    from scipy.ndimage import binary_dilation, binary_erosion, binary_fill_holes, label

    grid = cells.grid
    taken = covered(grid, columns, 0.06)
    mask = (
        (structure.things >= 3)
        & binary_erosion(room.inside, np.ones((3, 3), bool))
        & ~taken
        & ~room.tall
    )
    groups, count = label(binary_dilation(mask, np.ones((3, 3), bool)), np.ones((3, 3), bool))
    found = []
    windows = group_windows(groups)
    near = _within(cells, mask)
    for k in range(1, count + 1):
        window = windows[k - 1]
        part = binary_fill_holes((groups[window] == k) & mask[window]) & room.inside[window]
        if part.sum() * grid.cell_m**2 < 4 * _LEAST_THING_M2:
            continue
        outline = cells_polygon(grid.window(*window), part).convex_hull
        if outline.geom_type != "Polygon":
            continue
        own = np.zeros(grid.shape, bool)
        own[window] = part
        height = _height_m(near, own, thing_m, structure.ceiling_m)
        kind: Literal["loose", "unsure"] = (
            "unsure" if height > 0.8 * tall_m and height > 1.5 else "loose"
        )
        found.append(_thing(kind, outline, height))
    return tuple(found)


def _height_m(near: Cells, own: Mask, thing_m: float, ceiling_m: float | None) -> float:
    """Height of a thing by the layers of all of its cells together [m].

    A cell of a crate's top holds a layer or two and says nothing alone: that they belong to
    what stands there is seen where faces or other cells fill the layers below. Its height is
    that of four fifths of its cells, so that a rim of mixed points counts for little.
    """
    limit_m = _TO_M if ceiling_m is None else min(_TO_M, ceiling_m - _BELOW_CEILING_M)
    cell, height_m, count = (
        np.concatenate([getattr(near.band, name), getattr(near.structure, name)])
        for name in ("cell", "height_m", "count")
    )
    pick = own.ravel()[cell] & (height_m >= thing_m) & (height_m < limit_m)
    cell, height_m, count = cell[pick], height_m[pick], count[pick]
    if cell.size == 0:
        return 0.0
    layer = (height_m / STRUCTURE_LAYER_M).astype(np.int64)
    points = np.bincount(layer, weights=count)
    held = np.flatnonzero(points >= max(_LAYER_LEAST, _LAYER_SHARE * points.sum()))
    if held.size == 0:
        held = np.flatnonzero(points)
    runs = np.split(held, np.flatnonzero(np.diff(held) * STRUCTURE_LAYER_M > _GAP_M) + 1)
    standing = [run for run in runs if run[0] * STRUCTURE_LAYER_M < _STANDS_M] or runs
    run = max(standing, key=lambda layers: float(points[layers].sum()))
    inside = (layer >= run[0]) & (layer <= run[-1])
    top_m = np.zeros(own.size)
    np.maximum.at(top_m, cell[inside], height_m[inside])
    return float(np.quantile(top_m[np.unique(cell[inside])], 0.8))


def _thing(
    kind: Literal["loose", "column", "unsure"], outline: Polygon, height: float
) -> Obstruction:
    middle = outline.centroid
    return Obstruction(kind, (middle.x, middle.y), outline.area, height, outline)


def covered(grid: Grid, things: tuple[Obstruction, ...], margin_m: float) -> Mask:
    """Cells whose middles lie within a margin of things."""
    import shapely

    mask = np.zeros(grid.shape, bool)
    x, y = grid.mesh()
    for thing in things:
        shape = thing.outline.buffer(margin_m)
        west, south, east, north = shape.bounds
        window = (
            slice(*np.searchsorted(grid.y_m, [south, north + grid.cell_m])),
            slice(*np.searchsorted(grid.x_m, [west, east + grid.cell_m])),
        )
        mask[window] |= shapely.contains_xy(shape, x[window], y[window])
    return mask
