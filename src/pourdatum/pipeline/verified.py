"""Two scans of a floor, before and after the pour, as one finished proof."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pourdatum.chunks import Means
from pourdatum.errors import JobError
from pourdatum.outcome import Check, Warned
from pourdatum.passing import Progress, silent
from pourdatum.pipeline.controlled import with_control
from pourdatum.pipeline.measured import measured
from pourdatum.pipeline.pinned import pin_request
from pourdatum.pipeline.surveyed import decision_rule, surveyed
from pourdatum.pipeline.upright import level_known
from pourdatum.read import read_scan
from pourdatum.read.marks_file import read_marks
from pourdatum.read.plan_result import read_plan
from pourdatum.register import Registration, register_scans
from pourdatum.sheetfile import read_sheet
from pourdatum.surface import make_surface
from pourdatum.tiemarks import register_by_marks
from pourdatum.uncertainty import SENSORS
from pourdatum.units import MM
from pourdatum.used import AgainstPlan, bags_used
from pourdatum.verify import Verification, verify_pour

if TYPE_CHECKING:
    from pourdatum.job import Job
    from pourdatum.scan import Scan
    from pourdatum.surface import Surface

_LOW_OVERLAP = 0.9
_SAME_AREA = 0.05
_LOWER_M2 = 0.05


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
    plan = None if job.proof.plan is None else read_plan(job.proof.plan)
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
    tie = _tie(later, first, job, means, progress)
    raw = make_surface(
        later, first.floor, tie,
        sensor=job.after.sensor or job.scan.sensor, means=means, progress=progress,
    )  # fmt: skip
    later.wait_for_hashes()
    progress("holding the floor against its contract", None)
    return _checked(first, raw, later.origin_m, job, plan)


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
        level_m = float(first.grid.at(first.height_m, _row(middle.x, middle.y))[0])
        return register_by_marks(
            marks, floor.scan.frame, (middle.x, middle.y, level_m), where=wish.marks
        )
    return register_scans(
        later,
        floor.scan,
        turn_rad=None if wish.turn_deg is None else math.radians(wish.turn_deg),
        budgets=(
            first.shared if job.after.sensor is None else SENSORS[job.after.sensor],
            first.shared,
        ),
        levels=(None, floor.level),
        means=means,
        progress=progress,
    )


def _row(x: float, y: float) -> Any:
    import numpy as np

    return np.array([[x, y]])


def _checked(
    first: Surface,
    raw: Surface,
    after_origin_m: tuple[float, float, float],
    job: Job,
    plan: dict[str, Any] | None,
) -> Check:
    levelled = with_control(raw, job)
    survey = surveyed(levelled, job)
    planned_m = _planned_level_m(plan, first)
    found = verify_pour(
        first,
        raw,
        job.criteria,
        levelled=levelled,
        rule=decision_rule(job),
        joints=pin_request(job, levelled).joints,
        level_known=level_known(levelled),
        removal_m=_removal_m(job),
        wanted_m=_wanted_m(job, first, planned_m),
        tolerance_m=None if job.proof.tolerance_mm is None else job.proof.tolerance_mm / MM,
    )
    sheet = read_sheet(job.material.sheet) if _says_sheet(job) else None
    used = None
    if job.proof.bags is not None and found.placed is not None:
        used = bags_used(found.placed, job.proof.bags, read_sheet(job.material.sheet))
    return Check(
        survey=replace(
            survey,
            flatness=found.flatness,
            rule=found.rule,
            assumptions=(*_taken(job), *survey.assumptions),
            warnings=(*_warned(found, job, first), *survey.warnings),
        ),
        before=first,
        found=found,
        after_origin_m=after_origin_m,
        sheet=sheet,
        used=used,
        planned=None if plan is None else _against(plan, job, first, found),
    )


def _says_sheet(job: Job) -> bool:
    return "sheet" in job.material.model_fields_set


def _removal_m(job: Job) -> float | None:
    """What was taken off the floor between the scans; None where that is open."""
    removal_mm = job.preparation.removal_mm
    if job.proof.before == "prepared":
        return 0.0
    if job.proof.before is None:
        # A job that plans a removal leaves open on which side of it BEFORE was made.
        return 0.0 if removal_mm == 0.0 else None
    return removal_mm / MM if "removal_mm" in job.preparation.model_fields_set else None


def _wanted_m(job: Job, first: Surface, planned_m: float | None) -> float | None:
    """The level that the floor was to have, local [m]."""
    if job.proof.level_z_m is not None:
        return job.proof.level_z_m - first.origin_m[2]
    return planned_m


def _taken(job: Job) -> list[str]:
    said = [
        "frame: places and levels are those of BEFORE",
    ]
    if job.proof.before is None and job.preparation.removal_mm == 0.0:
        said.append(
            "BEFORE is taken as made on the prepared floor, after grinding; if not, say so with "
            'before = "unprepared", under [proof] in the job'
        )
    if job.proof.before == "unprepared" and _removal_m(job) is not None:
        said.append(
            f"{job.preparation.removal_mm:g} mm were taken off between the scans, as the job says"
        )
    return said


def _warned(found: Verification, job: Job, first: Surface) -> list[Warned]:
    said = []
    if found.placed is None:
        text = found.lacks
        if _removal_m(job) is None and job.proof.before is None:
            text = (
                "the job states a removal and not whether BEFORE was made before or after it: say "
                'before = "prepared" or "unprepared", under [proof]'
            )
        said.append(Warned("placed-unknown", f"what was placed is not known: {text}"))
    tie = found.registration
    if tie is not None and tie.overlap < _LOW_OVERLAP:
        said.append(
            Warned(
                "overlap",
                f"only {tie.overlap:.0%} of the walls of the smaller scan lie on those of the"
                " other: check that both are of this room",
            )
        )
    if tie is None:
        said.append(
            Warned(
                "same-frame",
                "both scans are taken as being in one frame, as the job says: an error of that"
                " frame is an error of the thickness, and is in no interval",
            )
        )
    if found.placed is not None and found.placed.lower_m2 > _LOWER_M2:
        said.append(
            Warned(
                "lower-than-before",
                f"{found.placed.lower_m2:.2f} m² lie lower after the pour than before: something"
                " was taken off there after BEFORE was made, and what was placed is understated by"
                " as much; scan the prepared floor, or allow for the removal (removal_mm, under"
                " [preparation])",
            )
        )
    if found.placed is not None:
        lacking = first.floor.area_m2 - float(found.placed.seen.sum()) * first.grid.cell_m**2
        if lacking > _SAME_AREA * first.floor.area_m2:
            said.append(
                Warned(
                    "not-seen-twice",
                    f"{lacking:.1f} m² of the floor were not seen in both scans: thickness there"
                    " is carried on from around",
                )
            )
    return said


def _same_scan(plan: dict[str, Any], first: Surface) -> bool:
    hashes = {item["sha256"] for item in plan["inputs"]}
    return hashes == {item.sha256 for item in first.floor.scan.inputs}


def _planned_level_m(plan: dict[str, Any] | None, first: Surface) -> float | None:
    """The plan's level, local; None where it is of another scan, or no level plane."""
    if plan is None or not _same_scan(plan, first):
        return None
    datum = plan["datum"]
    if datum["kind"] not in ("high-point", "level") or datum["z_m"] is None:
        return None
    return float(datum["z_m"]) - first.origin_m[2]


def _against(
    plan: dict[str, Any], job: Job, first: Surface, found: Verification
) -> AgainstPlan | None:
    placed = found.placed
    if placed is None:
        return None
    planned_m3 = plan["fill"]["volume_l"] / MM
    low, high = (edge / MM for edge in plan["fill"]["volume_interval_l"])
    own_low, own_high = placed.volume_interval_m3
    level_m = _planned_level_m(plan, first)
    return AgainstPlan(
        folder=Path(str(job.proof.plan)).name,
        same_scan=_same_scan(plan, first),
        planned_m3=planned_m3,
        planned_interval_m3=(low, high),
        difference_m3=placed.volume_m3 - planned_m3,
        agrees=own_low <= high and low <= own_high,
        datum_m=None if level_m is None else level_m + first.origin_m[2],
        bags=plan["material"]["bags"],
    )
