"""PLY: every layout reads right, and a header that lies costs neither time nor memory."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourdatum.errors import NoFloor, ScanError
from pourdatum.read import read_scan
from read_bytes import (
    columns_of,
    memory_below,
    ply_bytes,
    points_of,
    read_bytes,
    room_points,
    written,
)

ROOM = room_points()
KINDS = ["ascii", "binary_little_endian", "binary_big_endian"]
FEW = columns_of(ROOM[:10])


def text(body: str, count: str = "2", properties: str = "x y z") -> bytes:
    """A PLY file in text, written as given."""
    lines = "".join(f"property float {name}\n" for name in properties.split())
    return f"ply\nformat ascii 1.0\nelement vertex {count}\n{lines}end_header\n{body}".encode()


@given(
    kind=st.sampled_from(KINDS),
    types=st.tuples(*[st.sampled_from(["f4", "f8", "i2", "i4"])] * 3),
    extras=st.lists(st.sampled_from(["i1", "u1", "i2", "u2", "i4", "u4", "f4", "f8"]), max_size=4),
    order=st.randoms(use_true_random=False),
    newline=st.sampled_from(["\n", "\r\n"]),
    count=st.integers(1, 60),
    chunk_points=st.integers(1, 70),
    before=st.booleans(),
    faces=st.booleans(),
)
def test_any_layout_reads_right(
    kind: str, types: tuple[str, str, str], extras: list[str], order: Any, newline: str,
    count: int, chunk_points: int, before: bool, faces: bool, tmp_path_factory: Any,
) -> None:  # fmt: skip
    """F43: number types, extra and shuffled properties, byte orders, line ends, neighbours."""
    rng = np.random.default_rng(count)
    points = rng.uniform(-90, 90, (count, 3))
    columns = {axis: points[:, i].astype(types[i]) for i, axis in enumerate("xyz")}
    columns |= {f"extra{i}": rng.uniform(0, 100, count).astype(t) for i, t in enumerate(extras)}
    names = list(columns)
    order.shuffle(names)
    ascii_ = kind == "ascii"
    end = newline.encode()
    content = ply_bytes(
        {name: columns[name] for name in names},
        kind=kind,
        newline=newline,
        before="element camera 2\nproperty short id\nproperty double f\n" if before else "",
        before_body=(b"1 2.5" + end + b"3 4.5" + end if ascii_ else bytes(20)) if before else b"",
        after="element face 1\nproperty list uchar int vertex_indices\n" if faces else "",
        after_body=(b"3 0 0 0" + end if ascii_ else b"\x03" + bytes(12)) if faces else b"",
    )
    folder = tmp_path_factory.mktemp("ply")
    scan = read_bytes(folder, "any", content, units="m", up="z", chunk_points=chunk_points)
    expected = np.stack([columns[axis].astype(float) for axis in "xyz"], axis=1)
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(expected))
    assert scan.points == count


@pytest.mark.parametrize("kind", KINDS)
def test_open3d_reads_the_same(kind: str, tmp_path: Path) -> None:
    """A reader of another house gives the same points to the lattice's rounding."""
    open3d = pytest.importorskip("open3d")
    path = written(tmp_path, "room.ply", ply_bytes(columns_of(ROOM), kind=kind))
    scan = read_scan(path)
    theirs = np.asarray(open3d.io.read_point_cloud(str(path)).points)
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(theirs))


def test_old_line_ends_and_blanks_are_read(tmp_path: Path) -> None:
    """A blank after 'ply', carriage returns alone, blank lines and tabs are layout, no fault."""
    body = text("1 2 3\n\n\t4\t5 6  \n")
    blanks = read_bytes(tmp_path, "blank.ply", body.replace(b"ply\n", b"ply \n", 1), units="m")
    returns = read_bytes(tmp_path, "cr.ply", body.replace(b"\n", b"\r"), units="m")
    assert np.array_equal(points_of(blanks), points_of(returns))
    assert np.array_equal(
        points_of(blanks) * 1e-5 + np.array(blanks.origin_m), [[1, 2, 3], [4, 5, 6]]
    )


def test_numbers_in_text_keep_every_digit(tmp_path: Path) -> None:
    """Text is read as float64 whatever type the header gives: site coordinates lose nothing."""
    scan = read_bytes(tmp_path, "site.ply", text("5400000.12345 1e2 .5\n5400001 -1E-2 +3\n"))
    metres = points_of(scan) * 1e-5 + np.array(scan.origin_m)
    assert metres == pytest.approx(
        np.array([[5400000.12345, 100.0, 0.5], [5400001.0, -0.01, 3.0]]), abs=1e-8
    )


