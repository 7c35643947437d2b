"""The layout of voxel sums in pages: which cells and layers, and where in a page each lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

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
