"""The report of a proof: what was placed, whether the floor conforms, and where it does not."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from pourdatum.finding import MOSTLY
from pourdatum.report import blocks, control_block, flatness_block, live_block, setups, words
from pourdatum.report.document import document
from pourdatum.report.markup import Html, el
from pourdatum.report.proof_view import draw_profile, worst_gaps
from pourdatum.report.scope import asked, not_asked
from pourdatum.report.steps_told import steps_told
from pourdatum.uncertainty import COVER_95
from pourdatum.units import MM, show_area, show_height, show_length, show_limit, show_volume
from pourdatum.verification import IF_CEILING

if TYPE_CHECKING:
    from pourdatum.finding import Flatness
    from pourdatum.mends import Mend
    from pourdatum.outcome import Check
    from pourdatum.placed import Extreme, Placed
    from pourdatum.register import Registration
    from pourdatum.scan import Scan
    from pourdatum.units import System

_MOST_PROFILES: Final = 3
_SAYS: Final = {
    "conforms": ("Conforms. ", "Every criterion asked for is kept."),
    "does not conform": ("Does not conform. ", "At least one criterion is missed."),
    "undecided": (
        "Undecided. ",
        "No criterion is surely missed.",
    ),
}


def check_page(check: Check, picture: bytes) -> str:
    """The report of a proof as HTML."""
    survey, system = check.survey, check.system
    known = check.found.placed is not None
    unit = "inches" if system == "imperial" else "mm"
    alt = (
        "Plan of the floor coloured by the thickness placed, thicker is darker, with contours, the "
        "thinnest and thickest place, and straightedges at the worst places."
        if known
        else "Plan of the floor coloured by height above and below its mean level."
    )
    caption = (
        f"{'Thickness placed' if known else 'Levels after the pour'}; contours in {unit}. Axes are "
        "the plan coordinates of BEFORE."
    )
    main = [
        control_block.in_doubt(survey),
        verdict(check),
        figures(check),
        hangs_on(check),
        flatness_block.flatness(survey),
        live_block.live_map(check),
        el(
            "div",
            blocks.figure_of(picture, alt, caption, cls="still"),
            el("div", _worst_places(check)),
            cls="desk",
        ),
        el("div", level(check), together(check), cls="even"),
        el("div", against_sheet(check), against(check), cls="even"),
        blocks.nibs(survey),
        el(
            "div",
            blocks.told(survey),
            el(
                "div",
                control_block.control_shots(survey),
                setups.set_ups(survey),
                blocks.measure_again(survey),
            ),
            cls="even",
        ),
        el("div", blocks.particulars(survey), files(check), cls="even"),
        method(check),
        blocks.after_the_pour(),
    ]
    return document(
        survey,
        "Proof of a poured floor",
        main,
        title=title_of_check(check),
        script=live_block.script(),
    )


def hangs_on(check: Check) -> Html | None:
    """What the litres stand on where nothing else bears it out; None where something does."""
    placed, system = check.found.placed, check.system
    if placed is None:
        return None
    each = placed.area_m2 / MM
    skim_m = check.found.skim_unseen_m
    if skim_m is not None:
        return el(
            "p",
            "Heights hang on the ceiling. What bears it out knows it to "
            f"{show_height(skim_m, system)}: one that was skimmed by less between the scans would "
            "not show, and is in no interval; each "
            f"{show_limit(0.001, system)} of it would be {show_volume(each, system)}. Marks "
            "(--marks) take that away.",
        )
    if not check.found.on_ceiling:
        return None
    return el(
        "p",
        f"What was placed is told {IF_CEILING}: nothing but a ceiling ties the heights of the two "
        "scans. One that was boarded or hung lower between them is in these figures and in no "
        f"interval, {show_volume(each, system)} for each {show_limit(0.001, system)}. Marks, "
        "door heads or a soffit seen in both scans, bags or a plan that come to the same volume "
        "take the condition away.",
    )


def title_of_check(check: Check) -> str:
    """The job's, or both scans."""
    names = [_names(scan) for scan in (check.before.floor.scan, check.scan)]
    return words.plain(check.title) or f"{names[0]} → {names[1]}"


def _names(scan: Scan) -> str:
    files = [words.plain(item.file) for item in scan.inputs]
    return files[0] if len(files) == 1 else f"{files[0]} and {len(files) - 1} more"


