"""The pass over all points: exact sums per cell, in a thin band and around it.

Heights are taken from the coarse level of the floor, so that a ramp is as easy as
a flat floor. Within 80 mm of it, points are summed in voxels of one cell by 1 mm (2 mm
over 600 000 cells and more); farther off, where walls and things stand, in voxels of one
cell by 50 mm. All sums are integers on the campaign's lattice.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from functools import partial, reduce
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.block import Block, split
from pourdatum.cellsums import CellSums, Place, Summed
from pourdatum.chunks import PointStore
from pourdatum.compiled import compiled_loops
from pourdatum.errors import JobError
from pourdatum.grid import Grid, VoxelStats, filled_from_nearest, merge, pack
from pourdatum.levels import Level
from pourdatum.passing import Progress
from pourdatum.scan import LATTICE_M

MEASURING: Final = "measuring the floor"
BAND_M: Final = 0.08
"""Half-height of the band around the coarse level [m]."""
BAND_LAYER_M: Final = 0.001
STRUCTURE_LAYER_M: Final = 0.05
LEAST_CELL_M: Final = 0.01
GREATEST_CELL_M: Final = 0.5
_MANY_CELLS: Final = 600_000
_MOST_CELLS: Final = 700_000
_MOST_BYTES: Final = 4 << 30
_MANY_POINTS: Final = 3_000_000
"""Points from which the compiled loop is worth loading."""
_KEPT_POINTS: Final = 2_000_000
"""Points beside walls that are kept, about."""
_BLOCK: Final = 250_000
"""Of them, so many are summed at a time, which bounds memory."""
_LOWEST_M: Final = -3.0
_HIGHEST_M: Final = 15.0


@dataclass(frozen=True, eq=False)
class Column:
    """Voxels of one kind with the flat index of the cell each lies in.

    Attributes
    ----------
    cell : (n,) int array
        Flat index into the grid, increasing.
    height_m : (n,) array
        Mean height above the coarse level [m].
    z_m : (n,) array
        Mean level, local [m].
    x_m, y_m : (n,) array
        Mean place of the voxel's points, local [m].
    count : (n,) int array
        Points in the voxel.
    """

    cell: NDArray[np.int64]
    height_m: NDArray[np.float64]
    z_m: NDArray[np.float64]
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    count: NDArray[np.int64]

    def chosen(self, pick: NDArray[np.bool_] | NDArray[np.int64]) -> Column:
        """Some of the voxels, by mask or by increasing number."""
        return Column(*(getattr(self, part.name)[pick] for part in fields(self)))


@dataclass(frozen=True, eq=False)
class Cells:
    """What the scan holds over each cell of the plan."""

    grid: Grid
    reference_m: NDArray[np.float64]
    """Coarse level at the nodes [m], (ny, nx), from which heights are counted."""
    band: Column
    structure: Column
    near_walls: NDArray[np.int32] | None = None
    """Lattice points near the floor beside walls (n, 3), or a part of them, where the scan is
    too large to be gone through again."""

    def total(self, column: Column, choose: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
        """Points per cell, (ny, nx), of the chosen voxels."""
        size = self.grid.ny * self.grid.nx
        loops = compiled_loops("cellloop", worth=False)
        if loops is not None and choose is not None:
            total = np.zeros(size, np.int64)
            loops.totals(column.cell, column.count, choose, total)
            return total.reshape(self.grid.shape)
        count = column.count if choose is None else np.where(choose, column.count, 0)
        flat = np.bincount(column.cell, weights=count, minlength=size)
        return flat.astype(np.int64).reshape(self.grid.shape)


def cell_size_m(
    density_per_m2: float, asked_m: float | None = None, *, area_m2: float = 0.0
) -> float:
    """Side of a cell: the one asked for, or about three points of the sparse quarter in it.

    Floors of more than about 440 m² get wider cells, so that there are 700 000 of them at most;
    beyond 100 mm humps would be flattened.

    Raises
    ------
    JobError
        If the size asked for is outside 10 to 500 mm.

    Examples
    --------
    >>> cell_size_m(4000.0), cell_size_m(4000.0, area_m2=2400.0)
    (0.03, 0.06)
    """
    if asked_m is not None:
        if not LEAST_CELL_M <= asked_m <= GREATEST_CELL_M:
            raise JobError(
                f"cell size {asked_m * 1000:g} mm is outside {LEAST_CELL_M * 1000:g} to"
                f" {GREATEST_CELL_M * 1000:g} mm",
                where="--cell",
                hint="leave it out to have it chosen from the density of the scan",
                id="cell",
            )
        return round(asked_m / LATTICE_M) * LATTICE_M
    wanted = max(np.sqrt(3.0 / max(density_per_m2, 1e-9)), np.sqrt(area_m2 / _MOST_CELLS))
    return float(round(np.clip(np.ceil(wanted / 0.005 - 1e-9) * 0.005, 0.025, 0.1), 3))


def gather_cells(
    store: PointStore, level: Level, cell_m: float, progress: Progress, grid: Grid | None = None
) -> Cells:
    """Sums every point over the coarse level's reach into cells.

    Parameters
    ----------
    store : PointStore
    level : Level
        The coarse floor.
    cell_m : float
        Side of a cell [m], a multiple of the lattice step.
    grid : Grid, optional
        An existing grid to fill again, as for the scan after the pour.
    """
    if grid is None:
        c0 = int(np.floor(level.grid.x0_m / cell_m))
        r0 = int(np.floor(level.grid.y0_m / cell_m))
        nx = int(np.ceil(level.grid.x_m[-1] / cell_m)) - c0
        ny = int(np.ceil(level.grid.y_m[-1] / cell_m)) - r0
        grid = Grid((c0 + 0.5) * cell_m, (r0 + 0.5) * cell_m, cell_m, ny, nx)
    summed = store.gather(
        partial(CellSums, _place(store, level, grid), compiled=store.points > _MANY_POINTS),
        Summed.merged,
        stage=MEASURING,
        progress=progress,
    )
    x, y = grid.mesh()
    reference = filled_from_nearest(level.at(x, y))
    with ThreadPoolExecutor(2) as pool:
        band, structure = pool.map(
            lambda stats, layer_m: column_of(stats, grid, level, layer_m),
            (summed.near, summed.far),
            (band_layer_m(grid), STRUCTURE_LAYER_M),
        )
    return Cells(grid, reference, band, structure, None if store.keeps_all else summed.kept)


def band_layer_m(grid: Grid) -> float:
    """Height of the thin layers [m]: half as many of them over very many cells."""
    return BAND_LAYER_M if grid.ny * grid.nx < _MANY_CELLS else 2 * BAND_LAYER_M


def _place(store: PointStore, level: Level, grid: Grid) -> Place:
    """What the loop over the points must know of this floor."""
    reach = (
        int(np.nanmin(level.reference_m) / LATTICE_M),
        int(np.nanmax(level.reference_m) / LATTICE_M),
    )
    c0, r0 = grid.first_cell

    def block(low_m: float, high_m: float, layer_m: float) -> Block:
        thick = _steps(layer_m)
        first = (reach[0] + _steps(low_m)) // thick - 1
        last = (reach[1] + _steps(high_m)) // thick + 1
        return Block(c0, r0, first, grid.nx, grid.ny, last - first + 1, _steps(grid.cell_m), thick)

    keep = np.zeros(level.grid.shape, bool) if store.keeps_all else level.beside_walls()
    near_walls = keep.sum() * level.grid.cell_m**2 * level.density_per_m2
    return Place(
        coarse=level.grid,
        level_m=level.reference_m,
        near=block(-BAND_M, BAND_M, band_layer_m(grid)),
        far=block(_LOWEST_M, _HIGHEST_M, STRUCTURE_LAYER_M),
        band_steps=_steps(BAND_M),
        low_steps=_steps(_LOWEST_M),
        high_steps=_steps(_HIGHEST_M),
        keep=keep,
        keep_one_in=max(int(near_walls / _KEPT_POINTS), 1),
        most_bytes=store.means.memory_bytes or _MOST_BYTES,
    )


def gather_chosen(
    store: PointStore,
    cells: Cells,
    level: Level,
    chosen: NDArray[np.bool_],
    inside: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.bool_]],
    progress: Progress,
) -> Column:
    """Sums of the points near the floor in chosen cells whose place passes a test.

    Where the scan is too large to be kept, the points kept beside walls are looked through.

    Parameters
    ----------
    chosen : (ny, nx) bool array
        Cells of the grid to look into.
    inside : callable
        Plan x and y of points, local [m], to a mask of those that count.
    """
    grid = cells.grid
    steps, thick = _steps(grid.cell_m), _steps(band_layer_m(grid))
    c0, r0 = grid.first_cell

    def summarise(points: NDArray[np.int64]) -> VoxelStats:
        c, r = points[:, 0] // steps - c0, points[:, 1] // steps - r0
        within = grid.holds(r, c)
        within[within] = chosen[r[within], c[within]]
        points = points[within]
        x_m, y_m, z_m = points.T * LATTICE_M
        near = np.abs(z_m - level.at(x_m, y_m)) <= BAND_M
        near[near] = inside(x_m[near], y_m[near])
        (col, row, layer), offsets = split(points[near], steps, thick)
        return VoxelStats.of_points(pack(col, row, layer), offsets)

    if cells.near_walls is not None:
        stats = reduce(
            merge,
            (
                summarise(cells.near_walls[first : first + _BLOCK].astype(np.int64))
                for first in range(0, max(len(cells.near_walls), 1), _BLOCK)
            ),
        )
    else:
        stats = store.fold(summarise, merge, stage="measuring beside walls", progress=progress)
    return column_of(stats, grid, level, band_layer_m(grid))


def _steps(length_m: float) -> int:
    return round(length_m / LATTICE_M)


def column_of(stats: VoxelStats, grid: Grid, level: Level, layer_m: float) -> Column:
    """Voxels within a grid with their cells and mean places.

    The statistics are used up: places are written over their sums, which on a large floor are
    a third of all memory.
    """
    c0, r0 = grid.first_cell
    loops = compiled_loops("cellloop", worth=False)
    if loops is not None:
        x, y, z = stats.sums.view(np.float64)
        out = Column(stats.key, np.empty(stats.key.size), z, x, y, stats.count)
        loops.columns(
            stats.key, stats.count, stats.sums, c0, r0, grid.nx, grid.cell_m, layer_m,
            level.grid.x0_m, level.grid.y0_m, level.grid.cell_m, level.reference_m,
            out.cell, out.height_m, out.z_m, out.x_m, out.y_m,
        )  # fmt: skip
        return out
    col, row, layer = stats.indices()
    mean = stats.sums / stats.count * LATTICE_M
    x = mean[0] + col * grid.cell_m
    y = mean[1] + row * grid.cell_m
    z = mean[2] + layer * layer_m
    return Column((row - r0) * grid.nx + (col - c0), z - level.at(x, y), z, x, y, stats.count)