def test_faces_without_area_leave_the_corners_as_points(tmp_path: Path) -> None:
    """F66: where no face has an area the corners are the points, and the choice is stated."""
    content = ply_bytes(
        FEW,
        after="element face 2\nproperty list uchar int vertex_indices\n",
        after_body=(b"\x03" + bytes(12)) * 2,
    )
    scan = read_bytes(tmp_path, "mesh.ply", content)
    note = "none of the 1 triangles has an area: the vertices are read as points"
    assert scan.assumptions[0] == note
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(ROOM[:10]))


def test_a_face_that_claims_four_billion_corners_is_refused(tmp_path: Path) -> None:
    """F42: a face of 2^32 - 1 corners is a sentence with its row, not an allocation."""
    content = ply_bytes(
        FEW,
        after="element face 1\nproperty list uint int vertex_indices\n",
        after_body=b"\xff" * 4,
    )
    words = r"row 1 of 1 of 'face' says a list of 4294967295 values and ends beyond the file"
    with memory_below(40), pytest.raises(ScanError, match=words):
        read_bytes(tmp_path, "bomb.ply", content)


@pytest.mark.parametrize("kind", KINDS)
def test_points_without_numbers_are_dropped_and_counted(kind: str, tmp_path: Path) -> None:
    """G01: NaN, infinity and a writer's 'no value' are no points; up to 1 % they are dropped."""
    points = ROOM.copy()
    points[5], points[6, 1], points[7, 2] = np.nan, np.inf, 1e30
    scan = read_bytes(tmp_path, "void.ply", ply_bytes(columns_of(points), kind=kind))
    kept = np.delete(ROOM, [5, 6, 7], axis=0)
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(kept))
    assert ("void-points", f"{scan.inputs[0].file}: 3 points without numbers left out") in (
        scan.warnings
    )


def test_numbers_that_windows_printed_as_nan_are_nan(tmp_path: Path) -> None:
    """``-1.#IND`` of an old C library is NaN, not a damaged row."""
    rows = "".join(f"{x:.4f} {y:.4f} {z:.4f}\n" for x, y, z in ROOM[:199]) + "1.#QNAN 0 -1.#IND\n"
    scan = read_bytes(tmp_path, "ind.ply", text(rows, count="200"))
    assert len(points_of(scan)) == 199


FAULTS: list[tuple[str, Callable[[], bytes], str]] = [
    ("F37", lambda: ply_bytes(FEW).replace(b"vertex 10", b"vertex 1000000000000"),
     r"says 1000000000000 points, holds 10: cut short in row 11"),
    ("F38", lambda: text("1 2 3\n" * 10, count="100000000000"),
     r"says 100000000000 points, holds 10 rows at most"),
    ("F38", lambda: text("1 2 3\n" * 10, count="11"), r"says 11 points, holds 10"),
    ("F39", lambda: text("1 2 3\n", count="-1"), r"PLY header: line 3: '-1' is no count"),
    ("F39", lambda: text("1 2 3\n", count="many"), r"line 3: 'many' is no count"),
    ("F39", lambda: text("1 2 3\n", count="1e3"), r"line 3: '1e3' is no count"),
    ("F39", lambda: text("1 2 3\n", count="٣"), r"line 3: .* is no count"),
    ("F40", lambda: b"ply\nformat ascii 1.0\nelement vertex 2\n", r"no 'end_header' within 64 kB"),
    ("F40", lambda: b"ply\ncomment " + b"x" * 50_000_000 + b"\nend_header\n",
     r"no 'end_header' within 64 kB and 1000 lines"),
    ("F40", lambda: b"ply\nformat ascii 1.0\n" + b"comment\n" * 2000 + b"end_header\n",
     r"no 'end_header' within 64 kB and 1000 lines"),
    ("F41", lambda: ply_bytes(FEW)[:-1], r"says 10 points, holds 9: cut short in row 10"),
    ("F41", lambda: text("1.25 2 3\n4 5\n"), r"row 2 has 2 values, 3 were promised"),
    ("ragged", lambda: text("1 2\n3 4 5 6\n"), r"row 1 has 2 values, 3 were promised"),
    ("F50", lambda: text("1 2 3\n4 five 6\n"), r"row 2: 'five' is no number"),
    ("F49", lambda: text("1,5 2,5 3,5\n1 2 3\n"),
     r"row 1: '1,5' is no number \(a decimal comma\?\)"),
    ("more", lambda: text("1 2 3\n4 5 6\n7 8 9\n"), r"header says 2 points, more follow them"),
    ("more", lambda: ply_bytes(FEW) + bytes(range(24)), r"header says 10 points, file holds 11"),
    ("format", lambda: b"ply\nformat binary 1.0\nend_header\n",
     r"line 2 is not understood: 'format binary 1.0'"),
    ("format", lambda: b"ply\nelement vertex 1\nend_header\n", r"no line 'format'"),
    ("type", lambda: text("").replace(b"float x", b"quad x"),
     r"line 4 is not understood: 'property quad x'"),
    ("axis", lambda: text("1 2\n", properties="x y"),
     r"the vertices need one number 'z', the header lists x, y"),
    ("axis", lambda: text("1 2 3 4\n", properties="x y z x"), r"need one number 'x'"),
    ("no points", lambda: text("", count="0"), r"holds no points \(0 vertices\)"),
    ("no points", lambda: b"ply\nformat ascii 1.0\nend_header\n", r"holds no points"),
    ("lists", lambda: b"ply\nformat binary_little_endian 1.0\nelement face 1\n"
     b"property list uchar int i\nelement vertex 1\nproperty float x\nproperty float y\n"
     b"property float z\nend_header\n\xc8" + bytes(40),
     r"row 1 of 1 of 'face' says a list of 200 values and ends beyond the file"),
    ("lists", lambda: text("3 1 2 3\n4 5 6\n").replace(b"float x", b"list uchar int n"),
     r"need one number 'x'"),
    ("G01", lambda: text("nan nan nan\n" * 2 + "1 2 3\n" * 100, count="102"),
     r"2 of 102 points are no numbers"),
    ("line", lambda: text("1 2 3 " + " " * 70_000 + "\n4 5 6\n"), r"is longer than 65536 bytes"),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "make", "sentence"), FAULTS)
