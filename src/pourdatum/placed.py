"""What was placed: the floor after the pour less the floor before it, in one frame.

What averages out (noise of the cells) is small over a floor; what does not is how well the two
scans are tied in height, and how either bends between what ties them and the floor. Both are drawn
(JCGM 101:2008): heights and tilts of the tie from the covariance of the adjustment, bends from the
budget of each scanner, less what the tie itself would have seen of them; and once more as a whole,
for ceiling and floor need not err alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.areaerror import area_uncertainty_m2
from pourdatum.datum import LOCAL_LEVEL
from pourdatum.errors import JobError, NoFloor
from pourdatum.evenly import even_places
from pourdatum.fixedparts import MARKS
from pourdatum.patch import highest_patch
from pourdatum.patchmean import PATCH_M
from pourdatum.shareddraws import DRAWS, shared_draws
from pourdatum.spread import FIT_REACH_M
from pourdatum.uncertainty import COVER_95, UNSEEN_M, combined, mean_error_m
from pourdatum.units import MM
from pourdatum.volume import surface_moments

if TYPE_CHECKING:
    from pourdatum.register import Registration
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

NOTHING_M: Final = 0.0005
"""Thickness below which nothing was placed [m]; a choice."""
_MOST_M: Final = 0.12
"""Mean thickness from which no levelling compound or screed was placed [m]; a choice."""
_EVEN_M: Final = 0.0008
"""Unevenness below which a floor does not say whether it was levelled [m]."""
_FEW_CELLS: Final = 100
_NODES: Final = 1500
_SEEDS: Final = (211, 223, 227)
"""Bends of the scan before, of the scan after, and all the rest."""
_TIES: Final = 300
"""Places of the tie at which bends are drawn, at the most about."""
_LEAST_TIES: Final = 6
_EXTREME_DRAWS: Final = 8


@dataclass(frozen=True)
class Extreme:
    """The thinnest or thickest patch of 100 mm, the luck of an extreme taken out.

    Attributes
    ----------
    thickness_m : float
    uncertainty_m : float
        At 95 % [m].
    place_m : tuple
        Local plan [m].
    """

    thickness_m: float
    uncertainty_m: float
    place_m: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Placed:
    """What was placed.

    Attributes
    ----------
    thickness_m : (ny, nx) array
        At cell centres [m]; NaN off the floor.
    uncertainty_m : (ny, nx) array
        Of each, at 95 % [m].
    seen : (ny, nx) bool array
        Cells that both scans saw.
    area_m2 : float
        Of the floor over which it is taken.
    volume_m3 : float
    volume_interval_m3 : tuple
        95 %.
    least, greatest : Extreme or None
        None where no patch was seen well enough in both.
    missed : (ny, nx) bool array
        Cells on which nothing was placed.
    missed_m2 : float
        Their area.
    lower_m2 : float
        Of it, floor that surely lies lower than before: something was taken off it.
    removal_m : float
        Taken off the floor between the two scans, as stated [m].
    slope_over_floor : float
        Of thickness over the floor's own unevenness: −1 of a top that is flat, 0 of a coat that
        follows the floor below; NaN where the floor was too even to say.
    """

    thickness_m: Array
    uncertainty_m: Array
    seen: Mask
    area_m2: float
    volume_m3: float
    volume_interval_m3: tuple[float, float]
    least: Extreme | None
    greatest: Extreme | None
    missed: Mask
    missed_m2: float
    lower_m2: float = 0.0
    removal_m: float = 0.0
    slope_over_floor: float = math.nan

    @property
    def mean_m(self) -> float:
        """Mean thickness [m]."""
        return self.volume_m3 / self.area_m2

    def beyond_m2(self, least_m: float, greatest_m: float, cell_m: float) -> tuple[float, float]:
        """Floor that is surely thinner than the one, or thicker than the other [m²]."""
        thin = self.seen & (self.thickness_m + self.uncertainty_m < least_m)
        thick = self.seen & (self.thickness_m - self.uncertainty_m > greatest_m)
        return float(thin.sum()) * cell_m**2, float(thick.sum()) * cell_m**2


def placed_between(
    before: Surface, after: Surface, tie: Registration | None, *, removal_m: float = 0.0
) -> Placed:
    """What was placed between two scans.

    Parameters
    ----------
    before, after : Surface
        On the same grid, in the same frame.
    tie : Registration, optional
        How well the two are tied; without it their frames and heights are one.
    removal_m : float
        Taken off the whole floor after the first scan, as recorded [m].

    Returns
    -------
    Placed

    Raises
    ------
    NoFloor
        If the scan after shows less than half of the floor, nothing ties the two in height, or
        they lie further apart than any pour.
    JobError
        If the floor after lies below the floor before: the two were exchanged.
    ValueError
        If the grids differ.
    """
    if before.grid != after.grid:
        raise ValueError("the floor after the pour is to be on the grid of the floor before it")
    if tie is not None and tie.height_error_m is None:
        raise NoFloor("nothing is fixed in height in both scans", id="no-height")
    import shapely

    x, y = before.grid.mesh()
    thickness = after.height_m - before.height_m + removal_m
    inside = shapely.contains_xy(before.floor.outline, x, y) & np.isfinite(thickness)
    seen = before.measured & after.measured & inside
    if seen.sum() < 0.5 * before.measured.sum():
        share = float(seen.sum()) / max(int(before.measured.sum()), 1)
        raise NoFloor(
            f"AFTER shows {share:.0%} of the floor that BEFORE shows, half is needed",
            hint="scan the whole floor after the pour",
            id="after-too-small",
        )
    mean = surface_moments(thickness, before.grid, before.floor.outline)
    volume_m3 = mean.mean_m * mean.area_m2
    own = np.hypot(before.standard_error_m, after.standard_error_m)
    fields = _moves(before, after, tie, inside)
    spread_m = float(np.sqrt(np.mean(np.var(fields, axis=0))))
    drawn = fields.mean(axis=1) + _mean_draws(before, after, inside)
    area_error_m2 = area_uncertainty_m2(before)
    luck = np.random.default_rng(_SEEDS[2] + 1).standard_normal(DRAWS)
    volumes = volume_m3 + drawn * mean.area_m2 + luck * area_error_m2 * mean.mean_m
    low, high = (float(edge) for edge in np.quantile(volumes, (0.025, 0.975)))
    if mean.mean_m > _MOST_M:
        raise NoFloor(
            f"AFTER lies {mean.mean_m * MM:.0f} mm above BEFORE on average: that is no levelling"
            " pour, something that the two were tied by was moved, such as a ceiling",
            hint=MARKS,
            id="too-thick",
        )
    if high < 0.0:
        raise JobError(
            f"AFTER lies {-mean.mean_m * MM:.1f} mm below BEFORE on average",
            where="BEFORE, AFTER",
            hint="exchange the two; or, if BEFORE was made before something was taken off the "
            'floor, say so with before = "unprepared" under [proof] and removal_mm under '
            "[preparation] in the job",
            id="exchanged",
        )
    least, greatest = _extremes(before, after, thickness, own, seen, spread_m)
    shown = np.where(inside, thickness, np.nan)
    bound = np.where(inside, COVER_95 * np.hypot(own, spread_m), np.nan)
    cell_m = before.grid.cell_m
    missed = _patches(seen & (shown < NOTHING_M), cell_m)
    lower = _patches(seen & (shown + bound < 0.0), cell_m)
    return Placed(
        thickness_m=shown,
        uncertainty_m=bound,
        seen=seen,
        area_m2=mean.area_m2,
        volume_m3=volume_m3,
        volume_interval_m3=(low, high),
        least=_about(least, mean.mean_m, -1.0),
        greatest=_about(greatest, mean.mean_m, 1.0),
        missed=missed,
        missed_m2=float(missed.sum()) * cell_m**2,
        lower_m2=float(lower.sum()) * cell_m**2,
        removal_m=removal_m,
        slope_over_floor=_slope_over(before, thickness, seen & ~missed),
    )


def _slope_over(before: Surface, thickness: Array, seen: Mask) -> float:
    """How thickness hangs on the floor's unevenness below it."""
    uneven = before.above_plane_m()[seen]
    if seen.sum() < _FEW_CELLS or float(np.std(uneven)) < _EVEN_M:
        return math.nan
    return float(np.polyfit(uneven, thickness[seen], 1)[0])


