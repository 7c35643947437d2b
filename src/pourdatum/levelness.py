"""How level a floor is, apart from how flat: its slope, its range, and off a level wanted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pourdatum.datum import LOCAL_LEVEL
from pourdatum.decision import Rule, Verdict, decide
from pourdatum.errors import JobError
from pourdatum.patch import FEW_DRAWS, HighPoint, highest_patch
from pourdatum.slopeerror import slope_error_95
from pourdatum.uncertainty import COVER_95, combined

if TYPE_CHECKING:
    from pourdatum.surface import Surface

_ANOTHER_M: Final = 1.0
"""Departure from a level wanted from which it is another floor's [m]."""


@dataclass(frozen=True)
class Departure:
    """How far the floor stands off the level it was to have, judged.

    Attributes
    ----------
    level_m : float
        The level wanted, local [m].
    lowest_m, highest_m : float
        Of patches of 100 mm, off that level, above is positive [m].
    uncertainty_m : float
        Of either, at 95 % [m].
    tolerance_m : float or None
        Allowed either way; nothing is judged without.
    verdict : str or None
    on_ceiling : bool
        Whether it holds only if the ceiling did not move between the scans.
    """

    level_m: float
    lowest_m: float
    highest_m: float
    uncertainty_m: float
    tolerance_m: float | None = None
    verdict: Verdict | None = None
    on_ceiling: bool = False


@dataclass(frozen=True)
class Levelness:
    """How level the floor is, apart from how flat.

    Attributes
    ----------
    slope : float
        Of the best-fit plane [m/m].
    slope_uncertainty : float or None
        At 95 %, in any direction [m/m].
    range_m : float
        Between the highest and the lowest patch of 100 mm [m].
    uncertainty_m : float
        Of the range, at 95 % [m].
    departure : Departure or None
        Off a level that was asked for.
    """

    slope: float
    slope_uncertainty: float | None
    range_m: float
    uncertainty_m: float
    departure: Departure | None = None


def levelness_of(
    surface: Surface, wanted: tuple[float, float] | None, tolerance_m: float | None, rule: Rule
) -> Levelness:
    """How level a floor is.

    Parameters
    ----------
    surface : Surface
        With a vertical.
    wanted : pair of floats or None
        A level that it was to have, local, and its standard uncertainty [m].
    tolerance_m : float or None
        By how much it may depart from it [m].
    rule : Rule
    """
    low = highest_patch(surface.turned_over, LOCAL_LEVEL, draws=FEW_DRAWS)
    high = highest_patch(surface, LOCAL_LEVEL)
    tilt_95 = slope_error_95(surface)
    apart_m = math.dist(low.place_m, high.place_m)
    own = combined(low.standard_error_m, high.standard_error_m, 2**0.5 * surface.shared.warp_m)
    return Levelness(
        slope=surface.best_plane().slope,
        slope_uncertainty=tilt_95,
        # Of both ends more luck may be taken than they had.
        range_m=max(high.z_m + low.z_m, 0.0),
        uncertainty_m=math.hypot(COVER_95 * own, (tilt_95 or 0.0) * apart_m),
        departure=None
        if wanted is None
        else _departure(surface, low, high, wanted, tolerance_m, rule, tilt_95 or 0.0),
    )


def _departure(
    surface: Surface,
    low: HighPoint,
    high: HighPoint,
    wanted: tuple[float, float],
    tolerance_m: float | None,
    rule: Rule,
    tilt_95: float,
) -> Departure:
    """Off a level that was asked for: the worse of the two ends decides."""
    middle = surface.floor.outline.centroid
    lever_m = max(math.dist(one.place_m, (middle.x, middle.y)) for one in (low, high))
    shared = surface.shared
    error_m = combined(
        max(low.standard_error_m, high.standard_error_m),
        shared.warp_m,
        shared.datum_m,
        tilt_95 * lever_m / COVER_95,
        wanted[1],
    )
    wanted_m = wanted[0]
    lowest_m, highest_m = -low.z_m - wanted_m, high.z_m - wanted_m
    if max(-lowest_m, highest_m) > _ANOTHER_M:
        raise JobError(
            f"the floor lies {max(-lowest_m, highest_m):.2f} m off the level that it was to have",
            where="proof.level_z_m",
            hint="give the level in BEFORE's vertical, in metres; with control shots in theirs",
            id="level-far",
        )
    verdict: Verdict | None = None
    if tolerance_m is not None:
        worst_m = max(-lowest_m, highest_m)
        verdict = decide(worst_m, error_m, upper=tolerance_m, rule=rule).verdict
    return Departure(wanted_m, lowest_m, highest_m, COVER_95 * error_m, tolerance_m, verdict)
