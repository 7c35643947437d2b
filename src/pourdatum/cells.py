"""The pass over all points: exact sums per cell, in a thin band and around it.

Heights are taken from the coarse level of the floor, so that a ramp is as easy as
a flat floor. Within 80 mm of it, points are summed in voxels of one cell by 1 mm;
farther off, where walls and things stand, in voxels of one cell by 50 mm. All sums
are integers on the campaign's lattice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.chunks import PointStore, Progress
from pourdatum.errors import JobError
from pourdatum.grid import Grid, VoxelStats, filled_from_nearest, merge, pack
from pourdatum.levels import Level
from pourdatum.scan import LATTICE_M

BAND_M: Final = 0.08
"""Half-height of the band around the coarse level [m]."""
BAND_LAYER_M: Final = 0.001
STRUCTURE_LAYER_M: Final = 0.05
LEAST_CELL_M: Final = 0.01
GREATEST_CELL_M: Final = 0.5
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


@dataclass(frozen=True, eq=False)
class Cells:
    """What the scan holds over each cell of the plan."""

    grid: Grid
    reference_m: NDArray[np.float64]
    """Coarse level at the nodes [m], (ny, nx), from which heights are counted."""
    band: Column
    structure: Column

    def total(self, column: Column, choose: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
        """Points per cell, (ny, nx), of the chosen voxels."""
        count = column.count if choose is None else np.where(choose, column.count, 0)
        flat = np.bincount(column.cell, weights=count, minlength=self.grid.ny * self.grid.nx)
        return flat.astype(np.int64).reshape(self.grid.shape)


def cell_size_m(density_per_m2: float, asked_m: float | None = None) -> float:
    """Side of a cell: the one asked for, or about three points of the sparse quarter in it.

    Raises
    ------
    JobError
        If the size asked for is outside 10 to 500 mm.

    Examples
    --------
    >>> cell_size_m(4000.0)
    0.03
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
    wanted = np.sqrt(3.0 / max(density_per_m2, 1e-9))
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
    lattice = _CellLattice(level, round(cell_m / LATTICE_M))

    def summarise(points: NDArray[np.int64]) -> tuple[VoxelStats, VoxelStats]:
        col, row, sums = lattice.place(points)
        rise = sums[2]
        inside = np.abs(rise) <= _steps(BAND_M)
        beyond = ~inside & (rise > _steps(_LOWEST_M)) & (rise < _steps(_HIGHEST_M))
        band, structure = (
            VoxelStats.of_points(
                pack(col[which], row[which], rise[which] // _steps(layer_m)), sums[:, which]
            )
            for which, layer_m in ((inside, BAND_LAYER_M), (beyond, STRUCTURE_LAYER_M))
        )
        return band, structure

    band, structure = store.fold(
        summarise,
        lambda a, b: (merge(a[0], b[0]), merge(a[1], b[1])),
        stage="measuring the floor",
        progress=progress,
    )
    if grid is None:
        c0 = int(np.floor(level.grid.x0_m / cell_m))
        r0 = int(np.floor(level.grid.y0_m / cell_m))
        nx = int(np.ceil(level.grid.x_m[-1] / cell_m)) - c0
        ny = int(np.ceil(level.grid.y_m[-1] / cell_m)) - r0
        grid = Grid((c0 + 0.5) * cell_m, (r0 + 0.5) * cell_m, cell_m, ny, nx)
    x, y = grid.mesh()
    reference = filled_from_nearest(level.at(x, y))
    return Cells(
        grid,
        reference,
        column_of(band, grid, level),
        column_of(structure, grid, level),
    )


def gather_chosen(
    store: PointStore,
    level: Level,
    grid: Grid,
    cells: NDArray[np.bool_],
    inside: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.bool_]],
    progress: Progress,
) -> VoxelStats:
    """Sums of the points near the floor in chosen cells whose place passes a test.

    Parameters
    ----------
    cells : (ny, nx) bool array
        Cells of the grid to look into.
    inside : callable
        Plan x and y of points, local [m], to a mask of those that count.
    """
    lattice = _CellLattice(level, round(grid.cell_m / LATTICE_M))
    c0, r0 = _first_cell(grid)

    def summarise(points: NDArray[np.int64]) -> VoxelStats:
        col, row = points[:, 0] // lattice.steps - c0, points[:, 1] // lattice.steps - r0
        within = (row >= 0) & (col >= 0) & (row < grid.ny) & (col < grid.nx)
        within[within] = cells[row[within], col[within]]
        col, row, sums = lattice.place(points[within])
        near = np.abs(sums[2]) <= _steps(BAND_M)
        col, row, sums = col[near], row[near], sums[:, near]
        x_m, y_m = (
            (index * lattice.steps + offset) * LATTICE_M
            for index, offset in ((col, sums[0]), (row, sums[1]))
        )
        kept = inside(x_m, y_m)
        col, row, sums = col[kept], row[kept], sums[:, kept]
        return VoxelStats.of_points(pack(col, row, sums[2] // _steps(BAND_LAYER_M)), sums)

    return store.fold(summarise, merge, stage="measuring beside walls", progress=progress)


@dataclass(frozen=True)
class _CellLattice:
    """Cells of ``steps`` lattice steps a side, heights counted from the coarse level."""

    level: Level
    steps: int

    def place(
        self, points: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """Column, row, and (offset x, offset y, rise) of the points over the level's reach.

        Offsets are from the cell's corner, so that their sums stay small and exact.
        """
        x, y, z = points.T
        base = self.level.at(x * LATTICE_M, y * LATTICE_M) / LATTICE_M
        near = np.isfinite(base)
        x, y, z, base = x[near], y[near], z[near], base[near]
        col, row = x // self.steps, y // self.steps
        rise = z - np.rint(base).astype(np.int64)
        return col, row, np.stack([x - col * self.steps, y - row * self.steps, rise])


def _steps(length_m: float) -> int:
    return round(length_m / LATTICE_M)


def _first_cell(grid: Grid) -> tuple[int, int]:
    """Column and row, on the lattice of cells, of the grid's cell [0, 0]."""
    return round(grid.x0_m / grid.cell_m - 0.5), round(grid.y0_m / grid.cell_m - 0.5)


def column_of(stats: VoxelStats, grid: Grid, level: Level) -> Column:
    """Voxels over a grid with their cells and mean places."""
    c0, r0 = _first_cell(grid)
    col, row, _ = stats.indices()
    c, r = col - c0, row - r0
    inside = (c >= 0) & (r >= 0) & (c < grid.nx) & (r < grid.ny)
    mean = stats.sums[:, inside] / stats.count[inside] * LATTICE_M
    x = mean[0] + col[inside] * grid.cell_m
    y = mean[1] + row[inside] * grid.cell_m
    cell = (r * grid.nx + c)[inside]
    return Column(cell, mean[2], mean[2] + level.at(x, y), x, y, stats.count[inside])
