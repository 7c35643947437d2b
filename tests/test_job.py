"""Job files, material sheets and outlines: what is taken, what is refused, in which words."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from pourdatum.errors import JobError, LimitMet
from pourdatum.filelist import choose_files
from pourdatum.job import Job, read_job
from pourdatum.material import Sheet
from pourdatum.outline_dxf import Drawn
from pourdatum.outline_file import outline_to_local, read_outline
from pourdatum.pipeline.remarks import unused_keys
from pourdatum.scan import Frame
from pourdatum.sheetfile import read_sheet, shipped_sheets

EVERY_KEY = """
units = "imperial"
title = "Annex, ground floor"
criteria = ["3mm/2m"]

[scan]
units = "m"
up = "z"
sensor = "tripod"
control = "control.csv"
outline = "outline.geojson"
cell_mm = 50

[sensor]
tilt_mm_per_m = 0.05
warp_mm = 0.3
level_mm = 0.5
lengths_mm_per_m = 0.1
source = "certificate 81"

[datum]
kind = "high-point"
z_m = 12.345
slope_mm_per_m = 10
toward = [4.0, 2.5]

[grind]
allowed = true
max_depth_mm = 8
price_per_m2 = 6.0
price_per_m2_mm = 1.5
setup_price = 80.0

[material]
sheet = "standard"
waste = 0.05
price_per_bag = 19.5
labour_per_bag = 0.0
confidence = 0.95

[preparation]
removal_mm = 0.0
roughness_mm = 0.0

[build_up]
mm = 12.0

[[threshold]]
place = [0.0, 2.1]
level = 12.372
tolerance_mm = 2

[[line]]
kind = "movement"
points = [[0, 4.2], [8, 4.2]]

[survey]
instrument = "tripod scanner"
serial = ""
calibrated = 2026-03-01
operator = ""
benchmark = ""

[pour]
mode = "bags"
exit = [0.4, 3.0]
mixers = 1
minutes_per_batch = 6
max_load_kg_per_m2 = 60
"""

SHEET = """
name = "my bag"
depth_mm = [2, 12]
powder_kg_per_m2_mm = 1.7
bag_kg = 20
water_l_per_bag = 4.4
water_tolerance_l = 0.1
working_time_min = 20
walk_after_h = 6
cover_after_h = 24
max_fall_mm_per_m = 0
substrates = ["concrete", "cement screed"]
strength = "C25-F7"
set_kg_per_m2_mm = 1.9
temperature_c = [10, 25]
price_per_bag = 19.5
[[primer]]
substrate = "absorbent"
coverage_m2_per_l = 6
coats = 2
dry_min = 75
"""


def written(folder: Path, text: str | bytes, name: str = "job.toml") -> Path:
    """A file with this content."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


def refusal_of_job(folder: Path, text: str | bytes) -> str:
    """What is said about a job file."""
    with pytest.raises(JobError) as refused:
        read_job(written(folder, text))
    assert refused.value.exit_status == 2
    assert "\n" not in str(refused.value)
    return str(refused.value)


def refusal_of_sheet(folder: Path, text: str) -> str:
    """What is said about a material sheet."""
    with pytest.raises(JobError) as refused:
        read_sheet(str(written(folder, text, "bag.toml")))
    assert refused.value.exit_status == 2
    assert "\n" not in str(refused.value)
    return str(refused.value)


def test_every_key_is_taken(tmp_path: Path) -> None:
    """A job with every documented key is read, each value in its place."""
    job = read_job(written(tmp_path, EVERY_KEY))
    assert (job.units, job.title, job.criteria) == ("imperial", "Annex, ground floor", ("3mm/2m",))
    assert (job.grind.setup_price, job.material.waste, job.scan.cell_mm) == (80.0, 0.05, 50.0)
    assert (job.threshold[0].level, job.line[0].points) == (12.372, ((0.0, 4.2), (8.0, 4.2)))
    assert job.build_up is not None
    assert (job.build_up.mm, job.pour.exit) == (12.0, (0.4, 3.0))
    assert job.survey.calibrated == "2026-03-01"


