"""Unit and vertical where a file does not say: by evidence and stated, or asked for."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mesh_files import room_mesh, write_mesh
from pourdatum.errors import JobError
from pourdatum.read import read_scan
from pourdatum.read.look import Gatherer, stored_step
from pourdatum.read.standing import layer_area_m2
from pourdatum.read.vertical import stands_odd
from pourdatum.scan import LATTICE_M
from pourdatum.units import LENGTH_UNITS
from read_bytes import columns_of, las_bytes, ply_bytes, points_of, read_bytes, room_points, written

ROOM = room_points(20_000)
# Rows: where plan x, plan y and level of the scan lie in the file, by the axis that is up.
TURNED = {
    "z": lambda p: p,
    "-z": lambda p: np.stack([p[:, 0], -p[:, 1], -p[:, 2]], axis=1),
    "y": lambda p: np.stack([p[:, 0], p[:, 2], -p[:, 1]], axis=1),
    "-y": lambda p: np.stack([p[:, 0], -p[:, 2], p[:, 1]], axis=1),
    "x": lambda p: np.stack([p[:, 2], p[:, 0], p[:, 1]], axis=1),
    "-x": lambda p: np.stack([-p[:, 2], p[:, 0], -p[:, 1]], axis=1),
}


def hall(height_m: float = 3.0, length_m: float = 12.0, width_m: float = 9.0) -> np.ndarray:
    """Points of a floor and four walls, evenly over their area, z up [m]."""
    rng = np.random.default_rng(3)
    floor = rng.uniform(0, 1, (int(400 * length_m * width_m), 3)) * [length_m, width_m, 0.0]
    walls = []
    for axis, far, along in ((0, length_m, width_m), (1, width_m, length_m)):
        for place in (0.0, far):
            wall = rng.uniform(0, 1, (int(400 * along * height_m), 3))
            wall *= [length_m, width_m, height_m]
            wall[:, axis] = place
            walls.append(wall)
    points = np.concatenate([floor, *walls])
    return np.asarray(points + rng.normal(0, 0.001, points.shape))


# --- units --------------------------------------------------------------------------


@pytest.mark.parametrize("unit", LENGTH_UNITS)
def test_one_room_in_any_unit_is_one_room(unit: str, tmp_path: Path) -> None:
    """Millimetres, feet and metres agree, once the unit is said; to half a lattice step."""
    content = ply_bytes(columns_of(ROOM / LENGTH_UNITS[unit]))
    scan = read_bytes(tmp_path, "room.ply", content, units=unit)
    metres = points_of(scan) * LATTICE_M + np.array(scan.origin_m)
    assert np.abs(metres - ROOM).max() <= 0.5 * LATTICE_M + 1e-12
    assert scan.inputs[0].units == unit


def test_metres_are_taken_where_the_size_allows_and_said(tmp_path: Path) -> None:
    """A room of 6 x 4 x 2.6 is in metres, and the assumption is stated with the size."""
    scan = read_bytes(tmp_path, "room.ply", ply_bytes(columns_of(ROOM)))
    assert scan.inputs[0].units == "m"
    said = re.fullmatch(
        r"the file does not say its unit: metres are taken, which makes the room "
        r"(\S+) x (\S+) m and (\S+) m high",
        scan.assumptions[0],
    )
    assert said is not None
    assert [float(side) for side in said.groups()] == pytest.approx([6.0, 4.0, 2.6], rel=0.03)


@pytest.mark.parametrize("ceiling", [True, False])
@pytest.mark.parametrize(("unit", "words"), [
    ("mm", "millimetres"), ("cm", "centimetres"), ("in", "inches"),
])  # fmt: skip
def test_a_room_is_one_in_a_single_unit(
    unit: str, words: str, ceiling: bool, tmp_path: Path
) -> None:
    """G03: a storey of 2.6 m fits no other unit: 26 m or 66 m high, or a crawl space of 1 m."""
    points = ROOM
    if ceiling:
        above = np.random.default_rng(2).uniform(0, 1, (8000, 3)) * [6.0, 4.0, 0.0] + [0, 0, 2.6]
        points = np.concatenate([ROOM, above])
    scan = read_bytes(tmp_path, "room.ply", ply_bytes(columns_of(points / LENGTH_UNITS[unit])))
    assert scan.inputs[0].units == unit
    assert f"{words} are taken, which makes the room 6" in scan.assumptions[0]


def test_the_unit_is_found_on_its_side(tmp_path: Path) -> None:
    """The same hall, y up and in millimetres, untold: both are found, and said."""
    content = ply_bytes(columns_of(TURNED["y"](hall()) * 1000.0))
    scan = read_bytes(tmp_path, "hall.ply", content)
    assert (scan.inputs[0].units, scan.inputs[0].up) == ("mm", "y")


@pytest.mark.parametrize(("size_m", "factor"), [((6.0, 4.0, 2.6), "ft"), ((40.0, 20.0, 8.0), "m")])
def test_what_is_a_room_in_feet_and_a_hall_in_metres_is_asked(
    size_m: tuple[float, float, float], factor: str, tmp_path: Path
) -> None:
    """G03: 8 units high is a room in feet and may be a hall in metres: exit 2, with both."""
    length, width, height = size_m
    points = hall(height_m=height, length_m=length, width_m=width) / LENGTH_UNITS[factor]
    with pytest.raises(JobError, match=r"may be in metres or feet; .*--units m .*--units ft") as no:
        read_bytes(tmp_path, "room.ply", ply_bytes(columns_of(points[::4])))
    assert no.value.exit_status == 2


def test_las_keeps_metres_for_an_ordinary_hall(tmp_path: Path) -> None:
    """G03: metres are usual in LAS: a hall of 40 x 20 x 8 stays one, and feet are named."""
    stored = np.rint(hall(height_m=8.0, length_m=40.0, width_m=20.0)[::8] * 1e3).astype(int)
    scan = read_bytes(tmp_path, "hall.las", las_bytes(stored, scale=1e-3))
    assert scan.inputs[0].units == "m"
    assert scan.assumptions[0].endswith("(if these are feet, give --units ft)")


def test_a_bare_slab_does_not_tell_centimetres_from_millimetres(tmp_path: Path) -> None:
    """G03: 6000 x 4000 units may be 6 m in mm and 60 m in cm: asked, with both words."""
    slab = ROOM * [1000.0, 1000.0, 0.0]
    with pytest.raises(JobError, match=r"is not the size of a floor scan") as info:
        read_bytes(tmp_path, "slab.ply", ply_bytes(columns_of(slab)))
    assert "--units mm makes the scan 6 x 4.01 x 0 m" in info.value.hint
    assert "--units cm makes the scan 60 x 40.1 x 0 m" in info.value.hint


def test_far_strays_do_not_change_the_size(tmp_path: Path) -> None:
    """A few returns from outside the window, a kilometre away, are not the scan's size."""
    points = ROOM.copy()
    points[::500] *= 300.0
    scan = read_bytes(tmp_path, "room.ply", ply_bytes(columns_of(points)))
    assert scan.inputs[0].units == "m"
    assert scan.high_m[0] > 100.0


