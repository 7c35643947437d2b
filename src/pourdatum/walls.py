"""What stands upright over the plan: wall faces as lines, tall cells, the ceiling.

A wall is a column of points over many layers. Its face is fitted with a line
through the mean places of its points, nearest to the floor where it was seen
there, so that a skirting counts rather than the wall above it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import STRUCTURE_LAYER_M, Cells

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SKIRTING_M: Final = (0.02, 0.06)
_FOOT_M: Final = (0.03, 0.30)
_BODY_M: Final = (0.08, 2.0)
_LEAST_LAYERS: Final = 6
_PARALLEL: Final = 0.17
_TALL_WITHOUT_CEILING_M: Final = 2.0
_RUN_LAYER_M: Final = 0.1
_RUN_TO_M: Final = 6.0
_RUN_LEAST: Final = 4
_RUN_GAP: Final = 6
_ON_LINE_M: Final = 0.012
_LEAST_LINE_M: Final = 0.25


@dataclass(frozen=True, eq=False)
class Upright:
    """Upright structure per cell.

    Attributes
    ----------
    layers : (ny, nx) int array
        Occupied 50 mm layers between 0.08 and 2 m in the cell and its neighbours; 0
        where the cell itself has none.
    top_m : (ny, nx) array
        Highest point below the ceiling [m]; 0 where nothing stands.
    things : (ny, nx) int array
        Points from 30 mm to 2 m above the floor.
    ceiling_m : float or None
        Height of the ceiling above the floor.
    """

    layers: NDArray[np.int64]
    top_m: Array
    things: NDArray[np.int64]
    ceiling_m: float | None

    @cached_property
    def upright(self) -> Mask:
        """Cells with a vertical face of 0.3 m or more."""
        mask: Mask = (self.layers >= _LEAST_LAYERS) & (self.top_m > 0.3)
        return mask

    def tall(self, height_m: float) -> Mask:
        """Upright cells that reach the given height."""
        mask: Mask = self.upright & (self.top_m >= height_m)
        return mask


@dataclass(frozen=True, eq=False)
class WallLine:
    """A wall face in plan: points p with ``normal @ p == offset_m``.

    Attributes
    ----------
    normal : (2,) array
        Unit normal.
    offset_m : float
    along_m : (k, 2) array
        Stretches along (-normal[1], normal[0]) in which the face was seen [m].
    residual_m : float
        Root mean square distance of the face's cell means from the line [m].
    """

    normal: Array
    offset_m: float
    along_m: Array
    residual_m: float

    def distance(self, xy: Array) -> Array:
        """Signed distance of places (n, 2) from the line [m]."""
        out: Array = xy @ self.normal - self.offset_m
        return out

    def along(self, xy: Array) -> Array:
        """Position of places (n, 2) along the line [m]."""
        out: Array = xy @ np.array([-self.normal[1], self.normal[0]])
        return out

    def at(self, along_m: Array) -> Array:
        """Places (n, 2) on the line at given positions along it."""
        direction = np.array([-self.normal[1], self.normal[0]])
        out: Array = self.offset_m * self.normal + np.atleast_1d(along_m)[:, None] * direction
        return out


def meeting(a: WallLine, b: WallLine) -> Array | None:
    """Where the lines of two faces cross (2,) [m]; None where they are parallel within 10 degrees.

    Examples
    --------
    >>> west = WallLine(np.array([1.0, 0.0]), 2.0, np.array([[0.0, 3.0]]), 0.0)
    >>> south = WallLine(np.array([0.0, 1.0]), 1.0, np.array([[0.0, 4.0]]), 0.0)
    >>> meeting(west, south).tolist()
    [2.0, 1.0]
    """
    matrix = np.stack([a.normal, b.normal])
    if abs(np.linalg.det(matrix)) < _PARALLEL:
        return None
    corner: Array = np.linalg.solve(matrix, np.array([a.offset_m, b.offset_m]))
    return corner


def upright_structure(cells: Cells, thing_m: float) -> Upright:
    """Upright structure of a scan over the floor's cells."""
    from scipy.ndimage import uniform_filter

    grid = cells.grid
    size = grid.ny * grid.nx
    column = cells.structure
    ceiling = _ceiling_height(cells)
    limit = np.inf if ceiling is None else ceiling - 0.12
    body = (column.height_m > _BODY_M[0]) & (column.height_m < _BODY_M[1])
    below_ceiling = (column.height_m > 0) & (column.height_m < limit)
    layers = np.bincount(column.cell[body & below_ceiling], minlength=size).reshape(grid.shape)
    # A face that runs through the corner of a cell shows in its neighbours.
    around = np.rint(uniform_filter(layers.astype(np.float64), 3, mode="constant") * 9)
    layers = np.where(layers > 0, around, 0).astype(np.int64)
    top = np.where(layers > 0, _run_top(cells, limit), 0.0)
    things = cells.total(cells.band, cells.band.height_m >= thing_m) + cells.total(
        column, (column.height_m > 0) & (column.height_m < min(2.0, limit))
    )
    return Upright(layers, top, things, ceiling)


