"""Fill and cut as functions of a level datum: the surface is read once, then any levels.

Between two corner heights of any triangle the curve is a cubic in the level. Sums of
cubic coefficients over millions of triangles would cancel badly where a triangle is
nearly level (they grow as one over its height range squared), so no coefficients are
summed: triangles wholly under a level are linear in it and are counted, and the few
that cross it are evaluated in closed form. Triangles lie sorted by their highest corner,
the steep ones apart, so that a level finds both without a look at the rest.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pourdatum.clipping import Diagonal, Outline, cut_by_outline
from pourdatum.grid import Grid
from pourdatum.triangles import SAME_M, above_zero, sorted_corners

_BLOCK_PAIRS: Final = 1_000_000
"""Pairs of a crossing triangle and a level held at a time, which bounds memory."""
_STEEPER: Final = 4.0
_CLASSES: Final = 6
"""Triangles are sorted in classes of height range, each so many times the one before: what may
cross a level stands no higher over it than the range of its class."""


@dataclass(frozen=True, eq=False)
class FillCurve:
    """Exact fill and cut of a surface for any level datum.

    Attributes
    ----------
    outline_m2 : float
        Area of the outline [m2].
    low_m, mean_m, high_m : float
        Lowest, mean and highest level of the surface [m].
    facets : Facets

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
    facets: Facets

    def volume_m3(self, level_m: ArrayLike) -> NDArray[np.float64]:
        """Integral of max(level - floor, 0) for levels of any shape [m3]."""
        return self.facets.below(level_m)[0]

    def area_m2(self, level_m: ArrayLike) -> NDArray[np.float64]:
        """Area where the floor is below each level [m2]; level ground at it is not."""
        return self.facets.below(level_m)[1]

    def cut_m3(self, level_m: ArrayLike) -> NDArray[np.float64]:
        """Integral of max(floor - level, 0) for levels of any shape [m3]."""
        return self._mirrored.below(-np.asarray(level_m, np.float64))[0]

    def cut_area_m2(self, level_m: ArrayLike) -> NDArray[np.float64]:
        """Area where the floor is above each level [m2]; level ground at it is not."""
        return self._mirrored.below(-np.asarray(level_m, np.float64))[1]

    def fill_and_cut(
        self, level_m: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Fill and area below each level, cut and area above it: the four above at half the cost.

        What is cut is what is filled less the slab from the mean level up, to rounding.
        """
        level = np.asarray(level_m, np.float64)
        fill, below = self.facets.below(level)
        cut = fill - self.outline_m2 * (level - self.mean_m)
        above = self.outline_m2 - below - self.facets.level_ground_m2(level)
        return fill, below, np.maximum(cut, 0.0), np.maximum(above, 0.0)

    @cached_property
    def _mirrored(self) -> Facets:
        """The floor upside down: what is above a level is below the mirrored level."""
        own = self.facets
        return sorted_facets(-own.high_m, -own.mid_m, -own.low_m, own.area_m2)


@dataclass(frozen=True, eq=False)
class Facets:
    """Triangles sorted by their highest corner, in classes of height range.

    Attributes
    ----------
    low_m, mid_m, high_m : (n,) float array
        Their corner heights [m].
    area_m2 : (n,) float array
        Signed.
    ends : tuple of int
        Where classes begin, and the end of the last; the first holds level triangles.
    reach_m : tuple of float
        Greatest height range in each class [m].
    upto_m2, upto_m3 : (n + 1,) float array
        Area of the first k, and their volume over ``base_m``.
    base_m : float
        Lowest corner, from which volumes are counted: a high origin costs no digits.
    """

    low_m: NDArray[np.float64]
    mid_m: NDArray[np.float64]
    high_m: NDArray[np.float64]
    area_m2: NDArray[np.float64]
    ends: tuple[int, ...]
    reach_m: tuple[float, ...]
    upto_m2: NDArray[np.float64]
    upto_m3: NDArray[np.float64]
    base_m: float

    def below(self, level_m: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Volume and area below each level, in the shape asked for [m3, m2]."""
        asked = np.asarray(level_m, np.float64)
        if not np.isfinite(asked).all():
            raise ValueError(
                f"level {asked[~np.isfinite(asked)][0]} is not finite; give a height in m"
            )
        level, back = np.unique(asked.ravel(), return_inverse=True)
        volume, area = np.zeros(level.size), np.zeros(level.size)
        for number, (first, end) in enumerate(itertools.pairwise(self.ends)):
            high = self.high_m[first:end]
            under = first + np.searchsorted(high, level, side="right")
            under_m2 = self.upto_m2[under] - self.upto_m2[first]
            volume += under_m2 * (level - self.base_m)
            volume -= self.upto_m3[under] - self.upto_m3[first]
            if number == 0:
                lower = first + np.searchsorted(high, level - SAME_M, side="left")
                area += self.upto_m2[lower] - self.upto_m2[first]
                continue
            area += under_m2
            may = first + np.searchsorted(high, level + self.reach_m[number], side="right")
            for at, facet in _pairs(under, may):
                meets = self.low_m[facet] < level[at]
                one, k = facet[meets], at[meets]
                share, mean = above_zero(
                    level[k] - self.high_m[one],
                    level[k] - self.mid_m[one],
                    level[k] - self.low_m[one],
                )
                volume += np.bincount(k, self.area_m2[one] * mean, level.size)
                area += np.bincount(k, self.area_m2[one] * share, level.size)
        return volume[back].reshape(asked.shape), area[back].reshape(asked.shape)

    def level_ground_m2(self, level_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Area of level triangles at each level: neither below nor above it [m2]."""
        flat = self.high_m[: self.ends[1]]
        first = np.searchsorted(flat, level_m - SAME_M, side="left")
        last = np.searchsorted(flat, level_m + SAME_M, side="right")
        found: NDArray[np.float64] = self.upto_m2[last] - self.upto_m2[first]
        return found


def sorted_facets(
    low_m: NDArray[np.float64],
    mid_m: NDArray[np.float64],
    high_m: NDArray[np.float64],
    area_m2: NDArray[np.float64],
) -> Facets:
    """Triangles for reading, from their sorted corner heights and areas, (n,) each."""
    height = high_m - low_m
    flat = height <= SAME_M
    usual = float(np.median(height[~flat])) if not flat.all() else 1.0
    edges = np.concatenate([[SAME_M], usual * _STEEPER ** np.arange(_CLASSES - 2)])
    steep = np.searchsorted(edges, height, side="left").astype(np.int8)
    order = np.lexsort((high_m, steep)).astype(np.int32 if steep.size < 2**31 else np.int64)
    ends = np.searchsorted(steep[order], np.arange(_CLASSES + 1))
    reach = [
        float(height[order[a:b]].max(initial=0.0)) * (1.0 + 1e-9) + SAME_M
        for a, b in itertools.pairwise(ends.tolist())
    ]
    del height, flat
    base = float(low_m.min())
    volume = low_m - base
    volume += mid_m - base
    volume += high_m - base
    volume *= area_m2
    volume = volume[order] / 3.0
    area = area_m2[order]
    return Facets(
        low_m=low_m[order],
        mid_m=mid_m[order],
        high_m=high_m[order],
        area_m2=area,
        ends=tuple(ends.tolist()),
        reach_m=tuple(reach),
        upto_m2=np.concatenate([[0.0], np.cumsum(area)]),
        upto_m3=np.concatenate([[0.0], np.cumsum(volume)]),
        base_m=base,
    )


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
    areas, corners = [], []
    for facets in cut_by_outline(grid, outline, diagonal).facets(height_m):
        areas.append(facets.area_m2)
        corners.append(sorted_corners(facets.height_m))
    area = np.concatenate(areas)
    low, mid, high = (np.concatenate([one[k] for one in corners]) for k in range(3))
    areas, corners = [], []
    outline_m2 = float(area.sum())
    return FillCurve(
        outline_m2=outline_m2,
        low_m=float(low.min()),
        mean_m=float(sum((area * corner).sum() for corner in (low, mid, high))) / 3.0 / outline_m2,
        high_m=float(high.max()),
        facets=sorted_facets(low, mid, high, area),
    )


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
