"""Depth pins on the page: corners to measure from, height mark, every pin; joints, thresholds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pourdatum.pinplaces import CLEAR_M
from pourdatum.report import words
from pourdatum.report.blocks import bullets, place, place_head, section, table
from pourdatum.report.markup import Html, el, joined, tied
from pourdatum.report.picture import datum_place
from pourdatum.settingout import corner_name
from pourdatum.units import FOOT_M, show_height, show_length

if TYPE_CHECKING:
    from pourdatum.outcome import Plan
    from pourdatum.pins import Pin
    from pourdatum.settingout import Baseline
    from pourdatum.thresholds import AtThreshold

_GRIND_M: Final = 0.00005
"""Concrete to take off that shows as 0.1 mm [m]."""
_WHY: Final = {
    "high": "high",
    "low": "low",
    "joint": "joint ",
    "border": "border ",
    "threshold": "T",
}


def pins(plan: Plan) -> Html | None:
    """Where every pin stands and what the staff reads on it; None without pins."""
    found = plan.pins
    if not found.pins:
        return None
    several, system = len(found.bases) > 1, plan.system
    unit, (small, _) = words.plan_unit(system), words.height_unit(system)
    head: list[object] = ["Pin"]
    if found.bases:
        head += ["From"] * several + [f"Along, across ({unit})"]
    else:
        head += [place_head(plan.survey)]
    head += [f"Staff ({small})"] * (found.mark_m is not None)
    head += [f"Level ({unit})", f"Depth ({small})"]
    head += [f"Check tapes ({unit})"] * bool(found.bases)
    return section(
        "Depth pins",
        el("p", _how_many(plan)),
        bullets([*_corners(plan), *_mark(plan), *_checks(plan)]),
        table(head, [_row(plan, pin, several) for pin in found.pins]),
        el("p", _legend(plan), cls="soft"),
    )


def _how_many(plan: Plan) -> str:
    found, system = plan.pins, plan.system
    count = len(found.pins)
    rows = len({pin.row for pin in found.pins})
    said = f"{count} pins in {rows} row{'s' if rows != 1 else ''}, at most about "
    said += f"{show_length(found.spacing_m, system)} apart"
    said += ", numbered from the end far from the " + (
        "exit" if found.exit_given else f"corner {corner_name(0)}" if found.bases else "middle"
    )
    return f"{said}. The stars on the map; pins.csv lists all."


def _corners(plan: Plan) -> list[object]:
    """Each corner as a person finds it, with something to know it by."""
    said: list[object] = []
    for number, base in enumerate(plan.pins.bases):
        where = tuple(base.corner.place_m.tolist())
        unit = words.plan_unit(plan.system)
        wall, other = (show_length(m, plan.system) for m in (base.wall_m, base.other_m))
        name = el("b", f"Corner {corner_name(number)}")
        side = "right" if base.floor_on_right else "left"
        walls = (
            f"the inside corner between a wall of {wall} and one of {other}"
            if base.on_walls
            else f"a corner of the outline, with sides of {wall} and {other}, where no two walls "
            "were seen: mark it on the floor first"
        )
        how = (
            f" {unit}. Stand in it and look along the side of {wall}: the floor lies to your "
            f"{side}. Along is measured on that side from the corner, across at a right angle "
            f"to it.{_known_by(plan, base)}"
        )
        said.append([name, f" is {walls}, at x, y = ", place(plan.survey, where), how])
    return said


def _known_by(plan: Plan, base: Baseline) -> str:
    """Something fixed by whose distances a corner is told from those like it."""
    import numpy as np

    fixed = [(f"opening {k}", hole.place_m) for k, hole in enumerate(plan.floor.openings, 1)]
    fixed += [
        ("the column", thing.place_m) for thing in plan.floor.obstructions if thing.kind == "column"
    ]
    if not fixed:
        return ""
    name, place_m = fixed[0]
    along, across = base.along_across(np.array([place_m]))[0]
    if across < 0.0 or not 0.0 <= along <= 1.5 * base.wall_m:
        return ""
    shown = [show_length(m, plan.system) for m in (along, across)]
    return (
        f" You are in the right one if the middle of {name} lies {shown[0]} along and"
        f" {shown[1]} across."
    )


def _mark(plan: Plan) -> list[object]:
    """The height mark, from the datum and from the slab at the high point."""
    mark, system = plan.pins.mark_m, plan.system
    if mark is None:
        return ["The scan has no vertical: no staff is read, and pins are set by their depth."]
    at = datum_place(plan)
    over_m = mark - plan.datum.level_beside(*at)
    said = f"Make a height mark outside the work, at {words.level(mark + plan.origin_m[2], system)}"
    if plan.zones:
        own = [
            (words.plain(zone.name, 40), zone.plan.datum.level_beside(*datum_place(zone.plan)))
            for zone in plan.zones
        ]
        over = [f"{_mark_height(mark - level_m, plan)} in {name}" for name, level_m in own]
        said += f". Over the datum it lies {', '.join(over)}"
    else:
        said += f": {_mark_height(over_m, plan)} over the datum"
    if plan.datum.high_place_m is not None:
        # The mark is made first: the staff beside it stands on the slab as it is then.
        now_m = over_m + plan.datum.least_m - plan.datum.lowered_m - plan.removal_m
        later = ["grinding"] * (plan.datum.lowered_m > 0.0) + ["preparation"] * (plan.removal_m > 0)
        before = f" as it is now, before {' and '.join(later)}" if later else ""
        said += f", which is {_mark_height(now_m, plan)} over the slab at the high point{before}"
    said += ". Set the laser to it. The staff stands on the pin; the pin is right when it reads"
    return [f"{said} what is listed."]


def _mark_height(value_m: float, plan: Plan) -> str:
    return show_height(value_m, plan.system)


def _checks(plan: Plan) -> list[object]:
    if not plan.pins.bases:
        return ["No inside corner between two straight walls was found: set pins out by x, y."]
    said = "The two checks are tapes straight to the pin, from the corner and from the far end of"
    return [f"{said} the wall. Where one is missing, something stands in the way."]


def _row(plan: Plan, pin: Pin, several: bool) -> list[object]:
    system = plan.system
    of = str(pin.of) if pin.of else ""
    # On a phone a cell breaks after its first part.
    row: list[object] = [joined([tied(pin.name), " ", tied(f"{_WHY.get(pin.kind, '')}{of}")])]
    row += ["" if pin.base is None else corner_name(pin.base)] * several
    if pin.along_across_m is None:
        by = "x, y " if plan.pins.bases else ""
        row += [[by, place(plan.survey, pin.place_m)]]
    else:
        row += [_pair(plan, *pin.along_across_m)]
    if plan.pins.mark_m is not None:
        row += ["" if pin.staff_m is None else tied(_number(show_height(pin.staff_m, system)))]
    depth = words.minus(_number(show_height(pin.depth_m, system)))
    if pin.ground_m > _GRIND_M:
        off = _number(show_height(pin.ground_m, system))
        told = joined([tied(f"{depth},"), " ", tied(f"grind {off}")])
    else:
        half_m = 0.5 * (pin.high_m - pin.low_m)
        told = joined([tied(depth), " ", tied(f"± {_number(show_height(half_m, system))}")])
    row += [tied(_number(words.level(pin.z_m + plan.origin_m[2], system))), told]
    return row + [_pair(plan, pin.diagonal_m, pin.from_end_m)] * bool(plan.pins.bases)


def _pair(plan: Plan, *lengths_m: float | None) -> Html:
    """Two lengths to the centimetre or hundredth of a foot, their unit in the head."""
    unit_m = FOOT_M if plan.system == "imperial" else 1.0
    one, two = ("–" if m is None else words.minus(f"{m / unit_m:.2f}") for m in lengths_m)
    return joined([tied(f"{one},"), " ", tied(two)])


def _number(shown: str) -> str:
    return shown.rsplit(" ", 1)[0]


def _legend(plan: Plan) -> str:
    kinds = {pin.kind for pin in plan.pins.pins}
    said = "High and low: the least and the greatest depth. "
    said += "Joint: beside that joint. " if "joint" in kinds else ""
    said += (
        "Border: beside that border of zones, in the order listed. " if "border" in kinds else ""
    )
    said += "T: at that threshold. " if "threshold" in kinds else ""
    if any(pin.ground_m > _GRIND_M for pin in plan.pins.pins):
        said += "Grind: comes off there before the pin is set, and the depth is what is left then. "
    return (
        f"{said}Depth is a check only, from the bare slab to the top of the pin, with its interval"
        " (95 %): if it is out by more, read the staff again before you believe either. Pins keep"
        f" {words.whole(CLEAR_M, plan.system)} off walls, columns and openings, but for high and"
        " low, which stand where they are."
    )


def thresholds(plan: Plan) -> Html | None:
    """What the datum leaves at each threshold; None where none is given."""
    found = plan.pins.thresholds
    if not found:
        return None
    build_up = show_height(plan.pins.build_up_m, plan.system)
    head = (
        "No.",
        place_head(plan.survey),
        "Finished level",
        "Datum and build-up",
        "Ends",
        "Allowed",
    )
    return section(
        "Thresholds",
        table(head, [_door(plan, one) for one in found]),
        el("p", f"Build-up on top of the pour: {build_up}.", cls="soft"),
    )


def _door(plan: Plan, one: AtThreshold) -> list[object]:
    system, z0_m = plan.system, plan.origin_m[2]
    row: list[object] = [f"T{one.number}", place(plan.survey, one.threshold.place_m)]
    row += [tied(words.level(one.threshold.level_m + z0_m, system))]
    if not one.of_this_floor:
        return [*row, "not at this floor", "", ""]
    if plan.pins.mark_m is None:
        return [*row, "level not known", "", ""]
    off, side = show_height(abs(one.over_m), system), "over" if one.over_m > 0 else "under"
    ends = joined([tied(off), " ", f"{side}{'' if one.met else ', missed'}"])
    allowed = f"± {show_height(one.threshold.tolerance_m, system)}"
    return [
        *row,
        tied(words.level(one.finished_m + z0_m, system)),
        ends if one.met else el("b", ends),
        tied(allowed),
    ]


def joints(plan: Plan) -> Html | None:
    """Joints and cracks, and what is done with each; None where none is given."""
    found = plan.pins.joints
    if not found:
        return None
    rows = [
        (
            one.number,
            one.kind,
            tied(show_length(one.length_m, plan.system))
            if one.length_m > 0.0
            else "not on this floor",
            "carry it through the pour" if one.carried else "repair it before priming",
        )
        for one in found
    ]
    return section("Joints and cracks", table(("No.", "Kind", "Length here", "What to do"), rows))
