"""The maps of a finished result: depth of fill of a plan, levels of a survey.

Nothing is worked out here but what a drawing needs: a calm copy of the map for its
contours, and the edges of areas that are hatched.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.report import canvas, contours, words
from pourdatum.report.view import Area, Mark, PlanView
from pourdatum.settingout import corner_name
from pourdatum.units import show_area, show_height, show_volume

if TYPE_CHECKING:
    from pourdatum.outcome import Plan, Survey
    from pourdatum.surface import Surface

PATCH_M2: Final = 0.01
"""Below one patch of 100 mm nothing is a place: smaller pieces are not hatched."""
MOST_HUMPS: Final = 24
"""Humps with a sign on the map, the highest first; the tables list all."""
MOST_NIBS: Final = 60
MOST_NAMES: Final = 40
"""Shots with their names on the map, spread evenly over the list; all get a sign."""
MOST_ROWS: Final = 10
"""Rows of pins that are named on the map, by their first pin; the table lists all."""
_NOISE: Final = 4.0
"""Standard errors of a cell within which a shortfall is none."""


def draw_depth(plan: Plan, path: str | Path | IO[bytes]) -> None:
    """Draw the depth map of a plan as PNG.

    Parameters
    ----------
    plan : Plan
        Finished plan.
    path : str, Path or binary file
        Where the picture goes. The same plan gives the same bytes.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    canvas.draw(depth_view(plan), path)


def draw_levels(survey: Survey, path: str | Path | IO[bytes]) -> None:
    """Draw height above and below the mean level of a survey as PNG.

    Parameters
    ----------
    survey : Survey
        Finished survey.
    path : str, Path or binary file
        Where the picture goes. The same survey gives the same bytes.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    canvas.draw(levels_view(survey), path)


def depth_view(plan: Plan) -> PlanView:
    """What the depth map of a plan shows."""
    system, volume, sheet = plan.system, plan.volume, plan.sheet
    depth_m = plan.depth_m
    low_m3, high_m3 = plan.volume_interval_m3
    lines = [
        f"Depth of fill up to the datum, {datum_words(plan)}",
        (
            f"{show_area(volume.outline_m2, system)} · {show_volume(volume.volume_m3, system)} "
            f"({words.volume_span(low_m3, high_m3, system)}) · "
            f"{words.span(volume.min_depth_m, volume.max_depth_m, system)}"
        ),
    ]
    allowed = words.limits(sheet.least_m, sheet.greatest_m, system)
    lines.append(f"{words.plain(sheet.name, 60)}: {allowed} in one layer")
    if not plan.buildable:
        lines.append("Not buildable as it stands: see the report")
    areas = [
        *_outside_range(plan, depth_m),
        *_hump_edges(plan),
    ]
    return PlanView(
        grid=plan.surface.grid,
        value_m=depth_m,
        outline=plan.floor.outline,
        origin_m=plan.origin_m[:2],
        system=system,
        ramp="depth",
        title=plan.title or _file_name(plan.survey) or "Levelling plan",
        lines=tuple(lines),
        scale_words="Depth of fill",
        areas=(*areas, *_joints(plan), *things_of(plan.surface)),
        marks=(
            *_high_point(plan),
            *_zones(plan),
            *openings_of(plan.surface),
            *_humps(plan),
            *others_of(plan.surface),
            *_spots(plan.surface),
            *_corners(plan),
            *_thresholds(plan),
            *_pins(plan),
        ),
        pieces=tuple(zone.outline for zone in plan.datum.zones),
    )


def levels_view(survey: Survey) -> PlanView:
    """What the map of levels shows."""
    system, figures, surface = survey.system, survey.figures, survey.surface
    mean_z_m = figures.mean_m + survey.origin_m[2]
    facts = [show_area(figures.area_m2, system)]
    levelled = math.isfinite(mean_z_m)
    if levelled:
        facts.append(f"{show_height(figures.high_m - figures.low_m, system)} from low to high")
    return PlanView(
        grid=surface.grid,
        value_m=surface.height_m - figures.mean_m if levelled else surface.above_plane_m(),
        outline=survey.floor.outline,
        origin_m=survey.origin_m[:2],
        system=system,
        ramp="level",
        title=survey.title or _file_name(survey) or "Levels of the floor",
        lines=(
            f"Height above and below the mean level, {words.level(mean_z_m, system)}"
            if levelled
            else "Height above and below the floor's own best-fit plane; its level is not known",
            " · ".join(facts),
        ),
        scale_words=f"Above (+) and below (−) the {'mean level' if levelled else 'best-fit plane'}",
        areas=things_of(surface),
        marks=(
            *openings_of(surface),
            *_shots(survey),
            *_advised(survey),
            *others_of(surface),
            *_spots(surface),
        ),
    )


def datum_words(plan: Plan) -> str:
    """The datum in a few words: its level, and its fall where it has one."""
    if plan.zones:
        return f"that of each of {len(plan.zones)} zones"
    plane = plan.datum.plane
    if not math.isfinite(plan.survey.figures.mean_m):
        return "parallel to the floor, its level not known"
    z_m = float(plane.at(*datum_place(plan))) + plan.origin_m[2]
    level = words.level(z_m, plan.system)
    if plane.slope == 0.0:
        return level
    return f"{level} at {_where(plan)}, falling {words.fall(plane.slope, plan.system)}"


def datum_place(plan: Plan) -> tuple[float, float]:
    """Where a datum's level is stated: its high point, or the middle of the floor [m], local."""
    if plan.datum.high_place_m is not None:
        return plan.datum.high_place_m
    middle = plan.floor.outline.centroid
    return float(middle.x), float(middle.y)


