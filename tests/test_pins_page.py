"""Pins, joints and thresholds as people see them: page, map, table and printed line."""

from __future__ import annotations

import csv
import html
import re
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from made_scan import surface_of, walled
from pourdatum.cli.lines import result_lines
from pourdatum.job import Job
from pourdatum.jobfloor import BuildUpSection, DatumSection, LineSection, ThresholdSection
from pourdatum.outcome import Plan
from pourdatum.pipeline import plan_pour, write_results
from pourdatum.report import pins_block, style
from pourdatum.report.picture import depth_view
from pourdatum.results import plan_result
from pourdatum.simulate import Hump, Relief
from pourdatum.surface import Surface

HUMP = Relief(humps=(Hump(1.0, 0.8, 0.010, 0.5, "cosine"),))


@cache
def scanned() -> Surface:
    """A room of 4 by 3 m with one hump."""
    rng = np.random.default_rng(77)
    return surface_of(walled(shapely.box(0, 0, 4, 3), rng, per_m2=2500.0, height=HUMP.height))


@cache
def plan_in(system: Any) -> Plan:
    """A plan with a joint, a crack and a threshold that is missed by 5 mm."""
    job = Job(
        units=system,
        datum=DatumSection(kind="level", z_m=0.02),
        build_up=BuildUpSection(mm=10.0),
        threshold=(ThresholdSection(place=(0.0, 1.5), level=0.025),),
        line=(
            LineSection(kind="movement", points=((2.5, 0.0), (2.5, 3.0))),
            LineSection(kind="crack", points=((0.5, 2.0), (1.5, 2.5))),
        ),
    )
    return plan_pour(scanned(), job)


def text_of(page: object) -> str:
    """Words of a piece of page."""
    plain = html.unescape(re.sub(r"<[^>]+>", " ", str(page)))
    return re.sub(r"\s+", " ", plain.replace("\xa0", " "))


def test_every_pin_has_its_row() -> None:
    """Name, tape, staff, level and depth with its interval stand in the table as in the result."""
    plan = plan_in("metric")
    text = text_of(pins_block.pins(plan))
    for pin in plan_result(plan).pins:
        assert pin.along_across_m is not None
        along, across = pin.along_across_m
        half = 0.5 * (pin.depth_interval_mm[1] - pin.depth_interval_mm[0])
        row = f"{along:.2f}, {across:.2f} {pin.staff_mm:.1f} {pin.z_m:.4f} "
        assert f"{row}{pin.depth_mm:.1f} ± {half:.1f}" in text
    assert "over the datum" in text
    assert "Corner A is the inside corner between a wall of 4.00 m and one of 3.00 m" in text


def test_imperial_pages_speak_of_feet_and_inches() -> None:
    """No millimetre and no metre is left; 1 m reads 39.37 in, and 4 m are 13.12 ft."""
    plan = plan_in("imperial")
    parts = (pins_block.pins(plan), pins_block.thresholds(plan), pins_block.joints(plan))
    text = " ".join(text_of(part) for part in parts)
    assert not re.search(r"\d m\b|\d mm\b|\(mm\)|\(m\)", text)
    assert "39.37" in text
    assert "a wall of 13.1" in text
    said = [one.text for one in plan.warnings if one.code == "threshold-missed"]
    assert "0.20 in over it" in said[0]
    assert " mm" not in said[0]
    taken = [text for text in plan.assumptions if text.startswith(("pins:", "thresholds:"))]
    assert len(taken) == 2
    assert not any(re.search(r"\d m\b|\d mm\b", text) for text in taken)


def test_thresholds_and_joints_are_listed() -> None:
    """20 and 10 mm end 5 mm over a threshold of 25; the crack is to be repaired."""
    plan = plan_in("metric")
    assert "5.0 mm over, missed" in text_of(pins_block.thresholds(plan))
    text = text_of(pins_block.joints(plan))
    assert re.search(r"1 movement (2\.9\d|3\.00) m carry it through", text)
    assert "2 crack 1.12 m repair it before priming" in text


