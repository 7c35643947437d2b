"""Specks in the air: single points that belong to nothing, told by how few lie around them.

Dust, rain and mixed returns leave points all over the room, densest around the instrument. A few
of them over one cell look like something that stands there; many such cells, like columns. What
stands has a surface: around any of its points lie many more within a hand's breadth. How many
specks are to be expected there is measured where nothing stands, in the air at chest height.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import STRUCTURE_LAYER_M, Cells, Column
from pourdatum.grid import Grid

Array = NDArray[np.float64]

_AIR_M: Final = (1.0, 2.0)
"""Heights above the floor between which the air is looked at [m]."""
_SLABS: Final = 5
_TELLING: Final = 8.0
"""Points that the face of a wall holds over one cell and slab, if it is seen like the floor: on
thinner scans faces look like specks themselves, and nothing is left out."""
_CLEAR: Final = 4
"""Points in a slab of air from which something stands in a cell where the air is clear."""
_ROUNDS: Final = 8
_FEW: Final = 0.02
"""Specks to be expected around a point up to which none are looked for."""
_TOP_M: Final = 2.4
"""Height above the floor up to which specks matter [m]."""
_AROUND_M: Final = 1.0
"""Over what stretch of the plan the air is taken as one [m]."""
_CHANCE: Final = 0.999
_VOXELS: Final = 27


def without_specks(cells: Cells) -> Cells:
    """What a scan holds over each cell, without points in the air that stand alone.

    Parameters
    ----------
    cells : Cells

    Returns
    -------
    Cells
        The same object where the air is clear, or the scan too thin to tell.
    """
    structure, grid = cells.structure, cells.grid
    points = cells.total(cells.band)
    seen = points > 0
    slab_m = (_AIR_M[1] - _AIR_M[0]) / _SLABS
    usual = float(np.median(points[seen])) if seen.any() else 0.0
    if usual / grid.cell_m * slab_m < _TELLING:
        return cells
    expected = _VOXELS * _specks_in_air(structure, seen, grid)
    if float(expected[seen].mean()) < _FEW:
        return cells
    from scipy.stats import poisson

    layer = np.floor(structure.height_m / STRUCTURE_LAYER_M).astype(np.int64)
    low = (layer >= 0) & (structure.height_m < _TOP_M)
    around = _around(structure, layer, low, grid)
    most = 1 + np.asarray(poisson.ppf(_CHANCE, expected)).ravel()[structure.cell[low]]
    keep = np.ones(low.size, bool)
    keep[low] = around > most
    return replace(cells, structure=structure.chosen(keep))


def _specks_in_air(structure: Column, seen: NDArray[np.bool_], grid: Grid) -> Array:
    """Points in one voxel of the air around each cell (ny, nx), where nothing stands.

    The median over slabs of air: a table, a landing or a sill fills one of them, dust fills all.
    """
    slab = (structure.height_m - _AIR_M[0]) / (_AIR_M[1] - _AIR_M[0]) * _SLABS
    air = (slab > 0.0) & (slab < _SLABS)
    cells = grid.ny * grid.nx
    at = slab[air].astype(np.int64) * cells + structure.cell[air]
    count = np.bincount(at, weights=structure.count[air], minlength=_SLABS * cells)
    slabs = count.astype(np.float64).reshape(_SLABS, *grid.shape)
    mean = [_clear_mean(own, seen, grid) for own in slabs]
    layers = (_AIR_M[1] - _AIR_M[0]) / _SLABS / STRUCTURE_LAYER_M
    return np.asarray(np.median(mean, axis=0) / layers)


def _clear_mean(count: Array, seen: NDArray[np.bool_], grid: Grid) -> Array:
    """Mean number of points over the cells around each in which nothing stands (ny, nx)."""
    from scipy.ndimage import uniform_filter

    size = max(round(_AROUND_M / grid.cell_m), 1)
    most = np.full(grid.shape, float(_CLEAR - 1))
    mean = np.zeros(grid.shape)
    # Where dust is dense a cell of clear air holds many points: what it may hold grows with what
    # is found, until nothing more is let in. What stands holds far more.
    for _ in range(_ROUNDS):
        clear = (seen & (count <= most)).astype(np.float64)
        cells = uniform_filter(clear, size, mode="constant")
        points = uniform_filter(clear * count, size, mode="constant")
        mean = np.maximum(points / np.maximum(cells, 1.0 / size**2), 0.0)
        wider = np.maximum(most, mean + 3.0 * np.sqrt(mean) + 1.0)
        if (wider <= most).all():
            break
        most = wider
    return mean


def _around(
    structure: Column, layer: NDArray[np.int64], low: NDArray[np.bool_], grid: Grid
) -> NDArray[np.int64]:
    """Points in each low voxel and the 26 around it."""
    # Voxels by name: three layers over one cell are neighbours, and with a margin around the plan
    # and above, what lies beside is a fixed number of names away. A field of all voxels of a
    # large floor would take gigabytes.
    layers = round(_TOP_M / STRUCTURE_LAYER_M) + 2
    wide = grid.nx + 2
    row, col = np.divmod(structure.cell[low], grid.nx)
    name = ((row + 1) * wide + col + 1) * layers + layer[low] + 1
    order = np.argsort(name, kind="stable")
    sorted_name = name[order]
    upto = np.concatenate([[0], np.cumsum(structure.count[low][order])])
    around = np.zeros(name.size, np.int64)
    for beside in (dy * wide + dx for dy in (-1, 0, 1) for dx in (-1, 0, 1)):
        middle = sorted_name + beside * layers
        first = np.searchsorted(sorted_name, middle - 1, side="left")
        last = np.searchsorted(sorted_name, middle + 1, side="right")
        around += upto[last] - upto[first]
    out = np.empty_like(around)
    out[order] = around
    return out