def _where(plan: Plan) -> str:
    return "the high point" if plan.datum.high_place_m is not None else "the middle"


def _file_name(survey: Survey) -> str:
    return survey.scan.inputs[0].file if survey.scan.inputs else ""


def _outside_range(plan: Plan, depth_m: NDArray[np.float64]) -> list[Area]:
    """Where the fill would be too thin or too deep for the material."""
    sheet, volume, system = plan.sheet, plan.volume, plan.system
    if volume.short_m2 <= 0.0 and volume.deep_m2 <= 0.0:
        return []
    grid, value = contours.thinned(plan.surface.grid, depth_m)
    calm = contours.smoothed(grid, value, grid.cell_m)
    found = []
    if volume.short_m2 > 0.0:
        # Beside a high point half the cells fall short by their own noise; that is no place.
        least_m = sheet.least_m - _NOISE * _typical_error(plan.surface)
        thin = contours.between(grid, calm, -1e6, least_m, plan.floor.outline, PATCH_M2)
        key = f"too thin: less than {words.limit(sheet.least_m, system)}"
        found.append(Area("thin", thin, f"{key} ({show_area(thin.area, system)})"))
    if volume.deep_m2 > 0.0:
        deep = contours.between(grid, calm, sheet.greatest_m, 1e6, plan.floor.outline, PATCH_M2)
        key = f"too deep: more than {words.limit(sheet.greatest_m, system)}"
        found.append(Area("deep", deep, f"{key} ({show_area(volume.deep_m2, system)})"))
    return found


def _typical_error(surface: Surface) -> float:
    known = surface.standard_error_m[surface.measured & np.isfinite(surface.standard_error_m)]
    return float(np.median(known)) if known.size else 0.0


def _hump_edges(plan: Plan) -> list[Area]:
    numbered = _numbered_humps(plan)
    return [
        Area(
            "hump",
            contours.rounded(plan.humps[number - 1].outline, plan.surface.grid.cell_m),
            "hump, its height over the floor around it",
        )
        for number in numbered
    ]


def _numbered_humps(plan: Plan) -> list[int]:
    """Numbers, from 1, of the humps that get a sign."""
    by_height = sorted(range(len(plan.humps)), key=lambda k: -plan.humps[k].height_m)
    return [k + 1 for k in by_height[:MOST_HUMPS]]


def _humps(plan: Plan) -> list[Mark]:
    return [
        Mark("hump", hump.place_m, show_height(hump.height_m, plan.system), number)
        for number in _numbered_humps(plan)
        for hump in (plan.humps[number - 1],)
    ]


def _high_point(plan: Plan) -> list[Mark]:
    datums = [zone.plan.datum for zone in plan.zones] or [plan.datum]
    return [
        Mark("high", one.high_place_m, "high point")
        for one in datums
        if one.high_place_m is not None
    ]


def _zones(plan: Plan) -> list[Mark]:
    """Names of zones, in their middle."""
    found = []
    for zone in plan.zones:
        middle = zone.plan.floor.outline.representative_point()
        found.append(Mark("zone", (middle.x, middle.y), words.plain(zone.name, 24)))
    return found


def things_of(surface: Surface, unseen: NDArray[np.bool_] | None = None) -> tuple[Area, ...]:
    """Unseen floor, that inferred where none is told, columns, openings, what stands unclear."""
    floor = surface.floor
    hidden = contours.region(
        surface.grid, surface.inferred if unseen is None else unseen, floor.outline
    )
    beyond = "not seen, inferred" if floor.spots is None else "beyond the shots, carried on"
    areas = [Area("inferred", hidden, beyond)]
    for thing in floor.obstructions:
        if thing.kind == "column":
            areas.append(Area("column", thing.outline, "column, cut out"))
        elif thing.kind == "unsure":
            areas.append(Area("unsure", thing.outline, "fixed or loose? counted as floor"))
    areas.extend(Area("opening", hole.outline, "opening, cut out") for hole in floor.openings)
    return tuple(areas)


