"""A floor in zones as one plan: each zone to its own datum, then all of them added up.

Every zone is planned as a floor of its own, on the same scan: what the scan may be out by is
the same in all of them, so the interval of the whole is that of the sum, drawn together. Set-up
of grinding is paid once, whichever zones are ground.
"""

from __future__ import annotations

import math
from concurrent.futures import Future
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.buying import buy_besides, edge_strip_m
from pourdatum.datum import Datum, ZoneDatum, choose_datum
from pourdatum.errors import JobError, NoFloor
from pourdatum.grinding import Grinding
from pourdatum.lifts import Lift
from pourdatum.openends import open_ends_m
from pourdatum.outcome import Plan, Survey, ZonePlan
from pourdatum.outline_file import place_to_local
from pourdatum.pipeline.compared import besides_of, grind_prices, ways_of
from pourdatum.pipeline.onedatum import (
    check_far,
    datum_request,
    grinding_lacks,
    ordered,
    poured,
    wants_grinding,
    weighed,
)
from pourdatum.pipeline.pinned import pins_of
from pourdatum.pipeline.poured import bags_of_zones, day_of, pour_obstacles, sheet_of
from pourdatum.shareddraws import interval_of
from pourdatum.spread import (
    draws_to_buy_m3,
    fill_draws_m3,
    level_draws_m3,
    level_interval_m3,
    raised_low_m3,
    rise_m,
    unsure_m3,
)
from pourdatum.volume import Volume
from pourdatum.way import Way, Ways
from pourdatum.zones import borders_of, cut_zones, part_of, uncovered

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.buying import Besides
    from pourdatum.job import Job
    from pourdatum.jobfloor import ZoneSection
    from pourdatum.material import Sheet
    from pourdatum.scan import Scan
    from pourdatum.surface import Surface

_AT_EDGE_M: Final = 0.02
"""The end of a zone as near to the edge of the floor runs along it [m]."""


def plan_zones(
    prepared: Surface, poured_on: Surface, sheet: Sheet, job: Job, survey: Future[Survey]
) -> Plan:
    """The floor to the datums of its zones.

    Parameters
    ----------
    prepared, poured_on : Surface
        The top of the floor, which sets a datum, and its mean, which is filled.
    sheet : Sheet
    job : Job
        With zones.
    survey : Future of Survey
        Of the whole floor.

    Raises
    ------
    JobError
        If zones lie over one another or off the floor, or levels were shot singly.
    NoFloor
        If the high point of a zone was not seen.
    """
    if poured_on.between is not None:
        raise JobError(
            "levels that were shot singly are not planned in zones",
            where="zone",
            hint="plan each zone by --outline, or scan the floor",
            id="zones-of-shots",
        )
    floor = poured_on.floor.outline
    shapes = cut_zones([_drawn(zone, prepared.floor.scan) for zone in job.zone], floor)
    jobs = [job.model_copy(update={"datum": zone, "zone": ()}) for zone in job.zone]
    tops = [part_of(prepared, shape.outline) for shape in shapes]
    means = [part_of(poured_on, shape.outline) for shape in shapes]
    datums = [
        _datum_of(top, one, sheet, number)
        for number, (top, one) in enumerate(zip(tops, jobs, strict=True), 1)
    ]
    lacks = [grinding_lacks(one, sheet, mean) for one, mean in zip(jobs, means, strict=True)]
    weigh = [wants_grinding(job) and not lack for lack in lacks]
    ground = _ground_together(means, datums, jobs, sheet, weigh)
    datums = [
        datum if one is None else one.datum for datum, one in zip(datums, ground, strict=True)
    ]
    own = []
    for mean, top, datum, one, grinding in zip(means, tops, datums, jobs, ground, strict=True):
        plan = poured(mean, datum, sheet, one, survey, grinding)
        plan = replace(plan, ways=ways_of(plan, one, top))
        own.append(replace(plan, besides=besides_of(plan)))
    zones = tuple(ZonePlan(shape.name, plan, 0) for shape, plan in zip(shapes, own, strict=True))
    whole = _added(zones, poured_on, sheet, job, survey.result())
    whole = replace(
        whole,
        grind_lacks=_lacks_told(zones, lacks) if wants_grinding(job) else (),
        pins=pins_of(whole.surface, whole.datum, job, whole.borders),
        unzoned_m2=float(uncovered(shapes, floor).area),
    )
    whole = replace(whole, pour=sheet_of(whole, job))
    whole = replace(whole, day=day_of(whole, job))
    opened = bags_of_zones(whole)
    zones = tuple(replace(zone, bags=bags) for zone, bags in zip(zones, opened, strict=True))
    whole = replace(whole, zones=zones)
    whole = replace(whole, ways=_ways(whole, job))
    whole = replace(whole, obstacles=(*whole.obstacles, *pour_obstacles(whole, job)))
    return replace(whole, besides=_besides(whole))


