"""A surface and a job as a plan: datum, fill, order, humps, and what stands in the way."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pourdatum.datum import choose_datum
from pourdatum.job import Job
from pourdatum.outcome import Plan
from pourdatum.pipeline.compared import besides_of, check_load, ways_of
from pourdatum.pipeline.controlled import with_control
from pourdatum.pipeline.onedatum import (
    as_prepared,
    check_fall,
    check_far,
    datum_request,
    grinding_lacks,
    own_sheet,
    poured,
    wants_grinding,
    weighed,
)
from pourdatum.pipeline.pinned import pins_of
from pourdatum.pipeline.poured import crew_of, day_of, pour_obstacles, sheet_of
from pourdatum.pipeline.remarks import plan_assumptions, plan_warnings
from pourdatum.pipeline.surveyed import as_job, surveyed
from pourdatum.pipeline.upright import check_level, check_walls
from pourdatum.pipeline.zoned import plan_zones
from pourdatum.pour import check_crew

if TYPE_CHECKING:
    from concurrent.futures import Future

    from pourdatum.material import Sheet
    from pourdatum.outcome import Survey
    from pourdatum.surface import Surface


def plan_pour(surface: Surface, job: Job | str | Path | None = None) -> Plan:
    """A surface and a job as a plan: datum, fill, humps, order.

    Parameters
    ----------
    surface : Surface
        Levels as scanned.
    job : Job or path, optional
        What to plan for; the defaults without it.

    Raises
    ------
    JobError
        If the sheet cannot be read, or holds no fall as steep as the one asked for, or a zone
        lies over another or off the floor.
    """
    job = as_job(job)
    sheet = own_sheet(job)
    check_fall(job, sheet)
    check_load(job, sheet)
    check_crew(crew_of(job), sheet)
    surface = with_control(surface, job)
    for kind in [zone.kind for zone in job.zone] or [job.datum.kind]:
        check_level(surface, kind)
    check_walls(surface)
    prepared, poured_on = as_prepared(surface, job)
    # What is told of the floor itself and what of the pour do not wait for each other.
    with ThreadPoolExecutor(1) as aside:
        survey_later = aside.submit(surveyed, surface, job)
        plan_floor = plan_zones if job.zone else _plan_whole
        plan = plan_floor(prepared, poured_on, sheet, job, survey_later)
    told = replace(
        plan.survey,
        assumptions=(*plan.survey.assumptions, *plan_assumptions(plan, job)),
        warnings=(*plan.survey.warnings, *plan_warnings(plan, job)),
    )
    return replace(plan, survey=told)


def _plan_whole(
    prepared: Surface, poured_on: Surface, sheet: Sheet, job: Job, survey: Future[Survey]
) -> Plan:
    """The floor to one datum."""
    request = datum_request(job, prepared.floor.scan, prepared.origin_m[2])
    datum = choose_datum(prepared, request, sheet.least_m)
    given = "datum.z_m" if job.datum.z_m is not None else "--datum"
    check_far(prepared, datum, given)
    lacks = grinding_lacks(job, sheet, poured_on)
    grinding = None
    if wants_grinding(job) and not lacks:
        grinding = weighed(poured_on, datum, sheet, job)
        datum = grinding.datum
    pins = pins_of(poured_on, datum, job)
    plan = poured(poured_on, datum, sheet, job, survey, grinding, pins)
    plan = replace(plan, grind_lacks=lacks if wants_grinding(job) else ())
    plan = replace(plan, pour=sheet_of(plan, job))
    plan = replace(plan, day=day_of(plan, job))
    # What the crew cannot do stands in the way of every way: they are compared without it.
    plan = replace(plan, ways=ways_of(plan, job, prepared))
    plan = replace(plan, obstacles=(*plan.obstacles, *pour_obstacles(plan, job)))
    return replace(plan, besides=besides_of(plan))
