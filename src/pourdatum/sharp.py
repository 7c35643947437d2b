"""Ridges, grooves and edges of steps: floor that a smooth fit of the floor does not follow.

Points off the fit by more than the noise are no floor where they are few: specks, reflections,
the rim of a thing. Where they fill cells, side by side over a longer way than a nib is wide,
nothing else was seen there: they are the floor, and whoever leaves them out calls a ridge flat.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import Cells
from pourdatum.grid import group_windows

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CORE: Final = 0.5
"""Share of a cell's points off the fit from which the cell is none of the fitted floor."""
_RIM: Final = 0.15
"""The same for cells that such a feature runs through."""
_USUAL: Final = 0.3
"""Share of the points that are usual around, from which a cell was seen as whole floor is."""
_LEAST_CORE: Final = 3
_LEAST_POINTS: Final = 30
_LEAST_OFF: Final = 2.0
"""Points that say something of one cell; it is the whole feature that must have many."""
_LONGER_M: Final = 0.15
"""Length from which a feature is no nib [m]."""
_SQUARE: Final = np.ones((3, 3), bool)
_STEEP: Final = 0.35
"""Scatter of the points off the fit within a cell, in their distance from it: one layer."""


def sharp_cells(
    cells: Cells, clear: Mask, residual_m: Array, gate_m: float, occupied: Mask, nibs: Mask
) -> Mask:
    """Cells (ny, nx) of sharp features of the floor, and those that they run through.

    Parameters
    ----------
    cells : Cells
    clear : (k,) bool array
        Voxels of the band in which no thing stands.
    residual_m : (k,) array
        Their heights over the fitted floor; NaN where it has no support [m].
    gate_m : float
        Greatest distance of a floor point from the fit [m].
    occupied : (ny, nx) bool array
        Cells in which things stand: there and beside them points off the fit are theirs.
    nibs : (ny, nx) bool array
        Cells of nibs, which are told apart.
    """
    from scipy.ndimage import label

    band, grid = cells.band, cells.grid
    known = clear & np.isfinite(residual_m)
    whole = cells.total(band, known).astype(np.float64)
    found = np.zeros(grid.shape, bool)
    for sign in (1.0, -1.0):
        off = known & (sign * residual_m > gate_m)
        if not off.any():
            continue
        count, mean, scatter = _layer(band.cell[off], band.count[off], residual_m[off], grid.shape)
        rim = scatter <= np.maximum(gate_m, _STEEP * np.abs(mean))
        rim &= count >= np.maximum(_RIM * whole, _LEAST_OFF)
        if (rim & (count >= _CORE * whole)).sum() < _LEAST_CORE:
            continue  # as on most floors, which are spared the median over all cells
        rim &= _seen_whole(whole, occupied) & ~nibs
        core = rim & (count >= _CORE * whole)
        groups, _ = label(rim, _SQUARE)
        for k, window in enumerate(group_windows(groups), 1):
            own = groups[window] == k
            if core[window][own].sum() < _LEAST_CORE or count[window][own].sum() < _LEAST_POINTS:
                continue
            row, col = np.nonzero(own & core[window])
            long_m = (max(np.ptp(row), np.ptp(col)) + 1) * grid.cell_m
            if sign < 0.0 or long_m > _LONGER_M:
                found[window] |= own
    return found


def _seen_whole(points: Array, occupied: Mask) -> Mask:
    """Cells with about as many points as are usual around, clear of things."""
    from scipy.ndimage import binary_dilation, median_filter

    usual = median_filter(points, 5, mode="nearest")
    seen: Mask = (points >= np.maximum(_USUAL * usual, _LEAST_OFF)) & ~binary_dilation(
        occupied, _SQUARE
    )
    return seen


def _layer(
    cell: NDArray[np.int64], count: NDArray[np.int64], height: Array, shape: tuple[int, int]
) -> tuple[Array, Array, Array]:
    """Points, mean height and scatter of it per cell (ny, nx)."""

    def total(value: Array) -> Array:
        summed = np.bincount(cell, value, shape[0] * shape[1])
        return summed.astype(np.float64).reshape(shape)

    points = total(count.astype(np.float64))
    safe = np.maximum(points, 1.0)
    mean = total(count * height) / safe
    scatter = np.sqrt(np.maximum(total(count * height**2) / safe - mean**2, 0.0))
    return points, mean, scatter
