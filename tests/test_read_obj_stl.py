"""OBJ and STL: every manner of writing them, and each lie by its line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mesh_cases import HALVES, SQUARE, dome_m, metres, sound
from mesh_files import (
    mesh_ply,
    obj_bytes,
    room_mesh,
    stl_bytes,
)
from pourdatum.errors import ScanError
from pourdatum.read import read_scan
from pourdatum.read.obj import load_obj
from read_bytes import memory_below, points_of, read_bytes, written

# OBJ


def test_obj_is_read_in_all_its_manners(tmp_path: Path) -> None:
    """Comments, colours, w, v/vt/vn, negative indices, quads, lines that go on, free names."""
    content = (
        b"\xef\xbb\xbf# made # by hand\r\nmtllib ../../../etc/passwd\r\no f 1 2 3 v\r\n"
        b"v 0 0 0 1.0\r\nv 1 0 0 0.5 0.5 0.5\r\n  v 1 1 0 # corner\r\nv 0 1 0\r\nvt 0 0\r\n"
        b"vn 0 0 1\r\ng second \xe4\r\ns off\r\nf 1/1/1 2/1/1 \\\r\n 3/1/1 \\\r\n 4/1/1\r\n"
        b"o third\r\nv 0 0 5\r\nv 2 0 5\r\nv 2 2 5\r\nusemtl a\\b\r\nf -3//1 -2//1 -1//1\r\n"
        b"l 1 2\r\n"
    )
    mesh = sound(load_obj, content, tmp_path)
    assert mesh.area == pytest.approx(1.0 + 2.0)
    assert np.array_equal(mesh.triangles, [[0, 1, 2], [0, 2, 3], [4, 5, 6]])
    alone = sound(load_obj, content.replace(b"\r\n", b"\r"), tmp_path)
    assert np.array_equal(alone.triangles, mesh.triangles)


def test_obj_opens_no_other_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A material library is another file: it is never opened."""
    content = b"mtllib room.mtl\n" + obj_bytes(SQUARE, HALVES.tolist())
    written(tmp_path, "room.mtl", b"newmtl a\n")
    path = written(tmp_path, "room.obj", content)
    was, seen = Path.open, []

    def watched(self: Path, *words: Any, **more: Any) -> Any:
        seen.append(self)
        return was(self, *words, **more)

    monkeypatch.setattr(Path, "open", watched)
    read_scan(path)
    assert {one for one in seen if one.parent == tmp_path} == {path}


def test_obj_without_faces_is_points(tmp_path: Path) -> None:
    """Every vertex is a point: no samples, no sensor, and the void rule of points holds."""
    rows = "".join(f"v {x} {y} 0.5\n" for x in range(20) for y in range(20))
    scan = read_bytes(tmp_path, "cloud.obj", f"{rows}v nan 0 0\n".encode())
    assert (scan.points, scan.sensor_hint, len(points_of(scan))) == (400, None, 400)
    assert "1 points without numbers left out" in scan.warnings[0][1]


