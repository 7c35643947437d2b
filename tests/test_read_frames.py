"""Unit and vertical where a file does not say: by evidence and stated, or asked for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

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
    note, size = scan.assumptions[0].rsplit(" ", 6)[0], scan.assumptions[0].split()[-6:-1:2]
    assert note == "the file does not say its unit: metres are taken, which makes the scan"
    assert [float(side) for side in size] == pytest.approx([6.0, 4.0, 2.6], rel=0.02)


def test_what_may_be_feet_is_pointed_out(tmp_path: Path) -> None:
    """G03: a hall of 8.5 m height may be a room of 8.5 ft: metres are taken, feet are named."""
    scan = read_bytes(tmp_path, "room.ply", ply_bytes(columns_of(ROOM / LENGTH_UNITS["ft"])))
    assert scan.inputs[0].units == "m"
    assert scan.assumptions[0].endswith("(if these are feet, give --units ft)")


@pytest.mark.parametrize(("unit", "hint"), [
    ("mm", "--units mm makes it 6 m long"),
    ("cm", "--units cm makes it 6 m long"),
    ("in", "--units in makes it 6 m long"),
])  # fmt: skip
def test_a_size_that_no_floor_has_in_metres_is_asked_about(
    unit: str, hint: str, tmp_path: Path
) -> None:
    """F57, G03: exit 2 with the size found and the word to type; nothing is guessed."""
    content = ply_bytes(columns_of(ROOM / LENGTH_UNITS[unit]))
    with pytest.raises(JobError, match=r"does not say its unit, and .* is not the size") as info:
        read_bytes(tmp_path, "room.ply", content)
    assert hint in info.value.hint
    assert info.value.exit_status == 2


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


def test_two_likely_verticals_are_asked_about(tmp_path: Path) -> None:
    """G05: where a wall is as large as the floor, the user says: exit 2, with both words."""
    content = ply_bytes(columns_of(hall(height_m=5.0, width_m=3.0)))
    with pytest.raises(JobError, match=r"y and z are both likely .*; say it with --up y or --up z"):
        read_bytes(tmp_path, "shaft.ply", content)
    assert read_bytes(tmp_path, "shaft.ply", content, up="z").frame.up == "z"


def test_a_passage_keeps_z(tmp_path: Path) -> None:
    """A passage 2 m wide and 2.6 m high has walls larger than its floor, and z is up."""
    content = ply_bytes(columns_of(hall(height_m=2.6, length_m=15.0, width_m=2.0)))
    scan = read_bytes(tmp_path, "passage.ply", content)
    assert scan.frame.up == "z"
    assert "no level layer speaks clearly for another axis" in scan.assumptions[-1]


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
    with pytest.raises(JobError, match=r"b\.ply: y is up here, z in .*a\.las; give --up"):
        read_scan(a, b)


def test_stations_show_their_vertical_together(tmp_path: Path) -> None:
    """A station that sees a shaft only is no question where the others see the floor."""
    shaft = hall(height_m=5.0, width_m=3.0) + np.array([20.0, 0.0, 0.0])
    a = written(tmp_path, "shaft.ply", ply_bytes(columns_of(shaft)))
    b = written(tmp_path, "hall.ply", ply_bytes(columns_of(hall())))
    with pytest.raises(JobError, match="both likely"):
        read_scan(a)
    assert [item.up for item in read_scan(a, b).inputs] == ["z", "z"]


@given(seed=st.integers(0, 500))
def test_density_is_no_evidence(seed: int) -> None:
    """A wall scanned a hundred times as densely covers no more area."""
    rng = np.random.default_rng(seed)
    floor = rng.uniform(0, 1, (3000, 3)) * [6.0, 5.0, 0.0]
    wall = rng.uniform(0, 1, (30_000, 3)) * [6.0, 0.0, 1.0]
    points = np.concatenate([floor, wall])
    assert layer_area_m2(points, 2) > 3 * layer_area_m2(points, 1)


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
