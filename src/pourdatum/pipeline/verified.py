"""Two scans of a floor, before and after the pour, as one finished proof."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.capability import not_surer_than
from pourdatum.chunks import Means
from pourdatum.errors import JobError
from pourdatum.outcome import Check, FloorFigures
from pourdatum.passing import Progress, silent
from pourdatum.pipeline.controlled import with_control, with_stated_errors
from pourdatum.pipeline.measured import measured
from pourdatum.pipeline.pinned import pin_request
from pourdatum.pipeline.proofwords import (
    levels_of_control,
    proof_taken,
    proof_warnings,
    removal_m,
    told_of_both,
    yield_warnings,
)
from pourdatum.pipeline.remarks import with_base_names
from pourdatum.pipeline.surveyed import decision_rule, surveyed
from pourdatum.pipeline.upright import level_known
from pourdatum.read import read_scan
from pourdatum.read.marks_file import read_marks
from pourdatum.read.plan_result import read_plan
from pourdatum.register import Registration, freedom_of, register_scans
from pourdatum.sheetfile import read_sheet
from pourdatum.surface import make_surface
from pourdatum.tiemarks import register_by_marks
from pourdatum.uncertainty import COVER_95, SENSORS, SharedError
from pourdatum.units import MM
from pourdatum.used import AgainstPlan, bags_used, stated_m3
from pourdatum.verification import Verification
from pourdatum.verify import verify_pour

if TYPE_CHECKING:
    from pourdatum.job import Job
    from pourdatum.results import PlanResult
    from pourdatum.scan import Scan
    from pourdatum.surface import Surface

_SAME_AREA: Final = 0.05
"""Share by which the areas of plan and floor may differ; a choice."""
_BEFORE_A_POUR: Final = frozenset({"nibs", "ridges"})


def check_scans(
    before: Sequence[str | Path],
    after: Sequence[str | Path],
    job: Job,
    *,
    means: Means = Means(),  # noqa: B008 -- frozen
    progress: Progress = silent,
) -> Check:
    """What was placed between two scans, and whether the floor conforms.

    Parameters
    ----------
    before, after : sequence of paths
        Files of one campaign each.
    job : Job
    means : Means
    progress : callable

    Raises
    ------
    PourdatumError
        One of its children, each with the exit status it stands for.
    """
    plan = None if job.proof.plan is None else _checked_plan(job.proof.plan)
    if job.proof.bags is not None and not _says_sheet(job):
        raise JobError(
            "bags are held against what a bag of the sheet fills, and no sheet is named",
            where="--bags", hint="name the bag that was poured with --material", id="bags-no-sheet",
        )  # fmt: skip
    # Control shots stand on the floor that is judged, which is the one after the pour.
    without = job.model_copy(update={"scan": job.scan.model_copy(update={"control": None})})
    first = measured(before, without, means, progress)
    progress("reading the scan after the pour", None)
    later = read_scan(
        *after,
        units=job.after.units or job.scan.units,
        up=job.after.up or job.scan.up,
        columns=job.scan.columns_told,
    )
    _check_other(later, first)
    tie = _tie(later, first, job, means, progress)
    raw = make_surface(
        later, first.floor, tie,
        sensor=job.after.sensor or job.scan.sensor, means=means, progress=progress,
    )  # fmt: skip
    later.wait_for_hashes()
    raw = with_stated_errors(raw, job)
    progress("holding the floor against its contract", None)
    return _checked(first, raw, later.origin_m, job, plan)


def _checked_plan(folder: str) -> PlanResult:
    """The plan of a folder, every figure of it checked."""
    from pydantic import ValidationError

    from pourdatum.results import PlanResult

    data = read_plan(folder)
    try:
        return PlanResult.model_validate(data)
    except ValidationError as wrong:
        first = wrong.errors()[0]
        key = ".".join(f"{part}" for part in first["loc"])
        raise JobError(
            f"{key}: {first['msg']}; the plan is damaged or of another version",
            where=folder, hint="plan the floor again with this version", id="plan-folder",
        ) from wrong  # fmt: skip


def _check_other(later: Scan, first: Surface) -> None:
    """Refuse a file that stands on both sides."""
    first.floor.scan.wait_for_hashes()
    before = {item.sha256 for item in first.floor.scan.inputs}
    twice = next((item.file for item in later.inputs if item.sha256 in before), None)
    if twice is not None:
        raise JobError(
            "the same scan is BEFORE and AFTER",
            where=twice, hint="name the scan made after the pour", id="same-scan",
        )  # fmt: skip


def _tie(
    later: Scan, first: Surface, job: Job, means: Means, progress: Progress
) -> Registration | None:
    """What brings AFTER into BEFORE's frame."""
    floor, wish = first.floor, job.registration
    if floor.spots is not None or later.spots is not None:
        raise JobError(
            "verify compares scans, and one of these is a list of levels",
            hint="scan the floor before and after the pour; survey judges levels shot singly",
            id="spots-not-compared",
        )
    if wish.same_frame:
        return None
    if wish.marks is not None:
        marks = read_marks(wish.marks, floor.scan.frame, later.frame)
        middle = floor.outline.centroid
        level_m = float(first.grid.at(first.height_m, np.array([[middle.x, middle.y]]))[0])
        return register_by_marks(
            marks,
            floor.scan.frame,
            (middle.x, middle.y, level_m),
            freedom=freedom_of(_budgets(first, job)),
            where=wish.marks,
        )
    return register_scans(
        later,
        floor.scan,
        turn_rad=None if wish.turn_deg is None else math.radians(wish.turn_deg),
        budgets=_budgets(first, job),
        levels=(None, floor.level),
        means=means,
        progress=progress,
    )


