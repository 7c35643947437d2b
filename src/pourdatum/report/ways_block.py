"""Ways to the floor on a plan's page, best first, why the others lose, and what to fill first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pourdatum.filling import MOST_LIFTS, NUMBERS
from pourdatum.pour import Crew, Pump
from pourdatum.report import words
from pourdatum.report.blocks import bullets, place, place_head, section, table
from pourdatum.report.markup import Html, el, joined, tied
from pourdatum.units import (
    FOOT_M,
    POUND_KG,
    show_area,
    show_height,
    show_length,
    show_mass,
    show_volume,
)

if TYPE_CHECKING:
    from pourdatum.outcome import Plan
    from pourdatum.units import System
    from pourdatum.way import Way

_MOST: Final = 6
_MOST_FAILS: Final = 4
"""Ways in the table, and ways that do not work in the list; result.json has all."""
_SHIFT_M: Final = 0.00005
"""Shift of the datum that shows as 0.1 mm."""
_SAME_M: Final = 1e-6
"""Shift of the datum that is none."""


def ways(plan: Plan) -> Html | None:
    """The table of ways, and of those that do not work why; of zones those that need another."""
    if plan.zones:
        shown = [
            _ways(zone.plan, f"Ways to the floor of {words.plain(zone.name, 40)}")
            for zone in plan.zones
            if not zone.plan.buildable
        ]
        return joined([one for one in shown if one is not None])
    return _ways(plan, "Ways to this floor")


def _ways(plan: Plan, title: str) -> Html | None:
    each = plan.ways.each
    if not each:
        return None
    system, best = plan.system, plan.ways.best
    works = [way for way in each if way.works]
    fails = [way for way in each if not way.works]
    parts: list[object] = []
    if best is None:
        parts.append(el("p", f"{would_work(plan, here=True)}."))
    else:
        parts.append(el("p", _order_words(works)))
        priced = any(way.cost is not None for way in works)
        parts.append(_table(works, best, system, priced))
    if fails:
        parts.append(el("p", "These do not work:"))
        listed = [
            [el("b", name_of(way, system)), f": {words.plain('; '.join(way.against), 400)}"]
            for way in fails[:_MOST_FAILS]
        ]
        parts.append(bullets(listed))
    more = max(len(works) - _MOST, 0) + max(len(fails) - _MOST_FAILS, 0)
    told = f"{more} more are in result.json. " if more else ""
    if any(way.invented for way in each):
        told += (
            "Shipped sheets are invented and generic: they show what kind of material would fit. "
            "Type in a bag that you can buy before you decide. "
        )
    told += (
        "Hours count from the first lift on, at the deepest place, without the time to grind. "
        "Whether a material may go on this substrate or on another one, and how strong it must be, "
        "the bags say."
    )
    parts.append(el("p", told, cls="soft"))
    return section(title, *parts, cls="long")


def out_of_range(plan: Plan) -> Html | None:
    """Pockets to fill first and thin places, each with its place and size."""
    system, survey = plan.system, plan.survey
    parts: list[Html] = []
    if plan.ways.pockets:
        rows = [
            (number, place(survey, one.place_m), tied(show_area(one.area_m2, system)),
             tied(show_volume(one.volume_m3, system)), tied(show_height(one.depth_m, system)))
            for number, one in enumerate(plan.ways.pockets, 1)
        ]  # fmt: skip
        head = ("No.", place_head(survey), "To fill", "Volume", "Deepest")
        left_m = max(plan.sheet.greatest_m - plan.sheet.least_m, plan.sheet.least_m)
        most = words.whole(max(one.depth_m for one in plan.ways.pockets) - left_m, system)
        level = words.limit(left_m, system)
        found = [way for one in (plan, *(z.plan for z in plan.zones)) for way in one.ways.each]
        counts = {len(way.lifts) for way in found if way.works} - {1}
        if plan.ways.best is not None and len(plan.ways.best.lifts) > 2:
            counts = {len(plan.ways.best.lifts)}
        if counts:
            # One that takes so much, or lift upon lift of one that does not.
            two = f"with a material that takes {most}, let that bear a foot, prime it, then pour"
            more = "lift by lift as stands below; let each bear a foot and prime it before the next"
            told = (
                f"Deeper than one layer may be. Fill them first, to {level} below the datum, "
                f"{two if 2 in counts else more}. Draw "
                "out or cut the rim, where the filling runs out to nothing. Ways that fill them "
                "with another material, or further, stand below."
            )
        else:
            told = (
                f"Deeper than one layer may be; measured from {level} below the datum. No way was "
                "found that fills them first: why, stands below."
            )
        parts.append(section("Deep pockets", el("p", told), table(head, rows)))
    if plan.ways.thin:
        short = [
            (number, place(survey, one.place_m), tied(show_area(one.area_m2, system)),
             tied(words.minus(show_height(one.depth_m, system))))
            for number, one in enumerate(plan.ways.thin, 1)
        ]  # fmt: skip
        columns = ("No.", place_head(survey), "Area", "Least depth")
        least = words.limit(plan.sheet.least_m, system)
        told = (
            f"Less than the {least} that the material needs; below zero the floor stands above "
            "the datum."
        )
        parts.append(section("Too thin", el("p", told), table(columns, short)))
    return el("div", parts, cls="even") if parts else None


def would_work(plan: Plan, *, here: bool = False) -> str:
    """One sentence without its stop: what would work, or what stands in the way.

    Said ``here`` in the report it does not send its reader there.
    """
    crew = crew_would_work(plan)
    if crew and len(plan.obstacles) == 1:
        return f"What would work: {crew}, the rest as asked"
    said = _way_would_work(plan, here=here)
    return f"{said}. And, for the fill as asked, {crew}" if crew else said


def crew_would_work(plan: Plan) -> str:
    """What would keep the edge wet, where the crew as stated cannot; empty where it can."""
    sheet = plan.pour
    if sheet is None or not sheet.obstacle or sheet.obstacle not in plan.obstacles:
        return ""
    if isinstance(sheet.mend, Pump):
        rate = words.water(sheet.mend.litres_per_minute, plan.system, 1)
        return f"a pump of {rate} per minute or more"
    if isinstance(sheet.mend, Crew):
        return f"{sheet.mend.mixers} mixers"
    return "a smaller bay, a faster supply, or a material that stays open longer"


def _way_would_work(plan: Plan, *, here: bool) -> str:
    best, nearest, system = plan.ways.best, plan.ways.nearest, plan.system
    if best is not None:
        money = "" if best.cost is None else f", {words.money(best.cost)}"
        bags = f"{best.bags} bag{'s' if best.bags != 1 else ''}"
        powder = show_mass(best.powder_kg, system)
        sheets = "; a shipped sheet, invented" if best.invented else ""
        others = sum(way.works for way in plan.ways.each) - 1
        more = f"; {others} more way{'s' if others != 1 else ''}" if others else ""
        more += " in the report" if others and not here else ""
        took = f"{powder} of powder, {bags}{money}{sheets}"
        return f"What would work: {name_of(best, system)} ({took}){more}"
    if nearest is None:
        return "No other way was looked for"
    why = words.plain("; ".join(nearest.against), 400)
    said = f"No way that was compared works. The nearest is {name_of(nearest, system)}, but {why}"
    return said + _what_is_left(plan, nearest)


def _what_is_left(plan: Plan, way: Way) -> str:
    """What would bring a floor that is too deep for a way within its reach."""
    reach_m = sum(lift.sheet.greatest_m for lift in way.lifts)
    too_deep_m = plan.volume.max_depth_m + way.rise_m - reach_m
    if too_deep_m <= 0.0:
        return ""
    thinnest_m = plan.volume.min_depth_m + way.rise_m - too_deep_m
    if len(way.lifts) == 1 and thinnest_m >= way.sheet.least_m:
        return f". It works with the datum {show_height(too_deep_m, plan.system)} lower"
    most = NUMBERS[MOST_LIFTS]
    return f". What is left is a screed under it, or more lifts than {most}, as the bag allows"


def name_of(way: Way, system: System) -> str:
    """A way in words."""
    parts = []
    if way.asked:
        parts.append("as asked")
    if way.ground_m3 > 0.0:
        off = words.not_nothing(show_volume(way.ground_m3, system))
        area = words.not_nothing(show_area(way.ground_m2, system))
        parts.append(f"grind {off} off {area}")
    if abs(way.rise_m) > _SHIFT_M:
        side = "higher" if way.rise_m > 0.0 else "lower"
        parts.append(f"datum {show_height(abs(way.rise_m), system)} {side}")
    elif abs(way.rise_m) > _SAME_M and not parts:
        # Else it has the name of the way as asked, which may be one that does not work.
        side = "higher" if way.rise_m > 0.0 else "lower"
        parts.append(f"datum less than {show_height(2 * _SHIFT_M, system)} {side}")
    sheet = words.plain(way.sheet.name, 60)
    if len(way.lifts) == 1:
        parts.append(f"{sheet} in one lift")
    else:
        first = words.plain(way.lifts[0].sheet.name, 60)
        filling = way.lifts[:-1]
        count = f"{len(way.pockets)} pocket{'s' if len(way.pockets) != 1 else ''}"
        where = f"{count} ({show_area(filling[-1].area_m2, system)})"
        if first == sheet:
            number = NUMBERS[len(way.lifts)]
            rest = "first" if len(filling) == 1 else "others"
            parts.append(f"{number} lifts of {sheet}, the last over all, the {rest} in {where}")
        else:
            by = "with" if len(filling) == 1 else f"in {NUMBERS[len(filling)]} lifts of"
            parts.append(f"{where} filled first {by} {first}, then {sheet}")
    if way.stop_ends_m > 0.0:
        length = show_length(way.stop_ends_m, system)
        parts.append(f"the filling behind {length} of stop-ends, where it would run out too thin")
    return ", ".join(parts)


def why_behind(way: Way, best: Way, system: System) -> str:
    """Why a way that works is not the first."""
    if way is best:
        return "the first"
    if way.cost is not None and best.cost is not None:
        more = way.cost - best.cost
        return f"costs {words.money(more)} more" if more > 0.0 else "costs the same"
    said = [] if way.cost is not None or best.cost is None else ["no price is known for all of it"]
    more_kg = way.powder_kg - best.powder_kg
    if abs(more_kg) >= 0.5:
        side = "more" if more_kg > 0.0 else "less"
        said.append(f"{show_mass(abs(more_kg), system)} {side} powder")
    if way.walk_h is not None and best.walk_h is not None:
        later_h = _hours(way.walk_h - best.walk_h)
        if way.walk_h > best.walk_h and later_h != "0":
            said.append(f"walked on {later_h} h later")
    return ", ".join(said) or "takes as much"


def _hours(hours: float | None) -> str:
    """Hours to the half, of days to the hour."""
    return "" if hours is None else f"{hours:.0f}" if hours >= 10.0 else f"{round(2 * hours) / 2:g}"


def _listed(each: list[str]) -> str:
    """Figures of lifts in the order in which they are poured."""
    return f"{', '.join(each[:-1])} and {each[-1]}"


def _order_words(works: list[Way]) -> str:
    count = f"{len(works)} way{'s' if len(works) != 1 else ''} would work"
    if all(way.cost is not None for way in works):
        return f"{count}, the cheapest first."
    if all(way.cost is None for way in works):
        return f"{count}. No price is known for all of any: the least powder comes first."
    return f"{count}, the cheapest first, then those without a price by their powder."


def _table(works: list[Way], best: Way, system: System, priced: bool) -> Html:
    """What each takes, with what it loses by."""
    scale, unit = (1.0, "kg/m²") if system == "metric" else (FOOT_M**2 / POUND_KG, "lb/ft²")
    rows = []
    for way in works[:_MOST]:
        said: list[object] = [el("b", name_of(way, system))]
        if way is not best:
            said += [el("br"), why_behind(way, best, system)]
        if len(way.lifts) > 2:
            ends = [words.limit(lift.ends_m, system) for lift in way.lifts[:-1]]
            said += [el("br"), f"lifts end {_listed(ends)} below the datum"]
        if len(way.lifts) > 1:
            litres = [show_volume(lift.volume_m3, system) for lift in way.lifts]
            said += [el("br"), f"to fill {_listed(litres)}"]
            said.append(f"; bags lift by lift {_listed([f'{lift.bags}' for lift in way.lifts])}")
        figures: list[object] = [tied(show_mass(way.powder_kg, system)), way.bags]
        if priced:
            figures.append("" if way.cost is None else tied(words.money(way.cost)))
        figures.append(f"{way.mass_kg_per_m2 * scale:.0f}")
        figures += [_hours(hours) for hours in (way.walk_h, way.cover_h)]
        # The name has a line of its own: beside six columns a phone has no room for it.
        rows += [
            el("tr", el("td", said, colspan=f"{len(figures)}"), cls="over"),
            el("tr", [el("td", figure) for figure in figures]),
        ]
    head = ["Powder", "Bags", *(["Cost"] if priced else []), f"Load {unit}", "Walk h", "Cover h"]
    names = el("tr", [el("th", name, scope="col") for name in head])
    return el("table", el("thead", names), el("tbody", rows))
