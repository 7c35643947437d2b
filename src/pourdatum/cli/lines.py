"""A finished result as a few lines that a contractor reads aloud."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pourdatum.cli.prooflines import proof_rows, verdict_line
from pourdatum.controlwords import notes_on, to_read_again
from pourdatum.material import bags_needed, powder_mass_kg
from pourdatum.outcome import WIDE_SHARE, Check, Plan, Survey
from pourdatum.pour import Crew
from pourdatum.pumpday import clock_of
from pourdatum.report.flatness_block import flatness_rows
from pourdatum.report.steps_told import steps_told
from pourdatum.report.ways_block import crew_would_work, would_work
from pourdatum.report.words import (
    bag_mass,
    for_people,
    level,
    money,
    site_place,
    span,
    to_this_level,
    volume_span,
    water,
)
from pourdatum.report.zones_block import lowered
from pourdatum.units import MM, show_area, show_height, show_length, show_mass, show_volume

if TYPE_CHECKING:
    from pourdatum.grinding import Grinding
    from pourdatum.material import Order
    from pourdatum.outcome import ZonePlan
    from pourdatum.pour import PourSheet

CAUTION: Final = (
    "Cement burns skin and eyes, its dust and grinding dust harm lungs, a mixer catches hands. "
    "Have moisture and adhesion tested. The bag, local codes and licensed practice come first."
)
CAUTION_AFTER: Final = (
    "Grinding dust harms lungs. Have moisture and adhesion tested before a covering. "
    "The bag, local codes and licensed practice come first."
)
"""After a proof: the pour is done, and no mixer turns."""
_SILENT: Final = frozenset(
    {
        "zones",
        "not-buildable",
        "no-price",
        "criterion-not-known",
        "grind-not-priced",
        "grind-bound",
        "hose",
        "nibs",
        "control-loose",
    }
)
"""Warnings that stand in the lines already, or speak to programs."""
_IN_DOUBT: Final = "CONTROL IN DOUBT: "
_WORTH_SAYING: Final = 0.1
"""Share of the bags from which it is said what grinding would save; a choice."""
_BAYS: Final = 4
"""Bays whose material is listed in a line; the report has all."""


@dataclass(frozen=True)
class Told:
    """A finished result as its parts, for people.

    Attributes
    ----------
    first : tuple of str
        What is read before any figure.
    title : str
    rows : tuple of (str, str)
        Name and figures.
    obstacles, works : tuple of str
        Why a plan cannot be built as it stands, and what would work.
    notes : tuple of str
        Warnings, and what was assumed.
    """

    first: tuple[str, ...]
    title: str
    rows: tuple[tuple[str, str], ...]
    obstacles: tuple[str, ...]
    works: tuple[str, ...]
    notes: tuple[str, ...]


def told_of(outcome: Survey | Plan | Check) -> Told:
    """What is said of a finished result."""
    survey = outcome.survey
    if isinstance(outcome, Check):
        rows = [("verdict", verdict_line(outcome)), *proof_rows(outcome)]
    else:
        rows = _floor_rows(survey) + flatness_rows(survey)
        if isinstance(outcome, Plan):
            rows += _plan_rows(outcome)
        rows += _things_rows(outcome)
    # Litres of a floor in the wrong unit are read before any note below them.
    before = [f"ASSUMED: {survey.scan.unit_taken}"] if survey.scan.unit_taken else []
    fit = survey.surface.control
    first = None if fit is None else to_read_again(fit, survey.system)
    if first is not None:
        before.append(f"{_IN_DOUBT}{first}")
    notes = [
        for_people(item.code, item.text) for item in outcome.warnings if item.code not in _SILENT
    ]
    assumed = [text for text in survey.scan.assumptions if text != survey.scan.unit_taken]
    if survey.surface.control is not None:
        assumed += notes_on(survey.surface, survey.system)[1]
    notes += [f"assumed: {text}" for text in assumed]
    return Told(
        tuple(before),
        survey.title,
        tuple(rows),
        outcome.obstacles if isinstance(outcome, Plan) else (),
        tuple(_what_works(outcome)) if isinstance(outcome, Plan) and outcome.obstacles else (),
        tuple(notes),
    )


def result_lines(outcome: Survey | Plan | Check, folder: str, kinds: Sequence[str]) -> list[str]:
    """The lines printed after a command.

    Parameters
    ----------
    outcome : Survey, Plan or Check
    folder : str
        Result folder, as the user named it.
    kinds : sequence of str
        Kinds of file that were written.
    """
    told = told_of(outcome)
    lines = []
    for text in told.first:
        lines += [text, ""] if text.startswith(_IN_DOUBT) else [text]
    lines += [told.title] if told.title else []
    lines += [f"{name:<12} {text}" for name, text in told.rows]
    if told.obstacles:
        lines += ["", "NOT BUILDABLE AS IT STANDS:"]
        lines += [f"  {text}" for text in told.obstacles]
        lines += told.works
    if told.notes:
        lines += ["", "Note:"]
        lines += [f"  {text}" for text in told.notes]
    shown = {"report": "report.html", "result": "result.json"}
    name = next((shown[kind] for kind in ("report", "result") if kind in kinds), "")
    return [*lines, "", f"Results: {folder}/{name}", caution_of(outcome)]


def caution_of(outcome: Survey | Plan | Check) -> str:
    """What hurts people at the work that comes next."""
    return CAUTION_AFTER if isinstance(outcome, Check) else CAUTION


def _what_works(plan: Plan) -> list[str]:
    """What would work, of each zone that does not, where there are zones."""
    if not plan.zones:
        return [would_work(plan)] if plan.ways.each else []
    crew = crew_would_work(plan)
    return [
        *([f"What would work: {crew}"] if crew else []),
        *(
            f"In zone {zone.name}: {lowered(would_work(zone.plan))}"
            for zone in plan.zones
            if not zone.plan.buildable and zone.plan.ways.each
        ),
    ]


def _floor_rows(survey: Survey) -> list[tuple[str, str]]:
    system, figures, surface = survey.system, survey.figures, survey.surface
    z0_m = survey.origin_m[2]
    area = show_area(figures.area_m2, system)
    if surface.inferred_m2 > 0.005:
        area += f", {show_area(surface.inferred_m2, system)} of it hidden and inferred"
    if not math.isfinite(figures.mean_m):
        unknown = "not known: the scan has no vertical"
        return [("floor", area), ("levels", unknown), ("out of level", "not known")]
    below = show_height(figures.high_m - figures.low_m, system)
    slope = _per_length(figures.slope, system)
    if figures.tilt_95 is not None:
        slope += f" (to within {_per_length(figures.tilt_95, system, 2)})"
    stepped = steps_told(surface, system)
    slope += f"; {stepped}" if stepped else ""
    fit = surface.control
    control = []
    if fit is not None:
        took = f"{len(fit.used)} shots took out {_per_length(fit.tilt, system, 2)} of tilt"
        took += f" and {show_height(fit.warp_m, system)} of waves" if len(fit.used) > 3 else ""
        missed = fit.leave_one_out_rms_m
        told = (
            f"the others predict a shot to {show_height(missed, system)} (root mean square)"
            if missed is not None
            else "three shots leave nothing to check them by"
        )
        control = [("control", f"{took}; {told}")]
    return [
        ("floor", area),
        ("high point", level(figures.high_m + z0_m, system)),
        ("low point", f"{level(figures.low_m + z0_m, system)}, {below} below it"),
        ("out of level", slope),
        *control,
    ]


def _per_length(slope: float, system: str, decimals: int = 1) -> str:
    if system == "imperial":
        return f"{slope * 120:.{decimals + 1}f} in per 10 ft"
    return f"{slope * MM:.{decimals}f} mm per m"


def _expected(order: Order) -> str:
    """The bags expected, and how many of them over floor that somebody saw well."""
    if order.bags_expected == order.bags:
        return f"{order.bags} expected"
    return f"{order.bags_expected} expected, {order.bags} if no floor seen thinly stands higher"


def _for_what(order: Order) -> str:
    """What the water is for, where fewer bags are planned than expected."""
    return "in all" if order.bags_expected == order.bags else f"for {order.bags} bags"


def _plan_rows(plan: Plan) -> list[tuple[str, str]]:
    system, order, volume = plan.system, plan.order, plan.volume
    between = volume_span(*plan.volume_interval_m3, system)
    at_level = to_this_level(plan.volume_interval_m3, plan.level_interval_m3, system)
    depths = span(max(0.0, volume.min_depth_m), max(0.0, volume.max_depth_m), system)
    per_bag, in_all = water(order.water_per_bag_l, system, 2), water(order.water_l, system)
    powder = show_mass(order.powder_kg, system)
    bag = bag_mass(plan.sheet.bag_kg, system)
    sure = f"enough in {order.confidence * 100:g} % of cases"
    waste = f" with {order.waste * 100:g} % waste" if order.waste else ""
    rows = [
        ("datum", _datum_words(plan)),
        *(("zone", _zone_words(zone)) for zone in plan.zones),
        ("fill", f"{show_volume(volume.volume_m3, system)} ({between}, 95 %)"),
        *((("as set out", at_level),) if at_level else ()),
        ("depth", f"{depths}, mean {show_height(volume.mean_depth_m, system)}"),
        ("material", f"{plan.sheet.name}, {powder} of powder in bags of {bag}"),
        ("bags", f"{_expected(order)}{waste}, buy {order.bags_to_buy} ({sure})"),
        *_doubt(plan),
        ("water", f"{per_bag} to each bag, {in_all} {_for_what(order)}"),
    ]
    if order.primer_l is not None:
        rows.append(("primer", water(order.primer_l, system)))
    if plan.pour is not None:
        rows.append(("pour", _pour_words(plan.pour)))
        rows += _exit_rows(plan, plan.pour)
        rows += _day_rows(plan)
    if plan.pins.pins:
        rows.append(("pins", _pins_words(plan)))
    if order.cost is not None:
        rows.append(("cost", _cost_words(plan)))
    waiting = [name for name, said in plan.tests.entries if not said]
    if waiting:
        rows.append(("open", f"{', '.join(waiting)}: the order is subject to them"))
    return rows


def _doubt(plan: Plan) -> list[tuple[str, str]]:
    """That the bags are no order yet, where the fill is known too poorly."""
    if not plan.in_doubt:
        return []
    known = f"the fill is not known to {100 * WIDE_SHARE:g} %"
    return [("order", f"not by these bags yet: {known}, and why stands below")]


def _cost_words(plan: Plan) -> str:
    """The bags expected; with primer and grinding where they are priced."""
    order, whole = plan.order, plan.besides.cost
    assert order.cost is not None
    same = order.bags_expected == order.bags
    said = f"{order.cost:.2f} for the {'bags expected' if same else f'{order.bags} bags'}"
    more = ["primer"] * (order.primer_cost is not None)
    more += ["grinding"] * (plan.grinding is not None and bool(plan.grinding.ground))
    if whole is None or not more:
        return said
    return f"{said}, {whole:.2f} with {' and '.join(more)}"


def _day_rows(plan: Plan) -> list[tuple[str, str]]:
    """What must be at the pump by when, and what stays in the hose; none for bags by hand."""
    day = plan.day
    if plan.pour is None or isinstance(plan.pour.crew, Crew):
        return []
    when = "from" if day.deliveries_min else "by"
    listed = [
        f"{bay.bags} bags {when} {clock_of(bay.by_min, day.start_min)} for bay {bay.number}"
        f" ({bay.whole_min} min)"
        for bay in day.bays
    ]
    more = f"; and {len(listed) - _BAYS} more" if len(listed) > _BAYS else ""
    rows = [("at the pump", "; ".join(listed[:_BAYS]) + more)]
    if day.deliveries_min:
        times = [clock_of(at, day.start_min) for at in day.deliveries_min]
        last = f" to {times[-1]}" if len(times) > _BAYS else ""
        said = f"{len(times)}, at the latest at {', '.join(times[:_BAYS])}{last}"
        rows.append(("deliveries", said))
    if day.hose_m3:
        left = show_volume(day.hose_m3, plan.system)
        rows.append(("hose", f"{left} stay in it: {day.hose_bags} of the bags to buy"))
    return rows


def _pour_words(sheet: PourSheet) -> str:
    """Batches, bays, hours, and how old the edge gets."""
    what = "batches" if isinstance(sheet.crew, Crew) else "passes"
    count = len(sheet.batches)
    said = f"{count} {what if count != 1 else what.removesuffix('es')}"
    said += f" in {sheet.bays} bays" if sheet.bays > 1 else ""
    hours, minutes = divmod(math.floor(sheet.minutes), 60)
    return f"{said}, {hours}:{minutes:02d} h; the oldest edge is {sheet.edge_age_min:.0f} min old"


def _exit_rows(plan: Plan, sheet: PourSheet) -> list[tuple[str, str]]:
    """Where the crew leaves, if that was taken for granted: the order of the pour hangs on it."""
    if not sheet.leave_taken:
        return []
    at = site_place(sheet.leave_m, plan.origin_m, plan.system)
    said = f"not given: taken at ({at}), {sheet.leave_taken}; all batches run to it"
    return [("exit", said)]


def _pins_words(plan: Plan) -> str:
    """How many, how far apart, and what the laser is set to."""
    pins, system = plan.pins, plan.system
    said = f"{len(pins.pins)}, {show_length(pins.spacing_m, system)} apart or less"
    if pins.mark_m is None:
        return said
    return f"{said}; laser at a mark at {level(pins.mark_m + plan.origin_m[2], system)}"


def _zone_words(zone: ZonePlan) -> str:
    plan = zone.plan
    between = volume_span(*plan.volume_interval_m3, plan.system)
    return (
        f"{zone.name}: {show_area(plan.volume.outline_m2, plan.system)} to {_datum_words(plan)};"
        f" {show_volume(plan.volume.volume_m3, plan.system)} ({between}, 95 %), {zone.bags}"
        f" bag{'s' if zone.bags != 1 else ''}"
    )


def _datum_words(plan: Plan) -> str:
    if plan.zones:
        return f"{len(plan.zones)} zones, each to its own" if len(plan.zones) > 1 else "of the zone"
    datum, system = plan.datum, plan.system
    z = level(datum.plane.z0_m + plan.origin_m[2], system)
    match datum.kind:
        case "high-point":
            ground = "the floor as ground" if datum.lowered_m else "the high point"
            return f"{z}, level, {show_height(datum.least_m, system)} over {ground}"
        case "level":
            return f"{z}, level, as given"
        case "parallel":
            return "parallel to the floor: flat, not level"
        case _:
            return f"falling {_per_length(datum.plane.slope, system)}"


def _grind_words(plan: Plan, grinding: Grinding) -> str:
    """What is ground and what that saves, or that nothing is."""
    system, count = plan.system, len(grinding.ground)
    if not count:
        return "nothing: at these prices filling alone is the cheapest"
    off = water(grinding.volume_m3 * MM, system)
    held = "" if grinding.bound is None else f"; held by the {grinding.bound}"
    less = grinding.unground_cost - grinding.cost
    if plan.zones:
        return (
            f"{count} hump{'s' if count != 1 else ''}, {off} from"
            f" {show_area(grinding.area_m2, system)} in all zones, saves"
            f" {show_volume(grinding.saved_m3, system)} {_saved(less)}, powder by weight, with"
            f" one set-up{held}"
        )
    return (
        f"{count} hump{'s' if count != 1 else ''}, {off} from"
        f" {show_area(grinding.area_m2, system)}: datum"
        f" {show_height(plan.datum.lowered_m, system)} lower, saves"
        f" {show_volume(grinding.saved_m3, system)} {_saved(less)}, powder by weight{held}"
    )


def _saved(less: float) -> str:
    """Money that grinding saves, or costs where a limit asks for it."""
    return f"and {money(less)}" if less >= 0.0 else f"and costs {money(-less)} more"


def _things_rows(outcome: Survey | Plan) -> list[tuple[str, str]]:
    system, rows = outcome.system, []

    def at(place_m: tuple[float, float]) -> str:
        return f"({site_place(place_m, outcome.origin_m, system)})"

    if isinstance(outcome, Plan) and outcome.grinding is not None:
        rows.append(("grind", _grind_words(outcome, outcome.grinding)))
    if isinstance(outcome, Plan) and outcome.humps:
        listed = [
            f"{show_height(h.height_m, system)} at {at(h.place_m)}" for h in outcome.humps[:3]
        ]
        rows.append(("humps", _counted(len(outcome.humps), listed)))
        if outcome.grinding is None:
            rows += _saving_rows(outcome, at)
    pockets = [piece for piece in outcome.floor.pieces if piece.is_pocket]
    if pockets:
        listed = [
            f"{show_area(piece.area_m2, system)}, {show_height(-piece.rise_m, system)} below the"
            f" floor around, at {at(piece.place_m)}"
            for piece in pockets[:3]
        ]
        rows.append(("pockets", _counted(len(pockets), listed)))
    openings = outcome.floor.openings
    if openings:
        listed = [f"{show_area(o.area_m2, system)} at {at(o.place_m)}" for o in openings[:3]]
        rows.append(("to block", _counted(len(openings), listed)))
    nibs = outcome.surface.nibs
    if nibs:
        listed = [f"{show_height(n.height_m, system)} at {at(n.place_m)}" for n in nibs[:3]]
        rows.append(("to chip off", _counted(len(nibs), listed)))
    return rows + _advice_rows(outcome.survey, at)


def _saving_rows(plan: Plan, at: Callable[[tuple[float, float]], str]) -> list[tuple[str, str]]:
    """The bags that grinding would save for the fewest humps, where no price weighs it."""
    saving = sorted(
        (hump for hump in plan.humps if math.isfinite(hump.saves_m3) and hump.saves_m3 > 0.0),
        key=lambda hump: hump.saves_m3,
    )
    if not saving or plan.datum.kind != "high-point":
        return []
    order, sheet = plan.order, plan.sheet

    def bags_saved(saves_m3: float) -> int:
        powder = powder_mass_kg(
            max(plan.volume.volume_m3 - saves_m3, 0.0), sheet.powder_kg_per_m2_mm
        )
        return order.bags - bags_needed(powder, sheet.bag_kg, order.waste)

    number, hump = max(enumerate(saving, 1), key=lambda one: bags_saved(one[1].saves_m3) / one[0])
    saved = bags_saved(hump.saves_m3)
    if saved < _WORTH_SAYING * order.bags:
        return []
    which = f"the hump at {at(hump.place_m)}" if number == 1 else f"the {number} highest humps"
    said = (
        f"{saved} of the {order.bags} bags if {which} came off; what grinding costs is not given"
        " ([grind] in the job)"
    )
    return [("would save", said)]


def _advice_rows(survey: Survey, at: Callable[[tuple[float, float]], str]) -> list[tuple[str, str]]:
    rows = []
    again = [item for item in survey.advice if item.kind == "scan-again"]
    if again:
        listed = [
            f"{show_area(item.area_m2, survey.system)} at {at(item.place_m)}" for item in again[:3]
        ]
        rows.append(("scan again", _counted(len(again), listed)))
    shots = [item for item in survey.advice if item.kind == "control-shot"]
    if shots:
        listed = [at(item.place_m) for item in shots[:3]]
        rows.append(("take shots", _counted(len(shots), listed)))
    return rows


def _counted(count: int, listed: list[str]) -> str:
    more = f"; and {count - len(listed)} more" if count > len(listed) else ""
    return f"{count}: {'; '.join(listed)}{more}"
