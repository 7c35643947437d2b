"""The pour sheet in a plan: result, tables, page, printed line, and what a job says of it."""

from __future__ import annotations

import csv
import html
import json
import math
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely.ops import polylabel

from pourdatum.cli.lines import result_lines
from pourdatum.errors import JobError
from pourdatum.job import Job
from pourdatum.outcome import Plan
from pourdatum.pipeline import plan_scan, poured, result_data, write_results
from pourdatum.pumpday import BayDay
from pourdatum.report import canvas
from pourdatum.report.batch_plan import NOT_TO_POUR, batch_edges, clear_place, draw_batches
from pourdatum.report.pour_block import pour_sheet
from scenes import cluttered_room, written


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A scan of the cluttered room."""
    return written(cluttered_room(), tmp_path_factory.mktemp("pour") / "room.las")


def planned(room: Path, **changes: object) -> Plan:
    """A plan of it."""
    return plan_scan([room], Job.model_validate({"scan": {"units": "m"}} | changes))


@pytest.fixture(scope="module")
def plan(room: Path) -> Plan:
    """The plan with nothing said of the pour."""
    return planned(room)


def test_the_result(plan: Plan) -> None:
    """Litres add up to the fill within 0.1 %, bags to those expected, times rise."""
    data = result_data(plan)
    pour = data["pour"]
    litres = sum(batch["volume_l"] for batch in pour["batches"])
    assert litres == pytest.approx(data["fill"]["volume_l"], rel=1e-3)
    assert sum(batch["bags"] for batch in pour["batches"]) == data["material"]["bags"]
    starts = [batch["start_min"] for batch in pour["batches"]]
    assert starts == sorted(starts)
    assert pour["edge_age_min"] <= plan.sheet.working_time_min
    assert pour["bays"] >= 1


def test_the_exit_of_the_job(room: Path) -> None:
    """The last batch lies at the exit that the job gives, in the scan's own coordinates."""
    x, y = 431_003.2, 5_400_004.0
    plan = planned(room, pour={"exit": [x, y]})
    pour = result_data(plan)["pour"]
    last = pour["batches"][-1]["place"]
    assert math.dist(last, (x, y)) < 1.5
    assert pour["exit"] == [x, y]
    with pytest.raises(JobError, match="exit lies") as refused:
        planned(room, pour={"exit": [x + 30.0, y]})
    nearest = re.search(r"edge of the floor is at \[([\d.]+), ([\d.]+)\]", refused.value.hint)
    assert nearest is not None
    planned(room, pour={"exit": [float(nearest[1]), float(nearest[2])]})


def test_an_exit_in_the_middle_of_the_floor(room: Path) -> None:
    """Nobody leaves there: the pour ends at the nearest edge, and that is said with both."""
    found = planned(room)
    walls = found.floor.outline.exterior
    middle = polylabel(shapely.Polygon(walls), 0.05)
    at = [middle.x + found.origin_m[0], middle.y + found.origin_m[1]]
    inside_m = walls.distance(middle)
    # The drain is nearer, and no way out.
    assert found.floor.outline.boundary.distance(middle) < inside_m
    assert inside_m > 1.5
    told = planned(room, pour={"exit": at})
    (warning,) = [one.text for one in told.warnings if one.code == "exit-inside"]
    assert f"{inside_m:.2f} m inside" in warning
    data = result_data(told)["pour"]
    assert math.dist(data["exit"], at) == pytest.approx(inside_m, abs=0.01)
    assert math.dist(data["batches"][-1]["place"], data["exit"]) < 1.5


def test_a_crew_that_cannot_keep_up(room: Path) -> None:
    """A batch every 25 min against 20 of working time is refused, with what would help."""
    with pytest.raises(JobError, match="working time") as refused:
        planned(room, pour={"minutes_per_batch": 25.0})
    assert "mixers" in str(refused.value.hint)


def test_files(plan: Plan, tmp_path: Path) -> None:
    """batches.csv holds the batches of result.json; the page has the plan and each strip."""
    write_results(plan, tmp_path / "out")
    rows = list(csv.DictReader((tmp_path / "out/batches.csv").open(encoding="utf-8")))
    batches = json.loads((tmp_path / "out/result.json").read_text())["pour"]["batches"]
    assert [float(row["volume_l"]) for row in rows] == [one["volume_l"] for one in batches]
    page = (tmp_path / "out/report.html").read_text(encoding="utf-8")
    assert "Pour sheet" in page
    strips = {(one["bay"], one["strip"]) for one in batches}
    table = page[page.index("Pour sheet") :]
    table = table[table.index("<tbody>") : table.index("</tbody>")]
    assert len(re.findall("<tr>", table)) == len(strips)