def test_an_unknown_unit_or_axis_names_the_known_ones(tmp_path: Path) -> None:
    """A word out of range is exit 2, with the words that are not."""
    path = written(tmp_path, "room.ply", ply_bytes(columns_of(ROOM)))
    with pytest.raises(JobError, match=r"--units: unit 'yd' is not known; use one of m, cm, mm"):
        read_scan(path, units="yd")
    with pytest.raises(JobError, match=r"--up: 'w' is no axis; use x, y or z"):
        read_scan(path, up="w")


# --- the vertical -------------------------------------------------------------------


@pytest.mark.parametrize("up", TURNED)
def test_a_vertical_that_is_said_gives_the_same_scan(up: str, tmp_path: Path) -> None:
    """G05: the room turned in the file, and turned back by --up, is the room."""
    scan = read_bytes(tmp_path, "room.ply", ply_bytes(columns_of(TURNED[up](ROOM))), up=up)
    metres = points_of(scan) * LATTICE_M + np.array(scan.origin_m)
    level = metres[:, 2]
    assert np.abs(level - ROOM[:, 2]).max() <= 0.5 * LATTICE_M + 1e-12
    # The plan may be turned about the vertical, never mirrored: areas keep their sign.
    a, b, c = (ROOM[i, :2] for i in (0, 1, 2))
    p, q, r = (metres[i, :2] for i in (0, 1, 2))
    before, after = (np.linalg.det(np.stack([v - u, w - u])) for u, v, w in ((a, b, c), (p, q, r)))
    assert after == pytest.approx(before, abs=1e-3)