def test_keys_of_another_datum_are_named(tmp_path: Path) -> None:
    """With the kind stated, a level or a slope kept in the file is not used, and said."""
    assert read_job(written(tmp_path, EVERY_KEY)).datum.unused() == (
        "z_m",
        "slope_mm_per_m",
        "toward",
    )


def test_an_empty_job_is_the_default(tmp_path: Path) -> None:
    """Nothing said means: high point, standard sheet, no waste, no price, 95 %."""
    job = read_job(written(tmp_path, ""))
    assert job == Job() == read_job()
    assert (job.datum.kind, job.material.sheet) == ("high-point", "standard")
    assert (job.material.waste, job.material.price_per_bag) == (0.0, None)
    assert job.material.confidence == 0.95


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[material]\nwast = 0.1", "line 2: key 'wast' is not known in [material]; did you mean"),
        ("unit = 'metric'", "line 1: key 'unit' is not known; did you mean 'units'?"),
        ("[matrial]\nwaste = 0.1", "key 'matrial' is not known; did you mean 'material'?"),
        ("[grind]\nwaste = 0.1", "key 'waste' is not known in [grind]; it belongs in [material]"),
        ("[grind]\nqqqq = 1", "known keys: allowed, max_depth_mm"),
        ("[pins]\nmark_z_m=1.0\nmark_above_datum_mm=1000", "two marks; keep one"),
        ("[pins]\nreach_m=0.1", "0.1 is out of range: permitted from 0.3 to 20"),
        ("[pins]\nmark_above_datum_mm=-5", "-5 is out of range: permitted from 0 to 5000"),
        ("[pins]\nspacing=2.0", "key 'spacing' is not known in [pins"),
        ("[[line]]\nkind='crack'\npoints=[[0,0],[1e200,0]]", "no place on a site"),
        ("[pour]\nexit=[1e308,1e308]", "pour.exit: a coordinate beyond 1e9 is no place on a site"),
        ("[control]\ncorner=[0,1e308]\ntoward=[0,0]", "control.corner: a coordinate beyond 1e9"),
        ("[pour]\nminutes_per_batch=1e-308", "= 1e-308 is out of range: permitted from 0.01 to"),
        ("[pour]\nlitres_per_minute=1e-308", "= 1e-308 is out of range: permitted from 0.1 to"),
        ("[pour]\ndelivery_kg=1e-9", "= 1e-09 is out of range: permitted from 1 to 100000"),
        ("[sensor]\nwarp_mm=1e308", "warp_mm = 1e+308 is out of range: permitted from 0 to 200"),
        ("[pour]\nstart='٠٧:٣٠'", "is no time of day"),
        ("criteria=['٣mm/٢m']", "is not known: write it like 3mm/2m"),
        ("[[threshold]]\nplace=[0,1]\nlevl=1", "line 3: key 'levl' is not known in [[thre"),
        ("[[threshold]]\nplace=[0,1]", "key threshold[1].level is missing"),
        ("units = 'metrik'", "units = 'metrik' is not known; use one of metric, imperial (did"),
        ("[scan]\nunits = 'yd'", "scan.units = 'yd' is not known; use one of m, cm, mm, ft"),
        ("[material]\nwaste = '2,5'", "'2,5' is text with a decimal comma; write 2.5"),
        ("[material]\nwaste = 0,05", "line 2, column 10); write 0.05, with a point"),
        ("[material]\nwaste = '0.05'", "'0.05' is text; write 0.05 without quotes"),
        ("[build_up]\nmm = '5 mmm'", "build_up.mm = '5 mmm' is text where a number is needed"),
        ("[material]\nwaste = true", "waste = true is not right here; write a number"),
        ("[grind]\nallowed = 1", "grind.allowed = 1 is not right here; write true or false"),
        ("[pour]\nmixers = 1.5", "pour.mixers = 1.5 is not right here; write a whole number"),
        ("title = 5", "title = 5 is not right here; write text in quotes"),
        ("material = 3", "material = 3 is no table; write [material]"),
        ("threshold = 3", "threshold = 3 is not right here; write a list"),
        ("[material]\nwaste = 5", "material.waste = 5 is out of range: permitted from 0 to 1"),
        ("[material]\nwaste = -0.1", "material.waste = -0.1 is out of range"),
        ("[material]\nprice_per_bag = 0", "price_per_bag = 0 is out of range: permitted above 0"),
        ("[material]\nconfidence = 1", "confidence = 1 is out of range: permitted from 0.5"),
        ("[material]\nsheet = ''", "material.sheet: text is empty"),
        ("[scan]\ncell_mm = 0", "scan.cell_mm = 0 is out of range: permitted from 10 to 500"),
        ("[scan]\ncell_mm = nan", "scan.cell_mm = nan is not a finite number"),
        ("[scan]\ncell_mm = 1e-9", "scan.cell_mm = 1e-09 is out of range"),
        ("[grind]\nprice_per_m2 = -1", "grind.price_per_m2 = -1 is out of range"),
        ("[pour]\nmixers = -1", "pour.mixers = -1 is out of range: permitted from 1 to 50"),
        ("[pour]\nmixers = 1000000", "pour.mixers = 1000000 is out of range"),
        ("[pour]\nexit = [1, 2, 3]", "pour.exit has 3 entries; at most 2 are permitted"),
        ("[pour]\nexit = [1]", "pour.exit = [1] has too few entries"),
        ("[pour]\nexit = [[0, 2.5], [7, 1.5]]", "pour.exit: 2 places are given, and a pour ends"),
        ("[pour]\nmode = 'pump'", 'pour.mode = "pump" needs litres_per_minute'),
        ("[[line]]\nkind='crack'\npoints=[[0,1]]", "line[1].points has 1 entries; at least 2"),
        ("[[line]]\nkind='crak'\npoints=[[0,1],[1,1]]", "(did you mean crack?)"),
        ("[datum]\nkind = 'level'", 'datum.kind = "level" needs z_m'),
        ("[datum]\nz_m = 12.3", 'datum has z_m and no kind: write kind = "level"'),
        ("[datum]\nkind='level'\nz_m=1\nz=2", "two levels; keep one"),
        ("[datum]\nkind='fall'\nslope_mm_per_m=5", "needs toward"),
        ("[datum]\nslope_mm_per_m = 5", "a slope and no kind"),
        ("[datum]\nkind='level'\nz_m=1\n[datum]\nkind='parallel'", "is not TOML"),
        ("schema = 'pourdatum.job/2'", "job is of format 2, this version reads up to format 1"),
        ("schema = 'other'", "schema = 'other' is no job of ours"),
        ("units =", "is not TOML: Invalid value (at line 1, column 8)"),
        ("[pour]\nmixers = " + "9" * 5000, "holds a whole number of thousands of digits"),
        ("x = " + "[" * 4000, "is nested too deeply"),
        (b"title = '\xe4'", "is not UTF-8 at line 1, column 10"),
        (b"\n\n  title = '\xff\xfe'", "is not UTF-8 at line 3, column 12"),
        (b"\xff\xfeu\x00n\x00", "is not UTF-8 at line 1, column 1"),
        (b"#" * 1_000_001, "job file has 1000001 bytes, over the 1000000"),
    ],
)  # fmt: skip
def test_wrong_job_files(tmp_path: Path, text: str | bytes, said: str) -> None:
    """Each fault is told on one line: file, line, key, value, and what would be right."""
    told = refusal_of_job(tmp_path, text)
    assert told.startswith(str(tmp_path / "job.toml"))
    assert said in told


