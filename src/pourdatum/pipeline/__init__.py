"""The story as one function per command: from files and a job to a finished result."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from pourdatum.chunks import Means
from pourdatum.filelist import Command, choose_files
from pourdatum.job import Job
from pourdatum.outcome import Check, Plan, Survey
from pourdatum.passing import Progress, silent
from pourdatum.pipeline.compared import check_load
from pourdatum.pipeline.measured import measured
from pourdatum.pipeline.onedatum import check_fall, wants_grinding
from pourdatum.pipeline.planned import plan_pour
from pourdatum.pipeline.poured import crew_of
from pourdatum.pipeline.surveyed import as_job, survey_floor
from pourdatum.pipeline.verified import check_scans
from pourdatum.pour import check_crew
from pourdatum.sheetfile import read_sheet
from pourdatum.write.folder import result_folder, writing
from pourdatum.write.points import write_points
from pourdatum.write.result_json import write_json
from pourdatum.write.tables import write_table

if TYPE_CHECKING:
    from pourdatum.results import PlanResult
    from pourdatum.surface import Surface

Decide: TypeAlias = "Callable[[Surface, Job], Job]"
"""Gives the job by which a found floor is planned."""

_PICTURE: Final[dict[Command, str]] = {
    "survey": "levels.png",
    "plan": "depth.png",
    "verify": "thickness.png",
}


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
    job = as_job(job)
    surface = measured(paths, job, means, progress)
    progress("high and low places", None)
    return survey_floor(surface, job)


def plan_scan(
    paths: Sequence[str | Path],
    job: Job | str | Path | None = None,
    *,
    means: Means = Means(),  # noqa: B008 -- frozen
    progress: Progress = silent,
    decide: Decide | None = None,
) -> Plan:
    """What to pour on the floor in these files; parameters and errors as ``survey_scan``.

    ``decide`` is asked once the floor is found, and gives the job to go on by.
    """
    job = as_job(job)
    # A wrong word is said before minutes of reading.
    sheet = read_sheet(job.material.sheet)
    check_fall(job, sheet)
    check_load(job, sheet)
    check_crew(crew_of(job), sheet)
    surface = measured(paths, job, means, progress)
    if decide is not None:
        job = decide(surface, job)
    progress("datum and volume", None)
    return plan_pour(surface, job)


def write_results(
    outcome: Survey | Plan | Check,
    folder: str | Path,
    *,
    files: str | None = None,
    overwrite: bool = False,
) -> Path:
    """Write a finished result as a folder, whole or not at all.

    Parameters
    ----------
    outcome : Survey, Plan or Check
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
    kinds = choose_files(files, command_of(outcome))
    with result_folder(folder, overwrite=overwrite) as work, writing(folder):
        fill_folder(outcome, work, kinds)
    return Path(folder)


def command_of(outcome: Survey | Plan | Check) -> Command:
    """The command that a result is of."""
    if isinstance(outcome, Check):
        return "verify"
    return "plan" if isinstance(outcome, Plan) else "survey"


