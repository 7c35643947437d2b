"""From finished results to the models of ``result.json``: origins, units and rounding."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from pourdatum import __version__
from pourdatum.flatness import rule_in_words
from pourdatum.results.flatpart import flatness_part
from pourdatum.results.models import (
    AdvicePart,
    BatchPart,
    BesidesPart,
    BlockPart,
    CapabilityPart,
    Common,
    ControlPart,
    ControlShotPart,
    CornerPart,
    DatumPart,
    FillPart,
    FloorPart,
    GrindPart,
    HumpPart,
    InputPart,
    JointPart,
    LiftPart,
    MaterialPart,
    NibPart,
    ObstructionPart,
    OpeningPart,
    PinPart,
    Place,
    PlanResult,
    PocketPart,
    PourPart,
    SettingOutPart,
    SetUpPart,
    SetUpsPart,
    SurveyResult,
    ThinPart,
    ThresholdPart,
    WarningPart,
    WayPart,
)
from pourdatum.settingout import corner_name
from pourdatum.uncertainty import COVER_95
from pourdatum.units import MM

if TYPE_CHECKING:
    from pourdatum.outcome import Plan, Survey
    from pourdatum.pins import PinPlan
    from pourdatum.pockets import Pocket
    from pourdatum.thresholds import AtThreshold
    from pourdatum.ways import Way


def survey_result(survey: Survey) -> SurveyResult:
    """A finished survey as it is written."""
    return SurveyResult(
        **_common(survey, "survey"),
        flatness=[flatness_part(one, survey.origin_m[:2]) for one in survey.flatness],
        decision_rule=rule_in_words(survey.rule),
    )


def plan_result(plan: Plan) -> PlanResult:
    """A finished plan as it is written."""
    return PlanResult(
        **_common(plan.survey, "plan"),
        buildable=plan.buildable,
        obstacles=list(plan.obstacles),
        datum=_datum(plan),
        fill=_fill(plan),
        grind=_grind(plan),
        material=_material(plan),
        pour=_pour(plan),
        pins=_pins(plan),
        setting_out=_setting_out(plan),
        besides=_besides(plan),
        pockets=[_pocket(one, plan.origin_m[:2]) for one in plan.ways.pockets],
        thin=[
            ThinPart(
                place=_place(one.place_m, plan.origin_m[:2]),
                area_m2=_area(one.area_m2),
                depth_mm=_mm(one.depth_m),
            )
            for one in plan.ways.thin
        ],
        ways=[_way(way, plan.origin_m[:2]) for way in plan.ways.each],
    )


def _besides(plan: Plan) -> BesidesPart:
    bought = plan.besides
    return BesidesPart(
        edge_strip_m=_metres(bought.edge_strip_m),
        stop_ends_m=_metres(bought.stop_ends_m),
        blocks=[
            BlockPart(
                place=_place(block.place_m, plan.origin_m[:2]),
                length_m=_metres(block.length_m),
                height_mm=_mm_or_none(block.height_m),
            )
            for block in bought.blocks
        ],
        cost=None if bought.cost is None else _round(bought.cost, 2),
        cost_per_m2=None if bought.cost_per_m2 is None else _round(bought.cost_per_m2, 2),
    )


def _pocket(pocket: Pocket, origin: tuple[float, float]) -> PocketPart:
    return PocketPart(
        place=_place(pocket.place_m, origin),
        area_m2=_area(pocket.area_m2),
        volume_l=_litres(pocket.volume_m3),
        depth_mm=_mm(pocket.depth_m),
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
                volume_l=_litres(lift.volume_m3),
                area_m2=_area(lift.area_m2),
                max_depth_mm=_mm(lift.deepest_m),
                powder_kg=_round(lift.powder_kg, 3),
                bags=lift.bags,
                primer_l=None if lift.primer_l is None else _round(lift.primer_l, 3),
            )
            for lift in way.lifts
        ],
        datum_rise_mm=_mm(way.rise_m),
        grind_l=_litres(way.ground_m3),
        grind_m2=_area(way.ground_m2),
        pockets=[_pocket(one, origin) for one in way.pockets],
        powder_kg=_round(way.powder_kg, 3),
        bags=way.bags,
        cost=None if way.cost is None else _round(way.cost, 2),
        mass_kg_per_m2=_round(way.mass_kg_per_m2, 3),
        wait_h=_hours(way.wait_h),
        walk_h=_hours(way.walk_h),
        cover_h=_hours(way.cover_h),
    )


def _hours(value: float | None) -> float | None:
    return None if value is None else _round(value, 2)


def _pour(plan: Plan) -> PourPart:
    sheet, origin = plan.pour, plan.origin_m[:2]
    if sheet is None:
        return PourPart(
            batches=[], mixers=plan.mixers, edge_age_min=None, bays=None, exit=None,
            stop_ends_m=None, minutes=None,
        )  # fmt: skip
    return PourPart(
        batches=[
            BatchPart(
                number=batch.number,
                bay=batch.bay,
                strip=batch.strip,
                place=_place(batch.place_m, origin),
                area_m2=_area(batch.area_m2),
                volume_l=_litres(batch.volume_m3),
                bags=batch.bags,
                start_min=_round(batch.start_min, 2),
            )
            for batch in sheet.batches
        ],
        mixers=plan.mixers,
        edge_age_min=_round(sheet.edge_age_min, 2),
        bays=sheet.bays,
        exit=_place(sheet.leave_m, origin),
        stop_ends_m=_metres(sum(line.length for line in sheet.stop_ends)),
        minutes=_round(sheet.minutes, 2),
    )


def as_data(result: Common) -> dict[str, Any]:
    """A result as plain values for JSON, keys as published."""
    return result.model_dump(mode="json", by_alias=True)


def _common(survey: Survey, command: str) -> dict[str, Any]:
    return {
        "schema": f"pourdatum.{command}/1",
        "version": __version__,
        "title": survey.title,
        "inputs": [
            InputPart(**{name: getattr(item, name) for name in InputPart.model_fields})
            for item in survey.scan.inputs
        ],
        "assumptions": list(survey.assumptions),
        "warnings": [WarningPart(code=item.code, text=item.text) for item in survey.warnings],
        "floor": _floor(survey),
    }


def _floor(survey: Survey) -> FloorPart:
    surface, figures = survey.surface, survey.figures
    origin, level_m = survey.origin_m[:2], survey.origin_m[2]
    bearing, tilt = figures.bearing_rad, figures.tilt_95
    return FloorPart(
        area_m2=_area(figures.area_m2),
        area_interval_m2=None
        if figures.area_interval_m2 is None
        else (_area(figures.area_interval_m2[0]), _area(figures.area_interval_m2[1])),
        measured_m2=_area(surface.measured_m2),
        inferred_m2=_area(surface.inferred_m2),
        cell_mm=_mm(surface.grid.cell_m),
        high_z_m=_metres_or_none(figures.high_m + level_m),
        low_z_m=_metres_or_none(figures.low_m + level_m),
        mean_z_m=_metres_or_none(figures.mean_m + level_m),
        range_mm=_mm_or_none(figures.high_m - figures.low_m),
        slope_mm_per_m=_mm_or_none(figures.slope),
        slope_bearing_deg=_degrees(bearing),
        noise_mm=_mm(survey.floor.noise_m),
        level_uncertainty_mm_per_m=None if tilt is None else _mm(tilt),
        openings=[
            OpeningPart(
                place=_place(item.place_m, origin),
                area_m2=_area(item.area_m2),
                depth_mm=_mm_or_none(item.depth_m),
            )
            for item in survey.floor.openings
        ],
        obstructions=[
            ObstructionPart(
                kind=item.kind,
                place=_place(item.place_m, origin),
                area_m2=_area(item.area_m2),
                height_mm=_mm_or_none(item.height_m),
            )
            for item in survey.floor.obstructions
        ],
        nibs=[
            NibPart(
                place=_place(nib.place_m, origin),
                height_mm=_mm(nib.height_m),
                width_mm=_mm(nib.width_m),
            )
            for nib in surface.nibs
        ],
        advice=[
            AdvicePart(
                kind=item.kind,
                place=_place(item.place_m, origin),
                reason=item.reason,
                area_m2=_area(item.area_m2) if item.kind == "scan-again" else None,
                doubt_l=_litres(item.doubt_m3) if item.kind == "scan-again" else None,
            )
            for item in survey.advice
        ],
        capabilities=[
            CapabilityPart(
                question=item.question,
                known_to=_mm(item.known_to),
                needed=_mm(item.needed),
                unit="mm per m" if item.question == "level" else "mm",
                enough=item.enough,
                remedy=item.remedy,
            )
            for item in survey.capabilities
        ],
        control=_control(survey),
        set_ups=_set_ups(survey),
    )


def _set_ups(survey: Survey) -> SetUpsPart | None:
    stations, origin = survey.floor.stations, survey.origin_m[:2]
    if not stations.names:
        return None
    group = {k: number for number, own in enumerate(stations.groups, 1) for k in own}
    return SetUpsPart(
        each=[
            SetUpPart(
                name=name,
                place=None if place is None else _place(place[:2], origin),
                overlap_m2=_area(stations.shared_m2[k]),
                step_mm=_mm_or_none(stations.step_m[k]),
                step_uncertainty_mm=_mm_or_none(COVER_95 * stations.step_error_m[k]),
                group=group.get(k),
            )
            for k, (name, place) in enumerate(zip(stations.names, stations.place_m, strict=True))
        ],
        scatter_mm=_mm(stations.error_m),
        bowl_mm_per_m=_mm(stations.bowl),
        bend_mm=_mm(stations.left_m),
    )


def _control(survey: Survey) -> ControlPart | None:
    fit = survey.surface.control
    if fit is None:
        return None
    origin, level_m = survey.origin_m[:2], survey.origin_m[2]
    return ControlPart(
        shots=[
            ControlShotPart(
                name=shot.name,
                place=_place(shot.place_m, origin),
                z_m=_metres(shot.z_m + level_m),
                residual_mm=_mm_or_none(shot.residual_m),
                leave_one_out_mm=_mm_or_none(shot.leave_one_out_m),
                used=shot.used,
            )
            for shot in fit.shots
        ],
        tilt_mm_per_m=_mm(fit.tilt),
        tilt_bearing_deg=_degrees(fit.tilt_bearing_rad),
        warp_mm=_mm(fit.warp_m),
        rms_mm=_mm(fit.rms_m),
        leave_one_out_rms_mm=_mm_or_none(fit.leave_one_out_rms_m),
    )


def _datum(plan: Plan) -> DatumPart:
    datum, plane = plan.datum, plan.datum.plane
    origin, level_m = plan.origin_m[:2], plan.origin_m[2]
    place = datum.high_place_m
    if place is None and plane.slope > 0.0:
        middle = plan.floor.outline.centroid
        place = (middle.x, middle.y)
    z_m = plane.z0_m if place is None else float(plane.at(*place))
    # The interval is that of the plane's level at the local origin; it is as wide anywhere.
    low_m, high_m = (z_m + end - plane.z0_m for end in datum.interval_m)
    bearing = None if plane.slope == 0.0 else plane.bearing_rad
    # A parallel datum over a floor without a vertical has a slope that nobody knows.
    known = math.isfinite(plan.survey.figures.slope)
    return DatumPart(
        kind=datum.kind,
        z_m=_metres(z_m + level_m),
        z_interval_m=(_metres(low_m + level_m), _metres(high_m + level_m)),
        place=None if place is None else _place(place, origin),
        slope_mm_per_m=_mm(plane.slope) if known else None,
        slope_bearing_deg=_degrees(bearing) if known else None,
    )


def _fill(plan: Plan) -> FillPart:
    volume, (low_m3, high_m3) = plan.volume, plan.volume_interval_m3
    return FillPart(
        volume_l=_litres(volume.volume_m3),
        volume_interval_l=(_litres(low_m3), _litres(high_m3)),
        area_m2=_area(volume.area_m2),
        mean_depth_mm=_mm(volume.mean_depth_m),
        min_depth_mm=_mm(volume.min_depth_m),
        max_depth_mm=_mm(volume.max_depth_m),
        short_m2=_area(volume.short_m2),
        deep_m2=_area(volume.deep_m2),
    )


def _grind(plan: Plan) -> GrindPart:
    (x0_m, y0_m, z0_m), grinding = plan.origin_m, plan.grinding
    open_ = bool(plan.grind_lacks)
    ground_m3, ground_m2 = (
        (0.0, 0.0) if grinding is None else (grinding.volume_m3, grinding.area_m2)
    )
    return GrindPart(
        volume_l=None if open_ else _litres(ground_m3),
        area_m2=None if open_ else _area(ground_m2),
        humps=[
            HumpPart(
                place=_place(hump.place_m, (x0_m, y0_m)),
                area_m2=_area(hump.area_m2),
                height_mm=_mm(hump.height_m),
                grind_l=_litres_or_none(hump.grind_m3),
                saves_l=_litres_or_none(hump.saves_m3),
                worth=hump.worth,
            )
            for hump in plan.humps
        ],
        curve=[]
        if grinding is None
        else [(_metres(z_m + z0_m), _round(cost, 2)) for z_m, cost in grinding.curve.tolist()],
    )


def _material(plan: Plan) -> MaterialPart:
    order = plan.order
    return MaterialPart(
        name=plan.sheet.name,
        powder_kg=_round(order.powder_kg, 3),
        bags=order.bags,
        bags_interval=order.bags_interval,
        bags_to_buy=order.bags_to_buy,
        chance_short=[(bags, round(share, 3)) for bags, share in order.short],
        water_l=_round(order.water_l, 3),
        water_per_bag_l=order.water_per_bag_l,
        primer_l=None if order.primer_l is None else _round(order.primer_l, 3),
        cost=None if order.cost is None else _round(order.cost, 2),
        mass_kg_per_m2=_round(order.mass_kg_per_m2, 3),
    )


def _pins(plan: Plan) -> list[PinPart]:
    origin, level_m = plan.origin_m[:2], plan.origin_m[2]
    return [
        PinPart(
            name=pin.name,
            kind=pin.kind,
            of=pin.of or None,
            row=pin.row,
            place=_place(pin.place_m, origin),
            corner=None if pin.base is None else corner_name(pin.base),
            along_across_m=None
            if pin.along_across_m is None
            else (_metres(pin.along_across_m[0]), _metres(pin.along_across_m[1])),
            diagonal_m=None if pin.diagonal_m is None else _metres(pin.diagonal_m),
            from_end_m=None if pin.from_end_m is None else _metres(pin.from_end_m),
            staff_mm=_mm_or_none(pin.staff_m),
            z_m=_metres(pin.z_m + level_m),
            depth_mm=_mm(pin.depth_m),
            depth_interval_mm=(_mm(pin.low_m), _mm(pin.high_m)),
        )
        for pin in plan.pins.pins
    ]


def _setting_out(plan: Plan) -> SettingOutPart:
    pins, origin, level_m = plan.pins, plan.origin_m[:2], plan.origin_m[2]
    return SettingOutPart(
        mark_z_m=None if pins.mark_m is None else _metres(pins.mark_m + level_m),
        spacing_m=_metres(pins.spacing_m),
        corners=[
            CornerPart(
                name=corner_name(number),
                place=_place(tuple(base.corner.place_m.tolist()), origin),
                wall_end=_place(tuple(base.end_m.tolist()), origin),
                wall_m=_metres(base.wall_m),
                other_wall_m=_metres(base.other_m),
                floor_on="right" if base.floor_on_right else "left",
                walls_seen=base.on_walls,
            )
            for number, base in enumerate(pins.bases)
        ],
        thresholds=[_threshold(one, pins, origin, level_m) for one in pins.thresholds],
        joints=[
            JointPart(kind=one.kind, length_m=_metres(one.length_m), carried=one.carried)
            for one in pins.joints
        ],
    )


def _threshold(
    one: AtThreshold, pins: PinPlan, origin: tuple[float, float], level_m: float
) -> ThresholdPart:
    known = one.of_this_floor and pins.mark_m is not None
    return ThresholdPart(
        place=_place(one.threshold.place_m, origin),
        level_z_m=_metres(one.threshold.level_m + level_m),
        tolerance_mm=_mm(one.threshold.tolerance_m),
        finished_z_m=_metres(one.finished_m + level_m) if known else None,
        over_mm=_mm(one.over_m) if known else None,
        met=one.met if known else None,
    )


# One rule of rounding for every file: far below what matters, so that no sum shows it,
# and far above the last bits, so that they are not shown off as knowledge.


def _round(value: float, decimals: int) -> float:
    return round(float(value), decimals) + 0.0  # Adding zero turns -0.0 into 0.0.


def _metres(value_m: float) -> float:
    return _round(value_m, 6)


def _metres_or_none(value_m: float) -> float | None:
    return _metres(value_m) if math.isfinite(value_m) else None


def _mm(value_m: float) -> float:
    return _round(value_m * MM, 3)


def _mm_or_none(value_m: float | None) -> float | None:
    return None if value_m is None or not math.isfinite(value_m) else _mm(value_m)


def _area(value_m2: float) -> float:
    return _round(value_m2, 4)


def _litres(value_m3: float) -> float:
    return _round(value_m3 * MM, 3)


def _litres_or_none(value_m3: float | None) -> float | None:
    return None if value_m3 is None or not math.isfinite(value_m3) else _litres(value_m3)


def _degrees(value_rad: float | None) -> float | None:
    if value_rad is None or not math.isfinite(value_rad):
        return None
    return _round(math.degrees(value_rad) % 360.0, 2)


def _place(place_m: tuple[float, float], origin_m: tuple[float, float]) -> Place:
    return _metres(place_m[0] + origin_m[0]), _metres(place_m[1] + origin_m[1])
