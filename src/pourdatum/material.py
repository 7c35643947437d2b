"""What to buy: material sheets as values, and the arithmetic of bags, water and primer.

1 m² x 1 mm is one litre, so a sheet's kilograms per m² and mm are kilograms per
litre of floor filled. Nothing is added that was not asked for: waste is an input,
and the reserve that a stated confidence asks for is a number of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.units import MM, System, show_area, show_fall, show_limit, show_load

if TYPE_CHECKING:
    from pourdatum.volume import Volume

Absorbency = Literal["absorbent", "normal", "dense"]

POUR_ACCURACY_M: Final = 0.0005
"""Standard uncertainty of the mean level that a crew reaches over a floor [m]; a stated input."""

BAG_YIELD_SHARE: Final = 0.01
"""Standard uncertainty of the yield of a delivery of bags, as a share of the volume."""

SMALL_SHARE: Final = 0.005
SMALL_LARGEST_M2: Final = 1.0
SMALL_LEAST_M2: Final = 0.01

FALL_ALLOWANCE: Final = 0.002
"""Slope [m/m] beyond the sheet's steepest fall that is not yet called a fall: what a slow
flow and a setting compound leave on a nearly level floor. A choice, not a published figure."""

_MINDED: Final = 0.02
"""Share of the bags by which a mean that differs is told."""
_LEVELS: Final = 2000
"""Levels of the normal distribution that stand for it where a fill was not drawn."""
_ROWS: Final = 5
_SEED: Final = 104

# A product such as 12.5 x 3.2 x 1.25 / 25 is 2 in arithmetic and may be 2 + 4e-16 in
# float64. A thousand-millionth of the quotient is far below a crumb of powder, and far
# above the error of a handful of multiplications.
_DUST: Final = 1e-9


@dataclass(frozen=True)
class Primer:
    """What primes one kind of substrate."""

    substrate: Absorbency
    coverage_m2_per_l: float
    """Area that one litre covers in one coat [m²/l]."""
    coats: int
    dry_min: float | None = None
    price_per_l: float | None = None

    def litres(self, area_m2: float) -> float:
        """What an area takes in all coats [l]."""
        return self.coats * area_m2 / self.coverage_m2_per_l

    def cost(self, area_m2: float) -> float | None:
        """What that costs; None without a price."""
        return None if self.price_per_l is None else self.price_per_l * self.litres(area_m2)


@dataclass(frozen=True)
class Sheet:
    """What a bag says, checked.

    Depths and masses per depth are in millimetres, as printed on bags; ``least_m`` and
    ``greatest_m`` are metres.

    Examples
    --------
    >>> Sheet("x", (2.0, 12.0), 1.7, 20.0, 4.4, 20.0).wet_kg_per_m2_mm
    2.074
    """

    name: str
    depth_mm: tuple[float, float]
    powder_kg_per_m2_mm: float
    bag_kg: float
    water_l_per_bag: float
    working_time_min: float
    water_tolerance_l: float | None = None
    walk_after_h: float | None = None
    cover_after_h: tuple[tuple[float, float], ...] = ()
    """Pairs (depth [mm], hours), by rising depth; one pair with depth 0 where it is one figure."""
    max_fall_mm_per_m: float = 0.0
    substrates: tuple[str, ...] = ()
    strength: str | None = None
    set_kg_per_m2_mm: float | None = None
    temperature_c: tuple[float, float] | None = None
    price_per_bag: float | None = None
    primer: tuple[Primer, ...] = ()

    @property
    def least_m(self) -> float:
        """Least depth of one layer [m]."""
        return self.depth_mm[0] / MM

    @property
    def greatest_m(self) -> float:
        """Greatest depth of one layer [m]."""
        return self.depth_mm[1] / MM

    @property
    def wet_kg_per_m2_mm(self) -> float:
        """Powder and its water [kg per m² and mm]: what weighs on the floor while it is wet."""
        return self.powder_kg_per_m2_mm * (1.0 + self.water_l_per_bag / self.bag_kg)

    def cover_hours(self, depth_m: float) -> float | None:
        """Hours to covering at a depth [m], straight between the sheet's figures; None if not said.

        Beyond the deepest figure the last step is carried on: drying does not stop there.

        Examples
        --------
        >>> sheet = Sheet("x", (2, 12), 1.7, 20, 4.4, 20, cover_after_h=((3, 24), (10, 72)))
        >>> sheet.cover_hours(0.0065)
        48.0
        """
        if not self.cover_after_h:
            return None
        depth, table = depth_m * MM, self.cover_after_h
        if len(table) == 1 or depth <= table[0][0]:
            return table[0][1]
        pair = next((k for k in range(1, len(table)) if depth <= table[k][0]), len(table) - 1)
        (d0, h0), (d1, h1) = table[pair - 1], table[pair]
        return h0 + (h1 - h0) * (depth - d0) / (d1 - d0)

    def primer_for(self, absorbency: Absorbency) -> Primer | None:
        """The primer for a substrate, or None where the sheet names none."""
        return next((item for item in self.primer if item.substrate == absorbency), None)


@dataclass(frozen=True)
class Order:
    """What a pour takes and what to buy. Bags are whole; None is what nobody stated."""

    powder_kg: float
    bags: int
    """Expected use over the floor that was searched, with the stated waste."""
    bags_interval: tuple[int, int]
    """Expected use at the ends of the volume's 95 % interval."""
    bags_to_buy: int
    """Least number that suffices at the stated one-sided confidence."""
    short: tuple[tuple[int, float], ...]
    """Chance of running short with so many bags, from the expected use to one in a hundred."""
    confidence: float
    waste: float
    water_per_bag_l: float
    water_l: float
    primer_l: float | None
    primer: Primer | None
    price_per_bag: float | None
    cost: float | None
    """Bags of the expected use at their price, and the labour stated for each."""
    mass_kg_per_m2: float
    """Wet mass at the deepest place: the most the floor has to carry."""
    set_kg_per_m2: float | None
    """Mass when set at the deepest place, where the sheet says."""
    left_bags: int = 0
    """Of those to buy, for what stays in the hose."""
    primer_cost: float | None = None
    """Where the primer has a price."""
    bags_mean: int = 0
    """Expected use with what floor that nobody searched may add, on average."""

    @property
    def bags_expected(self) -> int:
        """What to say of the expected use: ``bags_mean`` where it differs by what anyone minds."""
        return self.bags_mean if self.bags_mean > (1.0 + _MINDED) * self.bags else self.bags


