"""A surface in figures, with its warnings and with where measuring again would help."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pourdatum.advice import control_shots, more_levels, scan_again
from pourdatum.areaerror import area_interval_m2
from pourdatum.capability import capabilities, not_surer_than
from pourdatum.datum import LOCAL_LEVEL
from pourdatum.decision import Rule
from pourdatum.finding import NOT_KNOWN
from pourdatum.flatness import check_flatness
from pourdatum.job import Job, read_job
from pourdatum.outcome import FloorFigures, Survey, Warned
from pourdatum.patch import FEW_DRAWS, highest_patch
from pourdatum.pipeline.controlled import control_remarks, with_control
from pourdatum.pipeline.floor_words import floor_taken, sensor_taken
from pourdatum.pipeline.pinned import pin_request
from pourdatum.pipeline.remarks import (
    floor_warnings,
    survey_notes,
    unused_keys,
    with_base_names,
)
from pourdatum.pipeline.upright import check_walls, level_known, upright_warnings
from pourdatum.slopeerror import slope_error_95
from pourdatum.units import MM
from pourdatum.volume import surface_moments

if TYPE_CHECKING:
    from pourdatum.advice import Advice
    from pourdatum.surface import Surface


def survey_floor(surface: Surface, job: Job | str | Path | None = None) -> Survey:
    """A surface in figures.

    Parameters
    ----------
    surface : Surface
        Levels as scanned.
    job : Job or path, optional
        Title, units shown and survey notes.
    """
    job = as_job(job)
    survey = surveyed(with_control(surface, job), job)
    rule = decision_rule(job)
    found = check_flatness(
        survey.surface,
        job.criteria,
        rule,
        joints=pin_request(job, survey.surface).joints,
        level_known=level_known(survey.surface),
        section_m=job.test_sections.side_m,
        system=job.units,
    )
    unknown = [
        Warned("criterion-not-known", f"{one.criterion} was not judged: {one.said}")
        for one in found
        if one.limit is None and one.source == NOT_KNOWN
    ]
    known = not_surer_than(survey.capabilities, found, survey.surface.narrow.lines)
    return replace(
        survey, flatness=found, rule=rule, warnings=(*survey.warnings, *unknown), capabilities=known
    )


def decision_rule(job: Job) -> Rule:
    """The rule of the contract by which verdicts are given."""
    stated = job.decision
    if stated.rule == "shared":
        assert stated.most_uncertainty_mm is not None
        return Rule("shared", most_uncertainty=stated.most_uncertainty_mm / MM)
    return Rule(stated.rule)


def surveyed(surface: Surface, job: Job) -> Survey:
    """The survey of a levelled surface, with the warnings that a plan of it has as well."""
    scan = with_base_names(surface.floor.scan)
    check_walls(surface)
    controlled, said = control_remarks(surface, job.units)
    warnings = [
        *floor_warnings(surface, job.units), *upright_warnings(surface, job.units),
        *controlled, *unused_keys(job),
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
            *floor_taken(surface, job.units),
            *said,
        ),
        warnings=tuple(warnings),
        notes=survey_notes(job),
        advice=_advised(surface),
        capabilities=capabilities(surface) if level_known(surface) else (),
    )


def _figures(surface: Surface) -> FloorFigures:
    area_m2 = surface.measured_m2 + surface.inferred_m2
    spots = surface.between is not None
    between = None if spots else area_interval_m2(surface)
    if not level_known(surface):
        return FloorFigures(area_m2, *(math.nan,) * 4, None, None, between)
    best = surface.best_plane()
    # The lowest patch is the highest of the floor turned over: one method, one bias taken out.
    # It comes first: a datum that is chosen meanwhile asks for the highest, which is kept.
    low_m = -highest_patch(surface.turned_over, LOCAL_LEVEL, draws=FEW_DRAWS).z_m
    mean_m = surface_moments(surface.height_m, surface.grid, surface.floor.outline).mean_m
    # An extreme from which more luck was taken than it had lies no further in than the mean.
    return FloorFigures(
        area_m2=area_m2,
        high_m=max(highest_patch(surface, LOCAL_LEVEL).z_m, mean_m),
        low_m=min(low_m, mean_m),
        mean_m=mean_m,
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


def as_job(job: Job | str | Path | None) -> Job:
    """A job, from its file where a path is given; the defaults for none."""
    return job if isinstance(job, Job) else read_job(job)
