"""The printed report: sheets with plans to a true scale, and the words and tables of the page.

A4, or Letter for jobs in feet; plans of floors too large for 1:100 on the sheet twice as large. All
is legible in black and white. The same result gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pourdatum import __version__
from pourdatum.optional import need
from pourdatum.report import (
    blocks,
    control_block,
    flatness_block,
    grind_block,
    mixing_block,
    page,
    pins_block,
    plan_blocks,
    pour_block,
    setups,
    style,
    ways_block,
    words,
    zones_block,
)
from pourdatum.report.batch_plan import NOT_TO_POUR, paint_batches
from pourdatum.report.document import title_of
from pourdatum.report.markup import el
from pourdatum.report.pdf_flow import Filled, Flow
from pourdatum.report.pdf_paper import About, Sheet, usual_paper
from pourdatum.report.pdf_parts import hashed, mean_level, words_of
from pourdatum.report.pdf_plan import PlanSheet, draw_plan, plan_sheet
from pourdatum.report.pdf_proof import Part, Profiles, proof_about, proof_parts
from pourdatum.report.pdf_signing import Signing
from pourdatum.report.picture import datum_words, depth_view, levels_view

if TYPE_CHECKING:
    from pourdatum.outcome import Check, Plan, Survey
    from pourdatum.report.truescale import PaperScale
    from pourdatum.report.view import PlanView


_SIGNS_OF_PINS: Final = ("pin", "corner", "threshold", "opening", "column")
_MOST_ROWS: Final = 2000
"""Rows of a table in print: every pin that may be asked for."""
_FEW_PINS: Final = 60
"""Of more pins the names are written smaller."""


def write_pdf(outcome: Survey | Plan | Check, path: str | Path) -> None:
    """Write the printed report of a survey, a plan or a proof.

    Parameters
    ----------
    outcome : Survey, Plan or Check
        Finished result.
    path : str or Path
        File to write.

    Raises
    ------
    OSError
        If it cannot be written.
    MissingExtra
        If matplotlib does not load.
    """
    from pourdatum.outcome import Check, Plan

    with style.drawing() as library:
        library.rcParams["pdf.fonttype"] = 42
        backend = need("matplotlib.backends.backend_pdf", purpose="printing", extra="base")
        parts: list[Part]
        with blocks.rows_shown(_MOST_ROWS):
            if isinstance(outcome, Plan):
                about, parts = _about(outcome.survey, outcome), _plan_parts(outcome)
            elif isinstance(outcome, Check):
                about = proof_about(outcome, f"Made with pourdatum {__version__}")
                parts = proof_parts(outcome)
            else:
                about, parts = _about(outcome, None), _survey_parts(outcome)
        sheets = _laid_out(parts, outcome.system)
        # Without dates two runs write the same bytes.
        told = {"Title": about.title, "Creator": about.made, "Producer": None, "CreationDate": None}
        # By way of memory: on a full disk the library fails once more while it cleans up.
        held = io.BytesIO()
        with backend.PdfPages(held, metadata=told) as book:
            for number, sheet in enumerate(sheets, 1):
                book.savefig(sheet(about, (number, len(sheets))).figure)
    Path(path).write_bytes(held.getbuffer())


def _laid_out(parts: list[Part], system: Any) -> list[Callable[[About, tuple[int, int]], Sheet]]:
    """Each sheet as what draws it, once it is known how many there are."""
    usual, _ = usual_paper(system)
    sheets: list[Callable[[About, tuple[int, int]], Sheet]] = []
    for part in parts:
        if isinstance(part, PlanSheet):
            sheets.append(partial(draw_plan, part))
            continue
        if isinstance(part, Profiles | Signing):
            sheets.append(partial(part.draw, usual))
            continue
        flow = Flow(usual)
        flow.add(part.pieces)
        sheets += [partial(_words_on, filled, usual, part.what) for filled in flow.sheets]
    return sheets


def _words_on(filled: Filled, paper: Any, what: str, about: About, at: tuple[int, int]) -> Sheet:
    sheet = Sheet(paper)
    filled.draw(sheet)
    sheet.title_block(about, what, "no scale", at)
    return sheet


def _about(survey: Survey, plan: Plan | None) -> About:
    datum = mean_level(survey) if plan is None else f"datum {datum_words(plan)}"
    inputs = tuple(hashed(item) for item in survey.scan.inputs)
    kind = "Survey of a floor" if plan is None else "Levelling plan"
    if plan is not None and not plan.buildable:
        # On every sheet: each may lie on the site without the first.
        kind += ", not buildable as it stands"
    return About(
        title_of(survey, "Floor"), kind, datum, inputs, f"Made with pourdatum {__version__}"
    )


def _plan_parts(plan: Plan) -> list[Part]:
    survey, view = plan.survey, depth_view(plan)
    parts: list[Part] = [
        words_of(
            "Summary",
            el("h2", f"{title_of(survey, 'Floor')}: levelling plan"),
            control_block.in_doubt(survey),
            plan_blocks.verdict(plan),
            plan_blocks.figures(plan),
            zones_block.zones(plan),
            plan_blocks.setting_out(plan),
            plan_blocks.openings(plan),
            plan_blocks.chances(plan),
            plan_blocks.preparation(plan),
        ),
        plan_sheet("Depth", _without(view, ("pin", "corner", "hump"), ("hump",))),
    ]
    if plan.pins.pins:
        found = pins_block.pins(plan), pins_block.thresholds(plan), pins_block.joints(plan)
        parts += [_pins_sheet(plan, view), words_of("Depth pins", *found)]
    if plan.pour is not None:
        parts += [_batches_sheet(plan, view), words_of("Batches", pour_block.pour_sheet(plan))]
    if plan.humps:
        parts.append(plan_sheet("Humps", _humps_view(view)))
    parts += [
        words_of(
            "Humps and ways",
            grind_block.grinding(plan),
            ways_block.out_of_range(plan),
            ways_block.ways(plan),
        ),
        words_of(
            "Materials",
            plan_blocks.material(plan),
            mixing_block.to_buy(plan),
        ),
        # A page of its own: it hangs on the wall beside the mixer.
        words_of("Mixing card", mixing_block.mixing_card(plan)),
        words_of("Cautions", blocks.cautions(page.SUSPENDED), *_trust(survey)),
    ]
    return parts


def _survey_parts(survey: Survey) -> list[Part]:
    parts: list[Part] = [
        words_of(
            "Summary",
            el("h2", f"{title_of(survey, 'Floor')}: survey"),
            control_block.in_doubt(survey),
            page.levels(survey),
            page.holes(survey),
            blocks.measure_again(survey),
            blocks.things(survey),
            blocks.nibs(survey),
        ),
        plan_sheet("Levels", levels_view(survey)),
    ]
    flat = words_of("Flatness", flatness_block.flatness(survey))
    if flat.pieces:
        parts += [_flatness_sheet(survey), flat]
    parts.append(words_of("Cautions", blocks.cautions(), *_trust(survey)))
    return parts


def _trust(survey: Survey) -> list[str | None]:
    """What the figures are worth, and from which files they came."""
    return [
        blocks.cannot_say(survey),
        control_block.control_shots(survey),
        setups.set_ups(survey),
        blocks.told(survey, without=page.SHOWN_ABOVE),
        blocks.particulars(survey),
        blocks.inputs(survey),
    ]


def _without(view: PlanView, marks: tuple[str, ...], areas: tuple[str, ...] = ()) -> PlanView:
    return replace(
        view,
        marks=tuple(mark for mark in view.marks if mark.kind not in marks),
        areas=tuple(area for area in view.areas if area.kind not in areas),
    )


def _bare(view: PlanView) -> PlanView:
    """The same floor without values: paper to draw on."""
    return replace(view, value_m=np.full_like(view.value_m, np.nan))


def _pins_sheet(plan: Plan, view: PlanView) -> PlanSheet:
    """Every pin with its name, and the corners from which they are measured."""
    from pourdatum.report.view import Mark

    kept = tuple(m for m in view.marks if m.kind in _SIGNS_OF_PINS and m.kind != "pin")
    # The first stands for all in the key; every name is written below, smaller than on a screen.
    pins = tuple(Mark("pin", pin.place_m, "", key="depth pin, with a ring")
                 for pin in plan.pins.pins)  # fmt: skip
    areas = tuple(a for a in view.areas if a.kind in ("opening", "column", "joint", "crack"))
    told = "Places by tape, levels and staff readings are in the table that follows."
    bare = replace(_bare(view), marks=(*kept, *pins), areas=areas)
    place = np.array([pin.place_m for pin in plan.pins.pins])
    size_pt = 7.5 if len(place) <= _FEW_PINS else 6.0

    def names(axes: Any, scale: PaperScale) -> None:
        axes.plot(*place.T, "o", markersize=9.0, markerfacecolor="none", linestyle="none",
                  markeredgecolor=style.INK, markeredgewidth=0.8, zorder=6.0)  # fmt: skip
        aside = 0.0021 * scale.ratio
        for pin in plan.pins.pins:
            x, y = pin.place_m
            axes.text(
                x + aside, y + 0.3 * aside, pin.name, fontproperties=style.font(size_pt, bold=True),
                color=style.INK, parse_math=False, va="bottom", zorder=7, clip_on=True,
            )  # fmt: skip

    return plan_sheet("Depth pins", bare, coloured=False, more=names, told=told)


def _batches_sheet(plan: Plan, view: PlanView) -> PlanSheet:
    """Batches as they are poured, with stop-ends and the exit."""
    sheet = plan.pour
    assert sheet is not None
    areas = tuple(a for a in view.areas if a.kind in ("opening", "column", "joint"))
    bare = replace(_bare(view), marks=(), areas=areas)

    def batches(axes: Any, scale: PaperScale) -> None:
        paint_batches(axes, plan, sheet, 1000 / 25.4 / scale.ratio, 0.006 * scale.ratio)

    told = pour_block.short_caption(sheet)
    notice = "" if plan.buildable else NOT_TO_POUR
    return plan_sheet("Batches", bare, coloured=False, more=batches, told=told, notice=notice)


def _humps_view(view: PlanView) -> PlanView:
    return _without(
        view, ("pin", "corner", "nib", "threshold", "spot"), ("thin", "deep", "inferred", "unsure")
    )


def _flatness_sheet(survey: Survey) -> PlanSheet:
    """The worst place of each criterion."""
    from pourdatum.report.view import Mark

    view = levels_view(survey)
    kept = tuple(m for m in view.marks if m.kind in ("opening", "column"))
    worst = {
        (one.criterion, one.worst.place_m): Mark(
            "again", one.worst.place_m, words.plain(one.criterion, 24),
            key="worst place by the criterion named there",
        )
        for one in survey.flatness if one.worst is not None
    }  # fmt: skip
    return plan_sheet("Flatness", replace(view, marks=(*kept, *worst.values())))
