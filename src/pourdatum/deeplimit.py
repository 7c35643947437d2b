"""How high the datum may lie for the floor not to be deeper than a material takes.

The lowest patch of 100 mm decides, with its luck taken out as the highest one's is; pockets are
filled first and do not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.datum import LOCAL_LEVEL
from pourdatum.errors import NoFloor
from pourdatum.material import small_patches_m2
from pourdatum.patch import FEW_DRAWS, highest_patch
from pourdatum.patchmean import patch_mean, sound_error_m, support_error_m
from pourdatum.uncertainty import COVER_95, UNSEEN_M
from pourdatum.unsearched import unsearched_floor

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_POCKET_M: Final = 0.5
_POCKET_DEPTH_M: Final = 0.002
"""Width up to which a hollow, and depth from which it, is a pocket: that is filled first, and does
not bind the datum [m]. A choice."""


@dataclass(frozen=True)
class Lowest:
    """The floor that the greatest depth binds at.

    Attributes
    ----------
    z_m : float
        Its level [m].
    error_m : float
        Standard error of that [m].
    unseen_m : float
        How much lower floor may lie that nobody saw well [m].
    """

    z_m: float
    error_m: float
    unseen_m: float = 0.0


def highest_allowed(
    floor_m: Array, known: Mask, surface: Surface, greatest_m: float, low_m: float, top_m: float
) -> tuple[float, bool, Lowest]:
    """The highest datum under which the floor is not too deep.

    Parameters
    ----------
    floor_m : (ny, nx) array
        Heights, no higher than the high point [m].
    known : (ny, nx) bool array
        Cells of the floor.
    surface : Surface
        Errors of the heights, and what was seen.
    greatest_m : float
        Depth that the material takes [m].
    low_m, top_m : float
        Lowest and highest datum that is asked about [m].

    Returns
    -------
    tuple of float, bool and Lowest
        That datum [m], ``top_m`` at the most; whether there is one; the floor that decides it.
    """
    small_cells = small_patches_m2(surface.floor.area_m2) / surface.grid.cell_m**2
    small_m = _level_of_area(floor_m[known], small_cells)
    lowest_cells = known & (floor_m <= small_m)
    errors = surface.standard_error_m[lowest_cells]
    square = errors[np.isfinite(errors)] ** 2
    small = Lowest(small_m, math.sqrt(float(square.mean())) if square.size else 0.0)
    first = _lowest_patch(floor_m, known, surface)
    if small_m < first.z_m:
        unseen_m = max(small_m - (first.z_m - first.unseen_m), 0.0)
        if surface.inferred[lowest_cells].mean() > 0.5:
            # Floor that was inferred is lower than all that was seen: what it may be out by is
            # no noise, and the cells beside it tell too little of it where the floor bends.
            unseen_m = max(unseen_m, COVER_95 * max(small.error_m, UNSEEN_M))
        first = replace(small, unseen_m=unseen_m)
    for lowest in (first, small):
        if lowest.z_m + greatest_m >= low_m:
            return min(lowest.z_m + greatest_m, top_m), True, lowest
    return top_m, False, Lowest(top_m, 0.0)


def _lowest_patch(floor_m: Array, known: Mask, surface: Surface) -> Lowest:
    """The lowest patch of 100 mm, as the highest one: its luck taken out, pockets left out."""
    grid = surface.grid
    # A fit that ran ahead of its points, or under things, binds no datum.
    seen = surface.measured & (support_error_m(surface) <= sound_error_m(surface))
    seen = seen if seen.any() else known
    try:
        low = highest_patch(surface.turned_over, LOCAL_LEVEL, draws=FEW_DRAWS)
    except NoFloor:
        low = None
    filled = _without_pockets(floor_m, known, grid.cell_m)
    if low is not None:
        row, col = grid.cell_of(*(np.array([axis]) for axis in low.place_m))
        if filled[row[0], col[0]] <= floor_m[row[0], col[0]] + _POCKET_DEPTH_M:
            unsearched = unsearched_floor(surface)
            reach_m = (floor_m - surface.standard_error_m)[unsearched].min(initial=-low.z_m)
            return Lowest(-low.z_m, low.standard_error_m, -low.z_m - float(reach_m))
    # The lowest floor is a pocket, or was hardly seen: patches of the floor with pockets filled.
    mean = patch_mean(np.where(seen, filled, np.nan), grid.cell_m)
    mean = mean if np.isfinite(mean).any() else np.where(seen, filled, np.nan)
    at = np.unravel_index(int(np.nanargmin(mean)), mean.shape)
    return Lowest(float(mean[at]), float(surface.standard_error_m[at]))


def _level_of_area(height: Array, cells: float) -> float:
    """The level under which so many cells lie [m]."""
    count = min(max(int(cells), 0), height.size - 1)
    return float(np.partition(height, count)[count])


def _without_pockets(floor_m: Array, known: Mask, cell_m: float) -> Array:
    """Heights with pockets filled (ny, nx); slopes and gentle hollows stay as they are.

    A closing: under every square of that width the highest, then the lowest of those over each
    cell. Squares may reach beyond the edge, so that a low corner is no pocket.
    """
    from scipy.ndimage import maximum_filter, minimum_filter

    size = 2 * max(round(0.5 * _POCKET_M / cell_m), 1) + 1
    padded = np.pad(np.where(known, floor_m, -np.inf), size, constant_values=-np.inf)
    over = maximum_filter(padded, size, mode="constant", cval=-np.inf)
    closed = minimum_filter(np.where(np.isfinite(over), over, np.inf), size, mode="nearest")
    filled = closed[size:-size, size:-size]
    out: Array = np.where(known & (filled - floor_m > _POCKET_DEPTH_M), filled, floor_m)
    return out