def _run_top(cells: Cells, limit_m: float) -> Array:
    """Top of the highest upright run of points in each cell and its neighbours [m].

    A run is 0.4 m or more with no gap over 0.6 m and points in half of its layers: a crate
    below a ceiling does not reach the ceiling, and specks in the air are no run. Layers
    from ``limit_m`` up are the ceiling's own.
    """
    column = cells.structure
    levels = round(_RUN_TO_M / _RUN_LAYER_M)
    pick = (column.height_m > 0.0) & (column.height_m < min(_RUN_TO_M, limit_m))
    layer = (column.height_m[pick] / _RUN_LAYER_M).astype(np.int64)
    bits = np.zeros(cells.grid.ny * cells.grid.nx, np.int64)
    np.bitwise_or.at(bits, column.cell[pick], np.int64(1) << layer)
    field = np.pad(bits.reshape(cells.grid.shape), 1)
    ny, nx = cells.grid.shape
    joined = np.zeros(cells.grid.shape, np.int64)
    for dy in range(3):
        for dx in range(3):
            joined |= field[dy : dy + ny, dx : dx + nx]
    # Most cells hold nothing upright: only the others are gone through.
    some = np.flatnonzero(joined)
    joined = joined.ravel()[some]
    bits = bits[some]
    start = np.full(joined.shape, -99)
    last = np.full(joined.shape, -99)
    held = np.zeros(joined.shape, np.int64)
    top = np.zeros(joined.shape)
    own = np.zeros(joined.shape)
    for k in range(levels):
        here = (joined >> k) & 1 == 1
        begins = here & (k - last > _RUN_GAP)
        start = np.where(begins, k, start)
        held = np.where(begins, 0, held) + here
        last = np.where(here, k, last)
        run = here & (held >= _RUN_LEAST) & (2 * held >= k - start + 1)
        top = np.where(run, (k + 1) * _RUN_LAYER_M, top)
        own += (bits >> k) & 1
    # The neighbours' run is the cell's own only where the cell itself holds a good part of it:
    # a crate's back edge, with the ceiling over it, does not grow to the wall behind.
    out = np.zeros(ny * nx)
    out[some] = np.where(
        own >= np.maximum(3, 0.2 * top / _RUN_LAYER_M), top, np.minimum(top, own * _RUN_LAYER_M)
    )
    return out.reshape(ny, nx)


def _ceiling_height(cells: Cells) -> float | None:
    """Height of the layer above 1.9 m that covers a fifth of the plan or more."""
    column = cells.structure
    high = column.height_m > 1.9
    if not high.any():
        return None
    layer = np.floor(column.height_m[high] / STRUCTURE_LAYER_M).astype(np.int64)
    covered = np.bincount(layer)
    cell = cells.band.cell
    seen = np.count_nonzero(np.diff(cell, prepend=-1))  # they increase
    best = int(np.argmax(covered))
    if covered[best] < 0.2 * seen:
        return None
    # Of two storeys the lower ceiling is this floor's.
    lowest = int(np.argmax(covered > max(0.2 * seen, 0.4 * covered[best])))
    best = lowest + int(np.argmax(covered[lowest : lowest + 2]))
    return (best + 0.5) * STRUCTURE_LAYER_M


def wall_height_m(structure: Upright, edge: Mask) -> float | None:
    """Height that the structure around the floor's edge reaches, or None where there is none.

    Parameters
    ----------
    structure : Upright
    edge : (ny, nx) bool array
        Cells around the outer edge of the floor.
    """
    tops = structure.top_m[edge & structure.upright]
    if tops.size < 10 or tops.size < 0.1 * edge.sum():
        return None
    return float(np.quantile(tops, 0.8))


def tall_from_m(structure: Upright, walls_m: float | None) -> float:
    """Height from which an upright thing is a wall or a column and not furniture.

    It reaches the ceiling or nearly; where no ceiling was seen, it is 2 m high (common
    practice, no source), or as high as the walls of a scan that shows only their foot.
    """
    if structure.ceiling_m is not None:
        return structure.ceiling_m - 0.5
    if walls_m is None:
        return _TALL_WITHOUT_CEILING_M
    return min(_TALL_WITHOUT_CEILING_M, 0.85 * walls_m)


def face_points(cells: Cells, where: Mask) -> tuple[Array, Array]:
    """Mean plan places (n, 2) of upright faces, and their point counts (n,).

    Points up to 0.3 m are used where a cell has them, else those up to 2 m.
    """
    low, low_count = _places(cells, where, *_FOOT_M, 4)
    taken = np.zeros(cells.grid.shape, bool)
    row, col = cells.grid.cell_of(low[:, 0], low[:, 1])
    taken[np.clip(row, 0, cells.grid.ny - 1), np.clip(col, 0, cells.grid.nx - 1)] = True
    high, high_count = _places(cells, where & ~taken, *_BODY_M, 3)
    return np.concatenate([low, high]), np.concatenate([low_count, high_count])


