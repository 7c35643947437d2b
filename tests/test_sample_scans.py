"""Named samples, drawn rooms, and the files that scans are written to."""

from __future__ import annotations

import json
import math
from pathlib import Path

import laspy
import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

import scenes
from pourdatum.errors import JobError, OutputError
from pourdatum.simulate import (
    HIGH_KINDS,
    SAMPLES,
    find_sample,
    random_room,
    scan_scene,
    scene_truth,
)
from pourdatum.write.sample_files import write_sample
from pourdatum.write.scan_files import write_scan

SEEDS = range(6)


def read_doubles(path: Path, last_header_line: bytes) -> np.ndarray:
    """Body of a binary PLY or PCD of three doubles, read by the definition of the format."""
    raw = path.read_bytes()
    body = raw[raw.index(last_header_line) + len(last_header_line) :]
    return np.frombuffer(body, "<f8").reshape(-1, 3)


# --- drawn rooms ---------------------------------------------------------------------------


@pytest.fixture(scope="module", params=SEEDS)
def drawn(request: pytest.FixtureRequest):
    """A seed, its room, and the room's truth."""
    room = random_room(request.param)
    return request.param, room, scene_truth(room, relative=1e-4)


def test_rooms_are_drawn_within_their_bounds(drawn) -> None:
    """40 to 60 m², falls and humps, crates, columns and openings as the docstring says."""
    _, room, truth = drawn
    assert 40.0 <= room.room.area <= 60.0
    assert 1 <= len(room.crates) <= 4
    assert len(room.columns) <= 2
    assert 2 <= len(room.relief.humps) <= 6
    assert all(0.003 <= hump.height_m <= 0.012 for hump in room.relief.humps)
    assert math.hypot(room.relief.slope_x, room.relief.slope_y) <= 0.005
    assert len(room.holes) <= 2
    for hole in room.holes:
        assert math.sqrt(hole.shape.area_m2 * 4 / math.pi) >= 0.1 - 1e-12
        assert hole.depth_m >= 0.08
    assert truth.area_m2 == pytest.approx(
        room.room.area - sum(cut.area_m2 for cut in room.cuts), rel=1e-9
    )


def test_high_points_lie_on_humps_at_walls_and_in_corners_turn_by_turn(drawn) -> None:
    """Seed 0 on a hump, 1 at a wall, 2 in a corner, and again."""
    seed, room, truth = drawn
    x, y = np.subtract(truth.high_place, room.site_m[:2])
    to_wall = room.room.exterior.distance(shapely.Point(x, y))
    to_corner = min(math.hypot(x - a, y - b) for a, b in room.outline)
    kind = HIGH_KINDS[seed % 3]
    if kind == "corner":
        assert to_corner < 0.25
    elif kind == "wall":
        assert to_wall < 0.12
        assert to_corner > 0.5
    else:
        assert to_wall > 0.3
        assert min(math.hypot(x - h.x_m, y - h.y_m) for h in room.relief.humps) < 0.1


def test_nothing_stands_on_a_high_point_or_an_opening(drawn) -> None:
    """What no set-up can see no scan can find: crates keep off both, and off one another."""
    _, room, truth = drawn
    x, y = np.subtract(truth.high_place, room.site_m[:2])
    outlines = [crate.outline for crate in room.crates]
    for number, outline in enumerate(outlines):
        assert outline.distance(shapely.Point(x, y)) > 0.3
        assert all(outline.distance(hole.shape.outline) > 0.4 for hole in room.holes)
        assert all(outline.distance(column.outline) > 0.2 for column in room.columns)
        assert all(outline.distance(other) > 0.1 for other in outlines[:number])
        assert room.room.contains(outline)


def test_the_same_seed_draws_the_same_room_and_another_another() -> None:
    """A room is a function of its seed."""
    assert random_room(4) == random_room(4)
    assert random_room(4) != random_room(5)


def test_the_place_of_the_high_point_can_be_asked_for() -> None:
    """By name, against its turn."""
    assert random_room(0, high="corner").description.endswith("corner")


def test_a_negative_seed_is_refused() -> None:
    """With the rule beside it."""
    with pytest.raises(JobError, match="seed is -3; give 0 or more"):
        random_room(-3)


# --- samples -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(set(SAMPLES) - {"hall"}))
def test_every_sample_holds_what_its_line_says(name: str) -> None:
    """Each can be made, scanned thinly, and has a floor in it."""
    for take in find_sample(name).make():
        assert take.scene.name
        assert len(take.scene.description) > 20
        shot = scan_scene(take.scene, take.instrument, 1, points=5000)
        assert shot.floor_points > 500


