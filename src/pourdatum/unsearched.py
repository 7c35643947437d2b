"""How high floor may stand that nobody searched: seen by too few points, or hidden.

Such floor sets no datum, but the highest place of the whole floor may lie on it. What is known
there is what few points say, what the floor beside it says, and how rough the floor is where it
was seen. Floors are drawn that agree with all three (simple kriging about the floor's plane, its
roughness mixed from windows of seen floor), and on each the highest place is taken. So what
carried-on heights may err by grows with the distance as fast as this floor's own relief, and no
faster, and the highest of many doubtful places is drawn as one number (JCGM 101:2008, 5.9), not
read off as the worst of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.evenly import even_cells
from pourdatum.geometry import fit_plane
from pourdatum.patchmean import PATCH_M, sound
from pourdatum.shareddraws import as_fitted
from pourdatum.spotpoint import HUMP_M

if TYPE_CHECKING:
    from pourdatum.geometry import Plane
    from pourdatum.shareddraws import SharedDraws
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.int64]

_BLOCK_M: Final = 0.25
"""Points within such a square count as one level [m]: floor bends little over it."""
_WINDOW_M: Final = 3.0
"""Side of the windows that are drawn one by one [m]."""
_MOST_WINDOWS: Final = 300
"""On larger floors windows are larger."""
_DRAWN_WINDOWS: Final = 24
"""Windows that are drawn: those that may stand highest."""
_PLACES: Final = 110
"""Places in a window at which floors are drawn."""
_LEVELS: Final = 140
"""Levels that a window's floor is held by: the nearest."""
_GROUPS: Final = 24
"""Windows of seen floor that are asked how rough it is."""
_GROUP: Final = 70
"""Levels of each."""
_ROUNDS: Final = 40
_MOST_WAYS: Final = 8
_LEAST_SHARE: Final = 2e-3
_ROOTS: Final = (1.0, math.sqrt(3.0), math.sqrt(5.0))
_LENGTHS_M: Final = (0.4, 0.8, 1.6, 3.2, 6.4)
_SIZES: Final = np.geomspace(0.1, 4.0, 17)
_MARGIN_M: Final = 1.5
"""How far around a window levels are looked for [m]."""
_LEAST_LEVELS: Final = 12
"""Fewer say nothing of how rough a floor is."""
_SEED: Final = 211
_FIRST_DRAWS: Final = 48
"""Draws that tell which windows may stand highest."""


def unsearched_floor(surface: Surface) -> Mask:
    """Floor on which no extreme was looked for (ny, nx): of single cells along a wall none."""
    from scipy.ndimage import binary_opening

    unsound = (surface.measured | surface.inferred) & ~sound(surface)
    side = max(round(PATCH_M / surface.grid.cell_m), 1)
    patches: Mask = binary_opening(unsound, np.ones((side, side), bool))
    return patches


def unsearched_tops_m(
    surface: Surface, plane: Plane, fields: SharedDraws, *, fitted: bool = False
) -> Array | None:
    """The highest place of floor that nobody searched, on each floor that agrees with the scan.

    Parameters
    ----------
    surface : Surface
    plane : Plane
        Heights are above this.
    fields : SharedDraws
        What the whole scan may be too high by; one top for each draw.
    fitted : bool
        Whether the plane is fitted to the floor and tilts with the scan.

    Returns
    -------
    (k,) array or None
        Heights above the plane [m]; None where all of the floor was searched.
    """
    patches = unsearched_floor(surface)
    levels = _Levels(surface, plane)
    if not patches.any() or len(levels.place_m) < _LEAST_LEVELS:
        return None
    windows = list(_windows(surface, patches))
    ways = levels.ways()
    draws = len(fields.level_m)
    if len(windows) > _DRAWN_WINDOWS:
        first = [float(levels.drawn(at, ways[:1], _FIRST_DRAWS, 0).max()) for at in windows]
        chosen = np.argsort(first)[::-1][:_DRAWN_WINDOWS]
        windows = [windows[k] for k in sorted(chosen)]
    tops = np.full(draws, -np.inf)
    for seed, at in enumerate(windows, _SEED):
        floors = levels.drawn(at, ways, draws, seed)
        out_m = fields.at(at)
        floors -= as_fitted(out_m, at) if fitted else out_m
        np.maximum(tops, floors.max(axis=1), out=tops)
    return tops


