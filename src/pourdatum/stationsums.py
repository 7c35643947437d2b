"""What each set-up of a scan says of the floor, block by block: exact sums about a common fit.

The pass that finds the floor pools all set-ups. Once the floor is known, its points are gone
through again, set-up by set-up, and summed over small blocks as they lie above the fitted floor:
what relief there is falls out, and what is left of two set-ups in one block is by how much they
differ. Blocks are small because the fit follows whichever set-up has more points at
a place: at the edge of a shadow a block of half a metre loses a twentieth of a step in that way,
one of 0.2 m no more than a hundredth. A large scan is sampled, as for the coarse look.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.bare import BareFloor
from pourdatum.chunks import PointStore
from pourdatum.grid import Grid
from pourdatum.passing import Progress
from pourdatum.scan import LATTICE_M, Scan
from pourdatum.stationlayers import STAGE, parts_of, stood_at

if TYPE_CHECKING:
    from pourdatum.levels import Level

Counts = NDArray[np.int64]

BLOCK_M: Final = 0.2
"""Side of a block, about: a whole number of cells [m]."""
_WIDEST_M: Final = 0.6
_WANTED: Final = 10.0
"""Points of a set-up that a block is to hold: thin scans get wider blocks."""
_MOST_BLOCKS: Final = 100_000
"""Blocks over the plan at the most: they are wider over a large one."""
_REACH: Final = 2.0
"""Distance from the fitted floor within which a point counts, in those of a floor point."""


@dataclass(frozen=True, eq=False)
class StationSums:
    """Points of each set-up over blocks of the plan.

    Attributes
    ----------
    grid : Grid
        The blocks.
    names : tuple of str
    place_m : tuple of (x, y, z) or None
        Where each set-up stood, local [m], if its file says.
    count, total, squares : (k, ny, nx) int64 arrays
        Floor points, and the sum of their heights above the fitted floor and of its squares,
        in steps of the lattice.
    """

    grid: Grid
    names: tuple[str, ...]
    place_m: tuple[tuple[float, float, float] | None, ...]
    count: Counts
    total: Counts
    squares: Counts


def station_sums(
    scan: Scan, store: PointStore, bare: BareFloor, level: Level, progress: Progress
) -> StationSums | None:
    """Sums of each set-up of a scan; None where there are not two.

    Parameters
    ----------
    scan : Scan
        Names its set-ups, in the order of the store's points.
    store : PointStore
    bare : BareFloor
        Tells which cells are floor, and how it lies.
    level : Level
        What the fit of the bare floor is counted from.
    progress : callable
    """
    if len(scan.stations) < 2:
        return None
    grid = bare.cells.grid
    steps = round(grid.cell_m / LATTICE_M)
    c0, r0 = grid.first_cell
    parts = parts_of(scan, store.sample())
    floor = bare.count > 0
    held = max((part.points for part in parts if part is not None), default=0)
    wide = _block_cells(grid, held, float(floor.sum()) * grid.cell_m**2)
    blocks = Grid(
        grid.x0_m + 0.5 * (wide - 1) * grid.cell_m, grid.y0_m + 0.5 * (wide - 1) * grid.cell_m,
        wide * grid.cell_m, -(-grid.ny // wide), -(-grid.nx // wide),
    )  # fmt: skip
    fitted = bare.fit_over_coarse_m
    most = _REACH * bare.gate_m / LATTICE_M
    size = blocks.ny * blocks.nx

    def summed(points: Counts) -> Counts:
        col, row = points[:, 0] // steps - c0, points[:, 1] // steps - r0
        use = grid.holds(row, col)
        use[use] = floor[row[use], col[use]]
        points, row, col = points[use], row[use], col[use]
        x_m, y_m, z_m = points.T * LATTICE_M
        rise_m = z_m - level.at(x_m, y_m) - grid.at(fitted, np.column_stack([x_m, y_m]))
        rise = np.rint(rise_m / LATTICE_M)
        near = np.abs(rise) <= most
        block = ((row // wide) * blocks.nx + col // wide)[near]
        # Sums of whole numbers, far below what a float holds exactly.
        weighed = [np.bincount(block, rise[near] ** power, size) for power in (0, 1, 2)]
        return np.stack(weighed).astype(np.int64).reshape(3, *blocks.shape)

    found = [
        np.zeros((3, *blocks.shape), np.int64)
        if part is None
        else part.fold(summed, np.add, stage=STAGE, progress=progress)
        for part in parts
    ]
    count, total, squares = np.stack(found, axis=1)
    names = tuple(one.name for one in scan.stations)
    return StationSums(blocks, names, stood_at(scan), count, total, squares)


def _block_cells(grid: Grid, points: int, area_m2: float) -> int:
    """Cells along the side of a block."""
    thin_m = math.sqrt(_WANTED * area_m2 / max(points, 1))
    side_m = min(max(BLOCK_M, thin_m), _WIDEST_M)
    side_m = max(side_m, grid.cell_m * math.sqrt(grid.ny * grid.nx / _MOST_BLOCKS))
    return max(round(side_m / grid.cell_m), 1)
