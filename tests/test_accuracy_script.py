"""The table of accuracy: what it counts as right, and that it tells what is wrong."""

from __future__ import annotations

import importlib
import json
import math
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

import scenes
from pourdatum.simulate import HIGH_KINDS, Truth

PARTS = ["accuracy_figures", "accuracy_plain_chain", "accuracy_speed", "accuracy"]
NOISE_MM = 1.5
"""Of one simulated point of a tripod scanner."""


@pytest.fixture(scope="module")
def script(project: Path) -> Any:
    """scripts/accuracy.py and its parts as modules."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(project / "scripts"))
        yield {name: importlib.import_module(name) for name in PARTS}


@pytest.fixture(scope="module")
def figures(script: dict[str, ModuleType]) -> ModuleType:
    """What compares and prints."""
    return script["accuracy_figures"]


@pytest.fixture(scope="module")
def truth() -> Truth:
    """A room with two humps and two openings: a round drain, and a square one of 120 mm."""
    room = scenes.cluttered_room()
    known = scenes.truth_of(room, scenes.truth_of(room).high_turned_z_m + 0.002)
    x, y = known.openings[0]["place"]
    small = {"place": [x + 1.0, y], "area_m2": 0.0144, "depth_mm": 90.0, "shape": "square"}
    nib = {"place": [x, y + 1.0], "width_mm": 40.0, "height_mm": 9.0}
    return replace(known, openings=(*known.openings, small), nibs=(nib,))


@pytest.fixture
def perfect(truth: Truth) -> dict[str, Any]:
    """A result that is right in all, as result.json has it."""
    return {
        "floor": {
            "area_m2": truth.area_m2,
            "openings": [{"place": hole["place"]} for hole in truth.openings],
            "nibs": [{"place": nib["place"]} for nib in truth.nibs],
        },
        "datum": {"z_m": truth.levels[0].z_m},
        "fill": {
            "volume_l": truth.levels[0].volume_l,
            "volume_interval_l": [0.9 * truth.levels[0].volume_l, 1.1 * truth.levels[0].volume_l],
        },
        "grind": {"humps": [{"place": hump["place"]} for hump in truth.humps]},
    }


def row_of(figures: ModuleType, truth: Truth, result: dict[str, Any], **changes: Any) -> Any:
    """The row of a result, at ``level_l`` litres to the given level."""
    level_l = changes.get("level_l", truth.levels[0].volume_l)
    return figures.compare(1, "hump", truth, result, {"fill": {"volume_l": level_l}})


def kept(figures: ModuleType, row: Any) -> list[bool]:
    """Which criteria a row keeps: area, datum, fill, level, openings, humps, interval, square."""
    return [item.within(row) for item in figures.CRITERIA]


def all_but(*out: int) -> list[bool]:
    """All criteria kept save these."""
    return [number not in out for number in range(8)]


# --- one row -------------------------------------------------------------------------------


def test_a_perfect_result_keeps_all(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any]
) -> None:
    """What is right in all is within every allowance, and off by nothing."""
    row = row_of(figures, truth, perfect)
    assert kept(figures, row) == all_but()
    assert (row.area_percent, row.datum_mm, row.volume_l, row.level_percent) == (0, 0, 0, 0)
    assert [str(row.openings), str(row.humps), str(row.nibs)] == ["2 of 2", "2 of 2", "1 of 1"]


@pytest.mark.parametrize(("off_mm", "inside"), [(0.19, True), (-0.19, True), (0.3, False)])
def test_a_wrong_datum_is_told(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any], off_mm: float, inside: bool
) -> None:
    """The allowance is 0.2 mm either way; 0.3 mm too high is 1.5 of it."""
    perfect["datum"]["z_m"] += off_mm / 1000
    row = row_of(figures, truth, perfect)
    assert row.datum_mm == pytest.approx(off_mm, abs=1e-6)
    assert kept(figures, row) == (all_but() if inside else all_but(1, 7))
    assert figures.CRITERIA[1].worst([row]) == f"{abs(off_mm) / 0.2:.2f}"


def test_a_datum_of_another_square(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any]
) -> None:
    """Along a wall the floor is 0.3 mm higher than any square parallel to the axes says."""
    lower = replace(truth.datum, z_m=truth.levels[0].z_m - 0.0003)
    row = row_of(figures, replace(truth, datum=lower), perfect)
    assert row.datum_mm == pytest.approx(0.0, abs=1e-9)
    assert row.datum_axis_mm == pytest.approx(0.3, abs=1e-6)
    assert kept(figures, row) == all_but(7)


def test_a_wrong_area_is_told(figures: ModuleType, truth: Truth, perfect: dict[str, Any]) -> None:
    """1.2 % too little floor is out, whatever else is right."""
    perfect["floor"]["area_m2"] *= 0.988
    row = row_of(figures, truth, perfect)
    assert row.area_percent == pytest.approx(-1.2)
    assert kept(figures, row) == all_but(0)


def test_the_fill_has_the_larger_of_two_allowances(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any]
) -> None:
    """2 % of a deep fill, 0.15 mm over the area of a shallow one: at 20 m², 3 litres."""
    row = row_of(figures, truth, perfect)
    deep = replace(row, true_area_m2=20.0, true_volume_l=400.0)
    shallow = replace(row, true_area_m2=20.0, true_volume_l=100.0)
    assert (deep.allowed_l, shallow.allowed_l) == pytest.approx((8.0, 3.0))
    fill = figures.CRITERIA[2]
    assert fill.within(replace(deep, volume_l=-7.9))
    assert not fill.within(replace(deep, volume_l=8.1))
    assert fill.worst([deep, replace(shallow, volume_l=-6.0)]) == "2.00"


def test_a_wrong_fill_to_a_level_is_told(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any]
) -> None:
    """The level is given, so half a percent is all there is; 1 % is out."""
    row = row_of(figures, truth, perfect, level_l=1.01 * truth.levels[0].volume_l)
    assert row.level_percent == pytest.approx(1.0)
    assert kept(figures, row) == all_but(3)


def test_an_opening_missed_and_one_invented(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any]
) -> None:
    """One of two is listed 0.12 m off: one missed, one invented."""
    x, y = truth.openings[1]["place"]
    perfect["floor"]["openings"][1] = {"place": [x + 0.12, y]}
    row = row_of(figures, truth, perfect)
    assert str(row.openings) == "1 of 2 + 1"
    assert kept(figures, row) == all_but(4)
    assert figures.CRITERIA[4].worst([row]) == "2 missed or invented"


def test_small_openings_do_not_count(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any]
) -> None:
    """A pipe of 90 mm need not be found: only those of 100 mm or more are asked for."""
    pipe = {"place": [0.0, 0.0], "area_m2": math.pi * 0.045**2, "depth_mm": 80.0, "shape": "round"}
    drain = {**pipe, "area_m2": math.pi * 0.051**2}
    row = row_of(figures, replace(truth, openings=(*truth.openings, pipe)), perfect)
    assert str(row.openings) == "2 of 2"
    row = row_of(figures, replace(truth, openings=(*truth.openings, drain)), perfect)
    assert str(row.openings) == "2 of 3"


def test_a_hump_too_far_off_is_missed(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any]
) -> None:
    """0.09 m off is found, 0.11 m is not; low humps more than there are do no harm."""
    x, y = truth.humps[0]["place"]
    humps = perfect["grind"]["humps"]
    humps += [{"place": [x + 2.0, y]}]
    humps[0] = {"place": [x, y + 0.09]}
    assert kept(figures, row_of(figures, truth, perfect)) == all_but()
    humps[0] = {"place": [x, y + 0.11]}
    row = row_of(figures, truth, perfect)
    assert str(row.humps) == "1 of 2 + 2"
    assert kept(figures, row) == all_but(5)


def test_low_humps_need_not_be_found(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any]
) -> None:
    """A hump of 2.9 mm is not asked for."""
    low = {**truth.humps[0], "place": [0.0, 0.0], "height_mm": 2.9}
    row = row_of(figures, replace(truth, humps=(*truth.humps, low)), perfect)
    assert str(row.humps) == "2 of 2"


def test_an_interval_that_misses_the_truth(
    figures: ModuleType, truth: Truth, perfect: dict[str, Any]
) -> None:
    """An interval wholly above the true fill does not hold it."""
    true_l = truth.levels[0].volume_l
    perfect["fill"]["volume_interval_l"] = [1.001 * true_l, 1.1 * true_l]
    assert kept(figures, row_of(figures, truth, perfect)) == all_but(6)


def test_no_plan_keeps_nothing(figures: ModuleType, truth: Truth) -> None:
    """A scene that was refused counts as out in every criterion, and the table says why."""
    row = figures.no_plan(3, "wall", truth, "NoFloor: no floor")
    assert kept(figures, row) == [False] * 8
    assert {item.worst([row]) for item in figures.CRITERIA} == {"no plan"}
    assert "no plan: NoFloor: no floor" in figures.row_table([row])[-1]


def test_things_are_paired_once(figures: ModuleType) -> None:
    """Two things that lie near one listed place are not both found by it."""
    assert str(figures.match([(0, 0), (0.05, 0)], [(0.02, 0)])) == "1 of 2"
    assert str(figures.match([], [])) == "0 of 0"


# --- the tables ----------------------------------------------------------------------------


def test_the_tables_are_whole(figures: ModuleType, truth: Truth, perfect: dict[str, Any]) -> None:
    """Each line has as many cells as its head, and the summary counts rows within."""
    good = row_of(figures, truth, perfect)
    chain = {"10 mm": figures.Chain(5.0, 250.0)}
    bad = replace(good, seed=2, datum_mm=-0.5, chain=chain)
    none = figures.no_plan(3, "wall", truth, "NoFloor: no floor")
    for rows in ([good], [good, bad], [good, bad, none]):
        for table in (figures.row_table(rows), figures.summary_table(rows)):
            assert len({line.count("|") for line in table}) == 1
    lines = figures.summary_table([good, bad])
    assert "| datum | 0.2 mm | 1 of 2 | 2.50 |" in lines
    assert "| plain chain, 10 mm: datum | the same | 0 of 1 | 25.00 |" in lines
    assert not any("plain chain" in line for line in figures.summary_table([good]))


# --- the plain chain -----------------------------------------------------------------------


def test_the_plain_fill_by_hand(script: dict[str, ModuleType]) -> None:
    """A step of 4 mm between two halves of 1 m²: half of it 6 mm deep, half 2 mm, 8 litres."""
    x, y = (
        v.ravel() for v in np.meshgrid(0.01 + 0.02 * np.arange(50), 0.01 + 0.02 * np.arange(100))
    )
    points = np.stack([x, y, np.where(y < 1.0, 0.0, 0.004)], axis=1)
    fill = script["accuracy_plain_chain"].grid_fill(points, 0.002)
    assert (fill.datum_m, fill.volume_l) == pytest.approx((0.006, 8.0), abs=1e-6)


def test_the_plain_chain_takes_the_floor(script: dict[str, ModuleType], open3d: ModuleType) -> None:
    """Of a floor and a larger ceiling it takes the floor, the same each time."""
    plain = script["accuracy_plain_chain"]
    draw = np.random.default_rng(4)
    floor = np.column_stack([draw.uniform(0, 4, (4000, 2)), draw.normal(0, 0.001, 4000)])
    ceiling = np.column_stack([draw.uniform(0, 4, (9000, 2)), draw.normal(2.6, 0.001, 9000)])
    points = np.concatenate([floor, ceiling]) + np.array([431_000.0, 5_400_000.0, 212.0])
    fill = plain.plain_chain(points, 0.01, 0.002, seed=7)
    assert fill == plain.plain_chain(points, 0.01, 0.002, seed=7)
    # One in a cell is the least that a cell holds: its mean errs by no more than a point does.
    assert 212.002 < fill.datum_m < 212.002 + 5 * 0.001


# --- how it is run -------------------------------------------------------------------------


def test_which_seeds(script: dict[str, ModuleType], capsys: pytest.CaptureFixture[str]) -> None:
    """A range holds both ends; fresh seeds are printed, so that they can be run again."""
    run = script["accuracy"]

    def seeds(*words: str) -> list[int]:
        return list(run._seeds(run._options().parse_args(words)))

    assert seeds("--seeds", "1000-1002") == [1000, 1001, 1002]
    assert seeds("--seeds", "7") == [7]
    assert seeds() == list(range(7000, 7010))
    fresh = seeds("--fresh", "--count", "3")
    assert capsys.readouterr().out == f"seeds {fresh[0]}-{fresh[-1]}\n"
    assert seeds("--seeds", f"{fresh[0]}-{fresh[-1]}") == fresh


def test_a_failing_command_is_not_timed(
    script: dict[str, ModuleType], project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that ends in an error has no time; one that ends well has."""
    monkeypatch.setenv("PYTHONPATH", str(project / "src"))
    assert script["accuracy_speed"].run_once(["--version"]) > 0.0
    with pytest.raises(SystemExit, match=r"pourdatum no-such-command: 2: "):
        script["accuracy_speed"].run_once(["no-such-command"])


