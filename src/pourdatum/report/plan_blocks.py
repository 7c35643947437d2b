"""Parts of a plan's page: what to pour, what to buy, how to set the datum, what to block."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from pourdatum.buying import STOP_OVER_M, stop_height_m
from pourdatum.outcome import WIDE_SHARE
from pourdatum.report import words
from pourdatum.report.blocks import (
    bullets,
    facts,
    figure_card,
    place,
    place_head,
    section,
    table,
    vertical,
)
from pourdatum.report.markup import Html, el, tied
from pourdatum.report.picture import datum_place
from pourdatum.report.ways_block import would_work
from pourdatum.units import (
    FOOT_M,
    INCH_M,
    POUND_KG,
    US_GALLON_L,
    System,
    show_area,
    show_height,
    show_mass,
    show_volume,
)

if TYPE_CHECKING:
    from pourdatum.material import Order
    from pourdatum.outcome import Plan

SPECK_M2: Final = 0.005
"""An area that shows as 0.01 m² at least."""


def _source(plan: Plan) -> str:
    return "scan" if plan.surface.between is None else "levels"


def _but_for(plan: Plan) -> str:
    """The small patches that lie outside the material's depths, with what is allowed of them."""
    system, volume, sheet = plan.system, plan.volume, plan.sheet
    least, least_m = (show_height(m, system) for m in (sheet.least_m, volume.min_depth_m))
    most, most_m = (show_height(m, system) for m in (sheet.greatest_m, volume.max_depth_m))
    # A speck is told where the depths beside the verdict show it.
    outside = [
        f"{words.not_nothing(show_area(area_m2, system))} {how}"
        for area_m2, shown, how in (
            (volume.short_m2, volume.min_depth_m < sheet.least_m and least_m != least, "thinner"),
            (volume.deep_m2, volume.max_depth_m > sheet.greatest_m and most_m != most, "deeper"),
        )
        if area_m2 > SPECK_M2 or shown
    ]
    if not outside:
        return "."
    return f", but for {' and '.join(outside)}, in small patches or by the noise of the scan."


def verdict(plan: Plan) -> Html:
    """Whether it can be poured as it stands, and why not."""
    if plan.buildable:
        depths = _allowed(plan)
        text = f"Can be poured as planned: the depth stays within the {depths} of the material"
        text += _but_for(plan)
        return el("div", el("p", el("b", "Buildable. "), text), _doubt(plan), cls="verdict")
    return el(
        "div",
        el("p", el("b", "Not buildable as it stands.")),
        bullets(words.plain(why, 400) for why in plan.obstacles),
        el("p", f"{would_work(plan, here=True)}. All ways stand below.")
        if plan.ways.each and not plan.zones
        else None,
        _doubt(plan),
        cls="verdict no",
    )


def _doubt(plan: Plan) -> Html | None:
    """That nobody orders by a fill that is known too poorly."""
    if not plan.in_doubt:
        return None
    said = f"Do not order by this yet: the fill is not known to {100 * WIDE_SHARE:g} %."
    return el("p", el("b", said), " Why, and what would help, stands under Warnings.")


def _if_no_higher(order: Order) -> str | None:
    """How many of the bags expected are for the datum as it is set."""
    if order.bags_expected == order.bags:
        return None
    return f"{order.bags} of them if no floor that was seen thinly or not at all stands higher"


