"""The command line: words, exit status, what is printed where, and what is left on the disk."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import click
import numpy as np
import pytest
import shapely

from finished import SHEET, make_ground_plan, make_plan, make_survey
from made_scan import carpet, faces, flat
from pourdatum import pipeline
from pourdatum.cli.app import app
from pourdatum.cli.guard import run
from pourdatum.cli.lines import CAUTION, result_lines
from pourdatum.cli.say import printable
from pourdatum.errors import LimitMet, NoFloor, ScanError
from pourdatum.job import Job
from pourdatum.outcome import Warned
from pourdatum.write import folder
from pourdatum.write.sample_files import write_sample

SOURCE = Path(__file__).resolve().parents[1] / "src"


class Ended(NamedTuple):
    """How a command ended."""

    status: int
    out: str
    err: str


Command = Callable[..., Ended]


@pytest.fixture
def command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> Command:
    """Runs words in an empty folder, in this process."""
    monkeypatch.chdir(tmp_path)

    def ran(*words: str) -> Ended:
        status = run(words)
        out, err = capfd.readouterr()
        return Ended(status, out, err)

    return ran


@pytest.fixture(scope="session")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small simulated scan; its truth lies beside it."""
    path = tmp_path_factory.mktemp("room") / "room.laz"
    write_sample("plain-room", path, seed=11, points=60_000)
    return path


@pytest.fixture
def truth(room: Path) -> dict[str, Any]:
    """What is true of the room."""
    found: dict[str, Any] = json.loads(room.with_name("room.truth.json").read_text())
    return found


def files_in(folder: Path) -> set[str]:
    """Names in a folder, hidden ones too."""
    return {item.name for item in folder.iterdir()}


# What the documents promise.


def options_of(name: str) -> set[str]:
    """Long options of a command, and its short ones."""
    found: click.Command = app.commands[name]
    return {word for param in found.params for word in param.opts if word.startswith("-")}


def test_the_documented_commands_are_there() -> None:
    """Every command of the contract can be typed."""
    documented = {
        "survey", "plan", "verify", "sample", "materials", "doctor", "schema", "open",
    }  # fmt: skip
    assert documented <= set(app.commands)


SHARED = {
    "-o", "--out", "--job", "--units", "--up", "--columns", "--sensor", "--control", "--outline",
    "--cell", "--at", "--through-doors", "--criterion", "--files", "--overwrite", "--scheduler",
    "--memory", "--json", "--quiet",
}  # fmt: skip


def test_the_documented_options_are_there() -> None:
    """Survey and plan take every option of the contract, and none beside them."""
    assert options_of("survey") == SHARED
    assert options_of("plan") == SHARED | {"--material", "--datum", "--grind"}


@pytest.mark.parametrize(
    "name", ["", "survey", "plan", "verify", "sample", "materials", "schema", "open"]
)
def test_help_is_short_and_plain(command: Command, name: str) -> None:
    """Help is on standard output, exit 0, and fits a terminal of 100 columns."""
    ended = command(*filter(None, [name]), "--help")
    assert (ended.status, ended.err) == (0, "")
    assert ended.out.startswith(f"Usage: pourdatum {name}".rstrip())
    assert max(map(len, ended.out.splitlines())) <= 100


def test_no_words_get_the_help(command: Command) -> None:
    """Who types the bare name is shown what can be typed."""
    ended = command()
    assert (ended.status, ended.err) == (0, "")
    assert ended.out.startswith("Usage: pourdatum")


def test_help_starts_without_the_heavy_packages() -> None:
    """``--help`` loads neither arrays nor models: it must answer in half a second."""
    code = (
        "import sys\nfrom pourdatum.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'pydantic', 'rich', 'shapely', 'matplotlib', 'laspy'}\n"
        "print(heavy & {name.partition('.')[0] for name in sys.modules})"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(SOURCE)},
    )
    assert done.stdout.endswith("set()\n")


# From a scan to figures and files.


def test_a_plan_end_to_end(command: Command, room: Path, truth: dict[str, Any]) -> None:
    """A plan of a room whose truth is known: lines, folder, and figures that agree."""
    ended = command("plan", str(room), "--quiet")
    assert (ended.status, ended.err) == (0, "")
    folder = Path("room-plan")
    tables = {"humps.csv", "pins.csv", "batches.csv", "points.csv"}
    assert {"result.json", "report.html", "depth.png", "drawing.dxf"} | tables == files_in(folder)
    data = json.loads((folder / "result.json").read_text("utf-8"))
    fill = data["fill"]
    assert fill["mean_depth_mm"] == pytest.approx(truth["datum"]["mean_depth_mm"], abs=0.5)
    assert fill["volume_l"] == pytest.approx(fill["mean_depth_mm"] * fill["area_m2"], rel=1e-4)
    assert data["inputs"][0]["file"] == "room.laz"
    assert f"buy {data['material']['bags_to_buy']}" in ended.out
    assert "Results: room-plan/report.html" in ended.out
    assert ended.out.endswith(CAUTION + "\n")


