"""PCD: text, binary and packed, poses and frames of cameras, and headers that lie."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourdatum.errors import LimitMet, ScanError
from pourdatum.read import read_scan
from pourdatum.read.lzf import unpack_lzf
from read_bytes import (
    columns_of,
    memory_below,
    pack_lzf,
    pcd_bytes,
    points_of,
    read_bytes,
    room_points,
    written,
)

ROOM = room_points()
FEW = columns_of(ROOM[:10])
KINDS = ["ascii", "binary", "binary_compressed"]


@given(
    data=st.sampled_from(KINDS),
    types=st.tuples(*[st.sampled_from(["f4", "f8", "i2", "i4"])] * 3),
    extras=st.lists(st.tuples(st.sampled_from(["u1", "i2", "f4", "f8", "u8"]), st.integers(1, 3)),
                    max_size=3),
    order=st.randoms(use_true_random=False),
    upper=st.booleans(),
    count=st.integers(1, 60),
    chunk_points=st.integers(1, 70),
)  # fmt: skip
def test_any_layout_reads_right(
    data: str, types: tuple[str, str, str], extras: list[tuple[str, int]], order: Any,
    upper: bool, count: int, chunk_points: int, tmp_path_factory: Any,
) -> None:  # fmt: skip
    """Field types, several values to a field, any order, upper-case names, pieces of any size."""
    rng = np.random.default_rng(count)
    points = rng.uniform(-90, 90, (count, 3))
    named = {axis: points[:, i].astype(types[i]) for i, axis in enumerate("xyz")}
    expected = np.stack([named[axis].astype(float) for axis in "xyz"], axis=1)
    named |= {
        f"extra{i}": rng.uniform(0, 100, (count, wide)).astype(kind)
        for i, (kind, wide) in enumerate(extras)
    }
    names = list(named)
    order.shuffle(names)
    content = pcd_bytes({n.upper() if upper else n: named[n] for n in names}, data=data)
    folder = tmp_path_factory.mktemp("pcd")
    scan = read_bytes(folder, "any", content, units="m", up="z", chunk_points=chunk_points)
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(expected))


@pytest.mark.parametrize("data", KINDS)
def test_open3d_reads_the_same(data: str, tmp_path: Path) -> None:
    """A reader of another house gives the same points (it takes float32 only in binary)."""
    open3d = pytest.importorskip("open3d")
    columns = columns_of(ROOM.astype(np.float32))
    path = written(tmp_path, "room.pcd", pcd_bytes(columns, data=data))
    scan = read_scan(path)
    theirs = np.asarray(open3d.io.read_point_cloud(str(path)).points)
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(theirs))


def test_old_headers_are_read(tmp_path: Path) -> None:
    """Version 0.5 has neither VIEWPOINT nor, at times, COUNT, HEIGHT or the first comment."""
    content = pcd_bytes(FEW, data="ascii", VIEWPOINT="", COUNT="", HEIGHT="", VERSION=".5")
    bare = content.split(b"\n", 1)[1].replace(b"\n", b"\r\n")
    assert np.array_equal(
        points_of(read_bytes(tmp_path, "a.pcd", content)),
        points_of(read_bytes(tmp_path, "b.pcd", bare)),
    )


@pytest.mark.parametrize("data", KINDS)
def test_no_returns_of_a_camera_are_dropped_and_counted(data: str, tmp_path: Path) -> None:
    """A depth camera marks "no return" with NaN: a third of them is no fault, and is said."""
    points = ROOM.copy()
    points[::3] = np.nan
    scan = read_bytes(tmp_path, "frame.pcd", pcd_bytes(columns_of(points), data=data))
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(ROOM[np.arange(3000) % 3 > 0]))
    assert ("no-return", f"{scan.inputs[0].file}: 1000 of 3000 points had no return") in (
        scan.warnings
    )


def test_a_pose_is_applied_and_said(tmp_path: Path) -> None:
    """VIEWPOINT 1 2 3, turned by 90 degrees about z: (x, y, z) goes to (1 - y, 2 + x, 3 + z)."""
    half = np.sqrt(0.5)
    content = pcd_bytes(columns_of(ROOM), viewpoint=f"1 2 3 {half} 0 0 {half}")
    scan = read_bytes(tmp_path, "posed.pcd", content)
    x, y, z = ROOM.T
    metres = points_of(scan) * 1e-5 + np.array(scan.origin_m)
    assert metres == pytest.approx(np.stack([1 - y, 2 + x, 3 + z], axis=1), abs=0.51e-5)
    assert scan.stations[0].place_m == pytest.approx((1.0, 2.0, 3.0))
    assert "the points are turned and moved by the pose" in scan.assumptions[0]


def test_a_pose_that_says_nothing_is_no_station(tmp_path: Path) -> None:
    """The usual VIEWPOINT is a writer's default: no place of an instrument is made of it."""
    scan = read_bytes(tmp_path, "plain.pcd", pcd_bytes(columns_of(ROOM)))
    assert scan.stations[0].place_m is None


