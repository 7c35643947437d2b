"""Flatness as people see it: table, sources, rule, printed lines, and nothing foreign unescaped."""

from __future__ import annotations

import html
import math
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from pydantic import ValidationError

from finished import make_survey
from made_scan import surface_of, walled
from pourdatum.cli.lines import result_lines
from pourdatum.decision import Rule
from pourdatum.finding import NOT_KNOWN, Flatness, WorstAt
from pourdatum.job import DecisionSection, Job
from pourdatum.outcome import Survey
from pourdatum.pipeline import survey_floor
from pourdatum.report.flatness_block import flatness
from pourdatum.report.page import survey_page
from pourdatum.results import as_data, survey_result
from pourdatum.simulate import Hump, Relief

GAP = Flatness(
    "3mm/2m", "", "as asked; rests on two contacts", True, 0.003, 0.0021, 0.0004, 0.99996,
    "conforms", WorstAt((2.0, 3.0), math.pi / 6, 0.0021), "12 places",
)  # fmt: skip
LEVEL = Flatness(
    "E1155:FF35/FL25", "FL", "ASTM E1155, constants from memory", False, 25.0,
    said="the scan has no vertical",
)  # fmt: skip
UNKNOWN = Flatness("TR34:DM1", "", NOT_KNOWN, said="TR34 DM1 is not known")


def shown(**changes: Any) -> Survey:
    """A finished survey with three criteria."""
    return replace(make_survey(), flatness=(GAP, LEVEL, UNKNOWN), **changes)


def text_of(page: object) -> str:
    """Words of a piece of page."""
    plain = html.unescape(re.sub(r"<[^>]+>", " ", str(page)))
    return re.sub(r"\s+", " ", plain.replace("\xa0", " "))


def test_the_table_has_value_limit_verdict_and_place() -> None:
    """One row each; places in the scan's own plan; a share is never rounded up to all."""
    text = text_of(flatness(shown()))
    assert "3mm/2m conforms 3.0 mm 2.1 mm ± 0.4 mm (95 %) 99.9 % 102.00, 253.00" in text
    assert "E1155:FF35/FL25, FL undecided 25.0" in text
    assert "TR34:DM1 not known" in text
    assert "102.00, 253.00 , along 30°" in text or "102.00, 253.00, along 30°" in text
    assert "clockwise from +y" in text


def test_what_was_not_judged_and_how_the_grid_lies_stand_in_the_row() -> None:
    """Area and share beside the share within; the caveat of a grid right after its verdict."""
    survey = shown()
    tenth = 0.1 * survey.figures.area_m2
    caveat = "on this laying of the grid; 62 % of all keep the limit"
    odd = replace(GAP, unjudged_m2=tenth, caveat=caveat, said="told in full", brief="short")
    survey = replace(survey, flatness=(odd,))
    text = text_of(flatness(survey))
    assert f"3mm/2m conforms {caveat} 3.0 mm" in text
    assert f"99.9 % {tenth:.2f} m², 10.0 % 102.00" in text
    assert "3mm/2m : Short." in text
    assert "told in full" not in text
    (line,) = [one for one in result_lines(survey, "out", []) if one.startswith("flatness")]
    assert f"3mm/2m: conforms {caveat}; found 2.1 mm ± 0.4 mm" in line
    assert f"99.9 % within; {tenth:.2f} m², 10.0 % of the floor not judged)" in line


def test_source_rule_and_what_was_not_judged_are_said() -> None:
    """Each source with what is from memory, the rule of decision, and the inferred floor."""
    survey = shown(rule=Rule("simple"))
    text = text_of(flatness(survey))
    assert "ASTM E1155, constants from memory." in text
    assert "FL : the scan has no vertical." in text
    assert "simple acceptance" in text
    assert f"The {survey.surface.inferred_m2:.2f} m² of inferred floor were not seen" in text
    assert "guarded" in text_of(flatness(shown()))


