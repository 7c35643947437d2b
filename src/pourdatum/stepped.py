"""Floor in pieces that steep sides part: pockets, recesses, old patches, two levels.

A fit that reaches over a steep side shows a lip above it and a trough below it, and points of
the lower piece lie so far off the floor around that they pass for no floor at all. So pieces are
told apart first, by the median height of cells alone; what parts a piece from the floor around is
taken off before anything is fitted, and put back to the heights that come out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.asked import largest_part
from pourdatum.cellheights import cell_medians, occupied_cells
from pourdatum.cells import Cells
from pourdatum.edge import cells_polygon
from pourdatum.errors import JobError
from pourdatum.geometry import fit_plane
from pourdatum.grid import Grid, block_means, filled_from_nearest, group_windows, widened
from pourdatum.localfit import local_fit
from pourdatum.openings import Opening

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
_RAISED_M: Final = 0.03
"""Height above the floor from which a piece is a thing that stands on it [m]."""
_SHALLOW_M: Final = 0.03
"""Depth up to which a piece is floor whatever its shape [m]."""
_DEEPEST_M: Final = 0.07
"""Depth beyond which a piece is a pit, which the pour must not run into [m]."""
_WIDE: Final = 8.0
"""Width of a pocket at the least, in its depths; a sump or a duct is narrower [1]. A choice."""
_ENCLOSED: Final = 0.7
"""Share of the ground beside a deep piece that is the floor around: else it is another level."""
_BESIDE: Final = 0.25
"""The same for one within the floor's own range."""
_LEAST_M2: Final = 0.02
_LEAST_CELLS: Final = 9
_FIT_M: Final = 0.1
"""Width of the fits by which both sides of an edge are carried to it [m]."""
_LEAST_WIDTH: Final = 2.4
"""The same in cells, at the least: across the cells on the edge."""
_WIDER_M: Final = (0.3, 1.0, 3.0)
"""Widths over which the height of an edge is carried into a piece [m]."""
_POCKET_M2: Final = 10.0
"""Area up to which a lower piece is a pocket [m²]. A choice."""
_RIM_CELLS: Final = 3
_ON_A_SIDE: Final = 0.6
"""Distance from the nearer side, in the step, from which a cell lies on neither: by a wall [1]."""
_SHADE_M: Final = 0.3
"""How far the shade of a pocket's edge reaches over its floor [m]."""
_SQUARE: Final = np.ones((3, 3), bool)


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
    occupied = occupied_cells(cells, _RAISED_M + _DEEPEST_M)
    known = seen & ~occupied
    if known.sum() < _LEAST_CELLS:
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
    if steep.sum() < _LEAST_CELLS:
        return None
    groups, count = label(known & ~steep)
    if count < 2:
        return None
    size = np.bincount(groups.ravel(), minlength=count + 1)
    size[0] = 0
    around = groups == int(np.argmax(size))
    rise, taken = np.zeros(grid.shape), np.zeros(grid.shape)
    pieces: list[Piece] = []
    number, settled = np.zeros(grid.shape, np.int64), size[groups] >= _LEAST_CELLS
    windows = group_windows(groups)
    margin = max(_RIM_CELLS, round(_SHADE_M / grid.cell_m)) + 1
    for k in np.argsort(-size)[1:].tolist():
        if size[k] < _LEAST_CELLS:
            break
        window = widened(windows[k - 1], margin, grid.shape)
        core, floor, level_m = groups[window] == k, around[window], seen.level_m[window]
        if not _apart(core, floor, level_m, step_m):
            continue
        found = _piece(core, floor, level_m, known[window], seen.shade[window], grid.cell_m)
        if found is None or abs(found.usual_m) < step_m or not _is_floor(found, grid.cell_m):
            continue
        rise[window] = np.where(found.own, found.rise_m, rise[window])
        own_m = _own_level_m(core, seen.height_m[window], found.own, grid.cell_m)
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


def left_open(
    stepped: Stepped | None, openings: tuple[Opening, ...], grid: Grid, at_m: Sequence[Place]
) -> tuple[Opening, ...]:
    """Openings of the pockets that lie at these places: the user says that they stay open.

    Parameters
    ----------
    stepped : Stepped, optional
    openings : tuple of Opening
        Those that were found: a place in one of them says nothing new.
    grid : Grid
    at_m : sequence of (x, y)
        Local plan [m].

    Raises
    ------
    JobError
        If neither a pocket nor an opening lies at a place.
    """
    import shapely

    chosen = []
    for place in at_m:
        row, col = (int(axis[0]) for axis in grid.cell_of(*(np.array([part]) for part in place)))
        held = 0 <= row < grid.ny and 0 <= col < grid.nx
        number = int(stepped.number[row, col]) if stepped is not None and held else 0
        if number and stepped is not None and stepped.pieces[number - 1].rise_m < 0.0:
            chosen.append(number)
        elif not any(hole.outline.covers(shapely.Point(place)) for hole in openings):
            raise JobError(
                "no pocket and no opening was found at the place of an [[opening]]",
                where="job",
                hint="take its place from the list of pockets, or draw it as a hole in the outline",
                id="opening-place",
            )
    found = []
    for number in dict.fromkeys(chosen):
        assert stepped is not None
        piece = stepped.pieces[number - 1]
        outline = largest_part(cells_polygon(grid, stepped.number == number))
        outline = shapely.simplify(shapely.Polygon(outline.exterior), 0.4 * grid.cell_m)
        # By half a cell more: no height read at its edge is one of its own floor.
        cut = outline.buffer(0.5 * grid.cell_m, join_style="mitre")
        found.append(Opening(piece.place_m, outline.area, -piece.rise_m, cut, seen=True, kept=True))
    return tuple(found)


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