def fill_folder(
    outcome: Survey | Plan | Check, work: Path, kinds: Sequence[str], *, progress: Progress = silent
) -> None:
    """Write the files of these kinds into an open folder."""
    from pourdatum.report.page import picture_of, write_page
    from pourdatum.report.pdf import write_pdf
    from pourdatum.report.picture import write_picture
    from pourdatum.write.classified import has_points, write_classified
    from pourdatum.write.drawing import write_drawing
    from pourdatum.write.geojson import write_areas
    from pourdatum.write.geotiff import write_geotiff
    from pourdatum.write.landxml import write_landxml
    from pourdatum.write.surface_nc import write_surface

    plan = outcome if isinstance(outcome, Plan) else None
    # Other programs get the floor after the pour as they get any floor, in BEFORE's frame.
    floor = outcome.survey if isinstance(outcome, Check) else outcome
    # The map in the page and the map beside it are the same: it is drawn once.
    picture = picture_of(outcome) if {"report", "pictures"} & set(kinds) else b""
    for kind in kinds:
        progress(f"writing {kind}", None)
        match kind:
            case "result":
                write_json(result_data(outcome), work / "result.json")
            case "report":
                write_page(outcome, work / "report.html", picture=picture)
            case "pictures":
                write_picture(picture, work / _PICTURE[command_of(outcome)])
            case "tables" if plan is not None:
                _write_tables(plan, work)
            case "drawing":
                write_drawing(floor, work / "drawing.dxf")
            case "geojson":
                write_areas(floor, work / "areas.geojson")
            case "geotiff":
                write_geotiff(floor, work / ("depth.tif" if plan else "levels.tif"))
            case "landxml":
                write_landxml(floor, work / "surface.xml")
            case "laz" if has_points(floor):
                write_classified(floor, work / "classified.laz", progress=progress)
            case "pdf":
                write_pdf(outcome, work / "report.pdf")
            case "netcdf":
                write_surface(outcome.surface, work / "surface.nc", plan.datum if plan else None)


def result_data(outcome: Survey | Plan | Check) -> dict[str, Any]:
    """The content of ``result.json`` as plain values."""
    from pourdatum.results import as_data, check_result, plan_result, survey_result

    if isinstance(outcome, Check):
        return as_data(check_result(outcome))
    return as_data(survey_result(outcome) if isinstance(outcome, Survey) else plan_result(outcome))


def _write_tables(plan: Plan, work: Path) -> None:
    """Tables of what there is: the figures of ``result.json``, a row each."""
    from pourdatum.results import plan_result

    result = plan_result(plan)
    if result.grind.humps:
        _write_humps(result, work / "humps.csv")
    if result.pour.batches:
        _write_batches(result, work / "batches.csv")
    if result.pins:
        _write_pins(result, work / "pins.csv")
        write_points(plan, work / "points.csv")


def _write_batches(result: PlanResult, path: Path) -> None:
    header = [
        "batch", "bay", "strip", "x_m", "y_m", "area_m2", "volume_l", "bags", "start_min", "zone",
    ]  # fmt: skip
    rows = [
        [one.number, one.bay, one.strip, *one.place, one.area_m2, one.volume_l, one.bags,
         one.start_min, one.zone]
        for one in result.pour.batches
    ]  # fmt: skip
    write_table(path, header, rows)


def _write_pins(result: PlanResult, path: Path) -> None:
    header = [
        "pin", "why", "of", "row", "x_m", "y_m", "corner", "along_m", "across_m", "diagonal_m",
        "from_wall_end_m", "staff_mm", "z_m", "depth_mm", "depth_low_mm", "depth_high_mm",
        "grind_mm", "zone",
    ]  # fmt: skip
    rows = [
        [
            pin.name, pin.kind, pin.of, pin.row, *pin.place, pin.corner,
            *(pin.along_across_m or (None, None)), pin.diagonal_m, pin.from_end_m,
            pin.staff_mm, pin.z_m, pin.depth_mm, *pin.depth_interval_mm,
            pin.grind_mm, pin.zone,
        ]
        for pin in result.pins
    ]  # fmt: skip
    write_table(path, header, rows)


def _write_humps(result: PlanResult, path: Path) -> None:
    header = ["hump", "x_m", "y_m", "area_m2", "height_mm", "grind_l", "saves_l", "worth", "zone"]
    rows = [
        [number, *hump.place, hump.area_m2, hump.height_mm, hump.grind_l, hump.saves_l, hump.worth,
         hump.zone]
        for number, hump in enumerate(result.grind.humps, 1)
    ]  # fmt: skip
    write_table(path, header, rows)


__all__ = [
    "check_scans",
    "fill_folder",
    "plan_pour",
    "plan_scan",
    "result_data",
    "survey_floor",
    "survey_scan",
    "wants_grinding",
    "write_results",
]
