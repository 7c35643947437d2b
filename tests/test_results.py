"""``result.json``, its published schema, and the folder that is whole or not there."""

from __future__ import annotations

import errno
import json
import math
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest

from finished import ORIGIN_M, make_check, make_plan, make_survey
from pourdatum.cli.lines import result_lines
from pourdatum.errors import JobError, OutputError
from pourdatum.finding import Flatness, WorstAt
from pourdatum.geometry import Plane
from pourdatum.outcome import Plan, Survey, Warned
from pourdatum.pipeline.proofwords import told_of_both
from pourdatum.report.page import plan_page
from pourdatum.results import (
    MODELS,
    as_data,
    check_result,
    plan_result,
    result_schema,
    survey_result,
)
from pourdatum.write import folder as folder_module
from pourdatum.write.folder import OUR_FILES, result_folder, writing
from pourdatum.write.result_json import json_text, write_json
from pourdatum.write.tables import write_table

# The keys that interface.md promises, by part.
PROMISED = {
    "": "schema version inputs assumptions warnings floor datum fill grind material pour pins",
    "inputs": "file sha256 points format units up",
    "floor": "area_m2 measured_m2 inferred_m2 cell_mm high_z_m low_z_m mean_z_m range_mm "
    "slope_mm_per_m slope_bearing_deg noise_mm level_uncertainty_mm_per_m openings",
    "floor.openings": "place area_m2 depth_mm",
    "datum": "kind z_m z_interval_m",
    "fill": "volume_l volume_interval_l area_m2 mean_depth_mm min_depth_mm max_depth_mm "
    "short_m2 deep_m2",
    "grind": "volume_l area_m2 humps curve",
    "grind.humps": "place area_m2 height_mm grind_l saves_l worth",
    "material": "name powder_kg bags bags_interval bags_to_buy water_l water_per_bag_l primer_l "
    "cost mass_kg_per_m2",
    "pour": "batches mixers edge_age_min bays",
}
PROMISED_OF_A_PROOF = {
    "": "schema version inputs assumptions warnings floor registration placed flatness level",
    "registration": "method residual_mm vertical_uncertainty_mm",
    "placed": "volume_l volume_interval_l mean_thickness_mm min_thickness_mm max_thickness_mm",
    "flatness": "criterion source limit value uncertainty share_within verdict worst",
    "flatness.worst": "place bearing_deg value",
    "level": "slope_mm_per_m range_mm uncertainty_mm",
}


@pytest.fixture(scope="module")
def plan() -> Plan:
    """A finished plan."""
    return make_plan()


@pytest.fixture(scope="module")
def survey() -> Survey:
    """A finished survey."""
    return make_survey()


def at(data: Any, path: str) -> Any:
    """The part of a result at a dotted path; of a list, its first entry."""
    for word in filter(None, path.split(".")):
        data = data[word]
        data = data[0] if isinstance(data, list) else data
    return data


@pytest.mark.parametrize("part", PROMISED)
def test_every_promised_key_is_there(plan: Plan, part: str) -> None:
    """Each key of the contract stands in a plan, null or filled, never missing."""
    assert set(PROMISED[part].split()) <= set(at(as_data(plan_result(plan)), part))


def test_a_survey_has_flatness(survey: Survey) -> None:
    """A survey carries the floor and the flatness asked for, and nothing of a pour."""
    data = as_data(survey_result(survey))
    assert data["flatness"] == []
    gap = Flatness(
        "3mm/2m", "", "as asked", True, 0.003, 0.0021, 0.0004, 0.999, "conforms",
        WorstAt((2.0, 3.0), math.pi / 4, 0.0021), "rests",
    )  # fmt: skip
    level = Flatness("E1155:FF35/FL25", "FL", "from memory", False, 25.0, said="no vertical")
    data = as_data(survey_result(replace(survey, flatness=(gap, level))))
    assert data["flatness"][0] == {
        "criterion": "3mm/2m", "part": "", "source": "as asked", "unit": "mm", "limit": 3.0,
        "value": 2.1, "uncertainty": 0.4, "share_within": 0.999, "verdict": "conforms",
        "worst": {
            "place": [2.0 + ORIGIN_M[0], 3.0 + ORIGIN_M[1]], "bearing_deg": 45.0, "value": 2.1,
        },
        "note": "rests", "readings": None, "at_least": False, "interval": None,
        "unjudged_m2": None, "unjudged_share": None, "lines": [],
    }  # fmt: skip
    second = data["flatness"][1]
    assert (second["unit"], second["limit"], second["value"]) == ("F-number", 25.0, None)
    assert (second["verdict"], second["worst"]) == ("undecided", None)
    assert "guarded" in data["decision_rule"]
    assert data["schema"] == "pourdatum.survey/1"
    open_ended = replace(level, value=90.0, interval=(78.0, math.inf))
    data = as_data(survey_result(replace(survey, flatness=(open_ended,))))
    assert data["flatness"][0]["interval"] == [78.0, None]
    assert "fill" not in data