def test_a_survey_end_to_end(command: Command, room: Path, truth: dict[str, Any]) -> None:
    """A survey of the same room: levels within a millimetre, no word of bags."""
    ended = command("survey", str(room), "--files", "result,pictures", "-o", "found")
    assert ended.status == 0
    assert files_in(Path("found")) == {"result.json", "levels.png"}
    floor = json.loads(Path("found/result.json").read_text("utf-8"))["floor"]
    for key in ("high_z_m", "low_z_m", "mean_z_m"):
        assert floor[key] == pytest.approx(truth[key], abs=0.001)
    assert floor["slope_mm_per_m"] == pytest.approx(truth["slope_mm_per_m"], abs=0.1)
    assert "bags" not in ended.out


def test_a_survey_is_held_against_criteria(command: Command, room: Path) -> None:
    """One entry and one line for each, word for word, whatever the verdict: status 0."""
    asked = ("1mm/2m", "BS8204:SR3", "TR34:DM2")
    words = [word for one in asked for word in ("--criterion", one)]
    ended = command("survey", str(room), "--files", "result", "-o", "flat", *words)
    assert ended.status == 0
    found = json.loads(Path("flat/result.json").read_text("utf-8"))["flatness"]
    assert tuple(one["criterion"] for one in found) == asked
    assert [one["verdict"] for one in found] == ["does not conform", "conforms", "undecided"]
    assert found[0]["limit"] == 1.0
    assert found[0]["value"] == found[1]["value"] > 1.0
    for one in asked:
        assert f"\nflatness     {one}: " in ended.out


def test_a_given_level_is_in_the_scans_unit(
    command: Command, room: Path, truth: dict[str, Any]
) -> None:
    """``--datum Z`` fills to that level of the scan's own vertical."""
    level = truth["levels"][0]
    ended = command("plan", str(room), "--datum", str(level["z_m"]), "--files", "result", "--json")
    data = json.loads(ended.out)
    assert data["datum"]["z_m"] == pytest.approx(level["z_m"], abs=1e-6)
    assert data["datum"]["kind"] == "level"
    assert data["fill"]["mean_depth_mm"] == pytest.approx(level["mean_depth_mm"], abs=0.3)


def test_a_level_may_bring_its_own_unit(
    command: Command, room: Path, truth: dict[str, Any]
) -> None:
    """The same level in metres, in millimetres and in feet of 0.3048 m is the same datum."""
    level = truth["levels"][0]["z_m"]
    for text in (f"{level}m", f"{level * 1000}mm", f"{level / 0.3048!r}ft"):
        ended = command(
            "plan", str(room), "--datum", text, "--files", "result", "--json", "--overwrite"
        )
        assert json.loads(ended.out)["datum"]["z_m"] == pytest.approx(level, abs=1e-6), text


def test_a_level_far_from_the_floor_is_refused(command: Command, room: Path) -> None:
    """A level metres over the floor is one of another vertical: no plan of thousands of bags."""
    floor = json.loads(command("survey", str(room), "--json").out)["floor"]
    for off, word in ((10.0, "over"), (-10.0, "under")):
        ended = command("plan", str(room), "--datum", f"{floor['mean_z_m'] + off}")
        assert ended.status == 2
        assert re.search(rf"lies (9\.99|10\.0\d) m {word} the floor", ended.err)
        assert "benchmark" in ended.err


def test_what_is_typed_for_a_scan_in_millimetres_is_said_in_metres(
    command: Command, tmp_path: Path
) -> None:
    """A landing is listed as it is to be typed, and a place or level typed is said in metres."""
    rng = np.random.default_rng(3)
    room, landing = shapely.box(0, 0, 5, 4), shapely.box(0, 0, 1.5, 1.5)
    front = faces(landing, 0.0, 0.2, 1500, rng)
    points = np.concatenate([
        carpet(room.difference(landing), 2500, rng),
        carpet(landing, 2500, rng, height=lambda x, y: flat(x, y) + 0.2),
        front[(front[:, 0] > 0.1) & (front[:, 1] > 0.1)], faces(room, 0.0, 2.4, 1200, rng),
    ])  # fmt: skip
    np.savetxt(tmp_path / "room.xyz", points * 1000.0, fmt="%.2f")
    told = ("survey", str(tmp_path / "room.xyz"), "--units", "mm", "--up", "z", "--overwrite")
    listed = re.search(r"--at (\d+),(\d+),(\d+) takes the first", command(*told).out)
    assert listed is not None
    x, y, z = (int(value) / 1000.0 for value in listed.groups())
    assert landing.contains(shapely.Point(x, y))
    assert abs(z - 0.2) < 0.005
    ended = command(*told, "--at", ",".join(listed.groups()))
    assert "the level asked for is taken" in ended.out
    assert f"--at is read in the scan's own unit: ({x:.3f}, {y:.3f}) in metres" in ended.out


def test_json_alone_on_standard_output(command: Command, room: Path) -> None:
    """With --json standard output is the written result, and warnings go to standard error."""
    ended = command("plan", str(room), "--files", "result", "--json")
    assert ended.status == 0
    assert ended.out == Path("room-plan/result.json").read_text("utf-8")
    codes = {warning["code"] for warning in json.loads(ended.out)["warnings"]}
    assert {line.split(": ")[1] for line in ended.err.splitlines()} == codes