def powder_mass_kg(volume_m3: float, powder_kg_per_m2_mm: float) -> float:
    """Dry powder that fills a volume [kg].

    Examples
    --------
    >>> powder_mass_kg(0.100, 1.7)  # 20 m² at 5 mm
    170.0
    """
    return volume_m3 * MM * powder_kg_per_m2_mm


def bags_needed(powder_kg: float, bag_kg: float, waste: float = 0.0) -> int:
    """Whole bags for a mass of powder with a stated share of waste.

    Examples
    --------
    >>> bags_needed(12.5 * 3.2 * 1.25, 25.0)  # exactly two bags
    2
    >>> bags_needed(37 * 6 * 1.7, 20.0)
    19
    """
    if not (math.isfinite(powder_kg) and powder_kg >= 0.0):
        raise ValueError(f"powder mass {powder_kg} kg is not a mass; it cannot be negative")
    if not (math.isfinite(bag_kg) and bag_kg > 0.0):
        raise ValueError(f"bag of {bag_kg} kg; a bag holds more than 0 kg")
    if not (math.isfinite(waste) and waste >= 0.0):
        raise ValueError(f"waste {waste}; give a share such as 0.05, and not below 0")
    quotient = powder_kg * (1.0 + waste) / bag_kg
    return math.ceil(quotient * (1.0 - _DUST))


