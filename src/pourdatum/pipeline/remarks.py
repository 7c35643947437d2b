"""What is said beside the figures: warnings, assumptions, who measured with what."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import PurePath
from typing import TYPE_CHECKING, Final

from pourdatum.material import BAG_YIELD_SHARE, POUR_ACCURACY_M
from pourdatum.outcome import WIDE_SHARE, Notes, Warned
from pourdatum.pipeline.floor_words import floor_found
from pourdatum.pipeline.pinned import pin_assumptions, pin_warnings
from pourdatum.pipeline.poured import pour_assumptions, pour_warnings
from pourdatum.promise import interval_with_shots
from pourdatum.report.grind_block import DUST
from pourdatum.report.words import site_place
from pourdatum.report.zones_block import step_told
from pourdatum.spotpoint import HUMP_EVERY_M2, HUMP_M
from pourdatum.units import (
    MM,
    System,
    show_area,
    show_height,
    show_length,
    show_limit,
    show_size,
    show_volume,
)

if TYPE_CHECKING:
    from pourdatum.job import Job
    from pourdatum.outcome import Plan, ZonePlan
    from pourdatum.scan import Scan
    from pourdatum.stripes import Stripes
    from pourdatum.surface import Surface

_MUCH_NARROWER: Final = 0.67
"""Share of an interval's width that control would leave, up to which it is worth saying."""

_SQUARE_M: Final = 0.1
_LEAST_UNZONED_M2: Final = 0.01

_TELLING_POINTS: Final = 8
"""Points in a square of 100 mm below which an empty one means little."""
_THIN_SHARE: Final = 0.1
_UNSEARCHED_SHARE: Final = 0.03
_TOLD_M: Final = 0.0002
"""Less is not said of a mean [m]."""


def with_base_names(scan: Scan) -> Scan:
    """The scan with files by their names alone: a result tells nothing of the machine."""
    names = {item.file: PurePath(item.file).name for item in scan.inputs}

    def shortened(text: str) -> str:
        for path, name in names.items():
            text = text.replace(path, name)
        return text

    return replace(
        scan,
        inputs=tuple(replace(item, file=names[item.file]) for item in scan.inputs),
        assumptions=tuple(shortened(text) for text in scan.assumptions),
        warnings=tuple((code, shortened(text)) for code, text in scan.warnings),
    )


def floor_warnings(surface: Surface, system: System = "metric") -> list[Warned]:
    """What the scan itself, its openings and nibs give to think about."""
    found = [Warned(code, text) for code, text in with_base_names(surface.floor.scan).warnings]
    blind = sum(opening.depth_m is None for opening in surface.floor.openings)
    if blind:
        found.append(
            Warned(
                "opening-depth",
                f"nothing was seen inside {blind} of the openings: depth_mm is null",
            )
        )
    found += floor_found(surface, system)
    thin = _thin_share(surface) if surface.between is None else 0.0
    if thin > _THIN_SHARE:
        found.append(
            Warned(
                "thin-scan",
                f"over {thin:.0%} of the floor the scan has fewer than {_TELLING_POINTS} points in"
                f" a square of {show_size(_SQUARE_M, system)}: openings of that size may be missed"
                " there",
            )
        )
    if surface.stripes.error_m > 0.0:
        set_ups = len(surface.floor.scan.stations)
        found.append(Warned("stripes", _stripes_told(surface.stripes, set_ups, system)))
    if surface.ripple.error_m > 0.0:
        found.append(Warned("ripple", _ripple_told(surface.ripple, system)))
    if surface.nibs:
        found.append(
            Warned("nibs", f"small solid spots to chip off before the pour: {len(surface.nibs)}")
        )
    if surface.ridges:
        found.append(Warned("ridges", _ridges_told(surface, system)))
    return found


def _ridges_told(surface: Surface, system: System) -> str:
    """Ridges that the high point may not have in it."""
    high = max(surface.ridges, key=lambda line: line.height_m)
    at = site_place(high.place_m, surface.origin_m, system)
    more = f", and {len(surface.ridges) - 1} more" if len(surface.ridges) > 1 else ""
    return (
        f"a ridge about {show_height(high.height_m, system)} high and"
        f" {show_length(high.length_m, system)} long at ({at}){more} is too narrow for this scan's"
        " heights, and not all of it is in the high point: grind it off before the pour, damped or"
        " with extraction, or check that the pour covers it"
    )


