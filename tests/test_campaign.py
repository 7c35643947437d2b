"""Files of one campaign lie in one frame: what is too far apart for one floor is refused."""

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
from pourdatum.read.campaign import LEVELS_APART_M, PLAN_APART_M, check_together
from read_bytes import columns_of, las_bytes, ply_bytes, room_points, written

ROOM = room_points(6000)
SITE_M = np.array([2_612_000.0, 1_267_000.0, 0.0])
"""Map coordinates of a room; its level is left at 0, so that the plan alone is far."""


def las(folder: Path, name: str, moved_m: object) -> Path:
    """The room in a LAS file, moved."""
    moved = np.asarray(moved_m, float)
    stored = np.rint((ROOM + (moved - np.floor(moved))) * 1e4).astype(int)
    return written(folder, name, las_bytes(stored, offset=tuple(np.floor(moved))))


def ply(folder: Path, name: str, moved_m: object) -> Path:
    """The room in a PLY file of doubles, which says neither unit nor vertical; moved."""
    return written(folder, name, ply_bytes(columns_of(ROOM + np.asarray(moved_m, float))))


@pytest.mark.parametrize("write", [las, ply])
def test_a_local_frame_beside_site_coordinates_is_refused(write: object, tmp_path: Path) -> None:
    """The nearest walls lie hypot(2612000 - 6, 1267000 - 4) m = 2903 km apart: exit 2, one line."""
    here = write(tmp_path, "here.x", (0.0, 0.0, 0.0))  # type: ignore[operator]
    there = write(tmp_path, "there.x", SITE_M)  # type: ignore[operator]
    with pytest.raises(JobError) as info:
        read_scan(here, there)
    assert info.value.exit_status == 2
    assert info.value.id == "frames-apart"
    told = str(info.value)
    assert "\n" not in told
    assert re.search(r"there\.x: lies 2903 km from .*here\.x", told)
    assert "register them into one frame, or run them one by one" in told


def test_two_kilometres_are_two_floors(tmp_path: Path) -> None:
    """Rooms 6 m wide whose corners lie 2 km apart: 1994 m from wall to wall."""
    with pytest.raises(JobError, match=r"b\.las: lies 1994 m from .*a\.las"):
        read_scan(
            las(tmp_path, "a.las", (0.0, 0.0, 0.0)), las(tmp_path, "b.las", (2000.0, 0.0, 0.0))
        )


def test_heights_above_the_sea_beside_heights_from_zero(tmp_path: Path) -> None:
    """One room at level 0, one at 431 m above sea: 431 - 2.6 m of height between them."""
    with pytest.raises(JobError, match=r"b\.las: lies 428 m above .*a\.las"):
        read_scan(las(tmp_path, "a.las", (0.0, 0.0, 0.0)), las(tmp_path, "b.las", (3.0, 0, 431.0)))
    with pytest.raises(JobError, match=r"a\.las: lies 428 m below .*b\.las"):
        read_scan(las(tmp_path, "b.las", (3.0, 0, 431.0)), las(tmp_path, "a.las", (0.0, 0.0, 0.0)))


def test_the_odd_one_out_is_named(tmp_path: Path) -> None:
    """Of three files it is the one far from the two others that is at fault, not the second."""
    files = [
        las(tmp_path, "odd.las", SITE_M),
        las(tmp_path, "one.las", (0.0, 0.0, 0.0)),
        las(tmp_path, "two.las", (20.0, 0.0, 0.0)),
    ]
    with pytest.raises(JobError, match=r"odd\.las: lies 2903 km from .*two\.las and 1 more, "):
        read_scan(*files)


def test_a_stray_point_is_no_bridge(tmp_path: Path) -> None:
    """One 'no return' at zero in a file of map coordinates does not make it reach to zero."""
    moved = ROOM + SITE_M
    moved[17] = 0.0
    site = written(tmp_path, "site.ply", ply_bytes(columns_of(moved)))
    with pytest.raises(JobError, match=r"lies 2903 km from"):
        read_scan(las(tmp_path, "a.las", (0.0, 0.0, 0.0)), site, up="z", units="m")


def test_one_unit_is_not_anothers(tmp_path: Path) -> None:
    """A room in millimetres 10 m off (10 000 in its file) is near a room in metres."""
    moved = ROOM + np.array([10.0, 0.0, 0.0])
    near = written(tmp_path, "mm.las", las_bytes(np.rint(moved * 1e4).astype(int), scale=0.1))
    scan = read_scan(las(tmp_path, "m.las", (0.0, 0.0, 0.0)), near)
    assert [one.units for one in scan.inputs] == ["m", "mm"]


