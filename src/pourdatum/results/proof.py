"""From a finished proof to the models of ``result.json``: origins, units and rounding."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pourdatum.decision import rule_in_words
from pourdatum.results.convert import common_part, input_parts
from pourdatum.results.flatpart import flatness_part
from pourdatum.results.proof_models import (
    AgainstPlanPart,
    BagsUsedPart,
    DeparturePart,
    ExtremePart,
    LevelFacePart,
    LevelPart,
    MarkPart,
    PlacedPart,
    RegistrationPart,
    VerifyResult,
)
from pourdatum.results.rounding import (
    area,
    direction,
    in_plan,
    litres,
    metres,
    mm,
    mm_or_none,
    rounded,
)
from pourdatum.uncertainty import COVER_95
from pourdatum.units import MM
from pourdatum.verification import IF_CEILING

if TYPE_CHECKING:
    from pourdatum.outcome import Check
    from pourdatum.placed import Extreme
    from pourdatum.used import AgainstPlan, BagsUsed

_NOT_KNOWN = PlacedPart(
    volume_l=None, volume_interval_l=None, area_m2=None, mean_thickness_mm=None,
    min_thickness_mm=None, max_thickness_mm=None, thinnest=None, thickest=None, missed_m2=None,
    short_m2=None, deep_m2=None, removal_mm=None, why_not="",
)  # fmt: skip


def check_result(check: Check) -> VerifyResult:
    """A finished proof as it is written."""
    found, plan_m = check.found, check.origin_m[:2]
    common = common_part(check.survey, "verify")
    common["inputs"] = [*input_parts(check.before.floor.scan), *common["inputs"]]
    return VerifyResult(
        **common,
        verdict=found.verdict,
        verdict_condition=IF_CEILING if found.verdict_on_ceiling else None,
        judged_share=rounded(found.judged, 4),
        registration=_registration(check),
        placed=_placed(check),
        flatness=[
            flatness_part(one, plan_m, check.survey.figures.area_m2) for one in found.flatness
        ],
        decision_rule=rule_in_words(found.rule),
        level=_level(check),
        bags_used=None if check.used is None else _used(check.used),
        against_plan=None if check.planned is None else _against(check.planned),
    )


def _registration(check: Check) -> RegistrationPart:
    tie = check.found.registration
    if tie is None:
        return RegistrationPart(
            method="one frame already", residual_mm=None, vertical_uncertainty_mm=None,
            turn_deg=0.0, rotation=[(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)],
            from_m=(0.0, 0.0, 0.0), to_m=(0.0, 0.0, 0.0), ceilings_m=[], overlap=None,
            wall_m2=0.0, level_m2=0.0, marks=[],
        )  # fmt: skip
    error_m = tie.height_error_m
    rotation = np.asarray(tie.move.rotation)
    # A place on the floor in both scans' own coordinates: far origins never meet the rotation.
    own = rotation.T @ (tie.middle_m - np.asarray(tie.move.shift_m))
    return RegistrationPart(
        method=tie.method,
        residual_mm=mm(tie.residual_m),
        vertical_uncertainty_mm=None if error_m is None else mm(COVER_95 * error_m),
        turn_deg=rounded(math.degrees(tie.move.turn_rad), 4) % 360.0,
        rotation=[(direction(a), direction(b), direction(c)) for a, b, c in tie.move.rotation],
        from_m=_place(own + np.asarray(check.after_origin_m)),
        to_m=_place(tie.middle_m + np.asarray(check.before.origin_m)),
        ceilings_m=[metres(height) for height in tie.heads_m],
        heads_rise_mm=None if tie.heads is None else mm(tie.heads.rise_m),
        heads_uncertainty_mm=None if tie.heads is None else mm(COVER_95 * tie.heads.error_m),
        level_faces=[
            LevelFacePart(
                height_m=metres(one.height_m),
                rise_mm=mm(one.rise_m),
                uncertainty_mm=mm(COVER_95 * one.error_m),
                area_m2=area(one.area_m2),
            )
            for one in tie.faces
        ],
        mirror_alike=tie.mirror_alike,
        overlap=rounded(tie.overlap, 3),
        wall_m2=area(tie.wall_m2),
        level_m2=area(tie.level_m2),
        marks=[MarkPart(name=name, residual_mm=mm(left)) for name, left in tie.marks],
    )


def _place(values: NDArray[np.float64]) -> tuple[float, float, float]:
    # To a hundredth of a millimetre, as the campaign's lattice is.
    x, y, z = (rounded(float(value), 5) for value in values)
    return x, y, z


def _placed(check: Check) -> PlacedPart:
    placed, sheet = check.found.placed, check.sheet
    if placed is None:
        return _NOT_KNOWN.model_copy(update={"why_not": check.found.lacks})
    low, high = placed.volume_interval_m3
    short = deep = None
    if sheet is not None:
        cell_m = check.before.grid.cell_m
        short, deep = map(area, placed.beyond_m2(sheet.least_m, sheet.greatest_m, cell_m))
    return PlacedPart(
        volume_l=litres(placed.volume_m3),
        volume_interval_l=(litres(low), litres(high)),
        area_m2=area(placed.area_m2),
        mean_thickness_mm=mm(placed.mean_m),
        min_thickness_mm=_thickness(placed.least),
        max_thickness_mm=_thickness(placed.greatest),
        thinnest=_extreme(placed.least, check),
        thickest=_extreme(placed.greatest, check),
        missed_m2=area(placed.missed_m2),
        short_m2=short,
        deep_m2=deep,
        removal_mm=mm(placed.removal_m),
        why_not="",
        floor_share=rounded(placed.share, 4),
        condition=_condition(check) if check.found.on_ceiling else None,
        skim_unseen_mm=None if check.found.skim_unseen_m is None else mm(check.found.skim_unseen_m),
        borne_out_by=check.found.borne_out or None,
    )


def _condition(check: Check) -> str:
    """On what litres and thickness hang, and what each millimetre of it is worth."""
    placed = check.found.placed
    assert placed is not None
    return (
        f"{IF_CEILING}: each millimetre by which it was boarded or hung lower between the scans is "
        f"{placed.area_m2:.0f} l of these, and no interval holds that"
    )


def _thickness(one: Extreme | None) -> float | None:
    return None if one is None else mm(one.thickness_m)


def _extreme(one: Extreme | None, check: Check) -> ExtremePart | None:
    if one is None:
        return None
    return ExtremePart(
        place=in_plan(one.place_m, check.origin_m[:2]),
        thickness_mm=mm(one.thickness_m),
        uncertainty_mm=mm(one.uncertainty_m),
    )


def _level(check: Check) -> LevelPart:
    level = check.found.level
    if level is None:
        return LevelPart(
            slope_mm_per_m=None, slope_uncertainty_mm_per_m=None, range_mm=None,
            uncertainty_mm=None, departure=None,
        )  # fmt: skip
    off = level.departure
    return LevelPart(
        slope_mm_per_m=mm(level.slope),
        slope_uncertainty_mm_per_m=mm_or_none(level.slope_uncertainty),
        range_mm=mm(level.range_m),
        uncertainty_mm=mm(level.uncertainty_m),
        departure=None
        if off is None
        else DeparturePart(
            wanted_z_m=metres(off.level_m + check.origin_m[2]),
            lowest_mm=mm(off.lowest_m),
            highest_mm=mm(off.highest_m),
            uncertainty_mm=mm(off.uncertainty_m),
            tolerance_mm=mm_or_none(off.tolerance_m),
            verdict=off.verdict,
            condition=IF_CEILING if off.on_ceiling else None,
        ),
    )


def _used(used: BagsUsed) -> BagsUsedPart:
    low, high = (rounded(edge * MM, 3) for edge in used.found_interval_m3)
    return BagsUsedPart(
        bags=used.bags,
        stated_l_per_bag=rounded(used.stated_m3 * MM, 3),
        found_l_per_bag=None if used.found_m3 is None else rounded(used.found_m3 * MM, 3),
        found_interval_l_per_bag=(low, high),
        verdict=used.verdict,
        reasons=list(used.reasons),
    )


def _against(plan: AgainstPlan) -> AgainstPlanPart:
    low, high = plan.planned_interval_m3
    return AgainstPlanPart(
        same_scan=plan.same_scan,
        planned_l=litres(plan.planned_m3),
        planned_interval_l=(litres(low), litres(high)),
        difference_l=litres(plan.difference_m3),
        agrees=plan.agrees,
        datum_z_m=None if plan.datum_m is None else metres(plan.datum_m),
        bags=plan.bags,
    )