def figures(plan: Plan) -> Html:
    """The figures a contractor asks for first."""
    system, volume, order, sheet = plan.system, plan.volume, plan.order, plan.sheet
    low_m3, high_m3 = plan.volume_interval_m3
    z_m = plan.datum.level_beside(*datum_place(plan)) + plan.origin_m[2]
    inferred = plan.surface.inferred_m2
    few, many = order.bags_interval
    uses = f"{few}" if few == many else f"{few} to {many}"
    return el(
        "dl",
        figure_card(
            "To fill",
            show_volume(volume.volume_m3, system),
            f"{words.volume_span(low_m3, high_m3, system)} (95 %)",
            words.to_this_level((low_m3, high_m3), plan.level_interval_m3, system),
            _cubic(volume.volume_m3) if system == "imperial" else None,
        ),
        figure_card(
            "Bags to buy",
            words.count(order.bags_to_buy),
            f"of {words.bag_mass(sheet.bag_kg, system)}; enough with {100 * order.confidence:g} "
            "% confidence",
            f"expected use {order.bags_expected} ({uses}), {_waste(order.waste)}",
            _if_no_higher(order),
            f"{order.left_bags} of them for what stays in the hose" if order.left_bags else None,
            "not yet to be ordered" if plan.in_doubt else None,
        ),
        figure_card(
            "Water",
            words.water(order.water_l, system, 0),
            f"{_water_per_bag(plan)} for each bag, for {order.bags} bags",
        ),
        figure_card(
            "Depth",
            words.span(volume.min_depth_m, volume.max_depth_m, system),
            f"mean {show_height(volume.mean_depth_m, system)}",
            _too_deep(plan),
        ),
        figure_card("Datum", f"{len(plan.zones)} levels", "one for each zone, listed below")
        if plan.zones
        else figure_card(
            "Datum", words.level(z_m, system), f"finished level, {vertical(plan.survey)}"
        ),
        figure_card(
            "Floor",
            show_area(volume.outline_m2, system),
            f"of it {show_area(inferred, system)} inferred" if inferred > 0.0 else "all of it seen",
        ),
        cls="figures",
    )


def setting_out(plan: Plan) -> Html:
    """The datum, and how it gets onto the site; of each zone, where there are zones."""
    said: list[object] = []
    for zone in plan.zones:
        said += [el("p", el("b", words.plain(zone.name, 40))), bullets(_datum_told(zone.plan))]
    last = (
        "Set the tops of depth pins to the datum with the laser, and read the high point again "
        "before the first bag is mixed. If the laser and the map differ by more than the interval, "
        "stop: take levels at the high point and at two corners, and find which of them is wrong."
    )
    if plan.zones:
        return section("Setting the datum", *said, el("p", last))
    return section("Setting the datum", bullets([*_datum_told(plan), last]))


def _datum_told(plan: Plan) -> list[object]:
    """Where the datum of a floor lies, and how it is found there."""
    datum, system = plan.datum, plan.system
    low_m, high_m = (z + plan.origin_m[2] for z in datum.interval_m)
    levelled = math.isfinite(plan.survey.figures.mean_m)
    sloping = datum.plane.slope > 0.0 and levelled
    said: list[object] = []
    if datum.high_place_m is not None:
        at = place(plan.survey, datum.high_place_m)
        unit = words.plan_unit(system)
        over = _over_high_point(plan)
        where = [el("b", "high point"), " at x, y = ", at, f" {unit} (the triangle on the map). "]
        said.append(
            [
                "Hold the staff of a rotating laser on the ",
                *where,
                (
                    f"The datum, which is the top of the finished pour, lies {over}"
                    f"{_after_preparation(plan)}. Carry that height through the room."
                ),
            ]
        )
    else:
        kinds = {
            "level": f"The datum is the level given in the job, "
            f"{words.level(datum.plane.z0_m + plan.origin_m[2], system)} in the vertical of the "
            f"{_source(plan)}. Set it from the benchmark or the threshold that it was taken from.",
            "parallel": "The datum is the plane that fits the floor best, raised: it is flat, not "
            "level. Set it out at the corners of the room.",
            "fall": "The datum falls as the job asks. Set it out at the corners and at the drain.",
        }
        said.append(kinds.get(datum.kind, ""))
    if datum.lowered_m:
        said.append(
            "Put a height mark on a wall or a column before anything is ground: afterwards the "
            "high point is gone, and that mark carries the datum."
        )
    if sloping:
        turn = math.degrees(datum.plane.bearing_rad)
        said.append(
            f"It falls {words.fall(datum.plane.slope, system)}, downhill {turn:.0f}° clockwise "
            "from +y."
        )
    if levelled and datum.kind != "level":
        said.append(
            f"In the vertical of the {_source(plan)} it lies between "
            f"{words.level(low_m, system)} and "
            f"{words.level(high_m, system)} (95 %)."
        )
    elif not levelled:
        said.append("The scan has no vertical: level and fall of this plane are not known.")
    return said


