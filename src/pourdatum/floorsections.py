"""Test sections: the parts of a floor that F-numbers are found for one by one.

A section crosses no joint that ends a slab. A bay between joints may be divided further, into
parts of about the side that the contract names, along its own main directions.

Source: ASTM E1155, clauses 7.2 and 8.2: a test surface in sections, each with a side and an area
of its own, as the laboratory's worksheet in ``shared/e1155_worked_example.json`` follows them; the
shortest side from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.joints import Joint
from pourdatum.units import FOOT_M

if TYPE_CHECKING:
    from shapely import Polygon

ENDS_A_SLAB: Final = frozenset({"movement", "isolation", "day"})
"""Joints that end a slab; saw-cuts and cracks do not."""
LEAST_SIDE_M: Final = 8.0 * FOOT_M
"""Shortest side that a section may be divided to [m]; from memory."""
_SLIVER_M2: Final = 0.05
"""Smaller pieces beside a joint are no section [m²]; a choice."""


@dataclass(frozen=True, eq=False)
class FloorSection:
    """One section of a floor, numbered from 1, with its own outline [m]."""

    number: int
    outline: Polygon

    @property
    def area_m2(self) -> float:
        """Its area [m²]."""
        return float(self.outline.area)

    @property
    def middle_m(self) -> tuple[float, float]:
        """A place inside it [m]."""
        at = self.outline.representative_point()
        return float(at.x), float(at.y)


def sections_of(
    outline: Polygon, joints: Sequence[Joint] = (), side_m: float | None = None
) -> tuple[FloorSection, ...]:
    """The test sections of a floor.

    Parameters
    ----------
    outline : Polygon
        Of the floor [m].
    joints : sequence of Joint
        Those that end a slab divide it.
    side_m : float, optional
        About the side of a section; without it, each bay between joints is one.

    Examples
    --------
    >>> import shapely
    >>> joint = Joint("day", np.array([[6.0, -1.0], [6.0, 10.0]]))
    >>> [round(one.area_m2) for one in sections_of(shapely.box(0, 0, 18, 9), [joint])]
    [54, 108]
    >>> len(sections_of(shapely.box(0, 0, 18, 9), [joint], 6.0))
    6
    """
    import shapely

    cuts = [shapely.LineString(one.points_m) for one in joints if one.kind in ENDS_A_SLAB]
    bays = _pieces(outline.difference(shapely.union_all(cuts).buffer(1e-6)) if cuts else outline)
    parts = [part for bay in bays for part in _divided(bay, side_m)]
    parts.sort(key=lambda part: (round(part.bounds[0], 3), round(part.bounds[1], 3)))
    return tuple(FloorSection(number, part) for number, part in enumerate(parts, start=1))


def short_side_m(outline: Polygon) -> float:
    """The shorter side of the smallest rectangle around a section [m]."""
    return min(_sides(outline)[1:])


def main_way_rad(outline: Polygon) -> float:
    """Which way one of its two main directions looks, clockwise from +y, below a right angle."""
    box, first, second = _sides(outline)
    way = box[1] - box[0] if first >= second else box[2] - box[1]
    return math.atan2(way[0], way[1]) % (0.5 * math.pi)


def _sides(outline: Polygon) -> tuple[np.ndarray, float, float]:
    import shapely

    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(outline))[:4]
    return box, math.dist(box[0], box[1]), math.dist(box[1], box[2])


def _pieces(shape: object) -> list[Polygon]:
    import shapely

    parts = shapely.get_parts(shape)
    return [part for part in parts if part.geom_type == "Polygon" and part.area > _SLIVER_M2]


def _divided(bay: Polygon, side_m: float | None) -> list[Polygon]:
    """A bay in even parts of about a side, none shorter than a section may be."""
    import shapely

    if side_m is None:
        return [bay]
    box, first, second = _sides(bay)
    counts = [
        max(min(round(length / side_m), math.floor(length / LEAST_SIDE_M + 1e-9)), 1)
        for length in (first, second)
    ]
    along, across = box[1] - box[0], box[2] - box[1]
    found = []
    for i in range(counts[0]):
        for j in range(counts[1]):
            corner = box[0] + along * (i / counts[0]) + across * (j / counts[1])
            cell = [
                corner,
                corner + along / counts[0],
                corner + along / counts[0] + across / counts[1],
                corner + across / counts[1],
            ]
            found += _pieces(bay.intersection(shapely.Polygon(cell)))
    return found
