"""What one gap may be out by apart from noise: bends of the scan, and floor past its ends.

Levels are read between cells that were seen, so that a straightedge ends up to a cell and a step
of levels short of a wall, a column or an opening, and lies as far from a wall along it. Where the
floor goes on rising or falling there, the gap of one that reaches the edge is wider. By how much is
found by pushing it out to the edge, the floor carried on by its slope. Levels and places lie apart,
and a step between them hides some of its height.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.everywhere import Places, rest_on
from pourdatum.judgedfloor import judged
from pourdatum.shareddraws import draws_for

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_NEAR_M: Final = 0.15
"""Distance from an end within which an edge counts: more than a cell and a step of levels [m]."""
_FINER: Final = 4
"""Levels and places between those that were tried."""
_STEEPEST: Final = 0.04
"""Slope of a dip at a wall; what is steeper is a step, and goes on no further [m/m]."""
_BACK_M: Final = 0.05
"""From a line beside a wall back to where its slope across is read [m]."""


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
    under, which = _along_line(places, at)
    level = surface.grid.at(np.nan_to_num(surface.height_m), under)
    fields = draws_for(surface).at(under)
    moved = _worst(level + fields, which, places) - _worst(level, which, places)
    return float(np.sqrt(np.mean(moved**2)))


def _along_line(places: Places, at: int) -> tuple[Array, Index]:
    """Levels along the line of one straightedge, and those under each that is laid on it near by.

    Places (n, 2) [m], and numbers of them (k, levels).
    """
    off = places.start - places.start[at]
    near = (places.line == places.line[at]) & (np.abs(off) <= places.levels // 2)
    levels = places.start[near][:, None] + np.arange(places.levels)
    first = int(levels.min())
    under: Array = places.lattice_m[places.line[at], first : int(levels.max()) + 1]
    return under, levels - first


def _worst(level_m: Array, which: Index, places: Places) -> Array:
    """The worst gap of those straightedges, on levels (n,) or on each of many (k, n) [m]."""
    every = np.atleast_2d(level_m)
    most = np.zeros(len(every))
    for own in which:  # one after another: of all at once memory would be that of a plan
        most = np.maximum(most, rest_on(every[:, own], places.length_m).gap_m)
    return most


def between_m(surface: Surface, places: Places, at: int) -> float:
    """By how much more one gap would be between the levels and places that were tried [m].

    At the foot of a step the gap is deepest right beside it, wherever the levels lie.

    Parameters
    ----------
    surface : Surface
    places : Places
    at : int
        Which of the places.
    """
    under, _, still = _as_read(surface, places, at)
    along = (under[-1] - under[0]) / (places.levels - 1)
    seen = judged(surface).astype(np.float64)
    steps = np.arange(_FINER * (places.levels - 1) + 1) / _FINER
    most = 0.0
    for moved in np.arange(-_FINER, _FINER + 1) / _FINER:
        finer = under[0] + (steps + moved)[:, None] * along
        if (surface.grid.at(seen, finer) > 1.0 - 1e-9).all():
            known = surface.grid.at(np.nan_to_num(surface.height_m), finer)
            most = max(most, float(rest_on(known[None], places.length_m).gap_m[0]) - still)
    return most


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


def past_sides_m(surface: Surface, places: Places, at: int) -> float:
    """By how much more the worst gap would be if the straightedge lay right along a wall [m].

    Parameters
    ----------
    surface : Surface
    places : Places
    at : int
        Which of the places.
    """
    ends = places.levels_m(at)
    along = (ends[-1] - ends[0]) / math.dist(ends[-1], ends[0])
    under, which = _along_line(places, at)
    still = float(_worst(surface.grid.at(surface.height_m, under), which, places)[0])
    most = 0.0
    for side in (1.0, -1.0):
        out = side * np.array([along[1], -along[0]])
        some = ends[:: len(ends) // 2]
        each = [_to_edge_m(surface.floor.outline, one - out, one) for one in some]
        if min(each) <= 0.0:
            continue
        back = [surface.grid.at(surface.height_m, under - k * _BACK_M * out) for k in (1, 2)]
        if all(np.isfinite(one[which]).all() for one in back):
            first, second = (float(_worst(one, which, places)[0]) for one in back)
            # A ripple rises and falls; what goes on rising to the wall may go on.
            rises = min(still - first, first - second, _STEEPEST * _BACK_M)
            most = max(most, rises * min(each) / _BACK_M)
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
    >>> carried_on(np.array([0.0, 0.001, 0.004]), 0.1, 0.05).round(9).tolist()
    [0.0005, 0.0025, 0.0055]
    """
    at = apart_m * np.arange(level_m.size)
    further = at + out_m
    slope = float(level_m[-1] - level_m[-2]) / apart_m
    slope = min(max(slope, -_STEEPEST), _STEEPEST)
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
