"""Which cell a point falls into, and cell statistics that can be merged.

A ``Grid`` is a lattice of nodes at cell centres, arrays in (y, x) order. A
``VoxelStats`` is a sorted table of occupied voxels with exact integer sums;
``merge`` adds two tables, so that pieces, order and workers leave the same bits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import LimitMet

PLAN_BITS: Final = 21
LAYER_BITS: Final = 20
PLAN_OFFSET: Final = 1 << (PLAN_BITS - 1)
LAYER_OFFSET: Final = 1 << (LAYER_BITS - 1)


@dataclass(frozen=True)
class Grid:
    """Nodes at cell centres over a piece of the plan.

    Attributes
    ----------
    x0_m, y0_m : float
        Centre of cell [0, 0], in the campaign's local plan frame [m].
    cell_m : float
        Side of a cell [m].
    ny, nx : int
        Rows and columns; arrays over the grid have shape (ny, nx).

    Examples
    --------
    >>> Grid(0.0, 0.0, 0.5, 2, 3).x_m
    array([0. , 0.5, 1. ])
    """

    x0_m: float
    y0_m: float
    cell_m: float
    ny: int
    nx: int

    @property
    def shape(self) -> tuple[int, int]:
        """(ny, nx)."""
        return (self.ny, self.nx)

    @property
    def x_m(self) -> NDArray[np.float64]:
        """Centres of the columns [m], shape (nx,)."""
        return self.x0_m + self.cell_m * np.arange(self.nx, dtype=np.float64)

    @property
    def y_m(self) -> NDArray[np.float64]:
        """Centres of the rows [m], shape (ny,)."""
        return self.y0_m + self.cell_m * np.arange(self.ny, dtype=np.float64)

    @property
    def first_cell(self) -> tuple[int, int]:
        """Column and row, on the lattice of cells through the local origin, of its cell [0, 0].

        Examples
        --------
        >>> Grid(0.125, -0.025, 0.05, 3, 4).first_cell
        (2, -1)
        """
        return round(self.x0_m / self.cell_m - 0.5), round(self.y0_m / self.cell_m - 0.5)

    def mesh(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """x and y of every node [m], each (ny, nx)."""
        x, y = np.meshgrid(self.x_m, self.y_m)
        return x, y

    def window(self, rows: slice, cols: slice) -> Grid:
        """The grid over a part of the rows and columns.

        Examples
        --------
        >>> Grid(0.0, 0.0, 0.5, 9, 9).window(slice(2, 4), slice(1, 6))
        Grid(x0_m=0.5, y0_m=1.0, cell_m=0.5, ny=2, nx=5)
        """
        return Grid(
            self.x0_m + self.cell_m * cols.start,
            self.y0_m + self.cell_m * rows.start,
            self.cell_m,
            rows.stop - rows.start,
            cols.stop - cols.start,
        )

    def cell_of(
        self, x_m: NDArray[np.float64], y_m: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of the cell that holds each place; may lie outside the grid."""
        col = np.floor((x_m - self.x0_m) / self.cell_m + 0.5).astype(np.int64)
        row = np.floor((y_m - self.y0_m) / self.cell_m + 0.5).astype(np.int64)
        return row, col

    def holds(self, row: NDArray[np.int64], col: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether cells of these numbers are cells of the grid.

        Examples
        --------
        >>> Grid(0.0, 0.0, 1.0, 2, 3).holds(np.array([0, 1, 2]), np.array([-1, 2, 0]))
        array([False,  True, False])
        """
        inside: NDArray[np.bool_] = (row >= 0) & (col >= 0) & (row < self.ny) & (col < self.nx)
        return inside

    def marked(self, mask: NDArray[np.bool_], place_m: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether the cells that places (k, 2) lie in are marked; none is off the grid.

        Examples
        --------
        >>> mask = np.array([[True, False]])
        >>> Grid(0.0, 0.0, 1.0, 1, 2).marked(mask, np.array([[0.2, 0.0], [1.0, 0.0], [9.0, 0.0]]))
        array([ True, False, False])
        """
        row, col = self.cell_of(*np.asarray(place_m, np.float64).T)
        found = self.holds(row, col)
        found[found] = mask[row[found], col[found]]
        return found

    def at(self, field: NDArray[np.float64], place_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """A field of the grid at places (k, 2) between its nodes, bilinear; at its edge beyond it.

        Examples
        --------
        >>> Grid(0.0, 0.0, 1.0, 2, 2).at(np.array([[0.0, 1.0], [2.0, 3.0]]), np.full((1, 2), 0.5))
        array([1.5])
        """
        col = np.clip((place_m[:, 0] - self.x0_m) / self.cell_m, 0.0, self.nx - 1.0)
        row = np.clip((place_m[:, 1] - self.y0_m) / self.cell_m, 0.0, self.ny - 1.0)
        return between_nodes(field, row, col)


@dataclass(frozen=True, eq=False)
class VoxelStats:
    """Occupied voxels and the exact integer sums of the points in each.

    Attributes
    ----------
    key : (n,) int64 array
        Packed voxel indices, strictly increasing.
    count : (n,) int64 array
        Points in the voxel.
    sums : (k, n) int64 array
        Sum of each of k integer quantities over the voxel's points.
    """

    key: NDArray[np.int64]
    count: NDArray[np.int64]
    sums: NDArray[np.int64]

    @classmethod
    def empty(cls, quantities: int) -> VoxelStats:
        """The table of no points."""
        none = np.empty(0, np.int64)
        return cls(none, none, np.empty((quantities, 0), np.int64))

    @classmethod
    def of_points(cls, key: NDArray[np.int64], quantities: NDArray[np.int64]) -> VoxelStats:
        """Statistics of points given by voxel key (m,) and integer quantities (k, m).

        Examples
        --------
        >>> stats = VoxelStats.of_points(np.array([7, 3, 7]), np.array([[10, 20, 30]]))
        >>> stats.key, stats.count, stats.sums
        (array([3, 7]), array([1, 2]), array([[20, 40]]))
        """
        return _collapse(key, np.ones(key.size, np.int64), quantities)

    def indices(self) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """Column, row and layer of every voxel."""
        return unpack(self.key)


def merge(a: VoxelStats, b: VoxelStats) -> VoxelStats:
    """Statistics of the points of both tables together, to the last bit."""
    if a.key.size == 0:
        return b
    if b.key.size == 0:
        return a
    return _collapse(
        np.concatenate([a.key, b.key]),
        np.concatenate([a.count, b.count]),
        np.concatenate([a.sums, b.sums], axis=1),
    )


def pack(
    col: NDArray[np.int64], row: NDArray[np.int64], layer: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Column, row and layer in one int64 that sorts by row, column, layer.

    Raises
    ------
    LimitMet
        If an index does not fit: a plan of over a million cells a side.

    Examples
    --------
    >>> unpack(pack(np.array([-3]), np.array([5]), np.array([-1])))
    (array([-3]), array([5]), array([-1]))
    """
    for index, limit, name in ((col, PLAN_OFFSET, "column"), (row, PLAN_OFFSET, "row"),
                               (layer, LAYER_OFFSET, "layer")):  # fmt: skip
        if index.size and (index.min() < -limit or index.max() >= limit):
            raise LimitMet(
                f"{name} index {index[np.argmax(np.abs(index))]} of a voxel is beyond {limit}",
                hint="cut far stray points off the scan, or give a larger --cell",
                id="grid-too-large",
            )
    return (
        ((row + PLAN_OFFSET) << (PLAN_BITS + LAYER_BITS))
        | ((col + PLAN_OFFSET) << LAYER_BITS)
        | (layer + LAYER_OFFSET)
    )


def unpack(
    key: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Column, row and layer of packed keys."""
    layer = (key & ((1 << LAYER_BITS) - 1)) - LAYER_OFFSET
    col = ((key >> LAYER_BITS) & ((1 << PLAN_BITS) - 1)) - PLAN_OFFSET
    row = (key >> (PLAN_BITS + LAYER_BITS)) - PLAN_OFFSET
    return col, row, layer


def filled_from_nearest(field: NDArray[np.float64]) -> NDArray[np.float64]:
    """The field with each NaN replaced by the value of the nearest node that has one.

    Examples
    --------
    >>> filled_from_nearest(np.array([[1.0, np.nan, np.nan, 5.0]]))
    array([[1., 1., 5., 5.]])
    """
    from scipy.ndimage import distance_transform_edt

    missing = np.isnan(field)
    if not missing.any():
        return field
    row, col = distance_transform_edt(missing, return_distances=False, return_indices=True)
    filled: NDArray[np.float64] = field[row, col]
    return filled


def between_nodes(
    field: NDArray[np.float64], row: NDArray[np.float64], col: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Field at fractions of rows and columns, bilinear."""
    j = np.clip(np.floor(row).astype(np.int64), 0, field.shape[0] - 2)
    i = np.clip(np.floor(col).astype(np.int64), 0, field.shape[1] - 2)
    v, u = row - j, col - i
    low = field[j, i] * (1 - u) + field[j, i + 1] * u
    high = field[j + 1, i] * (1 - u) + field[j + 1, i + 1] * u
    out: NDArray[np.float64] = low * (1 - v) + high * v
    return out


def group_windows(groups: NDArray[np.signedinteger]) -> list[tuple[slice, slice]]:
    """Rows and columns of the box around each labelled group, in the order of the labels.

    A label of which nothing is left has an empty box.

    Examples
    --------
    >>> group_windows(np.array([[0, 1, 1], [2, 0, 0]]))
    [(slice(0, 1, None), slice(1, 3, None)), (slice(1, 2, None), slice(0, 1, None))]
    >>> group_windows(np.array([[2, 2]]))[0]
    (slice(0, 0, None), slice(0, 0, None))
    """
    from scipy.ndimage import find_objects

    nowhere = (slice(0, 0), slice(0, 0))
    boxes = cast("list[tuple[slice, slice] | None]", find_objects(groups))
    return [nowhere if box is None else (box[0], box[1]) for box in boxes]


def widened(window: tuple[slice, slice], by: int, shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Rows and columns of a window and so many more to each side, within an array's shape.

    Examples
    --------
    >>> widened((slice(1, 3), slice(4, 5)), 2, (9, 6))
    (slice(0, 5, None), slice(2, 6, None))
    """
    rows, cols = (
        slice(max(part.start - by, 0), min(part.stop + by, size))
        for part, size in zip(window, shape, strict=True)
    )
    return rows, cols


def block_means(
    weight: NDArray[np.float64], value: NDArray[np.float64], step: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weights and weighted means over blocks of ``step`` by ``step`` cells.

    Examples
    --------
    >>> block_means(np.array([[1.0, 3.0, 2.0]]), np.array([[4.0, 8.0, 5.0]]), 2)
    (array([[4., 2.]]), array([[7., 5.]]))
    """
    total = _block_sums(weight, step)
    return total, _block_sums(weight * value, step) / np.maximum(total, 1e-12)


def _block_sums(field: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    padded = np.pad(field, [(0, -size % step) for size in field.shape])
    ny, nx = padded.shape[0] // step, padded.shape[1] // step
    sums: NDArray[np.float64] = padded.reshape(ny, step, nx, step).sum(axis=(1, 3))
    return sums


def _collapse(
    key: NDArray[np.int64], count: NDArray[np.int64], sums: NDArray[np.int64]
) -> VoxelStats:
    if key.size == 0:
        return VoxelStats.empty(len(sums))
    order = np.argsort(key, kind="stable")
    key = key[order]
    first = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    return VoxelStats(
        key[first],
        np.add.reduceat(count[order], first),
        np.stack([np.add.reduceat(row[order], first) for row in sums])
        if len(sums)
        else np.empty((0, first.size), np.int64),
    )
