"""Thresholds: what the datum leaves against the finished levels that the floor must meet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.units import MM

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.datum import Datum

Array = NDArray[np.float64]

AT_FLOOR_M: Final = 1.0
"""A threshold farther than this from the floor belongs to another one [m]; our choice."""
_AT_EDGE_M: Final = 0.25


@dataclass(frozen=True)
class Threshold:
    """A finished level at a door.

    Attributes
    ----------
    place_m : tuple
        Local plan [m].
    level_m : float
        Finished, on top of the covering; local [m].
    tolerance_m : float
    """

    place_m: tuple[float, float]
    level_m: float
    tolerance_m: float


@dataclass(frozen=True)
class AtThreshold:
    """What the datum leaves at a threshold.

    Attributes
    ----------
    threshold : Threshold
    number : int
        In the job, from 1.
    finished_m : float
        Datum and build-up there, local [m].
    away_m : float
        Distance of the threshold from the floor [m].
    """

    threshold: Threshold
    number: int
    finished_m: float
    away_m: float

    @property
    def over_m(self) -> float:
        """How far the finished floor stands over the threshold; negative below it [m]."""
        return self.finished_m - self.threshold.level_m

    @property
    def of_this_floor(self) -> bool:
        """Whether it lies at this floor."""
        return self.away_m <= AT_FLOOR_M

    @property
    def met(self) -> bool:
        """Whether the floor meets it within its tolerance."""
        # What is out by just its tolerance is within it, as it is told: to a tenth of a millimetre.
        return round(abs(self.over_m) * MM, 1) <= round(self.threshold.tolerance_m * MM, 6)


def at_thresholds(
    thresholds: Sequence[Threshold], datum: Datum, build_up_m: float, outline: Polygon
) -> tuple[AtThreshold, ...]:
    """What a datum leaves at each threshold.

    Parameters
    ----------
    thresholds : sequence of Threshold
    datum : Datum
        Asked for its level beside each.
    build_up_m : float
        Covering, adhesive and membrane on top of the pour [m].
    outline : shapely.Polygon
        Floor, local plan [m].

    Examples
    --------
    >>> import shapely
    >>> from pourdatum.datum import Datum
    >>> from pourdatum.geometry import Plane
    >>> door = Threshold((0.0, 2.0), 0.030, 0.002)
    >>> datum = Datum("level", Plane(0.020), (0.020, 0.020), None, 0.002)
    >>> found = at_thresholds([door], datum, 0.012, shapely.box(0, 0, 8, 5))[0]
    >>> round(found.over_m, 9), found.met
    (0.002, True)
    """
    import shapely

    return tuple(
        AtThreshold(
            one,
            number,
            datum.level_beside(*one.place_m) + build_up_m,
            float(outline.distance(shapely.Point(one.place_m))),
        )
        for number, one in enumerate(thresholds, 1)
    )


def way_through(threshold: tuple[float, float], outline: Polygon) -> tuple[Array, Array]:
    """Where a threshold lies on the floor (2,), and the way through the door, a unit vector (2,).

    Examples
    --------
    >>> import shapely
    >>> from pourdatum.datum import Datum
    >>> from pourdatum.geometry import Plane
    >>> at, way = way_through((-0.1, 2.0), shapely.box(0, 0, 8, 5))
    >>> at.tolist(), abs(way).tolist()
    ([0.0, 2.0], [1.0, 0.0])
    """
    import shapely

    ring = shapely.simplify(outline.exterior, 0.01)
    point = shapely.Point(threshold)
    if not outline.contains(point) or ring.distance(point) < _AT_EDGE_M:
        nodes = np.asarray(ring.coords)
        pieces = shapely.linestrings(np.stack([nodes[:-1], nodes[1:]], axis=1))
        nearest = pieces[int(np.argmin(shapely.distance(pieces, point)))]
        start, end = shapely.get_coordinates(nearest)
        foot = shapely.get_coordinates(nearest.interpolate(nearest.project(point)))[0]
        return foot, np.array([start[1] - end[1], end[0] - start[0]]) / np.hypot(*(end - start))
    # A doorway is narrowest from jamb to jamb; through it goes square to that.
    reach = float(np.ptp(np.asarray(ring.coords), axis=0).max())
    turns = np.arange(0.0, math.pi, math.pi / 36)
    ways = np.column_stack([np.cos(turns), np.sin(turns)])
    at = np.array(threshold)
    lines = shapely.linestrings(np.stack([at - reach * ways, at + reach * ways], axis=1))
    widths = [
        next((p.length for p in shapely.get_parts(cut) if p.distance(point) < 1e-6), math.inf)
        for cut in shapely.intersection(lines, outline)
    ]
    narrow = ways[int(np.argmin(widths))]
    return at, np.array([-narrow[1], narrow[0]])