@pytest.mark.parametrize("command", sorted(MODELS))
def test_results_meet_the_published_schema(command: str, plan: Plan, survey: Survey) -> None:
    """A written result, parsed by a strict reader, is valid under the schema we publish."""
    jsonschema = pytest.importorskip("jsonschema")
    schema = result_schema(command)
    jsonschema.Draft202012Validator.check_schema(schema)
    result = {
        "plan": lambda: plan_result(plan),
        "survey": lambda: survey_result(survey),
        "verify": lambda: check_result(make_check(survey)),
    }[command]()

    def refuse(constant: str) -> NoReturn:
        pytest.fail(f"{constant} in JSON")

    data = json.loads(json_text(as_data(result)), parse_constant=refuse)
    jsonschema.validate(data, schema)
    data["floor"]["area"] = 1.0
    with pytest.raises(jsonschema.ValidationError, match="area"):
        jsonschema.validate(data, schema)


def test_a_proof_has_what_is_promised(survey: Survey) -> None:
    """Each key of the contract, null or filled; the shift brings AFTER's own places to BEFORE's."""
    data = as_data(check_result(make_check(survey)))
    for part, keys in PROMISED_OF_A_PROOF.items():
        assert set(keys.split()) <= set(at(data, part)), part
    # (20, 30, 1) is AFTER's origin: local zero, which lies at (3, 2, 0.25) from BEFORE's.
    tie = data["registration"]
    own = np.array([20.0, 30.0, 1.0])
    back = tie["to_m"] + np.array(tie["rotation"]) @ (own - tie["from_m"])
    assert back == pytest.approx([103.0, 252.0, 12.25], abs=1e-4)
    assert tie["turn_deg"] == pytest.approx(90.0)
    assert data["placed"]["thinnest"]["place"] == [101.0, 255.2]
    assert data["level"]["departure"]["wanted_z_m"] == pytest.approx(12.004)
    open_ = make_check(survey)
    open_ = replace(open_, found=replace(open_.found, placed=None, lacks="nothing is fixed"))
    none = as_data(check_result(open_))["placed"]
    assert none.pop("why_not") == "nothing is fixed"
    assert set(none.values()) == {None}


def test_no_schema_for_other_words() -> None:
    """A command that writes no result has no schema, and the answer lists those that have."""
    with pytest.raises(JobError, match=r"no schema for 'materials'.*survey, plan"):
        result_schema("materials")


def test_places_and_levels_are_the_scans_own(plan: Plan) -> None:
    """Local places and levels come out with the origin added back."""
    data = as_data(plan_result(plan))
    x_m, y_m = plan.humps[0].place_m
    assert data["grind"]["humps"][0]["place"] == [x_m + ORIGIN_M[0], y_m + ORIGIN_M[1]]
    assert data["datum"]["z_m"] == pytest.approx(plan.datum.plane.z0_m + ORIGIN_M[2], abs=1e-6)
    low, high = data["datum"]["z_interval_m"]
    assert (low + high) / 2 == pytest.approx(data["datum"]["z_m"], abs=1e-6)
    opening = data["floor"]["openings"][0]
    assert opening["place"] == [2.6 + ORIGIN_M[0], 1.9 + ORIGIN_M[1]]
    assert opening["depth_mm"] == 40.0


