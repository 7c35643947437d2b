"""Which of the levels one can walk on is the floor.

It is the largest, or the largest within an outline, or the one at a place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.errors import JobError, NoFloor
from pourdatum.layers import Sheet, joined
from pourdatum.sheetplan import columns_held, covered_share, is_wide
from pourdatum.tops import beside_m2, things_on_m2
from pourdatum.walkable import ROOM_M, SLAB_M, walkable_levels

if TYPE_CHECKING:
    from shapely import Polygon

_LEAST_DENSITY: Final = 20.0
"""Points per square metre below which a surface is not surveyed [1/m²]."""
_HIGHEST_M: Final = 6.0
"""A ceiling this high above its floor or less tells how far the room reaches [m]."""
_OTHER_M2: Final = 1.0
_REACH_M: Final = 3.0
"""How far from a place given a level may be [m]."""
_HEADROOM_M: Final = 0.3
"""A height given as the floor's may be this much too low [m]."""


@dataclass(frozen=True)
class Wish:
    """Which level is wanted, where it is not the largest.

    Attributes
    ----------
    at_m : (x, y) or (x, y, z), optional
        A place on the level wanted, local [m]; z tells storeys apart.
    outline : shapely.Polygon, optional
        Area to pour, local plan [m].
    """

    at_m: tuple[float, ...] | None = None
    outline: Polygon | None = None


@dataclass(frozen=True, eq=False)
class Chosen:
    """The level that is the floor.

    Attributes
    ----------
    floor : Sheet
    others : tuple of Sheet
        Other levels one can walk on, largest first.
    far : tuple of Sheet
        Thinly seen parts of the floor, in wider columns.
    around : tuple of Sheet
        What lies over the floor and tells how far the room may reach: its ceiling, and tops
        of things on it.
    slabs : tuple of Sheet
        Underside of the floor's own slab, seen from the storey below.
    """

    floor: Sheet
    others: tuple[Sheet, ...]
    far: tuple[Sheet, ...]
    around: tuple[Sheet, ...]
    slabs: tuple[Sheet, ...]


def choose(sheets: list[Sheet], wide: list[Sheet], wish: Wish) -> Chosen:
    """The floor, and the other levels one can walk on.

    Parameters
    ----------
    sheets : list of Sheet
    wide : list of Sheet
        The same surfaces in wider columns, which hold the far and thinly seen parts: how
        large a level is, is read from them.
    wish : Wish

    Raises
    ------
    NoFloor
        If no sheet is walkable, or the floor is too thin.
    JobError
        If no level lies at the place wished for.
    """
    levels, tops, slabs = walkable_levels(sheets)
    parts = levels + [[top] for top in tops]
    seen_m2 = [
        max(area, _area(part)) for part, area in zip(parts, _wide_area(parts, wide), strict=True)
    ]
    top_m2 = seen_m2[len(levels) :]
    weight = [
        area + things_on_m2(level, tops, levels, top_m2)
        for level, area in zip(levels, seen_m2, strict=False)
    ]
    if wish.at_m is not None:
        main = _level_at(parts, wish)
    elif wish.outline is not None and (best := _within(levels, wish.outline)) is not None:
        main = best
    else:
        main = levels[int(np.argmax(weight))]
    floor = joined(main)
    _check_density(floor)
    others = [joined(level) for level in levels if level is not main]
    others = [other for other in others if other.area_m2 >= _OTHER_M2 and is_wide(other)]
    far = [
        sheet
        for sheet in wide
        if columns_held(main, sheet) > max(0.1 * sheet.row.size, 2 * columns_held(tops, sheet))
    ]
    over = [
        sheet
        for sheet in sheets
        if (sheet in tops and beside_m2(sheet, main) > 0.0)
        or (
            ROOM_M < sheet.level_m - floor.level_m < _HIGHEST_M
            and covered_share(sheet.key, main) > 0.3
        )
    ]
    others.sort(key=lambda item: -item.area_m2)
    own = [slab for slab in slabs if SLAB_M[0] < floor.level_m - slab.level_m < SLAB_M[1]]
    return Chosen(floor, tuple(others), tuple(far), tuple(over), tuple(own))


def _area(level: list[Sheet]) -> float:
    return sum(part.area_m2 for part in level)


def _wide_area(levels: list[list[Sheet]], wide: list[Sheet]) -> list[float]:
    """Area of each level in wide columns [m²]; what a wide sheet joins is shared out."""
    area = [0.0] * len(levels)
    for sheet in wide:
        held = [columns_held(level, sheet) for level in levels]
        total = sum(held)
        if total > 0.1 * sheet.row.size:
            for k in range(len(levels)):
                area[k] += sheet.area_m2 * held[k] / total
    return area


def _within(levels: list[list[Sheet]], outline: Polygon) -> list[Sheet] | None:
    """The level with most area inside an outline, None where none lies in it."""
    import shapely

    inside = [
        sum(
            float(shapely.contains_xy(outline, part.x_m, part.y_m).sum()) * part.column_m**2
            for part in level
        )
        for level in levels
    ]
    best = int(np.argmax(inside))
    return levels[best] if inside[best] > 0.0 else None


def _level_at(levels: list[list[Sheet]], wish: Wish) -> list[Sheet]:
    """The level at a place: with a height, the one below it; else the largest there.

    Raises
    ------
    JobError
        If none lies within 3 m of the place.
    """
    assert wish.at_m is not None
    x, y, *height = wish.at_m
    found = []
    for level in levels:
        away = np.concatenate([np.hypot(part.x_m - x, part.y_m - y) for part in level])
        z_m = np.concatenate([part.z_m for part in level])
        nearest = int(np.argmin(away))
        found.append((float(away[nearest]), float(z_m[nearest]), level))
    least = min((away for away, _, _ in found), default=np.inf)
    if least > _REACH_M:
        raise JobError(
            f"no level one can walk on lies within {_REACH_M:g} m of the place given",
            where="--at",
            hint="give it in the scan's own coordinates and unit",
            id="at",
        )
    column_m = levels[0][0].column_m
    here = [item for item in found if item[0] <= max(least, 1.5 * column_m)]
    if not height:
        return max(here, key=lambda item: _area(item[2]))[2]
    # What one stands on is the highest level not above the height given.
    near = [item for item in found if item[0] <= max(least, 1.0)]
    below = [item for item in near if item[1] <= height[0] + _HEADROOM_M]
    if below:
        return max(below, key=lambda item: item[1])[2]
    return min(near, key=lambda item: item[1])[2]


def _check_density(sheet: Sheet) -> None:
    density = sheet.points.sum() / sheet.area_m2
    if density < _LEAST_DENSITY:
        raise NoFloor(
            f"the largest level surface, {sheet.area_m2:.1f} m², holds {density:.0f} points per m²"
            f"; {_LEAST_DENSITY:.0f} are needed to tell a floor",
            hint="scan more densely, or export all points",
            id="too-thin",
        )