def test_two_runs_write_the_same_bytes(command: Command, room: Path) -> None:
    """Nothing in the files comes from the clock, the machine or the order of work."""
    for name in ("one", "two"):
        assert command("plan", str(room), "--files", "all", "-o", name).status == 0
    for name in sorted(files_in(Path("one")) - {"surface.nc"}):
        assert Path("one", name).read_bytes() == Path("two", name).read_bytes(), name


def test_no_path_of_the_machine_is_written(command: Command, room: Path) -> None:
    """Files name inputs by their base names: nobody's home folder travels with a plan."""
    command("plan", str(room), "-o", "here", "--files", "result,report,tables")
    for name in files_in(Path("here")):
        assert str(room.parent) not in Path("here", name).read_text("utf-8"), name


def test_preparation_lowers_the_floor(command: Command, room: Path) -> None:
    """To a given level, 2 mm removed add 2 l for each m², and 1 mm of roughness adds 1 l."""
    level = json.loads(room.with_name("room.truth.json").read_text())["levels"][0]["z_m"]
    found = []
    for text in ("", "[preparation]\nremoval_mm = 2\nroughness_mm = 1"):
        Path("job.toml").write_text(text)
        ended = command("plan", str(room), "--job", "job.toml", "--datum", str(level),
                        "--files", "result", "--overwrite", "--json")  # fmt: skip
        found.append(json.loads(ended.out))
    added_l = found[1]["fill"]["volume_l"] - found[0]["fill"]["volume_l"]
    assert added_l == pytest.approx(3.0 * found[0]["fill"]["area_m2"], abs=0.002)
    assert found[1]["floor"] == found[0]["floor"]


def test_removal_does_not_change_a_high_point_fill(command: Command, room: Path) -> None:
    """What comes off everywhere takes the high point with it: the same litres."""
    found = []
    for text in ("", "[preparation]\nremoval_mm = 3"):
        Path("job.toml").write_text(text)
        ended = command("plan", str(room), "--job", "job.toml", "--files", "result",
                        "--overwrite", "--json")  # fmt: skip
        found.append(json.loads(ended.out))
    assert found[1]["fill"]["volume_l"] == pytest.approx(found[0]["fill"]["volume_l"], rel=1e-6)
    assert found[1]["datum"]["z_m"] == pytest.approx(found[0]["datum"]["z_m"] - 0.003, abs=2e-6)