def foot_points(cells: Cells, tall: Mask) -> tuple[Array, Array]:
    """Places (n, 2) and counts (n,) of points just above the floor at the foot of walls.

    A skirting stands before its wall, and the pour ends at the skirting.
    """
    from scipy.ndimage import binary_dilation

    return _places(cells, binary_dilation(tall, np.ones((5, 5), bool)), *_SKIRTING_M, 2)


def _places(cells: Cells, where: Mask, low: float, high: float, least: int) -> tuple[Array, Array]:
    chosen = []
    for column in (cells.band, cells.structure):
        pick = where.ravel()[column.cell] & (column.height_m >= low) & (column.height_m < high)
        chosen.append((column, np.flatnonzero(pick)))
    # Sums over the cells that hold something: a column's few are not worth a whole lattice.
    held = np.unique(np.concatenate([column.cell[pick] for column, pick in chosen]))
    total = np.zeros((3, held.size))
    for column, own in chosen:
        cell, count = np.searchsorted(held, column.cell[own]), column.count[own]
        total[0] += np.bincount(cell, weights=count, minlength=held.size)
        total[1] += np.bincount(cell, weights=count * column.x_m[own], minlength=held.size)
        total[2] += np.bincount(cell, weights=count * column.y_m[own], minlength=held.size)
    good = total[0] >= least
    return np.stack([total[1][good], total[2][good]], axis=1) / total[0][good, None], total[0][good]


def wall_lines(xy: Array, weight: Array, cell_m: float, most: int = 60) -> list[WallLine]:
    """Straight faces among upright places, longest first, found greedily.

    Parameters
    ----------
    xy : (n, 2) array
        Mean places of upright cells [m].
    weight : (n,) array
        Points behind each.
    cell_m : float
        Side of a cell [m]; stretches are cut at gaps of six cells or 0.3 m.
    most : int
        Lines found at the most.
    """
    from scipy.spatial import cKDTree

    lines: list[WallLine] = []
    left = np.ones(len(xy), bool)
    weight = np.minimum(weight, 50.0)
    for _ in range(most):
        index = np.flatnonzero(left)
        if index.size < 6:
            break
        points, mass = xy[index], weight[index]
        tree = cKDTree(points)
        seeds = np.linspace(0, index.size - 1, min(index.size, 160)).astype(int)
        best: tuple[float, Array, float] | None = None
        for seed, near in zip(seeds, tree.query_ball_point(points[seeds], 0.5), strict=True):
            # Lines through pairs, not through a neighbourhood: the two faces of a thin wall
            # lie in one neighbourhood.
            around = np.asarray(near)
            far = around[np.hypot(*(points[around] - points[seed]).T) > 0.25]
            for k in far[:: max(len(far) // 5, 1)][:5]:
                along = points[k] - points[seed]
                normal = np.array([-along[1], along[0]]) / np.hypot(*along)
                offset = float(normal @ points[seed])
                score = float(np.count_nonzero(np.abs(points @ normal - offset) < _ON_LINE_M))
                if best is None or score > best[0]:
                    best = (score, normal, offset)
        if best is None or best[0] * cell_m < _LEAST_LINE_M:
            break
        _, normal, offset = best
        for _ in range(3):
            on = np.abs(points @ normal - offset) < _ON_LINE_M
            if np.count_nonzero(on) < 4:
                break
            normal, offset, _ = _line_through(points[on], mass[on])
        on = np.abs(points @ normal - offset) < _ON_LINE_M
        residual = float(np.sqrt(np.average((points[on] @ normal - offset) ** 2, weights=mass[on])))
        along = np.sort(points[on] @ np.array([-normal[1], normal[0]]))
        lines.append(WallLine(normal, offset, _stretches(along, max(6 * cell_m, 0.3)), residual))
        # What lies close behind or before the face belongs to it as well.
        left[index[np.abs(points @ normal - offset) < 1.5 * _ON_LINE_M]] = False
    return [line for line in lines if len(line.along_m)]


def _line_through(xy: Array, weight: Array) -> tuple[Array, float, float]:
    """Total-least-squares line: unit normal, offset, and how thin the points lie (0 to 1)."""
    centre = np.average(xy, axis=0, weights=weight)
    d = xy - centre
    spread = (d * weight[:, None]).T @ d / weight.sum()
    values, vectors = np.linalg.eigh(spread)
    normal: Array = vectors[:, 0]
    return normal, float(normal @ centre), float(values[0] / max(values[1], 1e-12))


def _stretches(along: Array, gap_m: float) -> Array:
    breaks = np.flatnonzero(np.diff(along) > gap_m)
    first = np.concatenate([[0], breaks + 1])
    last = np.concatenate([breaks, [along.size - 1]])
    found = np.stack([along[first], along[last]], axis=1)
    kept: Array = found[(last - first >= 3) & (found[:, 1] - found[:, 0] >= 0.1)]
    return kept
