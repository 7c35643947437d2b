"""Contour lines for a picture: round intervals, calm lines, places for their labels."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

MOST_CELLS: Final = 240
"""Contours are traced on at most this many cells a side."""


def interval(low: float, high: float, most: int = 7) -> float:
    """The smallest round step (1, 2 or 5 times a power of ten) with few enough lines.

    Parameters
    ----------
    low, high : float
        Range of the values, in the unit shown.
    most : int
        Most steps over the range.

    Examples
    --------
    >>> interval(2.0, 11.8), interval(0.0, 0.31), interval(3.0, 3.0)
    (2.0, 0.05, 0.01)
    """
    least = max((high - low) / most, 0.01)
    power = 10.0 ** math.floor(math.log10(least) + 1e-9)
    step = next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= least * (1 - 1e-9))
    return float(f"{step:.12g}")


def rounds(low: float, high: float, step: float) -> list[float]:
    """The multiples of a step within a range, both ends included.

    Examples
    --------
    >>> rounds(1.9, 8.0, 2.0), rounds(-0.12, 0.1, 0.1)
    ([2.0, 4.0, 6.0, 8.0], [-0.1, 0.0, 0.1])
    """
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [float(f"{k * step:.12g}") for k in range(first, last + 1)]


def thinned(grid: Grid, value: NDArray[np.float64]) -> tuple[Grid, NDArray[np.float64]]:
    """Means over blocks of cells, so that no side has more than ``MOST_CELLS``.

    Cells without a value take no part; a block without any is NaN.
    """
    by = max(1, math.ceil(max(grid.shape) / MOST_CELLS))
    if by == 1:
        return grid, value
    ny, nx = (math.ceil(side / by) for side in grid.shape)
    padded = np.full((ny * by, nx * by), np.nan)
    padded[: grid.ny, : grid.nx] = value
    seen = np.isfinite(padded).reshape(ny, by, nx, by)
    total = np.where(seen, padded.reshape(ny, by, nx, by), 0.0).sum(axis=(1, 3))
    number = seen.sum(axis=(1, 3))
    shift = (by - 1) / 2 * grid.cell_m
    coarse = Grid(grid.x0_m + shift, grid.y0_m + shift, by * grid.cell_m, ny, nx)
    return coarse, np.divide(total, number, out=np.full((ny, nx), np.nan), where=number > 0)


def smoothed(grid: Grid, value: NDArray[np.float64], over_m: float) -> NDArray[np.float64]:
    """A calm copy for the lines alone: weights of a bell of ``over_m``, gaps left out.

    The colours keep the values as they are; a contour of raw cells is all frays.
    A value is also given just outside the known cells, so that lines reach the wall.
    """
    sigma = over_m / grid.cell_m
    known = np.isfinite(value)
    # Taking the mean out first keeps the edge of the known cells from sagging.
    middle = float(value[known].mean()) if known.any() else 0.0
    weight = _blurred(known.astype(np.float64), sigma)
    total = _blurred(np.where(known, value - middle, 0.0), sigma)
    mean = np.full(value.shape, np.nan)
    np.divide(total, weight, out=mean, where=weight > 0.02)
    return mean + middle


def _blurred(value: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    """Bell-shaped means along rows and columns, zero outside.

    Written out, since the package that has it takes a quarter of a second to load.
    """
    reach = max(1, math.ceil(3 * sigma))
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    bell /= bell.sum()
    for axis in (0, 1):
        wide = np.pad(value, [(reach, reach) if k == axis else (0, 0) for k in (0, 1)])
        size = value.shape[axis]
        pieces = (
            share * np.take(wide, range(k, k + size), axis=axis) for k, share in enumerate(bell)
        )
        value = np.sum(list(pieces), axis=0)
    return value


def trace(
    grid: Grid, value: NDArray[np.float64], level: float, inside: BaseGeometry, least_m: float
) -> list[NDArray[np.float64]]:
    """Lines of one level inside the outline, longest first.

    Parameters
    ----------
    grid, value : Grid, (ny, nx) float64 array
        Values at cell centres, NaN where there is none.
    level : float
        Value on the line, in the unit of ``value``.
    inside : shapely geometry
        Lines are cut by it.
    least_m : float
        Shorter pieces are left out [m].

    Returns
    -------
    list of (n, 2) float64 arrays
        Local plan places [m].
    """
    import contourpy
    import shapely

    traced = contourpy.contour_generator(grid.x_m, grid.y_m, np.ma.masked_invalid(value)).lines(
        level
    )
    lines = [shapely.LineString(line) for line in traced if len(line) > 1]
    if not lines:
        return []
    cut = shapely.intersection(np.array(lines, dtype=object), inside)
    parts = [shapely.line_merge(p) for p in cut]
    pieces = [p for p in shapely.get_parts(parts) if p.geom_type == "LineString"]
    pieces = [p for p in pieces if p.length >= least_m]
    return [shapely.get_coordinates(p) for p in sorted(pieces, key=lambda p: -p.length)]


def region(grid: Grid, mask: NDArray[np.bool_], inside: BaseGeometry) -> BaseGeometry:
    """The cells of a mask as an area inside the outline, corners cut between centres.

    Parameters
    ----------
    grid, mask : Grid, (ny, nx) bool array
        Cells to join.
    inside : shapely geometry
        The area is cut by it.

    Returns
    -------
    shapely geometry
        May be empty.

    Examples
    --------
    >>> import shapely
    >>> mask = np.zeros((9, 9), bool)
    >>> mask[3:6, 3:6] = True
    >>> room = shapely.box(-0.5, -0.5, 8.5, 8.5)
    >>> region(Grid(0.0, 0.0, 1.0, 9, 9), mask, room).area
    8.5
    """
    return between(grid, mask.astype(np.float64), 0.5, 2.0, inside)


def between(
    grid: Grid,
    value: NDArray[np.float64],
    low: float,
    high: float,
    inside: BaseGeometry,
    least_m2: float = 0.0,
) -> BaseGeometry:
    """The area inside the outline where a value lies between two limits.

    Parameters
    ----------
    grid, value : Grid, (ny, nx) float64 array
        Values at cell centres; no area where they are NaN.
    low, high : float
        Limits, in the unit of ``value``.
    inside : shapely geometry
        The area is cut by it.
    least_m2 : float
        Smaller pieces are left out [m²].
    """
    import contourpy
    import shapely

    # The last cells are carried on by one, so that an area at the edge of the grid closes.
    wide = np.pad(value, 1, mode="edge")
    x = grid.x0_m + grid.cell_m * np.arange(-1, grid.nx + 1)
    y = grid.y0_m + grid.cell_m * np.arange(-1, grid.ny + 1)
    traced: Any = contourpy.contour_generator(
        x, y, np.ma.masked_invalid(wide), fill_type=contourpy.FillType.OuterOffset
    ).filled(low, high)
    found, offsets = traced
    shapes = [
        shapely.Polygon(ring[at[0] : at[1]], [ring[a:b] for a, b in pairwise(at[1:])])
        for ring, at in zip(found, offsets, strict=True)
    ]
    if not shapes:
        return shapely.Polygon()
    joined = shapely.intersection(shapely.union_all(shapely.make_valid(shapes)), inside)
    parts = [
        part
        for part in shapely.get_parts(joined)
        if part.geom_type == "Polygon" and part.area >= max(least_m2, 1e-9)
    ]
    return shapely.MultiPolygon(parts)


def rounded(shape: BaseGeometry, cell_m: float) -> BaseGeometry:
    """A polygon of cells without its steps, for the eye: corners cut twice (Chaikin 1974).

    Examples
    --------
    >>> import shapely
    >>> square = rounded(shapely.box(0, 0, 4, 4), 0.5)
    >>> bool(13.3 < square.area < 14.0)
    True
    """
    import shapely

    if shape.geom_type != "Polygon" or shape.is_empty:
        return shape
    ring = shapely.get_coordinates(shape.simplify(0.8 * cell_m).exterior)[:-1]
    for _ in range(2):
        following = np.roll(ring, -1, axis=0)
        cut = np.stack([0.75 * ring + 0.25 * following, 0.25 * ring + 0.75 * following], axis=1)
        ring = cut.reshape(-1, 2)
    return shapely.Polygon(ring)
