"""Steps of a floor: where it goes from one level to another at once, which is no fall.

A plane laid through two levels falls, and the floor falls nowhere. Where heights change over a
fifth of a metre by more than they err, along a straight line of a metre and more, both sides are
carried on to the line by their own slope, and what is left between them is the step.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import group_windows
from pourdatum.straight import Straight

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

_OVER_M: Final = 0.1
"""To either side, over which a change of height is looked for [m]."""
_BESIDE_M: Final = 0.25
"""Off the line, where heights are taken no more from the edge itself [m]; twice that as well."""
_LEAST_M: Final = 0.0015
"""Height from which a step is told [m]; a choice."""
_SIGMAS: Final = 5.0
_LONG_M: Final = 1.5
"""Length from which it is one [m]; a choice."""
_STRAIGHT_M: Final = 0.1
"""Scatter of its cells about its line, at the most [m]."""
_UNEVEN: Final = 0.2
"""Share of its height that it varies by along itself, at the most."""
_ONE_WAY: Final = 0.9
"""Share of the changes that go the same way, at the least."""


_MOST_RISE: Final = 1.5
_STAYS: Final = 0.6
"""Of the change between two places near the line: what the step is at the most, and what is left
of it farther off; choices."""


@lru_cache(maxsize=4)
def steps_of(surface: Surface) -> tuple[Straight, ...]:
    """The steps of a floor, the longest first.

    Parameters
    ----------
    surface : Surface
        Of a scan; levels that were shot singly show none.
    """
    from scipy.ndimage import label

    if surface.smoother is None:
        return ()
    grid = surface.grid
    n = max(round(_OVER_M / grid.cell_m), 1)
    seen = surface.measured & np.isfinite(surface.height_m)
    level = np.where(seen, surface.height_m, np.nan)
    rise_x, rise_y = _change(level, n, 1), _change(level, n, 0)
    size = np.hypot(rise_x, rise_y)
    error = math.sqrt(2.0) * surface.standard_error_m
    steep = np.nan_to_num(size) > np.maximum(_LEAST_M, _SIGMAS * error)
    groups, _ = label(steep, np.ones((3, 3), bool))
    found = []
    for k, window in enumerate(group_windows(groups), 1):
        if max(part.stop - part.start for part in window) * grid.cell_m < 0.5 * _LONG_M:
            continue
        row, col = np.nonzero(groups[window] == k)
        row, col = row + window[0].start, col + window[1].start
        step = _step(surface, level, row, col, np.array([rise_x[row, col], rise_y[row, col]]))
        found += [] if step is None else [step]
    return tuple(sorted(found, key=lambda one: -one.length_m))


def _change(level: Array, n: int, axis: int) -> Array:
    """Height n cells on less that n cells back; NaN where either was not seen."""
    out = np.full(level.shape, np.nan)
    here, on, back = ([slice(None)] * 2 for _ in range(3))
    here[axis], on[axis], back[axis] = slice(n, -n), slice(2 * n, None), slice(None, -2 * n)
    out[tuple(here)] = level[tuple(on)] - level[tuple(back)]
    return out


def _step(
    surface: Surface,
    level: Array,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    rise: Array,
) -> Straight | None:
    grid = surface.grid
    up = rise.sum(axis=1)
    if math.hypot(*up) < _ONE_WAY * float(np.hypot(*rise).sum()):
        return None
    place = np.column_stack([grid.x_m[col], grid.y_m[row]])
    off = place - place.mean(axis=0)
    along = np.linalg.eigh(off.T @ off)[1][:, -1]
    normal = np.array([along[1], -along[0]])
    normal = normal if normal @ up > 0.0 else -normal
    on = off @ along
    if np.ptp(on) < _LONG_M or float(np.std(off @ normal)) > _STRAIGHT_M:
        return None
    line = place.mean(axis=0) + on[:, None] * along
    near, far = (
        [grid.at(level, line + sign * times * _BESIDE_M * normal) for sign in (1.0, -1.0)]
        for times in (1.0, 2.0)
    )
    jump = (2.0 * near[0] - far[0]) - (2.0 * near[1] - far[1])
    known = np.isfinite(jump)
    if not known.any():
        return None
    # A wave comes down again behind its slope; a step does not, and is as high all along.
    close, wide = (float(np.median((one[0] - one[1])[known])) for one in (near, far))
    jump = jump[known]
    high = float(np.median(jump))
    uneven = float(np.median(np.abs(jump - high)))
    if (
        high < _LEAST_M
        or high > _MOST_RISE * close
        or wide < _STAYS * close
        or uneven > _UNEVEN * high
    ):
        return None
    middle = place.mean(axis=0) + 0.5 * (on.min() + on.max()) * along
    return Straight(
        place_m=(float(middle[0]), float(middle[1])),
        bearing_rad=math.atan2(along[0], along[1]) % math.pi,
        length_m=float(np.ptp(on)),
        height_m=high,
    )
