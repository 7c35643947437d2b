"""The loop of ``cellsums`` compiled; imported only where Numba is installed.

Same numbers as the plain loops there and in ``paged``, operation for operation: no fast
mathematics, for that may round otherwise. Machine code is kept beside this file, or in the
user's cache folder.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from pourdatum.block import DEPTH, SIDE, lot
from pourdatum.grid import LAYER_BITS, LAYER_OFFSET, PLAN_BITS, PLAN_OFFSET
from pourdatum.scan import LATTICE_M

_SIDE_BITS = SIDE.bit_length() - 1
_DEPTH_BITS = DEPTH.bit_length() - 1
_lot = njit(cache=True, nogil=True, inline="always")(lot)
_AT_ONCE = 256
"""Points whose voxels are found before any is added to."""


@njit(cache=True, nogil=True, inline="always")
def _level_at(
    x: float, y: float, x0_m: float, y0_m: float, cell_m: float, level_m: Any
) -> tuple[float, int, int]:
    """Coarse level, bilinear, and the row and column of the nearest node; NaN outside."""
    ny, nx = level_m.shape
    u, v = (x - x0_m) / cell_m, (y - y0_m) / cell_m
    if not (u >= 0 and v >= 0 and u <= nx - 1 and v <= ny - 1):
        return np.nan, 0, 0
    i, j = min(np.int64(u), nx - 2), min(np.int64(v), ny - 2)
    du, dv = u - i, v - j
    low = level_m[j, i] * (1 - du) + level_m[j, i + 1] * du
    high = level_m[j + 1, i] * (1 - du) + level_m[j + 1, i + 1] * du
    return low * (1 - dv) + high * dv, j + (dv >= 0.5), i + (du >= 0.5)


@njit(cache=True, nogil=True, inline="always")
def _voxel_of(
    x: int, y: int, z: int, block: Any, table: Any, room: int, used: int, held: Any, n: int
) -> int:
    """Note the voxel of a point and its offsets in ``held[n]``, -1 outside the block.

    Pages used afterwards; -1 where one more is needed than there is room for.
    """
    col0, row0, layer0, cols, rows, layers, cell, thick, page_rows, page_cols = block
    col, row, layer = x // cell, y // cell, z // thick
    c, r, k = col - col0, row - row0, layer - layer0
    held[n, 0] = -1
    if c < 0 or c >= cols or r < 0 or r >= rows or k < 0 or k >= layers:
        return used
    # Shifts and masks: the compiler does not know that these are not negative.
    page = ((k >> _DEPTH_BITS) * page_rows + (r >> _SIDE_BITS)) * page_cols + (c >> _SIDE_BITS)
    at = table[np.uint64(page)]
    if at < 0:
        if used == room:
            return -1
        at = used
        table[np.uint64(page)] = at
        used += 1
    voxel = (((r & (SIDE - 1)) << _SIDE_BITS) + (c & (SIDE - 1))) << _DEPTH_BITS
    held[n, 0] = at * (SIDE * SIDE * DEPTH) + voxel + (k & (DEPTH - 1))
    held[n, 1], held[n, 2], held[n, 3] = x - col * cell, y - row * cell, z - layer * thick
    return used


@njit(cache=True, nogil=True, inline="always")
def _put(held: Any, many: int, pool: Any, highest: int) -> int:
    """Add points whose voxels are noted; the highest count of a voxel afterwards.

    Nothing here depends on the point before, so that many voxels are fetched at a time.
    """
    for n in range(many):
        if held[n, 0] < 0:
            continue
        at = np.uint64(held[n, 0])
        count = pool[at, 0] + np.uint32(1)
        pool[at, 0] = count
        pool[at, 1] += np.uint32(held[n, 1])
        pool[at, 2] += np.uint32(held[n, 2])
        pool[at, 3] += np.uint32(held[n, 3])
        # A plain maximum of the two kinds of integer would be a float.
        highest = max(highest, np.int64(count))  # type: ignore[assignment]
    return highest


@njit(cache=True, nogil=True)
def sort_out(
    points: Any, x0_m: float, y0_m: float, cell_m: float, level_m: Any,
    band: int, lowest: int, highest: int, keep: Any, keep_one_in: int,
    near: Any, far: Any, kept: Any,
) -> tuple[int, int, int]:  # fmt: skip
    """Copy points near the level, farther off, and to be kept; how many of each."""
    in_near = in_far = count = 0
    for n in range(points.shape[0]):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        level, row, col = _level_at(x * LATTICE_M, y * LATTICE_M, x0_m, y0_m, cell_m, level_m)
        if np.isnan(level):
            continue
        rise = z - np.int64(np.rint(level / LATTICE_M))
        if abs(rise) <= band:
            near[in_near, 0], near[in_near, 1], near[in_near, 2] = x, y, z
            in_near += 1
            if keep[row, col] and (keep_one_in == 1 or _lot(x, y, z) % keep_one_in == 0):
                kept[count, 0], kept[count, 1], kept[count, 2] = x, y, z
                count += 1
        elif lowest < rise < highest:
            far[in_far, 0], far[in_far, 1], far[in_far, 2] = x, y, z
            in_far += 1
    return in_near, in_far, count


@njit(cache=True, nogil=True)
def add_to(
    points: Any, done: int, block: Any, table: Any, pool: Any, used: int, most: int
) -> tuple[int, int, int]:
    """Take points from ``done`` on; ends early where the pool is full, to be called again."""
    all_voxels = pool.reshape(-1, 4)
    held = np.empty((_AT_ONCE, 4), np.int64)
    n = done
    full = False
    while n < points.shape[0] and not full:
        many = 0
        end = min(n + _AT_ONCE, points.shape[0])
        while n < end:
            after = _voxel_of(points[n, 0], points[n, 1], points[n, 2], block, table,
                              pool.shape[0], used, held, many)  # fmt: skip
            if after < 0:
                full = True
                break
            used = after
            many += 1
            n += 1
        most = _put(held, many, all_voxels, most)
    return n, used, most


@njit(cache=True, nogil=True)
def voxels(block: Any, table: Any, pool: Any, key: Any, count: Any, sums: Any) -> int:
    """Fill in the voxels that hold points in the order of their keys; how many there are."""
    col0, row0, layer0, cols, rows, _, _, _, page_rows, page_cols = block
    groups = table.size // (page_rows * page_cols)
    at = 0
    # Most of a column's pages were never made: those that were are listed once for its rows.
    made = np.empty((page_cols, groups), np.int64)
    many = np.empty(page_cols, np.int64)
    for r in range(rows):
        if r & (SIDE - 1) == 0:
            for page_col in range(page_cols):
                many[page_col] = 0
                column = (r >> _SIDE_BITS) * page_cols + page_col
                for g in range(groups):
                    if table[g * page_rows * page_cols + column] >= 0:
                        made[page_col, many[page_col]] = g
                        many[page_col] += 1
        for c in range(cols):
            page_col = c >> _SIDE_BITS
            column = (r >> _SIDE_BITS) * page_cols + page_col
            inside = (((r & (SIDE - 1)) << _SIDE_BITS) + (c & (SIDE - 1))) << _DEPTH_BITS
            for nth in range(many[page_col]):
                g = made[page_col, nth]
                page = table[g * page_rows * page_cols + column]
                for k in range(DEPTH):
                    held = pool[page, inside + k]
                    if held[0] == 0:
                        continue
                    key[at] = (
                        ((r + row0 + PLAN_OFFSET) << (PLAN_BITS + LAYER_BITS))
                        | ((c + col0 + PLAN_OFFSET) << LAYER_BITS)
                        | (g * DEPTH + k + layer0 + LAYER_OFFSET)
                    )
                    count[at] = held[0]
                    sums[0, at], sums[1, at], sums[2, at] = held[1], held[2], held[3]
                    at += 1
    return at


@njit(cache=True, nogil=True)
def heights(
    x_m: Any, y_m: Any, x0_m: float, y0_m: float, cell_m: float, level_m: Any, out: Any
) -> None:
    """Coarse level at places, as ``levels.Level.at`` gives it."""
    for n in range(x_m.size):
        out[n] = _level_at(x_m[n], y_m[n], x0_m, y0_m, cell_m, level_m)[0]


@njit(cache=True, nogil=True)
def columns(
    key: Any, count: Any, sums: Any, c0: int, r0: int, nx: int, cell_m: float, layer_m: float,
    x0_m: float, y0_m: float, coarse_m: float, level_m: Any,
    cell: Any, height_m: Any, z_m: Any, out_x_m: Any, out_y_m: Any,
) -> None:  # fmt: skip
    """Cells and mean places of voxels, as ``cells.column_of`` gives them.

    ``cell`` may be the memory of ``key``, and the places that of ``sums``.
    """
    for n in range(key.size):
        layer = (key[n] & ((1 << LAYER_BITS) - 1)) - LAYER_OFFSET
        col = ((key[n] >> LAYER_BITS) & ((1 << PLAN_BITS) - 1)) - PLAN_OFFSET
        row = (key[n] >> (PLAN_BITS + LAYER_BITS)) - PLAN_OFFSET
        x = sums[0, n] / count[n] * LATTICE_M + col * cell_m
        y = sums[1, n] / count[n] * LATTICE_M + row * cell_m
        z = sums[2, n] / count[n] * LATTICE_M + layer * layer_m
        cell[n] = (row - r0) * nx + (col - c0)
        out_x_m[n], out_y_m[n], z_m[n] = x, y, z
        height_m[n] = z - _level_at(x, y, x0_m, y0_m, coarse_m, level_m)[0]


@njit(cache=True, nogil=True)
def totals(cell: Any, count: Any, chosen: Any, out: Any) -> None:
    """Points per cell of the chosen voxels."""
    for n in range(cell.size):
        if chosen[n]:
            out[cell[n]] += count[n]


@njit(cache=True, nogil=True)
def sums(cell: Any, count: Any, chosen: Any, value: Any, out: Any) -> None:
    """Sum of values times points per cell of the chosen voxels."""
    for n in range(cell.size):
        if chosen[n]:
            out[cell[n]] += value[n] * count[n]


@njit(cache=True, nogil=True)
def medians(cell: Any, count: Any, chosen: Any, height_m: Any, value: Any, seen: Any) -> None:
    """As ``bare._cell_median``: height of the voxel that holds the middle point of its cell."""
    first = 0
    while first < cell.size:
        own = cell[first]
        total = 0
        last = first
        while last < cell.size and cell[last] == own:
            if chosen[last]:
                total += count[last]
            last += 1
        if total > 0:
            middle = (total + 1) // 2
            running = 0
            for n in range(first, last):
                if chosen[n]:
                    running += count[n]
                    if running >= middle:
                        value[own] = height_m[n]
                        break
            seen[own] = True
        first = last


@njit(cache=True, nogil=True)
def las_lattice(
    stored: Any, flags: Any, withheld: int, kinds: Any, kind_bits: int, noise: Any, no_number: int,
    scale: Any, offset: Any, axes: Any, factors: Any, origin: Any,
    out: Any, low: Any, high: Any,
) -> int:  # fmt: skip
    """Measurements among LAS records as lattice points; how many, and the box of the raw ones.

    As ``read.las`` and ``scan.Frame.to_lattice`` make them, step for step.
    """
    at = 0
    for n in range(stored.shape[0]):
        x, y, z = stored[n, 0], stored[n, 1], stored[n, 2]
        if x == no_number or y == no_number or z == no_number or flags[n] & withheld:
            continue
        if kinds[n] & kind_bits in noise:
            continue
        raw = (x * scale[0] + offset[0], y * scale[1] + offset[1], z * scale[2] + offset[2])
        for k in range(3):
            low[k], high[k] = min(low[k], raw[k]), max(high[k], raw[k])
            out[at, k] = np.int64(np.rint((raw[axes[k]] * factors[k] - origin[k]) / LATTICE_M))
        at += 1
    return at


def warm_up() -> None:
    """Load or make the machine code, on one point."""
    point, level = np.zeros((1, 3), np.int64), np.zeros((2, 2))
    block = (0, 0, 0, 1, 1, 1, 10, 10, 1, 1)
    table, pool = np.full(1, -1, np.int32), np.zeros((1, SIDE * SIDE * DEPTH, 4), np.uint32)
    near, far = np.empty((2, 1, 3), np.int64)
    keep, kept = np.zeros((2, 2), bool), np.empty((1, 3), np.int32)
    sort_out(point, 0.0, 0.0, 0.1, level, 100, -100, 100, keep, 1, near, far, kept)
    add_to(point, 0, block, table, pool, 0, 0)
    key, count = np.zeros(256, np.int64), np.ones(256, np.int64)
    voxels(block, table, pool, key, count, np.empty((3, 256), np.int64))
    places = [np.empty(1) for _ in range(4)]
    for offsets in (np.zeros((3, 1), np.int64), np.zeros((3, 2), np.int64)[:, :1]):
        columns(key[:1], count[:1], offsets, 0, 0, 1, 0.1, 0.001,
                0.0, 0.0, 0.1, level, key[:1], *places)  # fmt: skip
    first = np.zeros(1, np.int64)
    totals(first, count[:1], np.ones(1, np.bool_), np.zeros(1, np.int64))
    sums(first, count[:1], np.ones(1, np.bool_), places[0], np.zeros(1))
    medians(first, count[:1], np.ones(1, np.bool_), places[0], np.zeros(1), np.zeros(1, np.bool_))
    heights(places[0], places[1], 0.0, 0.0, 0.1, level, places[2])
    ones = (1.0, 1.0, 1.0)
    for records in (np.zeros((2, 30), np.uint8), np.frombuffer(bytes(60), np.uint8)):
        rows = records.reshape(2, 30)
        stored = np.ndarray((2, 3), "<i4", rows, 0, (30, 4))
        out, low, high = np.empty((2, 3), np.int64), np.empty(3), np.empty(3)
        las_lattice(stored, rows[:, 15], 4, rows[:, 16], 255, (0, 0), -(2**31), ones, ones,
                    (0, 1, 2), ones, ones, out, low, high)  # fmt: skip