def test_the_block_stands_on_the_page_where_something_was_asked() -> None:
    """With criteria the page has it, without it has not."""
    picture = b"\x89PNG\r\n\x1a\n" + bytes(8) + bytes([0, 0, 0, 9, 0, 0, 0, 9])
    assert "<h2>Flatness</h2>" in survey_page(shown(), picture)
    assert "<h2>Flatness</h2>" not in survey_page(make_survey(), picture)
    assert flatness(make_survey()) is None


def test_foreign_words_are_escaped() -> None:
    """A criterion is typed by a person: no tag of theirs reaches the page."""
    odd = replace(GAP, criterion="<b>3mm</b>/2m", source="<i>x</i>", said="<u>y</u>")
    page = str(flatness(replace(make_survey(), flatness=(odd,))))
    assert "<i>" not in page
    assert "<u>" not in page
    assert "&lt;b&gt;3mm" in page


def test_one_printed_line_for_each_criterion() -> None:
    """Verdict, value, limit, share and the worst place on one line."""
    gap = "flatness     3mm/2m: conforms, 2.1 mm ± 0.4 mm (3.0 mm asked, 99.9 % within); "
    gap += "worst at (102.00, 253.00)"
    lines = [line for line in result_lines(shown(), "out", ["report"]) if "flatness" in line[:9]]
    assert lines == [
        gap,
        "flatness     E1155:FF35/FL25, FL: undecided; the scan has no vertical",
        "flatness     TR34:DM1: not known; TR34 DM1 is not known",
    ]


def test_a_survey_judges_what_the_job_asks() -> None:
    """A dip of 8 mm by the criteria and the rule of a job; what is not known is warned about."""
    relief = Relief(humps=(Hump(2.0, 1.5, -0.008, 0.7, "cosine"),))
    rng = np.random.default_rng(11)
    surface = surface_of(walled(shapely.box(0, 0, 4, 3), rng, per_m2=2500.0, height=relief.height))
    job = Job(
        criteria=("3mm/2m", "TR34:DM1", "BS8204:SR3"), decision=DecisionSection(rule="simple")
    )
    data = as_data(survey_result(survey_floor(surface, job)))
    first, unknown, last = data["flatness"]
    assert (first["criterion"], first["verdict"]) == ("3mm/2m", "does not conform")
    # Under two metres the straightedge lies across the whole dip.
    assert first["value"] == pytest.approx(8.0, abs=0.5)
    assert np.hypot(first["worst"]["place"][0] - 2.0, first["worst"]["place"][1] - 1.5) < 0.7
    assert (unknown["value"], unknown["verdict"]) == (None, "undecided")
    assert (last["limit"], last["verdict"]) == (10.0, "conforms")
    codes = [one["code"] for one in data["warnings"]]
    assert "criterion-not-known" in codes
    assert "not-in-this-version" not in codes
    assert "simple" in data["decision_rule"]


def test_shared_risk_needs_its_figure() -> None:
    """The uncertainty agreed belongs to shared risk, and only to it."""
    assert DecisionSection(rule="shared", most_uncertainty_mm=0.5).rule == "shared"
    for wrong in ({"rule": "shared"}, {"rule": "guarded", "most_uncertainty_mm": 0.5}):
        with pytest.raises(ValidationError, match="most_uncertainty_mm"):
            DecisionSection(**wrong)


def test_a_source_that_numbers_share_is_told_once() -> None:
    """FF, FL and their local values stand under one source; a value may be a least one."""
    said = "ASTM E1155, from memory"
    rows = tuple(
        Flatness("E1155:FF35/FL25/MLFF21/MLFL15", part, said, False, 20.0, 161.3,
                 verdict="conforms", said=f"told of {part}", readings=54, at_least=True)
        for part in ("FF", "FL", "FF local", "FL local")
    )  # fmt: skip
    text = text_of(flatness(replace(make_survey(), flatness=rows)))
    assert text.count("ASTM E1155, from memory.") == 1
    assert "FF : told of FF." in text
    assert "least local FL : told of FL local." in text
    assert text.count("at least 161.3") == 4


