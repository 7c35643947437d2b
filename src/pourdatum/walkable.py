"""Which of a scan's level surfaces one walks on, and which of those is the floor.

A ceiling has its walls below it and none above; the mirror image under a polished slab
is thinner than the slab, or lies as far below it as something lies above; a table or a
pallet is an island in the floor around it; the underside of a slab has no headroom.
What is left are levels one can walk on. The floor is the largest, or the largest within
an outline, or the one at a place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError, NoFloor
from pourdatum.geometry import fit_plane
from pourdatum.grid import pack, unpack
from pourdatum.layers import Sheet, joined

if TYPE_CHECKING:
    from shapely import Polygon

Mask = NDArray[np.bool_]
Keys = NDArray[np.int64]

_LEAST_DENSITY: Final = 20.0
"""Points per square metre below which a surface is not surveyed [1/m²]."""
_SAME_PLANE_M: Final = 0.04
_THING_M: Final = (0.05, 1.5)
"""Heights of a top above the floor around it that may be a table's or a pallet's [m]."""
_SLAB_M: Final = (0.1, 0.7)
"""Thickness of a slab seen from both sides [m]; there is no headroom in it."""
_LAMP_M: Final = 1.3
"""Depth below a ceiling in which lamps, beams and cupboards end [m]."""
_ROOM_M: Final = 1.8
"""Height below a ceiling in which nobody stands [m]."""
_HIGHEST_M: Final = 6.0
"""A ceiling this high above its floor or less tells how far the room reaches [m]."""
_NEAR_M: Final = 1.0
"""How far beside a top the floor around it is looked for [m]."""
_LANDING_M2: Final = 1.2
_OTHER_M2: Final = 1.0
_OTHER_WIDTH_M: Final = 0.8
"""Other levels are listed from this area and width on: sills, shelves and benches are none."""
_GROUND: Final = 8
"""Points that stand on a sheet for each that hangs from it, from which it is ground."""
_MIRROR_M: Final = 0.06
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
    levels, tops, slabs = _walkable(sheets)
    weight = [
        max(seen_m2, _area(level)) + _on_it(level, tops, levels)
        for level, seen_m2 in zip(levels, _wide_area(levels, tops, wide), strict=True)
    ]
    if wish.at_m is not None:
        main = _level_at(levels + [[top] for top in tops], wish)
    elif wish.outline is not None and (best := _within(levels, wish.outline)) is not None:
        main = best
    else:
        main = levels[int(np.argmax(weight))]
    floor = joined(main)
    _check_density(floor)
    others = [joined(level) for level in levels if level is not main]
    others = [other for other in others if other.area_m2 >= _OTHER_M2 and _is_wide(other)]
    far = [
        sheet
        for sheet in wide
        if _held(main, sheet) > max(0.1 * sheet.row.size, 2 * _held(tops, sheet))
    ]
    over = [
        sheet
        for sheet in sheets
        if (sheet in tops and _beside_m2(sheet, main) > 0.0)
        or (
            _ROOM_M < sheet.level_m - floor.level_m < _HIGHEST_M
            and _covered_share(sheet.key, main) > 0.3
        )
    ]
    others.sort(key=lambda item: -item.area_m2)
    own = [slab for slab in slabs if _SLAB_M[0] < floor.level_m - slab.level_m < _SLAB_M[1]]
    return Chosen(floor, tuple(others), tuple(far), tuple(over), tuple(own))


def _area(level: list[Sheet]) -> float:
    return sum(part.area_m2 for part in level)


def _wide_area(levels: list[list[Sheet]], tops: list[Sheet], wide: list[Sheet]) -> list[float]:
    """Area of each level in wide columns [m²]; what a wide sheet joins is shared out."""
    area = [0.0] * len(levels)
    for sheet in wide:
        held = [_held(level, sheet) for level in [*levels, tops]]
        total = sum(held)
        if total > 0.1 * sheet.row.size:
            for k in range(len(levels)):
                area[k] += sheet.area_m2 * held[k] / total
    return area


def _held(level: list[Sheet], wide: Sheet) -> int:
    """Columns of a wide sheet that hold a part of a level."""
    return sum(_shared_columns(part, wide) for part in level)


def _shared_columns(part: Sheet, wide: Sheet) -> int:
    """Columns of a wide sheet that hold a part of a sheet at their level."""
    times = round(wide.column_m / part.column_m)
    key = pack(part.col // times, part.row // times, np.zeros_like(part.col))
    order = np.argsort(wide.key)
    at = np.minimum(np.searchsorted(wide.key[order], key), order.size - 1)
    same = wide.key[order][at] == key
    near = np.abs(wide.z_m[order][at] - part.z_m) < 1.5 * _SAME_PLANE_M
    return int(np.unique(key[same & near]).size)


def _on_it(level: list[Sheet], tops: list[Sheet], levels: list[list[Sheet]]) -> float:
    """Area of the things on a level, which hide as much floor at the least [m²]."""
    total = 0.0
    for top in tops:
        around = [_beside_m2(top, other) for other in levels]
        best = int(np.argmax(around))
        if around[best] > 0.0 and levels[best] is level:
            total += top.area_m2
    return total


def _beside_m2(top: Sheet, level: list[Sheet]) -> float:
    """Area of a level lower than a top, below it or within 1 m beside it [m²]."""
    from scipy.ndimage import distance_transform_edt

    low, high = _THING_M
    margin = int(np.ceil(_NEAR_M / top.column_m)) + 1
    mask, c0, r0 = _raster(top, margin)
    near = distance_transform_edt(~mask) * top.column_m <= _NEAR_M
    found = 0
    for part in level:
        if low < top.level_m - part.level_m < high and _is_beside(top, part):
            found += int((near & _on_raster(part.key, mask.shape, c0, r0)).sum())
    return found * top.column_m**2


def _is_beside(top: Sheet, part: Sheet) -> bool:
    """Whether a sheet lies within reach of another in plan."""
    reach = _NEAR_M / part.column_m
    return bool(
        (part.row.min() - reach <= top.row.max())
        and (top.row.min() <= part.row.max() + reach)
        and (part.col.min() - reach <= top.col.max())
        and (top.col.min() <= part.col.max() + reach)
    )


def place_on(sheet: Sheet) -> tuple[float, float]:
    """A place well inside a sheet, local plan [m]: the middle of the widest part of it."""
    from scipy.ndimage import distance_transform_edt

    mask, c0, r0 = _raster(sheet, 1)
    row, col = np.unravel_index(int(np.argmax(distance_transform_edt(mask))), mask.shape)
    return (
        (float(col) + c0 + 0.5) * sheet.column_m,
        (float(row) + r0 + 0.5) * sheet.column_m,
    )


# --- what is walkable ----------------------------------------------------------------------------


def _walkable(sheets: list[Sheet]) -> tuple[list[list[Sheet]], list[Sheet], list[Sheet]]:
    """Levels, tops of things on them, undersides of slabs; refuses where there is no floor."""
    if not sheets:
        raise NoFloor(
            "no horizontal surface of half a square metre or more was found",
            hint="check that the vertical is right (--up) and that the floor was scanned",
            id="no-floor",
        )
    real = [item for item in sheets if not _mirrors(item, sheets)]
    # A slab's underside is no floor for what lies on the slab.
    free = [item for item in real if not _in_slab(item, real)]
    tops = _tops(free)
    rest = [item for item in free if item not in tops]
    ceilings = [item for item in rest if _is_ceiling(item)]
    standing = [
        item for item in rest if item not in ceilings and not _under_ceiling(item, ceilings)
    ]
    highest = max(ceilings, key=lambda item: item.area_m2, default=None)
    levels = _levels(standing)
    found = max(
        (_roomy(level, ceilings) + _on_it(level, tops, levels) for level in levels), default=0.0
    )
    if not levels or (highest is not None and found < 0.15 * highest.area_m2):
        area = 0.0 if highest is None else highest.area_m2
        raise NoFloor(
            f"no floor in the scan, only a ceiling: its largest horizontal surface, "
            f"{area:.0f} m², has walls that reach down from it and none that rise",
            hint="scan the floor as well, or give --up if the scan is upside down",
            id="only-ceiling",
        )
    # A few returns from far off can cover a large area without being a surface one stands on.
    most = max(int(item.points.sum()) for item in standing)
    standing = [item for item in standing if item.points.sum() >= 0.03 * most]
    kept = [item for item in standing if not _hangs_over(item, standing)]
    slabs = [item for item in real if item not in free]
    return _levels(kept or standing), tops, slabs


def _is_ceiling(item: Sheet) -> bool:
    """Walls reach down from it and none rise."""
    return item.below > 4 * item.above and item.below > 0.005 * item.points.sum()


def _under_ceiling(item: Sheet, ceilings: list[Sheet]) -> bool:
    """Lamps, beams and the tops of cupboards: close below a larger ceiling.

    Under a large table, which has legs below it and a wall beside, the floor lies as close. But
    walls rise from it, and nothing hangs from it.
    """
    if item.above > 0.1 * item.points.sum() and item.above > _GROUND * item.below:
        return False
    return any(
        0.0 < other.level_m - item.level_m < _LAMP_M
        and other.area_m2 > item.area_m2
        and _overlap(item, other) > 0.3
        for other in ceilings
    )


def _roomy(level: list[Sheet], ceilings: list[Sheet]) -> float:
    """Area of a level that lies beside no ceiling close above it [m²]."""
    return sum(
        part.area_m2
        for part in level
        if not any(
            0.0 < other.level_m - part.level_m < _ROOM_M
            and other.area_m2 > part.area_m2
            and _is_beside(other, part)
            for other in ceilings
        )
    )


def _in_slab(item: Sheet, sheets: list[Sheet]) -> bool:
    """The underside of a slab whose top was seen as well: no headroom, and walls below it."""
    low, high = _SLAB_M
    for other in sheets:
        thick = other.level_m - item.level_m
        if not low < thick < high:
            continue
        least = max(2 * item.above_up_to(thick - 0.05), 0.3 * item.above, 0.005 * item.points.sum())
        if item.below <= least:
            continue
        shared = (
            _covered_share(_inner_keys(item), [other]),
            _covered_share(_inner_keys(other), [item]),
        )
        if max(shared) > 0.25:
            return True
    return False


def _hangs_over(item: Sheet, sheets: list[Sheet]) -> bool:
    """A ceiling without walls: nothing stands on it, and a floor lies below it."""
    if item.above > 0.01 * item.points.sum():
        return False
    return any(
        1.6 < item.level_m - other.level_m < 12.0 and _overlap(item, other) > 0.5
        for other in sheets
        if other is not item and other.area_m2 > 0.3 * item.area_m2
    )


def _mirrors(item: Sheet, sheets: list[Sheet]) -> bool:
    """A thinner image below a denser surface, seen through it."""
    for other in sheets:
        depth = other.level_m - item.level_m
        if other is item or depth < 0.3 or other.area_m2 <= 0.3 * item.area_m2:
            continue
        if other.above == 0 or _overlap(item, other) <= 0.5:
            continue
        density = float(np.median(item.points)) / float(np.median(other.points))
        # What lies as far above the slab as its image below it, to a few hundredths of a metre.
        twin = any(
            abs(above.level_m - other.level_m - depth) < _MIRROR_M and _overlap(item, above) > 0.3
            for above in sheets
            if above.level_m > other.level_m
        )
        if density < (0.7 if twin else 0.35) and not _slab_between(item, other, sheets):
            return True
    return False


def _slab_between(item: Sheet, other: Sheet, sheets: list[Sheet]) -> bool:
    """Whether the underside of a slab hides the one level from the other: two storeys."""
    low, high = _SLAB_M
    return any(
        low < other.level_m - part.level_m < high
        and part.level_m > item.level_m + 1.6
        and part.below > 0
        and float(np.median(part.points)) > 0.35 * float(np.median(other.points))
        and _overlap(item, part) > 0.3
        for part in sheets
    )


def _tops(sheets: list[Sheet]) -> list[Sheet]:
    """Tops of tables and pallets: shade cuts them into pieces as it does the floor."""
    tops = []
    for level in _levels(sheets):
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
        and _is_beside(item, other)
        and not _is_lamp(other, item, sheets)
    ]
    if sum(other.area_m2 for other in below) < 0.15 * item.area_m2:
        return False
    # Bulkheads around a ceiling look so too, but walls reach down from them. So does the
    # front of a landing, which has a larger floor beside it.
    ground = [other for other in below if not _is_landing(other, below)]
    if sum(other.below for other in ground) > 0.25 * sum(other.above for other in ground):
        return False
    if _covered_share(_inner_keys(item), below) > 0.25:
        return True
    drop, wall = _rim(item, below)
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


def _is_landing(part: Sheet, sheets: list[Sheet]) -> bool:
    """Whether a sheet is raised over a floor half as large at the least."""
    low, high = _THING_M
    lower_m2 = sum(other.area_m2 for other in sheets if low < part.level_m - other.level_m < high)
    return part.area_m2 >= _LANDING_M2 and lower_m2 > 0.5 * part.area_m2


def _is_lamp(part: Sheet, over: Sheet, sheets: list[Sheet]) -> bool:
    """Whether a sheet smaller than the one over it hangs over a floor, as lamps and beams do."""
    return part.area_m2 < over.area_m2 and any(
        1.6 < part.level_m - other.level_m < 12.0
        and other.area_m2 > 0.3 * over.area_m2
        and _overlap(part, other) > 0.3
        for other in sheets
    )


def _standing_share(sheets: list[Sheet]) -> float:
    """Points that stand on sheets, for each point in them."""
    return sum(item.above for item in sheets) / sum(int(item.points.sum()) for item in sheets)


def _surrounded(item: Sheet, below: list[Sheet]) -> float:
    """Share of a sheet within the convex hull of the floor beside it."""
    import shapely

    x, y = (np.concatenate([getattr(part, name) for part in below]) for name in ("x_m", "y_m"))
    near = (np.abs(x - np.clip(x, item.x_m.min(), item.x_m.max())) < 2 * _NEAR_M) & (
        np.abs(y - np.clip(y, item.y_m.min(), item.y_m.max())) < 2 * _NEAR_M
    )
    hull = shapely.MultiPoint(np.column_stack([x[near], y[near]])).convex_hull
    if hull.geom_type != "Polygon":
        return 0.0
    return float(shapely.contains_xy(hull, item.x_m, item.y_m).mean())


def _inner_keys(item: Sheet) -> Keys:
    """Columns of a sheet not at its rim, packed; all where it is that narrow."""
    from scipy.ndimage import binary_erosion

    mask, c0, r0 = _raster(item, 1)
    row, col = np.nonzero(binary_erosion(mask, np.ones((3, 3), bool)))
    if row.size < 0.2 * item.row.size:
        return item.key
    return pack(col + c0, row + r0, np.zeros_like(col))


def _covered_share(keys: Keys, below: list[Sheet]) -> float:
    """Share of columns below which other sheets were seen."""
    return float(np.isin(keys, np.concatenate([other.key for other in below])).mean())


def _rim(item: Sheet, below: list[Sheet]) -> tuple[float, float]:
    """Shares of a sheet's outer rim beside which lower floor was seen, or a wall rises."""
    from scipy.ndimage import (
        binary_closing,
        binary_dilation,
        binary_erosion,
        binary_fill_holes,
        distance_transform_edt,
    )

    margin = int(np.ceil(_NEAR_M / item.column_m)) + 1
    mask, c0, r0 = _raster(item, margin)
    mask = binary_fill_holes(binary_closing(mask, np.ones((3, 3), bool)) | mask)
    rim = mask & ~binary_erosion(mask)
    wall = _on_raster(item.walled, mask.shape, c0, r0)
    reach = max(round(0.15 / item.column_m), 1)
    walled = rim & binary_dilation(wall, iterations=reach)
    floor = np.zeros(mask.shape, bool)
    for other in below:
        floor |= _on_raster(other.key, mask.shape, c0, r0)
    away, (row, col) = distance_transform_edt(~mask, return_indices=True)
    beside = floor & ~mask & (away * item.column_m <= _NEAR_M)
    drop = np.zeros(mask.shape, bool)
    drop[row[beside], col[beside]] = True
    # One column of floor stands for its neighbours along the rim, where rays are few.
    drop = binary_dilation(drop, np.ones((3, 3), bool)) & rim & ~walled
    total = max(int(rim.sum()), 1)
    return float(drop.sum()) / total, float(walled.sum()) / total


