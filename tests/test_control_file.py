"""Control shots from their file to the result: manners of booking, places, units, refusals."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from made_scan import surface_of, walled
from pourdatum.cli.lines import result_lines
from pourdatum.errors import JobError
from pourdatum.job import Job, read_job
from pourdatum.levelbook import BookRow, reduce_book, reduce_readings
from pourdatum.outcome import Survey
from pourdatum.pipeline import result_data, survey_scan
from pourdatum.pipeline.controlled import with_control
from pourdatum.read.control_file import ControlFile, check_control, read_control
from pourdatum.report.page import survey_page
from pourdatum.simulate import Relief, Scene
from pourdatum.write.scan_files import write_scan
from scenes import rectangle, shot_of

TILT = math.radians(0.2)
SITE = (40.0, 60.0, 101.2)
PLACES = ((0.6, 0.5), (4.5, 0.6), (4.4, 3.4), (0.5, 3.5), (2.4, 0.5), (2.6, 3.4))
RELIEF = Relief(slope_x=0.001, slope_y=-0.0005)


def read(tmp_path: Path, text: str, **units: Any) -> ControlFile:
    """Shots of a file with this text, metres unless told."""
    path = tmp_path / "control.csv"
    path.write_text(text, "utf-8")
    return read_control(str(path), **({"unit_m": 1.0} | units))


# Levels.


def test_levels_with_places(tmp_path: Path) -> None:
    """name,x,y,z in the scan's unit; an error of one row; decimal commas and a mark at the head."""
    found = read(tmp_path, "name,x,y,z,error_mm\nA,1.5,2,10.125,\nB,3,4,10.25,0.8\n")
    first, second = found.rows
    assert (first.name, first.place_m, first.level_m, first.error_m) == (
        "A", (1.5, 2.0), 10.125, None,
    )  # fmt: skip
    assert second.error_m == pytest.approx(0.0008)
    assert (first.setup, first.kind) == (None, "xy")
    assert found.has_level
    assert not found.from_readings
    comma = read(tmp_path, "\ufeffname;x;y;z\nA;1,5;2;10,125\nB;3;4;10,25\n")
    assert [row.level_m for row in comma.rows] == [10.125, 10.25]


def test_units_of_the_scan_and_of_the_header(tmp_path: Path) -> None:
    """Columns without a unit are in the scan's, those with one are in theirs; both feet differ."""
    feet, survey_feet = 0.3048, 1200 / 3937
    found = read(tmp_path, "name,easting,northing,level_m\nA,100,200,3.5\n", unit_m=survey_feet)
    assert found.rows[0].place_m == pytest.approx((100 * survey_feet, 200 * survey_feet))
    assert found.rows[0].level_m == 3.5
    assert found.rows[0].kind == "map"
    mixed = read(tmp_path, "name,x,y,z [ft]\nA,1000,2000,10\n", unit_m=0.001, height_unit_m=1.0)
    assert mixed.rows[0].place_m == pytest.approx((1.0, 2.0))
    assert mixed.rows[0].level_m == pytest.approx(10 * feet)


# Staff readings.


def test_readings_hang_on_the_benchmark(tmp_path: Path) -> None:
    """Level is the benchmark's level plus its reading minus the reading: by hand."""
    text = "name,x,y,level,staff\nBM,,,101.200,1.500\nA,1,1,,1.512\nB,4,1,,1.498\nC,4,3,,1.505\n"
    found = read(tmp_path, text)
    assert [row.name for row in found.rows] == ["A", "B", "C"]
    assert [row.level_m for row in found.rows] == pytest.approx([101.188, 101.202, 101.195])
    assert [row.setup for row in found.rows] == [0, 0, 0]
    assert found.has_level
    assert found.from_readings


def test_readings_without_a_benchmark_know_no_level(tmp_path: Path) -> None:
    """Three readings: differences of level are right, the level itself is nobody's."""
    found = read(tmp_path, "name,x,y,staff_mm\nA,1,1,1512\nB,4,1,1498\nC,4,3,1505\n")
    a, b, c = (row.level_m for row in found.rows)
    assert (b - a, c - a) == pytest.approx((0.014, 0.007))
    assert not found.has_level