def test_obj_blocks_leave_no_trace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read in blocks of 50 bytes, as in one: lines that go on, relative corners, numbers."""
    vertices, triangles = room_mesh(dome_m, np.linspace(0, 6, 5), np.linspace(0, 4, 4))
    content = obj_bytes(vertices, triangles.tolist(), form="{v}//{v}")
    content = content.replace(b"f ", b"f \\\r\n", 7).replace(b"\nv", b"\r\nv")
    content += b"v 9 9 9\n" * 3 + b"f -1 -2 1\n"
    one = sound(load_obj, content, tmp_path)
    monkeypatch.setattr("pourdatum.read.obj._BLOCK", 50)
    many = sound(load_obj, content, tmp_path)
    assert np.array_equal(one.triangles, many.triangles)
    assert np.array_equal(one.vertices, many.vertices)
    last = content.count(b"\n") + 1
    with pytest.raises(ScanError, match=f"line {last}: 'x' names no vertex"):
        sound(load_obj, content + b"f 1 2 x\n", tmp_path)


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        (b"f 0 1 2", "line 5: the face names vertex 0, the first is 1"),
        (b"f 1 2 999999999", "line 5: the face names vertex 999999999, the file has 4"),
        (b"f 1 2 99999999999999999999", "line 5: the face names vertex 99999999999999999999"),
        (b"f 1 2 -5", "line 5: the face names vertex -5, before the first"),
        (b"f 1 2", "line 5: a face of 2 corners"),
        (b"f 1 2 three", "line 5: 'three' names no vertex"),
        (b"f 1 2 " + b"9" * 70_000, "line 5: '999"),
        (b"f 1 2 3\n" * 9 + b"f 1 2 " + b"9" * 900_000 + b"\nf 1 2 3", "line 14: '999"),
        (b"f 1 2 3\n" * 19_999 + b"f 1 2 " + b"9" * 900_000, "line 20004: '999"),
        (b"f 1 2 0_3", "line 5: '0_3' names no vertex"),
        (b"v 1 2 1_0", "line 5: '1_0' is no number"),
        (b"v 1 2", "line 5: a vertex of 2 numbers"),
        (b"v 1,5 2,5 3,5", r"line 5: '1,5' is no number \(a decimal comma\?\)"),
        (b"v nan 0 0\nf 1 2 5", "1 of 3 points are no numbers"),
        (b"v inf 0 0\nf 1 2 5", "1 of 3 points are no numbers"),
        (b"# " + b"x" * (3 << 20), "a line is longer than"),
    ],
)
def test_a_lying_obj_is_refused(line: bytes, sentence: str, tmp_path: Path) -> None:
    """F58, F59: the line, the value and what there is."""
    content = b"".join(b"v %d %d %d\n" % tuple(v) for v in SQUARE.astype(int)) + line + b"\n"
    with memory_below(30), pytest.raises(ScanError, match=sentence) as info:
        read_bytes(tmp_path, "lie.obj", content)
    assert "\n" not in str(info.value)


def test_an_obj_cut_short_is_refused_or_told(tmp_path: Path) -> None:
    """No count says how long an OBJ is: last vertices in no face, and a last line without end, do.

    The file cut anywhere in its faces is refused, save right after a line, where it is told.
    """
    x, y = np.meshgrid(np.arange(30) * 0.2, np.arange(20) * 0.2)
    rows = [f"v {a:.1f} {b:.1f} 0\n" for a, b in zip(x.ravel(), y.ravel(), strict=True)]
    faces = [f"f {k + 1} {k + 2} {k + 32} {k + 31}\n" for k in range(570) if k % 30 < 29]
    whole = "".join([*rows, *faces]).encode()
    assert read_bytes(tmp_path, "whole.obj", whole).warnings[1:] == ()
    head = len("".join(rows))
    for at in np.linspace(head + 40, len(whole) - 40, 20).astype(int):
        cut = whole[: whole.index(b"\n", at) - 2]
        with pytest.raises(
            ScanError, match=r"ends within a line, and no face names the last \d+ of"
        ):
            read_bytes(tmp_path, "cut.obj", cut)
    half = whole[: whole.index(b"\n", head + 2000) + 1]
    told = dict(read_bytes(tmp_path, "half.obj", half).warnings)
    assert "as in a file that was cut short" in told["loose-vertices"]
    scan = read_bytes(tmp_path, "points.obj", "".join(rows).encode()[:-1])
    assert any("the last line has no end" in note for note in scan.assumptions)
    assert read_bytes(tmp_path, "joined.obj", whole[:-1]).points > 0


def test_a_few_corners_without_numbers_are_dropped(tmp_path: Path) -> None:
    """F59: up to 1 % of the corners may be NaN; they go with their triangles, and are counted."""
    vertices, triangles = room_mesh(dome_m, np.linspace(0, 6, 21), np.linspace(0, 4, 21), wall_m=0)
    vertices[220] = np.nan  # an inner corner, on 6 triangles or 4
    scan = read_bytes(tmp_path, "hole.ply", mesh_ply(vertices, triangles.tolist()))
    lost = int((triangles == 220).any(axis=1).sum())
    assert f"1 corners without numbers and the {lost} triangles" in scan.warnings[0][1]
    points = metres(points_of(scan), scan)
    assert np.isfinite(points).all()
    apart = np.abs(points[:, :2] - [3.0, 2.0]) / [0.3, 0.2]
    assert apart.sum(axis=1).min() > 0.99  # the hole reaches to the neighbours


# STL

FACET = b"facet\nouter loop\nvertex 0 0 0\nvertex %b 0 0\nvertex 0 1 0\nendloop\nendfacet\n"


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (stl_bytes(SQUARE[HALVES], count=2**32 - 1), "says 4294967295 triangles, holds 2"),
        (stl_bytes(SQUARE[HALVES], count=3), "says 3 triangles, holds 2"),
        (stl_bytes(SQUARE[HALVES], count=1), "header says 1 triangles, file holds 2"),
        (b"solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\n", "ends within triangle 1"),
        ((b"solid a\nfacet\nouter loop\nvertex 0 0 x\nvertex 1 0 0\nvertex 0 1 0\nendloop\n"
         b"endfacet\nendsolid\n"), "triangle 1 holds 'x', which is no number"),
        (b"solid a\n" + FACET % b"1" * 2 + FACET % b"1_0" + b"endsolid\n",
         "triangle 3 holds '1_0', which is no number"),
        (b"solid a\n" + FACET % b"1" * 20_000 + FACET % (b"9" * 60_000) + b"endsolid\n",
         "triangle 20001 holds '999"),
        (b"solid a\nfacet\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nendloop\nendfacet\nendsolid",
         "triangle 1 is not understood"),
        (b"solid a\nendsolid a\n", "holds no points"),
    ],
)  # fmt: skip
def test_a_lying_stl_is_refused(content: bytes, sentence: str, tmp_path: Path) -> None:
    """F65: the count against the bytes; words against the layout."""
    with memory_below(30), pytest.raises(ScanError, match=sentence):
        read_bytes(tmp_path, "lie.stl", content)


def test_a_binary_stl_may_call_itself_solid(tmp_path: Path) -> None:
    """80 bytes of anything come first, also the word with which the text form begins."""
    vertices, triangles = room_mesh(dome_m, np.linspace(0, 6, 9), np.linspace(0, 4, 9))
    content = stl_bytes(vertices[triangles], header=b"solid made by a test facet endsolid")
    scan = read_bytes(tmp_path, "room.stl", content)
    assert scan.inputs[0].format == "STL binary mesh"
    without_normals = bytearray(content)
    for i in range(len(triangles)):
        without_normals[84 + 50 * i : 96 + 50 * i] = bytes(12)
    again = read_bytes(tmp_path, "flat.stl", bytes(without_normals))
    assert np.array_equal(points_of(again), points_of(scan))