def verdict(check: Check) -> Html:
    """The verdict, and which criteria it rests on."""
    if check.verdict is None:
        text = "No criterion was asked for: nothing is judged. --criterion asks for one."
        return el("div", el("p", el("b", "Measured, not judged. "), text), cls="verdict")
    name, text = _SAYS[check.verdict]
    if check.found.judged < MOSTLY:
        text += (
            f" Only {words.percent(check.found.judged)} of the floor was seen after the pour; the"
            " rest is not judged."
        )
    missed = [
        flatness_block.name_of(one)
        for one in check.found.flatness
        if one.verdict == check.verdict and check.verdict != "conforms"
    ]
    off = check.found.level.departure if check.found.level is not None else None
    if off is not None and off.verdict == check.verdict != "conforms":
        missed.append("departure from the level")
    if check.found.verdict_on_ceiling:
        text += f" That holds {IF_CEILING}, for the level wanted hangs on it."
    text += f" Asked: {asked(check)}; {not_asked(check)}."
    if missed and check.verdict == "undecided":
        text += " What this scan cannot decide, and why stands with the figures below:"
    return el(
        "div",
        el("p", el("b", name), text),
        blocks.bullets(missed) if missed else None,
        cls="verdict" if check.verdict == "conforms" else "verdict no",
    )


def figures(check: Check) -> Html:
    """What was placed, how thick, how level, in a few cards."""
    placed, level, system = check.found.placed, check.found.level, check.system
    cards = []
    if placed is None:
        cards.append(blocks.figure_card("Placed", "not known", "see the warnings"))
    else:
        part = " of the part seen" if placed.of_part else ""
        cards += [
            blocks.figure_card(
                f"Placed{' on the part seen' if placed.of_part else ''}",
                "nothing measurable"
                if placed.nothing
                else words.minus(show_volume(placed.volume_m3, system)),
                f"{words.volume_span(*placed.volume_interval_m3, system)} (95 %)",
                _holds(placed, check),
            ),
            blocks.figure_card(
                "Mean thickness",
                words.minus(show_height(placed.mean_m, system)),
                f"over {show_area(placed.area_m2, system)}",
                None
                if placed.missed_m2 <= 0.0
                else f"nothing placed on {show_area(placed.missed_m2, system)}",
            ),
            _extreme_card(f"Thinnest{part}", placed.least, check),
            _extreme_card(f"Thickest{part}", placed.greatest, check),
        ]
    if level is not None:
        sure = None
        if level.slope_uncertainty is not None:
            sure = f"known to {words.fall_fine(level.slope_uncertainty, system)} (95 %)"
        cards += [
            blocks.figure_card(
                "From low to high",
                show_height(level.range_m, system),
                f"± {show_height(level.uncertainty_m, system)} (95 %)",
            ),
            blocks.figure_card("Out of level", words.fall_fine(level.slope, system), sure),
        ]
    return el("dl", cards, cls="figures")


def _holds(placed: Placed, check: Check) -> str | None:
    """On what the litres hold, and of which part of the floor."""
    said = []
    if placed.of_part:
        said.append(
            f"on the {words.percent(placed.share)} that both scans saw; the whole is not known"
        )
    if check.found.on_ceiling:
        said.append(IF_CEILING)
    return "; ".join(said) or None


def _extreme_card(name: str, one: Extreme | None, check: Check) -> Html:
    if one is None:
        return blocks.figure_card(name, "not known", "no patch was seen well enough in both scans")
    system = check.system
    return blocks.figure_card(
        name,
        words.minus(show_height(one.thickness_m, system)),
        f"± {show_height(one.uncertainty_m, system)} (95 %)",
        f"at {_at(one.place_m, check)}",
    )


def _at(place_m: tuple[float, float], check: Check) -> str:
    said = words.site_place(place_m, check.origin_m, check.system)
    return f"{said} {words.plan_unit(check.system)}"


def _worst_places(check: Check) -> Html | None:
    """The straightedge at each worst place, from its side, and what would mend it."""
    shown: list[Html] = []
    for one, mend in worst_gaps(check):
        if mend is None or one.worst is None or len(shown) == _MOST_PROFILES:
            continue
        where = _at(one.worst.place_m, check)
        alt = f"Profile of the floor under a straightedge at {where}, with its two contacts."
        picture = draw_profile(mend.profile, check.system)
        shown.append(blocks.figure_of(picture, alt, told_of_worst(one, mend, check)))
    if not shown:
        return None
    return blocks.section("Worst places", *shown)


def told_of_worst(one: Flatness, mend: Mend, check: Check) -> str:
    """Where a straightedge lies worst, what the picture shows, and what would mend it."""
    assert one.worst is not None
    turn = math.degrees(one.worst.bearing_rad or 0.0) % 180
    mended = "" if one.verdict == "conforms" else f" {_mended(mend, check)}"
    return (
        f"{flatness_block.name_of(one)}: at {_at(one.worst.place_m, check)}, {turn:.0f}°"
        " clockwise from +y. As measured, noise left in: the value judged, in the table, is "
        f"less.{mended}"
    )


