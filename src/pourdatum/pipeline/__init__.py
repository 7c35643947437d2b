"""The story as one function per command: from files and a job to a finished result."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pourdatum.advice import control_shots, more_levels, scan_again
from pourdatum.areaerror import area_interval_m2
from pourdatum.capability import capabilities
from pourdatum.chunks import Means
from pourdatum.datum import LOCAL_LEVEL, DatumRequest, choose_datum
from pourdatum.errors import JobError
from pourdatum.filelist import choose_files
from pourdatum.floor import find_floor
from pourdatum.geometry import fit_plane
from pourdatum.grind import find_humps
from pourdatum.job import Job, read_job
from pourdatum.material import obstacles, order
from pourdatum.outcome import FloorFigures, Plan, Survey, Warned
from pourdatum.outline_file import (
    check_outline_unit,
    outline_to_local,
    place_to_local,
    read_outline,
)
from pourdatum.passing import Progress, silent
from pourdatum.patch import highest_patch
from pourdatum.pipeline.controlled import control_remarks, with_control
from pourdatum.pipeline.floor_words import floor_taken, read_as_typed, sensor_taken
from pourdatum.pipeline.remarks import (
    LATER,
    criteria_not_used,
    floor_warnings,
    plan_assumptions,
    plan_warnings,
    survey_notes,
    unused_keys,
    with_base_names,
)
from pourdatum.pipeline.upright import check_level, check_walls, level_known, upright_warnings
from pourdatum.read import read_scan
from pourdatum.read.control_file import check_control
from pourdatum.sheetfile import read_sheet
from pourdatum.slopeerror import slope_error_95
from pourdatum.spread import fill_draws_m3, fill_interval
from pourdatum.surface import make_surface
from pourdatum.units import MM
from pourdatum.volume import Volume, fill_volume, surface_moments
from pourdatum.write.folder import result_folder, writing
from pourdatum.write.result_json import write_json
from pourdatum.write.tables import write_table

if TYPE_CHECKING:
    from pourdatum.advice import Advice
    from pourdatum.datum import Datum
    from pourdatum.material import Sheet
    from pourdatum.scan import Scan
    from pourdatum.surface import Surface

_FAR_M: Final = 0.5
"""A level as far as this from the floor is no datum of a levelling pour [m]; common practice."""


def survey_scan(
    paths: Sequence[str | Path],
    job: Job | str | Path | None = None,
    *,
    means: Means = Means(),  # noqa: B008 -- frozen
    progress: Progress = silent,
) -> Survey:
    """What the floor in these files is.

    Parameters
    ----------
    paths : sequence of paths
        Files of one campaign.
    job : Job or path, optional
        Units, outline and title; the defaults without it.
    means : Means, optional
        Workers, memory and machines that go through the points.
    progress : callable, optional
        Called with the stage and the share done.

    Raises
    ------
    PourdatumError
        One of its children, each with the exit status it stands for.
    """
    job = _as_job(job)
    surface = _measured(paths, job, means, progress)
    progress("high and low places", None)
    return survey_floor(surface, job)


def plan_scan(
    paths: Sequence[str | Path],
    job: Job | str | Path | None = None,
    *,
    means: Means = Means(),  # noqa: B008 -- frozen
    progress: Progress = silent,
) -> Plan:
    """What to pour on the floor in these files; parameters and errors as ``survey_scan``."""
    job = _as_job(job)
    # A wrong word is said before minutes of reading.
    _check_fall(job, read_sheet(job.material.sheet))
    surface = _measured(paths, job, means, progress)
    progress("datum and volume", None)
    return plan_pour(surface, job)


def survey_floor(surface: Surface, job: Job | str | Path | None = None) -> Survey:
    """A surface in figures.

    Parameters
    ----------
    surface : Surface
        Levels as scanned.
    job : Job or path, optional
        Title, units shown and survey notes.
    """
    job = _as_job(job)
    survey = _surveyed(with_control(surface, job), job)
    later = Warned("not-in-this-version", LATER["survey"])
    return replace(survey, warnings=(*survey.warnings, later))


def _surveyed(surface: Surface, job: Job) -> Survey:
    """The survey of a levelled surface, with the warnings that a plan of it has as well."""
    scan = with_base_names(surface.floor.scan)
    check_walls(surface)
    controlled, said = control_remarks(surface)
    warnings = [
        *floor_warnings(surface), *upright_warnings(surface), *controlled, *unused_keys(job),
        *criteria_not_used(job),
    ]  # fmt: skip
    return Survey(
        scan=scan,
        surface=surface,
        figures=_figures(surface),
        title=job.title,
        system=job.units,
        assumptions=(
            *scan.assumptions,
            *sensor_taken(surface, job),
            *floor_taken(surface),
            *said,
        ),
        warnings=tuple(warnings),
        notes=survey_notes(job),
        advice=_advised(surface),
        capabilities=capabilities(surface) if level_known(surface) else (),
    )


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
    job = _as_job(job)
    sheet = read_sheet(job.material.sheet)
    _check_fall(job, sheet)
    surface = with_control(surface, job)
    check_level(surface, job.datum.kind)
    check_walls(surface)
    prepared, poured_on = _prepared(surface, job)
    request = _request(job, surface.floor.scan, surface.origin_m[2])
    # What is told of the floor itself and what of the pour do not wait for each other.
    with ThreadPoolExecutor(1) as aside:
        survey_later = aside.submit(_surveyed, surface, job)
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
        draws_m3=draws,
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
    )


def wants_grinding(job: Job) -> bool:
    """Whether grinding may lower the datum: allowed, and either priced or asked for."""
    asked = "allowed" in job.grind.model_fields_set
    return job.grind.allowed and (job.grind.priced or asked)


def write_results(
    outcome: Survey | Plan,
    folder: str | Path,
    *,
    files: str | None = None,
    overwrite: bool = False,
) -> Path:
    """Write a finished result as a folder, whole or not at all.

    Parameters
    ----------
    outcome : Survey or Plan
    folder : str or Path
        Result folder; its parent exists.
    files : str, optional
        As ``--files``: ``"result,report"`` or ``"all"``.
    overwrite : bool
        Replace an existing result folder.

    Raises
    ------
    OutputError
        If it exists or cannot be written.
    JobError
        If ``files`` names what is not known.
    """
    kinds = choose_files(files, "plan" if isinstance(outcome, Plan) else "survey")
    with result_folder(folder, overwrite=overwrite) as work, writing(folder):
        fill_folder(outcome, work, kinds)
    return Path(folder)


def fill_folder(
    outcome: Survey | Plan, work: Path, kinds: Sequence[str], *, progress: Progress = silent
) -> None:
    """Write the files of these kinds into an open folder."""
    from pourdatum.report.page import write_page
    from pourdatum.report.picture import write_picture
    from pourdatum.write.surface_nc import write_surface

    plan = outcome if isinstance(outcome, Plan) else None
    # The map in the page and the map beside it are the same: it is drawn once.
    picture = _drawn(outcome) if {"report", "pictures"} & set(kinds) else b""
    for kind in kinds:
        progress(f"writing {kind}", None)
        match kind:
            case "result":
                write_json(result_data(outcome), work / "result.json")
            case "report":
                write_page(outcome, work / "report.html", picture=picture)
            case "pictures":
                write_picture(picture, work / ("depth.png" if plan else "levels.png"))
            case "tables" if plan is not None and plan.humps:
                _write_humps(plan, work / "humps.csv")
            case "netcdf":
                write_surface(outcome.surface, work / "surface.nc", plan.datum if plan else None)


def _drawn(outcome: Survey | Plan) -> bytes:
    from pourdatum.report.picture import draw_depth, draw_levels

    held = io.BytesIO()
    if isinstance(outcome, Plan):
        draw_depth(outcome, held)
    else:
        draw_levels(outcome, held)
    return held.getvalue()


def result_data(outcome: Survey | Plan) -> dict[str, Any]:
    """The content of ``result.json`` as plain values."""
    from pourdatum.results import as_data, plan_result, survey_result

    return as_data(survey_result(outcome) if isinstance(outcome, Survey) else plan_result(outcome))


def _as_job(job: Job | str | Path | None) -> Job:
    return job if isinstance(job, Job) else read_job(job)


def _measured(paths: Sequence[str | Path], job: Job, means: Means, progress: Progress) -> Surface:
    drawn = read_outline(job.scan.outline) if job.scan.outline else None
    if job.scan.control is not None:
        check_control(job.scan.control)
    progress("reading the scan", None)
    scan = read_scan(*paths, units=job.scan.units, up=job.scan.up, columns=job.scan.columns_told)
    cell_m = None if job.scan.cell_mm is None else job.scan.cell_mm / MM
    if drawn is not None:
        box = (*scan.low_m[:2], *scan.high_m[:2])
        check_outline_unit(drawn, scan.frame, box, str(job.scan.outline))
    outline = None if drawn is None else outline_to_local(drawn, scan.frame)
    if drawn is not None and drawn.note:
        scan = replace(scan, assumptions=(*scan.assumptions, drawn.note))
    scan = replace(scan, assumptions=(*scan.assumptions, *read_as_typed(job, scan.frame)))
    floor = find_floor(
        scan,
        cell_m=cell_m,
        outline=outline,
        at_m=None if job.scan.at is None else place_to_local(job.scan.at, scan.frame),
        through_doors=job.scan.through_doors,
        means=means,
        progress=progress,
    )
    progress("levels", None)
    surface = make_surface(scan, floor, sensor=job.scan.sensor, progress=progress)
    scan.wait_for_hashes()
    return with_control(surface, job)


def _figures(surface: Surface) -> FloorFigures:
    known = surface.measured | surface.inferred
    x_m, y_m = surface.grid.mesh()
    best, _ = fit_plane(x_m[known], y_m[known], surface.height_m[known])
    # The lowest patch is the highest of the floor turned over: one method, one bias taken out.
    turned = replace(
        surface,
        height_m=-surface.height_m,
        between=None if surface.between is None else surface.between.turned(),
    )
    area_m2 = surface.measured_m2 + surface.inferred_m2
    spots = surface.between is not None
    between = None if spots else area_interval_m2(surface)
    if not level_known(surface):
        return FloorFigures(area_m2, *(math.nan,) * 4, None, None, between)
    # The lowest first: a datum that is chosen meanwhile asks for the highest, which is kept.
    low_m = -highest_patch(turned, LOCAL_LEVEL, draws=4).z_m
    return FloorFigures(
        area_m2=area_m2,
        high_m=highest_patch(surface, LOCAL_LEVEL).z_m,
        low_m=low_m,
        mean_m=surface_moments(surface.height_m, surface.grid, surface.floor.outline).mean_m,
        slope=best.slope,
        bearing_rad=None if best.slope == 0.0 else best.bearing_rad,
        tilt_95=slope_error_95(surface),
        area_interval_m2=between,
    )


def _advised(surface: Surface) -> tuple[Advice, ...]:
    """Where measuring again would help."""
    if surface.between is not None:
        return more_levels(surface)
    return (*scan_again(surface), *_more_shots(surface))


def _more_shots(surface: Surface) -> tuple[Advice, ...]:
    """Where control shots, or one more of them, would help."""
    fit = surface.control
    if fit is None:
        return control_shots(surface)
    # What the shots took away must not be taken away twice.
    before = replace(surface, shared=fit.before)
    return control_shots(before, [shot.place_m for shot in fit.used])


def _request(job: Job, scan: Scan, z0_m: float | None = None) -> DatumRequest:
    """The datum asked for, local; ``z0_m`` is the level of the surface's origin."""
    x0_m, y0_m, own_m = scan.origin_m
    z0_m = own_m if z0_m is None else z0_m
    unit_m = scan.frame.unit_m
    height_m = unit_m if scan.frame.height_unit_m is None else scan.frame.height_unit_m
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


def _check_fall(job: Job, sheet: Sheet) -> None:
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


def _write_humps(plan: Plan, path: Path) -> None:
    from pourdatum.results import plan_result

    header = ["hump", "x_m", "y_m", "area_m2", "height_mm", "grind_l", "saves_l", "worth"]
    rows = [
        [number, *hump.place, hump.area_m2, hump.height_mm, hump.grind_l, hump.saves_l, hump.worth]
        for number, hump in enumerate(plan_result(plan).grind.humps, 1)
    ]
    write_table(path, header, rows)


__all__ = [
    "fill_folder",
    "plan_pour",
    "plan_scan",
    "result_data",
    "survey_floor",
    "survey_scan",
    "wants_grinding",
    "write_results",
]
