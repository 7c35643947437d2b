"""Tops of things that stand on a floor: tables, pallets and crates.

A table or a pallet is an island in the floor around it. A table is hollow: floor or legs
show below it; a landing is solid, and ends at walls.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.layers import Sheet, joined
from pourdatum.sheetplan import (
    NEAR_M,
    covered_share,
    in_planes,
    inner_keys,
    is_beside,
    on_raster,
    overlap,
    raster,
)

_THING_M: Final = (0.05, 1.5)
"""Heights of a top above the floor around it that may be a table's or a pallet's [m]."""
STOREY_M: Final = (1.6, 12.0)
"""Heights of a ceiling over a floor [m]."""
_WIDE_COLUMN_M: Final = 0.35
"""Columns from this side on reach from a thing to a wall beside it [m]."""
_AROUND: Final = 0.2
"""Share of the metre around a table in which floor is seen, at the least [1]."""
_HOLLOW: Final = 0.1
"""Share of a sheet's columns from which points below them say that it is no solid landing [1]."""


def things_on_m2(
    level: list[Sheet],
    tops: list[Sheet],
    levels: list[list[Sheet]],
    area_m2: list[float] | None = None,
) -> float:
    """Area of the things on a level, which hide as much floor at the least [m²]."""
    total = 0.0
    for top, top_m2 in zip(tops, area_m2 or [top.area_m2 for top in tops], strict=True):
        around = [beside_m2(top, other) for other in levels]
        best = int(np.argmax(around))
        if around[best] > 0.0 and levels[best] is level:
            total += top_m2
    return total


def beside_m2(top: Sheet, level: list[Sheet]) -> float:
    """Area of a level lower than a top, below it or within 1 m beside it [m²]."""
    low, high = _THING_M
    mask, near, c0, r0 = _near(top)
    found = 0
    for part in level:
        if low < top.level_m - part.level_m < high and is_beside(top, part):
            found += int((near & on_raster(part.key, mask.shape, c0, r0)).sum())
    return found * top.column_m**2


def is_ceiling(item: Sheet) -> bool:
    """Walls reach down from it and none rise."""
    return item.below > 4 * item.above and item.below > 0.005 * item.points.sum()


def tops_of_things(sheets: list[Sheet]) -> list[Sheet]:
    """Tops of tables and pallets: shade cuts them into pieces as it does the floor."""
    tops = []
    for level in in_planes(sheets):
        whole = len(level) > 1 and _stands_on_floor(joined(level), sheets)
        tops += [item for item in level if _stands_on_floor(item, sheets, known=whole)]
    return tops


def _stands_on_floor(item: Sheet, sheets: list[Sheet], known: bool = False) -> bool:
    """Whether a surface is the top of a thing: the floor goes on below it or all around it.

    With ``known``, all pieces together are; then a piece is, unless it ends at walls.
    """
    low, high = _THING_M
    below = [
        other
        for other in sheets
        if low < item.level_m - other.level_m < high
        and is_beside(item, other)
        and not _is_lamp(other, item, sheets)
    ]
    if sum(other.area_m2 for other in below) < 0.15 * item.area_m2:
        return False
    if is_ceiling(item) and _is_over_floor(item, sheets):
        return False
    # Bulkheads around a ceiling look so too, but walls reach down from them. So does the
    # front of a landing, and the edge of a lower top, which have a larger floor beside them.
    ground = [other for other in below if not _is_raised(other, below)]
    if sum(other.below for other in ground) > 0.25 * sum(other.above for other in ground):
        return False
    if covered_share(inner_keys(item), below) > 0.25:
        return True
    # Below a ceiling whose floor was not seen lie tops of cupboards, here and there.
    if is_ceiling(item) and not _is_roofed(item, sheets) and _share_around(item, below) < _AROUND:
        return False
    drop, wall = _rim(item, below)
    # One sees under a table, if only its legs; a landing is solid.
    # Columns that are wide reach walls beside it.
    if item.hollow > _HOLLOW and wall < (0.4 if item.column_m < _WIDE_COLUMN_M else 0.7):
        return True
    if item.hollow > 0.3 * _HOLLOW and drop > 0.3 and wall < 0.4:
        return True
    if drop > 0.5 or known:
        return wall < (0.3 if known else 0.4)
    # From a few set-ups a top hides the floor behind it. What is seen of it lies all around,
    # or walls rise from it and not from the top.
    if drop > 0.1 and wall < 0.4:
        share = _surrounded(item, below)
        if share > 0.85 or (share > 0.7 and wall < 0.3):
            return True
    bare = _standing_share([item]) < 0.15 * _standing_share(below)
    return drop > 0.2 and wall < 0.25 and bare


def _is_raised(part: Sheet, sheets: list[Sheet]) -> bool:
    """Whether a sheet is raised over a floor half as large at the least."""
    low, high = _THING_M
    lower_m2 = sum(other.area_m2 for other in sheets if low < part.level_m - other.level_m < high)
    return lower_m2 > 0.5 * part.area_m2


