"""From finished results to the models of ``result.json``: origins, units and rounding."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from pourdatum import __version__
from pourdatum.decision import rule_in_words
from pourdatum.results.flatpart import flatness_part
from pourdatum.results.models import (
    AdvicePart,
    CapabilityPart,
    Common,
    ControlPart,
    ControlShotPart,
    FloorPart,
    InputPart,
    NibPart,
    ObstructionPart,
    OpeningPart,
    PiecePart,
    PlanResult,
    SetUpPart,
    SetUpsPart,
    SurveyResult,
    WarningPart,
)
from pourdatum.results.planmodels import (
    DatumPart,
    FillPart,
    GrindPart,
    HumpPart,
    MaterialPart,
    PreparationPart,
    ZoneBorderPart,
    ZonePart,
)
from pourdatum.results.rounding import (
    area,
    degrees,
    in_plan,
    litres,
    litres_or_none,
    metres,
    metres_or_none,
    mm,
    mm_or_none,
    rounded,
)
from pourdatum.results.siteparts import (
    besides_part,
    pins_part,
    pockets_part,
    pour_part,
    setting_out_part,
    thin_part,
    ways_part,
)
from pourdatum.uncertainty import COVER_95

if TYPE_CHECKING:
    from pourdatum.outcome import Plan, Survey
    from pourdatum.scan import Scan


def survey_result(survey: Survey) -> SurveyResult:
    """A finished survey as it is written."""
    return SurveyResult(
        **common_part(survey, "survey"),
        flatness=[
            flatness_part(one, survey.origin_m[:2], survey.figures.area_m2)
            for one in survey.flatness
        ],
        decision_rule=rule_in_words(survey.rule),
    )


def plan_result(plan: Plan) -> PlanResult:
    """A finished plan as it is written."""
    return PlanResult(
        **common_part(plan.survey, "plan"),
        buildable=plan.buildable,
        obstacles=list(plan.obstacles),
        datum=_datum(plan),
        fill=_fill(plan),
        grind=_grind(plan),
        preparation=_preparation(plan),
        material=_material(plan),
        pour=pour_part(plan),
        pins=pins_part(plan),
        setting_out=setting_out_part(plan),
        besides=besides_part(plan),
        pockets=pockets_part(plan),
        thin=thin_part(plan),
        ways=ways_part(plan),
        zones=_zones(plan),
        zone_borders=[
            ZoneBorderPart(
                zones=(plan.zones[one.first].name, plan.zones[one.second].name),
                length_m=metres(one.length_m),
                step_mm=(mm(one.step_m[0]), mm(one.step_m[1])),
            )
            for one in plan.borders
        ],
        unzoned_m2=area(plan.unzoned_m2),
    )


def as_data(result: Common) -> dict[str, Any]:
    """A result as plain values for JSON, keys as published."""
    return result.model_dump(mode="json", by_alias=True)


def input_parts(scan: Scan) -> list[InputPart]:
    """The files of a scan."""
    return [
        InputPart(**{name: getattr(item, name) for name in InputPart.model_fields})
        for item in scan.inputs
    ]


def common_part(survey: Survey, command: str) -> dict[str, Any]:
    """What every result begins with."""
    return {
        "schema": f"pourdatum.{command}/1",
        "version": __version__,
        "title": survey.title,
        "inputs": input_parts(survey.scan),
        "assumptions": list(survey.assumptions),
        "warnings": [WarningPart(code=item.code, text=item.text) for item in survey.warnings],
        "floor": _floor(survey),
    }


def _floor(survey: Survey) -> FloorPart:
    surface, figures = survey.surface, survey.figures
    origin, level_m = survey.origin_m[:2], survey.origin_m[2]
    bearing, tilt = figures.bearing_rad, figures.tilt_95
    return FloorPart(
        area_m2=area(figures.area_m2),
        area_interval_m2=None
        if figures.area_interval_m2 is None
        else (area(figures.area_interval_m2[0]), area(figures.area_interval_m2[1])),
        measured_m2=area(surface.measured_m2),
        inferred_m2=area(surface.inferred_m2),
        cell_mm=mm(surface.grid.cell_m),
        high_z_m=metres_or_none(figures.high_m + level_m),
        low_z_m=metres_or_none(figures.low_m + level_m),
        mean_z_m=metres_or_none(figures.mean_m + level_m),
        range_mm=mm_or_none(figures.high_m - figures.low_m),
        slope_mm_per_m=mm_or_none(figures.slope),
        slope_bearing_deg=degrees(bearing),
        noise_mm=mm(survey.floor.noise_m),
        level_uncertainty_mm_per_m=None if tilt is None else mm(tilt),
        openings=[
            OpeningPart(
                place=in_plan(item.place_m, origin),
                area_m2=area(item.area_m2),
                depth_mm=mm_or_none(item.depth_m),
            )
            for item in survey.floor.openings
        ],
        pieces=[
            PiecePart(
                place=in_plan(piece.place_m, origin),
                area_m2=area(piece.area_m2),
                rise_mm=mm(piece.rise_m),
            )
            for piece in survey.floor.pieces
        ],
        obstructions=[
            ObstructionPart(
                kind=item.kind,
                place=in_plan(item.place_m, origin),
                area_m2=area(item.area_m2),
                height_mm=mm_or_none(item.height_m),
            )
            for item in survey.floor.obstructions
        ],
        nibs=[
            NibPart(
                place=in_plan(nib.place_m, origin),
                height_mm=mm(nib.height_m),
                width_mm=mm(nib.width_m),
            )
            for nib in surface.nibs
        ],
        advice=[
            AdvicePart(
                kind=item.kind,
                place=in_plan(item.place_m, origin),
                reason=item.reason,
                area_m2=area(item.area_m2) if item.kind == "scan-again" else None,
                doubt_l=litres(item.doubt_m3) if item.kind == "scan-again" else None,
            )
            for item in survey.advice
        ],
        capabilities=[
            CapabilityPart(
                question=item.question,
                known_to=mm(item.known_to),
                needed=mm(item.needed),
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
                place=None if place is None else in_plan(place[:2], origin),
                overlap_m2=area(stations.shared_m2[k]),
                step_mm=mm_or_none(stations.step_m[k]),
                step_uncertainty_mm=mm_or_none(COVER_95 * stations.step_error_m[k]),
                group=group.get(k),
            )
            for k, (name, place) in enumerate(zip(stations.names, stations.place_m, strict=True))
        ],
        scatter_mm=mm(stations.error_m),
        bowl_mm_per_m=mm(stations.bowl),
        bend_mm=mm(stations.left_m),
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
                place=in_plan(shot.place_m, origin),
                z_m=metres(shot.z_m + level_m),
                residual_mm=mm_or_none(shot.residual_m),
                leave_one_out_mm=mm_or_none(shot.leave_one_out_m),
                used=shot.used,
            )
            for shot in fit.shots
        ],
        tilt_mm_per_m=mm(fit.tilt),
        tilt_bearing_deg=degrees(fit.tilt_bearing_rad),
        warp_mm=mm(fit.warp_m),
        rms_mm=mm(fit.rms_m),
        leave_one_out_rms_mm=mm_or_none(fit.leave_one_out_rms_m),
    )


def _preparation(plan: Plan) -> PreparationPart:
    substrate, moisture, pull_off, cleanliness = (said or None for _, said in plan.tests.entries)
    return PreparationPart(
        removal_mm=mm(plan.removal_m),
        roughness_mm=mm(plan.roughness_m),
        substrate=substrate,
        moisture=moisture,
        pull_off=pull_off,
        cleanliness=cleanliness,
    )


def _zones(plan: Plan) -> list[ZonePart]:
    found = []
    for zone in plan.zones:
        own = zone.plan
        ground = _grind(own)
        found.append(
            ZonePart(
                name=zone.name,
                outline=[
                    in_plan((x, y), plan.origin_m[:2])
                    for x, y in own.floor.outline.exterior.coords[:-1]
                ],
                area_m2=area(own.volume.outline_m2),
                datum=_datum(own),
                fill=_fill(own),
                grind_l=ground.volume_l,
                grind_m2=ground.area_m2,
                powder_kg=rounded(own.order.powder_kg, 3),
                bags=zone.bags,
                buildable=own.buildable,
                obstacles=list(own.obstacles),
                ways=ways_part(own),
            )
        )
    return found


def _datum(plan: Plan) -> DatumPart:
    if plan.zones:
        return DatumPart(
            kind="zones", z_m=None, z_interval_m=None, place=None, slope_mm_per_m=None,
            slope_bearing_deg=None,
        )  # fmt: skip
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
        z_m=metres(z_m + level_m),
        z_interval_m=(metres(low_m + level_m), metres(high_m + level_m)),
        place=None if place is None else in_plan(place, origin),
        slope_mm_per_m=mm(plane.slope) if known else None,
        slope_bearing_deg=degrees(bearing) if known else None,
    )


def _fill(plan: Plan) -> FillPart:
    volume, (low_m3, high_m3) = plan.volume, plan.volume_interval_m3
    at_level = plan.level_interval_m3
    return FillPart(
        volume_l=litres(volume.volume_m3),
        volume_interval_l=(litres(low_m3), litres(high_m3)),
        level_interval_l=None if at_level is None else (litres(at_level[0]), litres(at_level[1])),
        area_m2=area(volume.area_m2),
        mean_depth_mm=mm(volume.mean_depth_m),
        min_depth_mm=mm(volume.min_depth_m),
        max_depth_mm=mm(volume.max_depth_m),
        short_m2=area(volume.short_m2),
        deep_m2=area(volume.deep_m2),
    )


def _grind(plan: Plan) -> GrindPart:
    (x0_m, y0_m, z0_m), grinding = plan.origin_m, plan.grinding
    open_ = bool(plan.grind_lacks)
    ground_m3, ground_m2 = plan.ground
    return GrindPart(
        volume_l=None if open_ else litres(ground_m3),
        area_m2=None if open_ else area(ground_m2),
        humps=[
            HumpPart(
                place=in_plan(hump.place_m, (x0_m, y0_m)),
                area_m2=area(hump.area_m2),
                height_mm=mm(hump.height_m),
                grind_l=litres_or_none(hump.grind_m3),
                saves_l=litres_or_none(hump.saves_m3),
                worth=hump.worth,
                zone=zone,
            )
            for hump, zone in zip(plan.humps, _zones_of_humps(plan), strict=True)
        ],
        curve=[]
        if grinding is None
        else [(metres(z_m + z0_m), rounded(cost, 2)) for z_m, cost in grinding.curve.tolist()],
        cost=None if grinding is None else rounded(grinding.cost, 2),
        cost_interval=_money_interval(plan.cost_interval),
        held_mm=None if grinding is None or plan.zones else mm(grinding.held_m),
        held_cost=None if grinding is None else rounded(grinding.held_cost, 2),
    )


def _zones_of_humps(plan: Plan) -> list[str | None]:
    """Names of the zones whose humps they are, in the order of the plan's."""
    if not plan.zones:
        return [None] * len(plan.humps)
    return [zone.name for zone in plan.zones for _ in zone.plan.humps]


def _money_interval(ends: tuple[float, float] | None) -> tuple[float, float] | None:
    return None if ends is None else (rounded(ends[0], 2), rounded(ends[1], 2))


def _material(plan: Plan) -> MaterialPart:
    order = plan.order
    return MaterialPart(
        name=plan.sheet.name,
        powder_kg=rounded(order.powder_kg, 3),
        bags=order.bags,
        bags_mean=order.bags_mean,
        bags_interval=order.bags_interval,
        bags_to_buy=order.bags_to_buy,
        chance_short=[(bags, round(share, 3)) for bags, share in order.short],
        water_l=rounded(order.water_l, 3),
        water_per_bag_l=order.water_per_bag_l,
        primer_l=None if order.primer_l is None else rounded(order.primer_l, 3),
        primer_cost=None if order.primer_cost is None else rounded(order.primer_cost, 2),
        cost=None if order.cost is None else rounded(order.cost, 2),
        mass_kg_per_m2=rounded(order.mass_kg_per_m2, 3),
    )
