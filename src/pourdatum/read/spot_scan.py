"""A campaign of levels at single places as a ``Scan``: one or more tables, in one frame."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from pourdatum.errors import JobError, NoFloor
from pourdatum.read.campaign import check_together
from pourdatum.read.content import has_own_format
from pourdatum.read.source import Source, read_head
from pourdatum.read.spot_look import looks_like_spots
from pourdatum.read.spots import SpotFile, read_spots
from pourdatum.scan import Frame, InputFile, Scan, SpotLevels
from pourdatum.spotcheck import checked_shots
from pourdatum.units import MM

_TOO_COARSE_M: Final = 0.05


def holds_spots(sources: Sequence[Source], columns: tuple[int, int, int] | None = None) -> bool:
    """Whether the files are levels at single places, of which the user may tell the columns.

    Raises
    ------
    JobError
        If some are and some are clouds of points.
    """
    heads = [read_head(source) for source in sources]
    found = [
        not has_own_format(head) and looks_like_spots(head, source.size, columns)
        for head, source in zip(heads, sources, strict=True)
    ]
    if any(found) and not all(found):
        raise JobError(
            f"levels at single places do not make one floor with a cloud of points"
            f" ({sources[found.index(False)].shown})",
            where=sources[found.index(True)].shown,
            hint="give the levels as control shots: --control FILE.csv",
            id="mixed-campaign",
        )
    return all(found)


def read_spot_scan(
    sources: Sequence[Source],
    hashes: Sequence[str],
    units: str | None,
    up: str | None,
    columns: tuple[int, int, int] | None = None,
) -> Scan:
    """Levels of all files as one campaign, checked.

    Raises
    ------
    ScanError
        If one is no table, or a word is no number.
    JobError
        If units, readings or shots contradict each other, only the user can tell the unit, or
        files lie too far apart for one floor.
    NoFloor
        If there are fewer than three places, all lie in a line, or levels are written too
        coarsely for any floor.
    """
    if up not in (None, "z"):
        raise JobError(
            f"--up {up} is for clouds of points: a table of levels has its levels upright",
            where=sources[0].shown,
            hint="leave --up away",
            id="up-of-levels",
        )
    files = [read_spots(source, units, columns) for source in sources]
    check_together(
        [source.shown for source in sources],
        np.array([(f.spots.points_m.min(axis=0), f.spots.points_m.max(axis=0)) for f in files]),
    )
    where = ", ".join(source.shown for source in sources[:3])
    joined = SpotLevels(
        tuple(name for file in files for name in file.spots.names),
        np.concatenate([file.spots.points_m for file in files]),
        np.concatenate([file.spots.error_m for file in files]),
    )
    labels = [label for file in files for label in file.labels]
    spots, odd = checked_shots(joined, labels, where)
    # Places first: levels of three places in a line are no floor however finely written.
    _refuse_too_coarse(sources, files)
    x, y, z = (float(v) for v in np.floor(np.median(spots.points_m, axis=0)))
    local = spots.points_m - np.array([x, y, z])
    low, high = local.min(axis=0), local.max(axis=0)
    first = files[0]
    height_m = None if first.height_unit_m == first.unit_m else first.height_unit_m
    return Scan(
        inputs=tuple(
            _input(source, sha256, file)
            for source, sha256, file in zip(sources, hashes, files, strict=True)
        ),
        stations=(),
        frame=Frame(first.unit_m, "z", (x, y, z), height_m),
        low_m=(float(low[0]), float(low[1]), float(low[2])),
        high_m=(float(high[0]), float(high[1]), float(high[2])),
        step_m=max(file.step_m for file in files),
        assumptions=tuple(
            f"{source.shown}: {note}" if len(files) > 1 else note
            for source, file in zip(sources, files, strict=True)
            for note in file.notes
        ),
        warnings=(*(warning for file in files for warning in file.warnings), *odd),
        spots=SpotLevels(spots.names, local, spots.error_m),
        unit_taken=next((file.unit_taken for file in files if file.unit_taken), ""),
    )


def _refuse_too_coarse(sources: Sequence[Source], files: Sequence[SpotFile]) -> None:
    for source, file in zip(sources, files, strict=True):
        if file.step_m >= _TOO_COARSE_M:
            step = f"{file.step_m:g} m" if file.step_m >= 1.0 else f"{file.step_m * MM:.3g} mm"
            raise NoFloor(
                f"levels are written in steps of {step}",
                where=source.shown,
                hint="write them to the millimetre",
                id="coarse-coordinates",
            )


def _input(source: Source, sha256: str, file: SpotFile) -> InputFile:
    return InputFile(source.shown, sha256, file.records, "table of levels", file.unit_words, "z")