@dataclass(frozen=True)
class Relief:
    """One way in which a floor may stand off its plane: a field of one size and length.

    Attributes
    ----------
    kind : int
        0 rough (exponential covariance), 1 and 2 smoother (Matérn 3/2 and 5/2).
    length_m : float
        Over which heights forget one another [m].
    size_m : float
        Standard deviation [m].
    weight : float
        How often windows of the floor are rough in this way; all together one.

    Examples
    --------
    A level of 4 mm leaves 4 mm times exp(-1 / 2) expected a metre farther on:

    >>> way = Relief(0, 2.0, 0.003, 1.0)
    >>> here, beside = np.array([[0.0, 0.0]]), np.array([[1.0, 0.0]])
    >>> mean, _ = way.given(here, np.array([0.004]), np.array([1e-9]), beside)
    >>> round(float(mean[0]), 5)
    0.00243
    """

    kind: int
    length_m: float
    size_m: float
    weight: float

    def log_likelihood(self, place_m: Array, level_m: Array, error_m: Array) -> float:
        """Of levels (n,), but for a constant."""
        from scipy.linalg import cho_factor, cho_solve

        if len(level_m) == 0:
            return 0.0
        own = self.size_m**2 * _correlation(self.kind, self.length_m, _apart_m(place_m, place_m))
        own[np.diag_indices(len(own))] += error_m**2
        factor = cho_factor(own, lower=True)
        power = float(level_m @ cho_solve(factor, level_m))
        return -0.5 * power - float(np.log(np.diag(factor[0])).sum())

    def given(
        self, place_m: Array, level_m: Array, error_m: Array, at_m: Array
    ) -> tuple[Array, Array]:
        """Mean (k,) at places and a root (k, k) of the covariance, given levels.

        Simple kriging: the field's mean is known, the floor's plane.
        """
        return self._given(level_m, error_m, _Apart.of(place_m, at_m))

    def _given(self, level_m: Array, error_m: Array, apart: _Apart) -> tuple[Array, Array]:
        """As ``given``, of places whose distances several ways share."""
        from scipy.linalg import cho_factor, cho_solve, cholesky

        def covariance(apart_m: Array) -> Array:
            return self.size_m**2 * _correlation(self.kind, self.length_m, apart_m)

        own = covariance(apart.own_m)
        own[np.diag_indices(len(own))] += error_m**2
        cross = covariance(apart.cross_m)
        factor = cho_factor(own, lower=True)
        left = covariance(apart.at_m)
        left -= cross @ cho_solve(factor, cross.T)
        left[np.diag_indices(len(left))] += 1e-6 * self.size_m**2
        return cross @ cho_solve(factor, level_m), cholesky(left, lower=True)


_UNMET: Final = tuple(Relief(2, 0.8, share * HUMP_M, 0.0) for share in (0.5, 1.0))
"""Humps as slabs have them: one in ten as high as two standard deviations of such a field, and
as high again."""


@dataclass(frozen=True, eq=False)
class _Apart:
    """How far levels and the places asked about are apart [m]: the same for every way."""

    own_m: Array
    cross_m: Array
    at_m: Array

    @classmethod
    def of(cls, place_m: Array, at_m: Array) -> _Apart:
        """Distances among levels (n, 2), from places (k, 2) to them, and among the places."""
        return cls(_apart_m(place_m, place_m), _apart_m(at_m, place_m), _apart_m(at_m, at_m))


def _apart_m(first_m: Array, second_m: Array) -> Array:
    """Distances of places (n, 2) from places (m, 2) [m]."""
    x, y = (first_m[:, None, axis] - second_m[None, :, axis] for axis in (0, 1))
    out: Array = np.sqrt(x**2 + y**2)
    return out


def _correlation(kind: int, length_m: float, apart_m: Array) -> Array:
    far = apart_m * (_ROOTS[kind] / length_m)
    out = np.exp(-far)
    if kind:
        out *= 1.0 + far if kind == 1 else 1.0 + far + far**2 / 3.0
    return out


