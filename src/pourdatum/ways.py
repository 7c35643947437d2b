"""Ways to a floor, compared: grinding, sheet, lifts and datum in every combination.

The floor is read once as a curve of its fill over the level of the datum. Each way is a shift of
that datum with a material, ground or not, in one lift or with its deep pockets filled first; so
the volumes of all of them are exact, and lifts add up to one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.fillcurve import level_curve
from pourdatum.filling import fill_first, left_over_m, tops_m
from pourdatum.fillreads import FillReads
from pourdatum.lifts import (
    Lift,
    Offer,
    Terms,
    cost_of,
    cover_h_of,
    lift_of,
    plus,
    wait_h_of,
    wet_kg_per_m2,
)
from pourdatum.material import Sheet, obstacles, small_patches_m2
from pourdatum.pockets import Pocket, Thin, find_pockets, find_thin
from pourdatum.units import show_height, show_limit, show_load
from pourdatum.volume import Volume
from pourdatum.way import Way, Ways

if TYPE_CHECKING:
    from pourdatum.geometry import Plane
    from pourdatum.surface import Surface

DEEPEST_GRIND_M: Final = 0.010
"""Deepest grind that is proposed where none is stated [m]: deeper is milling. Common practice, no
source."""
_HAIR_M: Final = 1e-7
_SAME_M: Final = 1e-5


@dataclass(frozen=True)
class _Floor:
    """The floor under the datum as asked, before grinding."""

    surface: Surface
    under_m: NDArray[np.float64]
    """Height over that datum at the cells (ny, nx) [m]."""
    read: FillReads
    terms: Terms

    @property
    def area_m2(self) -> float:
        return self.read.curve.outline_m2

    @property
    def small_m2(self) -> float:
        return small_patches_m2(self.area_m2)

    def deeper_m2(self, rise_m: float, depth_m: float) -> float:
        """Area that lies deeper under a datum."""
        return self.read.at(rise_m - depth_m).below_m2


def compare_ways(
    surface: Surface,
    plane: Plane,
    offers: tuple[Offer, ...],
    terms: Terms,
    *,
    lowered_m: float = 0.0,
    ground: tuple[float, float] | None = None,
    against: tuple[str, ...] | None = None,
) -> Ways:
    """Every combination that makes sense, the best first.

    Those that work come by cost; after them those without a known cost by mass of powder, then
    by time, the ones that grind last; then those that do not work, the one asked for ahead.

    Parameters
    ----------
    surface : Surface
        The floor that is poured on.
    plane : Plane
        The datum asked for, before grinding lowers it.
    offers : tuple of Offer
        Materials, the one asked for first.
    terms : Terms
    lowered_m : float
        By how much the plan asked for grinds the datum down [m].
    ground : tuple of 2 floats, optional
        Volume [m³] and area [m²] that it grinds.
    against : tuple of str, optional
        Why the plan asked for is not buildable, where that is known already.
    """
    x_m, y_m = surface.grid.mesh()
    under_m = surface.height_m - plane.at(x_m, y_m)
    read = FillReads(level_curve(under_m, surface.grid, surface.floor.outline))
    floor = _Floor(surface, under_m, read, terms)
    asked_m = -lowered_m
    _look_ahead(floor, offers, asked_m)
    judged_m = max(offers[0].sheet.least_m - terms.noise_m, 0.0)
    too_thin = lowered_m == 0.0 and read.at(-judged_m).above_m2 > floor.small_m2
    found = []
    for offer in offers:
        first = offer is offers[0]
        # A bag's least depth sets how far its datum clears the high point.
        clear_m = terms.clear_m + offer.sheet.least_m - offers[0].sheet.least_m
        for rise_m, grinds in _datums(
            floor, offer, clear_m, asked_m if first else None, too_thin=too_thin
        ):
            one = _way(floor, offer, None, rise_m, clear_m, grinds)
            if first and rise_m == asked_m and grinds == (lowered_m > 0.0):
                one = _as_asked(one, floor, offer, ground, against)
            found.append(one)
            found += _more_lifts(floor, offer, offers, rise_m, clear_m, grinds)
    pockets: tuple[Pocket, ...] = ()
    thin: tuple[Thin, ...] = ()
    own, depth_m = offers[0].sheet, asked_m - under_m
    if asked_m - read.curve.low_m > own.greatest_m:
        left_m = left_over_m(own, own)
        pockets = find_pockets(
            surface, depth_m, greatest_m=own.greatest_m, left_m=left_m,
            whole=read.at(asked_m - left_m)[:2],
        ).each  # fmt: skip
    if too_thin:
        thin = find_thin(surface, depth_m, least_m=judged_m)
    return Ways(tuple(sorted(found, key=_order)), pockets, thin)


def _order(way: Way) -> tuple[object, ...]:
    hours = math.inf if way.walk_h is None else way.walk_h
    # A lift of nothing adds nothing but rounding, which must not decide.
    powder_kg = round(way.powder_kg, 6)
    if not way.works:
        return True, not way.asked, len(way.against), powder_kg, hours
    # What grinding costs is not known without its price: no mass of powder makes up for it.
    grinds = way.cost is None and way.ground_m3 > 0.0
    return False, way.cost is None, grinds, round(way.cost or 0.0, 6), powder_kg, hours


def _datums(
    floor: _Floor, offer: Offer, clear_m: float, asked_m: float | None, *, too_thin: bool
) -> Iterator[tuple[float, bool]]:
    """Datums for a material as rises of the one asked for [m], and whether each is ground for."""
    terms = floor.terms
    deepest_m = DEEPEST_GRIND_M if terms.deepest_grind_m is None else terms.deepest_grind_m
    if terms.kind == "level":
        yield 0.0, False
        # What is less than noise stands against nothing, unless it is too thin all the same.
        if clear_m > _HAIR_M + (0.0 if too_thin else terms.noise_m):
            if terms.may_grind:
                yield 0.0, True
            yield clear_m, False
        return
    if asked_m is not None and asked_m < 0.0:
        yield asked_m, True
    yield clear_m, False
    greatest_m = offer.sheet.greatest_m
    if terms.kind != "high-point" or not terms.may_grind:
        return
    if floor.deeper_m2(clear_m, greatest_m) > floor.small_m2:
        least_m = floor.read.level_of(floor.small_m2) + greatest_m
        rise_m = max(least_m, clear_m - deepest_m)
        if asked_m is None or abs(rise_m - asked_m) > _SAME_M:
            yield rise_m, True


def _look_ahead(floor: _Floor, offers: tuple[Offer, ...], asked_m: float) -> None:
    """Read the levels that the ways will ask for, in one go."""
    terms = floor.terms
    own = offers[0].sheet
    rises = {offer.sheet.name: {asked_m} for offer in offers}
    for offer in offers:
        sheet = offer.sheet
        rises[sheet.name] |= {terms.clear_m + sheet.least_m - own.least_m}
    floor.read.look_up(
        rise_m - depth_m
        for offer in offers
        for rise_m in rises[offer.sheet.name]
        for depth_m in _depths(offer.sheet, offers, terms, rise_m - floor.read.curve.low_m)
    )


def _depths(
    sheet: Sheet, offers: tuple[Offer, ...], terms: Terms, deepest_m: float
) -> Iterator[float]:
    """Depths below a datum that a sheet asks the fill of."""
    yield from (0.0, sheet.greatest_m, max(sheet.least_m - terms.noise_m, 0.0))
    yield sheet.least_m + terms.roughness_m
    for first in offers:
        under = first.sheet
        for top_m in tops_m(sheet, under):
            yield from (top_m, top_m + under.greatest_m)
            if top_m + under.greatest_m >= deepest_m:
                break
        yield tops_m(sheet, under)[0] + under.least_m


def _fill(floor: _Floor, sheet: Sheet, rise_m: float, grinds: bool) -> Volume:
    """The fill of a way up to its datum, exact, with what is out of the sheet's range."""
    curve, terms = floor.read.curve, floor.terms
    ground_m = sheet.least_m + terms.roughness_m
    deep_m2 = floor.deeper_m2(rise_m, sheet.greatest_m)
    if grinds:
        volume_m3 = floor.read.at(rise_m - ground_m).fill_m3 + ground_m * curve.outline_m2
        area_m2, short_m2, least_m = curve.outline_m2, 0.0, ground_m
    else:
        volume_m3, area_m2 = floor.read.at(rise_m)[:2]
        judged_m = max(sheet.least_m - terms.noise_m, 0.0)
        short_m2 = floor.read.at(rise_m - judged_m).above_m2
        least_m = rise_m - curve.high_m
    return Volume(
        volume_m3=volume_m3,
        area_m2=area_m2,
        mean_depth_m=volume_m3 / area_m2 if area_m2 > 0.0 else 0.0,
        min_depth_m=least_m,
        max_depth_m=rise_m - curve.low_m,
        short_m2=short_m2,
        deep_m2=deep_m2,
        outline_m2=curve.outline_m2,
        cut_m3=0.0,
    )


