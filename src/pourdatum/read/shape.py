"""Floors, ceilings and walls in a sample of points, without knowing its unit.

Every length here is in the unit of the sample, every threshold a share of its size, so
that the same room looks the same in millimetres and in feet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SAMPLE: Final = 100_000
_CELLS: Final = 60
"""Cells along the longer side of the plan."""
_SLABS: Final = 60
_FACING: Final = 0.3
"""Least share of the largest layer that a layer facing it covers."""
_LEAST: Final = 500
"""Points below which nothing is told of a shape."""
_STANDS_OUT: Final = 2.0
_ALIKE: Final = 0.6
_APART: Final = 0.2
"""Least distance of two facing layers, as a share of the whole height."""
_BINS: Final = 12
_FULL: Final = 0.6
"""Share of the height in which a cell of a wall holds points."""
_RING: Final = 8
"""Cells at least that stand upright where there are walls."""
_FLAT: Final = 0.02
"""A sample flatter than this share of its length has no walls that could be told."""


@dataclass(frozen=True)
class Shape:
    """A sample as it looks with one of its axes upright.

    Attributes
    ----------
    axis : int
    long, short : float
        Sides of the plan.
    area : float
        Plan area of the largest level layer.
    height : float or None
        From floor to ceiling where both were seen, else of the walls; None without them.
    ceiling : bool
        Whether ``height`` is that of a ceiling.
    """

    axis: int
    long: float
    short: float
    area: float
    height: float | None
    ceiling: bool


def robust_sides(sample: Array) -> Array:
    """Sides of the box around all but the farthest 1 % along each axis, (3,)."""
    low, high = np.quantile(sample, (0.005, 0.995), axis=0)
    return np.asarray(high - low)


def within(sample: Array) -> Array:
    """A sample thinned to a bound, without the farthest 1 % along each axis."""
    sample = sample[:: -(-len(sample) // _SAMPLE) or 1]
    inside = np.ones(len(sample), bool)
    for along in np.ascontiguousarray(sample.T):
        low, high = np.quantile(along, (0.005, 0.995))
        inside &= (along >= low) & (along <= high)
    return np.asarray(sample[inside])


def shapes(sample: Array) -> list[Shape]:
    """How the sample looks with each axis upright; only axes that may well be.

    An axis may be upright where the largest layer across it is at least half as large as
    the largest across any.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> box = rng.uniform(0, 1, (40_000, 3)) * [600.0, 400.0, 260.0]
    >>> box[np.arange(40_000), 2] = np.where(np.arange(40_000) % 2, 0.0, 260.0)
    >>> [found.axis for found in shapes(box)], round(shapes(box)[0].height / 10)
    ([2], 26)
    """
    found = all_shapes(sample)
    if not found:
        return []
    most = max(shape.area for shape in found)
    return [shape for shape in found if most > 0.0 and shape.area >= 0.5 * most]


def all_shapes(sample: Array) -> list[Shape]:
    """How the sample looks with each of its three axes upright; nothing of a few points."""
    inside = within(sample)
    return [_shape(inside, axis) for axis in range(3)] if len(inside) >= _LEAST else []


def _shape(inside: Array, axis: int) -> Shape:
    first, second = (i for i in range(3) if i != axis)
    low = inside.min(axis=0)
    sides = inside.max(axis=0) - low
    long, short = sorted((float(sides[first]), float(sides[second])), reverse=True)
    cell = max(long / _CELLS, 1e-12)
    plan = np.floor((inside[:, [first, second]] - low[[first, second]]) / cell).astype(np.int64)
    column = plan[:, 0] * (_CELLS + 2) + plan[:, 1]
    up = inside[:, axis] - low[axis]
    whole = float(sides[axis])
    if whole <= _FLAT * long:
        return Shape(axis, long, short, np.unique(column).size * cell**2, None, False)
    level, covered = _layers(up, column, whole)
    best = int(np.argmax(covered))
    if covered[best] < _STANDS_OUT * np.median(covered):  # a heap, without floor or ceiling
        return Shape(axis, long, short, float(covered[best]) * cell**2, None, False)
    area = float(covered[best]) * cell**2
    apart = np.abs(level - level[best])
    facing = np.flatnonzero((covered >= _FACING * covered[best]) & (apart >= _APART * whole))
    if facing.size:
        # The nearest of those much alike, at its fullest: with several storeys, one of them.
        facing = facing[covered[facing] >= _ALIKE * covered[facing].max()]
        near = apart[facing] <= apart[facing].min() + 2.5 * whole / _SLABS
        other = facing[near][np.argmax(covered[facing[near]])]
        return Shape(axis, long, short, area, float(apart[other]), True)
    return Shape(axis, long, short, area, _walls(up, column, float(level[best]), whole), False)


def _layers(up: Array, column: NDArray[np.int64], whole: float) -> tuple[Array, Array]:
    """Mean level of each slab, and the cells in which it holds points."""
    slab = np.minimum((up / whole * _SLABS).astype(np.int64), _SLABS - 1)
    wide = int(column.max()) + 1
    held = np.unique(slab * wide + column) // wide
    covered = np.bincount(held, minlength=_SLABS).astype(np.float64)
    count = np.maximum(np.bincount(slab, minlength=_SLABS), 1)
    level = np.bincount(slab, weights=up, minlength=_SLABS) / count
    # A layer on the edge of two slabs is one.
    both = np.unique(((slab + 1) // 2) * wide + column) // wide
    pairs = np.bincount(both, minlength=_SLABS // 2 + 1)[(np.arange(_SLABS) + 1) // 2]
    return level, np.maximum(covered, np.where(covered > 0.5 * pairs, pairs, covered))


def _walls(up: Array, column: NDArray[np.int64], floor: float, whole: float) -> float | None:
    """Height of what stands over the layer, None where hardly anything does."""
    rise = np.abs(up - floor)
    above = up > floor if np.median(up - floor) >= 0 else up < floor
    height = float(np.quantile(rise[above], 0.995)) if above.any() else 0.0
    if height < 0.3 * whole:
        return None
    bins = np.minimum((rise[above] / height * _BINS).astype(np.int64), _BINS - 1)
    held = np.unique(column[above] * _BINS + bins) // _BINS
    _, filled = np.unique(held, return_counts=True)
    return height if np.count_nonzero(filled >= _FULL * _BINS) >= _RING else None
