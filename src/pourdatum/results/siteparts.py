"""What a plan does on site as it is written: ways, what is bought besides, the pour, the pins."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pourdatum.datum import in_zones
from pourdatum.pumpday import clock_of
from pourdatum.results.planmodels import (
    BatchPart,
    BayPart,
    BesidesPart,
    BlockPart,
    CornerPart,
    JointPart,
    LiftPart,
    PinPart,
    PocketPart,
    PourPart,
    SettingOutPart,
    ThinPart,
    ThresholdPart,
    WayPart,
)
from pourdatum.results.rounding import area, in_plan, litres, metres, mm, mm_or_none, rounded
from pourdatum.settingout import corner_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pourdatum.outcome import Plan
    from pourdatum.pins import PinPlan
    from pourdatum.pockets import Pocket
    from pourdatum.thresholds import AtThreshold
    from pourdatum.way import Way


def besides_part(plan: Plan) -> BesidesPart:
    """What is bought besides the material."""
    bought = plan.besides
    return BesidesPart(
        edge_strip_m=metres(bought.edge_strip_m),
        stop_ends_m=metres(bought.stop_ends_m),
        blocks=[
            BlockPart(
                place=in_plan(block.place_m, plan.origin_m[:2]),
                length_m=metres(block.length_m),
                height_mm=mm_or_none(block.height_m),
            )
            for block in bought.blocks
        ],
        cost=None if bought.cost is None else rounded(bought.cost, 2),
        cost_per_m2=None if bought.cost_per_m2 is None else rounded(bought.cost_per_m2, 2),
    )


def pockets_part(plan: Plan) -> list[PocketPart]:
    """Deep places of the plan as asked."""
    return [_pocket(one, plan.origin_m[:2]) for one in plan.ways.pockets]


def thin_part(plan: Plan) -> list[ThinPart]:
    """Places that are too thin."""
    return [
        ThinPart(
            place=in_plan(one.place_m, plan.origin_m[:2]),
            area_m2=area(one.area_m2),
            depth_mm=mm(one.depth_m),
        )
        for one in plan.ways.thin
    ]


def ways_part(plan: Plan) -> list[WayPart]:
    """Every way that was compared."""
    return [_way(way, plan.origin_m[:2]) for way in plan.ways.each]


def _pocket(pocket: Pocket, origin: tuple[float, float]) -> PocketPart:
    return PocketPart(
        place=in_plan(pocket.place_m, origin),
        area_m2=area(pocket.area_m2),
        volume_l=litres(pocket.volume_m3),
        depth_mm=mm(pocket.depth_m),
    )


def _way(way: Way, origin: tuple[float, float]) -> WayPart:
    return WayPart(
        buildable=way.works,
        obstacles=list(way.against),
        asked=way.asked,
        invented=way.invented,
        lifts=[
            LiftPart(
                material=lift.sheet.name,
                volume_l=litres(lift.volume_m3),
                area_m2=area(lift.area_m2),
                max_depth_mm=mm(lift.deepest_m),
                below_datum_mm=mm(lift.ends_m),
                powder_kg=rounded(lift.powder_kg, 3),
                bags=lift.bags,
                primer_l=None if lift.primer_l is None else rounded(lift.primer_l, 3),
            )
            for lift in way.lifts
        ],
        datum_rise_mm=mm(way.rise_m),
        grind_l=litres(way.ground_m3),
        grind_m2=area(way.ground_m2),
        pockets=[_pocket(one, origin) for one in way.pockets],
        powder_kg=rounded(way.powder_kg, 3),
        bags=way.bags,
        stop_ends_m=metres(way.stop_ends_m),
        cost=None if way.cost is None else rounded(way.cost, 2),
        mass_kg_per_m2=rounded(way.mass_kg_per_m2, 3),
        wait_h=_hours(way.wait_h),
        walk_h=_hours(way.walk_h),
        cover_h=_hours(way.cover_h),
    )


def zones_of(plan: Plan, places_m: Sequence[tuple[float, float]]) -> list[str | None]:
    """Names of the zones that places lie in; None off them, and of a plan without zones."""
    names: list[str | None] = [None] * len(places_m)
    if not plan.zones or not names:
        return names
    outlines = [zone.outline for zone in plan.datum.zones]
    x_m, y_m = np.array(places_m, np.float64).T
    for zone, own in zip(plan.zones, in_zones(outlines, x_m, y_m), strict=True):
        for k in np.flatnonzero(own):
            names[k] = zone.name
    return names


def _hours(value: float | None) -> float | None:
    return None if value is None else rounded(value, 2)


def pour_part(plan: Plan) -> PourPart:
    """The day of the pour."""
    sheet, origin = plan.pour, plan.origin_m[:2]
    if sheet is None:
        return PourPart(
            batches=[], mixers=plan.mixers, edge_age_min=None, bays=None, exit=None,
            stop_ends_m=None, minutes=None, start=None, each_bay=[], deliveries_min=[],
            delivery_bags=[], mixers_without_stop_ends=None,
            litres_per_minute_without_stop_ends=None, hose_l=None, hose_bags=0,
        )  # fmt: skip
    zones = zones_of(plan, [batch.place_m for batch in sheet.batches])
    return PourPart(
        batches=[
            BatchPart(
                number=batch.number,
                bay=batch.bay,
                strip=batch.strip,
                place=in_plan(batch.place_m, origin),
                area_m2=area(batch.area_m2),
                volume_l=litres(batch.volume_m3),
                bags=batch.bags,
                start_min=rounded(batch.start_min, 2),
                zone=zone,
            )
            for batch, zone in zip(sheet.batches, zones, strict=True)
        ],
        mixers=plan.mixers,
        edge_age_min=rounded(sheet.edge_age_min, 2),
        bays=sheet.bays,
        exit=in_plan(sheet.leave_m, origin),
        stop_ends_m=metres(sum(line.length for line in sheet.stop_ends)),
        minutes=rounded(sheet.minutes, 2),
        start=None if plan.day.start_min is None else clock_of(0.0, plan.day.start_min),
        each_bay=[
            BayPart(
                number=bay.number,
                start_min=rounded(bay.start_min, 2),
                minutes=rounded(bay.minutes, 2),
                by_min=rounded(bay.by_min, 2),
                volume_l=litres(bay.volume_m3),
                powder_kg=rounded(bay.powder_kg, 3),
                bags=bay.bags,
                reserve_bags=bay.reserve,
            )
            for bay in plan.day.bays
        ],
        deliveries_min=[rounded(at, 2) for at in plan.day.deliveries_min],
        delivery_bags=list(plan.day.delivery_bags),
        mixers_without_stop_ends=getattr(sheet.would_do, "mixers", None),
        litres_per_minute_without_stop_ends=getattr(sheet.would_do, "litres_per_minute", None),
        hose_l=None if plan.day.hose_m3 is None else litres(plan.day.hose_m3),
        hose_bags=plan.day.hose_bags,
    )


def pins_part(plan: Plan) -> list[PinPart]:
    """Depth pins."""
    origin, level_m = plan.origin_m[:2], plan.origin_m[2]
    zones = zones_of(plan, [pin.place_m for pin in plan.pins.pins])
    return [
        PinPart(
            name=pin.name,
            kind=pin.kind,
            of=pin.of or None,
            row=pin.row,
            place=in_plan(pin.place_m, origin),
            corner=None if pin.base is None else corner_name(pin.base),
            along_across_m=None
            if pin.along_across_m is None
            else (metres(pin.along_across_m[0]), metres(pin.along_across_m[1])),
            diagonal_m=None if pin.diagonal_m is None else metres(pin.diagonal_m),
            from_end_m=None if pin.from_end_m is None else metres(pin.from_end_m),
            staff_mm=mm_or_none(pin.staff_m),
            z_m=metres(pin.z_m + level_m),
            depth_mm=mm(pin.depth_m),
            depth_interval_mm=(mm(pin.low_m), mm(pin.high_m)),
            grind_mm=mm(pin.ground_m),
            zone=zone,
        )
        for pin, zone in zip(plan.pins.pins, zones, strict=True)
    ]


def setting_out_part(plan: Plan) -> SettingOutPart:
    """What pins are set out and levelled from."""
    pins, origin, level_m = plan.pins, plan.origin_m[:2], plan.origin_m[2]
    return SettingOutPart(
        mark_z_m=None if pins.mark_m is None else metres(pins.mark_m + level_m),
        spacing_m=metres(pins.spacing_m),
        corners=[
            CornerPart(
                name=corner_name(number),
                place=in_plan(tuple(base.corner.place_m.tolist()), origin),
                wall_end=in_plan(tuple(base.end_m.tolist()), origin),
                wall_m=metres(base.wall_m),
                other_wall_m=metres(base.other_m),
                floor_on="right" if base.floor_on_right else "left",
                walls_seen=base.on_walls,
            )
            for number, base in enumerate(pins.bases)
        ],
        thresholds=[_threshold(one, pins, origin, level_m) for one in pins.thresholds],
        joints=[
            JointPart(kind=one.kind, length_m=metres(one.length_m), carried=one.carried)
            for one in pins.joints
        ],
    )


def _threshold(
    one: AtThreshold, pins: PinPlan, origin: tuple[float, float], level_m: float
) -> ThresholdPart:
    known = one.of_this_floor and pins.mark_m is not None
    return ThresholdPart(
        place=in_plan(one.threshold.place_m, origin),
        level_z_m=metres(one.threshold.level_m + level_m),
        tolerance_mm=mm(one.threshold.tolerance_m),
        finished_z_m=metres(one.finished_m + level_m) if known else None,
        over_mm=mm(one.over_m) if known else None,
        met=one.met if known else None,
    )