def _is_over_floor(item: Sheet, sheets: list[Sheet]) -> bool:
    """Whether floor was seen so far below a sheet that one can stand there."""
    low, high = STOREY_M
    lower = [other for other in sheets if low < item.level_m - other.level_m < high]
    return bool(lower) and covered_share(inner_keys(item), lower) > 0.25


def _is_roofed(item: Sheet, sheets: list[Sheet]) -> bool:
    """Whether something level lies over a sheet, higher than things stand on floors."""
    return any(
        _THING_M[1] < other.level_m - item.level_m < STOREY_M[1] and overlap(item, other) > 0.3
        for other in sheets
    )


def _is_lamp(part: Sheet, over: Sheet, sheets: list[Sheet]) -> bool:
    """Whether a sheet smaller than the one over it hangs over a floor, as lamps and beams do."""
    return part.area_m2 < over.area_m2 and any(
        STOREY_M[0] < part.level_m - other.level_m < STOREY_M[1]
        and other.area_m2 > 0.3 * over.area_m2
        and overlap(part, other) > 0.3
        for other in sheets
    )


def _standing_share(sheets: list[Sheet]) -> float:
    """Points that stand on sheets, for each point in them."""
    return sum(item.above for item in sheets) / sum(int(item.points.sum()) for item in sheets)


def _near(item: Sheet) -> tuple[NDArray[np.bool_], NDArray[np.bool_], int, int]:
    """Columns of a sheet, those within 1 m of it, and the first column and row of both."""
    from scipy.ndimage import distance_transform_edt

    mask, c0, r0 = raster(item, int(np.ceil(NEAR_M / item.column_m)) + 1)
    return mask, distance_transform_edt(~mask) * item.column_m <= NEAR_M, c0, r0


def _columns_of(sheets: list[Sheet], shape: tuple[int, ...], c0: int, r0: int) -> NDArray[np.bool_]:
    """Columns of several sheets on a raster."""
    seen = np.zeros(shape, bool)
    for part in sheets:
        seen |= on_raster(part.key, shape, c0, r0)
    return seen


def _share_around(item: Sheet, below: list[Sheet]) -> float:
    """Share of the metre around a sheet, gaps in it filled, in which a lower one was seen."""
    from scipy.ndimage import binary_closing, binary_fill_holes

    mask, near, c0, r0 = _near(item)
    around = near & ~binary_fill_holes(binary_closing(mask, np.ones((3, 3), bool)) | mask)
    seen = _columns_of(below, mask.shape, c0, r0)
    return float((seen & around).sum()) / max(int(around.sum()), 1)


def _surrounded(item: Sheet, below: list[Sheet]) -> float:
    """Share of a sheet within the convex hull of the floor beside it."""
    import shapely

    x, y = (np.concatenate([getattr(part, name) for part in below]) for name in ("x_m", "y_m"))
    near = (np.abs(x - np.clip(x, item.x_m.min(), item.x_m.max())) < 2 * NEAR_M) & (
        np.abs(y - np.clip(y, item.y_m.min(), item.y_m.max())) < 2 * NEAR_M
    )
    hull = shapely.MultiPoint(np.column_stack([x[near], y[near]])).convex_hull
    if hull.geom_type != "Polygon":
        return 0.0
    return float(shapely.contains_xy(hull, item.x_m, item.y_m).mean())


def _rim(item: Sheet, below: list[Sheet]) -> tuple[float, float]:
    """Shares of a sheet's outer rim beside which lower floor was seen, or a wall rises."""
    from scipy.ndimage import (
        binary_closing,
        binary_dilation,
        binary_erosion,
        binary_fill_holes,
        distance_transform_edt,
    )

    margin = int(np.ceil(NEAR_M / item.column_m)) + 1
    mask, c0, r0 = raster(item, margin)
    mask = binary_fill_holes(binary_closing(mask, np.ones((3, 3), bool)) | mask)
    rim = mask & ~binary_erosion(mask)
    wall = on_raster(item.walled, mask.shape, c0, r0)
    reach = max(round(0.15 / item.column_m), 1)
    walled = rim & binary_dilation(wall, iterations=reach)
    floor = _columns_of(below, mask.shape, c0, r0)
    away, (row, col) = distance_transform_edt(~mask, return_indices=True)
    beside = floor & ~mask & (away * item.column_m <= NEAR_M)
    drop = np.zeros(mask.shape, bool)
    drop[row[beside], col[beside]] = True
    # One column of floor stands for its neighbours along the rim, where rays are few.
    drop = binary_dilation(drop, np.ones((3, 3), bool)) & rim & ~walled
    total = max(int(rim.sum()), 1)
    return float(drop.sum()) / total, float(walled.sum()) / total
