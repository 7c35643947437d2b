"""What one gap may be out by apart from noise: bends of the scan, and floor past its ends.

Levels are read between cells that were seen, so that a straightedge ends up to a cell and a step
of levels short of a wall, a column or an opening. Where the floor goes on rising there, one that
reaches the edge rests higher, and its gap is wider. By how much is found by pushing it out to the
edge, the floor carried on by its slope at the end.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.everywhere import Places, rest_on
from pourdatum.shareddraws import draws_for

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.surface import Surface

Array = NDArray[np.float64]

_NEAR_M: Final = 0.15
"""Distance from an end within which an edge counts: more than a cell and a step of levels [m]."""


def bent_m(surface: Surface, places: Places, at: int) -> float:
    """What the whole scan's bending does to the worst gap, one standard deviation [m].

    Beside a dip in a flat floor a straightedge lies flush, and the least bend tips it in or out.
    The worst of those laid along one line does not mind: one that lies over the dip is among them.

    Parameters
    ----------
    surface : Surface
    places : Places
    at : int
        Which of the places.
    """
    near = np.flatnonzero(
        (places.line == places.line[at])
        & (np.abs(places.start - places.start[at]) <= places.levels // 2)
    )
    first = places.start[near]
    under = places.lattice_m[places.line[at], first[:, None] + np.arange(places.levels)]
    level = surface.grid.at(np.nan_to_num(surface.height_m), under.reshape(-1, 2))
    fields = draws_for(surface).at(under.reshape(-1, 2))

    def worst(heights: Array) -> Array:
        gap = rest_on(heights.reshape(-1, places.levels), places.length_m).gap_m
        most: Array = gap.reshape(-1, near.size).max(axis=1)
        return most

    return float(np.sqrt(np.mean((worst(level + fields) - worst(level)) ** 2)))


def past_ends_m(surface: Surface, places: Places, at: int) -> float:
    """By how much more one gap would be if the straightedge reached the edge of the floor [m].

    Parameters
    ----------
    surface : Surface
    places : Places
    at : int
        Which of the places.
    """
    under, level, still = _as_read(surface, places, at)
    apart_m = places.length_m / (places.levels - 1)
    most = 0.0
    for place, height in ((under, level), (under[::-1], level[::-1])):
        out_m = _to_edge_m(surface.floor.outline, place[-2], place[-1])
        if out_m > 0.0:
            pushed = carried_on(height, apart_m, out_m)
            most = max(most, float(rest_on(pushed[None], places.length_m).gap_m[0]) - still)
    return most


def _as_read(surface: Surface, places: Places, at: int) -> tuple[Array, Array, float]:
    """Places (n, 2) under a straightedge, their levels (n,), and its gap [m]."""
    under = places.levels_m(at)
    level = surface.grid.at(np.nan_to_num(surface.height_m), under)
    return under, level, float(rest_on(level[None], places.length_m).gap_m[0])


def carried_on(level_m: Array, apart_m: float, out_m: float) -> Array:
    """Even spaced levels, read so much further on, the last slope carried past the end.

    Parameters
    ----------
    level_m : (n,) array
        Levels [m].
    apart_m, out_m : float
        From one to the next, and how far further on [m].

    Examples
    --------
    >>> carried_on(np.array([0.0, 1.0, 4.0]), 0.1, 0.05).round(9).tolist()
    [0.5, 2.5, 5.5]
    """
    at = apart_m * np.arange(level_m.size)
    further = at + out_m
    slope = float(level_m[-1] - level_m[-2]) / apart_m
    past = np.maximum(further - at[-1], 0.0)
    out: Array = np.interp(further, at, level_m) + slope * past
    return out


def _to_edge_m(outline: Polygon, before_m: Array, end_m: Array) -> float:
    """From an end onwards to the edge of the floor [m]; 0 where none is near."""
    import shapely

    along = (end_m - before_m) / math.dist(end_m, before_m)
    reach = shapely.LineString([end_m, end_m + _NEAR_M * along])
    met = reach.intersection(outline.boundary)
    return 0.0 if met.is_empty else float(met.distance(shapely.Point(end_m)))
