"""The report: one HTML file that needs no network, whole without its script.

What the contractor asks comes first, then the map, then what a surveyor wants to
know. The same result gives the same bytes.
"""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pourdatum.report import (
    blocks,
    control_block,
    flatness_block,
    grind_block,
    live_block,
    mixing_block,
    pins_block,
    plan_blocks,
    pour_block,
    proof_page,
    setups,
    ways_block,
    words,
    zones_block,
)
from pourdatum.report.document import document
from pourdatum.report.markup import Html, el, tied
from pourdatum.report.picture import draw_depth, draw_levels
from pourdatum.report.proof_view import draw_thickness
from pourdatum.report.steps_told import steps_told
from pourdatum.units import show_area, show_height

if TYPE_CHECKING:
    from pourdatum.outcome import Check, Plan, Survey

SHOWN_ABOVE: Final = frozenset(
    {
        "not-buildable", "control-loose", "grind-dust", "grind-bound", "zone-step",
        "zones-leave-floor",
    }
)  # fmt: skip
"""Warnings that stand in the words of a block already, on the page and in print."""
SUSPENDED: Final = "The mass on a suspended floor is an engineer's question."


def write_page(
    outcome: Survey | Plan | Check, path: str | Path, *, picture: bytes | None = None
) -> None:
    """Write the report of a survey, a plan or a proof.

    Parameters
    ----------
    outcome : Survey, Plan or Check
        Finished result.
    path : str or Path
        File to write.
    picture : bytes, optional
        The map as PNG where it has been drawn already; drawn here without it.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    from pourdatum.outcome import Check, Plan

    shown = picture_of(outcome) if picture is None else picture
    if isinstance(outcome, Check):
        page = proof_page.check_page(outcome, shown)
    elif isinstance(outcome, Plan):
        page = plan_page(outcome, shown)
    else:
        page = survey_page(outcome, shown)
    Path(path).write_bytes(page.encode())


def picture_of(outcome: Survey | Plan | Check) -> bytes:
    """The map of a result as PNG."""
    from pourdatum.outcome import Check, Plan

    held = io.BytesIO()
    if isinstance(outcome, Check):
        draw_thickness(outcome, held)
    elif isinstance(outcome, Plan):
        draw_depth(outcome, held)
    else:
        draw_levels(outcome, held)
    return held.getvalue()


def plan_page(plan: Plan, picture: bytes) -> str:
    """The report of a plan as HTML."""
    survey, volume = plan.survey, plan.volume
    system = plan.system
    spots = survey.floor.spots is not None
    alt = (
        f"Plan of the floor coloured by depth of fill, "
        f"{words.span(volume.min_depth_m, volume.max_depth_m, system)}, deeper is darker, with "
        + (
            "contours, high point, humps, depth pins and the shots."
            if spots
            else "contours, high point, humps, openings, columns, depth pins and inferred floor."
        )
    )
    caption = (
        "Depth of fill, deeper is darker. Axes are the plan coordinates of the "
        f"{'levels' if spots else 'scan'}. Contours are labelled in "
        + ("inches." if system == "imperial" else "mm.")
    )
    main = [
        control_block.in_doubt(survey),
        plan_blocks.verdict(plan),
        plan_blocks.figures(plan),
        zones_block.zones(plan),
        live_block.live_map(plan),
        el(
            "div",
            blocks.figure_of(picture, alt, caption, cls="still"),
            el(
                "div",
                plan_blocks.preparation(plan),
                plan_blocks.setting_out(plan),
                plan_blocks.openings(plan),
                grind_block.grinding(plan),
            ),
            cls="desk",
        ),
        ways_block.out_of_range(plan),
        ways_block.ways(plan),
        pour_block.pour_sheet(plan),
        pins_block.pins(plan),
        el("div", pins_block.thresholds(plan), pins_block.joints(plan), cls="even"),
        el(
            "div",
            plan_blocks.material(plan),
            el(
                "div",
                mixing_block.to_buy(plan),
                plan_blocks.chances(plan),
                blocks.things(survey),
                blocks.nibs(survey),
            ),
            cls="even",
        ),
        mixing_block.mixing_card(plan),
        blocks.cautions(SUSPENDED),
        el(
            "div",
            blocks.cannot_say(survey),
            el(
                "div",
                control_block.control_shots(survey),
                setups.set_ups(survey),
                blocks.measure_again(survey),
                blocks.told(survey, without=SHOWN_ABOVE),
            ),
            cls="even",
        ),
        _provenance(survey, plan),
    ]
    return document(survey, "Levelling plan", main, script=live_block.script())


def survey_page(survey: Survey, picture: bytes) -> str:
    """The report of a survey as HTML."""
    what = "mean level" if math.isfinite(survey.figures.mean_m) else "best-fit plane"
    spots = survey.floor.spots is not None
    alt = f"Plan of the floor coloured by height above and below its {what}, with contours" + (
        " and the shots." if spots else ", openings, columns and inferred floor."
    )
    unit = "inches" if survey.system == "imperial" else "mm"
    caption = (
        f"Height above (+) and below (−) the {what} in {unit}; dashed contours are below it. "
        f"Axes are the plan coordinates of the {'levels' if spots else 'scan'}."
    )
    main = [
        control_block.in_doubt(survey),
        levels(survey),
        flatness_block.flatness(survey),
        live_block.live_map(survey),
        el(
            "div",
            blocks.figure_of(picture, alt, caption, cls="still"),
            el(
                "div",
                blocks.cannot_say(survey),
                control_block.control_shots(survey),
                setups.set_ups(survey),
                blocks.measure_again(survey),
                holes(survey),
            ),
            cls="desk",
        ),
        el("div", blocks.things(survey), blocks.nibs(survey), cls="even"),
        el("div", blocks.told(survey, without=SHOWN_ABOVE), cls="even"),
        _provenance(survey, None),
        blocks.cautions(),
    ]
    return document(survey, "Survey of a floor", main, script=live_block.script())


def levels(survey: Survey) -> Html:
    """The figures of a survey: floor, levels, fall."""
    figures, system, z0_m = survey.figures, survey.system, survey.origin_m[2]
    cards = [
        blocks.figure_card(
            "Floor",
            show_area(figures.area_m2, system),
            f"of it {show_area(survey.surface.inferred_m2, system)} inferred"
            if survey.surface.inferred_m2 > 0.0
            else "all of it seen"
            if survey.floor.spots is None
            else "all of it between shots",
        )
    ]
    span_m = figures.high_m - figures.low_m
    if math.isfinite(span_m):
        cards += [
            blocks.figure_card(
                "From low to high",
                show_height(span_m, system),
                "between shots"
                if survey.floor.spots is not None
                else "between patches of 100 mm"
                if system == "metric"
                else "between patches of 4 in",
            ),
            blocks.figure_card("Highest", words.level(figures.high_m + z0_m, system)),
            blocks.figure_card(
                "Mean level", words.level(figures.mean_m + z0_m, system), blocks.vertical(survey)
            ),
            blocks.figure_card("Lowest", words.level(figures.low_m + z0_m, system)),
        ]
    else:
        unknown = "The scan has no vertical: see the warnings"
        return el("dl", [*cards, blocks.figure_card("Levels", "not known", unknown)], cls="figures")
    turn = figures.bearing_rad
    down = None if turn is None else f"downhill {math.degrees(turn) % 360:.0f}° clockwise from +y"
    sure = figures.tilt_95
    known = None if sure is None else f"known to {words.fall_fine(sure, system)} (95 %)"
    stepped = steps_told(survey.surface, system) or None
    falls = words.fall(figures.slope, system)
    cards.append(blocks.figure_card("Falls", falls, down, known, stepped))
    return el("dl", cards, cls="figures")


def holes(survey: Survey) -> Html | None:
    """Openings of a surveyed floor; None without any."""
    found = survey.floor.openings
    if not found:
        return None
    system = survey.system
    rows = [
        (
            number,
            blocks.place(survey, hole.place_m),
            tied(show_area(hole.area_m2, system)),
            "not seen" if hole.depth_m is None else tied(words.whole(hole.depth_m, system)),
        )
        for number, hole in enumerate(found, 1)
    ]
    head = ("No.", blocks.place_head(survey), "Area", "Goes down")
    return blocks.section("Openings", blocks.table(head, rows))


def _provenance(survey: Survey, plan: Plan | None) -> Html:
    files = el("div", blocks.inputs(survey), _method(survey, plan))
    return el("div", blocks.particulars(survey), files, cls="even")


def _method(survey: Survey, plan: Plan | None) -> Html:
    single = survey.floor.spots is not None
    said = [
        "The shots are joined by triangles, and the floor is taken as plane on each. What it may "
        "do in between is drawn from floors that agree with every shot and are as uneven as the "
        "shots show."
        if single
        else (
            "Points of the floor are told from walls, ceiling, things and reflections. Each cell "
            "gets the level of a smooth surface through the points around it; where things hide "
            "the floor, it is carried on from around them."
        ),
    ]
    if plan is not None:
        if plan.datum.kind == "high-point":
            said.append(
                "The high point is the highest shot, with the upward bias of a maximum taken out; "
                "that the floor between shots may be higher is in the interval."
                if single
                else "The high point is the highest mean of a patch of "
                f"{words.whole(0.1, survey.system)}, with the upward "
                "bias of a maximum taken out; single spots and inferred floor never set it."
            )
        said.append(
            "The fill is the exact volume between the surface and the datum inside the outline. "
            "Its interval holds "
            + (
                "the error of the shots, what lies between them, and the tilt of the instrument."
                if single
                else "the noise, the inferred floor, the tilt and waves of the scan, and what its "
                "set-ups are out by."
            )
        )
        said.append(
            "Bags to buy adds to that the accuracy of pouring and the yield of a bag, at the "
            "stated confidence."
        )
    return blocks.section("How it was worked out", *[el("p", text) for text in said])