def openings_of(surface: Surface) -> list[Mark]:
    """Openings, numbered."""
    return [
        Mark("opening", hole.place_m, f"opening {number}", half_m=_half(hole.area_m2))
        for number, hole in enumerate(surface.floor.openings, 1)
    ]


def others_of(surface: Surface) -> list[Mark]:
    """Columns with their name, and nibs with a line in the key."""
    columns = [
        Mark("column", thing.place_m, "column", half_m=_half(thing.area_m2))
        for thing in surface.floor.obstructions
        if thing.kind == "column"
    ]
    highest = sorted(surface.nibs, key=lambda nib: -nib.height_m)[:MOST_NIBS]
    return columns + [Mark("nib", nib.place_m, "", key="nib, to be chipped off") for nib in highest]


def _spots(surface: Surface) -> list[Mark]:
    """Every level that was shot singly; with its name as far as there is room for names."""
    if surface.floor.spots is None:
        return []
    shots = surface.floor.spots.shots
    every = max(math.ceil(len(shots.names) / MOST_NAMES), 1)
    return [
        Mark(
            "spot",
            (float(x), float(y)),
            words.plain(name, 12) if k % every == 0 else "",
            key="level that was shot",
        )
        for k, (name, (x, y, _)) in enumerate(zip(shots.names, shots.points_m, strict=True))
    ]


def _pins(plan: Plan) -> list[Mark]:
    """Every pin but the one under the sign of the high point; the first of some rows named."""
    high = [mark.place_m for mark in _high_point(plan)]
    pins = [pin for pin in plan.pins.pins if all(math.dist(pin.place_m, at) > 0.01 for at in high)]
    first = [pin.name for k, pin in enumerate(pins) if k == 0 or pin.row != pins[k - 1].row]
    named = set(first[:: max(1, math.ceil(len(first) / MOST_ROWS))])
    return [
        Mark("pin", pin.place_m, pin.name if pin.name in named else "", key="depth pin")
        for pin in pins
    ]


def _corners(plan: Plan) -> list[Mark]:
    """Corners that pins are measured from."""
    key = "corner that pins are measured from"
    return [
        Mark("corner", tuple(base.corner.place_m.tolist()), corner_name(number), key=key)
        for number, base in enumerate(plan.pins.bases)
    ]


def _thresholds(plan: Plan) -> list[Mark]:
    """Thresholds of this floor, numbered as in the job, where they touch it."""
    import shapely

    found = []
    for one in plan.pins.thresholds:
        if one.of_this_floor:
            way = shapely.shortest_line(plan.floor.outline, shapely.Point(one.threshold.place_m))
            x, y = shapely.get_coordinates(way)[0].tolist()
            found.append(Mark("threshold", (x, y), f"T{one.number}", key="threshold"))
    return found


def _joints(plan: Plan) -> list[Area]:
    """Joints and cracks as far as they lie on the floor."""
    import shapely

    return [
        Area(
            "joint" if one.carried else "crack",
            shapely.LineString(one.joint.points_m).intersection(plan.floor.outline),
            "joint, carried through the pour"
            if one.carried
            else "saw-cut, day joint or crack: repair it before priming",
        )
        for one in plan.pins.joints
    ] + [Area("joint", one.line, "border of zones: stop-end") for one in plan.borders]


def _shots(survey: Survey) -> list[Mark]:
    """Control shots, numbered as in the report."""
    fit = survey.surface.control
    if fit is None:
        return []
    left, low, right, high = survey.floor.outline.bounds
    return [
        Mark(
            "shot",
            shot.place_m,
            (words.plain(shot.name, 12) or f"C{number}") + ("" if shot.used else ", not used"),
            key="control shot",
        )
        for number, shot in enumerate(fit.shots, 1)
        if left <= shot.place_m[0] <= right and low <= shot.place_m[1] <= high
    ]


def _advised(survey: Survey) -> list[Mark]:
    """Where to take levels and where to scan again, numbered as in the report."""
    found = []
    numbers = {"control-shot": 0, "scan-again": 0}
    for item in survey.advice:
        numbers[item.kind] += 1
        number = numbers[item.kind]
        if item.kind == "control-shot":
            single = survey.floor.spots is not None
            key = "take one more level here" if single else "take a level here (control shot)"
            found.append(Mark("level", item.place_m, f"L{number}", key=key))
        else:
            found.append(Mark("again", item.place_m, f"S{number}", key="scan again here"))
    return found


def _half(area_m2: float) -> float:
    return math.sqrt(max(area_m2, 0.0)) / 2


def write_picture(drawn: bytes, path: str | Path) -> None:
    """Write a map that was drawn into memory.

    Parameters
    ----------
    drawn : bytes
        A PNG, as ``draw_depth`` and ``draw_levels`` leave it in a stream.
    path : str or Path
        File to write.
    """
    Path(path).write_bytes(drawn)
