"""Fill and cut as functions of a level datum: the surface is read once, then any levels.

Between two corner heights of any triangle the curve is a cubic in the level. Sums of
cubic coefficients over millions of triangles would cancel badly where a triangle is
nearly level (they grow as one over its height range squared), so no coefficients are
summed: triangles wholly under a level are linear in it and are counted, and the few
that cross it are evaluated in closed form.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pourdatum.clipping import Diagonal, Outline, cut_by_outline
from pourdatum.grid import Grid
from pourdatum.triangles import SAME_M, above_zero, sorted_corners

_BLOCK_PAIRS: Final = 1_000_000
"""Pairs of a crossing triangle and a level held at a time, which bounds memory."""


@dataclass(frozen=True, eq=False)
class FillCurve:
    """Exact fill and cut of a surface for any level datum.

    Attributes
    ----------
    outline_m2 : float
        Area of the outline [m2].
    low_m, mean_m, high_m : float
        Lowest, mean and highest level of the surface [m].
    corners_m : (3, n) float array
        Sorted corner heights of its triangles [m].
    facet_m2 : (n,) float array
        Their signed areas [m2].

    Examples
    --------
    >>> grid = Grid(0.0, 0.0, 0.5, 7, 9)
    >>> x, _ = grid.mesh()
    >>> from shapely import box
    >>> curve = level_curve(0.005 * x, grid, box(0, 0, 4, 3))
    >>> curve.volume_m3([0.01, 0.02, 0.03]).round(9)
    array([0.03, 0.12, 0.24])
    >>> float(curve.area_m2(0.01).round(9))
    6.0

    Ground down to 5 mm under a datum of 0.02 m, and filled to it:

    >>> float(curve.cut_m3(0.015).round(9))
    0.0075
    >>> float((0.005 * curve.outline_m2 + curve.volume_m3(0.015)).round(9))
    0.1275
    """

    outline_m2: float
    low_m: float
    mean_m: float
    high_m: float
    corners_m: NDArray[np.float64]
    facet_m2: NDArray[np.float64]

    def volume_m3(self, level_m: ArrayLike) -> NDArray[np.float64]:
        """Integral of max(level - floor, 0) for levels of any shape [m3]."""
        return self._below(level_m)[0]

    def area_m2(self, level_m: ArrayLike) -> NDArray[np.float64]:
        """Area where the floor is below each level [m2]; level ground at it is not."""
        return self._below(level_m)[1]

    def cut_m3(self, level_m: ArrayLike) -> NDArray[np.float64]:
        """Integral of max(floor - level, 0) for levels of any shape [m3]."""
        return self._above(level_m)[0]

    def cut_area_m2(self, level_m: ArrayLike) -> NDArray[np.float64]:
        """Area where the floor is above each level [m2]; level ground at it is not."""
        return self._above(level_m)[1]

    def fill_and_cut(
        self, level_m: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Fill and area below each level, cut and area above it: the four above at half the cost.

        What is cut is what is filled less the slab from the mean level up, to rounding.
        """
        level = np.asarray(level_m, np.float64)
        fill, below = self._below(level)
        cut = fill - self.outline_m2 * (level - self.mean_m)
        above = self.outline_m2 - below - self._level_ground_m2(level)
        return fill, below, np.maximum(cut, 0.0), np.maximum(above, 0.0)

    def _level_ground_m2(self, level: NDArray[np.float64]) -> NDArray[np.float64]:
        """Area of level triangles at each level: neither below nor above it [m2]."""
        low, _, high = self.corners_m
        flat = high - low <= SAME_M
        order = np.argsort(high[flat])
        at, upto = high[flat][order], np.concatenate([[0.0], np.cumsum(self.facet_m2[flat][order])])
        first = np.searchsorted(at, level - SAME_M, side="left")
        last = np.searchsorted(at, level + SAME_M, side="right")
        found: NDArray[np.float64] = upto[last] - upto[first]
        return found

    def _below(self, level_m: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        return _fill(self.corners_m, self.facet_m2, np.asarray(level_m, np.float64))

    def _above(self, level_m: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        # The floor above a level is the mirrored floor below the mirrored level.
        return _fill(-self.corners_m[::-1], self.facet_m2, -np.asarray(level_m, np.float64))


def level_curve(
    height_m: NDArray[np.float64], grid: Grid, outline: Outline, *, diagonal: Diagonal = "rising"
) -> FillCurve:
    """Read a surface inside an outline once, for its fill at any level.

    Parameters
    ----------
    height_m : (ny, nx) float array
        Heights of the nodes [m]; those that no triangle under the outline touches may
        be NaN.
    grid, outline, diagonal
        As for ``volume.fill_volume``, and so are the errors.
    """
    blocks = list(cut_by_outline(grid, outline, diagonal).facets(height_m))
    area = np.concatenate([facets.area_m2 for facets in blocks])
    corners = np.concatenate([sorted_corners(facets.height_m) for facets in blocks], axis=1)
    outline_m2 = float(area.sum())
    return FillCurve(
        outline_m2=outline_m2,
        low_m=float(corners[0].min()),
        mean_m=float((area * corners.mean(axis=0)).sum()) / outline_m2,
        high_m=float(corners[2].max()),
        corners_m=corners,
        facet_m2=area,
    )


def _fill(
    corners: NDArray[np.float64], area: NDArray[np.float64], asked: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Volume and area below each level asked for, in the shape asked for."""
    if not np.isfinite(asked).all():
        raise ValueError(f"level {asked[~np.isfinite(asked)][0]} is not finite; give a height in m")
    level, back = np.unique(asked.ravel(), return_inverse=True)
    low, mid, high = corners
    # A triangle crosses the levels from `first` up to `under`, and lies under the rest.
    flat = high - low <= SAME_M
    under = np.searchsorted(level, high)
    under_area = np.where(flat, np.searchsorted(level, high + SAME_M, side="right"), under)
    first = np.where(flat, under, np.searchsorted(level, low, side="right"))

    # Heights above the lowest corner, so that a high origin costs no digits.
    base = float(low.min())
    mean_height = (low - base + (mid - base) + (high - base)) / 3.0
    area_under = _summed_from(under, area, level.size)
    volume = area_under * (level - base) - _summed_from(under, area * mean_height, level.size)
    below = _summed_from(under_area, area, level.size)
    for facet, at in _pairs(first, under):
        share, mean = above_zero(
            level[at] - high[facet], level[at] - mid[facet], level[at] - low[facet]
        )
        volume += np.bincount(at, area[facet] * mean, level.size)
        below += np.bincount(at, area[facet] * share, level.size)
    return volume[back].reshape(asked.shape), below[back].reshape(asked.shape)


def _summed_from(
    index: NDArray[np.int64], value: NDArray[np.float64], size: int
) -> NDArray[np.float64]:
    """Sum of the values whose index is at or before each place, (size,)."""
    return np.cumsum(np.bincount(index, value, size + 1)[:size])


def _pairs(
    first: NDArray[np.int64], end: NDArray[np.int64]
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Every (i, k) with first[i] <= k < end[i], in blocks."""
    some = np.flatnonzero(end > first)
    count = end[some] - first[some]
    upto = np.cumsum(count)
    block = (upto - 1) // _BLOCK_PAIRS if upto.size else upto
    for which in np.split(np.arange(some.size), np.flatnonzero(np.diff(block)) + 1):
        here = count[which]
        facet = np.repeat(some[which], here)
        step = np.arange(facet.size) - np.repeat(np.cumsum(here) - here, here)
        yield facet, first[facet] + step