def test_a_name_with_a_zero_byte() -> None:
    """TOML can write one, and no system has files of such names."""
    with pytest.raises(JobError, match=r"material sheet cannot be read \(embedded null byte\)"):
        read_sheet("/sheets/\0.toml")
    with pytest.raises(JobError, match=r"job file cannot be read \(embedded null byte\)"):
        read_job("\0")


@pytest.mark.parametrize("kind", ["missing", "folder"])
def test_what_is_no_job_file(tmp_path: Path, kind: str) -> None:
    """A missing file or a folder is named, with the reason."""
    path = tmp_path if kind == "folder" else tmp_path / "none.toml"
    with pytest.raises(JobError, match=r"not a regular file|cannot be read"):
        read_job(path)


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """A named pipe as job file is refused at once, for nobody may ever write to it."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("no named pipes here")
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(JobError, match="not a regular file"):
        read_job(tmp_path / "pipe.toml")


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    """Editors of Windows begin UTF-8 files with a mark; the job is read."""
    assert read_job(written(tmp_path, b"\xef\xbb\xbftitle = 'A'")).title == "A"


def test_paths_are_those_of_the_job_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From whatever folder a job is run, its files are found beside it."""
    folder = tmp_path / "site"
    folder.mkdir()
    text = "[scan]\noutline='a.geojson'\ncontrol='b.csv'\n[material]\nsheet='bags/mine.toml'"
    path = written(folder, text)
    monkeypatch.chdir(tmp_path)
    job = read_job(path.relative_to(tmp_path))
    assert Path(str(job.scan.outline)) == Path("site/a.geojson")
    assert Path(str(job.scan.control)) == Path("site/b.csv")
    assert Path(job.material.sheet) == Path("site/bags/mine.toml")


