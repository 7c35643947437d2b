"""The positive part of a linear function over triangles, in closed form.

Each triangle is given by its corner values, sorted. The forms add only terms of one
sign, so nothing cancels where a triangle barely reaches above zero, and equal values
divide by nothing.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

SAME_M: Final = 1e-12
"""Heights nearer than this are the same, though 0.102 - 0.1 < 0.002 in floats [m]."""

Values = NDArray[np.float64]


def sorted_corners(values: Values) -> tuple[Values, Values, Values]:
    """Lowest, middle and highest of the three corner values (3, n) of each triangle.

    Examples
    --------
    >>> low, mid, high = sorted_corners(np.array([[3.0], [1.0], [2.0]]))
    >>> low.item(), mid.item(), high.item()
    (1.0, 2.0, 3.0)
    """
    low_pair, high_pair = np.minimum(values[0], values[1]), np.maximum(values[0], values[1])
    low, high = np.minimum(low_pair, values[2]), np.maximum(high_pair, values[2])
    return low, np.maximum(low_pair, np.minimum(high_pair, values[2])), high


def mean_positive(low: Values, mid: Values, high: Values) -> Values:
    """Mean of max(v, 0) over each triangle, (n,); v linear with sorted corner values.

    Examples
    --------
    A triangle that stands above zero at one corner, to a third of the way down two sides:

    >>> mean_positive(np.array([-2.0]), np.array([-2.0]), np.array([1.0])) * 27
    array([1.])
    """
    mean = np.where(low >= 0.0, (low + mid + high) / 3.0, 0.0)
    crossing = np.flatnonzero((low < 0.0) & (high > 0.0))
    mean[crossing] = above_zero(low[crossing], mid[crossing], high[crossing])[1]
    return mean


def share_positive(low: Values, mid: Values, high: Values) -> Values:
    """Share of each triangle where v > 0, (n,); a triangle flat at zero has none.

    Examples
    --------
    >>> share_positive(np.array([-2.0]), np.array([-2.0]), np.array([1.0])) * 9
    array([1.])
    """
    share = ((high > SAME_M) & (low >= -SAME_M)).astype(np.float64)
    crossing = np.flatnonzero((low < -SAME_M) & (high > SAME_M))
    share[crossing] = above_zero(low[crossing], mid[crossing], high[crossing])[0]
    return share


def above_zero(low: Values, mid: Values, high: Values) -> tuple[Values, Values]:
    """Share of each triangle where v > 0, and mean of max(v, 0), given low < 0 < high.

    Where only the highest corner is above zero, what is above is a triangle at that
    corner. Where two are, it is two triangles: the two corners with the zero of the
    longest side, and the middle corner with both zeros.
    """
    one = mid <= 0.0
    long = high / (high - low)
    short = np.where(one, high, mid) / np.where(one, high - mid, mid - low)
    rest = 1.0 - long
    share = np.where(one, long * short, long + rest * short)
    mean = np.where(one, long * short * high, long * (mid + high) + rest * short * mid) / 3.0
    return share, mean
