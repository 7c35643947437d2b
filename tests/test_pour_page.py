"""The pour sheet in a plan: result, tables, page, printed line, and what a job says of it."""

from __future__ import annotations

import csv
import json
import math
import re
from pathlib import Path

import pytest

from pourdatum.cli.lines import result_lines
from pourdatum.errors import JobError
from pourdatum.job import Job
from pourdatum.outcome import Plan
from pourdatum.pipeline import plan_scan, result_data, write_results
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
    with pytest.raises(JobError, match="exit lies"):
        planned(room, pour={"exit": [x + 30.0, y]})


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


def test_the_printed_line(plan: Plan) -> None:
    """How many batches, how long, how old the edge gets."""
    lines = result_lines(plan, "out", ["report"])
    (line,) = [text for text in lines if text.startswith("pour ")]
    assert plan.pour is not None
    assert f"{len(plan.pour.batches)} batches" in line
    assert f"{plan.pour.edge_age_min:.0f} min old" in line