def test_a_shipped_name_is_no_path(tmp_path: Path) -> None:
    """``sheet = "deep"`` in a job means the shipped sheet, not a file beside the job."""
    assert read_job(written(tmp_path, "[material]\nsheet = 'deep'")).material.sheet == "deep"


def test_the_command_line_wins(tmp_path: Path) -> None:
    """Words typed replace the file's, key by key; what was not typed stays."""
    path = written(tmp_path, "[scan]\nunits='ft'\nup='y'\n[material]\nwaste=0.1\nsheet='deep'")
    job = read_job(path, {"scan": {"units": "mm"}, "material": {"sheet": "light"}})
    assert (job.scan.units, job.scan.up) == ("mm", "y")
    assert (job.material.sheet, job.material.waste) == ("light", 0.1)


def test_a_typed_datum_replaces_the_whole_datum(tmp_path: Path) -> None:
    """``--datum parallel`` over a level in the file leaves no second datum behind."""
    path = written(tmp_path, "[datum]\nkind='level'\nz_m=12.0")
    job = read_job(path, {"datum": {"kind": "parallel"}})
    assert (job.datum.kind, job.datum.z_m) == ("parallel", None)


def test_the_file_is_checked_under_the_words(tmp_path: Path) -> None:
    """A wrong value in the file is told though the command line would replace it."""
    with pytest.raises(JobError, match=r"scan\.units = 'yd' is not known"):
        read_job(written(tmp_path, "[scan]\nunits='yd'"), {"scan": {"units": "m"}})


def test_titles_are_made_harmless(tmp_path: Path) -> None:
    """Control and direction marks go, a title of 10 kB is cut, markup stays text."""
    rough = "A\\u0007\\u202eB <b>\\u200f" + "x" * 10_000
    title = read_job(written(tmp_path, f'title = "{rough}"')).title
    assert title.startswith("AB <b>xxx")
    assert len(title) == 200
    assert title.isprintable()


@pytest.mark.parametrize("name", shipped_sheets())
def test_shipped_sheets_are_sound(name: str) -> None:
    """Every shipped sheet passes its own checks and lies within common practice."""
    sheet = read_sheet(name)
    assert sheet.name.startswith("levelling compound")
    # trade_facts.csv, common practice: SLU-COVER and SLU-COVER-LIGHT, SLU-WATER, SLU-POT.
    assert 0.8 <= sheet.powder_kg_per_m2_mm <= 1.8
    assert 0.16 <= sheet.water_l_per_bag / sheet.bag_kg <= 0.30
    assert 10 <= sheet.working_time_min <= 30
    assert {item.substrate for item in sheet.primer} == {"absorbent", "normal", "dense"}


def test_the_five_sheets_are_there() -> None:
    """Standard, deep, light, rapid and hard-wearing are shipped."""
    assert set(shipped_sheets()) == {"standard", "deep", "light", "rapid", "hard-wearing"}