def test_a_level_book_over_two_set_ups_closes(tmp_path: Path) -> None:
    """A book by height of collimation, closed on a second benchmark with 2 mm.

    Worked by hand: line of sight 11.5, change point 10.3, line 11.2; the book gives 9.902 for
    a benchmark of 9.900, so that 1 mm goes off each set-up.
    """
    text = (
        "name,x,y,level,backsight,intermediate,foresight\n"
        "BM1,,,10.000,1.500,,\n"
        "A,1,1,,,1.600,\n"
        "CP,,,,0.900,,1.200\n"
        "B,4,1,,,1.250,\n"
        "C,4,3,,,1.300,\n"
        "BM2,,,9.900,,,1.298\n"
    )
    found = read(tmp_path, text)
    assert [row.level_m for row in found.rows] == pytest.approx([9.899, 9.948, 9.898])
    assert [row.setup for row in found.rows] == [0, 1, 1]
    assert found.notes == (
        "control: the level book closes on BM2 to +2.0 mm, shared out over the set-ups",
    )


def test_a_book_that_does_not_close_is_refused() -> None:
    """9 mm over one set-up is over the 5 mm allowed."""
    rows = [
        BookRow(2, "BM1", level_m=10.0, back_m=1.5),
        BookRow(3, "A", between_m=1.6),
        BookRow(4, "BM2", level_m=9.9, fore_m=1.591),
    ]
    with pytest.raises(JobError, match=r"closes on BM2 with \+9.0 mm, over the 5.0 mm allowed"):
        reduce_book(rows, "book.csv")


def test_a_set_up_has_one_line_of_sight() -> None:
    """Equal readings of one set-up have equal levels, a benchmark between them or not.

    By hand: line of sight 11.5; a benchmark of 9.900 read as 1.604 puts it at 11.504.
    """
    rows = [
        BookRow(2, "BM1", level_m=10.0, back_m=1.5),
        BookRow(3, "A", between_m=1.6),
        BookRow(4, "BM2", level_m=9.9, between_m=1.604),
        BookRow(5, "B", between_m=1.6),
        BookRow(6, "CP", fore_m=1.2, back_m=0.9),
        BookRow(7, "C", between_m=1.3),
    ]
    found = reduce_book(rows, "book.csv").level_m
    assert found == pytest.approx([10.0, 9.904, 9.9, 9.904, 10.304, 9.904])


def test_several_known_points_of_one_set_up() -> None:
    """By hand: +2 mm and -2 mm leave the line at 11.5; a level without a reading closes nothing;
    9.9 read with +3 mm and -3 mm from one set-up disagree by 6 mm.
    """
    start = [BookRow(2, "BM", level_m=10.0, back_m=1.5), BookRow(3, "A", between_m=1.6)]
    two = [BookRow(4, "B2", 9.9, between_m=1.598), BookRow(5, "B3", 9.8, fore_m=1.702)]
    reduced = reduce_book([*start, *two], "book.csv")
    assert reduced.level_m == pytest.approx([10.0, 9.9, 9.9, 9.8])
    assert [note[-7:] for note in reduced.notes] == ["+2.0 mm", "-2.0 mm"]
    listed = [BookRow(4, "B2", 9.5), BookRow(5, "B", fore_m=1.7)]
    assert reduce_book([*start, *listed], "book.csv").level_m == pytest.approx(
        [10.0, 9.9, 9.5, 9.8]
    )
    apart = [BookRow(4, "B2", 9.9, between_m=1.597), BookRow(5, "B3", 9.9, fore_m=1.603)]
    with pytest.raises(JobError, match=r"disagree by 6.0 mm \(B2 \+3.0 mm, B3 -3.0 mm\)"):
        reduce_book([*start, *apart], "book.csv")