def _moves(before: Surface, after: Surface, tie: Registration | None, inside: Mask) -> Array:
    """By how much thickness may be another on each draw (k, n), at places over the floor [m]."""
    place, *_ = even_places(inside, before.grid, _NODES)
    held = np.empty((0, 2)) if tie is None else tie.tie_m[:: max(len(tie.tie_m) // _TIES, 1)]
    both = np.concatenate([held, place])
    bend = _bends(after, _SEEDS[1], both) - _bends(before, _SEEDS[0], both)
    fields = bend[:, len(held) :]
    if len(held):
        # What both bend by where they are tied, the tie has seen.
        at_tie, here = (_design(one, held.mean(axis=0), len(held)) for one in (held, place))
        fields = fields - (bend[:, : len(held)] @ np.linalg.pinv(at_tie).T) @ here.T
    if tie is not None:
        rng = np.random.default_rng(_SEEDS[2])
        drawn = rng.multivariate_normal(np.zeros(3), tie.covariance, DRAWS, method="eigh")
        lever = np.column_stack([np.ones(len(place)), place - tie.middle_m[:2]])
        fields = fields + drawn @ lever.T
        # A range that is longer by a little parts ceiling and floor, and neither scan shows it.
        fields += tie.bend_m * rng.standard_normal((DRAWS, 1))
    return fields


def _design(place: Array, middle: Array, ties: int) -> Array:
    """Level, and where there are ties enough tilt, at places."""
    ones = np.ones((len(place), 1))
    return ones if ties < _LEAST_TIES else np.column_stack([ones, place - middle])


def _bends(surface: Surface, seed: int, place: Array) -> Array:
    """Bends of a scan from its budget (k, n) [m]: its level and tilt are those of the tie."""
    middle = surface.floor.outline.centroid
    west, south, east, north = surface.floor.outline.bounds
    reach_m = 0.5 * math.hypot(east - west, north - south)
    bent = replace(
        surface.shared,
        tilt_rad=0.0,
        datum_m=0.0,
        warp_m=combined(surface.shared.warp_m, surface.floor.stations.bend_m),
    )
    return shared_draws(bent, (middle.x, middle.y), seed=seed, reach_m=reach_m).at(place)


def _mean_draws(before: Surface, after: Surface, inside: Mask) -> Array:
    """What the mean thickness errs by itself, drawn (k,) [m]: noise, stripes, floor unseen."""
    cells = FIT_REACH_M / before.grid.cell_m
    parts = []
    for one in (before, after):
        parts.append(mean_error_m(one.standard_error_m, inside, cells))
        parts.append(one.stripes.mean_error_m(inside, one.grid))
    hidden = inside & ~(before.measured & after.measured)
    parts.append(UNSEEN_M * float(hidden.sum()) / max(int(inside.sum()), 1))
    luck = np.random.default_rng(_SEEDS[2] + 2).standard_normal(DRAWS)
    return combined(*parts) * luck


def _extremes(
    before: Surface,
    after: Surface,
    thickness: Array,
    own: Array,
    seen: Mask,
    spread_m: float,
) -> tuple[Extreme | None, Extreme | None]:
    """The thinnest and the thickest patch."""
    difference = replace(
        after,
        height_m=thickness,
        standard_error_m=own,
        noise_m=np.hypot(before.noise_m, after.noise_m),
        measured=seen,
        inferred=np.zeros_like(seen),
    )
    found: list[Extreme | None] = []
    for sign in (-1.0, 1.0):
        turned = replace(difference, height_m=sign * thickness)
        try:
            top = highest_patch(turned, LOCAL_LEVEL, draws=_EXTREME_DRAWS)
        except NoFloor:
            found.append(None)
            continue
        error_m = COVER_95 * math.hypot(top.standard_error_m, spread_m)
        found.append(Extreme(sign * top.z_m, error_m, top.place_m))
    return found[0], found[1]


def _about(one: Extreme | None, mean_m: float, sign: float) -> Extreme | None:
    """An extreme from which more luck was taken than it had lies no further in than the mean."""
    if one is None or sign * (one.thickness_m - mean_m) >= 0.0:
        return one
    return replace(one, thickness_m=mean_m)


def _patches(chosen: Mask, cell_m: float) -> Mask:
    """Chosen cells that make up patches of 100 mm: a single cell is noise."""
    from scipy.ndimage import binary_opening

    side = max(round(PATCH_M / cell_m), 1)
    patches: Mask = binary_opening(chosen, np.ones((side, side), bool))
    return patches