def order(
    volume: Volume,
    sheet: Sheet,
    *,
    volume_interval_m3: tuple[float, float],
    waste: float = 0.0,
    confidence: float = 0.95,
    price_per_bag: float | None = None,
    labour_per_bag: float = 0.0,
    absorbency: Absorbency = "normal",
    pour_accuracy_m: float = POUR_ACCURACY_M,
    bag_yield_share: float = BAG_YIELD_SHARE,
    draws_m3: NDArray[np.float64] | None = None,
    left_m3: float = 0.0,
    unsearched_m3: float = 0.0,
) -> Order:
    """What a pour of this volume takes in this material.

    ``bags_to_buy`` takes the fill as it is drawn, or without draws as normal about its value
    with the width of its 95 % interval over 3.92. The accuracy of pouring over the whole area
    and the yield of the bag come on top as independent parts (JCGM 101:2008, 5.9; JCGM
    100:2008, 5.1.2). It is never below ``bags``.

    Parameters
    ----------
    volume : Volume
        Fill of the pour.
    sheet : Sheet
        Material.
    volume_interval_m3 : tuple of 2 floats
        95 % interval of the fill [m³].
    waste : float
        Share of powder that does not reach the floor.
    confidence : float
        One-sided confidence of ``bags_to_buy``, from 0.5 to below 1.
    price_per_bag : float, optional
        Wins over the sheet's.
    labour_per_bag : float
        Money for carrying, mixing and pouring one bag.
    absorbency : str
        Kind of substrate, chooses the primer.
    pour_accuracy_m, bag_yield_share : float
        Stated inputs, one standard uncertainty each.
    draws_m3 : (k,) array, optional
        The fill on floors that agree with the scan [m³].
    left_m3 : float
        What is mixed and not poured, such as the content of a hose: in ``bags_to_buy`` and the
        chances of running short, not in ``bags`` [m³].
    unsearched_m3 : float
        What floor that nobody searched adds to the fill on average: in ``bags_mean`` [m³].
    """
    fill_m3 = volume.volume_m3
    low_m3, high_m3 = volume_interval_m3
    poured_m3 = math.hypot(pour_accuracy_m * volume.area_m2, bag_yield_share * fill_m3)
    scan_m3 = (high_m3 - low_m3) / (2.0 * NormalDist().inv_cdf(0.975))
    if draws_m3 is None:
        levels = (np.arange(_LEVELS) + 0.5) / _LEVELS
        normal = np.array([NormalDist().inv_cdf(level) for level in levels])
        need_m3 = fill_m3 + math.hypot(scan_m3, poured_m3) * normal
    else:
        luck = np.random.default_rng(_SEED).standard_normal(len(draws_m3))
        need_m3 = draws_m3 + poured_m3 * luck
    need_m3 = need_m3 + left_m3

    def bags_for(litres_m3: float) -> int:
        powder = powder_mass_kg(max(0.0, litres_m3), sheet.powder_kg_per_m2_mm)
        return bags_needed(powder, sheet.bag_kg, waste)

    bags, least = bags_for(fill_m3), bags_for(fill_m3 + left_m3)
    to_buy = max(least, bags_for(float(np.quantile(need_m3, confidence)))) if fill_m3 > 0.0 else 0
    per_bag_m3 = sheet.bag_kg / (MM * sheet.powder_kg_per_m2_mm * (1.0 + waste))
    price = sheet.price_per_bag if price_per_bag is None else price_per_bag
    primer = sheet.primer_for(absorbency)
    deepest_mm = max(0.0, volume.max_depth_m) * MM
    return Order(
        powder_kg=powder_mass_kg(fill_m3, sheet.powder_kg_per_m2_mm),
        bags=bags,
        bags_interval=(bags_for(low_m3), bags_for(high_m3)),
        bags_to_buy=to_buy,
        short=_chances_short(need_m3, per_bag_m3, bags, to_buy) if fill_m3 > 0.0 else (),
        confidence=confidence,
        waste=waste,
        water_per_bag_l=sheet.water_l_per_bag,
        water_l=bags * sheet.water_l_per_bag,
        primer_l=None if primer is None else primer.litres(volume.area_m2),
        primer_cost=None if primer is None else primer.cost(volume.area_m2),
        primer=primer,
        price_per_bag=price,
        cost=None if price is None else bags * (price + labour_per_bag),
        mass_kg_per_m2=deepest_mm * sheet.wet_kg_per_m2_mm,
        left_bags=least - bags if fill_m3 > 0.0 else 0,
        bags_mean=bags_for(fill_m3 + unsearched_m3) if fill_m3 > 0.0 else 0,
        set_kg_per_m2=None
        if sheet.set_kg_per_m2_mm is None
        else deepest_mm * sheet.set_kg_per_m2_mm,
    )


