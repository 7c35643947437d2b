"""Ground that belongs to other levels: landings, docks, pits, and slabs over a lower storey.

Where a raised level lies, the floor does not go on below it, as it does below a crate; where
a lower one lies open, the floor ends at an edge and not where the scan ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import Cells

if TYPE_CHECKING:
    from pourdatum.layers import Sheet
    from pourdatum.levels import Level
    from pourdatum.walls import WallLine

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_RAISED_M: Final = (0.05, 1.6)
"""Heights above the floor at which another level hides no floor but ends it [m]."""
_LOWER_M: Final = (-3.0, -0.05)
_ON_IT_M: Final = 0.03
_GAP_M: Final = 0.15
"""Gaps between points of a level that are closed [m]."""
_LID_GAP_M: Final = 0.4
_BLIND_M: Final = 0.8
"""Half-width of bays in the seen floor that are closed [m]."""
_BAY_M: Final = 2.2
"""Width up to which a bay between seen floor on both sides is closed along a wall's direction:
a tripod 1.6 m high that looks down by 60° is blind over 1.9 m [m]."""
_STRIP_M: Final = 0.3
"""Width up to which floor seen in a strip is none: walls are met at the floor's level [m]."""
_SQUARE_DEG: Final = 10.0
"""Walls up to this far apart in direction, right angles left out, run the same way [°]."""
_CONTACT: Final = 0.3
"""Share of its border along which unseen ground must meet another level to go with it [1]."""
_STEPS_M: Final = 2.5
"""How far from a landing its steps reach [m]."""
_STEP_WIDTH_M: Final = 0.5
_HEAD_M: Final = 0.15


@dataclass(frozen=True, eq=False)
class Elsewhere:
    """Cells of other levels.

    Attributes
    ----------
    raised : (ny, nx) bool array
        Landings and docks with their steps.
    lower : (ny, nx) bool array
        Open lower ground.
    lid : (ny, nx) bool array
        Cells over the seen underside of the floor's own slab.
    """

    raised: Mask
    lower: Mask
    lid: Mask

    @property
    def apart(self) -> Mask:
        """Cells that are no part of this floor."""
        mask: Mask = self.raised | self.lower
        return mask


def ground_elsewhere(cells: Cells, level: Level, floor_points: NDArray[np.int64]) -> Elsewhere:
    """Other levels over the cells of a floor.

    Parameters
    ----------
    cells : Cells
    level : Level
        The coarse floor, with the other levels of the scan.
    floor_points : (ny, nx) int array
        Points at the floor's level in each cell.
    """
    shape = cells.grid.shape
    raised, lower, lid = (np.zeros(shape, bool) for _ in range(3))
    blank = np.zeros(shape, bool)
    for sheet in level.slabs:
        lid |= _covered(cells, sheet, blank)
    lid = _closed(lid, _LID_GAP_M / cells.grid.cell_m)
    bare = floor_points > 0
    for sheet in level.others:
        rise = sheet.z_m - level.at(sheet.x_m, sheet.y_m)
        known = np.isfinite(rise)
        if not known.any():
            continue
        height = float(np.median(rise[known]))
        if _RAISED_M[0] < height < _RAISED_M[1]:
            own = _covered(cells, sheet, bare)
            raised |= own | _steps(cells, own, height, floor_points)
        elif _LOWER_M[0] < height < _LOWER_M[1]:
            lower |= _covered(cells, sheet, bare | lid)
    lower = lower & ~lid
    return Elsewhere(raised, lower, lid)


def _covered(cells: Cells, sheet: Sheet, but: Mask) -> Mask:
    """Cells in which points of a sheet lie, small gaps between them closed."""
    from scipy.ndimage import binary_opening, distance_transform_edt

    grid = cells.grid
    x, y = grid.mesh()
    c0, r0 = int(sheet.col.min()) - 2, int(sheet.row.min()) - 2
    size = (int(sheet.row.max()) + 3 - r0, int(sheet.col.max()) + 3 - c0)
    z_m = np.full(size, np.nan)
    z_m[sheet.row - r0, sheet.col - c0] = sheet.z_m
    away, (near_row, near_col) = distance_transform_edt(np.isnan(z_m), return_indices=True)
    col = np.floor(x / sheet.column_m).astype(np.int64) - c0
    row = np.floor(y / sheet.column_m).astype(np.int64) - r0
    inside = (row >= 0) & (col >= 0) & (row < size[0]) & (col < size[1])
    row, col = np.clip(row, 0, size[0] - 1), np.clip(col, 0, size[1] - 1)
    near = inside & (away[row, col] <= 1.5)
    wanted = z_m[near_row[row, col], near_col[row, col]]
    held = np.zeros(grid.shape, np.int64)
    for column in (cells.band, cells.structure):
        on = near.ravel()[column.cell] & (
            np.abs(column.z_m - wanted.ravel()[column.cell]) < _ON_IT_M
        )
        held += cells.total(column, on)
    mask = _closed(held > 0, _GAP_M / grid.cell_m)
    # Points of a wall at that height are a line and no level.
    found: Mask = binary_opening(mask, np.ones((3, 3), bool)) & ~but
    return found


