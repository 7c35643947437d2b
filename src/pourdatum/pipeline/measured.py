"""From files and a job to a levelled surface: the part that every command begins with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pourdatum.floor import find_floor
from pourdatum.giveback import give_back
from pourdatum.outline_file import (
    check_outline_unit,
    outline_to_local,
    place_to_local,
    read_outline,
)
from pourdatum.pipeline.controlled import with_control
from pourdatum.pipeline.floor_words import read_as_typed
from pourdatum.read import read_scan
from pourdatum.read.control_file import check_control
from pourdatum.surface import make_surface
from pourdatum.units import MM

if TYPE_CHECKING:
    from pourdatum.chunks import Means
    from pourdatum.job import Job
    from pourdatum.passing import Progress
    from pourdatum.surface import Surface


def measured(paths: Sequence[str | Path], job: Job, means: Means, progress: Progress) -> Surface:
    """The surface of the floor in these files, levelled by the job's control shots."""
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
        open_m=tuple(place_to_local(one.place, scan.frame) for one in job.opening),
        means=means,
        progress=progress,
    )
    give_back()
    progress("levels", None)
    surface = make_surface(scan, floor, sensor=job.scan.sensor, progress=progress)
    give_back()
    scan.wait_for_hashes()
    return with_control(surface, job)
