"""The page, picture and lines of a proof: what a reader must find, and what must not break it."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest

from finished import make_check, make_survey
from pourdatum.cli.lines import result_lines
from pourdatum.cli.prooflines import proof_rows, verdict_line
from pourdatum.headedges import Heads
from pourdatum.outcome import Check
from pourdatum.report.live_block import live_map
from pourdatum.report.live_page import live_data
from pourdatum.report.page import picture_of
from pourdatum.report.proof_page import check_page
from pourdatum.report.proof_view import draw_profile, thickness_view, worst_gaps
from pourdatum.results.proof import check_result


def words_of(check: Check) -> str:
    """The printed lines as one text."""
    return "\n".join(result_lines(check, "proof", ("report",)))


def test_lines_say_the_verdict_first() -> None:
    """Verdict, what was placed with its interval, the worst place, bags and plan."""
    check = make_check()
    lines = result_lines(check, "proof", ("report",))
    assert lines[1].split(None, 1)[1].startswith("DOES NOT CONFORM, of ")
    said = words_of(check)
    assert "walls and ceiling" in said
    assert "(95 %)" in said
    assert "nothing placed on" in said
    assert "2.1 mm to 3.3 mm" in said.replace("−", "")
    assert check.used is not None
    assert f"by the sheet: {check.used.verdict}" in said
    assert "were placed" in said


def test_page_has_every_part_and_escapes_foreign_text() -> None:
    """Cards, flatness, profile, frame, level, material, bags, plan, both files, cautions."""
    survey = make_survey(title="<script>alert(1)</script>", file="<img src=x>.laz")
    page = check_page(make_check(survey), picture_of(make_check(survey)))
    assert "<script>alert" not in page
    assert "<img src=x>" not in page
    for said in (
        "Does not conform", "Thinnest", "Thickest", "Worst places", "Both scans in one frame",
        "Level, apart from flatness", "Against the material", "Against what was used and planned",
        "Before: ", "After: ", "to grind what it rests on", "Before you mend or cover it",
        "AFTER lies turned by",
    ):  # fmt: skip
        assert said in page, said
    assert page.count("data:image/png;base64,") == 2


def test_imperial_pages_show_no_millimetres_of_the_floor() -> None:
    """Thickness in inches, volume in US gallons; criteria keep the words they were asked in."""
    check = make_check(make_survey(system="imperial"))
    page = check_page(check, picture_of(check))
    cards = page[page.index('class="figures"') : page.index("<h2>Flatness")]
    assert " mm" not in cards
    assert "US gal" in cards
    assert " in" in cards


def test_a_proof_without_thickness_shows_levels() -> None:
    """Where what was placed is not known, cards and picture say so and level is told."""
    check = make_check()
    check = replace(check, found=replace(check.found, placed=None, lacks="no height"))
    check = replace(check, used=None, planned=None)
    page = check_page(check, picture_of(check))
    assert "not known" in page.replace("\u00a0", " ").replace("&nbsp;", " ")
    assert "Levels after the pour" in page
    assert thickness_view(check).ramp == "level"
    assert "not known: see the note" in words_of(check)


def test_what_hangs_on_a_ceiling_says_so_wherever_it_stands() -> None:
    """Who pays by litres or by a level reads the condition in the same line, not in a note.

    A ceiling hung 12 mm lower is 12 mm of pour, and no interval holds that: figures without the
    condition would be more than two scans can prove. With heads or marks there is none.
    """
    check = make_check()
    tie = check.found.registration
    assert tie is not None
    level = check.found.level
    assert level is not None
    assert level.departure is not None
    hanging = replace(level, departure=replace(level.departure, on_ceiling=True))
    alone = replace(check, found=replace(check.found, level=hanging))
    held = replace(
        check, found=replace(check.found, registration=replace(tie, heads=Heads(0.0, 0.001, 2.0)))
    )
    condition = "if the ceiling did not move"
    rows = dict(row for row in proof_rows(alone))
    assert condition in rows["placed"]
    assert condition in rows["thickness"]
    assert condition in rows["plan"]
    assert condition in rows["bags"]
    assert rows["off level"].endswith(f"conforms, {condition}")
    assert condition not in rows["flatness"]
    # The verdict hangs on it where the departure decides, and not where a gap does.
    kept = replace(alone, found=replace(alone.found, flatness=()))
    assert verdict_line(kept).startswith(f"CONFORMS, {condition}, of departure from the level;")
    assert verdict_line(alone).startswith("DOES NOT CONFORM, of ")
    # Heads known to 1 mm let a skim of 2 mm pass, and that is told (1.96 standard errors).
    assert held.found.skim_unseen_m == pytest.approx(0.00196, rel=1e-3)
    assert alone.found.skim_unseen_m is None
    assert "a ceiling skimmed by up to 2.0 mm would not show" in words_of(held)
    assert any(condition in line for line in thickness_view(alone).lines)
    result = check_result(alone)
    area_m2 = result.placed.area_m2
    assert result.placed.condition is not None
    assert condition in result.placed.condition
    assert f"{area_m2:.0f} l" in result.placed.condition
    assert result.level.departure is not None
    assert result.level.departure.condition == condition
    page = check_page(alone, b"")
    assert page.count(condition) >= 4
    for free in (
        held,
        replace(
            check, found=replace(check.found, registration=replace(tie, marks=(("M1", 0.0003),)))
        ),
    ):
        assert condition not in words_of(free)
        assert condition not in check_page(free, b"")
        assert check_result(free).placed.condition is None


def test_a_verdict_says_what_was_not_asked_and_what_was_missed() -> None:
    """Flatness alone was asked, and a patch got no compound: lines, page and map say so."""
    check = make_check()
    assert check.found.level is not None
    assert check.found.placed is not None
    flat = tuple(replace(one, verdict="conforms") for one in check.found.flatness)
    level = replace(check.found.level, departure=None)
    found = replace(check.found, flatness=flat, level=level)
    check = replace(check, survey=replace(check.survey, flatness=flat), found=found)
    missed = f"nothing was placed on {check.found.placed.missed_m2:.2f} m²"
    for said in (words_of(check), check_page(check, b"")):
        assert "level and thickness were not asked" in said
        assert missed in said
    assert f"CONFORMS, of {flat[0].criterion}" in words_of(check)
    data = live_data(check)
    assert [area["kind"] for area in data["areas"]].count("missed") >= 1
    assert "Nothing placed" in str(live_map(check))


def test_nothing_asked_is_nothing_judged() -> None:
    """Without a criterion no verdict is given, though figures are."""
    check = make_check()
    assert check.found.level is not None
    level = replace(check.found.level, departure=None)
    found = replace(check.found, flatness=(), mends=(), level=level)
    check = replace(check, survey=replace(check.survey, flatness=()), found=found)
    assert "NOT JUDGED" in words_of(check)
    assert "Measured, not judged" in check_page(check, picture_of(check))


def test_picture_marks_what_was_missed_and_the_straightedge() -> None:
    """The bare patch is an area of its own, as large as it is; the straightedge is 2 m long."""
    check = make_check()
    view = thickness_view(check)
    (bare,) = (area for area in view.areas if area.kind == "thin")
    assert bare.shape.area == pytest.approx(np.pi * 0.3**2, rel=0.15)
    (edge,) = (area for area in view.areas if area.kind == "edge")
    assert edge.shape.length == pytest.approx(2.0)
    assert len(worst_gaps(check)) == 1
    assert {mark.text.partition(" ")[0] for mark in view.marks} >= {"thinnest", "thickest"}


@pytest.mark.parametrize("system", ["metric", "imperial"])
def test_profiles_are_pictures(system: str) -> None:
    """A profile is drawn twice to the same bytes."""
    mend = make_check().found.mends[0]
    assert mend is not None
    first = draw_profile(mend.profile, system)  # type: ignore[arg-type]
    assert first.startswith(b"\x89PNG")
    assert first == draw_profile(mend.profile, system)  # type: ignore[arg-type]
    assert io.BytesIO(first).getbuffer().nbytes < 60_000