def weigh_relief(
    place_m: Array, level_m: Array, error_m: Array, groups: Sequence[Index] | Index
) -> tuple[Relief, ...]:
    """How windows of a floor are rough, and how often in which way.

    Parameters
    ----------
    place_m : (n, 2) array
    level_m, error_m : (n,) arrays
        Levels about the floor's plane, and their standard errors [m].
    groups : sequence of index arrays
        Levels of one window each.

    Returns
    -------
    tuple of Relief
        Those met, then those of humps that no window showed.

    Notes
    -----
    Each window is taken as a Gaussian field of one of some kinds, lengths and sizes. How often
    each is met is what makes all windows likeliest (a mixing distribution by maximum likelihood,
    found by the EM algorithm; Laird 1978, from memory). So a floor that is even but for a hump
    here and there is drawn as that, and not as rough everywhere to the same small amount.
    """
    size = max(float(np.std(level_m)), 1e-5) * _SIZES
    log = np.zeros((len(groups), len(_ROOTS), len(_LENGTHS_M), size.size))
    for number, own in enumerate(groups):
        noise = error_m[own]
        told = level_m[own] / noise
        apart_m = _apart_m(place_m[own], place_m[own])
        for kind in range(len(_ROOTS)):
            for k, length in enumerate(_LENGTHS_M):
                shape = _correlation(kind, length, apart_m)
                value, vector = np.linalg.eigh(shape / noise[:, None] / noise)
                power = (vector.T @ told) ** 2
                spread = 1.0 + np.maximum(value, 0.0) * size[:, None] ** 2
                log[number, kind, k] = -0.5 * (np.log(spread) + power / spread).sum(axis=1)
    likely = np.exp(log - log.max(axis=(1, 2, 3), keepdims=True)).reshape(len(groups), -1)
    weight = np.full(likely.shape[1], 1.0 / likely.shape[1])
    for _ in range(_ROUNDS):
        share = likely * weight
        weight = (share / share.sum(axis=1, keepdims=True)).mean(axis=0)
    heavy = np.argsort(weight)[::-1][:_MOST_WAYS]
    heavy = heavy[weight[heavy] > _LEAST_SHARE]
    # What no window showed comes next with a chance of one over their number and two (Laplace).
    unmet = 1.0 / (len(groups) + 2.0)
    share = weight[heavy] * ((1.0 - unmet) / weight[heavy].sum())
    found = zip(*np.unravel_index(heavy, log.shape[1:]), share, strict=True)
    met = [
        Relief(int(kind), _LENGTHS_M[k], float(size[n]), float(own)) for kind, k, n, own in found
    ]
    return (*met, *(replace(way, weight=unmet / len(_UNMET)) for way in _UNMET))


