"""What a floor costs to grind and to fill, as a function of the datum, and its exact minimum.

For a level datum d over a floor z, with least depth m: the fill is m A + the floor's fill to
d - m, what is ground is its cut above d - m, and both are exact for the piecewise-linear
surface (``fillcurve``). The part that goes with volumes is convex in d. The part that goes with
ground area falls as d rises, and need not be convex: so no minimum is trusted because it is
one near by. Each stretch of levels has a bound below which its cost cannot be, and is cut
until no stretch could hold anything cheaper.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pourdatum.fillcurve import FillCurve

Array = NDArray[np.float64]

CERTAIN: Final = 1e-5
"""Share of the cost by which no other datum can be cheaper than the one given."""
_FIRST: Final = 64
_ROUNDS: Final = 40
_POLISH: Final = 17
_NARROW_M: Final = 2e-8


@dataclass(frozen=True)
class Prices:
    """What filling and grinding cost, in one money.

    Attributes
    ----------
    fill_per_m3 : float
        Powder and labour that fill one cubic metre of floor, waste in it.
    grind_per_m2 : float
        For each square metre that is ground at all.
    grind_per_m3 : float
        For each cubic metre of concrete taken off; a price per m² and mm times 1000.
    setup : float
        Once, if anything is ground.
    """

    fill_per_m3: float
    grind_per_m2: float = 0.0
    grind_per_m3: float = 0.0
    setup: float = 0.0


@dataclass(frozen=True, eq=False)
class CostCurve:
    """Cost of every level datum up to the one over the high point, where nothing is ground.

    Attributes
    ----------
    fill : FillCurve
        Of the floor, as it stands before grinding.
    least_m : float
        Least depth of the pour, also over ground floor [m].
    prices : Prices
    top_m : float
        Datum over the high point [m]: from here on nothing is ground.
    top_fill_m3 : float
        Fill up to it [m³].

    Examples
    --------
    A floor that rises by 20 mm over 4 m, 3 m wide. At 14 mm it costs 67.2 to fill, and 19.2
    each for the volume and for the area that is ground:

    >>> from shapely import box
    >>> from pourdatum.fillcurve import level_curve
    >>> from pourdatum.grid import Grid
    >>> grid = Grid(0.0, 0.0, 0.5, 7, 9)
    >>> x, _ = grid.mesh()
    >>> floor = level_curve(0.005 * x, grid, box(0, 0, 4, 3))
    >>> curve = CostCurve(floor, 0.002, Prices(1000.0, 4.0, 1000.0), 0.022, 0.144)
    >>> float(curve.cost(0.022).round(6))
    144.0
    >>> level = curve.cheapest(0.002, 0.022)  # 0.002 + (1000 x 0.02 + 4) / 2000
    >>> round(level, 6), float(curve.cost(level).round(6))
    (0.014, 105.6)
    """

    fill: FillCurve
    least_m: float
    prices: Prices
    top_m: float
    top_fill_m3: float

    def fill_m3(self, datum_m: ArrayLike) -> Array:
        """Fill up to each datum, the floor ground where it must be [m³]."""
        level = np.asarray(datum_m, np.float64)
        ground = self.least_m * self.fill.outline_m2 + self.fill.volume_m3(level - self.least_m)
        return np.where(level < self.top_m, ground, self._over_top_m3(level))

    def ground_m3(self, datum_m: ArrayLike) -> Array:
        """Concrete to take off for each datum [m³]."""
        level = np.asarray(datum_m, np.float64)
        return np.where(level < self.top_m, self.fill.cut_m3(level - self.least_m), 0.0)

    def ground_m2(self, datum_m: ArrayLike) -> Array:
        """Area that is ground for each datum [m²]."""
        level = np.asarray(datum_m, np.float64)
        return np.where(level < self.top_m, self.fill.cut_area_m2(level - self.least_m), 0.0)

    def cost(self, datum_m: ArrayLike) -> Array:
        """Cost of filling and grinding for each datum."""
        level = np.asarray(datum_m, np.float64)
        ground = sum(self._parts(level)[:2])
        unground = self.prices.fill_per_m3 * self._over_top_m3(level)
        return np.where(level < self.top_m, ground + self.prices.setup, unground)

    def cheapest(self, low_m: float, high_m: float) -> float:
        """The datum of least cost among those from ``low_m`` to ``high_m``.

        The datum over the high point is among them if ``high_m`` reaches it, and wins where
        grinding costs as much. No other costs less by more than a share of ``CERTAIN``.

        Raises
        ------
        ValueError
            If the range is upside down.
        """
        if not low_m <= high_m:
            raise ValueError(f"no datum lies between {low_m} m and {high_m} m")
        if low_m >= self.top_m:
            return low_m
        level = self._least_ground(low_m, min(high_m, self.top_m))
        if high_m < self.top_m:
            return level
        return level if self._ground_cost(level) < float(self.cost(self.top_m)) else self.top_m

    def _over_top_m3(self, level: Array) -> Array:
        return self.top_fill_m3 + (level - self.top_m) * self.fill.outline_m2

    def _ground_cost(self, level_m: float) -> float:
        """Cost of a datum if grinding is set up for it, be it the top itself."""
        volumes, area, _ = self._parts(np.float64(level_m))
        return float(volumes + area) + self.prices.setup

    def _parts(self, level: Array | np.float64) -> tuple[Array, Array, Array]:
        """Cost by volumes, cost by ground area, and the slope of the first [per m]."""
        prices, flat = self.prices, np.asarray(level, np.float64) - self.least_m
        fill, below, cut, above = self.fill.fill_and_cut(flat)
        fill = fill + self.least_m * self.fill.outline_m2
        volumes = prices.fill_per_m3 * fill + prices.grind_per_m3 * cut
        slope = prices.fill_per_m3 * below - prices.grind_per_m3 * above
        return volumes, prices.grind_per_m2 * above, slope

    def _least_ground(self, low_m: float, high_m: float) -> float:
        """The level of least cost, set-up left aside, by bounds on ever shorter stretches."""
        level = np.unique(np.linspace(low_m, high_m, _FIRST + 1))
        volumes, area, slope = self._parts(level)
        for _ in range(_ROUNDS):
            least = float((volumes + area).min())
            bound = _convex_bound(level, volumes, slope) + area[1:]
            unsure = bound < least - CERTAIN * abs(least)
            middle = 0.5 * (level[:-1] + level[1:])[unsure]
            if not unsure.any() or float(np.diff(level)[unsure].max()) < _NARROW_M:
                break
            found = self._parts(middle)
            level = np.concatenate([level, middle])
            order = np.argsort(level, kind="stable")
            level = level[order]
            volumes, area, slope = (
                np.concatenate([old, new])[order]
                for old, new in zip((volumes, area, slope), found, strict=True)
            )
        return self._polished(level, volumes + area)

    def _polished(self, level: Array, cost: Array) -> float:
        """The lowest place about the best level so far, to 20 nm."""
        while True:
            # Of equals the highest, which grinds least.
            best = int(np.flatnonzero(cost == cost.min())[-1])
            near = level[max(best - 1, 0)], level[min(best + 1, level.size - 1)]
            if near[1] - near[0] < _NARROW_M:
                return float(level[best])
            level = np.unique([*np.linspace(*near, _POLISH), level[best]])
            cost = sum(self._parts(level)[:2], np.zeros_like(level))


def _convex_bound(level: Array, value: Array, slope: Array) -> Array:
    """Least that a convex function can be between neighbouring levels, by its tangents.

    Examples
    --------
    The parabola (x - 1)² between 0 and 3: its tangents there meet at x = 3/2, at -2.

    >>> _convex_bound(np.array([0.0, 3.0]), np.array([1.0, 4.0]), np.array([-2.0, 4.0]))
    array([-2.])
    """
    width = np.diff(level)
    down, up = slope[:-1], slope[1:]
    # Where it falls all the way or rises all the way, the least is at an end.
    inside = (down < 0.0) & (up > 0.0)
    bend = np.where(inside, up - down, 1.0)
    at = np.clip((value[:-1] - value[1:] + up * width) / bend, 0.0, width)
    meeting = value[:-1] + down * at
    least = np.minimum(value[:-1], value[1:])
    return np.where(inside, np.minimum(meeting, least), least)
