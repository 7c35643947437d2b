"""A surface and a job as a plan: datum, fill, order, humps, and what stands in the way."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.datum import DatumRequest, choose_datum
from pourdatum.errors import JobError
from pourdatum.grind import find_humps
from pourdatum.job import Job
from pourdatum.material import obstacles, order
from pourdatum.outcome import Plan, Survey
from pourdatum.pipeline.controlled import with_control
from pourdatum.pipeline.pinned import pins_of
from pourdatum.pipeline.remarks import (
    plan_assumptions,
    plan_warnings,
)
from pourdatum.pipeline.surveyed import as_job, surveyed
from pourdatum.pipeline.upright import check_level, check_walls
from pourdatum.sheetfile import read_sheet
from pourdatum.spread import draws_to_buy_m3, fill_draws_m3, fill_interval
from pourdatum.units import MM
from pourdatum.volume import Volume, fill_volume

if TYPE_CHECKING:
    from pourdatum.datum import Datum
    from pourdatum.material import Sheet
    from pourdatum.scan import Scan
    from pourdatum.surface import Surface

_FAR_M: Final = 0.5
"""A level as far as this from the floor is no datum of a levelling pour [m]; common practice."""


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
        If the sheet cannot be read, or holds no fall as steep as the one asked for.
    """
    job = as_job(job)
    sheet = read_sheet(job.material.sheet)
    check_fall(job, sheet)
    surface = with_control(surface, job)
    check_level(surface, job.datum.kind)
    check_walls(surface)
    prepared, poured_on = _prepared(surface, job)
    request = datum_request(job, surface.floor.scan, surface.origin_m[2])
    # What is told of the floor itself and what of the pour do not wait for each other.
    with ThreadPoolExecutor(1) as aside:
        survey_later = aside.submit(surveyed, surface, job)
        datum = choose_datum(prepared, request, sheet.least_m)
        _check_far(prepared, datum)
        volume = _fill(poured_on, datum, sheet, sheet.least_m)
        plan = _poured(poured_on, datum, volume, sheet, job, survey_later)
    told = replace(
        plan.survey,
        assumptions=(*plan.survey.assumptions, *plan_assumptions(plan, job)),
        warnings=(*plan.survey.warnings, *plan_warnings(plan, job)),
    )
    return replace(plan, survey=told)


def _poured(
    poured_on: Surface,
    datum: Datum,
    volume: Volume,
    sheet: Sheet,
    job: Job,
    survey: Future[Survey],
) -> Plan:
    """Order, humps and obstacles, and the survey when it is there."""
    draws = None if poured_on.between is not None else fill_draws_m3(poured_on, datum, volume)
    interval = fill_interval(poured_on, datum, volume, draws)
    bought = order(
        volume,
        sheet,
        volume_interval_m3=interval,
        waste=job.material.waste,
        confidence=job.material.confidence,
        price_per_bag=job.material.price_per_bag,
        labour_per_bag=job.material.labour_per_bag,
        absorbency=job.preparation.absorbency,
        draws_m3=None if draws is None else draws_to_buy_m3(draws, datum, volume),
    )
    humps = tuple(find_humps(poured_on, datum))
    standing = obstacles(
        _judged(volume, poured_on, datum, sheet),
        sheet,
        area_m2=volume.outline_m2,
        datum_slope=datum.plane.slope,
        max_load_kg_per_m2=job.pour.max_load_kg_per_m2,
    )
    return Plan(
        survey=survey.result(),
        surface=poured_on,
        datum=datum,
        sheet=sheet,
        volume=volume,
        volume_interval_m3=interval,
        order=bought,
        humps=humps,
        obstacles=standing,
        removal_m=job.preparation.removal_mm / MM,
        roughness_m=job.preparation.roughness_mm / MM,
        mixers=job.pour.mixers,
        grind_open=wants_grinding(job),
        pins=pins_of(poured_on, datum, job),
    )


def wants_grinding(job: Job) -> bool:
    """Whether grinding may lower the datum: allowed, and either priced or asked for."""
    asked = "allowed" in job.grind.model_fields_set
    return job.grind.allowed and (job.grind.priced or asked)


