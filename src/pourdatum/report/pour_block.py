"""The pour sheet on the page: a plan of numbered batches, its strips with clock times, the crew."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.datum import in_zones
from pourdatum.pour import Crew
from pourdatum.pumpday import clock_of
from pourdatum.report import words
from pourdatum.report.batch_plan import MOST_NUMBERS, draw_batches, strip_name, strips
from pourdatum.report.blocks import bullets, figure_of, place, section, table
from pourdatum.report.markup import Html, el, tied
from pourdatum.settingout import corner_name
from pourdatum.units import show_length, show_volume

if TYPE_CHECKING:
    from pourdatum.outcome import Plan
    from pourdatum.pour import Batch, PourSheet

_BAGS_A_MINUTE: Final = 3.0
"""Bags that one person opens and empties in a minute; common practice, no source."""
_ROLL_MIN: Final = 10.0
"""Minutes within which a batch is rolled, where the sheet does not say; common practice."""


def pour_sheet(plan: Plan) -> Html | None:
    """The order of the pour; None where nothing is poured."""
    sheet = plan.pour
    if sheet is None:
        return None
    alt = (
        "Plan of the floor with the batches in the order of the pour, stop-ends between bays and "
        "the exit."
    )
    based = bool(plan.pins.bases)
    said = f"{caption(sheet, based)} batches.csv lists all."
    shown = figure_of(draw_batches(plan, sheet), alt, said)
    unit = words.plan_unit(plan.system)
    bags = isinstance(sheet.crew, Crew)
    at = f"along, across from {corner_name(0)}" if based else "at x, y"
    # A batch is tipped at one place; a pass of the hose runs across, and its middle is given.
    where = f"{'Begin' if bags else 'Middle'} {at} ({unit})"
    head = ["Strip", *(["Batches", "Bags"] if bags else ["Volume"]), "Starts", where]
    rows = [
        [
            strip_name(sheet, own[0]),
            *(
                [_span(own), sum(batch.bags for batch in own) or "rest of the last"]
                if bags
                else [_litres(plan, own)]
            ),
            tied(clock_of(own[0].start_min, plan.day.start_min)),
            _along_across(plan, own[0].place_m) if based else place(plan.survey, own[0].place_m),
        ]
        for own in strips(sheet)
    ]
    return section(
        "Pour sheet", bullets(_told(plan, sheet)), _bays(plan, sheet), shown, table(head, rows)
    )


def _bays(plan: Plan, sheet: PourSheet) -> Html | None:
    """What must be there by when, bay by bay; None of a single bay by hand."""
    day, system = plan.day, plan.system
    pumped = not isinstance(sheet.crew, Crew)
    if not day.bays or (len(day.bays) == 1 and not pumped):
        return None
    head = [
        "Bay",
        "Starts",
        "Takes",
        "Volume",
        "Bags",
        "Lot from" if day.deliveries_min else "Lot by",
    ]
    rows = [
        [
            bay.number,
            tied(clock_of(bay.start_min, day.start_min)),
            tied(f"{bay.whole_min} min"),
            tied(show_volume(bay.volume_m3, system)),
            words.count(bay.bags + bay.reserve),
            tied(clock_of(bay.by_min, day.start_min)),
        ]
        for bay in day.bays
    ]
    at = "at the pump" if pumped else "at the mixers"
    when = "when the first of it enters the hose" if day.hose_min else "when the bay begins"
    if day.deliveries_min:
        times = [clock_of(by_min, day.start_min) for by_min in day.deliveries_min]
        bags = day.delivery_bags
        listed = ", ".join(
            f"{number} ({words.count(count)} bags) by {time}"
            for number, (time, count) in enumerate(zip(times, bags, strict=True), 1)
        )
        said = (
            f"A bay is poured of one lot, which is needed {at} from the time listed on, {when}. "
            f"Deliveries, each at the latest: {listed}."
        )
    else:
        said = f"A bay is poured of one lot. All of it is {at} by the time listed, {when}."
    reserve = sum(bay.reserve for bay in day.bays)
    if reserve:
        said += (
            f" The lots are the bags to buy, {reserve} of them a reserve for the doubt of the fill,"
            " in each lot by its volume: what a bay leaves over is not mixed into the next."
        )
    if day.hose_bags:
        said += (
            f" The last bay's bags hold the {day.hose_bags} for what stays in the hose, "
            f"{show_volume(day.hose_m3 or 0.0, system)}: have a place for it that is no drain."
        )
    return el("div", table(head, rows), el("p", said, cls="soft"))


def _along_across(plan: Plan, place_m: tuple[float, float]) -> Html:
    """A place from the first corner of the pins."""
    along, across = plan.pins.bases[0].along_across(np.array([place_m]))[0]
    return tied(words.place(float(along), float(across), plan.system))


def _where(plan: Plan, place_m: tuple[float, float]) -> str:
    """A place as it is found on the site, if a corner is."""
    unit = words.plan_unit(plan.system)
    if not plan.pins.bases:
        return f"at x, y = {words.site_place(place_m, plan.origin_m, plan.system)} {unit}"
    return f"{_along_across(plan, place_m)} {unit} along, across from corner {corner_name(0)}"


def _litres(plan: Plan, own: list[Batch]) -> Html:
    return tied(show_volume(sum(batch.volume_m3 for batch in own), plan.system))


def _span(own: list[Batch]) -> str:
    first, last = own[0].number, own[-1].number
    return f"{first}" if first == last else f"{first} to {last}"


def caption(sheet: PourSheet, based: bool) -> str:
    """How the plan of batches is read."""
    said = "Numbers are " + (
        "batches" if isinstance(sheet.crew, Crew) and len(sheet.batches) <= MOST_NUMBERS
        else "strips"
    )  # fmt: skip
    taken = ", which was not given but taken" if sheet.leave_taken else ""
    said += f" in the order of the pour, from the far end to the exit (the arrow){taken}."
    if based:
        said += f" Along and across are measured from corner {corner_name(0)} of the pins."
    if sheet.bays > 1:
        named = "Strip 2.3 in the table" if said.startswith("Numbers are batches") else "Strip 2.3"
        said += f" {named} is the third of bay 2; thick lines are stop-ends."
    return said


def short_caption(sheet: PourSheet) -> str:
    """The same in the one line under a plan on paper, which has no room for more.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> from pourdatum.pour import Pump
    >>> short_caption(SimpleNamespace(crew=Pump(40.0), batches=(), bays=2, leave_taken=""))
    'Numbers: strips in their order (2.3: bay 2, third), the last at the arrow. Thick: stop-ends.'
    """
    by_batch = isinstance(sheet.crew, Crew) and len(sheet.batches) <= MOST_NUMBERS
    said = f"Numbers: {'batches' if by_batch else 'strips'} in their order"
    said += " (2.3: bay 2, third)" if sheet.bays > 1 and not by_batch else ""
    said += f", the last at the arrow{' (exit taken, not given)' if sheet.leave_taken else ''}."
    return said + (" Thick: stop-ends." if sheet.bays > 1 else "")


def _told(plan: Plan, sheet: PourSheet) -> list[object]:
    """Crew, time, edge, water, rolling and walking."""
    order, product = plan.order, plan.sheet
    count = len(strips(sheet))
    working = product.working_time_min
    said: list[object] = []
    if not plan.buildable:
        # It may lie at the mixer without the first page.
        said.append(
            el(
                "b",
                "The plan is not buildable as it stands: do not pour by this sheet. It is the "
                "plan as asked, in one layer; what stands in its way comes first.",
            )
        )
    if isinstance(sheet.crew, Crew):
        crew = sheet.crew
        people = crew.mixers + math.ceil(crew.mixers / 2) + 1
        said.append(
            f"{counted(len(sheet.batches), 'batch', 'batches')} of"
            f" {counted(crew.bags_per_batch, 'bag', 'bags')} in"
            f" {counted(count, 'strip', 'strips')}, one every"
            f" {crew.step_min:g} min: {clock_of(sheet.minutes)} h from the start of the first to"
            " the end of the last."
        )
        said += _opens_none(sheet)
        said.append(
            f"{people} people at least: {crew.mixers} mixing, {math.ceil(crew.mixers / 2)} carrying"
            " and one who spreads and rolls (common practice)."
        )
    else:
        said.append(
            f"{count} passes at {words.water(sheet.crew.litres_per_minute, plan.system, 0)} per"
            " minute:"
            f" {clock_of(sheet.minutes)} h of pumping{_hose(plan)}."
        )
        a_minute = bags_a_minute(plan)
        loaders = max(math.ceil(a_minute / _BAGS_A_MINUTE), 1)
        said.append(
            f"The pump takes {a_minute:.1f} bags a minute. {4 + loaders} people at least: one at"
            f" the pump, {loaders} opening bags (a silo saves them), one at the hose, one who"
            " spreads and one who rolls (common practice)."
        )
    age = f"The oldest edge that is met within a bay is {sheet.edge_age_min:.0f} min old"
    said.append(f"{age}; the working time is {working:g} min.")
    if sheet.leave_taken:
        said.append(
            [
                el("b", "Nobody said where the crew leaves"),
                (
                    f": {sheet.leave_taken} was taken, {_where(plan, sheet.leave_m)}. Look before"
                    " the first bag: another door changes the order of the batches."
                ),
            ]
        )
    if sheet.obstacle:
        said.append(el("b", f"The edge does not stay wet: {sheet.obstacle}."))
    if sheet.bays > 1:
        length = show_length(sum(line.length for line in sheet.stop_ends), plan.system)
        said.append(
            f"{sheet.bays} bays with {length} of stop-ends between them, at joints"
            f"{', borders of zones' if plan.zones else ''} or where the "
            "floor is too wide for one wet edge. Material of one lot to each bay."
        )
    if sheet.would_do is not None:
        enough = words.would_do(sheet.would_do, plan.system, joints=plan.parted)
        said.append(f"{enough[:1].upper()}{enough[1:]}.")
    if plan.zones:
        said.append(f"{_bays_of_zones(plan, sheet)}.")
    water = words.water(order.water_per_bag_l, plan.system, 2)
    said.append(
        f"Measure the water of every bag ({water}), mix whole bags only, and tip each batch where "
        "its number stands, against the edge before."
        if isinstance(sheet.crew, Crew)
        else f"Water at the pump as the bag says ({water} to each bag), and checked as often as it "
        "asks; lay each pass against the one before."
    )
    roll = min(_ROLL_MIN, working / 2)
    walk = product.walk_after_h
    said.append(
        f"Roll each batch within {roll:g} min (the bag decides)"
        + (f"; walk on the floor {_walked_on(plan, sheet, walk)}." if walk is not None else ".")
    )
    return said


def counted(number: int, one: str, several: str) -> str:
    """So many of a thing.

    Examples
    --------
    >>> counted(1, "batch", "batches"), counted(3, "batch", "batches")
    ('1 batch', '3 batches')
    """
    return f"{number} {one if number == 1 else several}"


def _opens_none(sheet: PourSheet) -> list[object]:
    """Batches that are what a bay before left of its last bag."""
    rests = [batch for batch in sheet.batches if batch.bags == 0]
    if not rests:
        return []
    each = ", ".join(f"{one.number} ({one.number - 1})" for one in rests)
    bags = sum(batch.bags for batch in sheet.batches)
    said = (
        f"{bags} bags in all: for batch {each} none is opened, it is what is left of the one"
        " before (its number in brackets), carried on to where the next bay begins."
    )
    return [said]


def _walked_on(plan: Plan, sheet: PourSheet, hours: float) -> str:
    """When the floor bears a foot; by the clock where the job says when the pour starts."""
    said = f"{hours:g} h after the last"
    if plan.day.start_min is None:
        return said
    return f"{said}, from {clock_of(sheet.minutes + 60.0 * hours, plan.day.start_min)} on"


def bags_a_minute(plan: Plan) -> float:
    """Bags that a pump takes in a minute; 0 for bags that are mixed by hand."""
    if plan.pour is None or isinstance(plan.pour.crew, Crew):
        return 0.0
    powder_kg = plan.pour.crew.litres_per_minute * plan.sheet.powder_kg_per_m2_mm
    return powder_kg * (1.0 + plan.order.waste) / plan.sheet.bag_kg


def _hose(plan: Plan) -> str:
    """What the hose takes."""
    day = plan.day
    if not day.hose_m3:
        return ", without what stays in the hose, which was not given"
    return (
        f", and {day.hose_min:.1f} min before to fill the hose: its"
        f" {show_volume(day.hose_m3, plan.system)} are in the bags to buy, and those minutes in the"
        " age of the edge"
    )


def _bays_of_zones(plan: Plan, sheet: PourSheet) -> str:
    """Which bays are in which zone, in the order of the pour."""
    outlines = [zone.outline for zone in plan.datum.zones]
    inside = in_zones(outlines, *np.array([batch.place_m for batch in sheet.batches]).T)
    found = []
    for zone, own in zip(plan.zones, inside, strict=True):
        bays = sorted({sheet.batches[k].bay for k in np.flatnonzero(own)})
        if bays:
            listed = f"bay{'s' if len(bays) > 1 else ''} {', '.join(f'{bay}' for bay in bays)}"
            found.append((bays[0], f"{listed} in {words.plain(zone.name, 40)}"))
    said = "; ".join(text for _, text in sorted(found))
    return said[:1].upper() + said[1:]
