"""Where a poured floor ends at no wall: in open doorways, and where the scan ends before the floor.

There a stop-end holds the pour, and no edge strip stands.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.outline import DOOR_M

if TYPE_CHECKING:
    from shapely import LineString

    from pourdatum.floor import Floor

_BESIDE_M: Final = 0.25
"""How far the edge of the floor may lie off the face that a doorway is in [m]."""
_SEEN_FROM: Final = 3.0
"""How far behind a doorway the middle of the floor seen through it may lie, in square roots of its
area; a wedge is long."""


def doorways(floor: Floor) -> tuple[LineString, ...]:
    """Doorways before floor that was seen and left out, each along its wall, local plan [m].

    One for each such floor, that nearest to it; the one with the most floor behind it first.
    """
    import shapely

    gaps = _gaps(floor)
    found: list[LineString] = []
    for x_m, y_m, area_m2 in sorted(floor.beyond_doors_m, key=lambda door: -door[2]):
        place = shapely.Point(x_m, y_m)
        near = min(gaps, key=place.distance, default=None)
        if near is None or near in found:
            continue
        if place.distance(near) <= _SEEN_FROM * max(float(np.sqrt(area_m2)), 0.5):
            found.append(near)
    return tuple(found)


def open_ends_m(floor: Floor) -> float:
    """Length of the outer edge at which a stop-end holds the pour [m]."""
    return float(sum(door.length for door in doorways(floor)) + floor.open_edge_m)


def _gaps(floor: Floor) -> list[LineString]:
    """Gaps of a door's width in the wall faces that the floor's outer edge follows."""
    import shapely

    edge = floor.outline.exterior
    found = []
    for face in floor.faces:
        for low, high in zip(face.along_m[:-1, 1], face.along_m[1:, 0], strict=True):
            if not DOOR_M[0] <= high - low <= DOOR_M[1]:
                continue
            ends = face.at(np.array([low, high]))
            if all(edge.distance(shapely.Point(end)) <= _BESIDE_M for end in ends):
                found.append(shapely.LineString(ends))
    return found