@pytest.mark.parametrize(("viewpoint", "up"), [
    ("0 0 0 1 0 0 0", "-y"),
    ("0 0 0 0 1 0 0", "y"),
])  # fmt: skip
def test_a_frame_of_a_camera_has_its_rows_downwards(
    viewpoint: str, up: str, tmp_path: Path
) -> None:
    """In rows and columns, all ahead along z: the camera's y looks down, its pose may turn it."""
    camera, height = _picture()
    content = pcd_bytes(columns_of(camera), height=height, viewpoint=viewpoint)
    scan = read_bytes(tmp_path, "frame.pcd", content)
    assert scan.frame.up == up
    assert any("a frame of a depth camera" in note for note in scan.assumptions)
    level = points_of(scan)[:, 2] * 1e-5 + scan.origin_m[2]
    assert level == pytest.approx(-camera[:, 1], abs=1e-5)


@pytest.mark.parametrize("data", KINDS)
def test_a_set_up_in_rows_and_columns_is_no_picture(data: str, tmp_path: Path) -> None:
    """A scanner's rows and columns in a site's coordinates lie ahead too: z is up, and known."""
    points = ROOM + np.array([3.0, 5.0, 100.0])
    points[::7] = np.nan
    content = pcd_bytes(columns_of(points), data=data, height=50)
    scan = read_bytes(tmp_path, "site.pcd", content)
    assert (scan.frame.up, scan.level_known) == ("z", True)


def _picture(rows: int = 48, columns: int = 64) -> tuple[Any, int]:
    """What a camera sees of a floor 1.5 m below it and a wall 5 m ahead: x, y, z and its rows."""
    v, u = np.divmod(np.arange(rows * columns), columns)
    across, down = (u - 31.5) / 40.0, (v - 23.5) / 40.0
    ahead = np.where(down > 0.0, np.minimum(5.0, 1.5 / np.maximum(down, 1e-9)), 5.0)
    ahead *= 1.0 + np.random.default_rng(7).normal(0.0, 0.002, len(ahead))
    return np.stack([across * ahead, down * ahead, ahead], axis=1), rows


def _packed_sizes(packed: int | None = None, unpacked: int | None = None) -> bytes:
    content = bytearray(pcd_bytes(FEW, data="binary_compressed"))
    place = content.index(b"binary_compressed\n") + 18
    if packed is not None:
        content[place : place + 4] = packed.to_bytes(4, "little")
    if unpacked is not None:
        content[place + 4 : place + 8] = unpacked.to_bytes(4, "little")
    return bytes(content)


def _packed_body(change: Callable[[bytearray], None]) -> bytes:
    content = bytearray(pcd_bytes(FEW, data="binary_compressed"))
    place = content.index(b"binary_compressed\n") + 26
    body = content[place:]
    change(body)
    return bytes(content[:place] + body)