def test_lists_of_levels_lie_together_too(tmp_path: Path) -> None:
    """Two lists of shots over 6 by 4 m, 500 m apart from corner to corner: 494 m between them."""
    files = []
    for name, east in (("a.csv", 0), ("b.csv", 500)):
        rows = [
            f"{name[0]}{x}{y},{x + east}.0,{y}.0,100.0{x}{y}" for x in (0, 3, 6) for y in (0, 4)
        ]
        path = tmp_path / name
        path.write_text("\n".join(["name,easting,northing,level", *rows]) + "\n")
        files.append(path)
    with pytest.raises(JobError, match=r"b\.csv: lies 494 m from .*a\.csv, too far for one floor"):
        read_scan(*files, units="m")


# --- what must pass ------------------------------------------------------------------------------


def boxes_of(corners: np.ndarray, size: tuple[float, float, float]) -> np.ndarray:
    """Boxes (n, 2, 3) of one size at corners (n, 3)."""
    return np.stack([corners, corners + np.asarray(size)], axis=1)


def names(count: int) -> list[str]:
    """Names for that many files."""
    return [f"{k}.las" for k in range(count)]


def test_a_hall_of_tiles_is_one_floor() -> None:
    """40 by 12 tiles of 25 m, a hall of 1000 by 300 m, in any order: each touches the next."""
    x, y = np.meshgrid(25.0 * np.arange(40), 25.0 * np.arange(12))
    corners = np.stack([x.ravel(), y.ravel(), 0.0 * x.ravel()], axis=1)
    np.random.default_rng(1).shuffle(corners)
    check_together(names(len(corners)), boxes_of(corners, (25.0, 25.0, 8.0)))


def test_stations_that_barely_meet_are_one_floor() -> None:
    """Set-ups 120 m apart that each see 50 m of floor leave 20 m unseen: the floor's business."""
    corners = np.array([[120.0 * k, 0.0, 0.0] for k in range(6)])
    check_together(names(6), boxes_of(corners, (100.0, 60.0, 10.0)))


def test_a_floor_below_a_high_roof_is_one_floor() -> None:
    """One file of the floor alone, one of a roof 55 m above it."""
    corners = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 55.0]])
    check_together(names(2), boxes_of(corners, (80.0, 60.0, 0.1)))


@given(
    gap=st.floats(1.0, 1e6),
    turn=st.booleans(),
    level=st.floats(-1e4, 1e4),
)
def test_the_gap_decides_and_nothing_else(gap: float, turn: bool, level: float) -> None:
    """Two boxes of 30 m pass up to the stated gaps and no farther, whichever comes first."""
    boxes = boxes_of(np.array([[0.0, 0, 0], [30.0 + gap, 5.0, level]]), (30.0, 30.0, 3.0))
    if turn:
        boxes = boxes[::-1]
    apart = gap > PLAN_APART_M or abs(level) - 3.0 > LEVELS_APART_M
    if apart:
        with pytest.raises(JobError, match="one by one"):
            check_together(names(2), boxes)
    else:
        check_together(names(2), boxes)


def test_a_mesh_with_y_up_and_a_cloud_with_z_up_are_one_campaign(tmp_path: Path) -> None:
    """Each format lays its axis down: GLB of the same room is put into the frame of LAS, and told.

    The room is 6 by 4 by 2.6 m, its corner at 0: the box of both is that of either.
    """
    edges = np.array([0.0, 6.0]), np.array([0.0, 4.0])
    mesh = write_mesh(tmp_path / "phone.glb", *room_mesh(lambda x, y: 0.0 * x, *edges))
    scan = read_scan(las(tmp_path, "station.las", (0.0, 0.0, 0.0)), mesh)
    assert [file.up for file in scan.inputs] == ["z", "y"]
    for station in scan.stations:
        points = np.concatenate([chunk.load() for chunk in station.chunks]) * 1e-5
        low, high = points.min(axis=0) + scan.origin_m, points.max(axis=0) + scan.origin_m
        assert low == pytest.approx((0.0, 0.0, 0.0), abs=0.05)
        assert high == pytest.approx((6.0, 4.0, 2.6), abs=0.05)
    assert any("y is up here and z in " in note for note in scan.assumptions)
