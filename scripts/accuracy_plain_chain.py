"""The plain chain: what general libraries give when they are simply joined up.

Plane segmentation, a grid of cell means of the plane's points, the highest cell as
the high point, and the sum over the cells as the fill. It stands beside our figures
to show what the careful steps are for. Open3D is in the extra ``registration``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

CELL_M: Final = 0.05
_ROUNDS: Final = 1000
_PLANES: Final = 4
_LEVEL: Final = 0.98
"""Least upward part of the unit normal of a plane that passes for a floor: 11 degrees."""


class NoOpen3D(Exception):
    """Open3D does not load here; the message says why."""


@dataclass(frozen=True)
class Fill:
    """Datum [m] and fill [l] of the plain chain."""

    datum_m: float
    volume_l: float


def plain_chain(
    points_m: NDArray[np.float64], tolerance_m: float, least_m: float, seed: int
) -> Fill:
    """Datum and fill the plain way.

    Parameters
    ----------
    points_m : (n, 3) array
        The whole scan.
    tolerance_m : float
        Greatest distance of a point from the plane it belongs to.
    least_m : float
        Depth over the high point.
    seed : int
        Of the random choices within Open3D.

    Raises
    ------
    NoOpen3D
        If it is not installed or a system library is missing.
    """
    origin = np.floor(points_m.mean(axis=0))
    floor = floor_points(points_m - origin, tolerance_m, seed)
    filled = grid_fill(floor, least_m)
    return Fill(filled.datum_m + float(origin[2]), filled.volume_l)


def floor_points(
    points_m: NDArray[np.float64], tolerance_m: float, seed: int
) -> NDArray[np.float64]:
    """Points of the lowest of the largest level planes; a ceiling can be larger than its floor."""
    try:
        import open3d
    except (ImportError, OSError) as reason:
        raise NoOpen3D(str(reason)) from None
    open3d.utility.random.seed(seed)
    left = points_m
    found: list[tuple[float, NDArray[np.float64]]] = []
    for _ in range(_PLANES):
        cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(left))
        plane, index = cloud.segment_plane(tolerance_m, 3, _ROUNDS)
        on = np.zeros(len(left), bool)
        on[index] = True
        if abs(plane[2]) > _LEVEL and on.sum() > 0.1 * len(points_m):
            found.append((float(left[on, 2].mean()), left[on]))
        left = left[~on]
        if len(left) < 0.1 * len(points_m):
            break
    return min(found, key=lambda item: item[0])[1]


def grid_fill(floor: NDArray[np.float64], least_m: float) -> Fill:
    """High point, datum and fill of cell means.

    Examples
    --------
    Two cells, at 0 and at 10 mm, filled to 2 mm over the higher one: 12 and 2 mm deep.

    >>> grid_fill(np.array([[0.01, 0.01, 0.0], [0.06, 0.01, 0.01]]), 0.002)
    Fill(datum_m=0.012, volume_l=0.035)
    """
    cell = np.floor(floor[:, :2] / CELL_M).astype(np.int64)
    _, index = np.unique(cell, axis=0, return_inverse=True)
    index = index.reshape(-1)
    mean = np.bincount(index, weights=floor[:, 2]) / np.bincount(index)
    datum_m = float(mean.max()) + least_m
    litres = float((datum_m - mean).sum()) * CELL_M**2 * 1000
    return Fill(datum_m, round(litres, 9))
