"""Control shots of a job brought to the surface: file, places, levels, and what is said of them."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.control import level_by_control
from pourdatum.controlwords import notes_on
from pourdatum.corner import Corner, find_corner
from pourdatum.errors import JobError
from pourdatum.outcome import Warned
from pourdatum.read.control_file import ControlFile, read_control
from pourdatum.scan import Frame
from pourdatum.sense import CHECKED, UNIT_WORDS, Head, check_sense, exchanged
from pourdatum.shots import Shot
from pourdatum.staff import LEAST_SHOTS, NEAR_M, SHOT_M, lack_at, stands_on_floor
from pourdatum.uncertainty import SharedError
from pourdatum.units import LENGTH_UNITS, MM, System

if TYPE_CHECKING:
    from pourdatum.job import Job
    from pourdatum.surface import Surface

_AGREE_M: Final = 0.05
"""Levels that differ from the floor by less than this, about a plane, can be taken on it."""
_FAR_M: Final = 0.25
"""Levels that differ by more than this were not taken on this floor."""


def with_control(surface: Surface, job: Job) -> Surface:
    """The surface with the errors that the job states, levelled by the job's control shots.

    Raises
    ------
    JobError
        If the file or the shots cannot be used; see ``level_by_control``.
    """
    path = job.scan.control
    if surface.control is not None:
        return surface
    surface = with_stated_errors(surface, job)
    if path is None:
        return surface
    frame = surface.floor.scan.frame
    found = read_control(path, unit_m=frame.unit_m, height_unit_m=frame.height_unit_m)
    corner = _corner(found, surface, job, path)
    shots, axes = _on_axes(found, surface, corner, job, path)
    notes = [*found.notes, *axes]
    if corner is not None:
        x, y = (float(a + b) for a, b in zip(corner.place_m, frame.origin_m[:2], strict=True))
        notes.append(
            f"control: along and across are measured from the corner at ({x:.3f}, {y:.3f})"
        )
    if job.control.checked:
        notes.append("control: signs and order of the columns are right, as the job says")
    elif corner is None:
        _check_exchanged(surface, shots, path)
    if found.place_unit is None:
        _check_place_unit(surface, found, shots, corner, job, path)
    head = Head(
        found.level_unit or _unit_name(frame.height_unit_m or frame.unit_m),
        found.level_unit is not None,
        found.from_readings,
        corner is not None,
        job.control.checked,
    )
    notes += _units_taken(found, head, _unit_name(frame.unit_m))
    check_sense(surface, shots, has_level=found.has_level, where=path, head=head)
    return level_by_control(
        surface, shots, has_level=found.has_level, where=path, notes=tuple(notes)
    )


def with_stated_errors(surface: Surface, job: Job) -> Surface:
    """What the job says the scan may be out by, in the place of what is usual."""
    told, usual = job.sensor, surface.shared
    if not told.model_fields_set:
        return surface

    def of(stated: float | None, usual: float) -> float:
        return usual if stated is None else stated / MM

    shared = SharedError(
        tilt_rad=of(told.tilt_mm_per_m, usual.tilt_rad),
        warp_m=of(told.warp_mm, usual.warp_m),
        datum_m=of(told.level_mm, usual.datum_m),
        source=told.source or "the job file",
        scale=of(told.lengths_mm_per_m, usual.scale),
    )
    return replace(surface, shared=shared)


def _unit_name(unit_m: float) -> str:
    """The unit of ``UNIT_WORDS`` that is nearest; both feet are one here."""
    return min(UNIT_WORDS, key=lambda name: abs(math.log(LENGTH_UNITS[name] / unit_m)))


def _units_taken(found: ControlFile, head: Head, plan_unit: str) -> list[str]:
    """Units that no head stated and that were taken all the same."""
    what = "readings" if head.staff else "levels"
    open_ = {}
    if found.level_unit is None:
        open_[what] = head.unit
    if found.place_unit is None:
        open_["places"] = plan_unit
    if not open_:
        return []
    if len(set(open_.values())) == 1:
        taken = f"{' and '.join(open_)} are taken in {UNIT_WORDS[next(iter(open_.values()))]}"
    else:
        taken = ", ".join(f"{name} are taken in {UNIT_WORDS[u]}" for name, u in open_.items())
    return [f"control: the heads state no unit: {taken}, as the scan is"]


def _check_place_unit(
    surface: Surface,
    found: ControlFile,
    shots: list[Shot],
    corner: Corner | None,
    job: Job,
    path: str,
) -> None:
    """Refuse shots of which clearly more stand on the floor with places in another unit."""
    frame = surface.floor.scan.frame
    count, given = len(shots), _on_floor(surface, shots)
    if given == count and _spread_m(shots) > NEAR_M:
        return
    taken = _unit_name(frame.unit_m)
    best, most = taken, 0 if given == count else given
    for unit in UNIT_WORDS:
        factor = LENGTH_UNITS[unit] / frame.unit_m
        rows = tuple(
            replace(row, place_m=(row.place_m[0] * factor, row.place_m[1] * factor))
            for row in found.rows
        )
        other = _shots(replace(found, rows=rows), surface, corner, job, raw=False)
        on = _on_floor(surface, other)
        if unit != taken and on > most and _spread_m(other) > NEAR_M:
            best, most = unit, on
    if best == taken or most < LEAST_SHOTS or 4 * most < 3 * count:
        return
    # One shot off the floor is common, and where the scan's zero point lies in the room all places
    # stand on the floor in a smaller unit: that alone is no word on the unit.
    if given > LEAST_SHOTS and most < given + 2:
        return
    kind = next(row.kind for row in found.rows)
    first, second = {"xy": ("x", "y"), "map": ("easting", "northing")}.get(
        kind, ("along", "across")
    )
    raise JobError(
        f"{given} of {count} control shots stand on the floor with places in {UNIT_WORDS[taken]}, "
        f"{'all' if most == count else most} with places in {UNIT_WORDS[best]}",
        where=path,
        hint=f"name the columns {first}_{best},{second}_{best}, and say the unit of the levels as "
        "well: level_m, level_ft, level_mm",
        id="control-unit",
    )


def _on_floor(surface: Surface, shots: list[Shot]) -> int:
    return sum(stands_on_floor(surface, shot.place_m) for shot in shots)


def _spread_m(shots: list[Shot]) -> float:
    return float(np.ptp(np.array([shot.place_m for shot in shots]), axis=0).max())


def _check_exchanged(surface: Surface, shots: list[Shot], path: str) -> None:
    """Refuse shots of which clearly more stand on the floor with x and y exchanged."""
    given, other = (_on_floor(surface, some) for some in (shots, exchanged(shots, surface)))
    count = len(shots)
    too_few = given < LEAST_SHOTS and other == count
    clearly = 2 * other >= 3 * given and other >= given + 2 and 4 * other >= 3 * count
    if other > given and (too_few or clearly):
        raise JobError(
            f"{given} of {count} control shots stand on the floor; with x and y exchanged "
            f"{'all' if other == count else other} of them do",
            where=path,
            hint="the columns are named the wrong way round: exchange their names; if they are"
            f" right, {CHECKED}",
            id="control-swapped",
        )


def control_remarks(surface: Surface, system: System = "metric") -> tuple[list[Warned], list[str]]:
    """Warnings and assumptions that control gives rise to; none without control."""
    if surface.control is None:
        return [], []
    warned, told = notes_on(surface, system)
    return [Warned(code, text) for code, text in warned], told


def _corner(found: ControlFile, surface: Surface, job: Job, path: str) -> Corner | None:
    if all(row.kind != "along-across" for row in found.rows):
        return None
    wish = job.control
    if wish.corner is None or wish.toward is None:
        raise JobError(
            "places are given along and across, and the job does not say from which corner",
            where=path,
            hint="give corner = [x, y] and toward = [x, y] under [control] in the job, in the "
            "scan's plan coordinates",
            id="control-corner",
        )
    floor = surface.floor
    if not floor.walls_seen and not floor.outline_given:
        raise JobError(
            "places are given along and across from a corner, and the scan shows no walls",
            where=path,
            hint="give x,y of the shots, or an outline",
            id="control-corner",
        )
    frame = floor.scan.frame
    x0, y0 = frame.origin_m[:2]
    near, toward = (
        (place[0] * frame.unit_m - x0, place[1] * frame.unit_m - y0)
        for place in (wish.corner, wish.toward)
    )
    return find_corner(floor.outline, near, toward)


def _shots(
    found: ControlFile, surface: Surface, corner: Corner | None, job: Job, *, raw: bool
) -> list[Shot]:
    """Shots in the surface's local frame; ``raw`` takes x,y,z as the axes of the scan's file."""
    frame = surface.floor.scan.frame
    origin = np.array(frame.origin_m)
    axes = Frame(up=frame.up)
    usual_m = SHOT_M if job.control.error_mm is None else job.control.error_mm / MM
    shots = []
    for row in found.rows:
        local = np.array([*row.place_m, row.level_m])
        if row.kind == "along-across":
            assert corner is not None
            place = corner.places(local[None, :2])[0]
            local = np.array([*place, row.level_m - origin[2]])
        else:
            if raw and row.kind == "xy":
                local = axes.to_metres(local[None, :])[0]
            local = local - origin
        shots.append(
            Shot(
                row.name,
                (float(local[0]), float(local[1])),
                float(local[2]),
                usual_m if row.error_m is None else row.error_m,
                row.setup,
            )
        )
    return shots


def _on_axes(
    found: ControlFile, surface: Surface, corner: Corner | None, job: Job, path: str
) -> tuple[list[Shot], list[str]]:
    """Shots in plan coordinates, or in the file's own axes where the scan is not z up."""
    up = surface.floor.scan.frame.up
    plan = _shots(found, surface, corner, job, raw=False)
    wish = job.control.axes
    open_ = up != "z" and not found.from_readings and any(r.kind == "xy" for r in found.rows)
    if not open_ or wish == "plan":
        return plan, []
    raw = _shots(found, surface, corner, job, raw=True)
    said = f"control: x,y,z are taken as the axes of the file, {up} up"
    if wish == "file":
        return raw, [said]
    fits = {"plan": _misfit_m(surface, plan), "file": _misfit_m(surface, raw)}
    if fits["file"] < _AGREE_M and fits["plan"] > _FAR_M:
        return raw, [said]
    if fits["plan"] < _AGREE_M and fits["file"] > _FAR_M:
        return plan, ["control: x,y,z are taken as plan coordinates and level"]
    if not math.isfinite(min(fits.values())):
        return plan, []
    raise JobError(
        f"the scan is {up} up, and it cannot be told whether x,y,z of the control shots are the "
        "axes of the file or plan coordinates and level",
        where=path,
        hint='write axes = "file" or axes = "plan" under [control] in the job',
        id="control-axes",
    )


def _misfit_m(surface: Surface, shots: list[Shot]) -> float:
    """How far levels lie off the floor about a plane [m]; infinite where most are off it."""
    lack = np.array([lack_at(surface, shot) for shot in shots])
    on = np.isfinite(lack)
    if on.sum() < 3 or 2 * on.sum() <= len(shots):
        return math.inf
    place = np.array([shot.place_m for shot in shots])[on]
    design = np.column_stack([np.ones(len(place)), place - place.mean(axis=0)])
    # Few levels fit any plane: one steeper than a floor is as far off as its slope says.
    fitted, *_ = np.linalg.lstsq(design, lack[on], rcond=None)
    left = lack[on] - design @ fitted
    steep = float(np.hypot(*fitted[1:])) * float(np.ptp(place, axis=0).max())
    return float(np.sqrt(np.mean(left**2))) + (steep if steep > 2.0 * _FAR_M else 0.0)