def datum_request(job: Job, scan: Scan, z0_m: float | None = None) -> DatumRequest:
    """The datum asked for, local; ``z0_m`` is the level of the surface's origin."""
    x0_m, y0_m, own_m = scan.origin_m
    z0_m = own_m if z0_m is None else z0_m
    unit_m, height_m = scan.frame.unit_m, scan.frame.upright_unit_m
    wish = job.datum
    if wish.kind == "level":
        z_m = wish.z_m if wish.z is None else wish.z * height_m
        assert z_m is not None  # The job's model saw to it.
        return DatumRequest(kind="level", z_m=z_m - z0_m)
    if wish.kind == "fall":
        assert wish.slope_mm_per_m is not None
        assert wish.toward is not None
        x, y = wish.toward
        return DatumRequest(
            kind="fall",
            slope=wish.slope_mm_per_m / MM,
            toward_m=(x * unit_m - x0_m, y * unit_m - y0_m),
        )
    return DatumRequest(kind=wish.kind)


def check_fall(job: Job, sheet: Sheet) -> None:
    """Refuse a fall steeper than the material holds."""
    slope = job.datum.slope_mm_per_m
    if job.datum.kind == "fall" and slope is not None and slope > sheet.max_fall_mm_per_m:
        raise JobError(
            f"a fall of {slope:g} mm per m is steeper than {sheet.name} holds "
            f"({sheet.max_fall_mm_per_m:g})",
            where="datum.slope_mm_per_m",
            hint="lay a screed to falls, or choose a material that holds it",
            id="fall-too-steep",
        )


def _check_far(surface: Surface, datum: Datum) -> None:
    """Refuse a given level that no compound reaches: it is one of another vertical."""
    if datum.kind != "level":
        return
    known = surface.measured | surface.inferred
    floor_m = float(np.median(surface.height_m[known]))
    off_m = datum.plane.z0_m - floor_m
    if abs(off_m) > _FAR_M:
        z0_m = surface.origin_m[2]
        raise JobError(
            f"the datum {datum.plane.z0_m + z0_m:.3f} m lies {abs(off_m):.2f} m"
            f" {'over' if off_m > 0 else 'under'} the floor, whose middle is at"
            f" {floor_m + z0_m:.3f} m in the vertical of the scan",
            where="--datum",
            hint="give the level in that vertical and in the scan's unit, or shots from a"
            " benchmark (--control) that bring the scan into yours",
            id="datum-far",
        )


def _prepared(surface: Surface, job: Job) -> tuple[Surface, Surface]:
    """The floor after its preparation: the top that sets the datum, the mean that is filled.

    Removal lowers everything. Roughness is depth below the top of the texture, which
    the powder fills and a straightedge does not feel.
    """
    removal_m = job.preparation.removal_mm / MM
    roughness_m = job.preparation.roughness_mm / MM
    top = surface if removal_m == 0.0 else replace(surface, height_m=surface.height_m - removal_m)
    mean = top if roughness_m == 0.0 else replace(top, height_m=top.height_m - roughness_m)
    return top, mean


def _fill(surface: Surface, datum: Datum, sheet: Sheet, least_m: float) -> Volume:
    return fill_volume(
        surface.height_m,
        surface.grid,
        surface.floor.outline,
        datum.plane,
        least_m=least_m,
        greatest_m=sheet.greatest_m,
    )


def _judged(volume: Volume, surface: Surface, datum: Datum, sheet: Sheet) -> Volume:
    """The fill as held against the sheet's least depth: a shortfall within the noise is none.

    A high-point datum stands the least depth over the floor's true top, so that about
    half the cells of a flat floor fall short of it by their own noise.
    """
    if volume.short_m2 == 0.0:
        return volume
    known = surface.measured | surface.inferred
    errors = surface.standard_error_m[known]
    errors = errors[errors == errors]
    middle = len(errors) // 2
    typical_m = float(np.partition(errors, middle)[middle]) if len(errors) else 0.0
    noise_m = 4.0 * typical_m
    return _fill(surface, datum, sheet, max(0.0, sheet.least_m - noise_m))