def _apart(core: Mask, around: Mask, level_m: Array, step_m: float) -> bool:
    """Whether a piece lies beside the floor around, and seems to be off its level."""
    from scipy.ndimage import binary_dilation

    beside = around & binary_dilation(core, _SQUARE, iterations=_RIM_CELLS)
    if beside.sum() < _LEAST_CELLS:
        return False
    rim = core & binary_dilation(beside, _SQUARE, iterations=_RIM_CELLS)
    return bool(abs(np.median(level_m[rim]) - np.median(level_m[beside])) > 0.5 * step_m)


@dataclass(frozen=True, eq=False)
class _Found:
    own: Mask
    rim: Mask
    """Cells on its edge, of which it is known on which side they lie."""
    beside: float
    """Share of the ground around it that is floor."""
    of_seen: float
    """The same of the ground that was seen: walls left out."""
    rise_m: Array
    usual_m: float


def _piece(
    core: Mask, around: Mask, level_m: Array, known: Mask, shade: Mask, cell_m: float
) -> _Found | None:
    """A piece in its window: its cells up to the edge, and how it lies there."""
    from scipy.ndimage import binary_dilation, binary_fill_holes

    width = max(_FIT_M / cell_m, _LEAST_WIDTH)
    inner, outer = (
        local_fit(mask.astype(np.float64), width, 1, least_weight=2.0, with_error=False).height(
            level_m
        )
        for mask in (core, around)
    )
    near = binary_dilation(core, _SQUARE, iterations=_RIM_CELLS)
    both = near & np.isfinite(inner) & np.isfinite(outer)
    both &= binary_dilation(around, _SQUARE, iterations=_RIM_CELLS)
    if both.sum() < _LEAST_CELLS:
        return None
    jump = np.where(both, inner - outer, 0.0)
    # Cells on the edge go with the side that most of their points lie on.
    usual_m = float(np.median(jump[both]))
    off_inner, off_outer = (np.abs(level_m - fitted) for fitted in (inner, outer))
    rim = near & known & ~core & ~around & both
    rim &= np.minimum(off_inner, off_outer) < _ON_A_SIDE * abs(usual_m)
    own = core | (rim & (off_inner < off_outer))
    own = binary_fill_holes(own) & ~around
    ring = binary_dilation(own, _SQUARE, iterations=_RIM_CELLS) & ~own
    floor_near = binary_dilation(around, _SQUARE, iterations=_RIM_CELLS - 1)
    beside, of_seen = (
        float((part & floor_near).sum()) / max(int(part.sum()), 1) for part in (ring, ring & known)
    )
    if usual_m < 0.0:
        own |= _in_shade(own, shade, core, cell_m)
    return _Found(own, rim, beside, of_seen, _carried(jump, both, cell_m), usual_m)


def _in_shade(own: Mask, shade: Mask, core: Mask, cell_m: float) -> Mask:
    """Empty cells that hang together with a lower piece: its edge shades its own floor."""
    from scipy.ndimage import binary_dilation, label

    groups, _ = label(own | shade)
    with_it = np.isin(groups, np.unique(groups[core]))
    reach = max(round(_SHADE_M / cell_m), 1)
    found: Mask = with_it & binary_dilation(own, _SQUARE, iterations=reach)
    return found


def _carried(jump: Array, both: Mask, cell_m: float) -> Array:
    """What is known near the edge of a piece, carried on over it by ever wider means."""
    from scipy.ndimage import gaussian_filter

    out = np.full(jump.shape, float(np.mean(jump[both])))
    for width_m in reversed(_WIDER_M):
        width = width_m / cell_m
        share = gaussian_filter(both.astype(np.float64), width, mode="constant")
        total = gaussian_filter(jump, width, mode="constant")
        trust = np.clip(share / 0.02, 0.0, 1.0)
        out = out + trust * (total / np.maximum(share, 1e-9) - out)
    return out


def _own_level_m(core: Mask, height_m: Array, own: Mask, cell_m: float) -> Array:
    """Smooth height of a piece over the coarse level, everywhere on it [m]."""
    width = max(_FIT_M / cell_m, 1.6)
    fit = local_fit(core.astype(np.float64), width, 1, least_weight=6.0, with_error=False)
    fitted = np.where(own, fit.height(height_m), np.nan)
    if not np.isfinite(fitted).any():
        return np.full(core.shape, float(np.median(height_m[core])))
    return filled_from_nearest(fitted)


def _is_floor(found: _Found, cell_m: float) -> bool:
    """Whether a piece is floor to be poured over: no thing on it, no pit in it, no other level."""
    from scipy.ndimage import distance_transform_edt

    area_m2 = found.own.sum() * cell_m**2
    depth_m = -found.usual_m
    if not -_RAISED_M < depth_m < _DEEPEST_M or area_m2 < _LEAST_M2:
        return False
    if depth_m <= _SHALLOW_M:
        return found.of_seen >= _BESIDE
    wide_m = 2.0 * float(distance_transform_edt(np.pad(found.own, 1)).max()) * cell_m
    return found.beside >= _ENCLOSED and wide_m >= _WIDE * depth_m


def _edges(rise: Array, step_m: float, wide: int) -> Mask:
    """Cells beside which heights jump, or blocks of so many of them do."""
    from scipy.ndimage import maximum_filter, minimum_filter

    size = 2 * wide + 1
    jump: Mask = maximum_filter(rise, size) - minimum_filter(rise, size) > 0.5 * step_m
    return jump