def _budgets(first: Surface, job: Job) -> tuple[SharedError, SharedError]:
    """What AFTER and BEFORE may be out by as wholes."""
    kind = job.after.sensor
    return (first.shared if kind is None else SENSORS[kind]), first.shared


def _checked(
    first: Surface,
    raw: Surface,
    after_origin_m: tuple[float, float, float],
    job: Job,
    plan: PlanResult | None,
) -> Check:
    levelled = with_control(raw, job)
    survey = told_of_both(surveyed(levelled, job), with_base_names(first.floor.scan))
    wanted = _wanted(job, plan, first, levelled)
    tie = raw.move if isinstance(raw.move, Registration) else None
    known = levels_of_control(levelled) or tie is None or tie.height_known
    sheet = read_sheet(job.material.sheet) if _says_sheet(job) else None
    found = verify_pour(
        first,
        raw,
        job.criteria,
        levelled=levelled,
        rule=decision_rule(job),
        joints=pin_request(job, levelled).joints,
        section_m=job.test_sections.side_m,
        system=job.units,
        level_known=level_known(levelled),
        height_known=known,
        removal_m=removal_m(job),
        wanted_m=None if wanted is None else wanted[0],
        wanted_error_m=0.0 if wanted is None else _wanted_error_m(wanted[1], tie, levelled),
        tolerance_m=None if job.proof.tolerance_mm is None else job.proof.tolerance_mm / MM,
        takes_m=None if sheet is None else sheet.greatest_m,
        bags_m3=None
        if sheet is None or job.proof.bags is None
        else job.proof.bags * stated_m3(sheet),
        planned_m3=None if plan is None else _planned_m3(plan),
    )
    if not levels_of_control(levelled) and found.registration is not None:
        known = found.registration.height_known
    used = None
    whole = found.placed is not None and not found.placed.of_part
    if job.proof.bags is not None and found.placed is not None and whole:
        assert sheet is not None
        used = bags_used(found.placed, job.proof.bags, sheet)
    return Check(
        survey=replace(
            survey,
            flatness=found.flatness,
            capabilities=not_surer_than(survey.capabilities, found.flatness, levelled.narrow.lines),
            rule=found.rule,
            figures=survey.figures if known else _without_levels(survey.figures),
            assumptions=(*proof_taken(job, found, levelled), *survey.assumptions),
            warnings=(
                *proof_warnings(found, job, first, raw),
                *yield_warnings(used, job.units),
                *(one for one in survey.warnings if one.code not in _BEFORE_A_POUR),
            ),
        ),
        before=replace(first, floor=replace(first.floor, scan=with_base_names(first.floor.scan))),
        found=found,
        after_origin_m=after_origin_m,
        sheet=sheet,
        used=used,
        planned=None if plan is None else _against(plan, job, first, found),
    )