def test_a_job_reaches_the_figures(command: Command, room: Path) -> None:
    """Price, waste, title, units and notes of a job arrive where they belong."""
    Path("job.toml").write_text(
        'units = "imperial"\ntitle = "Annex <annex>"\n[material]\nsheet = "rapid"\nwaste = 0.1\n'
        'price_per_bag = 20.0\nlabour_per_bag = 5.0\n[survey]\noperator = "N. N."\n'
    )
    ended = command("plan", str(room), "--job", "job.toml", "--files", "result,report")
    data = json.loads(Path("room-plan/result.json").read_text("utf-8"))
    material = data["material"]
    assert material["name"] == "levelling compound, rapid"
    assert material["cost"] == pytest.approx(material["bags"] * 25.0)
    assert -(-data["fill"]["volume_l"] * 1.65 * 1.1 // 20.0) == material["bags"]
    assert ended.out.startswith("Annex <annex>\n")
    assert " ft²" in ended.out
    assert "<annex>" not in Path("room-plan/report.html").read_text("utf-8")


def test_an_outline_bounds_the_floor(command: Command, room: Path, truth: dict[str, Any]) -> None:
    """An outline of 2 x 2 m within the room gives a floor of 4 m²."""
    x, y = (sum(axis) / len(axis) for axis in zip(*truth["outline"], strict=True))
    ring = [[x - 1, y - 1], [x + 1, y - 1], [x + 1, y + 1], [x - 1, y + 1], [x - 1, y - 1]]
    Path("o.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))
    ended = command("plan", str(room), "--outline", "o.geojson", "--files", "result", "--json")
    assert json.loads(ended.out)["floor"]["area_m2"] == pytest.approx(4.0, rel=1e-3)


def test_not_buildable_is_an_answer(command: Command, room: Path) -> None:
    """Depths beyond the sheet's range: exit 1, the folder is written, the reason is printed."""
    text = SHEET_TEXT.replace("[2, 12]", "[2, 3]")
    Path("thin.toml").write_text(text)
    ended = command("plan", str(room), "--material", "thin.toml", "--files", "result")
    assert ended.status == 1
    assert "NOT BUILDABLE AS IT STANDS:" in ended.out
    assert "would be deeper than the 3 mm that thin takes" in ended.out
    data = json.loads(Path("room-plan/result.json").read_text("utf-8"))
    assert not data["buildable"]
    assert data["fill"]["deep_m2"] > 1.0


SHEET_TEXT = """
name = "thin"
depth_mm = [2, 12]
powder_kg_per_m2_mm = 1.7
bag_kg = 20
water_l_per_bag = 4.4
working_time_min = 20
"""


def test_a_level_below_the_floor(command: Command, room: Path, truth: dict[str, Any]) -> None:
    """A datum under the whole floor is no error: nothing to pour, 0 bags, exit 1."""
    low = str(truth["low_z_m"] - 0.01)
    ended = command("plan", str(room), "--datum", low, "--files", "result", "--json")
    data = json.loads(ended.out)
    assert ended.status == 1
    assert (data["fill"]["volume_l"], data["fill"]["area_m2"]) == (0.0, 0.0)
    assert (data["material"]["bags"], data["material"]["bags_to_buy"]) == (0, 0)
    assert "nothing to pour" in data["obstacles"][0]


def test_nulls_come_with_a_reason(command: Command, room: Path) -> None:
    """No price and no primer table: cost and primer are null, and a warning says why each."""
    Path("mine.toml").write_text(SHEET_TEXT)
    ended = command("plan", str(room), "--material", "mine.toml", "--files", "result", "--json")
    data = json.loads(ended.out)
    codes = {warning["code"] for warning in data["warnings"]}
    assert (data["material"]["primer_l"], data["material"]["cost"]) == (None, None)
    assert {"no-primer", "no-price"} <= codes


def test_what_is_not_used_is_said(command: Command, room: Path) -> None:
    """Criteria and spare datum keys are named as unused, and a threshold elsewhere."""
    Path("job.toml").write_text(
        '[datum]\nkind = "high-point"\nz_m = 1.0\n'
        "[build_up]\nmm = 12\n[[threshold]]\nplace = [90, 1]\nlevel = 2\n"
        '[[line]]\nkind = "crack"\npoints = [[0, 1], [1, 1]]\n'
    )
    ended = command("plan", str(room), "--job", "job.toml", "--files", "result", "--json",
                    "--criterion", "3mm/2m", "--grind", "auto")  # fmt: skip
    data = json.loads(ended.out)
    codes = {warning["code"] for warning in data["warnings"]}
    assert {
        "threshold-off-floor", "criterion-not-used", "datum-key-unused", "grind-not-decided",
    } <= codes  # fmt: skip
    assert data["grind"]["volume_l"] is None


def test_prices_in_the_job_weigh_grinding(command: Command, room: Path) -> None:
    """With prices there is a curve that holds the datum; ``--grind none`` leaves it out."""
    Path("job.toml").write_text(
        "[grind]\nprice_per_m2 = 6\nprice_per_m2_mm = 1.5\n[material]\nprice_per_bag = 19.5\n"
    )
    words = ("plan", str(room), "--job", "job.toml", "--files", "result", "--json")
    data = json.loads(command(*words).out)
    assert data["datum"]["z_m"] in [z_m for z_m, _ in data["grind"]["curve"]]
    assert data["grind"]["curve"] == sorted(data["grind"]["curve"])
    assert {hump["worth"] for hump in data["grind"]["humps"]} <= {True, False}
    none = json.loads(command(*words, "--grind", "none", "--overwrite").out)
    assert none["grind"]["curve"] == []
    assert {hump["worth"] for hump in none["grind"]["humps"]} <= {None}


# What is refused, with which status, in one line.

WRONG_WORDS = [
    (("fly",), 2, "No such command 'fly'"),
    (("plan",), 2, "Missing argument 'SCAN...'"),
    (("plan", "a.laz", "--fast"), 2, "No such option"),
    (("plan", "a.laz", "--units", "yd"), 2, "'yd' is not one of 'm', 'cm', 'mm', 'ft'"),
    (("plan", "a.laz", "--up", "w"), 2, "'w' is not one of 'x', 'y', 'z'"),
    (("plan", "a.laz", "--sensor", "drone"), 2, "'drone' is not one of 'tripod'"),
    (("plan", "a.laz", "--grind", "yes"), 2, "'yes' is not one of 'auto', 'none'"),
    (("plan", "a.laz", "--cell", "0"), 2, "0 is out of range; permitted from 10 to 500 mm"),
    (("plan", "a.laz", "--cell", "-5"), 2, "-5 is out of range"),
    (("plan", "a.laz", "--cell", "nan"), 2, "nan is out of range"),
    (("plan", "a.laz", "--cell", "1e-9"), 2, "1e-9 is out of range"),
    (("plan", "a.laz", "--cell", "2,5"), 2, "'2,5' has a decimal comma; write 2.5"),
    (("plan", "a.laz", "--cell", "50mm"), 2, "'50mm' is not a number; write it without its unit"),
    (("plan", "a.laz", "--datum", "hi"), 2, "use high-point, parallel, or a level"),
    (("plan", "a.laz", "--datum", "1,5"), 2, "'1,5' has a decimal comma; write 1.5"),
    (("plan", "a.laz", "--datum", "nan"), 2, "nan is out of range"),
    (("plan", "a.laz", "--material", "standrd"), 2, "did you mean standard?"),
    (("plan", "a.laz", "--material", "none.toml"), 2, "none.toml: material sheet cannot be read"),
    (("plan", "a.laz", "--job", "none.toml"), 2, "none.toml: job file cannot be read"),
    (("plan", "a.laz", "--files", "raport"), 2, "'raport' is not known (did you mean report?)"),
    (("plan", "a.laz", "--files", "thickness.csv"), 2, "'thickness.csv' is not in this version"),
    (("plan", "a.laz", "--memory", "0"), 2, "0 is out of range; permitted from 0.05 to 1024 GB"),
    (("plan", "a.laz", "--outline", "none.geojson"), 2, "outline is missing"),
    (("plan", "a.laz", "--control", "none.csv"), 2, "control file is missing"),
    (("plan", "a.laz", "-o", ""), 5, "no output folder is named"),
    (("plan", "a.laz", "-o", "none/plan"), 5, "the folder none does not exist"),
    (("plan", "a.laz"), 3, "a.laz: no such file"),
    (("survey", "a.laz"), 3, "a.laz: no such file"),
    (("survey", "a.laz", "--datum", "1"), 2, "No such option"),
    (("verify", "a.laz"), 2, "Missing argument 'AFTER'"),
    (("verify", "a.laz", "b.laz", "--bags", "0"), 2, "0 is not in the range"),
    (("verify", "a.laz", "b.laz", "--bags", "3"), 2, "no sheet is named"),
    (("verify", "a.laz", "b.laz"), 3, "a.laz: no such file"),
    (("materials", "none.toml"), 2, "material sheet cannot be read"),
    (("sample", "palace"), 2, "palace"),
    (("sample", "ramp", "--seed", "-1"), 2, "-1 is not in the range"),
    (("schema", "sample"), 2, "there is no schema for 'sample'; use one of survey, plan, verify"),
]


@pytest.mark.parametrize(("words", "status", "said"), WRONG_WORDS)
def test_one_line_for_each_refusal(
    command: Command, words: tuple[str, ...], status: int, said: str
) -> None:
    """A refusal is one line on standard error, nothing on standard output, nothing on disk."""
    ended = command(*words)
    assert (ended.status, ended.out) == (status, "")
    assert ended.err.startswith("pourdatum: ")
    assert ended.err.count("\n") == 1
    assert said in ended.err
    assert files_in(Path()) == set()


@pytest.mark.parametrize(("words", "status", "said"), WRONG_WORDS[1:-6])
def test_the_same_for_programs(
    command: Command, words: tuple[str, ...], status: int, said: str
) -> None:
    """With --json the refusal is an object on standard output, under the same status."""
    ended = command(*words, "--json")
    error = json.loads(ended.out)["error"]
    assert set(error) == {"code", "id", "message", "hint"}
    assert (ended.status, error["code"]) == (status, status)
    assert said in f"{error['message']}; {error['hint']}"
    assert error["id"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "file is empty"),
        (b"<html><body>not found</body></html>", "it looks like"),
        (b"LASF" + b"\0" * 40, ""),
        (b"ply\nformat ascii 1.0\nelement vertex 3\n", ""),
    ],
    ids=["empty", "web page", "cut header", "endless header"],
)
def test_bad_input_is_exit_3(command: Command, content: bytes, said: str) -> None:
    """Files that are no scans: exit 3, one line that begins with the file, no result folder."""
    Path("scan.laz").write_bytes(content)
    ended = command("plan", "scan.laz")
    assert (ended.status, ended.out) == (3, "")
    assert ended.err.startswith("pourdatum: scan.laz: ")
    assert ended.err.count("\n") == 1
    assert said in ended.err
    assert files_in(Path()) == {"scan.laz"}