def test_the_map_shows_them() -> None:
    """Pins, corner, threshold and both kinds of line, few of them named, each sign its own."""
    plan = plan_in("metric")
    view = depth_view(plan)
    kinds = [mark.kind for mark in view.marks]
    assert kinds.count("pin") == len(plan.pins.pins)
    assert {"corner", "threshold"} <= set(kinds)
    assert [mark.text for mark in view.marks if mark.kind == "corner"] == ["A"]
    assert {"joint", "crack"} <= {area.kind for area in view.areas}
    named = [mark for mark in view.marks if mark.kind == "pin" and mark.text]
    assert 0 < len(named) <= 10
    for kind in ("pin", "corner", "threshold"):
        others = {style.SIGNS[mark][0] for mark in set(kinds) & set(style.SIGNS) - {kind}}
        assert style.SIGNS[kind][0] not in others


@pytest.mark.parametrize("system", ["metric", "imperial"])
def test_one_line_is_printed(system: str) -> None:
    """How many, how far apart, and where the laser stands."""
    lines = [one for one in result_lines(plan_in(system), "x", ["report"]) if one[:5] == "pins "]
    assert len(lines) == 1
    assert str(len(plan_in(system).pins.pins)) in lines[0]
    assert ("6.56 ft" if system == "imperial" else "2.00 m") in lines[0]


def test_the_table_opens_in_a_spreadsheet(tmp_path: Path) -> None:
    """A header with units, one row for each pin, the figures of result.json."""
    plan = plan_in("metric")
    write_results(plan, tmp_path / "out", files="pins.csv")
    with (tmp_path / "out" / "pins.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    pins = plan_result(plan).pins
    assert [row["pin"] for row in rows] == [pin.name for pin in pins]
    for row, pin in zip(rows, pins, strict=True):
        assert pin.along_across_m is not None
        assert (float(row["x_m"]), float(row["y_m"])) == pin.place
        assert (float(row["along_m"]), float(row["across_m"])) == pin.along_across_m
        assert (float(row["staff_mm"]), float(row["z_m"])) == (pin.staff_mm, pin.z_m)
        assert float(row["depth_mm"]) == pin.depth_mm
        assert row["corner"] == "A"


def ground_plan(**parts: Any) -> Plan:
    """The same room with its hump ground: cheap grinding, dear bags, a laser at 1 m."""
    grind = {"price_per_m2": 1.0, "price_per_m2_mm": 0.5}
    given = {"grind": grind, "material": {"price_per_bag": 40.0}, "pins": {"mark_z_m": 1.0}}
    return plan_pour(scanned(), Job.model_validate(given | parts))


def test_what_comes_off_under_a_pin() -> None:
    """Floor by the formula less the ground level, to 0.3 mm; nothing where nothing is ground.

    There the depth is the least by work, not by the scan: no interval stands beside it.
    """
    plan = ground_plan()
    assert plan.datum.lowered_m > 0.001
    level_m = plan.datum.plane.z0_m + plan.origin_m[2] - 0.002
    pins = plan_result(plan).pins
    found = 0
    for pin in pins:
        off_mm = 1000.0 * max(float(HUMP.height(*pin.place)) - level_m, 0.0)
        assert pin.grind_mm == pytest.approx(off_mm, abs=0.3)
        found += pin.grind_mm > 0.5
        if pin.grind_mm > 0.5:
            assert pin.depth_mm == pytest.approx(2.0, abs=1e-6)
    assert found
    told = text_of(pins_block.pins(plan))
    (high,) = [pin for pin in pins if pin.kind == "high"]
    assert f"2.0, grind {high.grind_mm:.1f}" in told
    assert "± 0.0" not in told
    assert {pin.grind_mm for pin in plan_result(plan_in("metric")).pins} == {0.0}


def test_the_mark_is_told_over_the_slab_as_it_stands_now() -> None:
    """The mark is made before anything is ground or blasted: laser less scanned high point."""
    plan = ground_plan(preparation={"removal_mm": 0.5})
    high_m = plan.survey.figures.high_m + plan.origin_m[2]
    told = text_of(pins_block.pins(plan))
    over_mm = float(re.search(r"which is ([\d.]+) mm over the slab", told)[1])  # type: ignore[index]
    assert over_mm == pytest.approx(1000.0 * (1.0 - high_m), abs=0.15)
    assert "as it is now, before grinding and preparation" in told


def test_without_pins_there_is_no_block() -> None:
    """A plan without them shows no empty table."""
    from finished import make_plan

    plan = make_plan()
    assert pins_block.pins(plan) is None
    assert pins_block.thresholds(plan) is None
    assert pins_block.joints(plan) is None