def _raster(sheet: Sheet, margin: int) -> tuple[Mask, int, int]:
    """Columns of a sheet as a mask, and column and row of its first cell."""
    c0, r0 = int(sheet.col.min()) - margin, int(sheet.row.min()) - margin
    shape = (int(sheet.row.max()) + margin + 1 - r0, int(sheet.col.max()) + margin + 1 - c0)
    mask = np.zeros(shape, bool)
    mask[sheet.row - r0, sheet.col - c0] = True
    return mask, c0, r0


def _on_raster(keys: Keys, shape: tuple[int, ...], c0: int, r0: int) -> Mask:
    col, row, _ = unpack(keys)
    c, r = col - c0, row - r0
    inside = (r >= 0) & (c >= 0) & (r < shape[0]) & (c < shape[1])
    mask = np.zeros(shape, bool)
    mask[r[inside], c[inside]] = True
    return mask


def _overlap(a: Sheet, b: Sheet) -> float:
    """Share of a's columns in which b lies too, or a neighbouring column's."""
    near = np.unique(
        np.concatenate(
            [
                pack(b.col + dc, b.row + dr, np.zeros_like(b.col))
                for dr in (-1, 0, 1)
                for dc in (-1, 0, 1)
            ]
        )
    )
    return float(np.isin(a.key, near).mean())


