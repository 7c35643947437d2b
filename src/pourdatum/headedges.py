"""Door and window heads: lower edges in walls, by which heights can be checked without a ceiling.

A ceiling ties heights to a fraction of a millimetre, and lies. Boarded or hung lower between two
scans, it lifts the later one by as much, and the floor under it. A head that ends a wall from below
stays where it is. Its edge is known to some millimetres along a doorway: too coarse to tie by,
fine enough to notice that the ceiling moved.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import pack

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Counts = NDArray[np.int64]

_NEIGHBOUR: Final = 2.5
"""Distance in plan up to which cubes of one height are one edge, in cubes."""
_CLEAR_BELOW: Final = 4
"""Empty cubes below an edge, at the least."""
_WALL_ABOVE: Final = (1, 2)
"""Cubes over an edge that hold wall."""
_REACH_M: Final = 0.2
"""Difference in height up to which two edges may be one [m]."""
_BESIDE: Final = 1.5
"""Distance in plan within which they may, in cubes."""
_TOGETHER_M: Final = 0.008
"""Half-width of the window in which differences agree [m]."""
_LEAST: Final = 12
_LEAST_SHARE: Final = 0.4
"""Edges that agree, at the least, and their share of those that were met in both scans."""
_LEAST_M: Final = 0.005
_MIXED_M: Final = 0.001
"""What an edge errs by besides, for a spot on it is half wall [m]."""
_TIMES: Final = 3.0
"""Difference from the ceiling, [m] and in standard errors, from which one of the two moved."""


@dataclass(frozen=True)
class Heads:
    """What heads say of heights that were tied otherwise.

    Attributes
    ----------
    rise_m : float
        By how much they lie higher in the moved scan than in the fixed one [m].
    error_m : float
        Its standard uncertainty [m].
    length_m : float
        Length of edge that agrees [m].
    """

    rise_m: float
    error_m: float
    length_m: float

    @property
    def differ(self) -> bool:
        """Whether they contradict what the scans were tied by.

        Examples
        --------
        >>> Heads(0.030, 0.001, 0.9).differ, Heads(0.003, 0.001, 0.9).differ
        (True, False)
        """
        return abs(self.rise_m) > max(_LEAST_M, _TIMES * self.error_m)


def lower_edges(
    cube: Counts, count: Counts, mean_m: Array, upright: Mask, high: Mask, cube_m: float
) -> Array:
    """Where upright faces end from below, column by column.

    Parameters
    ----------
    cube : (n, 3) int array
        Index of each cube along x, y, z.
    count : (n,) int array
        Its points.
    mean_m : (n, 3) array
        Their mean place [m].
    upright : (n,) bool array
        Cubes on upright faces.
    high : (n,) bool array
        Cubes in which an edge may lie.
    cube_m : float
        Side of a cube [m].

    Returns
    -------
    (k, 4) array
        Place in plan, height and its standard error [m] of each edge. Of a face that is seen evenly
        down to its edge, the mean of the lowest cubes lies midway between the edge and their top;
        cubes side by side are one edge, and tell its height together.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    there = np.sort(_key(cube))
    walls = np.sort(_key(cube[upright]))
    found = high & _beside(walls, cube, _WALL_ABOVE[0]) & _beside(walls, cube, _WALL_ABOVE[1])
    for below in range(1, _CLEAR_BELOW + 1):
        found &= ~_beside(there, cube, -below)
    if not found.any():
        return np.empty((0, 4))
    place, weight = mean_m[found], count[found].astype(np.float64)
    # Far enough apart in height that other layers are no neighbours.
    apart = np.column_stack([place[:, :2] / cube_m, 1e3 * cube[found, 2]])
    near = cKDTree(apart).query_pairs(_NEIGHBOUR, output_type="ndarray")
    size = len(place)
    linked = coo_array((np.ones(len(near)), near.T), shape=(size, size))
    _, group = connected_components(linked, directed=False)
    points = np.bincount(group, weights=weight)
    mean = np.bincount(group, weights=weight * place[:, 2]) / points
    top_m = np.bincount(group, weights=(cube[found, 2] + 1) * cube_m) / np.bincount(group)
    # Points strewn evenly from the edge to the top, of which the mean is known.
    error = 2.0 * (2.0 * (top_m - mean)) / np.sqrt(12.0 * points)
    return np.column_stack([place[:, :2], (2.0 * mean - top_m)[group], error[group]])


def _key(cube: NDArray[np.int64]) -> NDArray[np.int64]:
    out: NDArray[np.int64] = pack(cube[:, 0], cube[:, 1], cube[:, 2])
    return out


def _beside(sorted_keys: NDArray[np.int64], cube: NDArray[np.int64], layers: int) -> Mask:
    """Whether any of the nine columns around holds a cube so many layers above each."""
    out = np.zeros(len(cube), bool)
    for east in (-1, 0, 1):
        for north in (-1, 0, 1):
            key = _key(cube + np.array([east, north, layers]))
            at = np.searchsorted(sorted_keys, key)
            out |= sorted_keys[np.minimum(at, sorted_keys.size - 1)] == key
    return out


def heads_between(own_m: Array, other_m: Array, cube_m: float) -> Heads | None:
    """Heads of a scan, brought into the frame of another, against those of the other.

    Parameters
    ----------
    own_m, other_m : (n, 4), (k, 4) array
        Edges as ``lower_edges`` gives them, in one frame [m].
    cube_m : float
        Side of a cube [m].

    Returns
    -------
    Heads or None
        None where too few agree: shadows end walls as well, each at a height of its own.
    """
    from scipy.spatial import cKDTree

    if min(len(own_m), len(other_m)) < _LEAST:
        return None
    pairs = cKDTree(own_m[:, :2]).query_ball_tree(cKDTree(other_m[:, :2]), _BESIDE * cube_m)
    rise, square = [], []
    for one, near in zip(own_m, pairs, strict=True):
        off = one[2] - other_m[near, 2]
        close = np.abs(off) < _REACH_M
        if close.any():
            rise.append(float(off[close].mean()))
            square.append(float(one[3] ** 2 + (other_m[near, 3][close] ** 2).mean()))
    if len(rise) < _LEAST:
        return None
    order = np.argsort(rise)
    rises, squares = np.array(rise)[order], np.array(square)[order]
    # The window that most of them share.
    last = np.searchsorted(rises, rises + 2.0 * _TOGETHER_M, side="right")
    first = int(np.argmax(last - np.arange(rises.size)))
    held = slice(first, int(last[first]))
    if rises[held].size < max(_LEAST, _LEAST_SHARE * rises.size):
        return None
    edges = np.unique(squares[held]).size
    error_m = math.hypot(math.sqrt(float(squares[held].mean()) / edges), _MIXED_M)
    return Heads(float(rises[held].mean()), error_m, rises[held].size * cube_m)
