"""Sheets in plan: their columns as masks, what covers what, and which lie in one plane."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import NoFloor
from pourdatum.geometry import fit_plane
from pourdatum.grid import pack, unpack
from pourdatum.layers import Sheet

Mask = NDArray[np.bool_]
Keys = NDArray[np.int64]

_SAME_PLANE_M: Final = 0.04
NEAR_M: Final = 1.0
"""How far beside a top the floor around it is looked for [m]."""
_OTHER_WIDTH_M: Final = 0.8
"""Other levels are listed from this area and width on: sills, shelves and benches are none."""


def columns_held(level: list[Sheet], wide: Sheet) -> int:
    """Columns of a wide sheet that hold a part of a level."""
    return sum(_shared_columns(part, wide) for part in level)


def _shared_columns(part: Sheet, wide: Sheet) -> int:
    """Columns of a wide sheet that hold a part of a sheet at their level."""
    times = round(wide.column_m / part.column_m)
    key = pack(part.col // times, part.row // times, np.zeros_like(part.col))
    order = np.argsort(wide.key)
    at = np.minimum(np.searchsorted(wide.key[order], key), order.size - 1)
    same = wide.key[order][at] == key
    near = np.abs(wide.z_m[order][at] - part.z_m) < 1.5 * _SAME_PLANE_M
    return int(np.unique(key[same & near]).size)


def is_beside(top: Sheet, part: Sheet) -> bool:
    """Whether a sheet lies within reach of another in plan."""
    reach = NEAR_M / part.column_m
    return bool(
        (part.row.min() - reach <= top.row.max())
        and (top.row.min() <= part.row.max() + reach)
        and (part.col.min() - reach <= top.col.max())
        and (top.col.min() <= part.col.max() + reach)
    )


def place_on(sheet: Sheet) -> tuple[float, float]:
    """A place well inside a sheet, local plan [m]: the middle of the widest part of it."""
    from scipy.ndimage import distance_transform_edt

    mask, c0, r0 = raster(sheet, 1)
    row, col = np.unravel_index(int(np.argmax(distance_transform_edt(mask))), mask.shape)
    return (
        (float(col) + c0 + 0.5) * sheet.column_m,
        (float(row) + r0 + 0.5) * sheet.column_m,
    )


def inner_keys(item: Sheet) -> Keys:
    """Columns of a sheet not at its rim, packed; all where it is that narrow."""
    from scipy.ndimage import binary_erosion

    mask, c0, r0 = raster(item, 1)
    row, col = np.nonzero(binary_erosion(mask, np.ones((3, 3), bool)))
    if row.size < 0.2 * item.row.size:
        return item.key
    return pack(col + c0, row + r0, np.zeros_like(col))


def covered_share(keys: Keys, below: list[Sheet]) -> float:
    """Share of columns below which other sheets were seen."""
    col, row, _ = unpack(keys)
    c0, r0 = int(col.min()), int(row.min())
    shape = (int(row.max()) + 1 - r0, int(col.max()) + 1 - c0)
    seen = np.zeros(shape, bool)
    for other in below:
        seen |= on_raster(other.key, shape, c0, r0)
    return float(seen[row - r0, col - c0].mean())


def raster(sheet: Sheet, margin: int) -> tuple[Mask, int, int]:
    """Columns of a sheet as a mask, and column and row of its first cell."""
    c0, r0 = int(sheet.col.min()) - margin, int(sheet.row.min()) - margin
    shape = (int(sheet.row.max()) + margin + 1 - r0, int(sheet.col.max()) + margin + 1 - c0)
    mask = np.zeros(shape, bool)
    mask[sheet.row - r0, sheet.col - c0] = True
    return mask, c0, r0


def on_raster(keys: Keys, shape: tuple[int, ...], c0: int, r0: int) -> Mask:
    """Packed columns on the raster whose first cell is at column ``c0`` and row ``r0``."""
    col, row, _ = unpack(keys)
    c, r = col - c0, row - r0
    inside = (r >= 0) & (c >= 0) & (r < shape[0]) & (c < shape[1])
    mask = np.zeros(shape, bool)
    mask[r[inside], c[inside]] = True
    return mask


def overlap(a: Sheet, b: Sheet) -> float:
    """Share of a's columns in which b lies too, or a neighbouring column's."""
    near = np.unique(
        np.concatenate(
            [
                pack(b.col + dc, b.row + dr, np.zeros_like(b.col))
                for dr in (-1, 0, 1)
                for dc in (-1, 0, 1)
            ]
        )
    )
    return float(np.isin(a.key, near).mean())


def in_planes(floors: list[Sheet]) -> list[list[Sheet]]:
    """Floors in one plane as one level: shade cuts a floor into pieces."""
    left = sorted(floors, key=lambda item: -item.area_m2)
    levels: list[list[Sheet]] = []
    while left:
        main = left[0]
        try:
            plane, _ = fit_plane(main.x_m, main.y_m, main.z_m)
        except ValueError:
            if len(left) == 1 and not levels:
                raise NoFloor(
                    "the points at one level lie on a line and make no surface",
                    hint="scan the floor, not a single profile",
                    id="no-floor",
                ) from None
            left = left[1:]
            continue
        level = [main]
        for item in left[1:]:
            off = np.abs(item.z_m - plane.at(item.x_m, item.y_m))
            if float(np.quantile(off, 0.8)) < _SAME_PLANE_M:
                level.append(item)
        levels.append(level)
        left = [item for item in left if item not in level]
    return levels


def is_wide(sheet: Sheet) -> bool:
    """Whether one can stand on it anywhere: thin spots between its columns are closed."""
    from scipy.ndimage import binary_closing, distance_transform_edt

    mask, _, _ = raster(sheet, 2)
    mask |= binary_closing(mask, np.ones((3, 3), bool))
    inmost = float(distance_transform_edt(mask).max())
    return (2 * inmost - 1) * sheet.column_m >= _OTHER_WIDTH_M