def test_every_key_of_a_sheet_is_taken(tmp_path: Path) -> None:
    """A sheet with every documented key arrives whole."""
    sheet = read_sheet(str(written(tmp_path, SHEET, "bag.toml")))
    assert isinstance(sheet, Sheet)
    assert (sheet.least_m, sheet.greatest_m) == (0.002, 0.012)
    assert (sheet.cover_after_h, sheet.price_per_bag) == (((0.0, 24.0),), 19.5)
    assert (sheet.primer[0].coats, sheet.primer[0].dry_min) == (2, 75.0)
    assert (sheet.strength, sheet.temperature_c) == ("C25-F7", (10.0, 25.0))


def test_six_keys_make_a_sheet(tmp_path: Path) -> None:
    """Name, depths, powder, bag, water and working time are enough; nothing else is made up."""
    six = "\n".join(
        line
        for line in SHEET.split("[[")[0].splitlines()
        if line.split(" ")[0]
        in {"name", "depth_mm", "powder_kg_per_m2_mm", "bag_kg", "water_l_per_bag",
            "working_time_min"}
    )  # fmt: skip
    sheet = read_sheet(str(written(tmp_path, six, "bag.toml")))
    assert (sheet.primer, sheet.price_per_bag, sheet.cover_after_h) == ((), None, ())
    assert sheet.max_fall_mm_per_m == 0.0


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("bag_kg = 20\n", "", "key bag_kg is missing; required: name, depth_mm, powder_kg_per"),
        ('name = "my bag"\n', "", "key name is missing"),
        ("bag_kg = 20", "bag_kilo = 20", "key 'bag_kilo' is not known; did you mean 'bag_kg'?"),
        ("bag_kg = 20", "bag_kg = 0", "bag_kg = 0 is out of range: permitted from 1 to 1500"),
        ("bag_kg = 20", "bag_kg = -20", "bag_kg = -20 is out of range"),
        ("= 1.7", "= 17", "powder_kg_per_m2_mm = 17 is out of range: permitted from 0.3 to 3"),
        ("= 1.7", "= '1,7'", "'1,7' is text with a decimal comma; write 1.7"),
        ("[2, 12]", "[12, 2]", "depth_mm = [12, 2]: the least depth is not below the greatest"),
        ("[2, 12]", "[-2, 12]", "depth_mm = [-2, 12] is out of range: permitted from 0 to 300"),
        ("[2, 12]", "[2]", "depth_mm = [2] has too few entries"),
        ("[2, 12]", "12", "depth_mm = 12 is not right here; write a list"),
        ("bag = 4.4", "bag = 44", "water_l_per_bag = 44 is 220% of bag_kg = 20"),
        ("tolerance_l = 0.1", "tolerance_l = 5", "water_tolerance_l is not below water_l_per_bag"),
        ("min = 20", "min = 0", "working_time_min = 0 is out of range"),
        ("walk_after_h = 6", "walk_after_h = 600", "is later than cover_after_h = 24"),
        ("cover_after_h = 24", "cover_after_h = []", "cover_after_h is empty"),
        ("cover_after_h = 24", "cover_after_h = [[3, 24], [3, 30]]", "depths rise from row to row"),
        ("C25-F7", "strong", "strength = 'strong' is no class of EN 13813"),
        ("= 1.9", "= 2.9", "is more than powder and water weigh (2.07)"),
        ("[10, 25]", "[25, 10]", "[25, 10]: permitted from -20 to 60, lowest first"),
        ("price_per_bag = 19.5", "price_per_bag = 0", "price_per_bag = 0 is out of range"),
        ('"absorbent"', '"thirsty"', "primer[1].substrate = 'thirsty' is not known"),
        ("coats = 2", "coats = 0", "primer[1].coats = 0 is out of range: permitted from 1 to 5"),
        ("coats = 2", "coat = 2", "line 20: key 'coat' is not known in [[primer]] number 1"),
    ],
)  # fmt: skip
def test_wrong_sheets(tmp_path: Path, old: str, new: str, said: str) -> None:
    """Unknown keys, values no bag has and contradictions are told by key."""
    assert old in SHEET
    told = refusal_of_sheet(tmp_path, SHEET.replace(old, new))
    assert told.startswith(str(tmp_path / "bag.toml"))
    assert said in told


