"""The humps that go for a datum: connected pieces that are ground, and what each saves.

A piece of floor over the ground level is a hump unless it is no more than the noise of the scan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.edge import cells_polygon
from pourdatum.grid import widened
from pourdatum.grind import Hump, patch_within
from pourdatum.overlevel import pieces_of, sums_above
from pourdatum.patchmean import PATCH_M

if TYPE_CHECKING:
    from pourdatum.costcurve import CostCurve
    from pourdatum.datum import Datum
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Labels = NDArray[np.int64]

_NOISES: Final = 4.0
"""Standard errors that a patch of 100 mm must stand above the ground level by to be a hump."""
_TOP_NOISES: Final = 2.0
"""The same for the piece with the high point, whose luck is taken out already."""
_LEAST_ERROR_M: Final = 1e-5
AS_HIGH_M: Final = 0.0002
"""Tops nearer than that are as high [m]: no scan tells more."""


@dataclass(frozen=True, eq=False)
class Ground:
    """A piece of floor that is ground, the height of its top [m], and what stands out of it."""

    hump: Hump
    top_m: float
    standing: tuple[Hump, ...]


def ground_humps(
    surface: Surface, datum: Datum, floor_m: Array, level_m: float, humps: tuple[Hump, ...]
) -> tuple[Ground, ...]:
    """The connected pieces of floor above a level that are more than noise, the highest first.

    Parameters
    ----------
    surface : Surface
    datum : Datum
        Over the high point, whose luck is taken out.
    floor_m : (ny, nx) array
        Heights, no higher than the high point [m].
    level_m : float
        To which the floor is ground [m].
    humps : tuple of Hump
        What stands out of the floor: pieces get their places and heights.
    """
    from scipy.ndimage import find_objects, maximum_position

    grid = surface.grid
    above = (surface.measured | surface.inferred) & (floor_m > level_m)
    labels, count = pieces_of(above)
    if not count:
        return ()
    volume_m3, area_m2 = sums_above(surface, floor_m, level_m, labels, count)
    felt = patch_within(np.where(surface.measured, floor_m, np.nan), grid.cell_m)
    felt = np.where(np.isfinite(felt), felt, -np.inf)
    sure = _more_than_noise(surface, datum, felt - level_m, labels, count)
    whose = [_number_at(labels, surface, hump.place_m) for hump in humps]
    numbers = np.arange(1, count + 1)
    windows = find_objects(labels)
    found = []
    for number, (row, col), window in zip(
        numbers, maximum_position(felt, labels, numbers), windows, strict=True
    ):
        if not sure[number]:
            continue
        over_m = float(felt[row, col]) - level_m
        rows, cols = widened((window[0], window[1]), 1, grid.shape)
        # Cells that touch at a corner are one piece: a hair more, and so is their outline.
        cells = cells_polygon(grid.window(rows, cols), labels[rows, cols] == number)
        outline = cells.buffer(0.01 * grid.cell_m, join_style="mitre")
        own = tuple(hump for hump, its in zip(humps, whose, strict=True) if its == number)
        place_m = own[0].place_m if own else (float(grid.x_m[col]), float(grid.y_m[row]))
        hump = Hump(
            place_m=place_m,
            area_m2=float(area_m2[number]),
            height_m=max((hump.height_m for hump in own), default=over_m),
            outline=outline if outline.geom_type == "Polygon" else outline.convex_hull,
            grind_m3=float(volume_m3[number]),
            saves_m3=0.0,
            worth=True,
        )
        found.append(Ground(hump, float(felt[row, col]), own))
    return tuple(sorted(found, key=lambda one: -one.top_m))


def _more_than_noise(
    surface: Surface, datum: Datum, over_m: Array, labels: Labels, count: int
) -> Mask:
    """Which numbered pieces the scan is sure of, (count + 1,), from how far patches rise."""
    from scipy.ndimage import maximum

    error_m = np.where(np.isfinite(surface.standard_error_m), surface.standard_error_m, np.inf)
    score = over_m / np.maximum(error_m, _LEAST_ERROR_M)
    sure = np.zeros(count + 1, bool)
    sure[1:] = maximum(score, labels, np.arange(1, count + 1)) > _NOISES
    highest = _number_at(labels, surface, datum.high_place_m) if datum.high_place_m else 0
    if highest and float(over_m.max()) > _TOP_NOISES * datum.standard_error_m:
        sure[highest] = True
    return sure


def _number_at(labels: Labels, surface: Surface, place_m: tuple[float, float]) -> int:
    """The piece that a place lies in, or comes within half a patch of; 0 where there is none."""
    grid = surface.grid
    col, row = (
        round((at - first) / grid.cell_m)
        for at, first in zip(place_m, (grid.x0_m, grid.y0_m), strict=True)
    )
    if labels[row, col]:
        return int(labels[row, col])
    reach = max(round(0.5 * PATCH_M / grid.cell_m), 1)
    around = labels[max(row - reach, 0) : row + reach + 1, max(col - reach, 0) : col + reach + 1]
    return int(around.max())


def with_savings(
    ground: tuple[Ground, ...],
    humps: tuple[Hump, ...],
    curve: CostCurve,
    area_m2: float,
    level_m: float,
) -> tuple[Hump, ...]:
    """The humps with what each saves, removed together with those as high: ground ones first.

    Without the next lower one the datum comes down to its top, and the last of them down to
    the chosen level.

    Parameters
    ----------
    ground : tuple of Ground
        The highest first.
    humps : tuple of Hump
        All that stand out of the floor.
    curve : CostCurve
        With the fill of every datum.
    area_m2 : float
        Of the floor.
    level_m : float
        Chosen datum [m].
    """

    def saved_m3(datum_m: float) -> float:
        return max(curve.top_fill_m3 - float(curve.fill_m3(datum_m)), 0.0)

    out = []
    for one in ground:
        lower = [other.top_m for other in ground if other.top_m < one.top_m - AS_HIGH_M]
        next_m = max(lower) + curve.least_m if lower else level_m
        out.append(replace(one.hump, saves_m3=saved_m3(max(next_m, level_m))))
    standing = {id(hump) for one in ground for hump in one.standing}
    for hump in humps:
        if id(hump) in standing:
            continue
        drop_m = hump.saves_m3 / area_m2
        low_m = max(curve.top_m - drop_m, curve.fill.low_m + curve.least_m)
        saves_m3 = saved_m3(low_m) if drop_m > 0.0 else 0.0
        out.append(replace(hump, saves_m3=saves_m3, worth=False))
    return tuple(out)
