"""The printed proof: what was placed on a plan to scale, verdicts, worst places, and the frame.

The words are those of the page; the straightedges of the worst places are drawn anew, in lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pourdatum.report import blocks, control_block, flatness_block, proof_page, setups, words
from pourdatum.report.markup import el
from pourdatum.report.pdf_paper import (
    HEAD_PT,
    MARGIN_MM,
    TEXT_PT,
    About,
    Paper,
    Sheet,
    wrapped,
)
from pourdatum.report.pdf_parts import Words, hashed, mean_level, words_of
from pourdatum.report.pdf_plan import PlanSheet, plan_sheet
from pourdatum.report.pdf_signing import Signing
from pourdatum.report.proof_view import paint_profile, thickness_view, worst_gaps
from pourdatum.report.scope import asked, not_asked
from pourdatum.units import show_area, show_volume
from pourdatum.verification import IF_CEILING

if TYPE_CHECKING:
    from pourdatum.finding import Flatness
    from pourdatum.mends import Mend
    from pourdatum.outcome import Check

_TALL_MM: Final = 44.0
"""Height of a profile on paper [mm]."""
_LEAD_MM: Final = 4.2
_ON_A_SHEET: Final = 3
_MOST: Final = 6
"""Profiles that are printed at most."""


@dataclass(frozen=True)
class Profiles:
    """Straightedges at worst places, seen from their side: one sheet of them."""

    check: Check
    each: tuple[tuple[Flatness, Mend], ...]

    def draw(self, paper: Paper, about: About, page: tuple[int, int]) -> Sheet:
        """Print them, within ``style.drawing``."""
        sheet = Sheet(paper)
        down = MARGIN_MM + 6.0
        sheet.write(MARGIN_MM, down, "Worst places", HEAD_PT, bold=True)
        wide = paper.wide_mm - 2 * MARGIN_MM
        down += 4.0
        for number, (one, mend) in enumerate(self.each):
            name = proof_page.told_of_worst(one, mend, self.check)
            for line in wrapped(name, TEXT_PT, wide):
                down += _LEAD_MM
                sheet.write(MARGIN_MM, down, line, TEXT_PT)
            down += 3.0
            axes = sheet.axes(MARGIN_MM + 14.0, down, wide - 16.0, _TALL_MM, f"profile {number}")
            paint_profile(axes, mend.profile, self.check.system, tint=False)
            down += _TALL_MM + 14.0
        sheet.title_block(about, "Worst places", "no single scale", page)
        return sheet


Part = Words | PlanSheet | Profiles | Signing


def proof_parts(check: Check) -> list[Part]:
    """The sheets of a proof, in order."""
    survey = check.survey
    name = proof_page.title_of_check(check)
    parts: list[Part] = [
        words_of(
            "Summary",
            el("h2", f"{name}: proof after the pour"),
            control_block.in_doubt(survey),
            proof_page.verdict(check),
            proof_page.figures(check),
            proof_page.hangs_on(check),
            proof_page.level(check),
            proof_page.against_sheet(check),
            proof_page.against(check),
        ),
        plan_sheet(
            "Thickness placed" if check.found.placed is not None else "Levels",
            thickness_view(check),
        ),
    ]
    flat = words_of("Flatness", flatness_block.flatness(survey))
    if flat.pieces:
        parts.append(flat)
    places = [(one, mend) for one, mend in worst_gaps(check) if mend is not None][:_MOST]
    parts += [
        Profiles(check, tuple(places[first : first + _ON_A_SHEET]))
        for first in range(0, len(places), _ON_A_SHEET)
    ]
    # The last sheet lists the inputs, where the title block has no room for them.
    parts.append(Signing(name, _signed(check)))
    parts.append(
        words_of(
            "Frame and cautions",
            proof_page.together(check),
            proof_page.method(check),
            blocks.told(survey),
            control_block.control_shots(survey),
            setups.set_ups(survey),
            blocks.measure_again(survey),
            blocks.particulars(survey),
            proof_page.files(check),
            blocks.after_the_pour(),
        )
    )
    return parts


def _signed(check: Check) -> list[str]:
    """What is signed: the verdict with what it rests on, and what was placed."""
    placed, system = check.found.placed, check.system
    verdict = check.verdict
    said = ["Measured, not judged." if verdict is None else f"{verdict[:1].upper()}{verdict[1:]}."]
    if check.found.flatness:
        said[0] += f" Asked: {asked(check)}; {not_asked(check)}."
        said += [
            f"{flatness_block.name_of(one)}: {one.verdict} {words.plain(one.caveat)}."
            for one in check.found.flatness
            if one.caveat
        ]
    if check.found.verdict_on_ceiling:
        said[0] += f" It holds {IF_CEILING}."
    if placed is None:
        said.append("What was placed is not known.")
        return said
    litres = "nothing measurable"
    if not placed.nothing:
        litres = words.minus(show_volume(placed.volume_m3, system))
    between = words.volume_span(*placed.volume_interval_m3, system)
    on = (
        f"on the {words.percent(placed.share)} of the floor that both scans saw, "
        if placed.of_part
        else ""
    )
    hangs = f" It holds {IF_CEILING}." if check.found.on_ceiling else ""
    said.append(
        f"Placed: {litres} ({between}, 95 %), {on}{show_area(placed.area_m2, system)}.{hangs}"
    )
    return said


def proof_about(check: Check, made: str) -> About:
    """What the title block of every sheet of a proof says."""
    inputs = tuple(
        f"{which} {hashed(item)}"
        for which, scan in (("BEFORE", check.before.floor.scan), ("AFTER", check.scan))
        for item in scan.inputs
    )
    title = proof_page.title_of_check(check)
    return About(title, "Proof of a poured floor", mean_level(check.survey), inputs, made)


__all__ = ["Part", "Profiles", "proof_about", "proof_parts"]