def _stripes_told(stripes: Stripes, set_ups: int, system: System) -> str:
    wanted = (
        f"and the {set_ups} set-ups see too little of them in common to show whether they are ribs"
        " of the floor: a pass in another direction would"
        if set_ups > 1
        else "and a second pass in another direction, or another set-up in a file of its own, would"
        " show whether they are ribs of the floor"
    )
    whose = (
        "and set-ups do not see them alike, so they are the scan's"
        if stripes.owner == "scan"
        else f"{wanted}; flatness is decided only where both come to the same"
    )
    return (
        f"sweeps of the scan differ: stripes about {show_size(stripes.width_m, system)} wide,"
        f" along {_along(stripes)} from +y, lie {show_height(stripes.error_m, system)} higher or"
        f" lower than one another (one standard deviation); the intervals allow for that, {whose}"
    )


def _ripple_told(ripple: Stripes, system: System) -> str:
    if ripple.regular:
        # From crest to trough of a sine of this standard deviation.
        high = show_height(2.0 * math.sqrt(2.0) * ripple.error_m, system)
        return (
            f"the floor ripples: ridges {show_size(2.0 * ripple.width_m, system)} apart, along"
            f" {_along(ripple)} from +y, about {high} from crest to trough; so even a ripple counts"
            " as floor, which a straightedge across it would show"
        )
    return (
        f"the floor has ribs about {show_size(ripple.width_m, system)} wide, along"
        f" {_along(ripple)} from +y, {show_height(ripple.error_m, system)} higher or lower than one"
        " another (one standard deviation): set-ups see them alike, so they count as floor"
    )


def _along(stripes: Stripes) -> str:
    # The bearing is that across them, from x towards y; people are given the way along.
    return f"{math.degrees(-stripes.bearing_rad) % 180.0:.0f}°"


def _thin_share(surface: Surface) -> float:
    """Share of the seen floor in which points are too few to tell a small opening."""
    from scipy.ndimage import uniform_filter

    cell_m = surface.grid.cell_m
    size = 2 * round(0.15 / cell_m) + 1
    density = uniform_filter(surface.count.astype(float), size, mode="nearest") / cell_m**2
    seen = surface.measured
    return float((density[seen] < _TELLING_POINTS / 0.1**2).mean()) if seen.any() else 0.0


def unused_keys(job: Job) -> list[Warned]:
    """Keys that were given, are sound, and do not enter the figures of this version."""
    datums = [("datum", job.datum), *((f'zone "{zone.name}"', zone) for zone in job.zone)]
    found = [
        Warned("datum-key-unused", f'{name}.{key} is not used with kind = "{datum.kind}"')
        for name, datum in datums
        for key in datum.unused()
    ]
    if job.criteria_set_aside:
        asked = ", ".join(job.criteria_set_aside)
        found.append(
            Warned(
                "criteria-set-aside",
                f"not judged: {asked} of the job, for --criterion stands in the place of the job's"
                " criteria; give all that count with it",
            )
        )
    pour = job.pour
    return found + [
        Warned("pour-key-unused", f'pour.{key} is not used with mode = "{pour.mode}"')
        for key in pour.unused()
    ]


def criteria_not_used(job: Job) -> list[Warned]:
    """Criteria that were asked for, word for word."""
    if not job.criteria:
        return []
    asked = ", ".join(job.criteria)
    said = f"a plan is not held against flatness by {asked}: survey does that for the bare slab"
    return [Warned("criterion-not-used", said)]


