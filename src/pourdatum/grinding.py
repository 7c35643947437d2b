"""Grind or pour: the datum at the least cost of both, and the humps that go for it.

What stands over a datum less its least depth is ground; each connected piece of it is a hump,
unless it is no more than the noise of the scan. The top of the range is the datum over the high
point, which has its luck taken out: what noise there is above it is never ground.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.costcurve import CostCurve, Prices
from pourdatum.deeplimit import highest_allowed
from pourdatum.fillcurve import level_curve
from pourdatum.grind import Hump, find_humps
from pourdatum.groundhumps import AS_HIGH_M, ground_humps, with_savings
from pourdatum.uncertainty import COVER_95
from pourdatum.volume import fill_volume

if TYPE_CHECKING:
    from pourdatum.datum import Datum
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Bound = Literal["deepest grind", "greatest depth"]

CURVE_POINTS: Final = 200
"""Levels at which the curve is given, the chosen one apart."""
_BINDS_M: Final = 2e-6
"""As near a limit as this a datum is held by it [m]."""


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
    high_m, reached, lowest = highest_allowed(floor_m, known, surface, greatest_m, low_m, top_m)
    level_m = curve.cheapest(low_m, high_m)
    humps = find_humps(surface, datum)
    ground = ground_humps(surface, datum, floor_m, level_m - least_m, humps)
    if not ground:
        level_m = top_m
    bound: Bound | None = None
    if ground and level_m > high_m - _BINDS_M:
        bound = "greatest depth"
    elif ground and low_m > floor_ends and level_m < low_m + _BINDS_M:
        bound = "deepest grind"
    held_m = COVER_95 * (lowest.error_m if bound == "greatest depth" else datum.standard_error_m)
    told = bound == "greatest depth" and lowest.unseen_m > AS_HIGH_M
    unseen_m = lowest.unseen_m if told else 0.0
    held_m = max(held_m, unseen_m)
    if ground and bound is None:
        held_m = 0.0
    levels = np.unique([*np.linspace(low_m, top_m, CURVE_POINTS), level_m])
    cost, unground_cost = (float(curve.cost(at)) for at in (level_m, top_m))
    return Grinding(
        datum=datum.lowered(top_m - level_m, least_m) if ground else datum,
        humps=with_savings(ground, humps, curve, surface.floor.area_m2, level_m),
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
