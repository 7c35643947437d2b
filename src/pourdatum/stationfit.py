"""Least squares of what set-ups say of blocks of a floor: a level for each block, a step for each.

The levels fall out of the normal equations; the steps of set-ups that overlap, directly or through
others, add up to nothing, for only their differences are known. What is left beyond the noise
(Paule and Mandel, J. Res. NBS 87, 1982: the variance that makes the weighted squares as large as
their number) is how much set-ups bend by themselves. Errors of the steps come from leaving out one
tile of the plan after another (Quenouille and Tukey's jackknife), for such bends are alike over
metres. Both from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid

Array = NDArray[np.float64]
Indices = NDArray[np.int64]
Groups = tuple[tuple[int, ...], ...]

_TILE_M: Final = 2.0
_MOST_TILES: Final = 400
_HUBER: Final = 2.0
"""Residual, in its own standard errors, beyond which a block counts less."""
_ROUNDS: Final = 6


@dataclass(frozen=True, eq=False)
class Means:
    """Means of set-ups in blocks that two or more of a group see.

    ``station``, ``block`` (m,): which; ``mean_m``, ``points`` (m,): what; ``design`` (m, p)
    sparse: steps, and the cone where set-ups have places.
    """

    station: Indices
    block: Indices
    mean_m: Array
    points: Array
    design: Any


def solved_steps(
    means: Means, groups: Groups, noise_m: float, grid: Grid, steps: int
) -> tuple[Array, Array, float]:
    """Steps (and cone), their covariance, and what set-ups bend by themselves [m]."""
    variance = noise_m**2 / means.points
    trust = np.ones_like(variance)
    left = 0.0
    for _ in range(_ROUNDS):
        weight = trust / (variance + left)
        solved, _ = _least_squares(means, groups, weight)
        off = _residual(means, weight, solved)
        # A mean of blocks that share a level has less scatter than it was given.
        own = _own_share(means, weight)
        scale = np.sqrt((variance + left) * own)
        trust = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(off), 1e-12))
        left = _left_over(trust * off**2, variance, own)
    weight = trust / (variance + left)
    solved, normal = _least_squares(means, groups, weight)
    covariance = _free_of_level(normal, groups, solved.size)
    wider = _alike(means, groups, weight, covariance, grid, steps)
    return solved, covariance * np.outer(wider, wider), math.sqrt(left)


def _normal(means: Means, weight: Array, chosen: NDArray[np.bool_] | None = None) -> Any:
    """Normal equations (p, p) and (p,), the level of each block taken out."""
    from scipy.sparse import coo_array

    design, mean, block = means.design, means.mean_m, means.block
    if chosen is not None:
        design, mean, block, weight = design[chosen], mean[chosen], block[chosen], weight[chosen]
    _, block = np.unique(block, return_inverse=True)
    row = np.arange(block.size)
    belongs = coo_array((weight, (block, row)), shape=(block.max() + 1, row.size)).tocsr()
    total = np.asarray(belongs.sum(axis=1)).ravel()
    of_block = (belongs @ design).toarray()
    level = belongs @ mean
    weighed = design.multiply(weight[:, None]).tocsr()
    normal = (weighed.T @ design).toarray() - (of_block / total[:, None]).T @ of_block
    return normal, weighed.T @ mean - of_block.T @ (level / total)


def _least_squares(means: Means, groups: Groups, weight: Array) -> tuple[Array, Array]:
    """Steps of each group about their mean (and the cone), and the normal equations."""
    normal, right = _normal(means, weight)
    return _free_of_level(normal, groups, right.size) @ right, normal


def _free_of_level(normal: Array, groups: Groups, size: int) -> Array:
    """Inverse of the normal equations where the steps of each group add up to nothing."""
    tied = normal.copy()
    project = np.eye(size)
    alone = np.diag(normal) <= 0.0
    tied[alone, alone] = 1.0
    project[alone, alone] = 0.0
    scale = float(np.mean(np.diag(normal)[~alone])) if (~alone).any() else 1.0
    for own in groups:
        at = np.ix_(own, own)
        tied[at] += scale / len(own)
        project[at] -= 1.0 / len(own)
    out: Array = project @ np.linalg.pinv(tied, hermitian=True) @ project
    return out


def _residual(means: Means, weight: Array, solved: Array) -> Array:
    """What steps and levels of the blocks leave of the means [m]."""
    off = means.mean_m - means.design @ solved
    total = np.bincount(means.block, weight)
    level = np.bincount(means.block, weight * off) / np.maximum(total, 1e-300)
    out: Array = off - level[means.block]
    return out


def _own_share(means: Means, weight: Array) -> Array:
    """Share of its own variance that a mean keeps after its block's level is taken out."""
    total = np.bincount(means.block, weight)
    return np.asarray(np.clip(1.0 - weight / total[means.block], 0.02, 1.0))


def _left_over(squares: Array, variance: Array, own: Array) -> float:
    """Variance beside the noise that makes the weighted squares as large as their number."""

    def excess(left: float) -> float:
        return float((squares / ((variance + left) * own)).sum()) - squares.size

    if excess(0.0) <= 0.0:
        return 0.0
    high = float((squares / own).max())
    low = 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    return high


def _alike(
    means: Means,
    groups: Groups,
    weight: Array,
    covariance: Array,
    grid: Grid,
    steps: int,
) -> Array:
    """By how much errors that are alike over metres widen each standard error: leaving out tiles.

    That of all steps together, for each by itself is known badly; and that of the cone.
    """
    row, col = np.divmod(means.block, grid.nx)
    wide = max(round(_TILE_M / grid.cell_m), 1)
    while True:
        tile = (row // wide) * (grid.nx // wide + 1) + col // wide
        names = np.unique(tile)
        if names.size <= _MOST_TILES:
            break
        wide *= 2
    if names.size < 2:
        return np.ones(len(covariance))
    normal, right = _normal(means, weight)
    without = []
    for name in names:
        own_normal, own_right = _normal(means, weight, tile == name)
        inverse = _free_of_level(normal - own_normal, groups, right.size)
        without.append(inverse @ (right - own_right))
    spread = np.stack(without) - np.mean(without, axis=0)
    found = (names.size - 1) / names.size * (spread**2).sum(axis=0)
    stated = np.diag(covariance)
    wider = np.ones(stated.size)
    is_step = np.arange(stated.size) < steps
    for chosen in (is_step, ~is_step):
        known = chosen & (stated > 0.0)
        if known.any():
            ratio = float((found[known] / stated[known]).mean())
            wider[chosen] = math.sqrt(max(ratio, 1.0))
    return wider