@pytest.mark.parametrize("up", ["x", "y", "z"])
def test_the_floor_shows_which_axis_is_up(up: str, tmp_path: Path) -> None:
    """G05: a hall whose floor is far larger than its walls needs no word; the ratio is said."""
    scan = read_bytes(tmp_path, "hall.ply", ply_bytes(columns_of(TURNED[up](hall()))))
    assert scan.frame.up == scan.inputs[0].up == up
    assert f"the file does not say which way is up: {up} is taken" in scan.assumptions[-1]
    assert "m² across" in scan.assumptions[-1]


@pytest.mark.parametrize("up", ["x", "y", "z"])
def test_the_size_that_is_said_is_that_of_the_room_upright(up: str, tmp_path: Path) -> None:
    """A room of 8 by 5 m was said to be 3 m wide and 5 m high where y was found to be up."""
    room = TURNED[up](hall(height_m=3.0, length_m=8.0, width_m=5.0))
    scan = read_bytes(tmp_path, "room.ply", ply_bytes(columns_of(room)))
    (said,) = [one for one in scan.assumptions if "makes the room" in one]
    assert re.search(r"which makes the room 8 x 5 m and 2\.[89]\d* m high$", said), said


def test_two_likely_verticals_are_asked_about(tmp_path: Path) -> None:
    """G05: where a wall is as large as the floor, the user says: exit 2, with both words."""
    content = ply_bytes(columns_of(hall(height_m=5.0, width_m=3.0)))
    with pytest.raises(JobError, match=r"y and z are both likely .*; say it with --up y or --up z"):
        read_bytes(tmp_path, "shaft.ply", content)
    assert read_bytes(tmp_path, "shaft.ply", content, up="z").frame.up == "z"


def test_a_passage_is_a_question(tmp_path: Path) -> None:
    """A passage 2 m wide and 2.6 m high has walls larger than its floor: either may be one."""
    content = ply_bytes(columns_of(hall(height_m=2.6, length_m=15.0, width_m=2.0)))
    with pytest.raises(JobError, match="both likely"):
        read_bytes(tmp_path, "passage.ply", content)
    assert read_bytes(tmp_path, "passage.ply", content, up="z").frame.up == "z"


@pytest.mark.parametrize("seed", range(12))
def test_an_empty_room_is_answered_right_or_asked_about(seed: int, tmp_path: Path) -> None:
    """Rooms and corridors with and without ceiling, written y up and z up: never the wrong axis."""
    rng = np.random.default_rng((2026, seed))
    length, width, height = rng.uniform(1.2, 8.0), rng.uniform(1.2, 8.0), rng.uniform(2.2, 4.0)
    room = box(length, width, height)
    if seed % 3 == 0:
        room = room[room[:, 2] < height - 0.02]
    for up in ("z", "y"):
        content = ply_bytes(columns_of(TURNED[up](room)))
        try:
            found = read_bytes(tmp_path, f"{up}.ply", content, units="m").frame.up
        except JobError as asked:
            found = "asked" if asked.id == "up-unknown" else asked.id
        assert found in (up, "asked")


def test_a_floor_turned_over_is_told(tmp_path: Path) -> None:
    """Everything below the largest layer: a ceiling alone, or upside down; told, not turned."""
    scan = read_bytes(tmp_path, "over.ply", ply_bytes(columns_of(TURNED["-z"](hall()))))
    assert scan.frame.up == "z"
    assert [code for code, _ in scan.warnings] == ["upside-down"]
    assert scan.warnings[0][1].endswith("if the scan is upside down give --up -z")
    assert read_bytes(tmp_path, "right.ply", ply_bytes(columns_of(hall()))).warnings == ()