def test_litres_metres_and_kilograms_agree(plan: Plan) -> None:
    """Volume is area times mean depth, and the powder is its litres times the sheet's 1.7."""
    data = as_data(plan_result(plan))
    fill = data["fill"]
    assert fill["volume_l"] == pytest.approx(fill["area_m2"] * fill["mean_depth_mm"], rel=1e-4)
    assert data["material"]["powder_kg"] == pytest.approx(1.7 * fill["volume_l"], rel=1e-5)


def test_a_sloping_datum_has_its_level_where_it_says(plan: Plan) -> None:
    """For a datum that falls, z_m holds at ``place``, and the interval is about it."""
    plane = Plane(0.010, 0.002, -0.001)
    datum = type(plan.datum)(
        **{
            **vars(plan.datum), "kind": "fall", "plane": plane,
            "interval_m": (0.009, 0.011), "high_place_m": (2.0, 4.0),
        }
    )  # fmt: skip
    data = as_data(plan_result(replace(plan, datum=datum)))["datum"]
    # 10 mm + 2 m x 2 mm/m - 4 m x 1 mm/m = 10 mm over the origin.
    assert data["z_m"] == pytest.approx(ORIGIN_M[2] + 0.010)
    assert data["z_interval_m"] == pytest.approx([ORIGIN_M[2] + 0.009, ORIGIN_M[2] + 0.011])
    assert data["slope_mm_per_m"] == pytest.approx(5**0.5, abs=1e-3)
    # Downhill is towards -x and +y: north-west by arctan(2).
    assert data["slope_bearing_deg"] == pytest.approx(360 - 63.43, abs=0.01)


def test_open_questions_are_null(plan: Plan) -> None:
    """Grinding that was asked for and is not decided has no volume; none planned has zero."""
    assert as_data(plan_result(plan))["grind"]["volume_l"] == 0.0
    assert (
        as_data(plan_result(replace(plan, grind_lacks=("no price",))))["grind"]["volume_l"] is None
    )


def test_json_never_holds_what_is_no_number(tmp_path: Path) -> None:
    """A NaN is a fault of ours: it stops the writing instead of standing in a file."""
    with pytest.raises(ValueError, match="JSON"):
        write_json({"x": float("nan")}, tmp_path / "x.json")
    assert not (tmp_path / "x.json").exists()


def test_foreign_text_comes_back_as_it_was() -> None:
    """Titles and names with quotes, markup and other scripts survive the way through JSON."""
    text = 'a "b" <script> \\ \u0416\u4e2d\U0001f600 \u2028'
    assert json.loads(json_text({"title": text, "list": [text]})) == {"title": text, "list": [text]}


def test_two_writings_are_the_same_bytes(plan: Plan) -> None:
    """The same result gives the same bytes: no clock, no machine, no order by chance."""
    assert json_text(as_data(plan_result(plan))) == json_text(as_data(plan_result(plan)))


def test_table_cells_do_not_run(tmp_path: Path) -> None:
    """Text that a spreadsheet would run is quoted, numbers keep sign and point."""
    write_table(tmp_path / "t.csv", ["a", "b"], [["=1+1", -1.5], ["x,y", None]])
    assert (tmp_path / "t.csv").read_bytes() == b'a,b\r\n\'=1+1,-1.5\r\n"x,y",\r\n'


# The folder.


def fill(work: Path, text: str = "new") -> None:
    """Two files, as a command would write them."""
    write_json({"schema": "pourdatum.plan/1", "text": text}, work / "result.json")
    (work / "report.html").write_text(text)


def write_and_raise(target: Path, error: BaseException, *, overwrite: bool = False) -> None:
    """A run that writes its files and then fails."""
    with result_folder(target, overwrite=overwrite) as work:
        fill(work)
        raise error


def refusal(target: str | Path, *, overwrite: bool = False) -> str:
    """What is said where a run must not even start."""
    with (
        pytest.raises(OutputError) as refused,
        result_folder(target, overwrite=overwrite),
    ):
        pytest.fail("must not start")
    assert refused.value.exit_status == 5
    return str(refused.value)