def _mended(mend: Mend, check: Check) -> str:
    system = check.system
    fill = (
        f"To fill the hollow up to the straightedge takes about {_about(mend.fill_m3, system)}"
        f" on {show_area(mend.fill_m2, system)}"
    )
    if mend.grind_m3 <= 0.0:
        return f"{fill}."
    return (
        f"{fill}; to grind what it rests on, until the gap keeps its limit, about "
        f"{_about(mend.grind_m3, system)} off {show_area(mend.grind_m2, system)}. Floor that was"
        " missed is poured, not ground for."
    )


def _about(volume_m3: float, system: System) -> str:
    """To two figures: nobody measures more from a straightedge."""
    litres = float(f"{volume_m3 * MM:.2g}")
    return words.water(litres, system, 0 if litres >= 10.0 else 1)


def level(check: Check) -> Html | None:
    """How level the floor is, apart from how flat."""
    level, system = check.found.level, check.system
    if level is None:
        return blocks.section("Level", el("p", "The scan has no vertical: level is not known."))
    rows: list[tuple[str, object]] = [
        ("Slope of the best-fit plane", words.fall_fine(level.slope, system)),
        *((("Steps", stepped),) if (stepped := steps_told(check.surface, system)) else ()),
        (
            f"From low to high, patches of {'4 in' if system == 'imperial' else '100 mm'}",
            f"{show_height(level.range_m, system)} ± {show_height(level.uncertainty_m, system)}",
        ),
    ]
    off = level.departure
    if off is not None:
        rows += [
            ("Level wanted", words.level(off.level_m + check.origin_m[2], system)),
            (
                "Lowest and highest off it",
                (
                    f"{words.minus(show_height(off.lowest_m, system))} and "
                    f"{words.minus(show_height(off.highest_m, system))}, "
                    f"each ± {show_height(off.uncertainty_m, system)}"
                    f"{f', {IF_CEILING}' if off.on_ceiling else ''}"
                ),
            ),
        ]
        if off.tolerance_m is not None:
            rows.append(
                (
                    f"Allowed ± {show_height(off.tolerance_m, system)}",
                    el("b", off.verdict or ""),
                )
            )
    return blocks.section("Level, apart from flatness", blocks.facts(rows))


def together(check: Check) -> Html:
    """How the two scans were brought into one frame."""
    tie, system = check.found.registration, check.system
    if tie is None:
        return blocks.section(
            "Both scans in one frame", el("p", "They came in one frame, as the job says.")
        )
    error_m = tie.height_error_m
    turned = round(math.degrees(tie.move.turn_rad), 2) % 360.0
    rows: list[tuple[str, object]] = [
        ("Held together by", tie.method),
        *_heads(check, tie),
        ("Left between them", f"{show_height(tie.residual_m, system)} (root mean square)"),
        (
            "Heights agree to",
            (
                "not known: ceiling and door heads contradict each other"
                if tie.heads is not None and tie.heads.differ
                else "not known: level faces contradict each other"
                if tie.against is not None
                else "not known: nothing is surely fixed in height"
            )
            if error_m is None
            else f"{words.height_fine(COVER_95 * error_m, system)} (95 %)",
        ),
        ("AFTER lies turned by", f"{turned:.2f}° anticlockwise"),
    ]
    if not tie.marks:
        rows += [
            ("Walls of the smaller scan on the other's", words.percent(tie.overlap)),
            ("Walls and columns matched", show_area(tie.wall_m2, system)),
            ("Ceiling, heads and sills matched", show_area(tie.level_m2, system)),
        ]
    rows += [
        (f"Mark {words.plain(name, 40)}", f"{words.height_fine(left, system)} off")
        for name, left in tie.marks
    ]
    return blocks.section("Both scans in one frame", blocks.facts(rows))


