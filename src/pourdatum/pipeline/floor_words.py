"""What is said of the floor that was found: other levels, doorways, edges, doubled layers."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.outcome import Warned
from pourdatum.outline_file import place_from_local
from pourdatum.report import words
from pourdatum.units import (
    MM,
    System,
    show_area,
    show_fall,
    show_fine,
    show_height,
    show_length,
    show_limit,
    show_size,
    show_volume,
)

if TYPE_CHECKING:
    from pourdatum.floor import Floor
    from pourdatum.job import Job
    from pourdatum.scan import Frame
    from pourdatum.stations import Stations
    from pourdatum.surface import Surface

MOST_LEVELS: Final = 5
_OPEN_EDGE_M: Final = 0.5
"""Length of edge at which the floor may go on from which a warning is worth it [m]."""

_STEP_M: Final = 0.0003
"""Scatter of set-ups from which it is worth telling [m]."""
_BEND_M: Final = 0.0005
"""Bends of set-ups against each other from which it is worth telling [m]."""
_LONG_NAME: Final = 40
_BOWL: Final = 5e-5
"""Rise around set-ups from which it is worth telling [m/m]: half a millimetre over 10 m."""

_OPEN_M: Final = 0.025
"""Depth from which a pocket may be meant to stay open [m]."""
_FILLED_M: Final = 0.3
"""Depth down to which an opening may be meant to be filled [m]."""
_FILL_M3: Final = 0.004
_WIDE: Final = 3.0
"""Width from which an opening may be meant to be filled, in its depths: a drain is deeper [1]."""

_LEAST_GUESS_M2: Final = 0.05
"""Guessed floor that shows as 0.1 m²."""


def floor_found(surface: Surface, system: System = "metric") -> list[Warned]:
    """Warnings on which floor was taken, and where it ends."""
    floor = surface.floor
    found = [*_doorways(surface, system), *_levels(surface, system), *_shots(surface, system)]
    if floor.doubled_m is not None:
        found.append(
            Warned(
                "doubled-layer",
                f"the floor lies in two layers {show_size(floor.doubled_m, system)} apart, as "
                "where two"
                " passes were not joined well: levels lie between them and may err by half of it",
            )
        )
    found += _pockets(floor, system)
    found += _set_ups(surface, system)
    apart = _apart(floor.stations)
    if apart and any(place is not None for place in floor.stations.place_m):
        found.append(Warned("set-ups-apart", apart))
    if floor.open_edge_m > _OPEN_EDGE_M and floor.walls_seen and not floor.outline_given:
        found.append(
            Warned(
                "open-edge",
                f"along {show_length(floor.open_edge_m, system)} the outline ends where the "
                "scan ends and not at"
                " a wall: the floor may go on there, and all figures are of the floor up to there;"
                " scan further or give --outline",
            )
        )
    return found


def _pockets(floor: Floor, system: System) -> list[Warned]:
    """Pockets that are filled and may be meant to stay open; and the other way round."""
    found = []
    for piece in floor.pieces:
        if piece.rise_m > -_OPEN_M or not piece.is_pocket:
            continue
        x, y = place_from_local(piece.place_m, floor.scan.frame)
        litres = show_volume(-piece.rise_m * piece.area_m2, system)
        found.append(
            Warned(
                "pocket",
                f"{show_area(piece.area_m2, system)} at ({x:.2f}, {y:.2f}) lies"
                f" {show_height(-piece.rise_m, system)} below the floor around: it counts as floor,"
                f" and filling it takes {litres}; if it stays open, as a tray or a mat well does,"
                f" put [[opening]] place = [{x:.2f}, {y:.2f}] in the job file",
            )
        )
    for hole in floor.openings:
        deep_m = hole.depth_m
        if hole.kept or deep_m is None or deep_m > _FILLED_M:
            continue
        if hole.area_m2 * deep_m < _FILL_M3 or math.sqrt(hole.area_m2) < _WIDE * deep_m:
            continue
        x, y = place_from_local(hole.place_m, floor.scan.frame)
        found.append(
            Warned(
                "opening-filled",
                f"the opening at ({x:.2f}, {y:.2f}) is left open and in no figure; points were seen"
                f" in it {show_size(deep_m, system)} down: if it is a pocket to be filled, it takes"
                f" about {show_volume(hole.area_m2 * deep_m, system)} beforehand",
            )
        )
    return found


def _set_ups(surface: Surface, system: System) -> list[Warned]:
    """Set-ups that were joined too high or too low, that bend or rise around themselves."""
    stations = surface.floor.stations
    found = []
    if stations.error_m > _STEP_M:
        low, high = int(np.nanargmin(stations.step_m)), int(np.nanargmax(stations.step_m))
        apart = show_height(float(stations.step_m[high] - stations.step_m[low]), system)
        found.append(
            Warned(
                "set-ups-differ",
                f"set-ups of the scan were not joined at one height: where they see the same floor"
                f" '{_named(stations, high)}' lies {apart} above"
                f" '{_named(stations, low)}'; all were brought to their mean, and which of them is"
                " right the scan cannot say: control shots with a benchmark can",
            )
        )
    if stations.left_m > _BEND_M:
        found.append(
            Warned(
                "set-ups-bend",
                f"set-ups of the scan bend against one another by"
                f" {show_height(stations.left_m, system)} (one standard deviation) where they "
                "see the same floor; the intervals allow for"
                " it, joining the set-ups again may take it away",
            )
        )
    if abs(stations.bowl) > _BOWL:
        way = "rises" if stations.bowl > 0.0 else "falls"
        found.append(
            Warned(
                "bowls",
                f"the floor {way} by {show_fall(abs(stations.bowl), system, 2)} with the "
                "distance from"
                " each set-up, as an instrument does whose vertical circle is out: have it"
                " checked; the intervals allow for it",
            )
        )
    return found


def _apart(stations: Stations) -> str:
    """What is said of set-ups that see no floor in common; empty where all do."""
    alone = [k for k, step_m in enumerate(stations.step_m) if not math.isfinite(step_m)]
    if not alone and len(stations.groups) < 2:
        return ""
    if not stations.groups:
        told = "no two set-ups or files see enough of the same floor"
    elif alone:
        more = f" and {len(alone) - 1} more" if len(alone) > 1 else ""
        told = f"'{_named(stations, alone[0])}'{more} and the others see too little of one floor"
    else:
        told = f"{len(stations.groups)} groups of set-ups see too little of one floor"
    return f"{told} to tell whether they were joined at one height: a control shot in each would"


def _named(stations: Stations, number: int) -> str:
    """A set-up's name, short and without what a terminal would obey."""
    shown = "".join(sign if sign.isprintable() else "?" for sign in stations.names[number])
    return shown if len(shown) <= _LONG_NAME else f"{shown[: _LONG_NAME - 1]}…"


