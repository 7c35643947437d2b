"""Zones on a plan's page: each with its datum, fill and bags; where they meet, and what is left."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pourdatum.report import words
from pourdatum.report.blocks import bullets, section
from pourdatum.report.markup import Html, el, tied
from pourdatum.report.ways_block import would_work
from pourdatum.units import show_area, show_height, show_length, show_volume

if TYPE_CHECKING:
    from pourdatum.outcome import Plan
    from pourdatum.zones import Border

_NO_STEP_M: Final = 0.0005
_LEAST_LEFT_M2: Final = 0.01
_NAME: Final = 40
"""Letters of a zone's name that are shown."""


def zones(plan: Plan) -> Html | None:
    """The zones in a table, their borders, and the floor in none; None where there are none."""
    if not plan.zones:
        return None
    system = plan.system
    rows = []
    for zone in plan.zones:
        own = zone.plan
        low_m3, high_m3 = own.volume_interval_m3
        depth = words.span(own.volume.min_depth_m, own.volume.max_depth_m, system)
        figures = (
            tied(datum_of(own)),
            tied(show_area(own.volume.outline_m2, system)),
            tied(show_volume(own.volume.volume_m3, system)),
            zone.bags,
        )
        # The name has a line of its own: beside four columns a phone has no room for it.
        named = [
            el("b", words.plain(zone.name, _NAME)),
            f": {words.volume_span(low_m3, high_m3, system)} (95 %), {depth} deep",
        ]
        rows += [
            el("tr", el("td", named, colspan=f"{len(figures)}"), cls="over"),
            el("tr", [el("td", figure) for figure in figures]),
        ]
    head = el("tr", [el("th", name, scope="col") for name in ("Datum", "Area", "Fill", "Bags")])
    said: list[object] = [border_told(plan, border) for border in plan.borders]
    if plan.unzoned_m2 > _LEAST_LEFT_M2:
        said.append(
            f"{show_area(plan.unzoned_m2, system)} of the floor lie in no zone and are not poured:"
            " nothing is ordered for them, and the zones end there at stop-ends."
        )
    said += [
        [el("b", words.plain(zone.name, _NAME)), f": {lowered(would_work(zone.plan, here=True))}."]
        for zone in plan.zones
        if not zone.plan.buildable and zone.plan.ways.each
    ]
    return section(
        "Zones",
        el("table", el("thead", head), el("tbody", rows)),
        bullets(said) if said else None,
        el(
            "p",
            "Bags are those opened in a zone, in the order of the pour sheet: what is left of a "
            "bag goes into the next zone, so that they add up. A zone that is poured on a day of "
            "its own may take one more.",
            cls="soft",
        ),
        cls="long",
    )


def lowered(sentence: str) -> str:
    """A sentence that goes on after a colon.

    Examples
    --------
    >>> lowered("What would work: more")
    'what would work: more'
    """
    return sentence[:1].lower() + sentence[1:]


def datum_of(plan: Plan) -> str:
    """The datum of a zone in a few words."""
    datum = plan.datum
    if datum.plane.slope > 0.0:
        return f"falls {words.fall(datum.plane.slope, plan.system)}"
    return words.level(datum.plane.z0_m + plan.origin_m[2], plan.system)


def border_told(plan: Plan, border: Border) -> str:
    """Where two zones meet, and the step there, in a sentence."""
    first, second = (words.plain(plan.zones[k].name, _NAME) for k in (border.first, border.second))
    said = f"{first} and {second} meet over {show_length(border.length_m, plan.system)}: "
    return said + step_told(second, border, plan) + ". A stop-end stands there."


def step_told(second: str, border: Border, plan: Plan) -> str:
    """By how much the second zone is higher or lower along the border."""
    low_m, high_m = border.step_m
    if max(abs(low_m), abs(high_m)) < _NO_STEP_M:
        return "both at the same level"
    if high_m - low_m < _NO_STEP_M:
        side = "higher" if high_m > 0.0 else "lower"
        return f"{second} is {show_height(abs(0.5 * (low_m + high_m)), plan.system)} {side}"
    ends = [
        f"{show_height(abs(end), plan.system)} {'higher' if end > 0.0 else 'lower'}"
        for end in (low_m, high_m)
    ]
    return f"{second} is from {ends[0]} to {ends[1]}"