def openings(plan: Plan) -> Html | None:
    """What must be blocked off, and how high."""
    holes = plan.floor.openings
    if not holes:
        return None
    system = plan.system
    rows = []
    for number, hole in enumerate(holes, 1):
        height_m = stop_height_m(plan.surface, plan.depth_m, hole)
        stop = "" if height_m is None else tied(words.whole(height_m, system))
        below = "not seen" if hole.depth_m is None else tied(words.whole(hole.depth_m, system))
        rows.append(
            (
                number,
                place(plan.survey, hole.place_m),
                tied(_across(hole.area_m2, system)),
                below,
                stop,
            )
        )
    return section(
        "Openings to block off",
        table(("No.", place_head(plan.survey), "Across", "Goes down", "Stop above slab"), rows),
        el(
            "p",
            f"Each stop reaches {words.whole(STOP_OVER_M, system)} above the datum, tight to the "
            "slab. A stop that ends below the pour is a lost drain.",
            cls="soft",
        ),
    )


def chances(plan: Plan) -> Html | None:
    """How likely so many bags are too few, as it is asked in the shop."""
    rows = [
        (bags, "under 0.1 %" if share < 0.001 else f"{100 * share:.1f} %")
        for bags, share in plan.order.short
    ]
    if not rows:
        return None
    return section("Will the bags last?", table(("Bags", "Chance of running short"), rows))


def material(plan: Plan) -> Html:
    """What the sheet says, and what this floor takes of it; nothing that was not given."""
    sheet, order, system = plan.sheet, plan.order, plan.system
    mean_m, deep_m = plan.volume.mean_depth_m, plan.volume.max_depth_m
    rows: list[tuple[str, object]] = [
        ("Material", words.plain(sheet.name)),
        ("Depth in one layer", _allowed(plan)),
        ("Powder", f"{show_mass(order.powder_kg, system)}, {_waste(0.0)}"),
        ("Bags, expected use", f"{order.bags_expected}, {_waste(order.waste)}"),
        ("Water", f"{_water_per_bag(plan)} for each bag. Measure it, do not feel it"),
        ("Working time", f"{sheet.working_time_min:g} min"),
    ]
    if order.primer is not None and order.primer_l is not None:
        coats = f"{order.primer.coats} coat{'s' if order.primer.coats != 1 else ''}"
        dry = "" if order.primer.dry_min is None else f", dry after {order.primer.dry_min:g} min"
        litres = words.water(order.primer_l, system)
        price = "" if order.primer_cost is None else f", {words.money(order.primer_cost)}"
        rows.append(
            ("Primer", f"{litres} in {coats}, {order.primer.substrate} substrate{dry}{price}")
        )
    else:
        rows.append(("Primer", ""))
    if sheet.walk_after_h is not None:
        rows.append(("Walk on it after", f"{sheet.walk_after_h:g} h"))
    cover = sheet.cover_hours(deep_m)
    if cover is not None:
        usual = sheet.cover_hours(mean_m)
        text = f"{cover:.0f} h at the deepest place, {usual:.0f} h at the mean depth"
        rows.append(("Cover it after", text))
    if sheet.temperature_c is not None:
        rows.append(("Temperature", _temperature(sheet.temperature_c, system)))
    if sheet.strength:
        rows.append(("Strength", words.plain(sheet.strength)))
    if sheet.substrates:
        rows.append(("Goes on", words.plain(", ".join(sheet.substrates))))
    rows.append(("Mass at the deepest place", _mass(plan)))
    if order.price_per_bag is not None and order.cost is not None:
        rows.append(
            (
                "Cost of the expected use",
                (
                    f"{words.money(order.cost)} for {order.bags} bags, labour as stated; "
                    f"{words.money(order.price_per_bag)} a bag"
                ),
            )
        )
    return section("Material", facts(rows))


