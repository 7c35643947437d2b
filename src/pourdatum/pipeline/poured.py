"""The pour sheet of a plan: crew, exit and joints of the job, brought to the floor."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.datum import in_zones
from pourdatum.errors import JobError
from pourdatum.openends import doorways
from pourdatum.outcome import Warned
from pourdatum.outline_file import place_from_local, place_to_local
from pourdatum.pour import Crew, Parts, Pump, lay_out_pour
from pourdatum.pumpday import NO_DAY, Terms, pour_day
from pourdatum.report.words import site_place, would_do
from pourdatum.units import MM, show_length, show_volume

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from pourdatum.job import Job
    from pourdatum.outcome import Plan
    from pourdatum.pour import PourSheet
    from pourdatum.pumpday import PourDay

_LEAST_M3: Final = 1e-6
_AT_FLOOR_M: Final = 1.5
_WELL_M2: Final = 0.5
"""An opening through which a person leaves [m²]; our choice."""
_SHIFT_MIN: Final = 600.0
"""Minutes of pouring from which a day is not enough; common practice, no source."""


def sheet_of(plan: Plan, job: Job) -> PourSheet | None:
    """The pour sheet of a plan; None where nothing is poured.

    Raises
    ------
    JobError
        If the exit is not at the floor, or one batch takes longer than the working time.
    """
    import shapely

    surface = plan.surface
    inside = (surface.measured | surface.inferred) & np.isfinite(plan.depth_m)
    if plan.volume.volume_m3 <= _LEAST_M3 or not inside.any():
        return None
    lines = [
        shapely.LineString(one.joint.points_m)
        for one in plan.pins.joints
        if one.carried and one.length_m > 0.0
    ]
    sheet = lay_out_pour(
        plan.depth_m,
        inside,
        surface.grid,
        plan.volume.volume_m3,
        plan.sheet,
        crew=crew_of(job),
        leave_m=leave_of(plan, job),
        joints=lines,
        parts=_parts(plan),
        waste=job.material.waste,
    )
    return sheet if job.pour.exit is not None else replace(sheet, leave_taken=_taken(plan))


def _taken(plan: Plan) -> str:
    doors = len(plan.floor.beyond_doors_m)
    if doors > 1:
        return f"of {doors} doorways that were seen the one with the most floor behind it"
    return "a doorway that was seen" if doors else "an end of the room"


def _parts(plan: Plan) -> Parts | None:
    """Zones as parts that no batch crosses."""
    if not plan.zones:
        return None
    of = np.zeros(plan.surface.grid.shape, np.int64)
    outlines = [zone.outline for zone in plan.datum.zones]
    for number, own in enumerate(in_zones(outlines, *plan.surface.grid.mesh())):
        of[own] = number
    return Parts(of, tuple(zone.plan.volume.volume_m3 for zone in plan.zones))


def bags_of_zones(plan: Plan) -> list[int]:
    """Bags opened in each zone, in the order of the pour sheet."""
    if plan.pour is None:
        return [0] * len(plan.zones)
    place = np.array([batch.place_m for batch in plan.pour.batches])
    bags = np.array([batch.bags for batch in plan.pour.batches])
    outlines = [zone.outline for zone in plan.datum.zones]
    return [int(bags[own].sum()) for own in in_zones(outlines, *place.T)]


def day_of(plan: Plan, job: Job) -> PourDay:
    """The day of the pour by its bays."""
    if plan.pour is None:
        return NO_DAY
    wish = job.pour
    terms = Terms(
        waste=job.material.waste,
        hose_m3=None if wish.hose_l is None else wish.hose_l / MM,
        delivery_kg=wish.delivery_kg,
        start_min=wish.start_min,
        bags_to_buy=plan.order.bags_to_buy,
    )
    return pour_day(plan.pour, plan.sheet, terms)


def crew_of(job: Job) -> Crew | Pump:
    """Bags or pump, as the job says."""
    pour = job.pour
    if pour.mode == "pump":
        assert pour.litres_per_minute is not None  # The job's model saw to it.
        return Pump(pour.litres_per_minute, (pour.hose_l or 0.0) / MM)
    return Crew(pour.mixers, pour.minutes_per_batch, pour.bags_per_batch)


def leave_of(plan: Plan, job: Job) -> tuple[float, float]:
    """Where the crew leaves: as given, else a doorway that was seen, else an end of the room.

    Where floor that is not poured lies before the exit, the crew leaves the pour on its way there.
    """
    import shapely

    leave_m = _leave_room(plan, job)
    if not plan.zones:
        return leave_m
    poured = shapely.union_all([zone.outline for zone in plan.datum.zones])
    (x_m, y_m), _ = shapely.shortest_line(poured, shapely.Point(leave_m)).coords
    return float(x_m), float(y_m)


def _leave_room(plan: Plan, job: Job) -> tuple[float, float]:
    import shapely

    if job.pour.exit is not None:
        return _stated_exit(plan, job)
    edge = plan.floor.outline.exterior
    if plan.floor.beyond_doors_m:
        doors = doorways(plan.floor)
        x_m, y_m, _ = max(plan.floor.beyond_doors_m, key=lambda door: door[2])
        if doors:
            middle = doors[0].centroid
            x_m, y_m = middle.x, middle.y
    else:
        # The middle of a short side of the rectangle around the floor, of both the one with the
        # least x.
        box = np.asarray(plan.floor.outline.minimum_rotated_rectangle.exterior.coords)[:4]
        ends = np.roll(box, -1, axis=0)
        short = np.argsort(np.hypot(*(ends - box).T), kind="stable")[:2]
        x_m, y_m = min((float(x), float(y)) for x, y in 0.5 * (ends + box)[short])
    at = edge.interpolate(edge.project(shapely.Point(x_m, y_m)))
    return at.x, at.y


def _stated_exit(plan: Plan, job: Job) -> tuple[float, float]:
    """The exit of the job; of one in the middle of the floor the nearest edge.

    Raises
    ------
    JobError
        If it is not at the floor, naming the nearest place of its edge.
    """
    import shapely

    assert job.pour.exit is not None
    outline, frame = plan.floor.outline, plan.scan.frame
    x_m, y_m = place_to_local(job.pour.exit, frame)
    stated = shapely.Point(x_m, y_m)
    (edge_x_m, edge_y_m), _ = shapely.shortest_line(_ways_out(plan), stated).coords
    if outline.distance(stated) > _AT_FLOOR_M:
        x, y = place_from_local((edge_x_m, edge_y_m), frame)
        behind = (
            "; floor seen through a doorway is left out: --through-doors takes it in"
            if plan.floor.beyond_doors_m
            else ""
        )
        raise JobError(
            f"the exit lies {show_length(outline.distance(stated), plan.system)} from the floor",
            where="pour.exit",
            hint=f"the nearest edge of the floor is at [{x:.2f}, {y:.2f}]; give the doorway by"
            f" which the crew leaves, in the scan's coordinates and unit{behind}",
            id="exit-outside",
        )
    if _moved_exit_m(plan, job) is not None:
        return float(edge_x_m), float(edge_y_m)
    return x_m, y_m


def _ways_out(plan: Plan) -> BaseGeometry:
    """Edges over which somebody can leave: walls and stair wells, not columns and drains."""
    import shapely

    wells = [hole.outline for hole in plan.floor.openings if hole.area_m2 >= _WELL_M2]
    return shapely.union_all([plan.floor.outline.exterior, *(well.exterior for well in wells)])


def _moved_exit_m(plan: Plan, job: Job) -> float | None:
    """How far inside the floor the exit of the job lies, where nobody leaves there [m]."""
    import shapely

    if job.pour.exit is None:
        return None
    outline = plan.floor.outline
    stated = shapely.Point(place_to_local(job.pour.exit, plan.scan.frame))
    inside_m = float(_ways_out(plan).distance(stated))
    return inside_m if outline.contains(stated) and inside_m > _AT_FLOOR_M else None


def pour_warnings(plan: Plan, job: Job) -> list[Warned]:
    """What of the pour the user must know."""
    sheet = plan.pour
    if sheet is None:
        return []
    found = []
    inside_m = _moved_exit_m(plan, job)
    if inside_m is not None:
        at = site_place(sheet.leave_m, plan.origin_m, plan.system)
        found.append(
            Warned(
                "exit-inside",
                f"the exit lies {show_length(inside_m, plan.system)} inside the floor, where nobody"
                f" leaves it: the pour ends at its nearest edge, ({at})",
            )
        )
    if sheet.obstacle and not _crew_stated(job):
        found.append(Warned("wet-edge", sheet.obstacle))
    if sheet.bays > 1:
        length_m = sum(line.length for line in sheet.stop_ends)
        zones = ", borders of zones" if plan.zones else ""
        why = "so that no edge is older than the working time"
        enough = ""
        if sheet.would_do is not None:
            enough = f"; {would_do(sheet.would_do, plan.system, joints=plan.parted)}"
        found.append(
            Warned(
                "bays",
                f"the floor is poured in {sheet.bays} bays with"
                f" {show_length(length_m, plan.system)} of stop-ends between them, at"
                f" joints{zones} or {why}{enough}",
            )
        )
    for bay, wide_m in sheet.narrow_bays:
        found.append(
            Warned(
                "narrow-bay",
                f"bay {bay} is about {show_length(wide_m, plan.system)} wide between joints or"
                " borders of zones: too narrow to be worked for itself; move one of them, or fill"
                " it by hand once both sides bear a foot",
            )
        )
    if plan.day.hose_bags:
        left = show_volume(plan.day.hose_m3 or 0.0, plan.system)
        found.append(
            Warned(
                "hose",
                f"{left} stay in the hose at the end: {plan.day.hose_bags} of the bags to buy are"
                " for it; every stop that lasts longer than the working time costs as much again",
            )
        )
    if sheet.minutes > _SHIFT_MIN:
        hours = sheet.minutes / 60.0
        found.append(
            Warned(
                "long-pour",
                f"the pour takes {hours:.0f} h as it stands: more mixers, a pump, or several days"
                " that end at stop-ends",
            )
        )
    return found


def pour_obstacles(plan: Plan, job: Job) -> tuple[str, ...]:
    """Why the stated crew cannot keep the edge wet."""
    sheet = plan.pour
    return (sheet.obstacle,) if sheet is not None and sheet.obstacle and _crew_stated(job) else ()


def _crew_stated(job: Job) -> bool:
    """Whether the job says how fast the material comes."""
    return bool({"mixers", "minutes_per_batch", "litres_per_minute"} & job.pour.model_fields_set)


def pour_assumptions(plan: Plan, job: Job) -> list[str]:
    """What was taken for granted of the pour."""
    sheet = plan.pour
    if sheet is None:
        return []
    said = []
    if job.pour.exit is None:
        at = site_place(sheet.leave_m, plan.origin_m, plan.system)
        said.append(
            f"pour: the crew leaves at ({at}), {sheet.leave_taken}; [pour] exit in the job says"
            " where"
        )
    if isinstance(sheet.crew, Pump) and job.pour.hose_l is None:
        said.append(
            "pour: what the hose holds is not given: it stays full at the end, and its material"
            " comes on top of what is bought; [pour] hose_l in the job says how much"
        )
    if isinstance(sheet.crew, Crew) and not {"mixers", "minutes_per_batch"} <= set(
        job.pour.model_fields_set
    ):
        mixers = "one mixer" if sheet.crew.mixers == 1 else f"{sheet.crew.mixers} mixers"
        said.append(
            f"pour: {mixers}, a batch of {sheet.crew.bags_per_batch} bag"
            f"{'s' if sheet.crew.bags_per_batch > 1 else ''} every"
            f" {sheet.crew.minutes_per_batch:g} min of each"
        )
    return said