def _chances_short(
    need_m3: NDArray[np.float64], per_bag_m3: float, bags: int, to_buy: int
) -> tuple[tuple[int, float], ...]:
    """Chance that so many bags do not fill what is needed: a few numbers from ``bags`` on.

    Those to buy are among them, with one less and one more.
    """
    last = max(math.ceil(float(np.quantile(need_m3, 0.99)) / per_bag_m3), to_buy + 1, bags + 1)
    step = max(1, math.ceil((last - bags) / _ROWS))
    beside = range(max(to_buy - 1, bags), to_buy + 2)
    numbers = sorted({*range(bags, last + 1, step), *beside})
    return tuple((n, float(np.mean(need_m3 > n * per_bag_m3 * (1.0 + _DUST)))) for n in numbers)


def small_patches_m2(area_m2: float) -> float:
    """Area that may lie outside the sheet's range before a plan is not buildable [m²].

    Half a hundredth of the floor, but no more than 1 m², which a crew still fills or
    chips by hand before the pour, and no less than one patch of 100 mm, below which
    nothing is a place.

    Examples
    --------
    >>> [small_patches_m2(area) for area in (1.0, 40.0, 2400.0)]
    [0.01, 0.2, 1.0]
    """
    return max(SMALL_LEAST_M2, min(SMALL_SHARE * area_m2, SMALL_LARGEST_M2))


def obstacles(
    volume: Volume,
    sheet: Sheet,
    *,
    area_m2: float,
    datum_slope: float = 0.0,
    max_load_kg_per_m2: float | None = None,
    system: System = "metric",
) -> tuple[str, ...]:
    """What stands in the way of pouring this plan as it is; empty where nothing does.

    Parameters
    ----------
    volume : Volume
        Fill against the datum, with the areas short of the sheet's least depth and
        beyond its greatest.
    sheet : Sheet
        Material.
    area_m2 : float
        Area of the whole floor [m²], poured or not.
    datum_slope : float
        Slope of the datum [m/m].
    max_load_kg_per_m2 : float, optional
        Load that a suspended floor may take.
    system : "metric" or "imperial"
        What people are shown.
    """
    least, greatest = (show_limit(depth_mm / MM, system) for depth_mm in sheet.depth_mm)
    small_m2 = small_patches_m2(area_m2)
    small = show_area(small_m2, system)
    found: list[str] = []
    if volume.volume_m3 <= 0.0:
        found.append("the datum lies nowhere above the floor: there is nothing to pour")
    if volume.short_m2 > small_m2:
        found.append(
            f"{show_area(volume.short_m2, system)} would be thinner than the {least} that "
            f"{sheet.name} needs (allowed in all: {small})"
        )
    if volume.deep_m2 > small_m2:
        found.append(
            f"{show_area(volume.deep_m2, system)} would be deeper than the {greatest} that "
            f"{sheet.name} takes (allowed in all: {small})"
        )
    steepest = sheet.max_fall_mm_per_m / MM
    if datum_slope > steepest + FALL_ALLOWANCE:
        found.append(
            f"the datum falls by {show_fall(datum_slope, system)} and {sheet.name} holds "
            f"{show_fall(steepest, system) if steepest else 'none'}: a screed laid to falls "
            "holds it"
        )
    wet = max(0.0, volume.max_depth_m) * MM * sheet.wet_kg_per_m2_mm
    if max_load_kg_per_m2 is not None and wet > max_load_kg_per_m2:
        found.append(
            f"wet mass at the deepest place is {show_load(wet, system)} and the floor is allowed "
            f"{show_load(max_load_kg_per_m2, system)}: ask the engineer, or a lighter material"
        )
    return tuple(found)