def preparation(plan: Plan) -> Html:
    """The substrate before the pour: what was stated, and what is open until it is tested."""
    system = plan.system
    waiting = el("span", "open", cls="open")
    rows: list[tuple[str, object]] = [
        (name[:1].upper() + name[1:], words.plain(said) if said else waiting)
        for name, said in plan.tests.entries
    ]
    rows += [
        ("Taken off", words.limit(plan.removal_m, system) if plan.removal_m else "nothing stated"),
        (
            "Roughness",
            words.limit(plan.roughness_m, system) if plan.roughness_m else "nothing stated",
        ),
    ]
    open_ = any(not said for _, said in plan.tests.entries)
    note = (
        "The order is subject to what is open: it is tested on site, and no scan shows it."
        if open_
        else "As stated in the job; no scan shows it."
    )
    return section("Preparation", facts(rows), el("p", note, cls="soft"))


def _too_deep(plan: Plan) -> str | None:
    if plan.volume.deep_m2 <= SPECK_M2:
        return None
    greatest = words.limit(plan.sheet.greatest_m, plan.system)
    return f"{show_area(plan.volume.deep_m2, plan.system)} deeper than {greatest}"


def _allowed(plan: Plan) -> str:
    """Range of depth that the sheet states."""
    return words.limits(plan.sheet.least_m, plan.sheet.greatest_m, plan.system)


def _over_high_point(plan: Plan) -> str:
    """How the datum lies to the floor at the high point, which may be ground afterwards."""
    datum, system = plan.datum, plan.system
    if not datum.lowered_m:
        return f"{words.limit(datum.least_m, system)} above the floor there"
    over_m = datum.least_m - datum.lowered_m
    side = "above" if over_m >= 0.0 else "below"
    return f"{show_height(abs(over_m), system)} {side} the floor there as it is before grinding"


def _after_preparation(plan: Plan) -> str:
    if plan.removal_m == 0.0:
        return ""
    return f" once {show_height(plan.removal_m, plan.system)} has been taken off in preparation"


def _across(area_m2: float, system: System) -> str:
    """Diameter of a circle of this area, to the centimetre or half inch."""
    across_m = math.sqrt(4 * max(area_m2, 0.0) / math.pi)
    if system == "imperial":
        return f"{across_m / INCH_M:.1f} in"
    return f"{1000 * across_m:.0f} mm" if across_m < 1.0 else f"{across_m:.2f} m"


def _waste(waste: float) -> str:
    return f"{100 * waste:g} % waste in it" if waste > 0.0 else "no waste in it"


def _water_per_bag(plan: Plan) -> str:
    """Per bag with its tolerance, and by weight: marks on buckets are not to be trusted."""
    litres, tolerance = plan.order.water_per_bag_l, plan.sheet.water_tolerance_l
    if plan.system == "imperial":
        more = "" if tolerance is None else f" ± {tolerance / US_GALLON_L:.2f}"
        return f"{litres / US_GALLON_L:.2f}{more} US gal ({litres / POUND_KG:.1f} lb on a scale)"
    more = "" if tolerance is None else f" ± {tolerance:g}"
    return f"{litres:g}{more} l ({litres:g} kg on a scale)"


def _cubic(volume_m3: float) -> str:
    feet = volume_m3 / FOOT_M**3
    return f"{feet:.1f} ft³, {feet / 27:.2f} yd³"


def _temperature(ends_c: tuple[float, float], system: System) -> str:
    if system == "imperial":
        low, high = (f"{c * 9 / 5 + 32:.0f}" for c in ends_c)
        return f"{low} to {high} °F"
    return f"{ends_c[0]:g} to {ends_c[1]:g} °C"


def _mass(plan: Plan) -> str:
    order = plan.order
    if plan.system == "imperial":
        scale, unit = FOOT_M**2 / POUND_KG, "lb per ft²"
    else:
        scale, unit = 1.0, "kg per m²"
    text = f"{order.mass_kg_per_m2 * scale:.1f} {unit} wet"
    if order.set_kg_per_m2 is not None:
        text += f", {order.set_kg_per_m2 * scale:.1f} set"
    return text
