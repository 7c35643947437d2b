"""The straightedges of a contract's sampling, chosen among all places where one fits.

The grid lies even about the middle of the floor, along its two main directions; at each node a
straightedge is laid both ways, its middle at the node, where it fits. A contract that names a
number of readings has the widest such grid that gives them. Who lays the grid elsewhere reads other
gaps: in what share of all layings the floor would keep its limit is found as well.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.everywhere import STEP_M, Places, lay_everywhere, lay_towards
from pourdatum.floorsections import main_way_rad
from pourdatum.sampling import Sampling

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.criteria import GapLimit
    from pourdatum.grid import Grid
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

_WIDEST_M: Final = 50.0


def everywhere_for(
    surface: Surface, grid: Grid, seen: Mask, limit: GapLimit, sampling: Sampling
) -> list[Places]:
    """All places of all straightedges of a criterion, from the floor's main directions on.

    Where a share must keep, every place counts alike, and none lies closer along walls.

    Parameters
    ----------
    surface : Surface
    grid : Grid
        Its grid, or a window of it.
    seen : (ny, nx) bool array
        Nodes on which a straightedge may lie.
    limit : GapLimit
    sampling : Sampling
    """
    first = main_way_rad(surface.floor.outline)
    laid = [one for m in limit.lengths_m for one in lay_everywhere(grid, seen, m, first)]
    return [one for one in laid if not one.beside or sampling.share == 1.0]


def both_ways(grid: Grid, seen: Mask, outline: Polygon, length_m: float) -> list[Places]:
    """All places of a straightedge along and across a floor.

    Parameters
    ----------
    grid : Grid
    seen : (ny, nx) bool array
        Nodes on which it may lie.
    outline : Polygon
        Of the floor [m].
    length_m : float
        Of the straightedge [m].
    """
    first = main_way_rad(outline)
    found = [
        lay_towards(grid, seen, length_m, bearing) for bearing in (first, first + 0.5 * math.pi)
    ]
    return [one for one in found if one.line.size]


def pitch_of(sampling: Sampling, laid: list[Places], outline: Polygon) -> float | None:
    """Pitch of the grid that a sampling asks for [m]; None where the floor has too few places."""
    if sampling.grid_m is not None:
        return sampling.grid_m
    wanted = sampling.least(float(outline.area))
    assert wanted is not None
    middles = [_along_across(one, outline) for one in laid]
    # Both ways at each node: the widest grid has about half as many nodes as readings.
    pitch = min(math.sqrt(2.0 * float(outline.area) / wanted) + 1.0, _WIDEST_M)
    while pitch >= STEP_M:
        if sum(_nearest_nodes(u, v, pitch).size for u, v in middles) >= wanted:
            return pitch
        pitch -= STEP_M
    return None


def on_grid(places: Places, outline: Polygon, pitch_m: float) -> Index:
    """Which straightedges have their middle nearest a node of the grid, one for each node."""
    return _nearest_nodes(*_along_across(places, outline), pitch_m)


def _nearest_nodes(u: Array, v: Array, pitch_m: float) -> Index:
    """Which middles lie nearest a node, one for each node that has one within a step."""
    node_u, node_v = np.rint(u / pitch_m), np.rint(v / pitch_m)
    off = np.hypot(u - node_u * pitch_m, v - node_v * pitch_m)
    near = np.flatnonzero(off <= STEP_M)
    order = near[np.lexsort((off[near], node_v[near], node_u[near]))]
    first = np.ones(order.size, bool)
    first[1:] = (np.diff(node_u[order]) != 0) | (np.diff(node_v[order]) != 0)
    return order[first]


def chosen(places: Places, which: Index) -> Places:
    """Some of the straightedges of one direction."""
    return replace(places, line=places.line[which], start=places.start[which])


def keeps_share(
    laid: list[Places], over: list[Mask], outline: Polygon, pitch_m: float, sampling: Sampling
) -> float:
    """Of all ways to lay the grid, the share in which no more than allowed exceed the limit.

    Parameters
    ----------
    laid : list of Places
        All places, both ways.
    over : list of (k,) bool arrays
        Which of them exceed the limit.
    outline : Polygon
    pitch_m : float
    sampling : Sampling
    """
    many = max(round(pitch_m / STEP_M), 1)
    count, broken = np.zeros(many * many), np.zeros(many * many)
    for one, bad in zip(laid, over, strict=True):
        # By whole steps from the first place: a border between two bins lies on no place.
        i, j = (
            (np.rint((w - w[0]) / STEP_M) + np.rint(w[0] / STEP_M)).astype(np.int64) % many
            for w in _along_across(one, outline)
        )
        bins = i * many + j
        count += np.bincount(bins, minlength=many * many)
        broken += np.bincount(bins, bad, minlength=many * many)
    used = count > 0
    allowed = np.floor((1.0 - sampling.share) * count[used] + 1e-9)
    return float((broken[used] <= allowed).mean()) if used.any() else 0.0


def _along_across(places: Places, outline: Polygon) -> tuple[Array, Array]:
    """Middles of straightedges, from the middle of the floor along its main directions [m]."""
    first = main_way_rad(outline)
    along = np.array([math.sin(first), math.cos(first)])
    across = np.array([-along[1], along[0]])
    box = outline.minimum_rotated_rectangle.centroid
    middle = places.lattice_m[places.line, places.start + places.levels // 2]
    off = middle - np.array([box.x, box.y])
    return off @ along, off @ across