def plan_warnings(plan: Plan, job: Job) -> list[Warned]:
    """What a plan leaves open or null, and why it may not be buildable."""
    found = [Warned("not-buildable", text) for text in plan.obstacles]
    sheet, absorbency = plan.sheet, job.preparation.absorbency
    if plan.order.primer is None:
        lacking = f"for a substrate that is {absorbency}" if sheet.primer else "at all"
        found.append(Warned("no-primer", f"the sheet names no primer {lacking}: primer_l is null"))
    found += _substrate_told(plan, job)
    unsearched_m2 = plan.datum.unsearched_m2
    if plan.surface.between is not None:
        found.append(
            Warned(
                "high-point-between-shots",
                ("the highest shot sets the datum; " if plan.datum.high_place_m else "")
                + "the floor between shots was not seen and may be higher: check it with a"
                " straightedge, and take levels on what stands out",
            )
        )
    elif unsearched_m2 > _UNSEARCHED_SHARE * plan.floor.area_m2:
        found.append(
            Warned(
                "high-point-unsearched",
                f"{show_area(unsearched_m2, plan.system)} of the floor was seen too thinly to "
                "be looked through for"
                f" the high point: higher floor there would raise the datum{_by_how_much(plan)};"
                " scan it again from closer or check it with a straightedge",
            )
        )
    found += _narrower(plan)
    if plan.in_doubt:
        found.append(
            Warned(
                "wide-interval",
                f"the fill is not known to {WIDE_SHARE * 100:g} %{_closer(plan)} before ordering",
            )
        )
    if plan.order.cost is None:
        found.append(Warned("no-price", "no price per bag is given: cost is null"))
    found += _grinding_told(plan)
    wait = sheet.cover_hours(plan.volume.max_depth_m)
    if wait is None:
        found.append(
            Warned("no-cover-time", "the sheet does not say when the floor may be covered")
        )
    found += pin_warnings(plan)
    found += pour_warnings(plan, job)
    found += criteria_not_used(job)
    return found + _zones_told(plan)


def _by_how_much(plan: Plan) -> str:
    """What floor that nobody searched is likely to do to the datum."""
    higher_m = plan.datum.higher_mean_m
    if higher_m < _TOLD_M:
        return ""
    return f", on average by {show_height(higher_m, plan.system)}"


def _zones_told(plan: Plan) -> list[Warned]:
    """What zones leave out, where they end, and that the whole has no level of its own."""
    if not plan.zones:
        return []
    system = plan.system
    found = [Warned("zones", "the floor has a datum for each zone: z_m of the whole is null")]
    if plan.unzoned_m2 > _LEAST_UNZONED_M2:
        found.append(
            Warned(
                "zones-leave-floor",
                f"{show_area(plan.unzoned_m2, system)} of the floor lie in no zone: nothing is"
                " ordered for it and nothing poured; the zones end there at stop-ends",
            )
        )
    for border in plan.borders:
        first, second = (plan.zones[k].name for k in (border.first, border.second))
        found.append(
            Warned(
                "zone-step",
                f"zones {first} and {second} meet over {show_length(border.length_m, system)},"
                f" {step_told(second, border, plan)}: a stop-end there",
            )
        )
    return found


def _substrate_told(plan: Plan, job: Job) -> list[Warned]:
    """A substrate that the sheet does not name among those that it goes on."""
    stated, named = job.preparation.substrate, plan.sheet.substrates
    if not stated or not named or stated.casefold() in {one.casefold() for one in named}:
        return []
    return [
        Warned(
            "substrate-not-on-sheet",
            f"the substrate is {stated}, and {plan.sheet.name} goes on {', '.join(named)}: ask its"
            " maker what this one needs before you order",
        )
    ]


def _grinding_told(plan: Plan) -> list[Warned]:
    """Why grinding was not weighed, what binds it, and the dust where it is proposed."""
    if plan.grind_lacks:
        return [Warned("grind-not-decided", f"{lack}; worth is null") for lack in plan.grind_lacks]
    grinding = plan.grinding
    if grinding is None:
        said = "grinding is not planned: humps are listed, worth is null"
        return [Warned("grind-not-priced", said)] if plan.humps else []
    found = []
    greatest = show_limit(plan.sheet.greatest_m, plan.system)
    if not grinding.reached:
        found.append(
            Warned(
                "grind-too-deep-still",
                f"no grinding that is allowed brings the floor within {greatest}: it is weighed by"
                " its cost alone",
            )
        )
    if grinding.bound is not None:
        why = {
            "deepest grind": "the deepest grind allowed: deeper would cost less",
            "greatest depth": f"{greatest}, the greatest depth of the material: a higher datum"
            " would cost less",
        }
        found.append(Warned("grind-bound", f"the datum is held by {why[grinding.bound]}"))
    if grinding.unseen_m >= grinding.held_m > 0.0:
        found.append(
            Warned(
                "grind-unseen-low",
                f"floor that nobody saw may lie {show_height(grinding.unseen_m, plan.system)} lower"
                f" than the floor that the {greatest} are measured from, and be deeper than that:"
                " look under what stands there, or scan it",
            )
        )
    if grinding.ground:
        found.append(Warned("grind-dust", DUST[:1].lower() + DUST[1:-1]))
    return found


