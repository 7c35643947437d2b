"""Grind or pour on a plan's page: the decision, the curve of cost, the humps, and the dust."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pourdatum.report import canvas, contours, lettering, style, words
from pourdatum.report.blocks import bullets, figure_of, place, place_head, section, table
from pourdatum.report.markup import Html, el, tied
from pourdatum.units import show_area, show_height, show_volume

if TYPE_CHECKING:
    from pourdatum.grinding import Grinding
    from pourdatum.outcome import Plan

_WIDE_IN: Final = 4.8
"""Narrow, so that its letters stay legible on a phone."""
_TALL_IN: Final = 3.2
_DPI: Final = 200
_TEXT_PT: Final = 12
_BOX: Final = (0.17, 0.19, 0.79, 0.72)
DUST: Final = (
    "Grinding concrete makes respirable crystalline silica, which harms lungs for good: extraction "
    "at the tool, a vacuum of the right class, masks that fit, and nobody else in the room. Local "
    "rules and licensed practice come first."
)
"""Said beside grinding that is proposed, on the page and in the warnings."""


def grinding(plan: Plan) -> Html:
    """What to grind, what that saves, and what else was weighed."""
    weighed = plan.grinding
    if not plan.humps and weighed is None:
        return section("Grinding", el("p", "No hump stands out of this floor."))
    said: list[object] = []
    if plan.grind_lacks and (weighed is None or not plan.zones):
        said += [
            el("p", "Grinding was asked for and is not weighed against filling:"),
            bullets(plan.grind_lacks),
        ]
    if weighed is not None:
        said += [el("p", el("b", decision(plan)), " ", _held(weighed, plan))]
        said += [el("p", _both_costs(plan), cls="soft")]
        if plan.zones:
            said += [bullets(_of_zones(plan))]
            said += [
                _curve_figure(zone.plan, f"{words.plain(zone.name, 40)}: ")
                for zone in plan.zones
                if zone.plan.grinding is not None
            ]
        else:
            said += [_curve_figure(plan)]
    if plan.humps:
        said += [table(*_rows(plan)), el("p", _about_humps(plan), cls="soft")]
        said += [el("p", DUST)] if weighed is not None and weighed.ground else []
    else:
        said.append(el("p", "No hump stands out of this floor."))
    return section("Humps" if weighed is None else "Grind or pour", said)


def decision(plan: Plan) -> str:
    """What is ground, in a sentence."""
    weighed, system = plan.grinding, plan.system
    assert weighed is not None
    ground = weighed.ground
    if not ground:
        return f"Nothing is ground: that is the cheapest, {words.money(weighed.cost)}."
    humps = f"{len(ground)} hump{'s' if len(ground) != 1 else ''}"
    if plan.zones:
        where = "in all zones" if _all_weighed(plan) else "in the zones that were weighed"
        return (
            f"Grind {humps}, {show_small(weighed.volume_m3, plan)} of concrete from "
            f"{show_area(weighed.area_m2, system)} {where}: the pour takes "
            f"{show_volume(weighed.saved_m3, system)} less there, {words.money(weighed.cost)} "
            f"instead of {words.money(weighed.unground_cost)}, with one set-up."
        )
    return (
        f"Grind {humps}, {show_small(weighed.volume_m3, plan)} of concrete from "
        f"{show_area(weighed.area_m2, system)}: the datum lies "
        f"{show_height(plan.datum.lowered_m, system)} lower and the pour takes "
        f"{show_volume(weighed.saved_m3, system)} less, {words.money(weighed.cost)} in all instead "
        f"of {words.money(weighed.unground_cost)}."
    )


def _all_weighed(plan: Plan) -> bool:
    return all(zone.plan.grinding is not None for zone in plan.zones)


def _both_costs(plan: Plan) -> str:
    """Why the cost of the curve is not that of the order."""
    said = (
        "These costs count powder by weight, so that the curve is smooth, with labour, waste and "
        "grinding"
    )
    ends = plan.cost_interval
    if ends is not None and ends[0] < ends[1]:
        low, high = map(words.money, ends)
        said += f", and are {low} to {high} (95 %) by what the fill may be out by"
    if plan.besides.cost is None:
        return f"{said}."
    more = ", with primer" if plan.order.primer_cost is not None else ""
    whole = "the plan" if _all_weighed(plan) else "the plan with all its zones"
    return f"{said}; {whole} comes to {words.money(plan.besides.cost)} in whole bags{more}."


def _of_zones(plan: Plan) -> list[str]:
    """What grinding does in each zone; their costs hold no set-up, which is paid once."""
    found = []
    for zone in plan.zones:
        name, own = words.plain(zone.name, 40), zone.plan.grinding
        if own is None:
            found.append(f"{name}: not weighed, its datum is not over its high point.")
        elif not own.ground:
            found.append(f"{name}: nothing is ground.")
        else:
            found.append(
                f"{name}: {show_small(own.volume_m3, plan)} off, datum "
                f"{show_height(zone.plan.datum.lowered_m, plan.system)} lower, "
                f"{words.money(own.cost)} instead of {words.money(own.unground_cost)} before the "
                "set-up, which all zones share."
            )
    return found


def show_small(volume_m3: float, plan: Plan) -> str:
    """A volume of concrete, with one decimal more than a fill; what is there is never nothing."""
    if plan.system == "metric":
        shown = f"{1000.0 * volume_m3:.{2 if volume_m3 < 0.001 else 1}f} l"
    else:
        shown = show_volume(volume_m3, plan.system)
    return words.not_nothing(shown) if volume_m3 > 0.0 else shown


def _held(weighed: Grinding, plan: Plan) -> str:
    """What limit the datum lies at, and how well the scan knows it."""
    said = _bound(weighed, plan)
    if weighed.held_m <= 0.0 or weighed.held_cost <= 0.0 or plan.zones:
        return said
    if weighed.unseen_m >= weighed.held_m:
        return (
            f"{said} The lowest floor sets the datum; floor that nobody saw, under "
            f"things or behind them, may lie {show_height(weighed.unseen_m, plan.system)} lower: "
            f"± {words.money(weighed.held_cost)}. Look there before the day."
        ).strip()
    floor = "lowest" if weighed.bound == "greatest depth" else "highest"
    return (
        f"{said} The {floor} floor sets the datum, and the scan's noise leaves it known to ± "
        f"{show_height(weighed.held_m, plan.system)}: ± {words.money(weighed.held_cost)} (95 %)."
    ).strip()


def _bound(weighed: Grinding, plan: Plan) -> str:
    greatest = words.limit(plan.sheet.greatest_m, plan.system)
    if not weighed.reached:
        return f"No grinding that is allowed brings the floor within {greatest}."
    return {
        None: "",
        "deepest grind": "Deeper would cost less still, and is not allowed.",
        "greatest depth": f"A higher datum would cost less, and be deeper than the {greatest} that "
        "the material takes.",
    }[weighed.bound]


def _about_humps(plan: Plan) -> str:
    said = (
        "Height is over the floor around the hump; the numbers are those on the map. What is "
        "saved is the sum of this hump and all as high, ground together: rows do not add up."
    )
    if any(hump.saves_m3 == 0.0 for hump in plan.humps):
        said += (
            " Where it saves nothing, other floor is as high or higher, or none of it stands over "
            "the datum less the least depth: by itself it would not lower the datum."
        )
    if plan.grinding is None:
        return said + " Whether grinding pays was not weighed."
    if plan.grinding.ground:
        said += (
            " Those to grind are ground down to the level of the datum less the least depth; the "
            "litres and the area in all hold also what hardly stands over that level."
        )
    return said


def _rows(plan: Plan) -> tuple[list[object], list[list[object]]]:
    """Head and rows of the table of humps."""
    priced = any(hump.worth is not None for hump in plan.humps)
    grind = any(_known(hump.grind_m3) for hump in plan.humps)
    saves = any(_known(hump.saves_m3) for hump in plan.humps)
    # The verdict stands first: on a phone the last columns are off the screen.
    head: list[object] = ["No.", *["Worth it"] * priced, place_head(plan.survey), "Height", "Area"]
    head += ["To grind"] * grind + ["Sum saved"] * saves
    rows = []
    for number, hump in enumerate(plan.humps, 1):
        row: list[object] = [
            number,
            *[{True: "yes", False: "no", None: "open"}[hump.worth]] * priced,
            place(plan.survey, hump.place_m),
            tied(show_height(hump.height_m, plan.system)),
            tied(show_area(hump.area_m2, plan.system)),
        ]
        row += [_volume(hump.grind_m3, plan)] * grind + [_volume(hump.saves_m3, plan)] * saves
        rows.append(row)
    return head, rows


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _volume(value_m3: float | None, plan: Plan) -> Html:
    if value_m3 is None or not math.isfinite(value_m3):
        return tied("open")
    if value_m3 == 0.0:
        return tied("nothing")
    if value_m3 < 0.001:
        return tied(show_small(value_m3, plan))
    return tied(show_volume(value_m3, plan.system))


def _curve_figure(plan: Plan, whose: str = "") -> Html:
    weighed = plan.grinding
    assert weighed is not None
    chosen = show_height(plan.datum.lowered_m, plan.system)
    said = (
        whose
        + "Cost of fill and grinding together, over how far the datum is lowered from the one "
    )
    said += "over the high point (square), where nothing is ground; the dot is what is planned."
    if weighed.too_deep_m is not None:
        said += " Hatched: deeper somewhere than the material takes."
    alt = (
        "Curve of cost over how far the datum is lowered: "
        f"{words.money(weighed.unground_cost)} without grinding, {words.money(weighed.cost)} as "
        f"planned, {chosen} lower."
    )
    return figure_of(draw_curve(plan), alt, said)


def draw_curve(plan: Plan) -> bytes:
    """The cost over how far the datum is lowered, as PNG; readable without colour."""
    weighed = plan.grinding
    assert weighed is not None
    unit, unit_m = words.height_unit(plan.system)
    top_m = float(weighed.curve[-1, 0])
    lower = (top_m - weighed.curve[:, 0]) / unit_m
    cost = weighed.curve[:, 1]
    with style.drawing():
        figure = canvas.blank(_WIDE_IN, _TALL_IN, _DPI)
        axes = figure.add_axes(_BOX)
        # The first point lies over the high point, where nothing is ground: apart from the rest.
        axes.plot(lower[:-1], cost[:-1], color=style.INK, linewidth=2.2)
        if weighed.too_deep_m is not None:
            axes.axvspan(
                0.0, (top_m - weighed.too_deep_m) / unit_m, facecolor=style.PAPER,
                edgecolor=style.HAIR, hatch="//", linewidth=0.0, zorder=0,
            )  # fmt: skip
        axes.plot(
            [0.0], [weighed.unground_cost], marker="s", markersize=9, color=style.PAPER,
            markeredgecolor=style.INK, markeredgewidth=2.0, clip_on=False, zorder=4,
        )  # fmt: skip
        axes.plot(
            [plan.datum.lowered_m / unit_m], [weighed.cost], marker="o", markersize=8,
            color=style.INK, clip_on=False, zorder=5,
        )  # fmt: skip
        _framed(axes, lower, cost)
        _labelled(figure, axes, plan, f"Datum lowered by, {unit}")
        return canvas.png_of(figure, "level")


def _framed(axes: Any, lower: Any, cost: Any) -> None:
    """Limits that show the whole curve, from 0; ticks at round values."""
    span = float(np.ptp(cost)) or max(abs(float(cost[0])), 1.0)
    low, high = float(cost.min()) - 0.18 * span, float(cost.max()) + 0.12 * span
    low = max(low, 0.0) if float(cost.min()) >= 0.0 else low
    axes.set_xlim(0.0, max(float(lower.max()), 1e-6))
    axes.set_ylim(low, high)
    for axis, (first, last) in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, (low, high))):
        values = contours.rounds(first, last, contours.interval(first, last, 5))
        axis.set_ticks(values, [f"{value:,.6g}".replace(",", " ") for value in values])
    axes.grid(color=style.HAIR, linewidth=0.6, alpha=0.6)
    axes.tick_params(colors=style.INK, width=0.8)
    for name, spine in axes.spines.items():
        spine.set_visible(name in ("left", "bottom"))
        spine.set_color(style.INK)


def _labelled(figure: Any, axes: Any, plan: Plan, below: str) -> None:
    """Words at the axes, and what the two marked places cost."""
    weighed = plan.grinding
    assert weighed is not None
    for tick in (*axes.get_xticklabels(), *axes.get_yticklabels()):
        tick.set_fontproperties(style.font(_TEXT_PT - 1))
        tick.set_color(style.INK)
    left, bottom, wide, tall = _BOX
    figure.text(
        left + wide, 0.03, lettering.drawable(below), ha="right",
        fontproperties=style.font(_TEXT_PT), color=style.INK, parse_math=False,
    )  # fmt: skip
    told = f"Cost: {words.money(weighed.cost)}"
    if plan.datum.lowered_m:
        told += f" ({words.money(weighed.unground_cost)} without grinding)"
    figure.text(
        0.02, bottom + tall + 0.03, lettering.drawable(told, True),
        fontproperties=style.font(_TEXT_PT - 1, bold=True), color=style.INK, parse_math=False,
    )  # fmt: skip