def listing(parent: Path) -> list[str]:
    """Everything in a folder, hidden files too."""
    return sorted(item.name for item in parent.iterdir())


def text_in(target: Path) -> str:
    """Which of two results stands at a place."""
    return str(json.loads((target / "result.json").read_text())["text"])


def test_a_folder_appears_whole(tmp_path: Path) -> None:
    """Until the block ends nothing stands under the name; then everything does."""
    target = tmp_path / "plan"
    with result_folder(target) as work:
        fill(work)
        assert not target.exists()
    assert listing(target) == ["report.html", "result.json"]
    assert listing(tmp_path) == ["plan"]


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, MemoryError])
def test_an_error_leaves_nothing(tmp_path: Path, error: type[BaseException]) -> None:
    """Whatever ends the work, no folder and no hidden remains are left."""
    with pytest.raises(error):
        write_and_raise(tmp_path / "plan", error())
    assert listing(tmp_path) == []


def test_an_existing_folder_is_not_touched(tmp_path: Path) -> None:
    """Without ``overwrite`` an existing folder is an error that names the way out."""
    target = tmp_path / "plan"
    with result_folder(target) as work:
        fill(work, "old")
    with pytest.raises(OutputError, match=r"exists; .*--overwrite"), result_folder(target) as work:
        pytest.fail("must not start")
    assert text_in(target) == "old"


@pytest.mark.parametrize("exchange", [True, False])
def test_overwrite_replaces_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exchange: bool
) -> None:
    """The old result goes as a whole, by exchange of names or, without it, by two renames."""
    if not exchange:
        monkeypatch.setattr(folder_module, "_exchanged", lambda a, b: False)
    target = tmp_path / "plan"
    with result_folder(target) as work:
        fill(work, "old")
        (work / "depth.png").write_bytes(b"x")
    with result_folder(target, overwrite=True) as work:
        fill(work)
        assert text_in(target) == "old"
    assert listing(target) == ["report.html", "result.json"]
    assert text_in(target) == "new"
    assert listing(tmp_path) == ["plan"]


def test_an_error_while_overwriting_keeps_the_old(tmp_path: Path) -> None:
    """A run that fails over an old result leaves the old result."""
    target = tmp_path / "plan"
    with result_folder(target) as work:
        fill(work, "old")
    with pytest.raises(ValueError, match="boom"):
        write_and_raise(target, ValueError("boom"), overwrite=True)
    assert text_in(target) == "old"
    assert listing(tmp_path) == ["plan"]


@pytest.mark.parametrize("step", [1, 2])
def test_a_rename_that_fails_keeps_the_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    """Without exchange, whichever of the two renames fails, the old result has its name."""
    target = tmp_path / "plan"
    with result_folder(target) as work:
        fill(work, "old")
    monkeypatch.setattr(folder_module, "_exchanged", lambda a, b: False)
    calls = []
    honest = Path.rename

    def failing(self: Path, other: Path) -> Path:
        calls.append(other)
        if len(calls) == step:
            raise OSError(errno.ENOSPC, "No space left on device")
        return honest(self, other)

    monkeypatch.setattr(Path, "rename", failing)
    with (
        pytest.raises(OutputError, match="No space"),
        result_folder(target, overwrite=True) as work,
    ):
        fill(work)
    assert text_in(target) == "old"
    assert listing(tmp_path) == ["plan"]