def _narrower(plan: Plan) -> list[Warned]:
    """What control shots would make of the interval, where they would make it much narrower."""
    shots = [one.place_m for one in plan.survey.advice if one.kind == "control-shot"]
    if plan.surface.control is not None or plan.surface.between is not None or len(shots) < 3:
        return []
    if plan.zones:
        return []  # The promise is made for one datum; each zone keeps its own interval.
    now_m3, then_m3 = (
        (high - low) / 2
        for low, high in (
            plan.volume_interval_m3,
            interval_with_shots(plan.surface, plan.datum, plan.volume, shots),
        )
    )
    if then_m3 > _MUCH_NARROWER * now_m3:
        return []
    fill_m3 = max(plan.volume.volume_m3, 1e-12)
    now, then = (show_volume(half_m3, plan.system) for half_m3 in (now_m3, then_m3))
    return [
        Warned(
            "control-narrows",
            f"the fill is known to ± {now}, mostly because of the scan's own tilt and bend:"
            f" {len(shots)} levels by laser or staff at the places listed (--control) would bring"
            f" it to about ± {then}, {then_m3 / fill_m3:.0%} of the fill",
        )
    ]


def plan_assumptions(plan: Plan, job: Job) -> list[str]:
    """What a plan takes for granted."""
    system = plan.system
    accuracy, bag_yield = show_limit(POUR_ACCURACY_M, system), BAG_YIELD_SHARE * 100
    least = show_limit(plan.sheet.least_m, system)
    parts = f"pouring accuracy {accuracy} over the floor and bag yield {bag_yield:g} %"
    sure = f"one-sided confidence {plan.order.confidence:g}"
    said = [f"bags_to_buy: {parts}, one standard uncertainty each, {sure}"]
    if plan.order.primer is not None and "absorbency" not in job.preparation.model_fields_set:
        said.append(f"primer: substrate taken as {job.preparation.absorbency}")
    if plan.removal_m or plan.roughness_m:
        said.append(
            f"preparation: floor taken as {show_limit(plan.removal_m, system)} lower and "
            f"{show_limit(plan.roughness_m, system)} rough before the pour"
        )
    if plan.grinding is not None:
        said.append(_grinding_assumed(plan, job))
    said += [_zone_assumed(zone) for zone in plan.zones]
    if plan.datum.kind == "high-point":
        ground = "highest floor left after grinding" if plan.datum.lowered_m else "highest floor"
        said.append(f"datum: {ground} and the least depth of {least}")
        if plan.surface.between is not None:
            said.append(
                f"datum: between the shots one hump on every {show_area(HUMP_EVERY_M2, system)} is "
                "allowed for that no shot felt, one in ten of them over "
                f"{show_limit(HUMP_M, system)}; a datum given as a level does not hang on them"
            )
    return [*said, *pin_assumptions(plan, job), *pour_assumptions(plan, job)]


def _zone_assumed(zone: ZonePlan) -> str:
    """How a zone's datum was found."""
    own = zone.plan
    how = {
        "high-point": f"its highest floor and the least depth of "
        f"{show_limit(own.sheet.least_m, own.system)}",
        "level": "a level as given",
        "parallel": "parallel to its floor",
        "fall": "a fall as given",
    }[own.datum.kind]
    return f"zone {zone.name}: datum: {how}"


def _grinding_assumed(plan: Plan, job: Job) -> str:
    """Prices that count as nothing, and how deep may be ground."""
    prices = ("price_per_m2", "price_per_m2_mm", "setup_price")
    none = [name for name in prices if getattr(job.grind, name) is None]
    said = "grinding: "
    if none:
        said += f"no {', '.join(none)} is given and counts as nothing; "
    deepest = job.grind.max_depth_mm
    if deepest is None:
        return said + "no deepest grind is given, so the slab's cover and its top layer do not bind"
    return said + f"at most {show_limit(deepest / MM, plan.system)} is taken off anywhere"


def survey_notes(job: Job) -> Notes:
    """Who measured with what, in print order."""
    given = job.survey.model_dump()
    return Notes(tuple((name.replace("_", " "), str(value)) for name, value in given.items()))


def _closer(plan: Plan) -> str:
    """What makes a fill surer, by what was measured already."""
    if plan.surface.between is not None:
        return ": take levels closer together"
    if plan.surface.control is not None:
        return " even with the control shots: take more of them, spread over the floor,"
    return ": check levels at a few places by laser or staff"