def floor_taken(surface: Surface, system: System = "metric") -> list[str]:
    """Assumptions on which floor was taken."""
    floor = surface.floor
    said = []
    if floor.taken_doors_m:
        places = _places(surface, floor.taken_doors_m, system)
        said.append(
            f"doorways: what lies behind them is taken as part of this floor: {places};"
            " --outline leaves it out"
        )
    if floor.beyond_doors_m:
        said.append("doorways: the floor ends at them")
    apart = _apart(floor.stations)
    if apart and not any(place is not None for place in floor.stations.place_m):
        # Files may be tiles of one cloud, which touch and do not overlap.
        said.append(f"set-ups: {apart}")
    if floor.spots is None and not floor.walls_seen and not floor.outline_given:
        said.append("outline: no walls were seen, the floor ends where the scan ends")
    return said


def read_as_typed(job: Job, frame: Frame) -> list[str]:
    """How a place and a level that were typed are read, where the scan is not in metres."""
    said = []
    height_m = frame.upright_unit_m
    if job.scan.at is not None and frame.unit_m != 1.0:
        x_m, y_m = (value * frame.unit_m for value in job.scan.at[:2])
        said.append(f"--at is read in the scan's own unit: ({x_m:.3f}, {y_m:.3f}) in metres")
    if job.datum.z is not None and height_m != 1.0:
        said.append(
            f"--datum is read in the scan's own unit: {job.datum.z * height_m:.4f} m; with a unit"
            " of its own, as 12.345m, it is read in that"
        )
    return said