def test_the_output_is_checked_before_the_scan(command: Command, room: Path) -> None:
    """An existing folder is exit 5 though the scan is broken too: no hour of reading is lost."""
    Path("plan").mkdir()
    ended = command("plan", "broken.laz", "-o", "plan")
    assert ended.status == 5
    assert "the output folder exists" in ended.err


def test_overwrite_replaces(command: Command, room: Path) -> None:
    """An existing result stays without --overwrite, and goes with it."""
    assert command("survey", str(room), "-o", "s", "--files", "result").status == 0
    assert command("survey", str(room), "-o", "s", "--files", "result").status == 5
    ended = command("survey", str(room), "-o", "s", "--files", "result,pictures", "--overwrite")
    assert ended.status == 0
    assert files_in(Path("s")) == {"result.json", "levels.png"}
    assert files_in(Path()) == {"s"}


@pytest.mark.parametrize(
    ("error", "status", "said"),
    [
        (ScanError("header cut short", where="a.laz"), 3, "a.laz: header cut short"),
        (NoFloor("there is no floor, only a ceiling", where="a.laz"), 4, "only a ceiling"),
        (LimitMet("too many cells", hint="give a larger --cell"), 6, "give a larger --cell"),
        (MemoryError(), 6, "memory ran out at "),
        (OSError(24, "Too many open files"), 6, "the system gives no more"),
        (RuntimeError("can't start new thread"), 6, "no more threads"),
        (OSError(28, "No space left on device"), 5, "No space left"),
        (KeyboardInterrupt(), 130, "interrupted; nothing was written"),
        (ZeroDivisionError("float division by zero"), 70, "a fault of ours (ZeroDivisionError"),
        (EOFError("Ran out of input"), 70, "a fault of ours (EOFError: Ran out of input)"),
        (EOFError("marshal data too short"), 70, "delete its __pycache__ folders"),
    ],
)
def test_every_way_to_end(
    command: Command,
    monkeypatch: pytest.MonkeyPatch,
    error: BaseException,
    status: int,
    said: str,
) -> None:
    """Each kind of end has its status and one line; no folder is left, nor a traceback."""

    def fails(*words: Any, **more: Any) -> Any:
        raise error

    monkeypatch.setattr(pipeline, "plan_scan", fails)
    ended = command("plan", "a.laz")
    assert ended.status == status
    assert said in ended.err
    assert ended.err.count("\n") == 1
    assert files_in(Path()) == set()