def _drawn(zone: ZoneSection, scan: Scan) -> tuple[str, Polygon]:
    import shapely

    return zone.name, shapely.Polygon([place_to_local(one, scan.frame) for one in zone.points])


def _datum_of(top: Surface, job: Job, sheet: Sheet, number: int) -> Datum:
    request = datum_request(job, top.floor.scan, top.origin_m[2])
    try:
        datum = choose_datum(top, request, sheet.least_m)
    except NoFloor as lacking:
        raise NoFloor(
            f"in zone {number}, {job.datum.name}: {lacking.message}",  # type: ignore[attr-defined]
            where=f"zone[{number}]",
            hint=lacking.hint,
            id=lacking.id,
        ) from None
    check_far(top, datum, f"zone[{number}].z_m")
    return datum


def _ground_together(
    surfaces: list[Surface],
    datums: list[Datum],
    jobs: list[Job],
    sheet: Sheet,
    weigh: list[bool],
) -> list[Grinding | None]:
    """Grinding of each zone, at the least cost of all: the set-up is paid once.

    Without the set-up zones do not hang on one another. It is worth its sum if what all of them
    save is more, or if a zone must be ground to come within the material's depth.
    """
    floors = list(zip(surfaces, datums, jobs, weigh, strict=True))

    def each(setup: float | None) -> list[Grinding | None]:
        return [
            weighed(surface, datum, sheet, job, setup=setup) if wanted else None
            for surface, datum, job, wanted in floors
        ]

    found = each(0.0)
    some = [one for one in found if one is not None and one.ground]
    setup = jobs[0].grind.setup_price or 0.0
    saved = math.fsum(one.unground_cost - one.cost for one in some)
    if not some or saved > setup or any(one.too_deep_m is not None for one in some):
        return found
    # No zone saves alone what all together do not.
    return each(setup)


def _lacks_told(zones: tuple[ZonePlan, ...], lacks: list[tuple[str, ...]]) -> tuple[str, ...]:
    """What is missing for weighing grinding: once where it is missing everywhere."""
    common = [lack for lack in lacks[0] if all(lack in own for own in lacks)]
    told = [
        f"zone {zone.name}: {lack}"
        for zone, own in zip(zones, lacks, strict=True)
        for lack in own
        if lack not in common
    ]
    return (*common, *told)