def test_the_samples_of_the_contract_exist() -> None:
    """A plain room, an L with things in it, a ramp, a hall, a hand-held scan, and a pair."""
    assert {"plain-room", "l-room", "ramp", "hall", "handheld", "before-after"} <= set(SAMPLES)
    cooperage = SAMPLES["l-room"].make()[0].scene
    assert len(cooperage.outline) == 6
    assert cooperage.crates
    assert cooperage.columns
    assert cooperage.holes
    assert cooperage.polished
    assert cooperage.ceiling_m is not None
    assert len(SAMPLES["hall"].make()[0].instrument.stations) > 4
    hand_held = SAMPLES["handheld"].make()[0].instrument
    assert hand_held.tilt_rad > 0
    assert hand_held.warp_m > 0


def test_an_unknown_sample_is_refused_with_the_list() -> None:
    """Whoever mistypes a name sees all of them."""
    with pytest.raises(JobError) as caught:
        write_sample("l-romo", "x.laz")
    assert str(caught.value) == (
        f"sample: sample 'l-romo' is not known; use one of {', '.join(SAMPLES)}"
    )
    assert caught.value.exit_status == 2


def test_a_sample_is_a_scan_and_its_truth(tmp_path: Path) -> None:
    """FILE and FILE's truth stand side by side; the truth does not know the seed's points."""
    first = write_sample("plain-room", tmp_path / "a.laz", seed=1, points=5000)
    other = write_sample("plain-room", tmp_path / "b.laz", seed=2, points=5000)
    assert [path.name for path in first] == ["a.laz", "a.truth.json"]
    one, two = (json.loads(paths[1].read_text("utf-8")) for paths in (first, other))
    assert one.pop("file") == "a.laz"
    assert two.pop("file") == "b.laz"
    assert one.pop("scan")["seed"] == 1
    assert two.pop("scan")["seed"] == 2
    assert one == two
    assert one["description"]
    assert first[0].read_bytes() != other[0].read_bytes()
    # 7.4 by 5.2 m, nothing cut out.
    assert one["area_m2"] == pytest.approx(7.4 * 5.2, rel=1e-9)


def test_the_same_seed_writes_the_same_bytes(tmp_path: Path) -> None:
    """No date, name or chance is left in a file."""
    one = write_sample("noise-only", tmp_path / "one.laz", seed=3, points=3000)
    two = write_sample("noise-only", tmp_path / "two.laz", seed=3, points=3000)
    assert one[0].read_bytes() == two[0].read_bytes()


def test_a_pair_is_two_scans_and_what_was_placed_between(tmp_path: Path) -> None:
    """Placed volume is the difference of the mean levels over the area; 3 mm over the high
    point is poured, so that the datum of BEFORE at a least depth of 3 mm takes as much, to the
    half millimetre that a pour misses its level by.
    """
    paths = write_sample("before-after", tmp_path / "room.ply", points=5000)
    assert [path.name for path in paths] == [
        "room-before.ply", "room-before.truth.json", "room-after.ply", "room-after.truth.json",
    ]  # fmt: skip
    before, after = (json.loads(path.read_text("utf-8")) for path in (paths[1], paths[3]))
    assert "placed" not in before
    thickness_m = after["mean_z_m"] - before["mean_z_m"]
    assert after["placed"]["volume_l"] == pytest.approx(1000 * thickness_m * after["area_m2"])
    planned_l = before["datum"]["volume_l"] + 1.0 * before["area_m2"]
    assert abs(after["placed"]["volume_l"] - planned_l) < 0.5 * after["area_m2"]
    assert after["crates"] == []
    points = read_doubles(paths[0], b"end_header\n")
    assert not np.array_equal(points[:100], read_doubles(paths[2], b"end_header\n")[:100])


def test_door_heads_stay_where_they_are_when_a_floor_is_poured() -> None:
    """The head of the pair's door stands at one level in both scans, and so does the ceiling.

    Heads that rose with the floor told of a ceiling 10 mm lower, and what was placed was null.
    """
    before, after = (take.scene for take in SAMPLES["before-after"].make())
    levels = []
    for scene in (before, after):
        (door,) = scene.doors
        (ax, ay), (bx, by) = scene.outline[door.wall], scene.outline[door.wall + 1]
        share = 0.5 * (door.start_m + door.end_m) / math.hypot(bx - ax, by - ay)
        at = (ax + share * (bx - ax), ay + share * (by - ay))
        levels.append(float(scene.relief.height(*map(np.asarray, at))) + door.head_m)
    assert levels[0] == pytest.approx(levels[1], abs=1e-9)
    assert before.ceiling_m == after.ceiling_m


def test_a_perfectly_flat_floor_takes_the_least_depth_everywhere() -> None:
    """20 m² at 2 mm are 40 litres: the noise-only sample's truth."""
    truth = scene_truth(SAMPLES["noise-only"].make()[0].scene)
    assert truth.datum.volume_l == pytest.approx(40.0, rel=1e-9)
    assert truth.range_mm == 0.0