def page_text(plan: Plan) -> str:
    """The pour sheet as it is read."""
    return html.unescape(re.sub(r"<[^>]+>", "", str(pour_sheet(plan)))).replace("\xa0", " ")


def test_a_batch_that_opens_no_bag_is_told(plan: Plan) -> None:
    """What a bay before left is a batch of its own: its number, whose rest it is, and the sum."""
    assert plan.pour is not None
    assert "none is opened" not in page_text(plan)
    batches = list(plan.pour.batches)
    batches[4] = replace(batches[4], bags=0)
    told = page_text(replace(plan, pour=replace(plan.pour, batches=tuple(batches))))
    bags = sum(batch.bags for batch in batches)
    assert f"{bags} bags in all: for batch 5 (4) none is opened" in told


def test_walking_by_the_clock(room: Path) -> None:
    """From 7:30 on, so many minutes of pouring, and six hours of the standard sheet: by hand."""
    timed = planned(room, pour={"start": "07:30"})
    assert timed.pour is not None
    ends = 450 + math.floor(timed.pour.minutes + 60 * timed.sheet.walk_after_h)
    assert f"from {ends // 60}:{ends % 60:02d} on" in page_text(timed)


def test_a_pump_needs_people_and_bags_by_the_minute(room: Path) -> None:
    """60 l a minute at 1.7 kg a litre in bags of 20 kg are 5.1 bags; one opens 3 in a minute."""
    pumped = planned(room, pour={"mode": "pump", "litres_per_minute": 60.0})
    told = page_text(pumped)
    assert "takes 5.1 bags a minute" in told
    assert "Middle along, across from A" in told
    assert "Begin" not in told
    assert "6 people at least: one at the pump, 2 opening bags" in told


def test_minutes_of_bays_add_up_by_the_clock() -> None:
    """By hand: 36.6 and 29.3 min begin at 0:00, 0:36 and 1:05, so they take 36 and 29."""
    ends = [0.0, 36.56, 65.82, 126.53, 178.14]
    bays = [BayDay(k, a, b - a, a, 1.0, 1.0, 1) for k, (a, b) in enumerate(pairwise(ends), 1)]
    assert [bay.whole_min for bay in bays] == [36, 29, 61, 52]
    assert sum(bay.whole_min for bay in bays) == 178


def test_batches_are_parted_by_lines(plan: Plan) -> None:
    """Each edge between cells of two batches lies under one line, and no other edge does."""
    assert plan.pour is not None
    number, grid = plan.pour.batch_of, plan.surface.grid
    pieces = batch_edges(number, grid)
    across = (number[:, 1:] != number[:, :-1]) & (number[:, 1:] > 0) & (number[:, :-1] > 0)
    along = (number[1:] != number[:-1]) & (number[1:] > 0) & (number[:-1] > 0)
    length_m = np.abs(pieces[:, 1] - pieces[:, 0]).sum()
    assert length_m == pytest.approx((across.sum() + along.sum()) * grid.cell_m)
    steps = (pieces - [grid.x0_m, grid.y0_m]) / grid.cell_m - 0.5
    assert np.abs(steps - np.rint(steps)).max() < 1e-6
    # One line for each run of edges, however long; ends of batches may lean and have short ones.
    runs = across[0].sum() + (across[1:] & ~across[:-1]).sum()
    runs += along[:, 0].sum() + (along[:, 1:] & ~along[:, :-1]).sum()
    assert len(pieces) == runs


def test_a_number_stands_beside_a_column() -> None:
    """A round column where the number would stand: it moves to floor of its batch, no further."""
    column = shapely.Point(1.0, 1.0).buffer(0.2)
    x, y = np.meshgrid(np.arange(0.0125, 2.0, 0.025), np.arange(0.0125, 2.0, 0.025))
    own = np.column_stack([x.ravel(), y.ravel()])
    at = clear_place((0.9, 0.8), (0.3, 0.2), column, own)
    box = shapely.box(at[0] - 0.15, at[1] - 0.1, at[0] + 0.15, at[1] + 0.1)
    assert not box.intersects(column)
    # Straight down by the overlap: the top of the number from 0.9 to under the column at 0.8.
    assert math.dist(at, (0.9, 0.8)) < 0.15
    assert clear_place((0.3, 0.3), (0.3, 0.2), column, own) == (0.3, 0.3)
    # Where the batch has no such place it stays where it is.
    assert clear_place((1.0, 1.0), (0.3, 0.2), column, own[:0]) == (1.0, 1.0)