def test_files_that_disagree_about_the_vertical_are_asked_about(tmp_path: Path) -> None:
    """Stations of one campaign have one vertical."""
    a = written(tmp_path, "a.las", las_bytes(np.rint(hall() * 1e4).astype(int)))
    b = written(tmp_path, "b.ply", ply_bytes(columns_of(TURNED["y"](hall()))))
    with pytest.raises(
        JobError, match=r"b\.ply: y is up here, z in .*a\.las; export all .* or give --up"
    ):
        read_scan(a, b)


def test_stations_show_their_vertical_together(tmp_path: Path) -> None:
    """A station that sees a shaft only is no question where the others see the floor."""
    shaft = hall(height_m=5.0, width_m=3.0) + np.array([20.0, 0.0, 0.0])
    a = written(tmp_path, "shaft.ply", ply_bytes(columns_of(shaft)))
    b = written(tmp_path, "hall.ply", ply_bytes(columns_of(hall())))
    with pytest.raises(JobError, match="both likely"):
        read_scan(a)
    assert [item.up for item in read_scan(a, b).inputs] == ["z", "z"]


def glb_of(unit: str, folder: Path, wall_m: float = 2.6, long_m: float = 6.0) -> Path:
    """A room half as long again as wide as GLB, written in a unit that GLB does not have."""
    places, faces = room_mesh(
        lambda x, y: 0.0 * x,
        np.linspace(0, long_m, 25),
        np.linspace(0, long_m / 1.5, 17),
        wall_m=wall_m,
    )
    return write_mesh(folder / f"{unit}.glb", places / LENGTH_UNITS[unit], faces)


@pytest.mark.parametrize("unit", ["ft", "in", "cm", "mm"])
def test_a_mesh_that_is_a_room_in_another_unit_is_asked_about(unit: str, tmp_path: Path) -> None:
    """glTF 2.0 lays metres down; a room of 2.6 m exported in feet would be 8.5 m high: asked.

    The question gives the height that follows from the unit in which it is a room.
    """
    path = glb_of(unit, tmp_path)
    with pytest.raises(
        JobError, match=rf"--units {unit} makes the room .* and 2\.\d+ m high"
    ) as info:
        read_scan(path)
    assert info.value.id == "unit-unknown"
    assert read_scan(path, units=unit).frame.unit_m == LENGTH_UNITS[unit]
    notes = read_scan(glb_of("m", tmp_path)).assumptions
    assert "the file states no unit: metres are taken, as its standard lays down" in notes


def test_a_high_mesh_says_its_height(tmp_path: Path) -> None:
    """45 by 30 m and 20 m high is no room or hall in any unit: metres, and the height is said."""
    scan = read_scan(glb_of("m", tmp_path, wall_m=20.0, long_m=45.0))
    assert scan.frame.unit_m == 1.0
    told = " / ".join(scan.assumptions)
    (height,) = re.findall(r"as its standard lays down, [^/]* and (\S+) m high", told)
    assert float(height) == pytest.approx(20.0, rel=0.02)


@given(seed=st.integers(0, 500))
def test_density_is_no_evidence(seed: int) -> None:
    """A wall scanned a hundred times as densely covers no more area."""
    rng = np.random.default_rng(seed)
    floor = rng.uniform(0, 1, (3000, 3)) * [6.0, 5.0, 0.0]
    wall = rng.uniform(0, 1, (30_000, 3)) * [6.0, 0.0, 1.0]
    points = np.concatenate([floor, wall])
    assert layer_area_m2(points, 2) > 3 * layer_area_m2(points, 1)


# --- against a convention -----------------------------------------------------------


