"""The layout of voxel sums in pages: which cells and layers, and where in a page each lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

SIDE: Final = 8
"""Cells along a page."""
DEPTH: Final = 4
"""Layers in a page."""
VOXELS: Final = SIDE * SIDE * DEPTH
QUANTITIES: Final = 4
"""Count, offset of x and of y in the cell, offset of z in the layer."""
PAGE_BYTES: Final = VOXELS * QUANTITIES * 4


@dataclass(frozen=True)
class Block:
    """The voxels that can be summed: cells of a plan by layers.

    Attributes
    ----------
    col, row, layer : int
        First column, row and layer.
    cols, rows, layers : int
        How many.
    cell_steps, layer_steps : int
        Side of a cell and height of a layer, in steps of the lattice.
    """

    col: int
    row: int
    layer: int
    cols: int
    rows: int
    layers: int
    cell_steps: int
    layer_steps: int

    @property
    def pages(self) -> tuple[int, int, int]:
        """Pages of the block: (groups of layers, rows of pages, columns of pages)."""
        return (-(-self.layers // DEPTH), -(-self.rows // SIDE), -(-self.cols // SIDE))

    @property
    def numbers(self) -> tuple[int, ...]:
        """All of it as plain numbers, for a compiled loop."""
        return (self.col, self.row, self.layer, self.cols, self.rows, self.layers,
                self.cell_steps, self.layer_steps, *self.pages[1:])  # fmt: skip


def split(points: Ints, cell_steps: int, layer_steps: int) -> tuple[Ints, Ints]:
    """Column, row and layer of lattice points (n, 3), and offsets from the voxels' corners.

    Returns
    -------
    indices, offsets : (3, n) int64 arrays

    Examples
    --------
    >>> split(np.array([[7, -1, 4]]), cell_steps=5, layer_steps=2)
    (array([[ 1],
           [-1],
           [ 2]]), array([[2],
           [4],
           [0]]))
    """
    sides = np.array([cell_steps, cell_steps, layer_steps])
    indices = np.stack([axis // side for axis, side in zip(points.T, sides, strict=True)])
    return indices, points.T - indices * sides[:, None]


def lot(x: Any, y: Any, z: Any) -> Any:
    """A number that a point draws by its place alone, so that the choice knows no order."""
    return ((x * 73856093) ^ (y * 19349663) ^ (z * 83492791)) >> 7 & 0x7FFFFFFF