def test_a_traceback_only_when_asked(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    """POURDATUM_TRACE=1 adds where a fault of ours happened."""

    def fails(*words: Any, **more: Any) -> Any:
        raise ZeroDivisionError("here")

    monkeypatch.setattr(pipeline, "plan_scan", fails)
    monkeypatch.setenv("POURDATUM_TRACE", "1")
    assert "Traceback" in command("plan", "a.laz").err


def test_a_name_cannot_move_the_cursor(command: Command) -> None:
    """Line breaks, escapes and direction marks in a file's name are written out."""
    ended = command("plan", "a\nb\x1b[2J\u202e.laz")
    assert ended.err.count("\n") == 1
    assert "\x1b" not in ended.err
    assert "\u202e" not in ended.err


def test_escapes_are_unambiguous() -> None:
    """What cannot be shown becomes its code; what can stays, in any script."""
    assert printable("a\tb\x9b\ud800 Ж中") == "a\\x09b\\x9b\\ud800 Ж中"


# Words for people.


def test_lines_hold_what_a_contractor_asks() -> None:
    """Area, high point, datum, litres, depth, bags, water, humps, openings, nibs, caution."""
    plan = make_plan()
    text = "\n".join(result_lines(plan, "annex-plan", ["result", "report"]))
    begun = ("floor", "high point", "datum", "fill", "depth", "bags", "water", "humps",
             "to block", "to chip off", "Results: annex-plan/report.html")  # fmt: skip
    for word in begun:
        assert f"\n{word}" in f"\n{text}"
    assert f"{plan.order.bags} expected with 5 % waste, buy {plan.order.bags_to_buy}" in text
    assert text.endswith(CAUTION)


def test_lines_say_what_must_not_be_ordered_yet() -> None:
    """Right under the bags, where the fill is not known to 20 %; not else."""
    plan = make_plan()
    assert "\norder" not in "\n".join(result_lines(plan, "x", ["result"]))
    litres = plan.volume.volume_m3
    doubtful = replace(plan, volume_interval_m3=(0.9 * litres, 3.0 * litres))
    lines = result_lines(doubtful, "x", ["result"])
    at = next(k for k, line in enumerate(lines) if line.startswith("bags "))
    said = "not by these bags yet: the fill is not known to 20 %, and why stands below"
    assert lines[at + 1] == f"order        {said}"


def test_lines_say_what_is_ground() -> None:
    """Humps, litres, area, how much lower, and what that saves; or that nothing is."""
    plan = make_ground_plan()
    text = "\n".join(result_lines(plan, "x", ["result"]))
    said = (
        "2 humps, 1.4 l from 0.60 m²: datum 3.1 mm lower, saves 120 l and 200.00, powder by weight"
    )
    assert f"\ngrind        {said}\n" in text
    assert "level, 2.0 mm over the floor as ground" in text
    assert plan.grinding is not None
    held = replace(plan, grinding=replace(plan.grinding, bound="deepest grind"))
    assert f"{said}; held by the deepest grind\n" in "\n".join(result_lines(held, "x", ["result"]))
    none = replace(plan.grinding, humps=tuple(replace(h, worth=False) for h in plan.humps))
    text = "\n".join(result_lines(replace(make_plan(), grinding=none), "x", ["result"]))
    assert "\ngrind        nothing: at these prices filling alone is the cheapest\n" in text


@pytest.mark.parametrize("made", [make_plan, make_ground_plan])
def test_lines_in_feet_and_gallons(made: Any) -> None:
    """In an imperial job no metric unit is left but the bag's."""
    plan = made(make_survey(system="imperial"))
    text = "\n".join(result_lines(plan, "x", ["result"])).replace(CAUTION, "")
    for unit in (" mm", " m²", " m,", " l ", " l,"):
        assert unit not in text
    assert " US gal" in text
    assert " lb of powder" in text


def test_obstacles_and_warnings_are_told_once() -> None:
    """What stands in the way is printed above the notes, and not again among them."""
    survey = make_survey(warnings=(Warned("not-buildable", "too deep"), Warned("x", "look here")))
    plan = replace(make_plan(survey, sheet=SHEET), obstacles=("too deep",))
    text = "\n".join(result_lines(plan, "x", ["result"]))
    assert text.count("too deep") == 1
    assert text.index("NOT BUILDABLE") < text.index("too deep") < text.index("look here")


def test_materials_lists_and_checks(command: Command) -> None:
    """Without a name all shipped sheets; with one, each key as understood, which reads back."""
    ended = command("materials")
    assert ended.status == 0
    assert "invented and generic" in ended.out
    for name in ("standard", "deep", "light", "rapid", "hard-wearing"):
        assert f"\n{name} " in ended.out
    Path("again.toml").write_text(command("materials", "standard").out, encoding="utf-8")
    assert command("materials", "again.toml").out == command("materials", "standard").out


def test_materials_for_programs(command: Command) -> None:
    """Sheets as JSON by name, keys as in their files."""
    data = json.loads(command("materials", "--json").out)
    assert data["standard"]["depth_mm"] == [2.0, 12.0]
    assert data["standard"]["primer"][0]["coats"] == 2


def test_schema_prints_a_schema(command: Command) -> None:
    """The printed schema names what it describes."""
    data = json.loads(command("schema", "plan").out)
    assert data["properties"]["schema"]["const"] == "pourdatum.plan/1"


def test_sample_writes_scan_and_truth(command: Command) -> None:
    """A sample is a scan and its truth; an existing one is not replaced unasked."""
    assert "plain-room" in command("sample").out
    ended = command("sample", "noise-only", "-o", "flat.ply", "--points", "2000")
    assert ended.status == 0
    assert files_in(Path()) == {"flat.ply", "flat.truth.json"}
    assert command("sample", "noise-only", "-o", "flat.ply", "--points", "2000").status == 5


def test_doctor_names_what_is_there(command: Command) -> None:
    """The doctor lists the base packages with their versions, and each extra."""
    ended = command("doctor")
    assert ended.status == 0
    for name in ("numpy", "laspy", "pydantic", "open3d"):
        assert name in ended.out
    assert "MISSING" not in ended.out


class Torn:
    """Gets a signal while it is torn down, where no exception comes out."""

    def __del__(self) -> None:
        signal.raise_signal(signal.SIGTERM)


def test_a_stop_that_nobody_can_catch(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python prints a traceback of such an exception; the run ends a little later, on one line."""

    def torn(*words: Any, progress: Any, **more: Any) -> Any:
        Torn()
        progress("drawing", 0.5)

    monkeypatch.setattr(sys, "unraisablehook", sys.__unraisablehook__)  # As without pytest.
    monkeypatch.setattr(pipeline, "plan_scan", torn)
    ended = command("plan", "a.laz")
    assert (ended.status, ended.err) == (
        143, "pourdatum: stopped by the system; nothing was written\n",
    )  # fmt: skip
    assert files_in(Path()) == set()


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_stop_that_comes_too_late(
    command: Command, room: Path, monkeypatch: pytest.MonkeyPatch, overwrite: bool
) -> None:
    """Once the results are in their place, "nothing was written" would be untrue: it is done."""
    if overwrite:
        assert command("survey", str(room), "-o", "s", "--files", "result").status == 0
    place = folder._put_in_place

    def placed(work: Path, target: Path) -> None:
        place(work, target)
        signal.raise_signal(signal.SIGTERM)

    monkeypatch.setattr(folder, "_put_in_place", placed)
    ended = command("survey", str(room), "-o", "s", "--files", "result", "--overwrite")
    assert (ended.status, ended.err) == (0, "")
    assert "Results: s" in ended.out
    assert [item.name for item in Path().iterdir()] == ["s"]


def test_a_second_stop_leaves_no_half(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who presses Ctrl-C twice interrupts the tidying up of the first."""
    remove, stops = shutil.rmtree, iter([KeyboardInterrupt])

    def interrupted(path: Path, **more: Any) -> None:
        for stop in stops:
            raise stop
        remove(path, **more)

    monkeypatch.setattr(shutil, "rmtree", interrupted)

    def stopped() -> None:
        with folder.result_folder(tmp_path / "s") as work:
            (work / "result.json").write_text("{}")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert list(tmp_path.iterdir()) == []


# In a process of its own.


def process(*words: str, **more: Any) -> subprocess.Popen[bytes]:
    """The program, started as a user starts it, from the source tree."""
    environment = {**os.environ, "PYTHONPATH": str(SOURCE), **more.pop("env", {})}
    return subprocess.Popen(
        [sys.executable, "-m", "pourdatum", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        **more,
    )


@pytest.mark.skipif(os.name == "nt", reason="signals of another kind")
@pytest.mark.parametrize(("name", "status"), [("SIGINT", 130), ("SIGTERM", 143), ("SIGHUP", 129)])
def test_stopping_leaves_nothing(tmp_path: Path, room: Path, name: str, status: int) -> None:
    """Stopped in the middle, or its terminal closed: status, one line, no trace on the disk."""
    number = signal.Signals[name]
    # Started from a shell; a runner of tests in the background may have the signal ignored.
    started = process(
        "plan", str(room), cwd=tmp_path,
        preexec_fn=lambda: signal.signal(number, signal.SIG_DFL),
    )  # fmt: skip
    until = time.monotonic() + 30.0
    while not list(tmp_path.iterdir()) and time.monotonic() < until:
        time.sleep(0.02)
    started.send_signal(number)
    out, err = started.communicate(timeout=30)
    assert started.returncode == status
    assert out == b""
    assert err.count(b"\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="signals of another kind")
def test_an_answer_is_not_taken_back(tmp_path: Path) -> None:
    """Ctrl-C while Python tidies up after the last line: the status is that of the answer."""
    code = (
        "import atexit, os, signal\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "atexit.register(os.kill, os.getpid(), signal.SIGINT)\n"
        "from pourdatum.cli import main\nmain(['--version'])\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, check=False, timeout=30, cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(SOURCE)},
    )  # fmt: skip
    assert (ended.returncode, ended.stderr) == (0, b"")


def test_a_stopped_run_waits_for_no_thread(tmp_path: Path) -> None:
    """A thread that loads a library may wait for ever for a lock that the stop left behind."""
    code = (
        "import sys, threading\nfrom pourdatum import pipeline\nfrom pourdatum.cli import main\n"
        "def stuck(*words, **more):\n    threading.Thread(target=threading.Event().wait).start()\n"
        "    raise KeyboardInterrupt\n"
        "pipeline.plan_scan = stuck\nmain(['plan', 'a.laz'])\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=30,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(SOURCE)},
    )  # fmt: skip
    assert (ended.returncode, ended.stderr) == (
        130,
        "pourdatum: interrupted; nothing was written\n",
    )


@pytest.mark.skipif(os.name == "nt", reason="no file-size limit there")
def test_a_file_size_limit_is_a_full_disk(tmp_path: Path, room: Path) -> None:
    """A quota met while a picture is written is exit 5 with the folder's name; nothing is left."""
    resource = pytest.importorskip("resource")
    started = process(
        "plan", str(room), "-o", "plan", cwd=tmp_path,
        # Python's own compiled files would be cut short too, for every later test.
        env={"PYTHONDONTWRITEBYTECODE": "1"},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000)),
    )  # fmt: skip
    _, err = started.communicate(timeout=60)
    assert started.returncode == 5
    assert err.startswith(b"pourdatum: plan: output cannot be written")
    assert b"make room" in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="no such limit there")
def test_too_little_memory_is_told_before_the_work(tmp_path: Path, room: Path) -> None:
    """Under a limit in which the libraries cannot load: exit 6 at once, with both figures."""
    resource = pytest.importorskip("resource")
    started = process(
        "plan", str(room), cwd=tmp_path,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (400 * 2**20, 400 * 2**20)),
    )  # fmt: skip
    _, err = started.communicate(timeout=60)
    assert started.returncode == 6
    assert b"memory limit of 400 MB is below the 512 MB" in err
    assert list(tmp_path.iterdir()) == []


