"""PTS: rows under a count, in one block or several, and counts that lie."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from read_bytes import points_of, read_bytes, refused_at_once, room_points, written

ROOM = room_points()
TAILS = ["", " -1034", " 0.5", " -1034 97 59 38", " 12 34 56"]


def block(points: NDArray[np.float64], *, tail: str = "", end: str = "\n", said: Any = None) -> str:
    """A block of PTS: a count and as many rows, to a hundredth of a millimetre."""
    rows = [f"{x:.5f} {y:.5f} {z:.5f}{tail}" for x, y, z in points]
    return end.join([str(len(points) if said is None else said), *rows, ""])


@given(
    counts=st.lists(st.integers(0, 40), min_size=1, max_size=4).filter(any),
    tails=st.lists(st.sampled_from(TAILS), min_size=4, max_size=4),
    end=st.sampled_from(["\n", "\r\n", "\r", " \n", "\n\n"]),
    mark=st.sampled_from([b"", b"\xef\xbb\xbf"]),
    chunk_points=st.integers(1, 60),
    last_end=st.booleans(),
)
def test_any_blocks_read_right(
    counts: list[int], tails: list[str], end: str, mark: bytes, chunk_points: int,
    last_end: bool, tmp_path_factory: Any,
) -> None:  # fmt: skip
    """F47: blocks joined, intensity and colours of any kind, line ends, a mark; pieces of any size.

    Written to 0.01 mm, which is the lattice: what comes back is exact.
    """
    points = np.round(np.random.default_rng(sum(counts)).uniform(-90, 90, (sum(counts), 3)), 5)
    parts = np.split(points, np.cumsum(counts)[:-1])
    text = "".join(block(p, tail=t, end=end) for p, t in zip(parts, tails, strict=False))
    content = mark + (text if last_end else text.rstrip()).encode()
    folder = tmp_path_factory.mktemp("pts")
    scan = read_bytes(folder, "any.pts", content, units="m", up="z", chunk_points=chunk_points)
    assert scan.inputs[0].format == "PTS"
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(points))
    assert scan.points == sum(counts)


def test_blocks_are_set_ups(tmp_path: Path) -> None:
    """Several blocks are several set-ups whose places are not known; one block is the file."""
    content = (block(ROOM[:10]) + block(ROOM[10:30], tail=" 5")).encode()
    scan = read_bytes(tmp_path, "hall.pts", content)
    assert [station.name for station in scan.stations] == ["hall, block 1", "hall, block 2"]
    assert [sum(c.count for c in s.chunks) for s in scan.stations] == [10, 20]
    assert [station.place_m for station in scan.stations] == [None, None]
    one = read_bytes(tmp_path, "one.pts", block(ROOM).encode())
    assert [station.name for station in one.stations] == ["one"]


def test_utf_16_is_read(tmp_path: Path) -> None:
    """F52: text of two bytes a character gives the same points."""
    for name, coding in (("le", "utf-16-le"), ("be", "utf-16-be")):
        scan = read_bytes(tmp_path, name, ("\ufeff" + block(ROOM, end="\r\n")).encode(coding))
        assert np.array_equal(points_of(scan), scan.frame.to_lattice(np.round(ROOM, 5)))


def test_points_without_numbers_are_dropped_and_counted(tmp_path: Path) -> None:
    """G01: NaN rows are no points; up to 1 % they are dropped and said."""
    rows = block(ROOM[:199], said=200) + "nan nan nan\n"
    scan = read_bytes(tmp_path, "void.pts", rows.encode())
    assert len(points_of(scan)) == 199
    assert "1 points without numbers left out" in scan.warnings[0][1]


FEW = ROOM[:10]
FAULTS: list[tuple[str, Callable[[], str], str]] = [
    ("F47", lambda: block(FEW, said=11), r"says 11 points, holds 10; "),
    ("F47", lambda: block(FEW, said=9), r"says 9 points, holds 10; "),
    ("F47", lambda: block(FEW, said=4_000_000_000), r"says 4000000000 points, holds 10; "),
    ("F47", lambda: block(FEW) + block(FEW, said=11) + block(FEW),
     r"block 2 says 11 points, holds 10; "),
    ("F47", lambda: block(FEW) + block(FEW, said=1), r"block 2 says 1 points, holds 10; "),
    ("cut", lambda: block(FEW[:9], said=10), r"says 10 points, holds 9; "),
    ("cut", lambda: block(FEW[:9], said=10) + "1.5 2.", r"row 10 has 2 values, 3 were promised"),
    ("cut", lambda: block(FEW[:9], said=10) + "1.5", r"says 10 points, holds 9; "),
    ("F50", lambda: block(FEW) + "end\n", r"'end' at byte \d+ is neither a point nor a count"),
    ("F50", lambda: block(FEW) + "-3\n", r"'-3' at byte \d+ is neither a point nor a count"),
    ("F50", lambda: block(FEW[:9], said=10) + "1 2 3 4\n", r"row 10 has 4 values, 3 were promised"),
    ("F50", lambda: block(FEW) + block(FEW[:4], said=5) + "1 x 3\n", r"row 15: 'x' is no number"),
    ("F50", lambda: block(FEW) + "1\n7 8\n", r"row 11 has 2 values, a point needs three"),
    ("F49", lambda: block(FEW[:9], said=10) + "1,5 2 3\n", r"row 10: '1,5' .*a decimal comma\?"),
    ("nul", lambda: block(FEW) + "\0" * 600, r"a zero byte among the rows, at byte \d+"),
    ("line", lambda: block(FEW) + "1 " * 40_000, r"is longer than 65536 bytes"),
    ("lines", lambda: block(FEW) + "1\n" * 30_000, r"more than 20000 lines hold one value only"),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "make", "sentence"), FAULTS)
def test_a_lying_file_is_refused(
    fault: str, make: Callable[[], str], sentence: str, tmp_path: Path
) -> None:
    """Each fault by its sentence, exit 3, in no time and no memory."""
    refused_at_once(written(tmp_path, "lie.pts", make().encode()), sentence, megabytes=20)


def test_no_count_is_a_table(tmp_path: Path) -> None:
    """F47: without its count the file is a plain table, with the same points."""
    content = block(ROOM, tail=" -900 9 9 9").partition("\n")[2].encode()
    scan = read_bytes(tmp_path, "bare.pts", content)
    assert scan.inputs[0].format == "XYZ text"
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(np.round(ROOM, 5)))