# --- which of them is the floor ------------------------------------------------------------------


def _levels(floors: list[Sheet]) -> list[list[Sheet]]:
    """Floors in one plane as one level: shade cuts a floor into pieces."""
    left = sorted(floors, key=lambda item: -item.area_m2)
    levels: list[list[Sheet]] = []
    while left:
        main = left[0]
        try:
            plane, _ = fit_plane(main.x_m, main.y_m, main.z_m)
        except ValueError:
            if len(left) == 1 and not levels:
                raise NoFloor(
                    "the points at one level lie on a line and make no surface",
                    hint="scan the floor, not a single profile",
                    id="no-floor",
                ) from None
            left = left[1:]
            continue
        level = [main]
        for item in left[1:]:
            off = np.abs(item.z_m - plane.at(item.x_m, item.y_m))
            if float(np.quantile(off, 0.8)) < _SAME_PLANE_M:
                level.append(item)
        levels.append(level)
        left = [item for item in left if item not in level]
    return levels


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


def _is_wide(sheet: Sheet) -> bool:
    """Whether one can stand on it anywhere: thin spots between its columns are closed."""
    from scipy.ndimage import binary_closing, distance_transform_edt

    mask, _, _ = _raster(sheet, 2)
    mask |= binary_closing(mask, np.ones((3, 3), bool))
    inmost = float(distance_transform_edt(mask).max())
    return (2 * inmost - 1) * sheet.column_m >= _OTHER_WIDTH_M


def _check_density(sheet: Sheet) -> None:
    density = sheet.points.sum() / sheet.area_m2
    if density < _LEAST_DENSITY:
        raise NoFloor(
            f"the largest level surface, {sheet.area_m2:.1f} m², holds {density:.0f} points per m²"
            f"; {_LEAST_DENSITY:.0f} are needed to tell a floor",
            hint="scan more densely, or export all points",
            id="too-thin",
        )
