"""Some hundred places spread evenly over a floor, for sums that need not visit every cell."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid

Array = NDArray[np.float64]
Index = NDArray[np.int64]


def even_cells(worth: Array, count: int) -> tuple[Index, Index, Index]:
    """One cell out of every block of cells.

    Parameters
    ----------
    worth : (ny, nx) array
        What each cell is worth as a place; 0 where there is none.
    count : int
        About how many are wanted.

    Returns
    -------
    row, column : (n,) arrays
        Of each block the cell that is worth most; of equals the one nearest its middle.
    cells : (n,) array
        Cells of the block that are worth something: what the place stands for.

    Examples
    --------
    >>> row, column, cells = even_cells(np.ones((6, 9)), 6)
    >>> [(int(r), int(c)) for r, c in zip(row, column)], int(cells[0])
    ([(1, 1), (1, 4), (1, 7), (4, 1), (4, 4), (4, 7)], 9)
    """
    step = max(round(math.sqrt(np.count_nonzero(worth) / count)), 1)
    ny, nx = (-(-n // step) for n in worth.shape)
    padded = np.zeros((ny * step, nx * step))
    padded[: worth.shape[0], : worth.shape[1]] = worth
    blocks = padded.reshape(ny, step, nx, step).swapaxes(1, 2).reshape(ny, nx, step * step)
    off = np.arange(step) - 0.5 * (step - 1)
    order = np.argsort((off[:, None] ** 2 + off[None, :] ** 2).ravel(), kind="stable")
    best = order[blocks[:, :, order].argmax(axis=2)]
    row_of, column_of = np.nonzero(blocks.max(axis=2) > 0.0)
    chosen = best[row_of, column_of]
    return (
        row_of * step + chosen // step,
        column_of * step + chosen % step,
        np.count_nonzero(blocks, axis=2)[row_of, column_of],
    )


def even_places(
    inside: NDArray[np.bool_], grid: Grid, count: int
) -> tuple[Array, Index, Index, Index]:
    """Places spread evenly over chosen cells.

    Parameters
    ----------
    inside : (ny, nx) bool array
    grid : Grid
    count : int
        About how many are wanted.

    Returns
    -------
    place_m : (n, 2) array
        Middles of the cells [m].
    row, column, cells : (n,) arrays
        As of ``even_cells``.

    Examples
    --------
    >>> place, *_ = even_places(np.ones((3, 3), bool), Grid(0.0, 0.0, 0.1, 3, 3), 1)
    >>> place.tolist()
    [[0.1, 0.1]]
    """
    row, column, cells = even_cells(inside.astype(np.float64), count)
    x_m, y_m = grid.mesh()
    return np.column_stack([x_m[row, column], y_m[row, column]]), row, column, cells