@pytest.mark.parametrize("name", ["fsync", "mkdir"])
def test_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A disk that is full at the first or the last step is exit 5, and leaves nothing."""

    def full(*words: Any, **more: Any) -> NoReturn:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(*((os, "fsync") if name == "fsync" else (Path, "mkdir")), full)
    with pytest.raises(OutputError) as refused, result_folder(tmp_path / "plan"):
        pytest.fail("must not start")
    assert refused.value.exit_status == 5
    assert refused.value.id == "disk-full"
    assert "make room on that disk" in str(refused.value)
    assert listing(tmp_path) == []


def test_writers_errors_are_about_the_output() -> None:
    """What the system says while a file is written names the folder, not the program."""
    with (
        pytest.raises(OutputError, match=r"^out: output cannot be written \(Read-only"),
        writing("out"),
    ):
        raise OSError(errno.EROFS, "Read-only file system")


def test_what_is_no_folder_to_be(tmp_path: Path) -> None:
    """A file, a link, a missing parent and no name are each told apart, before any work."""
    (tmp_path / "file").write_text("x")
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    cases = {
        "file": "is a file", "link": "is a link", "none/plan": "none does not exist",
        "file/plan": "file is a file, and no folder", " ": "no output folder is named",
    }  # fmt: skip
    for name, said in cases.items():
        target = " " if name == " " else tmp_path / name
        assert said in refusal(target, overwrite=True)
    assert listing(tmp_path / "real") == []


def test_a_read_only_parent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A parent without the right to write is told before any work."""

    def forbidden(*words: Any, **more: Any) -> NoReturn:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", forbidden)
    told = refusal(tmp_path / "plan")
    assert "(Permission denied); check the folder's rights, or give another --out" in told


@pytest.mark.parametrize(
    "make",
    [
        lambda path: (path / "thesis.doc").write_text("x"),
        lambda path: (
            (path / "result.json").write_text('{"schema": "other"}')
            and (path / "notes.txt").write_text("x")
        ),
        lambda path: (path / "result.json").write_text('{"score": 3}'),
        lambda path: (fill(path), (path / "photos").mkdir()),
        lambda path: (fill(path), (path / "notes-from-site.docx").write_text("x")),
    ],
    ids=[
        "someone's files",
        "another's result",
        "another's result alone",
        "a folder within",
        "someone's notes within",
    ],
)
def test_only_result_folders_are_replaced(tmp_path: Path, make: Any) -> None:
    """``--overwrite`` on somebody's documents is refused and removes nothing."""
    target = tmp_path / "home"
    target.mkdir()
    make(target)
    before = listing(target)
    assert "not a result folder" in refusal(target, overwrite=True)
    assert listing(target) == before


def test_what_a_file_manager_leaves_is_no_obstacle(tmp_path: Path) -> None:
    """Who has looked at a result folder can still have it replaced."""
    target = tmp_path / "plan"
    target.mkdir()
    fill(target)
    (target / ".DS_Store").write_bytes(b"\0")
    with result_folder(target, overwrite=True) as work:
        fill(work)
    assert ".DS_Store" not in {item.name for item in target.iterdir()}


def test_the_current_folder_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder one stands in keeps its place, though it be a result folder."""
    fill(tmp_path)
    monkeypatch.chdir(tmp_path)
    assert "the current folder" in refusal(".", overwrite=True)


def test_a_long_name_is_no_obstacle(tmp_path: Path) -> None:
    """A name of 255 bytes, the most a file system takes, works; one more is exit 5."""
    with result_folder(tmp_path / ("x" * 255)) as work:
        fill(work)
    with (
        pytest.raises(OutputError, match="too long"),
        result_folder(tmp_path / ("x" * 256)) as work,
    ):
        fill(work)
    assert listing(tmp_path) == ["x" * 255]


KILLED = """
import os, signal, sys
from pourdatum.write import folder
real = os.fsync
def kill(*words):
    os.kill(os.getpid(), signal.SIGKILL)
with folder.result_folder(sys.argv[1], overwrite=True) as work:
    (work / "result.json").write_text('{"schema": "pourdatum.plan/1", "text": "new"}')
    where = sys.argv[2]
    if where == "writing":
        kill()
    if where == "flushing":
        os.fsync = kill
    if where == "between":
        folder._exchanged = lambda a, b: False
        rename = folder._rename
        def once(a, b):
            rename(a, b)
            kill()
        folder._rename = once
    if where == "after":
        put = folder._put_in_place
        def then(a, b):
            put(a, b)
            kill()
        folder._put_in_place = then
