"""PTX: posed grids of a scanner, against closed forms; headers that lie."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from read_bytes import (
    in_order,
    points_of,
    read_bytes,
    refused_at_once,
    room_points,
    written,
)

ROOM = room_points(600)
HOME = ["0 0 0", "1 0 0", "0 1 0", "0 0 1", "1 0 0 0", "0 1 0 0", "0 0 1 0", "0 0 0 1"]


def about_z(angle: float, place: tuple[float, float, float]) -> list[str]:
    """Place, axes and matrix of a scanner turned about z: its own x axis points to ``angle``.

    In row vectors [x y z 1] M the first row is where the scanner's x axis points.
    """
    c, s = math.cos(angle), math.sin(angle)
    axes = [[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]
    lines = [place, *axes, *([*axis, 0.0] for axis in axes), (*place, 1.0)]
    return [" ".join(f"{v:.12f}" for v in line) for line in lines]


def block(
    rows: NDArray[np.float64], columns: Any, lines: Any, header: list[str] = HOME, tail: str = " .5"
) -> str:
    """A block of PTX; ``columns`` and ``lines`` are what it says of its grid."""
    body = [" ".join(f"{v:.6f}" for v in row) + tail for row in rows]
    return "\n".join([str(columns), str(lines), *header, *body, ""])


def test_a_posed_scanner_stands_where_it_says(tmp_path: Path) -> None:
    """Closed form: at (10, 20, 1.5), x axis to the +y of the scan, the scanner sees 2 m ahead,
    1 m to its left and 1.5 m down what lies at (10 - 1, 20 + 2, 0).
    """
    content = block(np.array([[2.0, 1.0, -1.5]]), 1, 1, about_z(math.pi / 2, (10.0, 20.0, 1.5)))
    scan = read_bytes(tmp_path, "a.ptx", content.encode())
    metres = points_of(scan) * 1e-5 + np.array(scan.origin_m)
    assert metres == pytest.approx(np.array([[9.0, 22.0, 0.0]]), abs=1e-5)
    assert scan.stations[0].place_m == pytest.approx((10.0, 20.0, 1.5))
    assert scan.inputs[0].up == "z"
    assert "turned and moved by the matrix" in scan.assumptions[0]


@given(
    seed=st.integers(0, 1000),
    angles=st.lists(st.floats(-3.0, 3.0), min_size=1, max_size=3),
    void=st.integers(0, 9),
    tail=st.sampled_from(["", " 0.5", " 0.5 12 34 56"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    chunk_points=st.integers(1, 50),
)
def test_several_set_ups_meet_in_one_frame(
    seed: int, angles: list[float], void: int, tail: str, end: str, chunk_points: int,
    tmp_path_factory: Any,
) -> None:  # fmt: skip
    """F48: points of a room, each seen from a scanner turned and moved, come back where they were.

    The scanner's own coordinates are worked out here with complex numbers, z apart; they are
    written to a micrometre, so the lattice of 10 µm is met within one step.
    """
    rng = np.random.default_rng(seed)
    text, expected, places = "", [], []
    for angle in angles:
        place = (*rng.uniform(-20, 20, 2).tolist(), float(rng.uniform(1, 2)))
        world = ROOM[rng.choice(len(ROOM), 12, replace=False)]
        flat = (world[:, 0] + 1j * world[:, 1] - complex(*place[:2])) * np.exp(-1j * angle)
        own = np.stack([flat.real, flat.imag, world[:, 2] - place[2]], axis=1)
        own = np.concatenate([np.zeros((void, 3)), own])
        text += block(own, 12 + void, 1, about_z(angle, place), tail)
        expected.append(world)
        places.append(place)
    content = text.replace("\n", end).encode()
    folder = tmp_path_factory.mktemp("ptx")
    scan = read_bytes(folder, "any.ptx", content, units="m", chunk_points=chunk_points)
    found = points_of(scan)
    assert np.max(np.abs(found - scan.frame.to_lattice(np.concatenate(expected)))) <= 1
    assert [s.place_m for s in scan.stations] == [pytest.approx(p, abs=1e-9) for p in places]
    lost = [text for code, text in scan.warnings if code == "no-return"]
    assert [t.split(": ")[1] for t in lost] == (
        [f"{void * len(angles)} of {(12 + void) * len(angles)} points had no return"] * (void > 0)
    )


def test_a_tilted_pose_is_applied_with_its_order(tmp_path: Path) -> None:
    """Row vectors: x maps to row 1. With rows (y, z, x) the point (1, 2, 3) lands at (3, 1, 2)."""
    header = ["5 6 7", "0 1 0", "0 0 1", "1 0 0", "0 1 0 0", "0 0 1 0", "1 0 0 0", "5 6 7 1"]
    scan = read_bytes(tmp_path, "t.ptx", block(np.array([[1.0, 2.0, 3.0]]), 1, 1, header).encode())
    metres = points_of(scan) * 1e-5 + np.array(scan.origin_m)
    assert metres == pytest.approx(np.array([[8.0, 7.0, 9.0]]), abs=1e-9)


def test_the_pieces_leave_no_trace(tmp_path: Path) -> None:
    """Pieces of any size give the same bits: sums are written out, not left to a library."""
    content = block(ROOM, 20, 30, about_z(0.7, (1.0, 2.0, 1.6))).encode()
    whole = read_bytes(tmp_path, "w.ptx", content)
    parts = read_bytes(tmp_path, "p.ptx", content, chunk_points=7)
    assert np.array_equal(points_of(whole), points_of(parts))
    assert whole.origin_m == parts.origin_m


def test_axes_against_the_matrix(tmp_path: Path) -> None:
    """Where the lines of place and axes say something else the matrix is used, and it is said."""
    turned = about_z(0.5, (3.0, 4.0, 1.0))
    odd = HOME[:4] + turned[4:]
    good = read_bytes(tmp_path, "good.ptx", block(ROOM, 600, 1, turned).encode())
    other = read_bytes(tmp_path, "odd.ptx", block(ROOM, 600, 1, odd).encode())
    assert np.array_equal(points_of(good), points_of(other))
    note = "set-up 1: the scanner's place and axes differ from the matrix; the matrix is used"
    assert note in other.assumptions
    assert note not in good.assumptions


def test_beams_without_return_are_dropped_whatever_their_intensity(tmp_path: Path) -> None:
    """F48: 0 0 0 is no return; a point beside the scanner with one coordinate other is a point."""
    rows = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, -1.0], [-0.0, 0.0, 0.0], [0.0, 1e-6, 0.0]])
    scan = read_bytes(tmp_path, "v.ptx", block(rows, 2, 2, tail=" 0.25").encode(), units="m")
    assert np.array_equal(in_order(points_of(scan)), scan.frame.to_lattice(rows[[1, 3]]))
    assert scan.points == 4


def test_rows_of_nan_are_counted_apart_from_beams_without_return(tmp_path: Path) -> None:
    """Six of 600 are a hundredth, which passes; both kinds are told by their number."""
    rows = ROOM.copy()
    rows[:6] = np.nan
    rows[6:10] = 0.0
    scan = read_bytes(tmp_path, "n.ptx", block(rows, 20, 30).encode(), units="m")
    said = dict(scan.warnings)
    assert said["no-return"].endswith("4 of 600 points had no return")
    assert said["void-points"].endswith("6 points without numbers left out")
    assert len(points_of(scan)) == 590


@given(angles=st.tuples(*[st.floats(-3.1, 3.1)] * 3))
def test_a_turn_printed_with_four_decimals_is_a_turn(
    angles: tuple[float, float, float], tmp_path_factory: Any
) -> None:
    """Every exact rotation, rounded to 0.5e-4, is read; lengths stay what they were: two points
    100 m apart are to the lattice of 10 µm as far apart as before.
    """
    turn = np.eye(3)
    for axis, angle in enumerate(angles):
        c, s = math.cos(angle), math.sin(angle)
        one = np.eye(3)
        i, j = (axis + 1) % 3, (axis + 2) % 3
        one[i, i], one[i, j], one[j, i], one[j, j] = c, -s, s, c
        turn = one @ turn
    lines = ["0 0 0", *(" ".join(f"{v:.4f}" for v in row) for row in turn)]
    lines += [line + " 0" for line in lines[1:]] + ["0 0 0 1"]
    ends = np.array([[-60.0, 0.0, 1.0], [20.0, 60.0, 1.0]])
    content = block(ends, 2, 1, lines).encode()
    found = points_of(read_bytes(tmp_path_factory.mktemp("turn"), "t.ptx", content, units="m"))
    assert np.linalg.norm(found[0] - found[1]) * 1e-5 == pytest.approx(100.0, abs=2e-5)


def with_line(number: int, line: str) -> str:
    """A block whose header has one line (from 1) replaced."""
    lines = block(ROOM[:6], 2, 3).split("\n")
    lines[number - 1] = line
    return "\n".join(lines)


GOOD = block(ROOM[:6], 2, 3)
FAULTS: list[tuple[str, Callable[[], str], str]] = [
    ("count", lambda: block(ROOM[:6], 2, 4), r"set-up 1 says 2 x 4 = 8 points, holds 6; "),
    ("count", lambda: block(ROOM[:6], 5, 1), r"set-up 1 says 5 x 1 = 5 points, holds 6; "),
    ("count", lambda: GOOD + block(ROOM[:6], 4_000_000_000, 10),
     r"set-up 2 says 4000000000 x 10 = 40000000000 points, holds 6; "),
    ("count", lambda: block(ROOM[:6], 2, 4) + GOOD, r"set-up 1 says 2 x 4 = 8 points, holds 6; "),
    ("count", lambda: GOOD + "12\n", r"set-up 2: '12' at byte \d+ is not followed by a second"),
    ("count", lambda: GOOD + "x\n2\n" + GOOD, r"set-up 2: 'x' at byte \d+ is no count"),
    ("header", lambda: GOOD + "2\n3\n0 0 0\n1 0 0\n", r"set-up 2: 2 lines of place, axes and"),
    ("header", lambda: with_line(4, "1 0"), r"line 4 of its header should be 3 numbers: '1 0'"),
    ("header", lambda: with_line(8, "0 x 0 0"), r"line 8 of its header should be 4 numbers"),
    ("header", lambda: with_line(10, "0 nan 0 1"), r"line 10 of its header should be 4 numbers"),
    ("pose", lambda: with_line(7, "2 0 0 0"), r"set-up 1: the matrix scales or shears"),
    ("pose", lambda: with_line(7, "1 0.001 0 0"), r"set-up 1: the matrix scales or shears"),
    ("pose", lambda: with_line(7, "-1 0 0 0"), r"set-up 1: the matrix mirrors"),
    ("pose", lambda: with_line(7, "1 0 0 5"), r"the last column of the matrix is 5 0 0 1, not 0 0"),
    ("header", lambda: with_line(8, "0 1_0 0 0"), r"line 8 of its header should be 4 numbers"),
    ("void", lambda: with_line(14, "nan nan nan .5"), r"1 of 6 points are no numbers"),
    ("pose", lambda: with_line(7, "1 0.0004 0 0"), r"set-up 1: the matrix scales or shears"),
    ("row", lambda: with_line(14, "1 2 3"), r"row 4 has 3 values, 4 were promised"),
    ("row", lambda: with_line(14, "1 2 z 3"), r"row 4: 'z' is no number"),
    ("row", lambda: GOOD + with_line(14, "1 2 z 3"), r"row 10: 'z' is no number"),
    ("nul", lambda: GOOD + "\0" * 99, r"a zero byte among the rows"),
    ("none", lambda: block(np.zeros((6, 3)), 2, 3), r"holds no points that are measurements"),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "make", "sentence"), FAULTS)
def test_a_lying_file_is_refused(
    fault: str, make: Callable[[], str], sentence: str, tmp_path: Path
) -> None:
    """Each fault by its sentence, exit 3, in no time and no memory."""
    refused_at_once(written(tmp_path, "lie.ptx", make().encode()), sentence, megabytes=20)


def test_an_empty_set_up_is_passed_over(tmp_path: Path) -> None:
    """A block of no points is a set-up that saw nothing; the others are whole."""
    scan = read_bytes(tmp_path, "e.ptx", (block(ROOM[:0], 0, 5) + block(ROOM, 20, 30)).encode())
    assert [sum(c.count for c in s.chunks) for s in scan.stations] == [0, 600]


def test_a_pose_left_out_tells_no_place(tmp_path: Path) -> None:
    """An identity matrix is what joined exports carry too: it does not say where anything stood."""
    scan = read_bytes(tmp_path, "h.ptx", block(ROOM, 600, 1).encode())
    assert scan.stations[0].place_m is None
    assert scan.assumptions == () or "matrix" not in scan.assumptions[0]
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(np.round(ROOM, 6)))