def test_two_benchmarks_of_one_set_up_must_agree() -> None:
    """12 mm between two lines of sight is a wrong level or reading, named with both."""
    rows = [
        BookRow(2, "BM1", level_m=10.0, staff_m=1.5),
        BookRow(3, "BM2", level_m=11.0, staff_m=0.512),
        BookRow(4, "A", staff_m=1.4),
    ]
    with pytest.raises(JobError, match=r"benchmarks disagree by 12.0 mm .*BM1 11.5000 m, BM2"):
        reduce_readings(rows, "control.csv")


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([BookRow(2, "A", between_m=1.0)], "line 2: A is read before any backsight"),
        (
            [
                BookRow(2, "BM", level_m=1.0, back_m=1.0),
                BookRow(3, "A", between_m=1.0),
                BookRow(4, "X", back_m=1.0),
            ],
            "line 4: the backsight on X hangs on no known level",
        ),
    ],
)
def test_a_book_that_hangs_on_nothing(rows: list[BookRow], said: str) -> None:
    """A sight without a line of sight, and a set-up that nothing ties, are named by line."""
    with pytest.raises(JobError, match=said):
        reduce_book(rows, "book.csv")


BAD = [
    ("", "control file is empty; write one row for each shot"),
    ("A,1,2,3\nB,2,3,4\n", "no line that names its columns; begin it with their names"),
    ("name,x,y\nA,1,2\n", "no column of levels or readings .it has name, x, y."),
    ("name,x,z\nA,1,2\n", "a column x and none for y"),
    ("name,z\nA,1\n", "no columns of places"),
    ("name,x,y,z\nA,1,2,3\nB,1,,3\n", "line 3: y is missing"),
    ("name,x,y,z\nA,1,2,\n", "line 2: A has a place and no level or reading"),
    ("name,x,y,z\nA,1,2,1O.5\n", "line 2, column 'z': '1O.5' is no number"),
    ("name,x,y,z\nA,1,2,nan\n", "line 2, column 'z': 'nan' is no number"),
    ("name,x,y,z\nBM,,,3\n", "no control shot: no row has a place"),
    ("name,x,y,z,error\nA,1,2,3,0.5\n", "errors states no unit; name it error_mm"),
    ("name,x,y,z,error_mm\nA,1,2,3,500\n", "an error of 500 mm is out of range"),
    ("name,x,y,easting,northing,z\nA,1,2,3,4,5\n", "both x,y and easting,northing"),
    ("name,x,y,staff\nA,1,2,1500\nB,2,3,1510\n", "longest staff reading is 1510 m"),
    ("name,x,y,staff,bs\nA,1,2,1.5,\n", "both staff readings and backsights"),
    ("name,x,y,level,staff\nA,1,2,10.1,\nB,2,3,,1.5\n", "readings have no benchmark"),
    ("name,x,y,z\n" + "A,1,2,3\n" * 501, "has 501 rows, at most 500 control shots"),
]


@pytest.mark.parametrize(("text", "said"), BAD)
def test_what_a_file_lacks_is_said(tmp_path: Path, text: str, said: str) -> None:
    """Each fault on one line, with the file's name, as exit 2."""
    with pytest.raises(JobError, match=said) as refused:
        read(tmp_path, text)
    assert "control.csv" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_name_that_repeats_is_refused(tmp_path: Path) -> None:
    """Two shots of one name: both lines are named; a point read from two set-ups keeps its own."""
    text = "name,x,y,z\nA,1,1,0.1\nB,2,1,0.1\na,3,1,0.2"
    with pytest.raises(JobError, match=r"lines 2 and 4 both are shot a; give each shot a name"):
        read(tmp_path, text)
    rows = ["BM,,,10.0,1.5,1", "A,1,1,,1.6,1", "BM,,,10.0,1.2,2", "A,1,1,,1.3,2"]
    found = read(tmp_path, "\n".join(["name,x,y,level,staff,setup", *rows]))
    assert [row.level_m for row in found.rows] == pytest.approx([9.9, 9.9])
    book = ["BM,,,10,1.5,,", "A,1,1,,,1.6,", "A,1,1,,0.9,,1.2", "B,2,1,,,1.3,"]
    read(tmp_path, "\n".join(["name,x,y,level,backsight,intermediate,foresight", *book]))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """Said before the scan is read."""
    with pytest.raises(JobError, match=r"none.csv: control file is missing; check the path"):
        check_control(str(tmp_path / "none.csv"))