def box(length_m: float, width_m: float, height_m: float, count: int = 30_000) -> np.ndarray:
    """Points on the six faces of a room, evenly over their area [m]."""
    rng = np.random.default_rng(7)
    size = np.array([length_m, width_m, height_m])
    areas = np.array([np.prod(np.delete(size, axis)) for axis in (0, 0, 1, 1, 2, 2)])
    face = rng.choice(6, count, p=areas / areas.sum())
    points = rng.uniform(0, 1, (count, 3)) * size
    rows = np.arange(count)
    points[rows, face // 2] = np.where(face % 2, size[face // 2], 0.0)
    return np.asarray(points + rng.normal(0, 0.002, points.shape))


def crate(
    x: float, y: float, wide: float, deep: float, high: float, foot: float = 0.0
) -> np.ndarray:
    """Points on top and sides of a thing [m]."""
    rng = np.random.default_rng(8)
    areas = np.array([wide * deep, *[wide * high] * 2, *[deep * high] * 2])
    count = int(1500 * areas.sum())
    face = rng.choice(5, count, p=areas / areas.sum())
    points = rng.uniform(0, 1, (count, 3)) * [wide, deep, high]
    for k, (axis, end) in enumerate(((2, high), (1, 0.0), (1, deep), (0, 0.0), (0, wide))):
        points[face == k, axis] = end
    return np.asarray(points + np.array([x, y, foot]))


FURNITURE = np.concatenate([
    crate(1, 1, 1, 0.6, 0.8), crate(3, 2, 0.5, 0.5, 1.2),
    crate(4.5, 0.1, 1, 0.6, 1.9), crate(0.1, 3, 0.6, 0.9, 0.5),
])  # fmt: skip
STAIRS = np.concatenate([
    np.stack([4 * u if k % 2 == 0 else 4 - 4 * u, v + 1.3 * (k % 2),
              3 * k + 0.17 * np.floor(17 * u)], axis=1)
    for k in range(4)
    for u, v in [np.random.default_rng(k).uniform(0, 1, (2, 3000)) * [[1.0], [1.2]]]
])  # fmt: skip
RACKS = np.concatenate([crate(1 + 6 * i, 0.1, 4.5, 0.9, 1.2, 0.6 + 1.8 * k)[::3]
                        for i in range(6) for k in range(5)])  # fmt: skip
WALL = np.random.default_rng(9).uniform(0, 1, (30_000, 3)) * [40.0, 0.0, 10.0]
PIPES = np.concatenate([crate(0.3, 0.05, 19, 0.4, 0.4, 1.8), crate(0.3, 0.05, 19, 0.2, 0.2, 0.9)])
HELD = {
    "narrow corridor": box(15, 2.0, 2.6),
    "high corridor with pipes on a wall": np.concatenate([box(20, 2.4, 3.4), PIPES]),
    "stair well": np.concatenate([box(5, 2.5, 12), STAIRS]),
    "warehouse racks": np.concatenate([box(40, 4, 10), RACKS]),
    "racks on both sides": np.concatenate([box(40, 5, 10), RACKS, RACKS + np.array([0, 3.9, 0])]),
    "big wall, thin floor strip": np.concatenate([WALL, WALL[:6000] * [1, 0, 0] +
        np.random.default_rng(3).uniform(0, 1, (6000, 3)) * [0, 0.6, 0]]),
    "facade": WALL + np.array([0, 0, 3]),
    "floor patch": np.random.default_rng(4).uniform(0, 1, (9000, 3)) * [6, 4, 0.004],
    "furnished room": np.concatenate([box(6, 4, 2.6), FURNITURE]),
    "tall narrow furnished room": np.concatenate([box(8, 3, 6), FURNITURE * [1, 0.7, 1]]),
    "ducts under the ceiling": np.concatenate([box(8, 6, 2.8), crate(1, 1, 6, 0.5, 0.4, 2.35)]),
}  # fmt: skip


@pytest.mark.parametrize("name", HELD)
def test_the_convention_is_held_where_a_wall_is_larger_than_the_floor(
    name: str, tmp_path: Path
) -> None:
    """Scenes with z up in which another axis has the larger layer, or no floor shows: z stays."""
    stored = np.rint(HELD[name] * 1e3).astype(int)
    scan = read_bytes(tmp_path, "scene.las", las_bytes(stored, scale=1e-3))
    assert (scan.inputs[0].up, scan.level_known) == ("z", True)


@pytest.mark.parametrize("up", ["x", "y"])
@pytest.mark.parametrize("ceiling", [True, False])
def test_floor_and_walls_together_override_the_convention(
    up: str, ceiling: bool, tmp_path: Path
) -> None:
    """A furnished room on its side in a LAS file: things stand on its floor, and it is said."""
    room = np.concatenate([box(6, 4, 2.6), FURNITURE])
    room = room[(room[:, 2] < 2.5) | ceiling]
    scan = read_bytes(tmp_path, "side.las", las_bytes(np.rint(TURNED[up](room) * 1e4).astype(int)))
    assert scan.inputs[0].up == up
    said = f"z is up by the format's convention, but floor and walls together show that {up} is"
    assert any(text.startswith(said) for text in scan.assumptions)


def test_a_room_askew_in_plan_and_on_its_side_is_seen_without_furniture(tmp_path: Path) -> None:
    """Nothing level lies across z at all: an empty room askew in plan is no shaft."""
    turn = np.array([[np.cos(0.5), -np.sin(0.5), 0], [np.sin(0.5), np.cos(0.5), 0], [0, 0, 1]])
    askew = box(8, 6, 2.6) @ turn.T
    content = las_bytes(np.rint(TURNED["y"](askew) * 1e4).astype(int))
    assert read_bytes(tmp_path, "side.las", content).inputs[0].up == "y"


OPEN_ABOVE = box(8, 6, 2.6)
ASKED = {
    "room on its side": (TURNED["y"](box(12, 9, 3)), "y"),
    "small room on its side": (TURNED["y"](box(5, 6, 2.6)), "y"),
    "room on its side without ceiling": (TURNED["y"](OPEN_ABOVE[OPEN_ABOVE[:, 2] < 2.5]), "y"),
    "shaft": (box(2.5, 2.7, 20), "z"),
    "deep shaft": (box(4, 2.2, 30), "z"),
    "narrow hall": (box(40, 2.5, 10), "z"),
}


@pytest.mark.parametrize("name", ASKED)
def test_an_empty_box_that_is_no_room_as_it_lies_is_a_question(name: str, tmp_path: Path) -> None:
    """An empty box does not say which face is its floor: a shaft z up, or a room y up."""
    points, up = ASKED[name]
    content = las_bytes(np.rint(points * 1e3).astype(int), scale=1e-3)
    with pytest.raises(JobError, match="convention, but an ordinary room") as no:
        read_bytes(tmp_path, "box.las", content)
    assert (no.value.id, no.value.exit_status) == ("up-unknown", 2)
    assert re.match(r"say it with --up [xy], or with --up z if", no.value.hint)
    assert read_bytes(tmp_path, "box.las", content, up=up).frame.up == up


@pytest.mark.parametrize("seed", range(12))
def test_a_room_with_z_up_is_not_asked_about(seed: int, tmp_path: Path) -> None:
    """Empty rooms and passages of any plan, up to 4 m high, as LAS lays down: z, no question."""
    rng = np.random.default_rng((2911, seed))
    length, width = rng.uniform(1.2, 30.0, 2)
    room = box(length, width, rng.uniform(2.2, 3.9))
    room = room[(room[:, 2] < 2.1) | bool(seed % 2)]
    content = las_bytes(np.rint(room * 1e3).astype(int), scale=1e-3)
    assert read_bytes(tmp_path, "room.las", content).frame.up == "z"


@pytest.mark.parametrize(("up", "height_m", "width_m"), [("z", 5.0, 3.0)])
def test_things_break_the_tie_where_nothing_says(
    up: str, height_m: float, width_m: float, tmp_path: Path
) -> None:
    """Where wall and floor are alike, an empty room is a question; what stands there answers."""
    empty = hall(height_m=height_m, width_m=width_m)
    with pytest.raises(JobError, match="both likely"):
        read_bytes(tmp_path, "empty.ply", ply_bytes(columns_of(TURNED[up](empty))))
    full = np.concatenate([empty, FURNITURE * [1, 0.6, 1]])
    scan = read_bytes(tmp_path, "full.ply", ply_bytes(columns_of(TURNED[up](full))))
    assert scan.inputs[0].up == up
    assert "things stand there" in scan.assumptions[-1]


def test_an_ordinary_storey_decides_between_floor_and_wall(tmp_path: Path) -> None:
    """An empty room of 6.2 x 4.4 x 2.6 on its side: 2.6 m is a storey, 4.4 m is none."""
    content = ply_bytes(columns_of(TURNED["y"](box(6.2, 4.4, 2.6))))
    scan = read_bytes(tmp_path, "side.ply", content)
    assert scan.inputs[0].up == "y"
    assert "floor and ceiling 2.6" in scan.assumptions[-1]


def test_a_furnished_room_upside_down_is_asked_about(tmp_path: Path) -> None:
    """Things that touch the upper layer hang there, or the scan is turned over: exit 2."""
    room = np.concatenate([box(6, 4, 2.6), FURNITURE])
    content = ply_bytes(columns_of(TURNED["-z"](room)))
    with pytest.raises(JobError, match=r"touches the upper of two level layers.*--up -z .*--up z"):
        read_bytes(tmp_path, "over.ply", content)
    assert read_bytes(tmp_path, "over.ply", content, up="-z").frame.up == "-z"


def test_a_furnished_room_does_not_stand_on_its_ceiling() -> None:
    """Things on the floor and a clear ceiling look right; the same turned over does not."""
    rng = np.random.default_rng(4)
    floor, ceiling = rng.normal(0.0, 0.002, 4000), rng.normal(2.6, 0.002, 4000)
    things = rng.uniform(0.1, 1.0, 3000)
    room = np.concatenate([floor, ceiling, things])
    assert stands_odd(room) == ""
    assert stands_odd(-room) == "more things stand against the upper of two level layers"


# --- one look -----------------------------------------------------------------------


@given(
    count=st.integers(1, 400),
    cuts=st.lists(st.integers(1, 60), min_size=1, max_size=9),
)
def test_a_look_does_not_depend_on_the_pieces(count: int, cuts: list[int]) -> None:
    """The sample is every k-th point of the whole, wherever the pieces end."""
    points = np.arange(3.0 * count).reshape(-1, 3)
    records = 500_000  # so that one point in three is taken
    whole, pieces = Gatherer(records), Gatherer(records)
    whole.add(points)
    at = 0
    while at < count:
        step = cuts[at % len(cuts)]
        pieces.add(points[at : at + step])
        at += step
    a, b = whole.result(), pieces.result()
    assert np.array_equal(a.sample, points[::3])
    assert np.array_equal(a.sample, b.sample)
    assert np.array_equal(a.low, b.low)
    assert np.array_equal(a.high, b.high)
    assert a.kept == b.kept == count


@given(step=st.sampled_from([0.001, 0.002, 0.005, 0.01, 0.02, 0.05]), seed=st.integers(0, 99))
def test_rounded_values_show_their_step(step: float, seed: int) -> None:
    """Values rounded to a step have that step; the same values unrounded have none."""
    values = np.random.default_rng(seed).normal(12.0, 0.8, 4000)
    assert stored_step(np.round(values / step) * step) == pytest.approx(step)
    assert stored_step(values) == 0.0


def test_a_level_plane_has_no_step(tmp_path: Path) -> None:
    """A made floor, all at one level, is not called coarse: a step shows in many levels only."""
    flat = ROOM.copy()
    flat[:, 2] = 1.0
    scan = read_bytes(tmp_path, "flat.ply", ply_bytes(columns_of(flat)), up="z")
    assert scan.step_m == 0.0
    stored = np.rint(flat * 1e4).astype(int)
    assert read_bytes(tmp_path, "flat.las", las_bytes(stored)).step_m == pytest.approx(1e-4)
