"""Pins, joints and thresholds of a job, brought to the floor, and what is said of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.errors import JobError
from pourdatum.joints import Joint
from pourdatum.outcome import Warned
from pourdatum.outline_file import place_to_local
from pourdatum.pins import MARK_M, PinPlan, PinRequest, plan_pins
from pourdatum.pipeline.upright import level_known
from pourdatum.thresholds import Threshold
from pourdatum.units import MM, System, show_height, show_length

if TYPE_CHECKING:
    from pourdatum.datum import Datum
    from pourdatum.job import Job
    from pourdatum.outcome import Plan
    from pourdatum.surface import Surface
    from pourdatum.thresholds import AtThreshold
    from pourdatum.zones import Border

_FAR_M: Final = 0.5
"""A threshold that stands as far from the finished floor is one of another vertical [m]."""


def pins_of(surface: Surface, datum: Datum, job: Job, borders: Sequence[Border] = ()) -> PinPlan:
    """The pins of a plan, on both sides of the borders of its zones, too.

    Raises
    ------
    JobError
        If the height mark cannot be read on a staff, or a threshold is one of another vertical.
    """
    lines = tuple(
        Joint("isolation", np.asarray(part.coords))
        for border in borders
        for part in border.line.geoms
    )
    request = replace(pin_request(job, surface), borders=lines)
    found = plan_pins(surface, datum, request, levelled=level_known(surface))
    if level_known(surface):
        for one in found.thresholds:
            _check_far(one, surface)
    return found


def pin_request(job: Job, surface: Surface) -> PinRequest:
    """What the job says of pins, in local metres."""
    frame = surface.floor.scan.frame
    z0_m = surface.origin_m[2]

    def local(place: tuple[float, float]) -> tuple[float, float]:
        x_m, y_m = place_to_local(place, frame)
        return x_m, y_m

    wish = job.pins
    above_mm = wish.mark_above_datum_mm
    return PinRequest(
        reach_m=wish.reach_m,
        mark_m=None if wish.mark_z_m is None else wish.mark_z_m - z0_m,
        mark_above_m=MARK_M if above_mm is None else above_mm / MM,
        mark_given=wish.mark_z_m is not None or above_mm is not None,
        exit_m=None if job.pour.exit is None else local(job.pour.exit),
        joints=tuple(
            Joint(line.kind, np.array([local(point) for point in line.points])) for line in job.line
        ),
        thresholds=tuple(
            Threshold(
                local(door.place),
                door.level * frame.upright_unit_m - z0_m,
                door.tolerance_mm / MM,
            )
            for door in job.threshold
        ),
        build_up_m=0.0 if job.build_up is None else job.build_up.mm / MM,
    )


def _check_far(one: AtThreshold, surface: Surface) -> None:
    """Refuse a threshold in whose vertical the scan is not."""
    if not one.of_this_floor or abs(one.over_m) <= _FAR_M:
        return
    z0_m = surface.origin_m[2]
    raise JobError(
        f"the threshold at {one.threshold.level_m + z0_m:.3f} m lies {abs(one.over_m):.2f} m"
        f" {'under' if one.over_m > 0 else 'over'} the finished floor there, which is at"
        f" {one.finished_m + z0_m:.3f} m in the vertical of the scan",
        where=f"threshold[{one.number}].level",
        hint="give the level in that vertical and in the scan's unit, or shots from a benchmark"
        " (--control) that bring the scan into yours",
        id="threshold-far",
    )


def pin_warnings(plan: Plan) -> list[Warned]:
    """What of pins, joints and thresholds the user must know."""
    found: list[Warned] = []
    pins, system = plan.pins, plan.system
    known = pins.mark_m is not None
    for one in pins.thresholds:
        where = f"threshold {one.number}"
        if not one.of_this_floor:
            found.append(
                Warned(
                    "threshold-off-floor",
                    f"{where} lies {show_length(one.away_m, system)} from this floor and is not"
                    " used: check its place",
                )
            )
        elif known and not one.met:
            found.append(Warned("threshold-missed", threshold_missed(one, pins.build_up_m, system)))
    found += [
        Warned("line-off-floor", f"line {one.number} ({one.kind}) does not lie on this floor")
        for one in pins.joints
        if one.length_m <= 0.0
    ]
    loose = sum(pin.base is None for pin in pins.pins)
    if loose:
        found.append(
            Warned(
                "pins-without-corner",
                f"{loose} of {len(pins.pins)} pins are reached by no tape from an inside corner"
                " between two straight walls: along_across_m is null, set them out by x, y",
            )
        )
    if any(not base.on_walls for base in pins.bases):
        found.append(
            Warned(
                "corner-not-seen",
                "a corner that places are measured from is one of the outline, where no two walls"
                " were seen: mark it on the floor before anything is measured from it",
            )
        )
    if pins.pins and not known:
        found.append(
            Warned("no-staff", "the scan has no vertical: staff_mm is null, set pins by depth")
        )
    if not pins.pins:
        found.append(Warned("no-pins", "no floor was seen that a pin may stand on"))
    return found


def threshold_missed(one: AtThreshold, build_up_m: float, system: System) -> str:
    """A threshold that the datum misses, in a sentence."""
    over, off = one.over_m > 0.0, show_height(abs(one.over_m), system)
    return (
        f"threshold {one.number}: datum and {show_height(build_up_m, system)} of build-up end"
        f" {off} {'over' if over else 'under'} it, its tolerance is"
        f" {show_height(one.threshold.tolerance_m, system)}; a datum {off}"
        f" {'lower' if over else 'higher'} meets it there"
    )


def pin_assumptions(plan: Plan, job: Job) -> list[str]:
    """What was taken for granted of pins."""
    pins = plan.pins
    said = []
    if pins.pins and pins.mark_m is not None and not pins.mark_given:
        said.append(f"pins: height mark {show_length(MARK_M, plan.system)} over the datum")
    if pins.pins and not pins.reach_given:
        apart = show_length(pins.spacing_m, plan.system)
        said.append(f"pins: {apart} from one to the next, as no reach was stated")
    if any(one.of_this_floor for one in pins.thresholds) and job.build_up is None:
        said.append("thresholds: no build-up is given; the poured floor is taken as finished")
    return said
