"""Which of a scan's level surfaces one walks on.

A ceiling has its walls below it and none above; the mirror image under a polished slab
is thinner than the slab, or lies as far below it as something lies above; a table or a
pallet is an island in the floor around it; the underside of a slab has no headroom.
What is left are levels one can walk on.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from pourdatum.errors import NoFloor
from pourdatum.layers import Sheet
from pourdatum.sheetplan import covered_share, in_planes, inner_keys, is_beside, overlap
from pourdatum.tops import STOREY_M, is_ceiling, things_on_m2, tops_of_things

SLAB_M: Final = (0.1, 0.7)
"""Thickness of a slab seen from both sides [m]; there is no headroom in it."""
_LAMP_M: Final = 1.3
"""Depth below a ceiling in which lamps, beams and cupboards end [m]."""
ROOM_M: Final = 1.8
"""Height below a ceiling in which nobody stands [m]."""
_GROUND: Final = 8
"""Points that stand on a sheet for each that hangs from it, from which it is ground."""
_MIRROR_M: Final = 0.06
_STRAIGHT: Final = 0.3
"""Share of an image's columns that lie under the very columns of what mirrors it [1]."""


def walkable_levels(sheets: list[Sheet]) -> tuple[list[list[Sheet]], list[Sheet], list[Sheet]]:
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
    tops = tops_of_things(free)
    rest = [item for item in free if item not in tops]
    ceilings = [item for item in rest if is_ceiling(item)]
    standing = [
        item for item in rest if item not in ceilings and not _under_ceiling(item, ceilings)
    ]
    highest = max(ceilings, key=lambda item: item.area_m2, default=None)
    levels = in_planes(standing)
    found = max(
        (_roomy(level, ceilings) + things_on_m2(level, tops, levels) for level in levels),
        default=0.0,
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
    return in_planes(kept or standing), tops, slabs


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
        and overlap(item, other) > 0.3
        for other in ceilings
    )


def _roomy(level: list[Sheet], ceilings: list[Sheet]) -> float:
    """Area of a level that lies beside no ceiling close above it [m²]."""
    return sum(
        part.area_m2
        for part in level
        if not any(
            0.0 < other.level_m - part.level_m < ROOM_M
            and other.area_m2 > part.area_m2
            and is_beside(other, part)
            for other in ceilings
        )
    )


def _in_slab(item: Sheet, sheets: list[Sheet]) -> bool:
    """The underside of a slab whose top was seen as well: no headroom, and walls below it."""
    low, high = SLAB_M
    for other in sheets:
        thick = other.level_m - item.level_m
        if not low < thick < high:
            continue
        least = max(2 * item.above_up_to(thick - 0.05), 0.3 * item.above, 0.005 * item.points.sum())
        if item.below <= least:
            continue
        shared = (
            covered_share(inner_keys(item), [other]),
            covered_share(inner_keys(other), [item]),
        )
        if max(shared) > 0.25:
            return True
    return False


def _hangs_over(item: Sheet, sheets: list[Sheet]) -> bool:
    """A ceiling without walls: nothing stands on it, and a floor lies below it."""
    if item.above > 0.01 * item.points.sum():
        return False
    return any(
        STOREY_M[0] < item.level_m - other.level_m < STOREY_M[1] and overlap(item, other) > 0.5
        for other in sheets
        if other is not item and other.area_m2 > 0.3 * item.area_m2
    )


def _mirrors(item: Sheet, sheets: list[Sheet]) -> bool:
    """A thinner image below a denser surface, seen through it."""
    for other in sheets:
        depth = other.level_m - item.level_m
        if other is item or depth < 0.3 or other.area_m2 <= 0.3 * item.area_m2:
            continue
        if other.above == 0 or overlap(item, other) <= 0.5:
            continue
        # An image lies straight below; the floor around a table does not.
        if float(np.isin(item.key, other.key).mean()) <= _STRAIGHT:
            continue
        density = float(np.median(item.points)) / float(np.median(other.points))
        # What lies as far above the slab as its image below it, to a few hundredths of a metre.
        twin = any(
            abs(above.level_m - other.level_m - depth) < _MIRROR_M and overlap(item, above) > 0.3
            for above in sheets
            if above.level_m > other.level_m
        )
        # Without it only a ceiling's image is told: that one may not have been seen itself.
        least = 0.7 if twin else 0.35 if depth > STOREY_M[0] else 0.0
        if density < least and not _slab_between(item, other, sheets):
            return True
    return False


def _slab_between(item: Sheet, other: Sheet, sheets: list[Sheet]) -> bool:
    """Whether the underside of a slab hides the one level from the other: two storeys."""
    low, high = SLAB_M
    return any(
        low < other.level_m - part.level_m < high
        and part.level_m > item.level_m + STOREY_M[0]
        and part.below > 0
        and float(np.median(part.points)) > 0.35 * float(np.median(other.points))
        and overlap(item, part) > 0.3
        for part in sheets
    )