def test_job_keys_of_control(tmp_path: Path) -> None:
    """Corner and toward belong together; axes are plan or file."""
    path = tmp_path / "job.toml"
    path.write_text("[control]\ncorner = [1, 2]\ntoward = [3, 2]\nerror_mm = 0.3\n")
    assert read_job(path).control.corner == (1.0, 2.0)
    path.write_text("[control]\ncorner = [1, 2]\n")
    with pytest.raises(JobError, match="needs both corner and toward"):
        read_job(path)
    path.write_text('[control]\naxes = "scan"\n')
    with pytest.raises(JobError, match="axes"):
        read_job(path)


# From files to results: a floor of 5 by 4 m, scanned 0.2 degrees off the vertical.


@pytest.fixture(scope="module")
def room() -> tuple[Scene, Any]:
    """A plane floor and its leaning scan, in site coordinates."""
    scene = rectangle(relief=RELIEF, site_m=SITE, ceiling_m=2.6)
    return scene, shot_of(scene, seed=9, points=50_000, tilt_rad=TILT, tilt_bearing_rad=1.0)


@pytest.fixture(scope="module")
def scanned(room: tuple[Scene, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The scan as LAS, metres, z up."""
    shot = room[1]
    return write_scan(tmp_path_factory.mktemp("scan") / "room.las", shot.points_m, shot.station)


def level_at(x: float, y: float) -> float:
    """True level in the site's vertical [m]."""
    return SITE[2] + 0.001 * x - 0.0005 * y


def survey_of(
    scan: Path, tmp_path: Path, text: str, *, up: str | None = None, **control: Any
) -> Survey:
    """A survey with control shots of this text; ``control`` as in the job."""
    path = tmp_path / "control.csv"
    path.write_text(text)
    wish: Any = {"scan": {"control": str(path), "up": up}, "control": control}
    return survey_scan([scan], Job(**wish))


def assert_levelled(survey: Survey, level_m: float | None = SITE[2]) -> None:
    """The floor falls as it truly does, to 0.1 mm per m, and lies at its level."""
    figures = survey.figures
    assert figures.bearing_rad is not None
    falls = figures.slope * np.array([math.sin(figures.bearing_rad), math.cos(figures.bearing_rad)])
    assert falls == pytest.approx([-0.001, 0.0005], abs=1e-4)
    if level_m is not None:
        middle = level_at(2.5, 2.0) - SITE[2] + level_m
        assert figures.mean_m + survey.origin_m[2] == pytest.approx(middle, abs=5e-4)


def test_coordinates_level_a_scan(scanned: Path, tmp_path: Path) -> None:
    """x,y,z in the scan's frame: slope and level as built; what was done stands in the result."""
    rows = [f"P{k},{x + 40},{y + 60},{level_at(x, y):.5f}" for k, (x, y) in enumerate(PLACES)]
    survey = survey_of(scanned, tmp_path, "\n".join(["name,x,y,z", *rows]))
    assert_levelled(survey)
    data = result_data(survey)
    control = data["floor"]["control"]
    assert [shot["name"] for shot in control["shots"]] == [f"P{k}" for k in range(6)]
    assert control["shots"][1]["place"] == pytest.approx([44.5, 60.6])
    assert control["shots"][1]["z_m"] == pytest.approx(level_at(4.5, 0.6), abs=1e-5)
    assert control["tilt_mm_per_m"] == pytest.approx(1e3 * math.tan(TILT), abs=0.1)
    assert control["tilt_bearing_deg"] == pytest.approx(math.degrees(1.0), abs=2.0)
    assert control["rms_mm"] < 0.4
    assert control["leave_one_out_rms_mm"] < 1.0
    # Across the floor six shots of 0.5 mm stand 1.45 m about their middle.
    across = 0.5 / (1.45 * math.sqrt(6))
    assert 0.8 * across < data["floor"]["level_uncertainty_mm_per_m"] / 2.448 < 1.3 * across
    assert not [w for w in data["warnings"] if "control" in w["code"]]


def test_levels_in_feet_under_a_head_in_metres(scanned: Path, tmp_path: Path) -> None:
    """332 where the scan has 101.2: asked about; under a head that says feet they are right."""
    feet = [f"P{k},{x + 40},{y + 60},{level_at(x, y) / 0.3048:.4f}"
            for k, (x, y) in enumerate(PLACES)]  # fmt: skip
    with pytest.raises(JobError, match=r"look like levels in feet, .* name .*level_ft"):
        survey_of(scanned, tmp_path, "\n".join(["name,x,y,z", *feet]))
    assert_levelled(survey_of(scanned, tmp_path, "\n".join(["name,x,y,z_ft", *feet])))


def test_readings_at_places_along_and_across(scanned: Path, tmp_path: Path) -> None:
    """From the corner at (5, 0), along the wall to (5, 4): 3.4 along and 0.6 across is (4.4, 3.4).

    The benchmark hangs 1 m over the scan's zero: levels come out in its vertical.
    """
    line_m = SITE[2] + 1.0 + 1.4
    rows = [f"BM,,,{SITE[2] + 1.0},1.4"]
    for number, (x, y) in enumerate(PLACES):
        rows.append(f"S{number},{y},{5 - x:.3f},,{line_m - 1.0 - level_at(x, y) - 0.0 + 0.5:.5f}")
    text = "\n".join(["name,along,across,level,staff", *rows])
    survey = survey_of(scanned, tmp_path, text, corner=(44.8, 60.2), toward=(45.0, 63.0))
    assert_levelled(survey, SITE[2] + 0.5)
    told = " ".join(survey.assumptions)
    assert "from the corner at (45.0" in told
    assert "+500." in told or "+499." in told
    with pytest.raises(JobError, match=r"does not say from which corner; give corner = \[x, y\]"):
        survey_of(scanned, tmp_path, text)


def test_readings_without_benchmark_only_level(scanned: Path, tmp_path: Path) -> None:
    """The tilt goes, the mean level stays where the leaning scan had it."""
    rows = [f"{x + 40},{y + 60},{1500 - 1e3 * (0.001 * x - 0.0005 * y):.2f}" for x, y in PLACES]
    survey = survey_of(scanned, tmp_path, "\n".join(["x,y,staff_mm", *rows]))
    assert_levelled(survey)
    assert any("no benchmark" in text for text in survey.assumptions)
    assert survey.surface.control is not None
    assert survey.surface.control.shots[0].name == "line 2"


@pytest.mark.parametrize("raw", [True, False], ids=["file axes", "plan"])
def test_a_scan_that_is_y_up(room: tuple[Scene, Any], tmp_path: Path, raw: bool) -> None:
    """Shots in the file's own axes and in plan coordinates are told apart, and said."""
    shot = room[1]
    x, y, z = (shot.points_m - np.array(SITE)).T
    scan = write_scan(tmp_path / "room.ply", np.column_stack([x, z, -y]), shot.station)
    rows = []
    for number, (a, b) in enumerate(PLACES):
        level = level_at(a, b) - SITE[2]
        rows.append(f"P{number},{a},{level:.5f},{-b}" if raw else f"P{number},{a},{b},{level:.5f}")
    survey = survey_of(scan, tmp_path, "\n".join(["name,x,y,z", *rows]), up="y")
    assert_levelled(survey, 0.0)
    said = "axes of the file, y up" if raw else "plan coordinates and level"
    assert any(said in text for text in survey.assumptions)


def test_exchanged_columns_are_noticed(scanned: Path, tmp_path: Path) -> None:
    """Northing under x: no shot lies on the floor, and the hint says why."""
    rows = [f"P{k},{y + 60},{x + 40},{level_at(x, y):.5f}" for k, (x, y) in enumerate(PLACES)]
    with pytest.raises(JobError, match=r"0 of 6 control shots.*with x and y exchanged all of them"):
        survey_of(scanned, tmp_path, "\n".join(["name,x,y,z", *rows]))


@pytest.mark.parametrize(("unit", "factor"), [("feet", 0.3048), ("millimetres", 0.001)])
def test_places_in_another_unit_are_asked_about(
    unit: str, factor: float, scanned: Path, tmp_path: Path
) -> None:
    """Places and levels of a room in metres, written in feet or mm: the unit is named."""
    rows = [
        f"P{k},{(x + 40) / factor:.3f},{(y + 60) / factor:.3f},{level_at(x, y) / factor:.4f}"
        for k, (x, y) in enumerate(PLACES)
    ]
    with pytest.raises(
        JobError, match=rf"0 of 6 control shots .* in metres, all with places in {unit}; name"
    ):
        survey_of(scanned, tmp_path, "\n".join(["name,x,y,z", *rows]))


def test_one_shot_off_the_floor_is_no_word_on_the_unit(tmp_path: Path) -> None:
    """Where the scan's zero point lies in the room, every place stands on the floor in feet.

    Five of six shots that stand on it in metres are taken so; the sixth, in the next room, is left
    out. So are four of five; three of four are still asked about.
    """
    surface = surface_of(walled(shapely.box(-3.0, -2.5, 3.0, 2.5), np.random.default_rng(4)))
    places = [(-2.4, -2.0), (2.4, -2.0), (2.4, 2.0), (-2.4, 2.0), (0.3, 0.2)]
    path = tmp_path / "control.csv"
    for count in (5, 4, 3):
        rows = [f"P{k},{x},{y},0.0" for k, (x, y) in enumerate([(4.0, 0.5), *places[:count]])]
        path.write_text("\n".join(["name,x,y,z", *rows]), encoding="utf-8")
        job = Job.model_validate({"scan": {"control": str(path)}})
        if count == 3:
            with pytest.raises(JobError, match="all with places in feet"):
                with_control(surface, job)
            continue
        fit = with_control(surface, job).control
        assert fit is not None
        assert [shot.name for shot in fit.shots if not shot.used] == ["P0"]


def test_a_unit_that_no_head_states_is_said(scanned: Path, tmp_path: Path) -> None:
    """Without units the scan's are taken, and said; stated ones need no word."""
    rows = [f"P{k},{x + 40},{y + 60},{level_at(x, y):.5f}" for k, (x, y) in enumerate(PLACES)]
    told = survey_of(scanned, tmp_path, "\n".join(["name,x,y,z", *rows])).assumptions
    assert any("state no unit: levels and places are taken in metres" in text for text in told)
    told = survey_of(scanned, tmp_path, "\n".join(["name,x_m,y_m,level_m", *rows])).assumptions
    assert not any("state no unit" in text for text in told)


@pytest.mark.parametrize("head", ["name,x,y,z", "name,x,y,level_m"])
def test_a_line_is_a_line_whatever_the_unit(head: str, scanned: Path, tmp_path: Path) -> None:
    """Four shots in a line across the tilt: no question of units, and naming one is no loop."""
    rows = [f"P{k},{x + 40},62,{3 * level_at(x, 2.0):.5f}"
            for k, x in enumerate((0.5, 2.0, 3.5, 4.5))]  # fmt: skip
    with pytest.raises(JobError, match=r"P0, P1, P2, P3 lie in a line"):
        survey_of(scanned, tmp_path, "\n".join([head, *rows]))


@pytest.fixture(scope="module")
def cornered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A room with its corner at (0, 0), so that places exchanged may still be on its floor."""
    scene = rectangle(relief=RELIEF, site_m=(0.0, 0.0, SITE[2]), ceiling_m=2.6)
    shot = shot_of(scene, seed=9, points=50_000)
    folder = tmp_path_factory.mktemp("cornered")
    return write_scan(folder / "room.las", shot.points_m, shot.station)


def test_exchanged_columns_with_some_still_on_the_floor(cornered: Path, tmp_path: Path) -> None:
    """A floor from (0, 0) to (5, 4): of y,x of six shots three still lie on it, of x,y all do."""
    places = ((0.6, 0.5), (4.5, 0.6), (4.6, 3.4), (3.0, 1.5), (4.4, 2.0), (2.6, 3.4))
    rows = [f"P{k},{y},{x},{level_at(x, y):.5f}" for k, (x, y) in enumerate(places)]
    with pytest.raises(JobError, match=r"3 of 6 control .* with x and y exchanged all of them do"):
        survey_of(cornered, tmp_path, "\n".join(["name,x,y,z", *rows]))


@pytest.mark.parametrize(
    ("places", "said"),
    [
        ([(1.0, 1.0), (3.0, 3.0)], "2 of 2 control shots can be used, 3 are needed"),
        ([(2.0, 2.0)] * 5, "stand at one place"),
    ],
)
def test_on_the_diagonal_nothing_is_exchanged(
    places: list[tuple[float, float]], said: str, cornered: Path, tmp_path: Path
) -> None:
    """Where x is y their order is not what is wrong."""
    rows = [f"P{k},{x},{y},{level_at(x, y) + k * 1e-3:.5f}" for k, (x, y) in enumerate(places)]
    with pytest.raises(JobError, match=said) as refused:
        survey_of(cornered, tmp_path, "\n".join(["name,x,y,z", *rows]))
    assert "exchanged" not in refused.value.message


def test_a_plan_is_in_the_controls_levels(scanned: Path, tmp_path: Path) -> None:
    """A datum given as a level is taken in the control's vertical; the page tells the shots."""
    from pourdatum.pipeline import plan_scan, write_results

    path = tmp_path / "control.csv"
    rows = [f"P{k},{x + 40},{y + 60},{level_at(x, y) - 100:.5f}" for k, (x, y) in enumerate(PLACES)]
    path.write_text("\n".join(["name,x,y,z", *rows]))
    job = Job(
        scan={"control": str(path)},  # type: ignore[arg-type]
        datum={"kind": "level", "z_m": level_at(2.5, 2.0) - 100 + 0.010},  # type: ignore[arg-type]
    )
    plan = plan_scan([scanned], job)
    assert plan.volume.mean_depth_m == pytest.approx(0.010, abs=5e-4)
    folder = write_results(plan, tmp_path / "out", files="result,report")
    page = (folder / "report.html").read_text("utf-8")
    assert "Control shots" in page
    assert "P5" in page
    assert json.loads((folder / "result.json").read_text("utf-8"))["floor"]["control"]["shots"]


def test_a_shot_in_doubt_is_said_before_any_figure(scanned: Path, tmp_path: Path) -> None:
    """A suspect stands in the first line printed and at the top of the page, and once only."""
    rows = [f"P{k},{x + 40},{y + 60},{level_at(x, y):.5f}" for k, (x, y) in enumerate(PLACES)]
    survey = survey_of(scanned, tmp_path, "\n".join(["name,x,y,z", *rows]))
    sound = result_lines(survey, "out", ["result"])
    assert sound[0].startswith("floor")
    fit = survey.surface.control
    assert fit is not None
    doubted = replace(fit, suspects=("P4", "P1"))
    survey = replace(survey, surface=replace(survey.surface, control=doubted))
    first, *rest = result_lines(survey, "out", ["result"])
    assert first.startswith("CONTROL IN DOUBT: read P4 and P1 again before you order")
    assert not any("before you order" in line for line in rest)
    page = survey_page(survey, b"")
    assert page.index("Read P4 and P1 again before you order") < page.index("<dl")