def _without_levels(figures: FloorFigures) -> FloorFigures:
    """The figures of a floor whose height over BEFORE's is not known."""
    return replace(figures, high_m=math.nan, low_m=math.nan, mean_m=math.nan)


def _says_sheet(job: Job) -> bool:
    return "sheet" in job.material.model_fields_set


def _wanted(
    job: Job, plan: PlanResult | None, first: Surface, levelled: Surface
) -> tuple[float, float] | None:
    """The level that the floor was to have, local to it, and its standard uncertainty [m].

    A level in the job is one of the vertical that the judged floor has: of control shots with
    levels, else BEFORE's own. A plan's datum is one of the vertical that the plan had.
    """
    if job.proof.level_z_m is not None:
        return job.proof.level_z_m - levelled.origin_m[2], 0.0
    why = "no plan is named"
    if plan is not None:
        datum = plan.datum
        control = plan.floor.control is not None
        if not _same_scan(plan, first):
            why = "the plan is of another scan"
        elif datum.kind not in ("high-point", "level") or datum.z_m is None:
            why = f"the plan's datum is no level ({datum.kind})"
        elif control != levels_of_control(levelled):
            why = "one of the plan and this proof has control shots with levels and one has not"
        else:
            low, high = datum.z_interval_m or (datum.z_m, datum.z_m)
            error_m = 0.0 if datum.kind == "level" else 0.5 * (high - low) / COVER_95
            return datum.z_m - levelled.origin_m[2], error_m
    if job.proof.tolerance_mm is not None:
        raise JobError(
            f"tolerance_mm has no level to be held against: {why}",
            where="proof.tolerance_mm", hint="give level_z_m", id="no-level",
        )  # fmt: skip
    return None


def _wanted_error_m(own_m: float, tie: Registration | None, levelled: Surface) -> float:
    """With the tie in it, where the level is one of BEFORE's vertical."""
    if tie is None or levels_of_control(levelled):
        return own_m
    return math.hypot(own_m, tie.height_error_m or 0.0)


def _same_scan(plan: PlanResult, first: Surface) -> bool:
    hashes = {item.sha256 for item in plan.inputs}
    return hashes == {item.sha256 for item in first.floor.scan.inputs}


def _planned_m3(plan: PlanResult) -> tuple[float, float]:
    low, high = plan.fill.volume_interval_l
    return low / MM, high / MM


def _against(plan: PlanResult, job: Job, first: Surface, found: Verification) -> AgainstPlan | None:
    placed = found.placed
    if placed is None:
        return None
    area_m2, own_m2 = plan.floor.area_m2, first.floor.area_m2
    if abs(area_m2 / own_m2 - 1.0) > _SAME_AREA:
        raise JobError(
            f"the plan is of {area_m2:.2f} m², this floor has {own_m2:.2f} m²",
            where=str(job.proof.plan),
            hint="name the plan of this floor, with the same outline",
            id="plan-other-floor",
        )
    if placed.of_part:
        return None
    planned_m3 = plan.fill.volume_l / MM
    low, high = _planned_m3(plan)
    own_low, own_high = placed.volume_interval_m3
    same = _same_scan(plan, first)
    return AgainstPlan(
        same_scan=same,
        planned_m3=planned_m3,
        planned_interval_m3=(low, high),
        difference_m3=placed.volume_m3 - planned_m3,
        agrees=own_low <= high and low <= own_high,
        datum_m=plan.datum.z_m if same else None,
        bags=plan.material.bags,
    )
