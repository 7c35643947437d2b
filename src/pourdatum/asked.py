"""What the user asks for, a place or an outline, held against the floor that was found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError, NoFloor
from pourdatum.grid import Grid
from pourdatum.levels import Level
from pourdatum.outline import Room

if TYPE_CHECKING:
    from shapely import Polygon

Mask = NDArray[np.bool_]

_OTHER_STOREY_M: Final = 1.5
"""Height between a place given and the level there from which it is another storey [m]."""
_AROUND_M: Final = 0.3
"""Reach around a place given within which its room is looked for [m]."""


def start_cells(level: Level, grid: Grid, at_m: tuple[float, ...] | None = None) -> Mask:
    """Cells of the coarse floor; near the place given, if there is one."""
    mask = np.zeros(grid.shape, bool)
    x, y = level.sheet.x_m, level.sheet.y_m
    if at_m is not None:
        away = np.hypot(x - at_m[0], y - at_m[1])
        near = away <= away.min() + _AROUND_M
        x, y = x[near], y[near]
    row, col = grid.cell_of(x, y)
    inside = grid.holds(row, col)
    mask[row[inside], col[inside]] = True
    return mask


def check_storey(level: Level, at_m: tuple[float, ...]) -> None:
    """Refuse a level that is another storey than the one asked for."""
    if len(at_m) < 3:
        return
    sheet = level.sheet
    nearest = int(np.argmin(np.hypot(sheet.x_m - at_m[0], sheet.y_m - at_m[1])))
    off_m = float(sheet.z_m[nearest]) - at_m[2]
    if abs(off_m) > _OTHER_STOREY_M:
        raise JobError(
            f"the nearest walkable level is {abs(off_m):.2f} m {'above' if off_m > 0 else 'below'}"
            " the place given",
            where="--at",
            hint="check its z and unit, or leave z away",
            id="at-misses",
        )


def check_outline(outline: Polygon) -> None:
    """Refuse an outline that crosses itself or has no area."""
    if not outline.is_valid or outline.area <= 0:
        raise JobError(
            "the outline crosses itself or has no area",
            where="--outline",
            hint="draw it as one simple ring",
            id="outline",
        )


def within(outline: Polygon, grid: Grid, room: Room) -> tuple[Polygon, Room]:
    """The user's outline, and the room cut to it."""
    import shapely

    x, y = grid.mesh()
    inside = shapely.contains_xy(outline, x, y)
    seen = (room.seen if room.seen_anywhere is None else room.seen_anywhere) & inside
    if seen.sum() * grid.cell_m**2 < 0.5 * outline.area:
        raise NoFloor(
            f"the outline of {outline.area:.1f} m² holds only"
            f" {seen.sum() * grid.cell_m**2:.1f} m² of seen floor",
            where="--outline",
            hint="check its coordinates and unit against the scan's",
            id="outline-misses",
        )
    return outline, Room(inside, seen, room.tall)


def largest_part(shape: Polygon) -> Polygon:
    """The largest of the areas that a shape is made of."""
    import shapely

    if shape.geom_type == "Polygon":
        return shape
    return max(
        (part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"),
        key=lambda part: part.area,
    )
