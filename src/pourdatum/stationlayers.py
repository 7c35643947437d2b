"""Set-ups that were joined centimetres too high or low, found before the floor is.

Such a scan holds its floor in layers, and what is fitted to all of them follows now one and now
another. So each set-up's own floor is looked for first, block by block: the height at which it has
most points near the coarse level. By how much these differ between two set-ups, as the median over
the blocks that both see, is known to a millimetre or two, whatever stands on the floor.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.chunks import PointStore
from pourdatum.grid import Grid
from pourdatum.passing import Progress
from pourdatum.scan import LATTICE_M, ChunkRef, Scan

if TYPE_CHECKING:
    from pourdatum.levels import Level

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

STAGE: Final = "set-ups against each other"
_REACH_M: Final = 0.15
"""Height above and below the coarse level within which a set-up's floor is looked for [m]."""
_BIN_M: Final = 0.002
_PEAK: Final = 3
"""Bins that a layer is looked for with."""
_BLOCK_M: Final = 0.75
_MOST_BLOCKS: Final = 4_000
_LEAST_POINTS: Final = 30
_LEAST_SHARE: Final = 0.4
"""Share of a block's points that lie in its layer: less is the foot of a wall or a thing."""
_LEAST_BLOCKS: Final = 3
_GROSS_M: Final = 0.002
"""Distance of set-ups from which they are joined anew before the floor is looked for [m]."""


def parts_of(scan: Scan, sample: PointStore) -> list[PointStore | None]:
    """The points of each set-up; None of one that has none."""
    parts: list[PointStore | None] = []
    first = 0
    for station in scan.stations:
        last = first + len(station.chunks)
        parts.append(sample.part(first, last) if last > first else None)
        first = last
    return parts


def stood_at(scan: Scan) -> tuple[tuple[float, float, float] | None, ...]:
    """Where each set-up stood, local [m]; None where its file does not say."""
    x0, y0, z0 = scan.origin_m
    return tuple(
        None if at is None else (at[0] - x0, at[1] - y0, at[2] - z0)
        for at in (one.place_m for one in scan.stations)
    )


def without_steps(scan: Scan, step_m: NDArray[np.float64]) -> Scan:
    """The scan with each set-up lowered by its step."""

    def lowered(chunk: ChunkRef, own_m: float) -> ChunkRef:
        x, y, z = chunk.frame.origin_m
        return replace(chunk, frame=replace(chunk.frame, origin_m=(x, y, z + own_m)))

    return replace(
        scan,
        stations=tuple(
            replace(one, chunks=tuple(lowered(chunk, float(own_m)) for chunk in one.chunks))
            for one, own_m in zip(scan.stations, step_m, strict=True)
        ),
    )


def gross_steps_m(scan: Scan, store: PointStore, level: Level, progress: Progress) -> Array:
    """By how much each set-up lies above the mean of those it overlaps (k,) [m]; 0 where little.

    Parameters
    ----------
    scan : Scan
    store : PointStore
    level : Level
        The coarse floor.
    progress : callable
    """
    count = len(scan.stations)
    none = np.zeros(count)
    if count < 2:
        return none
    parts = parts_of(scan, store.sample())
    blocks = _blocks(level.grid)
    counted = partial(_counted, level=level, blocks=blocks)
    held = [
        None if part is None else part.fold(counted, np.add, stage=STAGE, progress=progress)
        for part in parts
    ]
    layer = np.stack([np.full(blocks.ny * blocks.nx, np.nan) if one is None else _layer(one)
                      for one in held])  # fmt: skip
    step = _together(layer)
    return step if np.ptp(step) > _GROSS_M else none


def _blocks(grid: Grid) -> Grid:
    """Blocks over the coarse floor."""
    wide, high = grid.nx * grid.cell_m, grid.ny * grid.cell_m
    side = max(_BLOCK_M, float(np.sqrt(wide * high / _MOST_BLOCKS)))
    nx, ny = int(np.ceil(wide / side)), int(np.ceil(high / side))
    corner = (grid.x0_m - 0.5 * grid.cell_m, grid.y0_m - 0.5 * grid.cell_m)
    return Grid(corner[0] + 0.5 * side, corner[1] + 0.5 * side, side, ny, nx)


def _counted(points: Counts, level: Level, blocks: Grid) -> Counts:
    """Points by block and height above the coarse level, (blocks, bins)."""
    bins = 2 * round(_REACH_M / _BIN_M)
    x_m, y_m, z_m = points.T * LATTICE_M
    row, col = blocks.cell_of(x_m, y_m)
    use = blocks.holds(row, col)
    rise = z_m - level.at(x_m, y_m)
    use &= np.abs(np.nan_to_num(rise, nan=9.0)) < _REACH_M
    at = np.clip((rise[use] / _BIN_M + bins / 2).astype(np.int64), 0, bins - 1)
    size = blocks.ny * blocks.nx
    cell = (row[use] * blocks.nx + col[use]) * bins + at
    return np.bincount(cell, minlength=size * bins).reshape(size, bins)


def _layer(count: Counts) -> Array:
    """Height of the layer that holds most points of each block (n,) [m]; NaN where none does."""
    from scipy.ndimage import uniform_filter1d

    smooth = uniform_filter1d(count.astype(np.float64), _PEAK, axis=1, mode="constant") * _PEAK
    peak = smooth.argmax(axis=1)
    total = count.sum(axis=1)
    sure = (total >= _LEAST_POINTS) & (smooth.max(axis=1) >= _LEAST_SHARE * total)
    near = np.abs(np.arange(count.shape[1]) - peak[:, None]) <= _PEAK
    middle = (np.arange(count.shape[1]) + 0.5) * _BIN_M - _REACH_M
    weight = near * count
    height = (weight @ middle) / np.maximum(weight.sum(axis=1), 1)
    return np.where(sure, height, np.nan)


def _together(layer_m: Array) -> Array:
    """Steps whose differences are the medians between set-ups, about the mean of each group (k,).

    Least squares over pairs, each weighted by the blocks that both see.
    """
    count = len(layer_m)
    seen = np.isfinite(layer_m)
    shared = seen.astype(np.int64) @ seen.T.astype(np.int64)
    matrix, right = np.zeros((count, count)), np.zeros(count)
    for i in range(count):
        for j in range(i + 1, count):
            if shared[i, j] < _LEAST_BLOCKS:
                continue
            apart = float(np.nanmedian(layer_m[i] - layer_m[j]))
            weight = float(shared[i, j])
            matrix[[i, j], [i, j]] += weight
            matrix[[i, j], [j, i]] -= weight
            right[[i, j]] += (weight * apart, -weight * apart)
    out: Array = np.linalg.pinv(matrix, hermitian=True) @ right
    return out
