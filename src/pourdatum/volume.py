"""Exact volume between a gridded surface and a datum, cut by the outline.

Depth is datum minus floor: linear over each triangle of the surface, so that its
positive part has a closed form there (``triangles``), and the triangles that the
outline cuts add up with signs (``clipping``). No sampling, no step.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pourdatum.clipping import Diagonal, Outline, cut_by_outline
from pourdatum.fillcurve import FillCurve, level_curve
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.triangles import mean_positive, share_positive, sorted_corners

__all__ = [
    "FillCurve",
    "Moments",
    "Volume",
    "fill_volume",
    "level_curve",
    "surface_moments",
    "volume_above",
]


@dataclass(frozen=True)
class Volume:
    """What a pour up to a datum needs.

    Attributes
    ----------
    volume_m3 : float
        Integral of the depth where it is positive [m3].
    area_m2 : float
        Where the depth is positive [m2].
    mean_depth_m : float
        ``volume_m3 / area_m2``; 0 where there is nothing to fill [m].
    min_depth_m, max_depth_m : float
        Over the whole outline; the least is negative where the floor stands above the
        datum [m].
    short_m2 : float
        Where the depth is less than the least depth, floor above the datum included [m2].
    deep_m2 : float
        Where the depth is more than the greatest [m2].
    outline_m2 : float
        Area of the outline [m2].
    cut_m3 : float
        What stands above the datum [m3].
    """

    volume_m3: float
    area_m2: float
    mean_depth_m: float
    min_depth_m: float
    max_depth_m: float
    short_m2: float
    deep_m2: float
    outline_m2: float
    cut_m3: float


@dataclass(frozen=True)
class Moments:
    """The surface over the outline in a few exact numbers.

    Attributes
    ----------
    area_m2 : float
        Area of the outline [m2].
    centroid_m : (float, float)
        Centre of that area [m].
    mean_m, low_m, high_m : float
        Mean, lowest and highest level of the surface [m].
    low_place_m, high_place_m : (float, float)
        Where the lowest and the highest are [m].
    """

    area_m2: float
    centroid_m: tuple[float, float]
    mean_m: float
    low_m: float
    low_place_m: tuple[float, float]
    high_m: float
    high_place_m: tuple[float, float]


def fill_volume(
    height_m: NDArray[np.float64],
    grid: Grid,
    outline: Outline,
    datum: Plane,
    *,
    least_m: float = 0.0,
    greatest_m: float = math.inf,
    diagonal: Diagonal = "rising",
) -> Volume:
    """Exact fill between a surface and a datum inside an outline.

    Parameters
    ----------
    height_m : (ny, nx) float array
        Heights of the nodes [m]; the surface between them is piecewise linear. Nodes
        that no triangle under the outline touches may be NaN.
    grid : Grid
        Where the nodes are.
    outline : shapely.Polygon or MultiPolygon
        Area to pour, local metres, with holes; within the lattice of nodes.
    datum : Plane
        Top of the pour.
    least_m, greatest_m : float, optional
        Range of depth the material allows [m].
    diagonal : "rising" or "falling", optional
        How each quad of four nodes is split; see ``clipping``.

    Returns
    -------
    Volume

    Raises
    ------
    ValueError
        If a needed height is not finite (names the place), the outline is invalid or
        reaches beyond the nodes, or the depth range is upside down.

    Examples
    --------
    A floor that falls by 20 mm over 4 m, 3 m wide, levelled to its high edge:

    >>> grid = Grid(0.0, 0.0, 0.5, 7, 9)
    >>> x, _ = grid.mesh()
    >>> from shapely import box
    >>> fill = fill_volume(-0.005 * x, grid, box(0, 0, 4, 3), Plane(0.0), least_m=0.002)
    >>> round(fill.volume_m3, 9), round(fill.max_depth_m, 9), round(fill.short_m2, 9)
    (0.12, 0.02, 1.2)
    """
    if not least_m <= greatest_m:
        raise ValueError(
            f"least depth {least_m} m is more than the greatest {greatest_m} m; exchange them"
        )
    if not all(math.isfinite(part) for part in (datum.z0_m, datum.slope_x, datum.slope_y)):
        raise ValueError(f"datum {datum} is not finite; give a level and slopes")
    sums: list[tuple[float, ...]] = []
    shallowest, deepest = math.inf, -math.inf
    for facets in cut_by_outline(grid, outline, diagonal).facets(height_m):
        depth = datum.at(facets.x_m, facets.y_m) - facets.height_m
        low, mid, high = sorted_corners(depth)
        shares = (
            mean_positive(low, mid, high),
            mean_positive(-high, -mid, -low),
            share_positive(low, mid, high),
            share_positive(least_m - high, least_m - mid, least_m - low),
            share_positive(low - greatest_m, mid - greatest_m, high - greatest_m),
            np.ones_like(low),
        )
        sums.append(tuple(_total(facets.area_m2, share) for share in shares))
        shallowest, deepest = min(shallowest, float(low.min())), max(deepest, float(high.max()))
    volume_m3, cut_m3, area_m2, short_m2, deep_m2, outline_m2 = _columns(sums)
    return Volume(
        volume_m3=volume_m3,
        area_m2=area_m2,
        mean_depth_m=volume_m3 / area_m2 if area_m2 > 0.0 else 0.0,
        min_depth_m=shallowest,
        max_depth_m=deepest,
        short_m2=short_m2,
        deep_m2=deep_m2,
        outline_m2=outline_m2,
        cut_m3=cut_m3,
    )


def volume_above(
    height_m: NDArray[np.float64],
    grid: Grid,
    outline: Outline,
    plane: Plane,
    *,
    diagonal: Diagonal = "rising",
) -> float:
    """Exact volume of what stands above a plane inside an outline [m3].

    Parameters and errors as ``fill_volume``.

    Examples
    --------
    >>> grid = Grid(0.0, 0.0, 0.5, 7, 9)
    >>> x, _ = grid.mesh()
    >>> from shapely import box
    >>> round(volume_above(0.005 * x, grid, box(0, 0, 4, 3), Plane(0.01)), 9)
    0.03
    """
    return fill_volume(height_m, grid, outline, plane, diagonal=diagonal).cut_m3


def surface_moments(
    height_m: NDArray[np.float64], grid: Grid, outline: Outline, *, diagonal: Diagonal = "rising"
) -> Moments:
    """Area, centre, mean, lowest and highest level of a surface inside an outline, exact.

    Parameters and errors as ``fill_volume``.

    Examples
    --------
    >>> grid = Grid(0.0, 0.0, 0.5, 7, 9)
    >>> x, y = grid.mesh()
    >>> from shapely import box
    >>> found = surface_moments(0.005 * x - 0.001 * y, grid, box(0, 0, 4, 3))
    >>> round(found.mean_m, 9), round(found.high_m, 9), found.high_place_m
    (0.0085, 0.02, (4.0, 0.0))
    """
    sums: list[tuple[float, ...]] = []
    extremes: list[tuple[float, float, float]] = []
    for facets in cut_by_outline(grid, outline, diagonal).facets(height_m):
        corners = (facets.x_m, facets.y_m, facets.height_m)
        area = facets.area_m2
        sums.append((float(area.sum()), *(_total(area, part.mean(axis=0)) for part in corners)))
        for at in (int(facets.height_m.argmin()), int(facets.height_m.argmax())):
            x, y, z = (float(part.ravel()[at]) for part in corners)
            extremes.append((z, x, y))
    area_m2, x, y, z = _columns(sums)
    low, *low_place = min(extremes)
    high, *high_place = max(extremes)
    return Moments(
        area_m2=area_m2,
        centroid_m=(x / area_m2, y / area_m2),
        mean_m=z / area_m2,
        low_m=low,
        low_place_m=(low_place[0], low_place[1]),
        high_m=high,
        high_place_m=(high_place[0], high_place[1]),
    )


def _total(area: NDArray[np.float64], value: NDArray[np.float64]) -> float:
    return float((area * value).sum())  # Pairwise; a dot product may sum in any order.


def _columns(sums: list[tuple[float, ...]]) -> Iterator[float]:
    return (math.fsum(column) for column in zip(*sums, strict=True))
