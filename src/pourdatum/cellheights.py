"""Cell by cell: whether something stands there, and at what height most of its points lie."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import Cells, Column
from pourdatum.compiled import compiled_loops

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_THING_TOP_M: Final = 0.6


def occupied_cells(cells: Cells, thing_m: float) -> Mask:
    """Cells in which at least two points stand above the floor, up to 0.6 m."""
    low = cells.total(cells.band, cells.band.height_m >= thing_m)
    height = cells.structure.height_m
    high = cells.total(cells.structure, (height > 0) & (height < _THING_TOP_M))
    occupied: Mask = (low + high) >= 2
    return occupied


def cell_medians(band: Column, chosen: Mask, shape: tuple[int, int]) -> tuple[Array, Mask]:
    """Median height of the chosen points of each cell, to the voxel's 1 mm."""
    value = np.zeros(shape[0] * shape[1])
    seen = np.zeros(shape[0] * shape[1], bool)
    loops = compiled_loops("cellloop", worth=False)
    if loops is not None:
        loops.medians(band.cell, band.count, chosen, band.height_m, value, seen)
        return value.reshape(shape), seen.reshape(shape)
    cell = band.cell[chosen]
    count = band.count[chosen]
    height = band.height_m[chosen]
    if cell.size == 0:
        return value.reshape(shape), seen.reshape(shape)
    first = np.flatnonzero(np.diff(cell, prepend=-1))
    running = np.cumsum(count)
    before = np.concatenate([[0], running])[first]
    total = np.add.reduceat(count, first)
    middle = before + (total + 1) // 2
    at = np.searchsorted(running, middle, side="left")
    value[cell[first]] = height[at]
    seen[cell[first]] = True
    return value.reshape(shape), seen.reshape(shape)