"""


@pytest.mark.skipif(os.name == "nt", reason="ends a process by signal")
@pytest.mark.parametrize(
    ("where", "found"),
    [("writing", "old"), ("flushing", "old"), ("between", None), ("after", "new")],
)
def test_killed_at_any_moment(tmp_path: Path, where: str, found: str | None) -> None:
    """After a kill the result is whole and old, or whole and new; the next run clears up.

    Between the two renames of a system without exchange the name is free for a moment;
    the next run gives it back to the old result.
    """
    target = tmp_path / "plan"
    with result_folder(target) as work:
        fill(work, "old")
    source = str(Path(folder_module.__file__).parents[2])
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(target), where],
        check=False,
        env={**os.environ, "PYTHONPATH": source},
    )
    assert done.returncode == -signal.SIGKILL
    if found is None:
        assert not target.exists()
        with pytest.raises(OutputError, match="exists"), result_folder(target):
            pytest.fail("must not start")
        found = "old"
    assert text_in(target) == found
    for left in tmp_path.glob(".pourdatum-*"):
        long_ago = time.time() - 2 * folder_module.STALE_AFTER_S
        os.utime(left, (long_ago, long_ago))
    with result_folder(target, overwrite=True) as work:
        fill(work, "newest")
    assert text_in(target) == "newest"
    assert listing(tmp_path) == ["plan"]


def two_runs_at_once(target: Path) -> None:
    """A run during which another, to the same name, begins and ends."""
    with result_folder(target) as first:
        long_ago = time.time() - 2 * folder_module.STALE_AFTER_S
        os.utime(first, (long_ago, long_ago))
        with result_folder(target) as second:
            fill(second, "second")
        fill(first, "first")


def test_a_running_neighbour_is_left_alone(tmp_path: Path) -> None:
    """A second run neither removes the first's work, however old, nor is it overrun by it."""
    with pytest.raises(OutputError, match="exists"):
        two_runs_at_once(tmp_path / "plan")
    assert text_in(tmp_path / "plan") == "second"
    assert listing(tmp_path) == ["plan"]


def test_names_of_files_differ_without_case() -> None:
    """No two files of a result folder are one on a file system that ignores case."""
    assert len({name.casefold() for name in OUR_FILES}) == len(OUR_FILES)


def test_warnings_keep_code_and_text() -> None:
    """A warning reaches the file word for word."""
    data = as_data(survey_result(make_survey(warnings=(Warned("thin", "too <thin>"),))))
    assert data["warnings"] == [{"code": "thin", "text": "too <thin>"}]


def test_what_is_assumed_of_each_scan_is_told_by_its_name() -> None:
    """Two files that are silent about their units: what BEFORE was taken as moves the litres."""
    survey = make_survey()
    after = replace(survey.scan, assumptions=("no unit: millimetres are taken",))
    before = replace(survey.scan, assumptions=("no unit: metres are taken",))
    told = told_of_both(
        replace(survey, scan=after, assumptions=(*after.assumptions, "sensor: tripod")), before
    )
    both = ("BEFORE: no unit: metres are taken", "AFTER: no unit: millimetres are taken")
    assert told.scan.assumptions == both
    assert told.assumptions == (*both, "sensor: tripod")


def test_what_the_planned_level_takes_is_told_beside_the_fill() -> None:
    """In `result.json`, in the printed lines and on the page: ± 12 l of a fill known to ± 30.

    Where it is known little better than what the floor needs, nobody is told twice.
    """
    plan = make_plan()
    middle, said = plan.volume.volume_m3, "± 12.0 l if poured to this very level"
    wide = replace(plan, volume_interval_m3=(middle - 0.03, middle + 0.03))
    known = replace(wide, level_interval_m3=(middle - 0.012, middle + 0.012))
    low_l, high_l = as_data(plan_result(known))["fill"]["level_interval_l"]
    assert (high_l - low_l) == pytest.approx(24.0, abs=0.002)
    assert as_data(plan_result(wide))["fill"]["level_interval_l"] is None
    little = replace(wide, level_interval_m3=(middle - 0.029, middle + 0.029))
    for one, told in ((known, True), (wide, False), (little, False)):
        lines = "\n".join(result_lines(one, "x", ["result"]))
        page = str(plan_page(one, b""))
        assert (said in lines, said in page) == (told, told)
        assert ("if poured to this very level" in lines) == told