def test_limits_keep_the_decimals_that_they_were_stated_with() -> None:
    """1/16 in is 1.5875 mm, and 0.0625 in; of few readings those within are counted."""
    sixteenth = replace(GAP, limit=0.0254 / 16.0, share_within=1 / 3, readings=3)
    for system, limit in (("metric", "1.5875 mm"), ("imperial", "0.0625 in")):
        text = text_of(flatness(replace(make_survey(system=system), flatness=(sixteenth,))))
        assert limit in text
        assert "1 of 3" in text


def test_an_undecided_number_says_why_in_its_line() -> None:
    """118.8 against 20 asked and undecided: the line says that readings are too few."""
    few = Flatness(
        "ACI117:flat", "FL", "ASTM E1155", False, 20.0, 118.8, 9.1,
        why="80 readings are too few: 132 are asked for",
    )  # fmt: skip
    survey = replace(make_survey(), flatness=(few, GAP))
    first, second = (
        line for line in result_lines(survey, "out", ["report"]) if "flatness" in line[:9]
    )
    assert first.endswith("118.8 ± 9.1 (20.0 asked); 80 readings are too few: 132 are asked for")
    assert "too few" not in second


def test_an_f_number_shows_from_where_to_where() -> None:
    """Lines laid elsewhere may read far less and hardly more: no ± says that."""
    one = Flatness(
        "E1155:FF35/FL25", "FF", "ASTM E1155", False, 35.0, 147.4, 69.4, verdict="conforms",
        interval=(78.0, 156.1),
    )  # fmt: skip
    survey = replace(make_survey(), flatness=(one, replace(one, interval=(78.0, math.inf))))
    text = text_of(flatness(survey))
    assert "78.0 to 156.1" in text
    assert "78.0 or more" in text
    assert "69.4" not in text
    first = next(row for row in result_lines(survey, "out", ["report"]) if "flatness" in row[:9])
    assert "147.4, 78.0 to 156.1 with other layings (35.0 asked)" in first
    assert "±" not in first


def test_each_row_says_what_its_uncertainty_is() -> None:
    """± at 95 %, an interval that other layings widen, or a value that is a bound: never one word.

    The head promised ± at 95 % for all of them.
    """
    level = replace(GAP, value=0.0012, uncertainty=0.0005)
    moves = replace(level, criterion="TR34:FM1", part="E", interval=(0.0004, 0.0031))
    number = Flatness(
        "E1155:FF35/FL25", "FF", "ASTM E1155", False, 35.0, 147.4, 69.4, interval=(78.0, 156.1)
    )
    bound = replace(number, interval=None, uncertainty=None, at_least=True)
    for rows, told, untold in (
        ((level,), ["± 0.5 mm (95 %)"], ["other layings", "bound"]),
        ((moves,), ["0.4 to 3.1 mm"], ["± 0.5", "± is", "bound"]),
        ((number, bound), ["78.0 to 156.1", "a bound"], ["± is", "(95 %)"]),
        ((level, number), ["± 0.5 mm (95 %)", "78.0 to 156.1"], ["bound"]),
    ):
        text = text_of(flatness(replace(make_survey(), flatness=rows)))
        assert "± (95 %)" not in text
        assert "Uncertainty" in text
        for said in told:
            assert said in text
        for said in untold:
            assert said not in text
        assert ("other layings" in text) == any(one.interval is not None for one in rows)
    line = next(
        row
        for row in result_lines(replace(make_survey(), flatness=(moves,)), "out", ["report"])
        if "flatness" in row[:9]
    )
    assert "1.2 mm, 0.4 to 3.1 mm with other layings (" in line


def test_what_is_said_of_places_is_said_of_gaps_everywhere_alone() -> None:
    """F-numbers and a contract's own sampling are laid by rules of their own."""
    everywhere = replace(GAP, source="as asked; laid everywhere and in every direction")
    for one, told in ((everywhere, True), (GAP, False), (LEVEL, False)):
        text = text_of(flatness(replace(make_survey(), flatness=(one,))))
        assert ("15° apart, stricter than the few" in text) == told