@pytest.mark.parametrize("narrow", [False, True])
def test_the_drawing_of_a_plan_that_cannot_be_built_says_so(
    plan: Plan, narrow: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over the map and within the picture, also where that is as narrow as a corridor."""
    drawn = []
    monkeypatch.setattr(canvas, "png_of", lambda figure, ramp: drawn.append(figure) or b"")
    assert plan.pour is not None
    if narrow:
        corridor = shapely.box(0.0, 0.0, 0.8, 30.0)
        floor = replace(plan.survey.floor, outline=corridor)
        surface = replace(plan.survey.surface, floor=floor)
        plan = replace(plan, survey=replace(plan.survey, surface=surface), surface=surface)
    draw_batches(replace(plan, obstacles=()), plan.pour)
    draw_batches(replace(plan, obstacles=("too deep",)), plan.pour)
    built, stopped = drawn
    assert not built.texts
    assert " ".join(text.get_text() for text in stopped.texts) == NOT_TO_POUR
    (axes,) = stopped.axes
    top = axes.get_window_extent().y1
    renderer = stopped.canvas.get_renderer()
    wide, tall = stopped.canvas.get_width_height()
    for text in stopped.texts:
        box = text.get_window_extent(renderer)
        assert box.x0 >= 0.0
        assert box.x1 <= wide
        assert top <= box.y0
        assert box.y1 <= tall
    # A metre is as long as before, across and down.
    (before,) = built.axes
    for one in (axes, before):
        box = one.get_window_extent()
        assert box.width / np.ptp(one.get_xlim()) == pytest.approx(
            box.height / np.ptp(one.get_ylim()), rel=0.01
        )
    assert axes.get_window_extent().width == pytest.approx(before.get_window_extent().width)


def test_the_printed_line(plan: Plan) -> None:
    """How many batches, how long, how old the edge gets."""
    lines = result_lines(plan, "out", ["report"])
    (line,) = [text for text in lines if text.startswith("pour ")]
    assert plan.pour is not None
    assert f"{len(plan.pour.batches)} batches" in line
    assert f"{plan.pour.edge_age_min:.0f} min old" in line


def test_an_exit_that_nobody_gave_is_owned_to(room: Path, plan: Plan) -> None:
    """On the sheet, under its drawing and in the lines: taken, where, and that it decides."""
    assert plan.pour is not None
    x, y = (a + o for a, o in zip(plan.pour.leave_m, plan.origin_m, strict=False))
    lines = result_lines(plan, "x", ["result"])
    at = next(k for k, line in enumerate(lines) if line.startswith("pour "))
    taken = f"not given: taken at ({x:.2f}, {y:.2f}), an end of the room; all batches run to it"
    assert lines[at + 1] == f"exit         {taken}"
    told = html.unescape(re.sub(r"<[^>]+>", "", str(pour_sheet(plan))))
    assert "Nobody said where the crew leaves: an end of the room was taken, " in told
    assert "another door changes the order of the batches" in told
    assert "to the exit (the arrow), which was not given but taken." in told
    given = planned(room, pour={"exit": [x, y]})
    assert not [row for row in result_lines(given, "x", ["result"]) if row.startswith("exit")]
    told = html.unescape(re.sub(r"<[^>]+>", "", str(pour_sheet(given))))
    assert "Nobody said" not in told
    assert "to the exit (the arrow)." in told


def test_of_several_doorways_the_one_that_was_taken_is_told(plan: Plan) -> None:
    """Of one nothing is added; of three it is the one with the most floor behind it."""
    for doors, said in (
        (((0.1, 0.2, 0.8),), "a doorway that was seen"),
        (
            ((0.1, 0.2, 0.8), (3.0, 0.1, 1.4), (2.0, 0.0, 1.1)),
            "of 3 doorways that were seen the one with the most floor behind it",
        ),
    ):
        survey = plan.survey
        floor = replace(survey.floor, beyond_doors_m=doors)
        surface = replace(survey.surface, floor=floor)
        told = replace(plan, survey=replace(survey, surface=surface), surface=surface)
        assert poured._taken(told) == said
        x_m, y_m = poured.leave_of(told, Job())
        largest = max(doors, key=lambda door: door[2])
        edge = floor.outline.exterior
        at = edge.interpolate(edge.project(shapely.Point(largest[:2])))
        assert (x_m, y_m) == pytest.approx((at.x, at.y))


def test_an_exit_behind_a_doorway_that_was_left_out(plan: Plan) -> None:
    """Who gives the door of a room that was left out is told how to take that in."""
    job = Job.model_validate({"pour": {"exit": [plan.origin_m[0] + 500.0, plan.origin_m[1]]}})
    for doors in ((), ((0.1, 0.2, 5.8),)):
        survey = plan.survey
        surface = replace(survey.surface, floor=replace(survey.floor, beyond_doors_m=doors))
        told = replace(plan, survey=replace(survey, surface=surface), surface=surface)
        with pytest.raises(JobError) as refused:
            poured.leave_of(told, job)
        assert ("--through-doors" in refused.value.hint) is bool(doors)