def test_two_primers_for_one_substrate(tmp_path: Path) -> None:
    """A sheet that primes absorbent concrete in two ways contradicts itself."""
    twice = SHEET + SHEET[SHEET.index("[[primer]]") :]
    assert 'two tables for substrate = "absorbent"' in refusal_of_sheet(tmp_path, twice)


def test_an_unknown_sheet_lists_the_known() -> None:
    """A misspelt name is answered with the nearest and all others."""
    with pytest.raises(JobError, match=r"'standrd' is not known.*did you mean standard"):
        read_sheet("standrd")


def square(*corners: tuple[float, float]) -> dict[str, Any]:
    """A polygon as GeoJSON."""
    return {"type": "Polygon", "coordinates": [[list(corner) for corner in corners]]}


SQUARE = square((0, 0), (4, 0), (4, 3), (0, 3), (0, 0))


@pytest.mark.parametrize(
    "content",
    [
        SQUARE,
        {"type": "Feature", "properties": {}, "geometry": SQUARE},
        {"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": SQUARE}]},
        {"type": "MultiPolygon", "coordinates": [SQUARE["coordinates"]]},
        square((0, 0), (0, 3), (4, 3), (4, 0), (0, 0)),
        square((0, 0), (4, 0), (4, 3), (0, 3)),
    ],
    ids=["polygon", "feature", "collection", "multi", "clockwise", "open"],
)
def test_outlines_are_read_as_drawn(tmp_path: Path, content: dict[str, Any]) -> None:
    """4 x 3 m drawn in any of the usual ways is 12 m²."""
    path = written(tmp_path, json.dumps(content), "outline.geojson")
    assert read_outline(path).shape.area == pytest.approx(12.0)


def test_holes_and_parts_of_an_outline(tmp_path: Path) -> None:
    """12 m² less a hole of 1 m² are 11 m²; another part of 2 m² is refused, not dropped."""
    hole = [[1, 1], [2, 1], [2, 2], [1, 2], [1, 1]]
    one = [*SQUARE["coordinates"], hole]
    other = [[[10, 0], [12, 0], [12, 1], [10, 1], [10, 0]]]
    content = {"type": "MultiPolygon", "coordinates": [one]}
    path = written(tmp_path, json.dumps(content), "outline.geojson")
    assert read_outline(path).shape.area == pytest.approx(11.0)
    content = {"type": "MultiPolygon", "coordinates": [one, other]}
    path = written(tmp_path, json.dumps(content), "outline.geojson")
    with pytest.raises(JobError, match=r"2 separate areas \(11, 2, .*plan each area by itself"):
        read_outline(path)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("{", "outline is not GeoJSON"),
        ("[]", "an object is needed"),
        ('{"type": "Circle"}', "an object of type 'Circle'"),
        ('{"type": "FeatureCollection"}', "a list of shapes is missing"),
        ('{"type": "FeatureCollection", "features": []}', "outline holds no polygon"),
        ('{"type": "LineString", "coordinates": [[0, 0], [1, 1]]}', "outline holds no polygon"),
        ('{"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [2, 2], [0, 0]]]}', "no area"),
        ('{"type": "Polygon", "coordinates": [[[0, 0], [1]]]}', "is malformed"),
        ('{"type": "Polygon", "coordinates": [[[0, "a"], [1, 1], [2, 0]]]}', "is malformed"),
        ('{"type": "Polygon", "coordinates": [[["0", "0"], ["4", "0"], ["4", "3"]]]}', "malformed"),
        ('{"type": "Polygon", "coordinates": []}', "is malformed"),
        ('{"type": "Polygon"}', "is malformed"),
        ('{"type": "Polygon", "coordinates": [[[0,0],[4,3],[4,0],[0,3]]]}', "crosses itself"),
        ('{"type": "Polygon", "coordinates": [[[0,0],[NaN,3],[4,0]]]}', "not a finite number"),
        ("[" * 100_000, "outline is not GeoJSON"),
    ],
)  # fmt: skip
def test_wrong_outlines(tmp_path: Path, content: str, said: str) -> None:
    """What cannot be the edge of a floor is refused in words."""
    path = written(tmp_path, content, "outline.geojson")
    with pytest.raises(JobError) as refused:
        read_outline(path)
    assert said in str(refused.value)