class _Levels:
    """A floor as single levels, each with its error: means of the points within a block."""

    def __init__(self, surface: Surface, plane: Plane) -> None:
        from scipy.spatial import cKDTree

        grid = surface.grid
        step = max(round(_BLOCK_M / grid.cell_m), 1)
        x, y = grid.mesh()
        height = _as_seen_m(surface) - plane.at(x, y)
        # Floor with few points may pass for hidden; its points are floor all the same.
        floor = surface.measured | surface.inferred
        usable = floor & (surface.count > 0) & np.isfinite(height)
        row, col = np.nonzero(usable)
        weight = surface.count[usable] / surface.noise_m[usable] ** 2
        block = (row // step) * (grid.nx // step + 1) + col // step
        # Their rank among the blocks that hold floor: counted, for sorting all cells takes longer.
        own = (np.cumsum(np.bincount(block) > 0) - 1)[block]

        def mean(value: Array) -> Array:
            out: Array = np.bincount(own, weight * value) / total
            return out

        total = np.bincount(own, weight)
        self.place_m = np.column_stack([mean(x[usable]), mean(y[usable])])
        level = mean(height[usable])
        self.plane, _ = fit_plane(self.place_m[:, 0], self.place_m[:, 1], level)
        self.level_m = level - self.plane.at(*self.place_m.T)
        self.error_m = np.maximum(
            1.0 / np.sqrt(total), np.sqrt(surface.stripes.after_fit_m(_BLOCK_M) ** 2 + 1e-10)
        )
        self.tree = cKDTree(self.place_m)

    def ways(self) -> tuple[Relief, ...]:
        """Ways in which windows of the floor are rough, each with how often it is met."""
        count = len(self.place_m)
        middles = self.place_m[np.linspace(0, count - 1, min(_GROUPS, count)).astype(int)]
        groups = self.tree.query(middles, k=min(_GROUP, count))[1]
        return weigh_relief(self.place_m, self.level_m, self.error_m, np.asarray(groups))

    def drawn(self, at_m: Array, ways: Sequence[Relief], draws: int, seed: int) -> Array:
        """Floors that agree with the nearest levels (draws, k), above the plane asked about [m]."""
        own = self._nearest(at_m)
        place, level, error = self.place_m[own], self.level_m[own], self.error_m[own]
        share = self._shares(own, at_m, ways)
        rng = np.random.default_rng(seed)
        # Windows err apart: which way each is rough is drawn for it alone.
        chosen = rng.choice(len(ways), draws, p=share / share.sum())
        out = np.tile(self.plane.at(*at_m.T), (draws, 1))
        apart = _Apart.of(place, at_m)
        for k in np.unique(chosen):
            here = chosen == k
            mean, root = ways[k]._given(level, error, apart)
            out[here] += mean + rng.standard_normal((int(here.sum()), len(at_m))) @ root.T
        return out

    def _shares(self, own: Index, at_m: Array, ways: Sequence[Relief]) -> Array:
        """How likely each way is, by the levels within a window."""
        if len(ways) == 1:
            return np.ones(1)
        place, level, error = self.place_m[own], self.level_m[own], self.error_m[own]
        inside = np.all((place >= at_m.min(axis=0)) & (place <= at_m.max(axis=0)), axis=1)
        told = np.flatnonzero(inside)[:_GROUP]
        heard = [way.log_likelihood(place[told], level[told], error[told]) for way in ways]
        out: Array = np.exp(np.asarray(heard) - max(heard)) * [way.weight for way in ways]
        return out

    def _nearest(self, at_m: Array) -> Index:
        """The levels that lie nearest to some of these places, and enough of them all round."""
        from scipy.spatial import cKDTree

        count = len(self.place_m)
        middle, reach = at_m.mean(axis=0), float(np.ptp(at_m, axis=0).max())
        around = np.asarray(self.tree.query_ball_point(middle, reach + _MARGIN_M), np.int64)
        if len(around) < _LEAST_LEVELS:
            around = np.asarray(self.tree.query(middle, k=min(4 * _LEAST_LEVELS, count))[1])
        away = np.asarray(cKDTree(at_m).query(self.place_m[around])[0])
        return around[np.argsort(away, kind="stable")[:_LEVELS]]


def _as_seen_m(surface: Surface) -> Array:
    """Mean levels of the points of each cell, where control and preparation have moved them [m]."""
    bare = surface.floor.bare
    assert bare is not None
    if surface.scanned_m is not None:
        return bare.height_m + (surface.height_m - surface.scanned_m)
    seen = sound(surface) & (surface.count > 0)
    if not seen.any():
        return bare.height_m
    return bare.height_m + float(np.median((surface.height_m - bare.height_m)[seen]))


def _windows(surface: Surface, patches: Mask) -> Iterator[Array]:
    """Places (k, 2) in each window that holds floor nobody searched."""
    x, y = surface.grid.mesh()
    cell_m = surface.grid.cell_m
    area_m2 = np.count_nonzero(patches) * cell_m**2
    side_m = max(_WINDOW_M, math.sqrt(area_m2 / _MOST_WINDOWS))
    step = max(round(side_m / cell_m), 1)
    rows, cols = patches.shape
    # The edge counts: on a floor that falls it holds the highest place.
    high = surface.height_m - float(np.nanmin(surface.height_m)) + 1.0
    for top in range(0, rows, step):
        for left in range(0, cols, step):
            window = np.s_[top : top + step, left : left + step]
            own = patches[window]
            if own.any():
                worth = np.where(own, high[window], 0.0)
                row, col, _ = even_cells(worth, _PLACES)
                yield np.column_stack([x[window][row, col], y[window][row, col]])