def sensor_taken(surface: Surface, job: Job) -> list[str]:
    """Whose tilt and warp are allowed for, where nobody said what scanned or the job says."""
    scan = surface.floor.scan
    if job.sensor.model_fields_set:
        shared = surface.shared if surface.control is None else surface.control.before
        tilt, length = (_share(one, job.units) for one in (shared.tilt_rad, shared.scale))
        warp, level = (_stated(one, job.units) for one in (shared.warp_m, shared.datum_m))
        said = (
            f"sensor: as {shared.source} says, the scan as a whole is taken as good to {tilt} of"
            f" tilt, {warp} of warp, {level} of level and {length} of length (one standard"
            " deviation each)"
        )
        return [said]
    told = job.scan.sensor is not None or scan.sensor_hint is not None
    if told or surface.between is not None or surface.control is not None:
        return []
    shared = surface.shared
    said = (
        f"sensor: {shared.source}, by how the points scatter"
        f" ({show_height(surface.floor.noise_m, job.units)}): its vertical is taken as good to"
        f" {_share(shared.tilt_rad, job.units)}; --sensor says otherwise"
    )
    return [said]


def _stated(value_m: float, system: System) -> str:
    """A small height as it was stated, without zeros of ours."""
    return show_limit(value_m, system) if system == "metric" else show_fine(value_m, system)


def _share(share: float, system: System) -> str:
    """A slope as it was stated."""
    return f"{share * MM:g} mm per m" if system == "metric" else show_fall(share, system, 2)


def _shots(surface: Surface, system: System) -> list[Warned]:
    """Where levels that were shot singly say little of the floor."""
    floor = surface.floor
    if floor.spots is None:
        return []
    found = []
    if not floor.outline_given:
        found.append(
            Warned(
                "edge-of-shots",
                "the floor is taken to end at the outermost shots: give an outline for floor"
                " beyond them (--outline)",
            )
        )
    if floor.spots.guessed_m2 > _LEAST_GUESS_M2:
        found.append(
            Warned(
                "wide-gaps",
                f"{show_area(floor.spots.guessed_m2, system)} of the floor lie in triangles of "
                "shots with"
                " sides over three times the usual spacing: its level there is little more than"
                " a guess; take levels in between",
            )
        )
    return found


def _doorways(surface: Surface, system: System) -> list[Warned]:
    floor = surface.floor
    if not floor.beyond_doors_m:
        return []
    return [
        Warned(
            "beyond-doorway",
            f"floor seen through a doorway is left out: {_places(surface, [place], system)}; give"
            " --through-doors to take it in, or --outline",
        )
        for place in floor.beyond_doors_m
    ]


def _places(surface: Surface, places: Iterable[tuple[float, float, float]], system: System) -> str:
    x0, y0 = surface.origin_m[:2]
    return ", ".join(
        f"{show_area(area_m2, system)} about ({words.place(x + x0, y + y0, system)})"
        for x, y, area_m2 in places
    )


def _levels(surface: Surface, system: System) -> list[Warned]:
    floor = surface.floor
    if not floor.other_levels_m:
        return []
    x0, y0, z0 = surface.origin_m
    listed = ", ".join(
        f"{show_area(area_m2, system)} at {words.level(level_m + z0, system)} about"
        f" ({words.place(x + x0, y + y0, system)})"
        for level_m, area_m2, x, y in floor.other_levels_m[:MOST_LEVELS]
    )
    count = len(floor.other_levels_m)
    rest = f" and {count - MOST_LEVELS} more" if count > MOST_LEVELS else ""
    which = "the level asked for is taken" if _is_chosen(floor) else "the largest level is taken"
    return [
        Warned(
            "other-levels",
            f"{which}; others were seen: {listed}{rest}; --at {_typed(floor)} takes the first of"
            " them, --outline what lies in it",
        )
    ]


def _typed(floor: Floor) -> str:
    """The place on the first other level as it is typed: in the scan's own unit."""
    level_m, _, x_m, y_m = floor.other_levels_m[0]
    frame = floor.scan.frame
    step = max(frame.unit_m, 0.01)
    digits = 0 if frame.unit_m < step else 2
    places = place_from_local((x_m, y_m, level_m), frame)
    return ",".join(f"{value:.{digits}f}" for value in places)


def _is_chosen(floor: Floor) -> bool:
    return floor.outline_given or floor.level_chosen
