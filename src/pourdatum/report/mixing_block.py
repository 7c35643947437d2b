"""What hangs at the mixer and what the van brings: the mixing card, and what else is bought."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pourdatum.pour import Crew
from pourdatum.report import words
from pourdatum.report.blocks import bullets, facts, section
from pourdatum.report.markup import Html, el
from pourdatum.units import FOOT_M, POUND_KG, US_GALLON_L, show_length

if TYPE_CHECKING:
    from pourdatum.outcome import Plan

USUAL_WATER_SHARE: Final = (0.02, 0.03)
"""Share of the stated water that it may be out by where the bag does not say; common practice, no
source."""
MARK_SHARE: Final = 0.1
"""Share by which the mark of a bucket can be wrong; common practice, no source."""


def to_buy(plan: Plan) -> Html:
    """What is bought besides bags, water and primer, and what the pour costs for each m²."""
    system, bought, order = plan.system, plan.besides, plan.order
    rows: list[tuple[str, object]] = [
        ("Edge strip", f"{show_length(bought.edge_strip_m, system)}, along walls and columns"),
        ("Stop-ends", _stop_ends(plan)),
    ]
    if bought.blocks:
        listed = [
            f"opening {number}: {show_length(block.length_m, system)} of rim, "
            + (
                "height not known"
                if block.height_m is None
                else f"{words.whole(block.height_m, system)} high"
            )
            for number, block in enumerate(bought.blocks, 1)
        ]
        rows.append(("Blocks", "; ".join(listed)))
    else:
        rows.append(("Blocks", "none: no opening was found"))
    if bought.cost is not None and bought.cost_per_m2 is not None:
        each, unit = (
            (bought.cost_per_m2 * FOOT_M**2, "ft²")
            if system == "imperial"
            else (bought.cost_per_m2, "m²")
        )
        what = "whole bags" + (", labour" if order.cost != _bags_alone(plan) else "")
        what += ", grinding" if plan.grinding is not None and plan.grinding.ground else ""
        what += ", primer" if order.primer_cost is not None else "; without primer, no price given"
        rows.append(("Money", f"{words.money(bought.cost)} for {what}: {each:.2f} per {unit}"))
    if order.price_per_bag is not None:
        spare = order.bags_to_buy * order.price_per_bag
        rows.append(("Bags to buy", f"{order.bags_to_buy}, {words.money(spare)} in the shop"))
    rows.append(("Load allowed", _load(plan)))
    return section("To buy besides", facts(rows))


def _stop_ends(plan: Plan) -> str:
    """Metres, and what of them stands in doorways and at open edges."""
    system, bought = plan.system, plan.besides
    if not bought.stop_ends_m:
        return "none"
    said = show_length(bought.stop_ends_m, system)
    if not bought.open_ends_m:
        return said
    return f"{said}, {show_length(bought.open_ends_m, system)} of it in doorways and open edges"


def _bags_alone(plan: Plan) -> float | None:
    order = plan.order
    return None if order.price_per_bag is None else order.bags * order.price_per_bag


def mixing_card(plan: Plan) -> Html | None:
    """The card at the mixer; None where nothing is poured."""
    if plan.volume.volume_m3 <= 0.0:
        return None
    return section(
        "Mixing card",
        el("p", el("b", words.plain(plan.sheet.name)), ". The bag comes first where it differs."),
        facts(_figures(plan)),
        el("h3", "Check the bucket before the first bag"),
        bullets(_bucket(plan)),
        el("h3", "Order of work"),
        el("ol", [el("li", step) for step in _steps(plan)]),
        el("h3", "What hurts"),
        bullets(HAZARDS),
        cls="card",
    )


HAZARDS: Final = (
    (
        "Cement irritates skin, can make it allergic, and damages eyes for good (H315, H317, "
        "H318; EU classification of Portland cement, from memory). Gloves, goggles, long "
        "sleeves; rinse eyes with water for a quarter of an hour and see a doctor; no wet knees."
    ),
    (
        "Its soluble chromium VI is kept below 2 mg per kg only until the date on the bag (REACH "
        "annex XVII entry 47, from memory): no old bags."
    ),
    (
        "Dust: open bags low, extract at the mixer, wear the right mask, never sweep dry. Its "
        "limits stand among the cautions of the plan."
    ),
    (
        "The paddle catches hands, sleeves and cords: switch off and unplug before you touch it. "
        "Keep water away from plugs; a residual-current device."
    ),
    "Two carry a bag, or a trolley does. Wash tools away from drains: the mix sets in them.",
)


def _figures(plan: Plan) -> list[tuple[str, object]]:
    """Water, batch and limits."""
    sheet, system = plan.sheet, plan.system
    litres = sheet.water_l_per_bag
    slack = sheet.water_tolerance_l
    rows: list[tuple[str, object]] = [
        (
            "Water to one bag",
            el("b", f"{_litres(plan, litres)}, {_weight(plan, litres)} on a scale"),
        )
    ]
    if slack is not None:
        ends = f"{_litres(plan, litres - slack)} to {_litres(plan, litres + slack)}"
        rows.append(("Never outside", ends))
    else:
        few, most = (_litres(plan, share * litres) for share in USUAL_WATER_SHARE)
        told = f"the sheet does not say; {few} to {most} either way is usual (common practice)"
        rows.append(("Never outside", told))
    crew = None if plan.pour is None else plan.pour.crew
    if isinstance(crew, Crew) and crew.bags_per_batch > 1:
        count = crew.bags_per_batch
        told = f"{count} whole bags, {_litres(plan, count * litres)}, "
        rows.append(("One batch", told + f"{_weight(plan, count * litres)} on a scale"))
    else:
        rows.append(("One batch", "whole bags only; never half a bag by eye"))
    rows.append(("Use it within", f"{sheet.working_time_min:g} min of the water, less when warm"))
    if sheet.temperature_c is not None:
        low, high = sheet.temperature_c
        shown = (
            f"{low * 9 / 5 + 32:.0f} to {high * 9 / 5 + 32:.0f} °F"
            if system == "imperial"
            else f"{low:g} to {high:g} °C"
        )
        rows.append(("Floor, air and powder", shown))
    else:
        rows.append(("Floor, air and powder", ""))
    rows.append(("Walk on it after", _hours(sheet.walk_after_h)))
    return rows


def _bucket(plan: Plan) -> list[object]:
    """How a mark is checked by weighing."""
    litres, slack = plan.sheet.water_l_per_bag, plan.sheet.water_tolerance_l
    wrong = _litres(plan, MARK_SHARE * litres)
    out = f"A bucket's mark can be wrong by a tenth (common practice), here {wrong}"
    if slack:
        out += f", {MARK_SHARE * litres / slack:.1f} times what the bag allows"
    unit = (
        f"One US gallon of water weighs {US_GALLON_L / POUND_KG:.2f} lb"
        if plan.system == "imperial"
        else "One litre of water weighs one kilogram"
    )
    within = "" if slack is None else f", to within {_weight(plan, slack)}"
    return [
        f"{out}.",
        (
            "Set the empty bucket on a scale, bring the scale to zero, fill to the mark: it "
            f"must show {_weight(plan, litres)}{within}. {unit}."
        ),
        (
            "If it does not, pour until the scale is right and make your own mark there, with the "
            "bucket level. Check again with every other bucket."
        ),
    ]


def _steps(plan: Plan) -> list[str]:
    """Order of work at the mixer."""
    sheet, order = plan.sheet, plan.order
    prime = "Floor clean, dry and primed"
    primer = order.primer
    if primer is not None:
        coats = f"{primer.coats} coat{'s' if primer.coats != 1 else ''}"
        dry = "" if primer.dry_min is None else f", {primer.dry_min:g} min dry after each"
        prime += f" ({coats}{dry})"
    batches = "" if plan.pour is None else " where its number stands on the pour sheet"
    return [
        f"{prime}; edge strip, stop-ends and blocks set; pins at their height.",
        "All powder of one lot, in date and dry, at the mixer before the first bag is opened.",
        "Clean bucket. Water first, all of it, measured; then the powder while the paddle turns.",
        (
            "Mix until no lump is left, as long as the bag says; let it stand if the bag says so. "
            "Never add water to a mix that stiffens: throw it away."
        ),
        f"Tip it{batches}, against an edge that is still wet; spread to the pins; roll.",
        f"Clean the bucket before {sheet.working_time_min:g} min are over.",
        "Keep one empty bag, and note lot, water, temperature and the number of bags.",
    ]


def _load(plan: Plan) -> str:
    """Wet mass at the deepest place against what is allowed."""
    scale, unit = (
        (FOOT_M**2 / POUND_KG, "lb per ft²") if plan.system == "imperial" else (1.0, "kg per m²")
    )
    weighs = f"{plan.order.mass_kg_per_m2 * scale:.1f} {unit} wet at the deepest place"
    if plan.max_load_kg_per_m2 is None:
        return f"not given; the pour weighs {weighs}"
    allowed = plan.max_load_kg_per_m2
    over = " and is too heavy" if plan.order.mass_kg_per_m2 > allowed else ""
    stated = f"{allowed * scale:.1f}" if plan.system == "imperial" else f"{allowed:g}"
    return f"{stated} {unit}; the pour weighs {weighs}{over}"


def _litres(plan: Plan, litres: float) -> str:
    return words.water(litres, plan.system, 2)


def _weight(plan: Plan, litres: float) -> str:
    """Of water."""
    if plan.system == "imperial":
        return f"{litres / POUND_KG:.2f} lb"
    return f"{litres:.2f} kg"


def _hours(hours: float | None) -> str:
    return "" if hours is None else f"{hours:g} h"
