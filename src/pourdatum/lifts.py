"""What one layer takes, costs and waits for, and the terms that ways share."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from pourdatum.material import Absorbency, Sheet, bags_needed, powder_mass_kg
from pourdatum.units import MM, System

if TYPE_CHECKING:
    from pourdatum.costcurve import Prices
    from pourdatum.datum import DatumKind


@dataclass(frozen=True)
class Offer:
    """A material that may be used, and what a bag of it costs with its labour."""

    sheet: Sheet
    bag_cost: float | None = None
    invented: bool = False
    """A shipped sheet, behind which there is no product."""


@dataclass(frozen=True)
class Terms:
    """What holds for all ways.

    Attributes
    ----------
    kind : str
        Of the datum.
    clear_m : float
        By how much above the datum asked for a datum lies that leaves the asked sheet's least
        depth over the high point; 0 where it does [m].
    slope : float
        Of the datum [m/m].
    noise_m : float
        Shortfall that is none [m].
    roughness_m : float
        Depth below the top of the texture [m].
    may_grind : bool
    deepest_grind_m : float, optional
        As stated [m].
    grind : Prices, optional
        None where grinding has no price.
    waste : float
    absorbency : str
    max_load_kg_per_m2 : float, optional
    """

    kind: DatumKind
    clear_m: float = 0.0
    slope: float = 0.0
    noise_m: float = 0.0
    roughness_m: float = 0.0
    may_grind: bool = True
    deepest_grind_m: float | None = None
    grind: Prices | None = None
    waste: float = 0.0
    absorbency: Absorbency = "normal"
    max_load_kg_per_m2: float | None = None
    system: System = "metric"


@dataclass(frozen=True)
class Lift:
    """One layer."""

    sheet: Sheet
    volume_m3: float
    area_m2: float
    deepest_m: float
    powder_kg: float
    bags: int
    primer_l: float | None
    primer_cost: float | None = None
    ends_m: float = 0.0
    """How far below the datum its top lies [m]."""


def lift_of(
    sheet: Sheet, volume_m3: float, area_m2: float, deepest_m: float, terms: Terms,
    ends_m: float = 0.0,
) -> Lift:  # fmt: skip
    """One layer of a material, whole bags with the waste in them."""
    powder_kg = powder_mass_kg(max(volume_m3, 0.0), sheet.powder_kg_per_m2_mm)
    primer = sheet.primer_for(terms.absorbency)
    return Lift(
        sheet=sheet,
        volume_m3=volume_m3,
        area_m2=area_m2,
        deepest_m=deepest_m,
        powder_kg=powder_kg,
        bags=bags_needed(powder_kg, sheet.bag_kg, terms.waste),
        primer_l=None if primer is None else primer.litres(area_m2),
        primer_cost=None if primer is None else primer.cost(area_m2),
        ends_m=ends_m,
    )


def cost_of(
    lifts: tuple[Lift, ...], offer: Offer, first: Offer | None, terms: Terms,
    ground_m3: float, ground_m2: float,
) -> float | None:  # fmt: skip
    """Bags, primer that has a price, and grinding; None where one that is needed is missing."""
    prices = [] if first is None else [first.bag_cost] * (len(lifts) - 1)
    prices.append(offer.bag_cost)
    cost = 0.0
    for lift, price in zip(lifts, prices, strict=True):
        if price is None:
            return None
        cost += lift.bags * price + (lift.primer_cost or 0.0)
    if ground_m3 <= 0.0:
        return cost
    if terms.grind is None:
        return None
    rate = terms.grind
    return cost + rate.setup + rate.grind_per_m2 * ground_m2 + rate.grind_per_m3 * ground_m3


def wait_h_of(lifts: tuple[Lift, ...], terms: Terms) -> float | None:
    """From lift to lift: until the first bears a foot, and its primer is dry."""
    wait_h: float | None = 0.0
    for lift, over in pairwise(lifts):
        primer = over.sheet.primer_for(terms.absorbency)
        dry_min = None if primer is None else primer.dry_min
        dry_h = None if primer is None or dry_min is None else primer.coats * dry_min / 60.0
        wait_h = plus(wait_h, plus(lift.sheet.walk_after_h, dry_h))
    return wait_h


def cover_h_of(lifts: tuple[Lift, ...], wait_h: float | None) -> float | None:
    """Until the slower of the lifts may be covered, both from the last of them on."""
    hours = [lift.sheet.cover_hours(lift.deepest_m) for lift in lifts]
    if any(one is None for one in hours):
        return None
    return plus(wait_h, max(one for one in hours if one is not None))


def wet_kg_per_m2(sheet: Sheet, depth_m: float) -> float:
    """Powder and water of a depth [kg per m²]."""
    return max(depth_m, 0.0) * MM * sheet.wet_kg_per_m2_mm


def plus(a: float | None, b: float | None) -> float | None:
    """A sum; None where a part is not known."""
    return None if a is None or b is None else a + b