def _added(
    zones: tuple[ZonePlan, ...], poured_on: Surface, sheet: Sheet, job: Job, survey: Survey
) -> Plan:
    """The whole of the zones: fill, interval, order, humps, what stands in the way."""
    plans = [zone.plan for zone in zones]
    parts = tuple(ZoneDatum(plan.floor.outline, plan.datum) for plan in plans)
    borders = borders_of(parts, poured_on.floor.outline)
    volume = _volumes_added([plan.volume for plan in plans])
    draws = [fill_draws_m3(plan.surface, plan.datum, plan.volume) for plan in plans]
    low_m3, high_m3 = interval_of(volume.volume_m3, np.sum(draws, axis=0))
    doubt_m3 = math.fsum(unsure_m3(plan.surface, plan.volume) for plan in plans)
    low_m3 -= doubt_m3
    raised_m3 = math.fsum(plan.volume.area_m2 * plan.datum.ends_moved_m[0] for plan in plans)
    low_m3 = raised_low_m3(low_m3, volume.volume_m3, raised_m3)
    high_m3 += math.fsum(plan.volume.area_m2 * rise_m(plan.datum) for plan in plans)
    interval = (max(low_m3, 0.0), high_m3)
    at_level = [level_draws_m3(plan.surface, plan.datum, plan.volume) for plan in plans]
    known = [own for own in at_level if own is not None]
    to_buy = np.sum(
        [
            draws_to_buy_m3(own, plan.datum, plan.volume)
            for own, plan in zip(draws, plans, strict=True)
        ],
        axis=0,
    )
    surface = replace(
        poured_on,
        measured=np.any([plan.surface.measured for plan in plans], axis=0),
        inferred=np.any([plan.surface.inferred for plan in plans], axis=0),
        measured_m2=math.fsum(plan.surface.measured_m2 for plan in plans),
        inferred_m2=math.fsum(plan.surface.inferred_m2 for plan in plans),
    )
    highest = max(plans, key=lambda plan: plan.datum.plane.z0_m).datum
    return Plan(
        survey=survey,
        surface=surface,
        datum=Datum(
            "zones",
            highest.plane,
            (
                min(plan.datum.interval_m[0] for plan in plans),
                max(plan.datum.interval_m[1] for plan in plans),
            ),
            None,
            sheet.least_m,
            unsearched_m2=math.fsum(plan.datum.unsearched_m2 for plan in plans),
            zones=parts,
        ),
        sheet=sheet,
        volume=volume,
        volume_interval_m3=interval,
        level_interval_m3=level_interval_m3(
            volume.volume_m3,
            np.sum(known, axis=0) if len(known) == len(plans) else None,
            doubt_m3,
        ),
        order=ordered(
            volume,
            sheet,
            job,
            interval,
            to_buy,
            math.fsum(plan.volume.area_m2 * plan.datum.higher_mean_m for plan in plans),
        ),
        humps=tuple(hump for plan in plans for hump in plan.humps),
        obstacles=tuple(
            f"zone {zone.name}: {why}" for zone in zones for why in zone.plan.obstacles
        ),
        removal_m=plans[0].removal_m,
        roughness_m=plans[0].roughness_m,
        tests=plans[0].tests,
        mixers=plans[0].mixers,
        max_load_kg_per_m2=plans[0].max_load_kg_per_m2,
        grinding=_grinding_added(plans, highest, job),
        zones=zones,
        borders=borders,
    )


def _volumes_added(each: list[Volume]) -> Volume:
    volume_m3, area_m2 = (
        math.fsum(one.volume_m3 for one in each),
        math.fsum(one.area_m2 for one in each),
    )
    return Volume(
        volume_m3=volume_m3,
        area_m2=area_m2,
        mean_depth_m=volume_m3 / area_m2 if area_m2 > 0.0 else 0.0,
        min_depth_m=min(one.min_depth_m for one in each),
        max_depth_m=max(one.max_depth_m for one in each),
        short_m2=math.fsum(one.short_m2 for one in each),
        deep_m2=math.fsum(one.deep_m2 for one in each),
        outline_m2=math.fsum(one.outline_m2 for one in each),
        cut_m3=math.fsum(one.cut_m3 for one in each),
    )