@pytest.mark.parametrize(
    ("how", "error", "message"),
    [
        ({"points": 10}, JobError, "10 points were asked for; ask for 1000 to 5000000"),
        ({"seed": -1}, JobError, "seed is -1; give 0 or more"),
        ({"path": "a.xyz"}, JobError, r"extension '.xyz' names no format; end the name in one of"),
        ({"path": "no/a.laz"}, OutputError, "its folder does not exist; make the folder first"),
        ({"path": "there.laz"}, OutputError, "exists already; choose another name"),
    ],
)
def test_a_sample_that_cannot_be_written_is_refused(
    tmp_path: Path, how: dict, error: type[Exception], message: str
) -> None:
    """Before any ray is cast, and nothing is left behind."""
    (tmp_path / "there.laz").write_bytes(b"mine")
    path = tmp_path / how.pop("path", "a.laz")
    with pytest.raises(error, match=message):
        write_sample("noise-only", path, **how)
    assert [p.name for p in tmp_path.iterdir()] == ["there.laz"]
    assert (tmp_path / "there.laz").read_bytes() == b"mine"


# --- files ---------------------------------------------------------------------------------


@pytest.mark.parametrize("extension", ["las", "laz", "LAZ"])
def test_las_keeps_site_coordinates_to_the_tenth_of_a_millimetre(
    tmp_path: Path, extension: str
) -> None:
    """At 5 400 000 m a point comes back within half a step of 0.1 mm, with its set-up."""
    shot = scenes.shot_of(scenes.cluttered_room(), points=4000)
    path = write_scan(tmp_path / f"a.{extension}", shot.points_m, shot.station)
    las = laspy.read(path)
    assert_allclose(las.xyz, shot.points_m, atol=0.00005 + 2e-9, rtol=0)
    assert_allclose(las.header.scales, 0.0001)
    assert np.array_equal(las.point_source_id, shot.station + 1)
    assert las.header.are_points_compressed == (extension.lower() == "laz")


@pytest.mark.parametrize(
    ("extension", "end"), [("ply", b"end_header\n"), ("pcd", b"DATA binary\n")]
)
def test_ply_and_pcd_keep_every_bit(tmp_path: Path, extension: str, end: bytes) -> None:
    """Doubles in, the same doubles out."""
    shot = scenes.shot_of(scenes.cluttered_room(), points=4000)
    path = write_scan(tmp_path / f"a.{extension}", shot.points_m)
    assert np.array_equal(read_doubles(path, end), shot.points_m)
    assert str(len(shot.points_m)).encode() in path.read_bytes()[:300]


@pytest.mark.parametrize(
    ("points", "message"),
    [
        (np.empty((0, 3)), r"points have shape \(0, 3\); give \(n, 3\), n > 0"),
        (np.zeros((4, 2)), r"points have shape \(4, 2\)"),
        (np.array([[0.0, np.nan, 0.0]]), "points are not all finite; drop NaN and inf"),
    ],
)
def test_no_scan_is_written_of_what_is_no_scan(
    tmp_path: Path, points: np.ndarray, message: str
) -> None:
    """Empty, flat or broken arrays are refused, and no file appears."""
    with pytest.raises(JobError, match=message):
        write_scan(tmp_path / "a.ply", points)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_cannot_be_written_says_so_and_leaves_nothing(tmp_path: Path) -> None:
    """The system's reason stands in the message; the half file is gone."""
    target = tmp_path / "taken.ply"
    target.mkdir()
    with pytest.raises(OutputError, match=r"taken.ply: cannot be written \(Is a directory\)"):
        write_scan(target, np.zeros((1, 3)))
    assert [p.name for p in tmp_path.iterdir()] == ["taken.ply"]


def test_the_shipped_scans_are_what_their_truths_say() -> None:
    """In sample_scans each scan has its truth, together below 12 MB, with floor at its levels."""
    folder = Path(__file__).resolve().parent.parent / "sample_scans"
    files = sorted(folder.iterdir())
    assert sum(path.stat().st_size for path in files) < 12e6
    truths = [path for path in files if path.name.endswith(".truth.json")]
    assert len(truths) >= 5
    assert {path.suffix for path in files} >= {".laz", ".ply", ".pcd"}
    for path in truths:
        truth = json.loads(path.read_text("utf-8"))
        assert truth["description"]
        scan = folder / truth["file"]
        if scan.suffix == ".laz":
            points = laspy.read(scan).xyz
        elif scan.suffix == ".ply":
            points = read_doubles(scan, b"end_header\n")
        else:
            points = read_doubles(scan, b"DATA binary\n")
        assert len(points) == truth["scan"]["points"]
        assert 50_000 < len(points) < 400_000
        low, high = truth["low_z_m"] - 0.05, truth["high_z_m"] + 0.05
        share = np.count_nonzero((points[:, 2] > low) & (points[:, 2] < high)) / len(points)
        assert share >= truth["scan"]["floor_points"] / len(points)