def _closed(mask: Mask, radius: float) -> Mask:
    """Gaps up to twice a radius in cells closed."""
    from scipy.ndimage import distance_transform_edt

    if not mask.any():
        return mask
    wide = max(round(radius), 1) + 1
    near = distance_transform_edt(~np.pad(mask, wide)) <= wide - 1
    shrunk: Mask = (distance_transform_edt(near) > wide - 1)[wide:-wide, wide:-wide]
    return shrunk | mask


def bays_at_edge(apart: Mask, seen: Mask, cell_m: float, lines: Sequence[WallLine] = ()) -> Mask:
    """Bays in the seen floor at its edge to another level: a tripod's blind spot is floor.

    Edges run as walls do: along a wall's direction, or square to it, floor goes on between two
    seen parts of it. That fills the bay to a straight edge, and no inner corner.
    """
    from scipy.ndimage import binary_opening, distance_transform_edt

    if not apart.any():
        return np.zeros_like(seen)
    near = distance_transform_edt(~apart) * cell_m < 2.5 * _BLIND_M
    bays: Mask = _closed(seen, _BLIND_M / cell_m)
    width = max(round(_STRIP_M / cell_m), 1) + 1
    broad = binary_opening(seen, np.ones((width, width), bool))
    for turn in _directions(lines):
        for direction in (turn, turn + 0.5 * np.pi):
            bays = bays | _between(broad, direction, _BAY_M / cell_m)
    return bays & ~apart & near


def _directions(lines: Sequence[WallLine]) -> list[float]:
    """Directions of walls, a right angle apart being the same [rad]; the longest runs first."""
    left = [
        (float(np.ptp(line.along_m)), float(np.arctan2(line.normal[1], line.normal[0])))
        for line in lines
    ]
    found: list[float] = []
    for _, turn in sorted(left, reverse=True):
        off = [abs((turn - other + np.pi / 4) % (np.pi / 2) - np.pi / 4) for other in found]
        if min(off, default=np.inf) > np.radians(_SQUARE_DEG):
            found.append(turn)
    return found[:2]


def _between(mask: Mask, direction: float, longest: float) -> Mask:
    """Cells on straight runs of a length in cells at most between two cells of a mask."""
    step = np.array([np.sin(direction), np.cos(direction)])
    reach = int(longest)
    wide = np.pad(mask, reach + 1)
    away = np.full((2, *mask.shape), np.inf)
    for k in range(reach, 0, -1):
        for side, sign in enumerate((1, -1)):
            row, col = (int(part) + reach + 1 for part in np.rint(sign * k * step))
            met = wide[row : row + mask.shape[0], col : col + mask.shape[1]]
            away[side][met] = k
    found: Mask = away.sum(axis=0) <= longest
    return found


def hidden_apart(apart: Mask, floor: Mask, barrier: Mask) -> Mask:
    """Unseen ground that goes with other levels: their own shade, and that of their edge.

    What was seen of a floor ends at its edge; the strip beyond, which the edge hides from
    a scanner on the floor, lies lower. ``floor`` holds what was seen of it, and its bays.
    """
    from scipy.ndimage import binary_dilation, label

    blank = ~(apart | floor | barrier)
    groups, count = label(blank)
    size = count + 1

    def contact(mask: Mask) -> Array:
        total = np.bincount(groups[binary_dilation(mask) & blank], minlength=size)
        return np.asarray(total, np.float64)

    other, own = contact(apart), contact(floor)
    goes = (other > 0) & (other > _CONTACT * (other + own))
    goes[0] = False
    found: Mask = goes[groups]
    return found


def _steps(cells: Cells, landing: Mask, height_m: float, floor_points: NDArray[np.int64]) -> Mask:
    """Treads beside a landing: lower than it, nothing over them, no floor seen below them."""
    from scipy.ndimage import (
        binary_closing,
        binary_dilation,
        binary_opening,
        distance_transform_edt,
        label,
    )

    grid = cells.grid
    if not landing.any():
        return landing
    between = np.zeros(grid.shape, np.int64)
    over = np.zeros(grid.shape, np.int64)
    for column in (cells.band, cells.structure):
        low = (column.height_m > 0.03) & (column.height_m < height_m + 0.03)
        between += cells.total(column, low)
        over += cells.total(
            column, (column.height_m > height_m + _HEAD_M) & (column.height_m < 2.0)
        )
    tread = (between >= 1) & (over == 0) & (floor_points == 0) & ~landing
    tread = binary_closing(tread, np.ones((3, 3), bool)) & (floor_points == 0) & ~landing
    width = max(round(_STEP_WIDTH_M / grid.cell_m), 2)
    near = distance_transform_edt(~landing) * grid.cell_m < _STEPS_M
    both = (tread & near) | landing
    # What is as wide as a step and joins the landing.
    wide = binary_opening(np.pad(both, width, mode="edge"), np.ones((width, width), bool))
    wide = wide[width:-width, width:-width] & tread & near
    groups, _ = label(wide | landing, np.ones((3, 3), bool))
    joined = np.isin(groups, np.unique(groups[landing])) & wide
    found: Mask = binary_dilation(joined, np.ones((3, 3), bool)) & (floor_points == 0)
    return found
