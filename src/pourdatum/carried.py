"""Floor carried on under things and into shade, from the floor around.

Within reach of the fits of ``smoothing`` a height is theirs; beyond, ever wider fits take over.
A fit knows its own noise, and not how floor bends where nobody saw it: that is told by how the
seen floor bends beside the hole.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.bare import BareFloor
from pourdatum.grid import block_means
from pourdatum.localfit import local_fit

Array = NDArray[np.float64]

_WIDER_M: Final = ((2, 0.2), (2, 0.4), (1, 0.5), (1, 1.0))
"""Order and width of the fits that carry the floor on under things."""
_FITTED_M: Final = 0.2
"""Width of seen floor beside a hole from which the floor is carried on [m]; a choice."""
_STEPS_M: Final = (0.25, 0.5)
"""Steps of the second differences that tell how floor bends beside a hole: over a longer way it
bends less, for its bends take turns [m]."""
_REACH: Final = 2.0
"""From how far they are taken, in steps."""
_USUAL_M: Final = 0.0005
"""Such a difference of a floor that shows none [m]; a choice."""
_LEFT_M: Final = 0.002
"""What floor beyond the reach of any fit errs by besides [m]; a choice."""
_COARSE: Final = 4
"""Cells a side that the wide fits take as one."""
_WORST_NOISE: Final = 0.9
"""Standard error, in noises of one point, beyond which a fit is not taken as seen floor."""


def carried_on(bare: BareFloor, height_m: Array, error_m: Array) -> tuple[Array, Array]:
    """Heights and standard errors everywhere, from ever wider fits where floor was not seen.

    Close to the seen floor a fit errs like a straight line through two places of it a distance w
    apart: by ``k a (a + w) / 2`` at a distance a from them, with k the curvature of the floor
    there. Farther off it lies between both sides, as a line from side to side does, which errs by
    half a second difference over that way, ``k a a / 2``. That is added to the error of the points'
    noise. The wide fits run on cells of four by four, for they know nothing finer.

    Parameters
    ----------
    bare : BareFloor
        The points that are floor.
    height_m, error_m : (ny, nx) arrays
        As fitted, and their standard errors; NaN or infinite where no fit has support [m].
    """
    from scipy.ndimage import distance_transform_edt

    grid = bare.cells.grid
    missing = ~np.isfinite(error_m) | (error_m > _WORST_NOISE * bare.local_noise_m)
    # Across a steep side nothing is carried: pieces are brought to one level, and back.
    rise = 0.0 if bare.rise_m is None else bare.rise_m
    out, out_error = np.where(missing, np.nan, height_m - rise), np.where(missing, np.inf, error_m)
    away, nearest = distance_transform_edt(bare.count == 0, return_indices=True)
    away *= grid.cell_m
    near, far = (
        _bend_around(np.where(bare.count > 0, out, np.nan), out_error, grid.cell_m, step_m)[
            tuple(nearest)
        ]
        for step_m in _STEPS_M
    )
    share = np.clip((away - _STEPS_M[0]) / (_STEPS_M[1] - _STEPS_M[0]), 0.0, 1.0)
    around = (1.0 - share) * near + share * far
    missed = around * away * (away + (1.0 - share) * _FITTED_M) / 2
    # A fit that reaches over a hole from all sides knows its own noise, not how floor bends there.
    reached = np.isfinite(out_error) & (away > 0.0)
    out_error[reached] = np.hypot(out_error[reached], missed[reached])
    count, value = block_means(bare.count, bare.level_m, _COARSE)
    for order, width_m in _WIDER_M:
        open_ = ~np.isfinite(out_error) & (away < 2.2 * width_m)
        if not open_.any():
            continue
        width = max(width_m / (grid.cell_m * _COARSE), 1.5)
        fit = local_fit(count, width, order, least_weight=30.0)
        row, col = np.nonzero(open_)
        wide, variance = _between(row, col, fit.height(value), fit.variance)
        take = variance < 1 / 15.0
        row, col = row[take], col[take]
        out[row, col] = wide[take]
        own = np.sqrt(variance[take]) * bare.local_noise_m[row, col]
        doubt = missed[row, col]
        if order == 1:
            # A plane misses the bend of the seen floor that it was laid through as well.
            doubt = np.maximum(doubt, around[row, col] * width_m**2 / 2)
        out_error[row, col] = np.hypot(own, doubt)
    left = ~np.isfinite(out_error)
    if left.any():
        row, col = distance_transform_edt(left, return_distances=False, return_indices=True)
        out[left] = out[row, col][left]
        out_error[left] = np.hypot(out_error[row, col], missed + _LEFT_M)[left]
    return out + rise, out_error


def _between(
    row: NDArray[np.int64], col: NDArray[np.int64], height: Array, variance: Array
) -> tuple[Array, Array]:
    """Heights and variances of a coarse fit at fine cells: bilinear, all four corners sound."""
    v = (row - 0.5 * (_COARSE - 1)) / _COARSE
    u = (col - 0.5 * (_COARSE - 1)) / _COARSE
    j = np.clip(np.floor(v).astype(np.int64), 0, height.shape[0] - 2)
    i = np.clip(np.floor(u).astype(np.int64), 0, height.shape[1] - 2)
    v, u = np.clip(v - j, 0, 1), np.clip(u - i, 0, 1)
    total = np.zeros(row.size)
    worst = np.zeros(row.size)
    for dj, di, share in (
        (0, 0, (1 - v) * (1 - u)),
        (0, 1, (1 - v) * u),
        (1, 0, v * (1 - u)),
        (1, 1, v * u),
    ):
        total += share * np.nan_to_num(height[j + dj, i + di])
        worst = np.maximum(worst, np.where(share > 1e-9, variance[j + dj, i + di], 0.0))
    return total, worst


def _bend_around(height: Array, error: Array, cell_m: float, step_m: float) -> Array:
    """Curvature of the seen floor around each cell, noise taken off (ny, nx) [1/m].

    The root of the mean square along both axes together. The floor as a whole counts as one more
    place beside those within reach: few of them may happen to be straight.
    """
    from scipy.ndimage import uniform_filter

    step = max(round(step_m / cell_m), 1)
    square, count = np.zeros(height.shape), np.zeros(height.shape)
    for axis in (0, 1):
        if height.shape[axis] <= 2 * step:
            continue
        whole, noise = np.moveaxis(height, axis, 0), np.moveaxis(error, axis, 0)
        second = whole[2 * step :] - 2.0 * whole[step:-step] + whole[: -2 * step]
        own = second**2 - noise[2 * step :] ** 2 - 4.0 * noise[step:-step] ** 2
        own -= noise[: -2 * step] ** 2
        known = np.isfinite(own)
        np.moveaxis(square, axis, 0)[step:-step] += np.where(known, own, 0.0)
        np.moveaxis(count, axis, 0)[step:-step] += 0.5 * known
    size = 2 * round(_REACH * step) + 1
    total = uniform_filter(square, size, mode="constant")
    share = uniform_filter(count, size, mode="constant")
    usual = square.sum() / count.sum() if count.any() else _USUAL_M**2
    # Places a step apart know of one another.
    one = step**2 / size**2
    mean = (np.maximum(total, 0.0) + one * max(usual, 0.0)) / (np.maximum(share, 0.0) + one)
    bend: Array = np.sqrt(mean) / (step * cell_m) ** 2
    return bend
