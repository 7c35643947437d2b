"""Floor in pieces that steep sides part: pockets, recesses, old patches, two levels.

A fit that reaches over a steep side shows a lip above it and a trough below it, and points of
the lower piece lie so far off the floor around that they pass for no floor at all. So pieces are
told apart first, by the median height of cells alone; what parts a piece from the floor around is
taken off before anything is fitted, and put back to the heights that come out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cellheights import cell_medians, occupied_cells
from pourdatum.cells import Cells
from pourdatum.geometry import fit_plane
from pourdatum.grid import Grid, block_means, group_windows, widened
from pourdatum.onepiece import (
    DEEPEST_M,
    LEAST_CELLS,
    RAISED_M,
    RIM_CELLS,
    SHADE_M,
    find_piece,
    is_floor,
    lies_apart,
    own_level_m,
)

if TYPE_CHECKING:
    from pourdatum.levels import Level

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Place = tuple[float, ...]

_LEAST_STEP_M: Final = 0.006
_STEP_NOISES: Final = 6.0
"""Steps are as high at least, in noises of a cell's median [1]."""
_WANTED_STEP_M: Final = 0.012
"""Where only higher steps would show cell by cell, means of blocks are looked at [m]."""
_WIDEST_BLOCK_M: Final = 0.1
_POCKET_M2: Final = 10.0
"""Area up to which a lower piece is a pocket [m²]. A choice."""


@dataclass(frozen=True)
class Piece:
    """A piece of the floor that steep sides part from the floor around.

    Attributes
    ----------
    place_m : tuple
        Its middle, local plan [m].
    area_m2 : float
    rise_m : float
        By how much it lies above the floor around, below it negative [m].
    """

    place_m: tuple[float, float]
    area_m2: float
    rise_m: float

    @property
    def is_pocket(self) -> bool:
        """Whether it is a place to be filled, and no other level of the floor."""
        return self.rise_m < 0.0 and self.area_m2 <= _POCKET_M2


@dataclass(frozen=True, eq=False)
class Stepped:
    """How pieces of a floor lie against the floor around them.

    Attributes
    ----------
    rise_m : (ny, nx) array
        How much higher than the floor around a piece lies at its edge, carried on over the
        piece [m]; 0 on the floor around.
    taken_m : (ny, nx) array
        What brings heights over the coarse level, which may follow a wide piece in part, to those
        over the piece's own level [m].
    number : (ny, nx) int array
        Of the piece that a cell belongs to, from 1; 0 on the floor around.
    edge : (ny, nx) bool array
        Cells that a steep side runs through or beside.
    pieces : tuple of Piece
        The largest first.
    """

    rise_m: Array
    taken_m: Array
    number: NDArray[np.int64]
    edge: Mask
    pieces: tuple[Piece, ...]

    def levelled(self, cells: Cells) -> Cells:
        """The cells with heights counted from each piece's own level."""
        taken = self.taken_m.ravel()
        band, structure = (
            replace(column, height_m=column.height_m - taken[column.cell])
            for column in (cells.band, cells.structure)
        )
        return replace(
            cells, reference_m=cells.reference_m + self.taken_m, band=band, structure=structure
        )

    def between_levels(self, widest_m2: float) -> Array:
        """The same as ``rise_m``, without raised pieces up to an area: patches and humps [m]."""
        out = self.rise_m.copy()
        for number, piece in enumerate(self.pieces, 1):
            if piece.rise_m > 0.0 and piece.area_m2 <= widest_m2:
                out[self.number == number] = 0.0
        return out

    def not_others(self, level: Level, grid: Grid) -> Level:
        """The coarse floor, without other levels that are pieces of this one."""
        own, kept = self.rise_m != 0.0, []
        for sheet in level.others:
            row, col = grid.cell_of(sheet.x_m, sheet.y_m)
            held = grid.holds(row, col)
            within = np.zeros(row.shape, bool)
            within[held] = own[row[held], col[held]]
            if within.mean() < 0.5:
                kept.append(sheet)
        return replace(level, others=tuple(kept))


def stepped_floor(cells: Cells) -> Stepped | None:
    """Pieces of the floor that steep sides part; None where there are none, as on most floors.

    Where noise hides a step from cell to cell, blocks of cells are looked at.

    Parameters
    ----------
    cells : Cells
    """
    seen = _seen(cells)
    if seen is None:
        return None
    wide = min(math.ceil(seen.step_m / _WANTED_STEP_M), int(_WIDEST_BLOCK_M / seen.grid.cell_m))
    if wide > 1:
        seen = seen.in_blocks(wide)
    found = _pieces(seen)
    if found is None:
        return None
    rise, taken, number, pieces = found
    if wide > 1:
        part = (slice(cells.grid.ny), slice(cells.grid.nx))
        rise, taken = (field.repeat(wide, 0).repeat(wide, 1)[part] for field in (rise, taken))
        number = number.repeat(wide, 0).repeat(wide, 1)[part]
    return Stepped(rise, taken, number, _edges(rise, seen.step_m, max(wide, 1)), pieces)