def _ground(
    floor: _Floor, sheet: Sheet, rise_m: float, clear_m: float
) -> tuple[float, float, tuple[str, ...]]:
    """Concrete to take off [m³], from where [m²], and why that is too much."""
    terms = floor.terms
    ground_m = sheet.least_m + terms.roughness_m
    # What is higher than the high point is noise, and is not ground.
    noise_m3 = floor.read.at(clear_m - ground_m).cut_m3
    volume_m3 = max(floor.read.at(rise_m - ground_m).cut_m3 - noise_m3, 0.0)
    deepest_m = DEEPEST_GRIND_M if terms.deepest_grind_m is None else terms.deepest_grind_m
    against: tuple[str, ...] = ()
    if clear_m - rise_m > deepest_m + _HAIR_M:
        why = "are allowed" if terms.deepest_grind_m is not None else "grinding takes off: mill it"
        said = (
            f"{show_height(clear_m - rise_m, terms.system)} would have to be ground off at the"
            f" highest place and {show_limit(deepest_m, terms.system)} {why}"
        )
        against = (said,)
    return volume_m3, floor.read.at(rise_m - ground_m).above_m2, against


def _way(
    floor: _Floor, offer: Offer, first: Offer | None, rise_m: float, clear_m: float, grinds: bool
) -> Way:
    """One combination; with ``first``, its pockets are filled with that material before."""
    sheet, terms = offer.sheet, floor.terms
    fill = _fill(floor, sheet, rise_m, grinds)
    ground_m3, ground_m2 = 0.0, 0.0
    against: tuple[str, ...] = ()
    if grinds:
        ground_m3, ground_m2, against = _ground(floor, sheet, rise_m, clear_m)
    pockets: tuple[Pocket, ...] = ()
    stop_ends_m = 0.0
    lifts: tuple[Lift, ...]
    if first is None:
        mass = wet_kg_per_m2(sheet, fill.max_depth_m)
        lifts = (lift_of(sheet, fill.volume_m3, fill.area_m2, fill.max_depth_m, terms),)
    else:
        depth_m = rise_m - floor.under_m
        before = fill_first(floor.surface, depth_m, floor.read, rise_m, sheet, first.sheet, terms)
        pockets, mass = before.pockets, before.mass_kg_per_m2
        against += before.against
        stop_ends_m = before.stop_ends_m
        left_m3 = fill.volume_m3 - before.volume_m3
        lifts = (*before.lifts, lift_of(sheet, left_m3, fill.area_m2, before.over_m, terms))
        fill = replace(fill, deep_m2=before.stays_m2)
    against += obstacles(
        fill, sheet, area_m2=fill.outline_m2,
        datum_slope=terms.slope,
        max_load_kg_per_m2=terms.max_load_kg_per_m2 if first is None else None,
        system=terms.system,
    )  # fmt: skip
    allowed = terms.max_load_kg_per_m2
    if first is not None and allowed is not None and mass > allowed:
        lifts_all = "both lifts" if len(lifts) == 2 else "all lifts"
        said = (
            f"{lifts_all} weigh {show_load(mass, terms.system)} wet at the deepest place and the"
            f" floor is allowed {show_load(allowed, terms.system)}"
        )
        against += (said,)
    wait_h = wait_h_of(lifts, terms)
    return Way(
        lifts=lifts,
        rise_m=rise_m,
        ground_m3=ground_m3,
        ground_m2=ground_m2,
        pockets=pockets,
        cost=cost_of(lifts, offer, first, terms, ground_m3, ground_m2),
        mass_kg_per_m2=mass,
        wait_h=wait_h,
        walk_h=plus(wait_h, sheet.walk_after_h),
        cover_h=cover_h_of(lifts, wait_h),
        against=against,
        invented=offer.invented or (first is not None and first.invented),
        stop_ends_m=stop_ends_m,
    )


def _as_asked(
    way: Way,
    floor: _Floor,
    offer: Offer,
    ground: tuple[float, float] | None,
    against: tuple[str, ...] | None,
) -> Way:
    """The plan as asked: with the figures that were worked out for it."""
    if ground is not None:
        cost = cost_of(way.lifts, offer, None, floor.terms, *ground)
        way = replace(way, ground_m3=ground[0], ground_m2=ground[1], cost=cost)
    return replace(way, asked=True, against=way.against if against is None else against)


def _more_lifts(
    floor: _Floor, offer: Offer, offers: tuple[Offer, ...], rise_m: float, clear_m: float,
    grinds: bool,
) -> Iterator[Way]:  # fmt: skip
    """Pockets filled first with the same material, or with one that takes more depth."""
    greatest_m = offer.sheet.greatest_m
    if floor.deeper_m2(rise_m, greatest_m) <= floor.small_m2:
        return
    for first in offers:
        if first is offer or first.sheet.greatest_m > greatest_m:
            yield _way(floor, offer, first, rise_m, clear_m, grinds)
