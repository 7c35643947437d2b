"""Grind or pour: the datum at the least cost of both, and the humps that go for it.

What stands over a datum less its least depth is ground; each connected piece of it is a hump,
unless it is no more than the noise of the scan. The top of the range is the datum over the high
point, which has its luck taken out: what noise there is above it is never ground.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.clipping import cut_by_outline
from pourdatum.costcurve import CostCurve, Prices
from pourdatum.datum import LOCAL_LEVEL
from pourdatum.edge import cells_polygon
from pourdatum.errors import NoFloor
from pourdatum.fillcurve import level_curve
from pourdatum.grid import widened
from pourdatum.grind import Hump, find_humps, patch_within
from pourdatum.material import small_patches_m2
from pourdatum.patch import FEW_DRAWS, highest_patch
from pourdatum.patchmean import PATCH_M, patch_mean, sound_error_m
from pourdatum.triangles import mean_positive, share_positive, sorted_corners
from pourdatum.uncertainty import COVER_95, UNSEEN_M
from pourdatum.unsearched import unsearched_floor
from pourdatum.volume import fill_volume

if TYPE_CHECKING:
    from pourdatum.datum import Datum
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Labels = NDArray[np.int64]
Bound = Literal["deepest grind", "greatest depth"]

CURVE_POINTS: Final = 200
"""Levels at which the curve is given, the chosen one apart."""
_NOISES: Final = 4.0
"""Standard errors that a patch of 100 mm must stand above the ground level by to be a hump."""
_TOP_NOISES: Final = 2.0
"""The same for the piece with the high point, whose luck is taken out already."""
_LEAST_ERROR_M: Final = 1e-5
_AS_HIGH_M: Final = 0.0002
"""Tops nearer than that are as high [m]: no scan tells more."""
_POCKET_M: Final = 0.5
_POCKET_DEPTH_M: Final = 0.002
"""Width up to which a hollow, and depth from which it, is a pocket: that is filled first, and does
not bind the datum [m]. A choice."""
_BINDS_M: Final = 2e-6
"""As near a limit as this a datum is held by it [m]."""
# Neighbours that share an edge of a triangle: quads are split by their rising diagonal.
_TOUCHING: Final = np.array([[1, 1, 0], [1, 1, 1], [0, 1, 1]])


@dataclass(frozen=True, eq=False)
class Grinding:
    """What is ground, and what that saves.

    Attributes
    ----------
    datum : Datum
        The one of least cost, local.
    humps : tuple of Hump
        Those to grind, the highest first, then those that are not worth it.
    volume_m3 : float
        Concrete to take off, all that stands over the ground level: with the humps what hardly
        does, and is no hump [m³].
    area_m2 : float
        Floor that is ground, as much of it [m²].
    saved_m3 : float
        Fill saved against the datum over the high point [m³].
    cost, unground_cost : float
        Of fill and grinding, at the chosen datum and at the one over the high point.
    curve : (n, 2) array
        Local level of the datum [m] and cost, upwards; the last is over the high point.
    bound : str or None
        The limit that the chosen datum lies at.
    too_deep_m : float or None
        Highest datum that the material's greatest depth allows, where that is below the high
        point's [m].
    reached : bool
        False where grinding as deep as allowed leaves the floor too deep all the same.
    held_m : float
        Where a floor holds the datum, and not its cost: how well the scan knows that floor,
        half of a 95 % interval. The highest where nothing is ground or the deepest grind binds,
        the lowest under the greatest depth; 0 where the cost alone decides [m].
    unseen_m : float
        How much lower than the floor that the greatest depth binds at floor may lie that nobody
        saw well, or under things: then no less than that is in ``held_m`` [m].
    held_cost : float
        What a datum that is out by as much costs more, or too little: the cost is not flat there.
    fill_per_m3 : float
        Price of a cubic metre of fill that the cost was reckoned with.
    """

    datum: Datum
    humps: tuple[Hump, ...]
    volume_m3: float
    area_m2: float
    saved_m3: float
    cost: float
    unground_cost: float
    curve: Array
    bound: Bound | None = None
    too_deep_m: float | None = None
    reached: bool = True
    held_m: float = 0.0
    held_cost: float = 0.0
    unseen_m: float = 0.0
    fill_per_m3: float = 0.0

    @property
    def ground(self) -> tuple[Hump, ...]:
        """The humps that are ground."""
        return tuple(hump for hump in self.humps if hump.worth)


def weigh_grinding(
    surface: Surface,
    datum: Datum,
    prices: Prices,
    *,
    least_m: float,
    greatest_m: float,
    deepest_m: float | None = None,
) -> Grinding:
    """Weigh grinding against filling over all data from the high point downwards.

    Parameters
    ----------
    surface : Surface
        The floor that is poured on.
    datum : Datum
        Over its high point, level.
    prices : Prices
    least_m : float
        Depth of the pour over ground floor: the material's least depth, and the roughness of
        the floor on top [m].
    greatest_m : float
        The material's greatest depth [m]. Pockets are filled first and do not count; what else
        is deep does, and so do pockets where they are more than small patches together.
    deepest_m : float, optional
        Deepest grind that the slab allows [m].
    """
    top_m = datum.plane.z0_m
    known = surface.measured | surface.inferred
    # What is higher than the high point is noise, or floor that nobody saw well.
    floor_m = np.minimum(surface.height_m, top_m - least_m)
    outline = surface.floor.outline
    unground = fill_volume(surface.height_m, surface.grid, outline, datum.plane)
    curve = CostCurve(
        level_curve(floor_m, surface.grid, outline), least_m, prices, top_m, unground.volume_m3
    )
    low_m = min(curve.fill.low_m + least_m, top_m)
    floor_ends = low_m
    if deepest_m is not None:
        low_m = max(low_m, top_m - deepest_m)
    high_m, reached, lowest = _highest_allowed(floor_m, known, surface, greatest_m, low_m, top_m)
    level_m = curve.cheapest(low_m, high_m)
    humps = find_humps(surface, datum)
    ground = _ground_humps(surface, datum, floor_m, level_m - least_m, humps)
    if not ground:
        level_m = top_m
    bound: Bound | None = None
    if ground and level_m > high_m - _BINDS_M:
        bound = "greatest depth"
    elif ground and low_m > floor_ends and level_m < low_m + _BINDS_M:
        bound = "deepest grind"
    held_m = COVER_95 * (lowest.error_m if bound == "greatest depth" else datum.standard_error_m)
    told = bound == "greatest depth" and lowest.unseen_m > _AS_HIGH_M
    unseen_m = lowest.unseen_m if told else 0.0
    held_m = max(held_m, unseen_m)
    if ground and bound is None:
        held_m = 0.0
    levels = np.unique([*np.linspace(low_m, top_m, CURVE_POINTS), level_m])
    cost, unground_cost = (float(curve.cost(at)) for at in (level_m, top_m))
    return Grinding(
        datum=datum.lowered(top_m - level_m, least_m) if ground else datum,
        humps=_with_savings(ground, humps, curve, surface.floor.area_m2, level_m),
        volume_m3=float(curve.ground_m3(level_m)),
        area_m2=float(curve.ground_m2(level_m)),
        saved_m3=curve.top_fill_m3 - float(curve.fill_m3(level_m)),
        cost=cost,
        unground_cost=unground_cost,
        curve=np.column_stack([levels, curve.cost(levels)]),
        bound=bound,
        too_deep_m=high_m if high_m < top_m else None,
        reached=reached,
        held_m=held_m,
        unseen_m=unseen_m,
        held_cost=_cost_between(curve, level_m, low_m, held_m),
        fill_per_m3=prices.fill_per_m3,
    )


def _cost_between(curve: CostCurve, level_m: float, low_m: float, held_m: float) -> float:
    """The most that the cost changes where the datum is out by so much, up or down."""
    if level_m >= curve.top_m:
        return held_m * curve.prices.fill_per_m3 * curve.fill.outline_m2
    ends = np.clip([level_m - held_m, level_m + held_m], low_m, np.nextafter(curve.top_m, low_m))
    return float(np.abs(curve.cost(ends) - curve.cost(level_m)).max())


@dataclass(frozen=True)
class _Lowest:
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


def _highest_allowed(
    floor_m: Array, known: Mask, surface: Surface, greatest_m: float, low_m: float, top_m: float
) -> tuple[float, bool, _Lowest]:
    """The highest datum under which the floor is not too deep [m], and whether there is one.

    With the floor that decides it.
    """
    small_cells = small_patches_m2(surface.floor.area_m2) / surface.grid.cell_m**2
    small_m = _level_of_area(floor_m[known], small_cells)
    lowest_cells = known & (floor_m <= small_m)
    errors = surface.standard_error_m[lowest_cells]
    square = errors[np.isfinite(errors)] ** 2
    small = _Lowest(small_m, math.sqrt(float(square.mean())) if square.size else 0.0)
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
    return top_m, False, _Lowest(top_m, 0.0)


def _lowest_patch(floor_m: Array, known: Mask, surface: Surface) -> _Lowest:
    """The lowest patch of 100 mm, as the highest one: its luck taken out, pockets left out."""
    grid = surface.grid
    # A fit that ran ahead of its points, or under things, binds no datum.
    seen = surface.measured & (surface.standard_error_m <= sound_error_m(surface))
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
            return _Lowest(-low.z_m, low.standard_error_m, -low.z_m - float(reach_m))
    # The lowest floor is a pocket, or was hardly seen: patches of the floor with pockets filled.
    mean = patch_mean(np.where(seen, filled, np.nan), grid.cell_m)
    mean = mean if np.isfinite(mean).any() else np.where(seen, filled, np.nan)
    at = np.unravel_index(int(np.nanargmin(mean)), mean.shape)
    return _Lowest(float(mean[at]), float(surface.standard_error_m[at]))


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


@dataclass(frozen=True, eq=False)
class _Ground:
    """A piece of floor that is ground, the height of its top [m], and what stands out of it."""

    hump: Hump
    top_m: float
    standing: tuple[Hump, ...]


def _ground_humps(
    surface: Surface, datum: Datum, floor_m: Array, level_m: float, humps: tuple[Hump, ...]
) -> tuple[_Ground, ...]:
    """The connected pieces of floor above a level that are more than noise, the highest first."""
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
        found.append(_Ground(hump, float(felt[row, col]), own))
    return tuple(sorted(found, key=lambda one: -one.top_m))


def pieces_of(mask: Mask) -> tuple[Labels, int]:
    """Connected pieces of a surface over marked nodes, numbered from 1, and how many."""
    from scipy.ndimage import label

    labels, count = label(mask, _TOUCHING)
    return labels.astype(np.int64), int(count)


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


def sums_above(
    surface: Surface, floor_m: Array, level_m: float, labels: Labels, count: int
) -> tuple[Array, Array]:
    """Volume [m³] and area [m²] above a level of each numbered piece, (count + 1,), exact."""
    from scipy.ndimage import distance_transform_edt

    grid = surface.grid
    # A triangle at the edge has corners beside the nodes: the nearest piece is its own.
    near = distance_transform_edt(labels == 0, return_distances=False, return_indices=True)
    whose = labels[tuple(near)]
    volume, area = np.zeros(count + 1), np.zeros(count + 1)
    for facets in cut_by_outline(grid, surface.floor.outline, "rising").facets(floor_m):
        some = facets.height_m.max(axis=0) > level_m
        x, y, z = (part[:, some] for part in (facets.x_m, facets.y_m, facets.height_m))
        top = z.argmax(axis=0), np.arange(z.shape[1])
        row = np.clip(np.rint((y[top] - grid.y0_m) / grid.cell_m), 0, grid.ny - 1).astype(np.int64)
        col = np.clip(np.rint((x[top] - grid.x0_m) / grid.cell_m), 0, grid.nx - 1).astype(np.int64)
        low, mid, high = sorted_corners(z - level_m)
        own = whose[row, col]
        volume += np.bincount(own, facets.area_m2[some] * mean_positive(low, mid, high), count + 1)
        area += np.bincount(own, facets.area_m2[some] * share_positive(low, mid, high), count + 1)
    return volume, area


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


def _with_savings(
    ground: tuple[_Ground, ...],
    humps: tuple[Hump, ...],
    curve: CostCurve,
    area_m2: float,
    level_m: float,
) -> tuple[Hump, ...]:
    """The humps with what each saves, removed together with those as high: ground ones first.

    Without the next lower one the datum comes down to its top, and the last of them down to
    the chosen level.
    """

    def saved_m3(datum_m: float) -> float:
        return max(curve.top_fill_m3 - float(curve.fill_m3(datum_m)), 0.0)

    out = []
    for one in ground:
        lower = [other.top_m for other in ground if other.top_m < one.top_m - _AS_HIGH_M]
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