def test_a_room_from_end_to_end(
    script: dict[str, ModuleType], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A tenth of the usual points, held to what their noise alone allows, loosely.

    60 000 points on 40 to 60 m² are at least 10 on a patch of 100 mm: its plain mean
    errs by 1.5 / sqrt(10) mm, and an estimate that is worth its name is not worse than
    four of these. The mean level of all, without any high point, errs by less than a
    single point does. Area is a matter of walls: 1 %, as with all points.
    """
    found = tmp_path / "rows.json"
    asked = ["--seeds", "4", "--floor-points", "60000", "--no-chain", "--json", str(found)]
    assert script["accuracy"].main(asked) == 0
    (row,) = json.loads(found.read_text("utf-8"))
    assert (row["error"], row["high"]) == ("", HIGH_KINDS[4 % 3])
    assert abs(row["area_percent"]) < 1.0
    assert abs(row["datum_mm"]) < 4 * NOISE_MM / math.sqrt(10)
    assert abs(row["level_percent"]) / 100 * row["true_volume_l"] < NOISE_MM * row["true_area_m2"]
    said = capsys.readouterr().out
    assert said.startswith("| seed | high point |")
    assert "| area | 1 % | 1 of 1 |" in said


def test_what_coverage_holds_is_what_a_plan_states(project: Path) -> None:
    """Figures and intervals worked out without humps, ways and pages are those of result.json."""
    from pourdatum.job import Job
    from pourdatum.pipeline import plan_scan, result_data

    scan = project / "sample_scans" / "cooperage.laz"
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(project / "scripts"))
        told = importlib.import_module("accuracy_stated").stated([scan], Job(), pins=True)
    told_of = result_data(plan_scan([scan], Job()))
    fill, datum, floor = told_of["fill"], told_of["datum"], told_of["floor"]
    assert told.bags == told_of["material"]["bags"]
    assert list(told.bags_interval) == told_of["material"]["bags_interval"]
    assert told.open_edge == any(one["code"] == "open-edge" for one in told_of["warnings"])
    pairs = [
        (told.area_m2, floor["area_m2"]),
        *zip(told.area_interval_m2, floor["area_interval_m2"], strict=True),
        (told.level_m, datum["z_m"]),
        *zip(told.level_interval_m, datum["z_interval_m"], strict=True),
        (told.volume_m3 * 1000.0, fill["volume_l"]),
        *((end * 1000.0, out) for end, out in zip(
            told.volume_interval_m3, fill["volume_interval_l"], strict=True)),
        *((end * 1000.0, out) for end, out in zip(
            told.at_level_interval_m3 or (), fill["level_interval_l"], strict=True)),
        *((depth * 1000.0, pin["depth_mm"]) for depth, pin in zip(
            told.depth_m, told_of["pins"], strict=True)),
        *((x, pin["place"][0]) for x, pin in zip(told.pin_m[:, 0], told_of["pins"], strict=True)),
    ]  # fmt: skip
    for own, other in pairs:
        # They are written to a thousandth of a litre and of a millimetre, areas to a square cm.
        assert own == pytest.approx(other, abs=6e-4)