def _grinding_added(plans: list[Plan], highest: Datum, job: Job) -> Grinding | None:
    """What is ground in all zones; each has a curve of its own, the whole has none."""
    each = [plan.grinding for plan in plans if plan.grinding is not None]
    if not each:
        return None
    ground = any(one.ground for one in each)
    setup = (job.grind.setup_price or 0.0) if ground else 0.0
    return Grinding(
        datum=highest,
        humps=tuple(hump for one in each for hump in one.humps),
        volume_m3=math.fsum(one.volume_m3 for one in each if one.ground),
        area_m2=math.fsum(one.area_m2 for one in each if one.ground),
        saved_m3=math.fsum(one.saved_m3 for one in each if one.ground),
        cost=math.fsum(one.cost if one.ground else one.unground_cost for one in each) + setup,
        unground_cost=math.fsum(one.unground_cost for one in each),
        curve=np.empty((0, 2)),
        bound=next((one.bound for one in each if one.bound is not None), None),
        reached=all(one.reached for one in each),
        # The floors that hold the datums of zones are seen each for itself.
        held_cost=math.hypot(*(one.held_cost for one in each)),
        fill_per_m3=each[0].fill_per_m3,
    )


def _ways(plan: Plan, job: Job) -> Ways:
    """The plan as asked, all zones together; other ways are each zone's own."""
    asked = [next((way for way in zone.plan.ways.each if way.asked), None) for zone in plan.zones]
    known = [way for way in asked if way is not None]
    order, volume = plan.order, plan.volume
    lift = Lift(
        sheet=plan.sheet,
        volume_m3=volume.volume_m3,
        area_m2=volume.area_m2,
        deepest_m=volume.max_depth_m,
        powder_kg=order.powder_kg,
        bags=order.bags,
        primer_l=order.primer_l,
        primer_cost=order.primer_cost,
    )
    ground_m3, ground_m2 = plan.ground
    whole = Way(
        lifts=(lift,),
        rise_m=0.0,
        ground_m3=ground_m3,
        ground_m2=ground_m2,
        pockets=(),
        cost=_cost(plan, job),
        mass_kg_per_m2=order.mass_kg_per_m2,
        wait_h=0.0,
        walk_h=plan.sheet.walk_after_h,
        cover_h=plan.sheet.cover_hours(volume.max_depth_m),
        against=plan.obstacles,
        asked=True,
        invented=any(way.invented for way in known),
    )
    return Ways(
        (whole,),
        tuple(pocket for zone in plan.zones for pocket in zone.plan.ways.pockets),
        tuple(thin for zone in plan.zones for thin in zone.plan.ways.thin),
    )


def _cost(plan: Plan, job: Job) -> float | None:
    """Whole bags of the whole, primer, and grinding with one set-up."""
    if plan.order.cost is None:
        return None
    material = plan.order.cost + (plan.order.primer_cost or 0.0)
    ground_m3, ground_m2 = plan.ground
    if ground_m3 <= 0.0:
        return material
    rates = grind_prices(job)
    return material + rates.setup + rates.grind_per_m2 * ground_m2 + rates.grind_per_m3 * ground_m3


def _besides(plan: Plan) -> Besides:
    """What the whole takes besides its material: strip at walls, stop-ends at all other ends."""
    import shapely

    poured_area = shapely.union_all([zone.outline for zone in plan.datum.zones])
    floor = plan.floor
    rim = floor.outline.boundary.buffer(_AT_EDGE_M)
    free_m = float(poured_area.boundary.difference(rim).length)
    at_walls = max(edge_strip_m(floor.outline, floor.openings) - open_ends_m(floor), 0.0)
    if plan.unzoned_m2 > 0.0:
        off = floor.outline.boundary.difference(poured_area.buffer(_AT_EDGE_M)).length
        at_walls = max(at_walls - float(off), 0.0)
    between_m = 0.0 if plan.pour is None else sum(one.length for one in plan.pour.stop_ends)
    bought = buy_besides(
        plan.surface, plan.depth_m, stop_ends_m=between_m + free_m, cost=plan.ways.each[0].cost
    )
    cost = bought.cost
    return replace(
        bought,
        edge_strip_m=at_walls,
        cost_per_m2=None if cost is None else cost / plan.volume.outline_m2,
    )
