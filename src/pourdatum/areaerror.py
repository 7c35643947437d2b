"""How far the area of a floor may be out: lengths of the scan, walls, openings, columns.

A wall is a line through very many points, and errs by little, behind a crate too where it
was seen above or on both sides. The edge of an opening lies somewhere in the cells that
straddle it, each edge by itself. An outline along the end of the scan follows cells. What an
outline that was drawn by hand may be out by, only who drew it knows: it counts as exact.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from pourdatum.uncertainty import combined, interval

if TYPE_CHECKING:
    from pourdatum.surface import Surface

_WALL_SHARE: Final = 0.1
"""Error of a wall's line, in residuals of its points about it [1]; a choice."""
_WALL_M: Final = 0.0002
"""What a wall is out by at the least [m]; a choice."""
_OPENING_CELLS: Final = 0.1
_COLUMN_CELLS: Final = 0.06
_COVERAGE_CELLS: Final = 0.25
"""Error of an edge in cells, one standard deviation, found on simulated scans."""
_STEP_M2: Final = 2.0
"""Platforms up to this size may be things on the floor [m²]; a choice."""
_HIDDEN_SHARE: Final = 0.08
"""Error of what lies under a thing by a wall that nobody saw there, as a share of the thing. Found
on simulated scans."""
_AT_WALL_M: Final = 0.3
_ON_FACE_M: Final = 0.05
"""Distances from a thing, and from a face that was seen, within which the rim belongs to it [m]."""


def area_interval_m2(surface: Surface) -> tuple[float, float]:
    """95 % interval of the area to pour [m²].

    It reaches down by what stands on the floor and may be fixed, and up by platforms of a
    crate's size: whether one is a step of the building or stands on the floor no scan says.
    """
    floor = surface.floor
    low_m2, high_m2 = interval(floor.area_m2, area_uncertainty_m2(surface))
    steps_m2 = sum(area_m2 for _, area_m2, *_ in floor.other_levels_m if area_m2 < _STEP_M2)
    if floor.outline_given:
        steps_m2 = 0.0
    return max(low_m2 - unsure_m2(surface), 0.0), high_m2 + steps_m2


def unsure_m2(surface: Surface) -> float:
    """Area of things of which it is not sure whether they are fixed [m²]: they count as floor."""
    return sum(thing.area_m2 for thing in surface.floor.obstructions if thing.kind == "unsure")


def area_uncertainty_m2(surface: Surface) -> float:
    """Standard uncertainty of the area to pour [m²].

    Parameters
    ----------
    surface : Surface
    """
    floor, cell_m = surface.floor, surface.grid.cell_m
    parts = [2.0 * surface.shared.scale * floor.area_m2]
    if not floor.outline_given:
        for face in floor.faces:
            seen_m = float((face.along_m[:, 1] - face.along_m[:, 0]).sum())
            parts.append(seen_m * math.hypot(_WALL_M, _WALL_SHARE * face.residual_m))
        parts.append(floor.open_edge_m * _COVERAGE_CELLS * cell_m)
        parts += _hidden_m2(surface)
    parts += [hole.outline.length * _OPENING_CELLS * cell_m for hole in floor.openings]
    parts += [
        thing.outline.length * _COLUMN_CELLS * cell_m
        for thing in floor.obstructions
        if thing.kind == "column"
    ]
    return combined(*parts)


def _hidden_m2(surface: Surface) -> list[float]:
    """What may lie under each thing by a wall, by how much of the rim there nobody saw [m²]."""
    import shapely

    floor = surface.floor
    rim = floor.outline.exterior
    stretches = [shapely.LineString(face.at(ends)) for face in floor.faces for ends in face.along_m]
    seen = shapely.union_all(stretches).buffer(_ON_FACE_M)
    parts = []
    for thing in floor.obstructions:
        if thing.kind == "column":
            continue
        own = rim.intersection(thing.outline.buffer(_AT_WALL_M))
        if own.length == 0.0:
            continue
        unseen = own.difference(seen).length / own.length
        parts.append(thing.area_m2 * _HIDDEN_SHARE * unseen)
    return parts
