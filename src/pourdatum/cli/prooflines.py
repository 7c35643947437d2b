"""A finished proof as a few lines that a contractor reads aloud."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pourdatum.finding import MOSTLY
from pourdatum.report import words
from pourdatum.report.flatness_block import flatness_rows
from pourdatum.report.scope import asked, not_asked
from pourdatum.report.steps_told import steps_told
from pourdatum.uncertainty import COVER_95
from pourdatum.units import MM, show_area, show_height, show_limit, show_volume
from pourdatum.verification import IF_CEILING

if TYPE_CHECKING:
    from pourdatum.material import Sheet
    from pourdatum.outcome import Check
    from pourdatum.placed import Extreme, Placed
    from pourdatum.units import System
    from pourdatum.used import BagsUsed


def proof_rows(check: Check) -> list[tuple[str, str]]:
    """Name and text of each line."""
    system, found = check.system, check.found
    rows = []
    tie = found.registration
    if tie is None:
        rows.append(("frame", "both scans in one frame, as the job says"))
    else:
        error_m = tie.height_error_m
        known = (
            "heights not tied"
            if error_m is None
            else f"heights agree to {words.height_fine(COVER_95 * error_m, system)} (95 %)"
        )
        left = words.height_fine(tie.residual_m, system)
        by = f"{len(tie.marks)} marks" if tie.marks else tie.method
        skim_m = found.skim_unseen_m
        if skim_m is not None:
            known += f"; a ceiling skimmed by up to {show_height(skim_m, system)} would not show"
        rows.append(("frame", f"AFTER brought into BEFORE's by {by}, {left} left; {known}"))
    placed = found.placed
    hangs = f", {IF_CEILING}" if found.on_ceiling else ""
    if placed is None:
        rows.append(("placed", "not known: see the note"))
    else:
        rows.append(("placed", _placed_line(placed, check)))
        part = "the part that both scans saw, " if placed.of_part else ""
        rows.append(
            (
                "thickness",
                (
                    f"mean {words.minus(show_height(placed.mean_m, system))} over {part}"
                    f"{show_area(placed.area_m2, system)}; "
                    f"thinnest {_extreme(placed.least, check)}, "
                    f"thickest {_extreme(placed.greatest, check)}{hangs}"
                ),
            )
        )
        if placed.removal_m > 0.0:
            rows.append(("taken off", f"{show_height(placed.removal_m, system)} between the scans"))
        if check.sheet is not None:
            rows += _sheet_rows(check, check.sheet, placed)
        if placed.missed_m2 > 0.0:
            rows.append(("missed", f"nothing placed on {show_area(placed.missed_m2, system)}"))
    level = found.level
    if level is not None:
        stepped = steps_told(check.surface, system)
        fall = words.fall_fine(level.slope, system) + (f"; {stepped}" if stepped else "")
        rows.append(
            (
                "level",
                (
                    f"{show_height(level.range_m, system)} ± "
                    f"{show_height(level.uncertainty_m, system)} from low to high; "
                    f"falls {fall}"
                ),
            )
        )
        off = level.departure
        if off is not None:
            judged = f"; {off.verdict}" if off.verdict else ""
            judged += f", {IF_CEILING}" if off.on_ceiling else ""
            wanted = words.level(off.level_m + check.origin_m[2], system)
            rows.append(
                (
                    "off level",
                    (
                        f"{words.minus(show_height(off.lowest_m, system))} to "
                        f"{words.minus(show_height(off.highest_m, system))} off {wanted}, each ± "
                        f"{show_height(off.uncertainty_m, system)}{judged}"
                    ),
                )
            )
    rows += flatness_rows(check.survey)
    return rows + _used_rows(check) + _nib_rows(check)


def _nib_rows(check: Check) -> list[tuple[str, str]]:
    """Small solid spots that stand up out of the floor as it is now."""
    nibs = sorted(check.survey.surface.nibs, key=lambda nib: -nib.height_m)
    if not nibs:
        return []
    at = words.site_place(nibs[0].place_m, check.origin_m, check.system)
    said = (
        f"{len(nibs)} small solid {'spot stands' if len(nibs) == 1 else 'spots stand'} up,"
        f" the highest {show_height(nibs[0].height_m, check.system)} at ({at}): chip or grind off"
    )
    return [("nibs", said)]


def _placed_line(placed: Placed, check: Check) -> str:
    """The litres, with whatever they hold on before their interval."""
    system = check.system
    between = f"({words.volume_span(*placed.volume_interval_m3, system)}, 95 %)"
    said = words.minus(show_volume(placed.volume_m3, system))
    if placed.nothing:
        said = "nothing measurable"
    if placed.of_part:
        rest = show_area(placed.whole_m2 - placed.area_m2, system)
        between += (
            f" on the {placed.share:.0%} of the floor that both scans saw;"
            f" not known on the other {rest}"
        )
    if not check.found.on_ceiling:
        return f"{said} {between}"
    each = f"{show_volume(placed.area_m2 / MM, system)} for each {show_limit(1.0 / MM, system)}"
    return f"{said} {IF_CEILING} {between}; {each} that it did"


def _extreme(one: Extreme | None, check: Check) -> str:
    if one is None:
        return "not known"
    system = check.system
    at = words.site_place(one.place_m, check.origin_m, system)
    known = f"{show_height(one.thickness_m, system)} ± {show_height(one.uncertainty_m, system)}"
    return f"{words.minus(known)} at ({at})"


def _sheet_rows(check: Check, sheet: Sheet, placed: Placed) -> list[tuple[str, str]]:
    """Floor that is surely outside what the material takes."""
    system = check.system
    thin_m2, thick_m2 = placed.beyond_m2(sheet.least_m, sheet.greatest_m, check.before.grid.cell_m)
    ends = words.limits(sheet.least_m, sheet.greatest_m, system)
    said = f"{words.plain(sheet.name, 60)}, {ends} in one layer"
    told = [
        f"{word} on {show_area(area_m2, system)}"
        for word, area_m2 in (("thinner", thin_m2), ("thicker", thick_m2))
        if area_m2 > 0.0
    ]
    said += f"; {', '.join(told)}" if told else ""
    said += f"; undecided: it holds {IF_CEILING}" if check.found.on_ceiling else ""
    return [("material", said)]


def _used_rows(check: Check) -> list[tuple[str, str]]:
    system, rows = check.system, []
    hangs = f", {IF_CEILING}" if check.found.on_ceiling else ""
    used, planned = check.used, check.planned
    if used is not None:
        stated = f"{words.water(used.stated_m3 * MM, system, 2)} by the sheet"
        if used.found_m3 is None:
            rows.append(("bags", f"{used.bags} used, {stated} each: {used.verdict}{hangs}"))
        else:
            found = words.water(used.found_m3 * MM, system, 2)
            rows.append(
                (
                    "bags",
                    (
                        f"{used.bags} used, {found} each ({yield_span(used, system)}, 95 %), "
                        f"{stated}: {used.verdict}{hangs}"
                    ),
                )
            )
    if planned is not None:
        sign = "more" if planned.difference_m3 >= 0.0 else "less"
        rows.append(
            (
                "plan",
                (
                    f"{show_volume(planned.planned_m3, system)} were planned: "
                    f"{show_volume(abs(planned.difference_m3), system)} {sign} were placed"
                    f"{'' if planned.agrees else ', more than the two intervals allow'}{hangs}"
                ),
            )
        )
    return rows


def yield_span(used: BagsUsed, system: System) -> str:
    """From where to where a bag's yield may lie."""
    low, high = (words.water(edge * MM, system, 2) for edge in used.found_interval_m3)
    return words.minus(f"{low} to {high}")


def verdict_line(check: Check) -> str:
    """The verdict, first of all."""
    verdict = check.verdict
    if verdict is None:
        return "MEASURED, NOT JUDGED: no criterion was asked for"
    if check.found.judged < MOSTLY:
        return f"{verdict.upper()}: only {check.found.judged:.0%} of the floor was seen"
    hangs = f", {IF_CEILING}" if check.found.verdict_on_ceiling else ""
    return f"{verdict.upper()}{hangs}, of {asked(check)}; {not_asked(check)}"