def test_a_lying_file_is_refused(
    fault: str, make: Callable[[], bytes], sentence: str, tmp_path: Path
) -> None:
    """Each fault by its sentence, exit 3, in little memory."""
    path = written(tmp_path, "lie.ply", make())
    with memory_below(40), pytest.raises(ScanError, match=sentence) as info:
        read_scan(path)
    assert str(info.value).startswith(f"{path}: ")
    assert "\n" not in str(info.value)


def test_a_short_tail_is_told(tmp_path: Path) -> None:
    """Bytes that are no whole point, or zeros that fill a block, are left alone and said."""
    for tail in (b"abc", bytes(24 * 3)):
        scan = read_bytes(tmp_path, "tail.ply", ply_bytes(FEW) + tail)
        assert len(points_of(scan)) == 10
        assert f"{len(tail)} bytes after the last point are not read" in scan.warnings[0][1]


def test_float32_far_from_zero_is_refused(tmp_path: Path) -> None:
    """F44: 4 300 km in float32 has steps of 0.5 m; the way out is named, exit 4."""
    far = columns_of((ROOM + np.array([500_000.0, 4_300_000.0, 0.0])).astype(np.float32))
    with pytest.raises(NoFloor, match=r"y is stored in steps of 500 mm; .*local origin") as info:
        read_bytes(tmp_path, "far.ply", ply_bytes(far))
    assert info.value.exit_status == 4


def test_float32_beyond_a_millimetre_is_told(tmp_path: Path) -> None:
    """F44: at 100 km the step is 7.8 mm: read, and said; in double the same place is fine."""
    far = ROOM + np.array([100_000.0, 0.0, 0.0])
    coarse = read_bytes(tmp_path, "a.ply", ply_bytes(columns_of(far.astype(np.float32))))
    assert [w.split(": ")[1] for _, w in coarse.warnings] == [
        "plan coordinates are stored in steps of 7.81 mm"
    ]
    assert read_bytes(tmp_path, "b.ply", ply_bytes(columns_of(far))).warnings == ()


def test_text_of_six_digits_is_found_out(tmp_path: Path) -> None:
    """F44: a writer that prints six digits leaves 123.456: steps of 1 mm and more by place."""
    rows = "".join(f"{x + 5000:.6g} {y:.6g} {z + 2000:.6g}\n" for x, y, z in ROOM)
    scan = read_bytes(tmp_path, "six.ply", text(rows, count="3000"))
    assert scan.step_m == pytest.approx(0.01)
    assert [w.split(": ")[1] for _, w in scan.warnings] == [
        "heights are stored in steps of 10 mm",
        "plan coordinates are stored in steps of 10 mm",
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_a_mark_of_utf_8_before_the_first_line_is_passed_over(kind: str, tmp_path: Path) -> None:
    """An editor of text leaves one when the header is mended."""
    plain = ply_bytes(columns_of(ROOM), kind=kind)
    marked = read_bytes(tmp_path, "marked.ply", b"\xef\xbb\xbf" + plain)
    assert np.array_equal(points_of(marked), points_of(read_bytes(tmp_path, "plain.ply", plain)))


def test_rows_with_too_few_values_are_not_called_too_few_rows(tmp_path: Path) -> None:
    """3 rows of two digits cannot hold three values each: that is what is said."""
    with pytest.raises(ScanError, match="says 3 points, its 3 rows have no room for 3 values each"):
        read_bytes(tmp_path, "thin.ply", text("1 2\n3 4\n5 6\n"[:-1], count="3"))