def test_a_missing_outline(tmp_path: Path) -> None:
    """An outline that is not there is named."""
    with pytest.raises(JobError, match="outline is missing"):
        read_outline(tmp_path / "none.geojson")


def test_an_outline_of_very_many_corners(tmp_path: Path) -> None:
    """A circle of 20 000 chords keeps its area, pi r²; a saw of as many teeth is refused."""
    turn = np.linspace(0.0, 2.0 * np.pi, 20_000, endpoint=False)
    round_one = np.column_stack([3.0 * np.cos(turn), 3.0 * np.sin(turn)])
    step = np.arange(8_000)
    saw = np.column_stack([step * 3.0 / 8_000, 0.003 * (step % 2)])
    local = []
    for corners in (round_one, np.vstack([saw, [[3.0, 2.0], [0.0, 2.0]]])):
        ring = [*corners.tolist(), corners[0].tolist()]
        path = tmp_path / "outline.geojson"
        path.write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))
        local.append(read_outline(path))
    thinned = outline_to_local(local[0], Frame())
    assert shapely.get_num_coordinates(thinned) < 1000
    assert thinned.area == pytest.approx(9.0 * np.pi, abs=6.0 * np.pi * 0.001)
    with pytest.raises(LimitMet, match=r"--outline: the outline has \d+ corners .* 4000 are taken"):
        outline_to_local(local[1], Frame())


def test_outlines_are_in_the_scans_unit() -> None:
    """A square of 10 ft drawn at 1000 ft is one of 3.048 m beside the local origin."""
    drawn = Drawn(shapely.box(1000, 2000, 1010, 2010))
    frame = Frame(unit_m=0.3048, origin_m=(304.0, 609.0, 0.0))
    local = outline_to_local(drawn, frame)
    assert local.bounds == pytest.approx((0.8, 0.6, 3.848, 3.648))


@pytest.mark.parametrize(
    ("words", "command", "said"),
    [
        ("result,raport", "plan", "'raport' is not known (did you mean report?)"),
        ("thickness.csv", "plan", "'thickness.csv' is not in this version"),
        ("tables", "survey", "survey has nothing to write as 'tables'"),
        (" , ", "plan", "the list is empty"),
    ],
)
def test_files_that_cannot_be_written(words: str, command: Any, said: str) -> None:
    """A wrong word of --files is told before any work, with those that can be written."""
    with pytest.raises(JobError) as refused:
        choose_files(words, command)
    assert said in str(refused.value)
    assert "use result, report, pictures" in str(refused.value)


def test_all_files_and_the_default() -> None:
    """``all`` adds the grid for other programs, which nobody gets unasked."""
    assert choose_files(None, "plan") == ("result", "report", "pictures", "tables", "drawing")
    assert choose_files(None, "survey") == ("result", "report", "pictures", "drawing")
    assert choose_files("all", "plan") == (
        *choose_files(None, "plan"),
        "pdf",
        "geojson",
        "geotiff",
        "landxml",
        "netcdf",
        "laz",
    )


def test_criteria_that_the_command_line_took_the_place_of_are_said(tmp_path: Path) -> None:
    """A contract's criterion that is not judged is not passed over in silence."""
    path = tmp_path / "job.toml"
    path.write_text('criteria = ["3mm/2m", "1/8in/10ft"]\n', encoding="utf-8")
    said = unused_keys(read_job(path, {"criteria": ["3mm/2m", "BS8204:SR2"]}))
    assert [one.code for one in said] == ["criteria-set-aside"]
    assert "not judged: 1/8in/10ft of the job" in said[0].text
    assert unused_keys(read_job(path, {"units": "imperial"})) == []
    assert unused_keys(read_job(None, {"criteria": ["3mm/2m"]})) == []