FAULTS: list[tuple[str, Callable[[], bytes], str]] = [
    ("F45", lambda: pcd_bytes(FEW, POINTS="11"), r"POINTS 11 is not WIDTH x HEIGHT = 10"),
    ("F45", lambda: pcd_bytes(FEW, HEIGHT="3"), r"POINTS 10 is not WIDTH x HEIGHT = 30"),
    ("F45", lambda: pcd_bytes(FEW)[: -24 * 5], r"says 10 points, holds 5: cut short in row 6"),
    ("F45", lambda: pcd_bytes(FEW, WIDTH="-10"), r"WIDTH '-10' is no count"),
    ("F45", lambda: pcd_bytes(FEW, POINTS="ten"), r"POINTS 'ten' is no count"),
    ("F45", lambda: pcd_bytes(FEW, COUNT="1 1 1000000000"), r"COUNT: a record of 8000000016 bytes"),
    ("F45", lambda: pcd_bytes(FEW, COUNT="1 1 2"), r"FIELDS needs one 'z'"),
    ("F45", lambda: pcd_bytes(FEW, COUNT="1 1"), r"COUNT has 2 words for 3 fields"),
    ("F45", lambda: pcd_bytes(FEW, data="ascii", WIDTH="100000000000", POINTS="100000000000"),
     r"says 100000000000 points, holds 10 rows at most"),
    ("F45", lambda: pcd_bytes(FEW, WIDTH="1000000000000", POINTS="1000000000000"),
     r"says 1000000000000 points, holds 10"),
    ("F46", lambda: _packed_sizes(unpacked=2**32 - 1),
     r"the compressed size says 4294967295 bytes, 10 points take 240"),
    ("F46", lambda: _packed_sizes(packed=2**32 - 1),
     r"compressed data take 4294967295 bytes, the file holds \d+"),
    ("F46", lambda: _packed_sizes(packed=1), r"1 bytes cannot hold 240 compressed"),
    ("packed", lambda: _packed_body(lambda b: b.__setitem__(0, 0xE0)),
     r"compressed data are damaged: a copy at byte 0 reaches before the beginning"),
    ("packed", lambda: _packed_sizes(packed=60),
     r"compressed data are damaged: they end after \d+ of 240 bytes"),
    ("size", lambda: pcd_bytes(FEW, SIZE="8 8 3"), r"field z: no TYPE F of SIZE 3"),
    ("type", lambda: pcd_bytes(FEW, TYPE="F F Q"), r"field z: no TYPE Q of SIZE 8"),
    ("fields", lambda: pcd_bytes(FEW, FIELDS="x y w"), r"FIELDS needs one 'z', it lists x, y, w"),
    ("fields", lambda: pcd_bytes(FEW, FIELDS="x y x"), r"FIELDS needs one 'x'"),
    ("data", lambda: pcd_bytes(FEW, DATA="zipped"), r"DATA 'zipped' is none of ascii, binary"),
    ("data", lambda: b"# .PCD v0.7\nVERSION 0.7\nFIELDS x y z\n", r"no line DATA within"),
    ("data", lambda: b"# .PCD v0.7\n#" + b"x" * 50_000_000, r"no line DATA within 65536 bytes"),
    ("line", lambda: pcd_bytes(FEW).replace(b"SIZE", b"NONSENSE 1\nSIZE"),
     r"line 'NONSENSE 1' is not understood"),
    ("pose", lambda: pcd_bytes(FEW, viewpoint="0 0 0 0 0 0 0"), r"VIEWPOINT is no turning"),
    ("pose", lambda: pcd_bytes(FEW, viewpoint="0 0 nan 1 0 0 0"), r"VIEWPOINT is no turning"),
    ("pose", lambda: pcd_bytes(FEW, viewpoint="0 0 0 1"), r"VIEWPOINT needs seven numbers"),
    ("no points", lambda: pcd_bytes(FEW, WIDTH="0", POINTS="0"), r"holds no points \(POINTS 0\)"),
    ("all void", lambda: pcd_bytes(columns_of(np.full((10, 3), np.nan))),
     r"holds no points that are measurements"),
    ("more", lambda: pcd_bytes(FEW) + bytes(range(24)), r"header says 10 points, file holds 11"),
    ("more", lambda: pcd_bytes(FEW, data="ascii") + b"1 2 3\n", r"more follow them"),
    ("row", lambda: pcd_bytes(FEW, data="ascii")[:-1] + b" 9\n",
     r"row 10 has 4 values, 3 were promised"),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "make", "sentence"), FAULTS)
def test_a_lying_file_is_refused(
    fault: str, make: Callable[[], bytes], sentence: str, tmp_path: Path
) -> None:
    """Each fault by its sentence, exit 3, in little memory."""
    path = written(tmp_path, "lie.pcd", make())
    with memory_below(40), pytest.raises(ScanError, match=sentence) as info:
        points_of(read_scan(path))
    assert str(info.value).startswith(f"{path}: ")
    assert "\n" not in str(info.value)


def test_a_packed_body_that_takes_gigabytes_meets_the_limit(tmp_path: Path) -> None:
    """LZF has no pieces: more than a gigabyte at once is a limit, before it is asked for."""
    count = 60_000_000
    need, packed = count * 24, count * 24 // 88 + 1
    content = pcd_bytes(FEW, data="binary_compressed", WIDTH=str(count), POINTS=str(count))
    place = content.index(b"binary_compressed\n") + 18
    with written(tmp_path, "big.pcd", content[:place]).open("ab") as stream:
        stream.write(packed.to_bytes(4, "little") + need.to_bytes(4, "little"))
        stream.truncate(place + 8 + packed)
    with memory_below(40), pytest.raises(LimitMet, match="takes 1440000000 bytes unpacked"):
        read_scan(tmp_path / "big.pcd")


@given(data=st.binary(max_size=300) | st.binary(max_size=9).map(lambda b: b * 60))
def test_what_was_packed_comes_back(data: bytes) -> None:
    """LZF: unpacking undoes packing, also of runs that copy from themselves."""
    assert bytes(unpack_lzf(pack_lzf(data), len(data))) == data


@given(packed=st.binary(max_size=80), size=st.integers(0, 400))
def test_unpacking_noise_ends_in_the_size_or_in_an_error(packed: bytes, size: int) -> None:
    """Whatever the bytes, the result has the size promised, or the refusal says why."""
    out = b""
    with suppress(ValueError):
        out = bytes(unpack_lzf(packed, size))
    assert len(out) in (0, size)