def _heads(check: Check, tie: Registration) -> list[tuple[str, object]]:
    """What the heights hang on, and what other heads say of it."""
    rows: list[tuple[str, object]] = []
    if tie.heads_m and tie.height_error_m is not None:
        heights = ", ".join(show_length(height, check.system) for height in tie.heads_m)
        rows.append(("Heights hang on faces over the floor by", f"{heights}; taken as unmoved"))
    for one in (*tie.bearing_out, *([] if tie.against is None else [tie.against])):
        rise = words.height_fine(abs(one.rise_m), check.system)
        within = words.height_fine(COVER_95 * one.error_m, check.system)
        name = f"Face {show_length(one.height_m, check.system)} over the floor, against that at"
        name += f" {show_length(tie.faces[0].height_m, check.system)}"
        way = "higher" if one.rise_m > 0.0 else "lower"
        rows.append((name, f"{rise} ± {within} {way} in AFTER (95 %)"))
    if tie.heads is not None:
        rise = words.height_fine(abs(tie.heads.rise_m), check.system)
        within = words.height_fine(COVER_95 * tie.heads.error_m, check.system)
        way = "higher" if tie.heads.rise_m > 0.0 else "lower"
        rows.append(
            (
                "Door and window heads, held against the ceiling",
                f"{rise} ± {within} {way} in AFTER (95 %)",
            )
        )
    return rows


def against_sheet(check: Check) -> Html | None:
    """Floor outside what the material takes."""
    placed, sheet, system = check.found.placed, check.sheet, check.system
    if placed is None or sheet is None:
        return None
    short_m2, deep_m2 = placed.beyond_m2(sheet.least_m, sheet.greatest_m, check.before.grid.cell_m)
    rows: list[tuple[str, object]] = [
        ("Material", words.plain(sheet.name, 60)),
        ("Allowed in one layer", words.limits(sheet.least_m, sheet.greatest_m, system)),
        ("Surely thinner", show_area(short_m2, system)),
        ("Surely thicker", show_area(deep_m2, system)),
    ]
    return blocks.section("Against the material", blocks.facts(rows))


def against(check: Check) -> Html | None:
    """Against the bags that were used and the plan."""
    parts: list[object] = []
    used, planned, system = check.used, check.planned, check.system
    if used is not None:
        low, high = (edge * MM for edge in used.found_interval_m3)
        rows: list[tuple[str, object]] = [
            ("Bags used", words.count(used.bags)),
            ("A bag fills, by its sheet", words.water(used.stated_m3 * MM, system, 2)),
            (
                "A bag filled here",
                used.verdict
                if used.found_m3 is None
                else (
                    f"{words.water(used.found_m3 * MM, system, 2)} "
                    f"({words.minus(words.water(low, system, 2))} to "
                    f"{words.minus(words.water(high, system, 2))}, 95 %)"
                ),
            ),
            (
                "Yield",
                el("b", used.verdict + (f", {IF_CEILING}" if check.found.on_ceiling else "")),
            ),
        ]
        parts.append(blocks.facts(rows))
        if used.reasons:
            parts.append(el("p", "What could explain it (common practice, no source):"))
            parts.append(blocks.bullets(used.reasons))
    if planned is not None:
        of = "this very scan" if planned.same_scan else "another scan of it"
        low_m3, high_m3 = planned.planned_interval_m3
        sign = "more" if planned.difference_m3 >= 0.0 else "less"
        rows = [
            ("Planned, from " + of, show_volume(planned.planned_m3, system)),
            ("Between (95 %)", words.volume_span(low_m3, high_m3, system)),
            (
                "Placed",
                (
                    f"{show_volume(abs(planned.difference_m3), system)} {sign}; the intervals "
                    f"{'meet' if planned.agrees else 'do not meet'}"
                    f"{f', {IF_CEILING}' if check.found.on_ceiling else ''}"
                ),
            ),
        ]
        parts.append(blocks.facts(rows))
    if not parts:
        return None
    return blocks.section("Against what was used and planned", *parts)


def files(check: Check) -> Html:
    """Both scans with their hashes."""
    rows = [
        (f"{word}: {name}", about)
        for word, scan in (("Before", check.before.floor.scan), ("After", check.scan))
        for name, about in blocks.input_rows(scan)
    ]
    return blocks.section("Scan files", blocks.facts(rows), cls="long")


def method(check: Check) -> Html:
    """How it was worked out."""
    said = [
        (
            "AFTER is brought into BEFORE's frame on what stands over the floor, for the floor is "
            "what changed: walls are laid over walls at every turn, then faces are adjusted patch "
            "by patch by least squares; its scatter and the bends that such scanners have make "
            "the uncertainty of heights."
        ),
        (
            "Thickness is the level after the pour less the level before it, cell by cell, and "
            "what was placed its exact volume over the floor of BEFORE. Its interval holds the "
            "noise, the tie of the two scans, their bends, and floor that was not seen."
        ),
        (
            "Flatness is that of AFTER alone. Level is told in BEFORE's vertical, to which the tie "
            "brings it, or in that of control shots."
        ),
    ]
    return blocks.section("How it was worked out", *[el("p", text) for text in said])
