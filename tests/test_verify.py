"""``pourdatum verify``: verdicts, exit statuses, result and page; mends in closed form."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely import Point

from finished import make_check
from pairs import Pair, a_pair, pair_room
from pourdatum.cli.guard import run
from pourdatum.errors import JobError
from pourdatum.grid import Grid
from pourdatum.job import read_job
from pourdatum.mends import profile_at
from pourdatum.pipeline import verified as pipeline_verified
from pourdatum.pipeline.proofwords import yield_warnings
from pourdatum.placed import Placed
from pourdatum.register import Registration, register_scans
from pourdatum.results import result_schema
from pourdatum.scan import Scan
from pourdatum.sheetfile import read_sheet
from pourdatum.simulate.scene import Round
from pourdatum.used import BagsUsed, bags_used

pytestmark = pytest.mark.usefixtures("open3d")


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory, module_seed: int) -> Pair:
    """One drawn pair for all tests here, in frames of their own."""
    return drawn_pair(tmp_path_factory.mktemp("pair"), module_seed)


@pytest.fixture(scope="module", autouse=True)
def tied_once() -> Iterator[None]:
    """Scans that were brought together once are not again for every command that needs them.

    What brings them together hangs on the files and on what the job says of the sensors alone, and
    takes half of each command's time.
    """
    known: dict[tuple[Any, ...], Registration] = {}

    def tied(later: Scan, before: Scan, **told: Any) -> Registration:
        later.wait_for_hashes()
        before.wait_for_hashes()
        files = tuple(item.sha256 for item in (*later.inputs, *before.inputs))
        key = (files, told["turn_rad"], told["budgets"])
        if key not in known:
            known[key] = register_scans(later, before, **told)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline_verified, "register_scans", tied)
        yield


def drawn_pair(folder: Path, seed: int, **told: Any) -> Pair:
    """A drawn room with one column; ``told`` as ``draw_pair``."""
    room = pair_room(seed)
    x, y = room.room.representative_point().coords[0]
    room = replace(room, columns=(Round(x + 0.6, y, 0.15),), holes=(), crates=(), doors=room.doors)
    return a_pair(folder, seed, points=250_000, room=room, dip_m=0.004, **told)


def verified(pair: Pair, out: Path, *words: str) -> tuple[int, dict[str, Any]]:
    """Exit status and result of verify with these words."""
    status = run(
        ["verify", str(pair.before), str(pair.after), "-o", str(out), "--quiet", "--units", "m",
         *words]
    )  # fmt: skip
    path = out / "result.json"
    return status, json.loads(path.read_text()) if path.exists() else {}


def test_a_pour_that_conforms(pair: Pair, tmp_path: Path) -> None:
    """Status 0; every key of the contract; figures are those of the formula."""
    bags = round(pair.placed_m3 * 1000.0 / (20.0 / 1.7))
    status, found = verified(
        pair, tmp_path / "proof", "--criterion", "8mm/2m", "--bags", str(bags),
        "--material", "standard",
    )  # fmt: skip
    (flat,) = found["flatness"]
    # Behind its column each drawn room has floor that neither set-up sees: beyond a twentieth of
    # the floor it leaves the criterion open.
    hidden = "and could hide more" in flat["note"]
    assert status == (4 if hidden else 0), pair.room.name
    assert found["schema"] == "pourdatum.verify/1"
    assert found["verdict"] == flat["verdict"] == ("undecided" if hidden else "conforms")
    assert flat["value"] + flat["uncertainty"] < 8.0
    assert flat["share_within"] == 1.0
    placed = found["placed"]
    assert placed["volume_l"] == pytest.approx(pair.placed_m3 * 1000.0, rel=0.03)
    assert placed["mean_thickness_mm"] == pytest.approx(10.0, rel=0.03)
    low, high = placed["volume_interval_l"]
    assert low < placed["volume_l"] < high
    assert placed["min_thickness_mm"] < 10.0 < placed["max_thickness_mm"]
    tie = found["registration"]
    assert tie["method"] == "walls and ceiling"
    assert tie["residual_mm"] < 2.0
    assert 0.0 < tie["vertical_uncertainty_mm"] < 1.5
    # What is told brings AFTER's own places to BEFORE's.
    turn = math.radians(tie["turn_deg"])
    assert math.remainder(turn - pair.turn_rad, math.tau) == pytest.approx(0.0, abs=1e-3)
    cos, sin = math.cos(pair.turn_rad), math.sin(pair.turn_rad)
    about = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
    site = np.array(pair.room.site_m)
    own = about.T @ (site - pair.shift_m)
    back = tie["to_m"] + np.array(tie["rotation"]) @ (own - tie["from_m"])
    assert back == pytest.approx(site, abs=0.0015)
    assert tie["ceilings_m"][-1] == pytest.approx(pair.room.ceiling_m, abs=0.05)
    assert flat["criterion"] == "8mm/2m"
    assert set(found["level"]) >= {"slope_mm_per_m", "range_mm", "uncertainty_mm"}
    assert found["bags_used"]["verdict"] == "as stated"
    assert [Path(item["file"]).suffix for item in found["inputs"]] == [".las", ".las"]
    assert len({item["sha256"] for item in found["inputs"]}) == 2
    # A result tells nothing of the machine, of neither campaign.
    assert [Path(item["file"]).name for item in found["inputs"]] == [
        item["file"] for item in found["inputs"]
    ]
    schema = result_schema("verify")
    assert set(schema["required"]) <= set(found)
    page = (tmp_path / "proof" / "report.html").read_text(encoding="utf-8")
    assert "Proof of a poured floor" in page
    assert "Mean thickness" in page
    assert (tmp_path / "proof" / "thickness.png").stat().st_size > 5000


def test_statuses_of_a_floor_that_fails_or_is_open(pair: Pair, tmp_path: Path) -> None:
    """1 where a criterion fails, also beside an open one; 4 where one is open; folders both times.

    The pour has a dip 4 mm deep and 1.2 m wide by formula: 1 mm under 2 m is missed, and its gap
    as judged, asked for as the limit itself, is undecided.
    """
    status, found = verified(pair, tmp_path / "no", "--criterion", "1mm/2m", "--files", "result")
    assert (status, found["verdict"]) == (1, "does not conform")
    (one,) = found["flatness"]
    limit = f"{one['value']:.2f}mm/2m"
    status, found = verified(pair, tmp_path / "open", "--criterion", limit, "--files", "result")
    assert (status, found["verdict"]) == (4, "undecided")
    status, found = verified(
        pair, tmp_path / "both", "--criterion", limit, "--criterion", "1mm/2m",
        "--files", "result",
    )  # fmt: skip
    assert (status, found["verdict"]) == (1, "does not conform")


def test_against_the_plan_and_its_level(pair: Pair, tmp_path: Path) -> None:
    """Held against a plan of the very BEFORE: its datum is the level; departures are signed."""
    plan = tmp_path / "plan"
    assert run(["plan", str(pair.before), "--units", "m", "-o", str(plan), "--quiet",
                "--files", "result"]) in (0, 1)  # fmt: skip
    job = tmp_path / "job.toml"
    job.write_text(f'[proof]\nplan = "{plan}"\ntolerance_mm = 100.0\n', encoding="utf-8")
    status, found = verified(pair, tmp_path / "proof", "--job", str(job), "--files", "result")
    assert status == 0
    against = found["against_plan"]
    told = json.loads((plan / "result.json").read_text())
    assert against["same_scan"]
    assert against["planned_l"] == told["fill"]["volume_l"]
    assert against["difference_l"] == pytest.approx(
        found["placed"]["volume_l"] - against["planned_l"], abs=0.2
    )
    off = found["level"]["departure"]
    assert off["wanted_z_m"] == pytest.approx(told["datum"]["z_m"], abs=1e-4)
    assert off["lowest_mm"] < off["highest_mm"]
    mean_z = found["floor"]["mean_z_m"]
    assert off["lowest_mm"] <= 1000.0 * (mean_z - off["wanted_z_m"]) <= off["highest_mm"]
    assert off["verdict"] == "conforms"
    assert found["verdict"] == "conforms"


def test_a_plan_that_is_damaged_or_of_another_scan(pair: Pair, tmp_path: Path) -> None:
    """Every figure of it is checked before a scan is read; a tolerance needs a level."""
    plan = tmp_path / "plan"
    assert run(["plan", str(pair.before), "--units", "m", "-o", str(plan), "--quiet",
                "--files", "result"]) in (0, 1)  # fmt: skip
    path = plan / "result.json"
    told = json.loads(path.read_text())
    for key, value in (("fill", None), ("inputs", []), ("datum", {"kind": "level"})):
        path.write_text(json.dumps(told | {key: value}))
        words = ("--plan", str(plan))
        if key == "inputs":
            # Of another scan: there is no level to hold a tolerance against.
            job = tmp_path / "job.toml"
            job.write_text(f'[proof]\nplan = "{plan}"\ntolerance_mm = 5.0\n', encoding="utf-8")
            words = ("--job", str(job))
        status, found = verified(pair, tmp_path / "proof", *words, "--files", "result")
        assert (status, found) == (2, {}), key


def test_one_scan_on_both_sides(pair: Pair, tmp_path: Path) -> None:
    """BEFORE given again as AFTER, or among its files, is refused."""
    out = ["-o", str(tmp_path / "proof"), "--quiet", "--units", "m", "--files", "result"]
    assert run(["verify", str(pair.before), str(pair.before), *out]) == 2
    again = ["--also-after", str(pair.before)]
    assert run(["verify", str(pair.before), str(pair.after), *again, *out]) in (2, 3)
    assert not (tmp_path / "proof").exists()


def test_nothing_asked_is_not_judged(pair: Pair, tmp_path: Path) -> None:
    """No criterion: the verdict is null, and the status 0."""
    status, found = verified(pair, tmp_path / "proof", "--files", "result")
    assert (status, found["verdict"]) == (0, None)
    assert found["judged_share"] > 0.8


def test_of_nothing_there_is_no_yield_and_water_explains_no_more_than_it_can() -> None:
    """A volume whose interval holds 0 has no yield; a yield half as large has other reasons."""
    sheet = read_sheet("standard")
    made = make_check().found.placed
    assert made is not None

    def used(litres: float, spread: float) -> BagsUsed:
        ends = ((litres - spread) / 1000.0, (litres + spread) / 1000.0)
        return bags_used(
            replace(made, volume_m3=litres / 1000.0, volume_interval_m3=ends), 25, sheet
        )

    none = used(-0.7, 26.0)
    assert none.found_m3 is None
    assert none.verdict == "nothing measurable was placed"
    assert yield_warnings(none, "metric") == []
    stated = 25 * sheet.bag_kg / sheet.powder_kg_per_m2_mm
    for share, told in ((2.0, False), (1.1, True), (0.9, True), (0.5, False)):
        found = used(share * stated, 0.01 * stated)
        assert any("water" in one for one in found.reasons) == told, share
        assert bool(yield_warnings(found, "metric")) != told, share


def test_bags_want_a_sheet(pair: Pair, tmp_path: Path) -> None:
    """A yield is held against a sheet that was named, and no other."""
    assert verified(pair, tmp_path / "proof", "--bags", "30") == (2, {})


def test_levels_by_control(pair: Pair, tmp_path: Path) -> None:
    """Shots 3 mm above BEFORE's vertical lift the floor's levels; thickness stays."""
    x0, y0, z0 = pair.room.site_m
    rows = ["name,x,y,z"]
    free = pair.room.floor.buffer(-0.6)
    x1, y1, x2, y2 = free.bounds
    rng = np.random.default_rng(6)
    while len(rows) < 7:
        x, y = float(rng.uniform(x1, x2)), float(rng.uniform(y1, y2))
        if free.contains(Point(x, y)):
            z = float(pair.poured.relief.height(x, y)) + z0 + 0.003
            rows.append(f"S{len(rows)},{x + x0:.4f},{y + y0:.4f},{z:.5f}")
    shots, job = tmp_path / "shots.csv", tmp_path / "job.toml"
    shots.write_text("\n".join(rows), encoding="utf-8")
    _, plain = verified(pair, tmp_path / "plain", "--files", "result")
    level = plain["floor"]["mean_z_m"]
    job.write_text(f"[proof]\nlevel_z_m = {level}\ntolerance_mm = 60.0\n", encoding="utf-8")
    _, found = verified(
        pair, tmp_path / "shot", "--job", str(job), "--control", str(shots), "--files", "result"
    )
    assert found["floor"]["mean_z_m"] - level == pytest.approx(0.003, abs=6e-4)
    off = found["level"]["departure"]
    _, bare = verified(pair, tmp_path / "bare", "--job", str(job), "--files", "result")
    for end in ("lowest_mm", "highest_mm"):
        rise = off[end] - bare["level"]["departure"][end]
        assert rise == pytest.approx(3.0, abs=0.8), end
    assert found["placed"]["volume_l"] == plain["placed"]["volume_l"]


def test_a_scan_before_preparation(pair: Pair, tmp_path: Path) -> None:
    """Recorded removal is allowed for; without a record nothing is said of what was placed."""
    base, more = "[preparation]\nremoval_mm = 2.0\n", '[proof]\nbefore = "unprepared"\n'
    job = tmp_path / "job.toml"
    found = {}
    for name, text in {"open": base, "told": base + more, "unrecorded": more}.items():
        job.write_text(text, encoding="utf-8")
        _, found[name] = verified(pair, tmp_path / name, "--job", str(job), "--files", "result")
    assert found["told"]["placed"]["mean_thickness_mm"] == pytest.approx(12.0, abs=0.3)
    for name in ("open", "unrecorded"):
        assert found[name]["placed"]["volume_l"] is None
        assert "placed-unknown" in {item["code"] for item in found[name]["warnings"]}
        assert found[name]["level"]["range_mm"] is not None


def test_marks_of_both_scans(tmp_path: Path, seed: int) -> None:
    """Marks in a table bring the scans together without walls; a missing column is named.

    They are told where they are in the room, and not as a scan shows them: the scans must not
    lean or bend, or the floor is off the marks by as much.
    """
    pair = drawn_pair(tmp_path, seed, drifts=False)
    site = np.array(pair.room.site_m)
    before = site + np.array([[-2, -1, 1.0], [2, -1, 1.4], [2, 1.5, 0.4], [-2, 1.5, 1.2]])
    cos, sin = math.cos(pair.turn_rad), math.sin(pair.turn_rad)
    after = (before - pair.shift_m) @ np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1.0]])
    rows = [
        ",".join([f"T{k}", *(f"{v:.5f}" for v in (*a, *b))])
        for k, (a, b) in enumerate(zip(before, after, strict=True))
    ]
    table = tmp_path / "marks.csv"
    table.write_text("\n".join(["name,x,y,z,after_x,after_y,after_z", *rows]), encoding="utf-8")
    status, found = verified(pair, tmp_path / "proof", "--marks", str(table), "--files", "result")
    assert status == 0
    assert found["registration"]["method"] == "marks"
    assert found["placed"]["mean_thickness_mm"] == pytest.approx(10.0, abs=0.1)
    table.write_text("\n".join(["name,x,y,z,after_x,after_y", *rows]), encoding="utf-8")
    status, found = verified(pair, tmp_path / "none", "--marks", str(table))
    assert (status, found) == (2, {})


def test_words_that_are_wrong_leave_nothing(pair: Pair, tmp_path: Path) -> None:
    """A folder that is no plan, marks that are not there: status 2, one line, no folder."""
    for words in (("--plan", str(tmp_path / "nowhere")), ("--marks", str(tmp_path / "no.csv"))):
        status, found = verified(pair, tmp_path / "proof", *words)
        assert (status, found) == (2, {})
        assert not (tmp_path / "proof").exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[proof]\ntolerance_mm = 3.0\n", "needs level_z_m or a plan"),
        ("[registration]\nsame_frame = true\nturn_deg = 3.0\n", "neither marks nor turn_deg"),
        ("[proof]\nbags = 0\n", "out of range"),
        ('[proof]\nbefore = "perhaps"\n', "before"),
    ],
)
def test_jobs_that_contradict_themselves(tmp_path: Path, text: str, said: str) -> None:
    """Named by key, before anything is read."""
    job = tmp_path / "job.toml"
    job.write_text(text, encoding="utf-8")
    with pytest.raises(JobError, match=said):
        read_job(job)


def test_a_straightedge_on_two_ridges() -> None:
    """It rests on the ridges of a triangle wave, and the gap is the depth of the trough.

    Ridges 0.8 m apart, 5 mm deep, on a slope of 1 %: neither slope nor level enters the gap.
    """
    grid = Grid(-2.0, -0.6, 0.02, 61, 201)
    x, _ = grid.mesh()
    wave = 0.005 * np.abs(np.mod(x / 0.4 + 0.0, 2.0) - 1.0)
    laid = profile_at(wave + 0.01 * x, grid, (0.4, 0.0), math.pi / 2, 1.2)
    first, second = laid.contacts_m
    assert (first, second) == pytest.approx((-0.4, 0.4), abs=0.021)
    inside = (laid.along_m >= first) & (laid.along_m <= second)
    gap = (laid.edge_m - laid.height_m)[inside]
    assert gap.max() == pytest.approx(0.005, rel=0.06)
    assert gap.min() > -1e-9


def test_bags_that_filled_more_or_less_than_stated() -> None:
    """100 bags of 20 kg at 1.7 kg per m² and mm fill 1.176 m³ (20 / 1.7 l each)."""
    sheet = read_sheet("standard")
    stated = sheet.bag_kg / sheet.powder_kg_per_m2_mm / 1000.0
    none = np.zeros((1, 1))

    def placed(volume_m3: float) -> Placed:
        return Placed(
            none, none, none > 1, 100.0, volume_m3, (0.98 * volume_m3, 1.02 * volume_m3),
            None, None, none > 1, 0.0,
        )  # fmt: skip

    for share, said in ((1.0, "as stated"), (1.2, "more than stated"), (0.8, "less than stated")):
        used = bags_used(placed(100 * share * stated), 100, sheet)
        assert used.verdict == said
        assert bool(used.reasons) == (said != "as stated")
        assert used.found_m3 == pytest.approx(share * stated)