def test_a_reader_that_goes_away(tmp_path: Path, room: Path) -> None:
    """``pourdatum ... | head -0``: no complaint, and the folder is whole."""
    started = process("survey", str(room), "-o", "s", "--files", "result", cwd=tmp_path)
    assert started.stdout is not None
    assert started.stderr is not None
    started.stdout.close()
    err = started.stderr.read()
    started.stderr.close()
    started.wait(timeout=60)
    assert started.returncode in (0, 141)
    assert err == b""
    assert files_in(tmp_path / "s") == {"result.json"}


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device")
@pytest.mark.parametrize("more", [[], ["--json"]])
def test_a_full_disk_behind_standard_output(tmp_path: Path, room: Path, more: list[str]) -> None:
    """``pourdatum ... > file``: told in one line with 5, not 1, which would be an answer."""
    with Path("/dev/full").open("wb") as full:
        ended = subprocess.run(
            [sys.executable, "-m", "pourdatum", "survey", str(room), "-o", "s", *more],
            stdout=full, stderr=subprocess.PIPE, cwd=tmp_path, check=False, timeout=60,
            env={**os.environ, "PYTHONPATH": str(SOURCE)},
        )  # fmt: skip
    assert ended.returncode == 5
    *_, last = ended.stderr.decode().splitlines()
    assert last.startswith("pourdatum: standard output cannot be written (No space left")
    assert b"Traceback" not in ended.stderr
    assert b"Exception" not in ended.stderr


def test_an_old_terminal(tmp_path: Path, room: Path) -> None:
    """Where only ASCII can be shown, the same figures come in ASCII."""
    ascii_only = {"PYTHONIOENCODING": "ascii", "TERM": "dumb"}
    started = process("survey", str(room), "--files", "result", cwd=tmp_path, env=ascii_only)
    out, err = started.communicate(timeout=60)
    assert (started.returncode, err) == (0, b"")
    assert b" m2" in out
    assert b"?" not in out


def test_the_default_job_is_a_value() -> None:
    """Two default jobs are equal: nothing hidden makes one run differ from another."""
    assert Job() == Job()


def test_help_lists_every_kind_of_file(command: Command) -> None:
    """What --files knows stands in the help, so that nobody has to guess."""
    from pourdatum.filelist import choose_files

    shown = " ".join(command("plan", "--help").out.split())
    for kind in choose_files("all", "plan"):
        assert re.search(rf"\b{kind}\b", shown.split("--files")[1]), kind