@dataclass(frozen=True, eq=False)
class _Seen:
    """What cells, or blocks of them, show: levels off a plane, heights over the coarse level."""

    grid: Grid
    level_m: Array
    height_m: Array
    known: Mask
    shade: Mask
    """Nothing was seen there, and nothing stands there."""

    @cached_property
    def step_m(self) -> float:
        """Least step that noise does not make [m]."""
        return _least_step_m(self.level_m, self.known)

    def in_blocks(self, wide: int) -> _Seen:
        """Means over blocks of so many cells a side."""
        weight = self.known.astype(np.float64)
        held, level_m = block_means(weight, self.level_m, wide)
        height_m = block_means(weight, self.height_m, wide)[1]
        empty = block_means(self.shade.astype(np.float64), self.level_m, wide)[0]
        known = held >= 0.5 * wide**2
        off_m = 0.5 * (wide - 1) * self.grid.cell_m
        grid = Grid(
            self.grid.x0_m + off_m, self.grid.y0_m + off_m, wide * self.grid.cell_m, *known.shape
        )
        return _Seen(grid, level_m, height_m, known, ~known & (empty >= 0.5 * wide**2))


def _seen(cells: Cells) -> _Seen | None:
    grid = cells.grid
    median, seen = cell_medians(cells.band, np.ones(cells.band.cell.size, bool), grid.shape)
    occupied = occupied_cells(cells, RAISED_M + DEEPEST_M)
    known = seen & ~occupied
    if known.sum() < LEAST_CELLS:
        return None
    level_m = _off_plane(median + cells.reference_m, known, grid)
    return _Seen(grid, level_m, median, known, ~seen & ~occupied)


def _pieces(
    seen: _Seen,
) -> tuple[Array, Array, NDArray[np.int64], tuple[Piece, ...]] | None:
    """Rise, what is taken off heights, and number of the piece, cell by cell; and the pieces."""
    from scipy.ndimage import distance_transform_edt, label

    grid, known, step_m = seen.grid, seen.known, seen.step_m
    steep = known & (_range_around(seen.level_m, known) > step_m)
    if steep.sum() < LEAST_CELLS:
        return None
    groups, count = label(known & ~steep)
    if count < 2:
        return None
    size = np.bincount(groups.ravel(), minlength=count + 1)
    size[0] = 0
    around = groups == int(np.argmax(size))
    rise, taken = np.zeros(grid.shape), np.zeros(grid.shape)
    pieces: list[Piece] = []
    number, settled = np.zeros(grid.shape, np.int64), size[groups] >= LEAST_CELLS
    windows = group_windows(groups)
    margin = max(RIM_CELLS, round(SHADE_M / grid.cell_m)) + 1
    for k in np.argsort(-size)[1:].tolist():
        if size[k] < LEAST_CELLS:
            break
        window = widened(windows[k - 1], margin, grid.shape)
        core, floor, level_m = groups[window] == k, around[window], seen.level_m[window]
        if not lies_apart(core, floor, level_m, step_m):
            continue
        found = find_piece(core, floor, level_m, known[window], seen.shade[window], grid.cell_m)
        if found is None or abs(found.usual_m) < step_m or not is_floor(found, grid.cell_m):
            continue
        rise[window] = np.where(found.own, found.rise_m, rise[window])
        own_m = own_level_m(core, seen.height_m[window], found.own, grid.cell_m)
        taken[window] = np.where(found.own, own_m, taken[window])
        x, y = grid.window(*window).mesh()
        place = (float(x[found.own].mean()), float(y[found.own].mean()))
        number[window][found.own] = len(pieces) + 1
        settled[window] |= found.rim
        pieces.append(Piece(place, float(found.own.sum()) * grid.cell_m**2, found.usual_m))
    if not pieces:
        return None
    # What was not seen, at the foot of walls and under things, goes with what was seen beside it.
    row, col = distance_transform_edt(~settled, return_distances=False, return_indices=True)
    with_it = ~settled & (number == 0)
    rise, taken = (np.where(with_it, field[row, col], field) for field in (rise, taken))
    number = np.where(with_it, number[row, col], number)
    return rise, taken, number, tuple(pieces)


def _off_plane(level_m: Array, known: Mask, grid: Grid) -> Array:
    """Levels above the plane of all [m]: the coarse level itself jumps where a pocket begins."""
    x, y = grid.mesh()
    plane, _ = fit_plane(x[known], y[known], level_m[known])
    out: Array = level_m - plane.at(x, y)
    return out


def _least_step_m(level_m: Array, known: Mask) -> float:
    """Least step that noise does not make [m]."""
    beside = [
        np.abs(np.diff(level_m, axis=axis))[
            np.moveaxis(np.moveaxis(known, axis, 0)[1:] & np.moveaxis(known, axis, 0)[:-1], 0, axis)
        ]
        for axis in (0, 1)
    ]
    off = np.concatenate(beside)
    if off.size == 0:
        return _LEAST_STEP_M
    # The median of what differs, of two normal errors, is 0.954 of one of them.
    return max(_LEAST_STEP_M, _STEP_NOISES * float(np.median(off)) / 0.954)


def _range_around(median: Array, known: Mask) -> Array:
    """Greatest less least of the known medians in a cell and its eight neighbours [m]."""
    from scipy.ndimage import maximum_filter, minimum_filter

    most = maximum_filter(np.where(known, median, -np.inf), 3, mode="nearest")
    least = minimum_filter(np.where(known, median, np.inf), 3, mode="nearest")
    out: Array = np.where(known, most - least, 0.0)
    return out


def _edges(rise: Array, step_m: float, wide: int) -> Mask:
    """Cells beside which heights jump, or blocks of so many of them do."""
    from scipy.ndimage import maximum_filter, minimum_filter

    size = 2 * wide + 1
    jump: Mask = maximum_filter(rise, size) - minimum_filter(rise, size) > 0.5 * step_m
    return jump
