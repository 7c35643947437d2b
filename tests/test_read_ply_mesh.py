"""PLY with faces: every order and kind of list, and counts that lie."""

from __future__ import annotations

import itertools
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mesh_cases import HALVES, SQUARE, sound
from mesh_files import (
    mesh_ply,
)
from pourdatum.errors import ScanError
from pourdatum.read.ply_mesh import load_ply
from pourdatum.read.source import find_source
from read_bytes import memory_below, read_bytes, written

STRIPS = "element tristrips 1\nproperty list int int vertex_indices\n"


def ply(kind: str, elements: list[tuple[str, list[tuple[Any, ...]]]], newline: str = "\n") -> bytes:
    """A PLY file: each element its header lines, and rows of (type letter, value) or texts."""
    word, order = {
        "ply": ("binary_little_endian", "<"),
        "ply-big": ("binary_big_endian", ">"),
        "ply-text": ("ascii", ""),
    }[kind]
    header = f"ply\nformat {word} 1.0\n" + "".join(lines for lines, _ in elements) + "end_header\n"
    rows = itertools.chain.from_iterable(rows for _, rows in elements)
    if order:
        return header.encode() + b"".join(struct.pack(order + row[0], *row[1:]) for row in rows)
    return (header + "".join(" ".join(map(str, r[1:])) + "\n" for r in rows)).encode()


@pytest.mark.parametrize("kind", ["ply", "ply-big", "ply-text"])
def test_ply_faces_strips_and_lists_anywhere(kind: str, tmp_path: Path) -> None:
    """Triangles, quads and a pentagon mixed; lists in, before and after; strips; other order."""
    camera = ("element camera 2\nproperty list uchar short a\nproperty float b\n",
              [("B3hf", 3, 1, 2, 3, 0.5), ("B0hf", 0, 0.5)])  # fmt: skip
    corners = ((0, 0, 0), (2, 0, 0), (2, 2, 0), (1, 3, 0), (0, 2, 0))
    plain = ("element vertex 5\nproperty float x\nproperty float y\nproperty float z\n",
             [("3f", *xyz) for xyz in corners])  # fmt: skip
    listed = (("element vertex 5\nproperty list uchar ushort seen\nproperty double z\n"
              "property float y\nproperty list int float w\nproperty float x\n"),
              [(f"B{i}Hdfi{2 - i % 2}ff", i, *range(i), z, y, 2 - i % 2, *[0.5] * (2 - i % 2), x)
               for i, (_, x, y, z) in enumerate(plain[1])])  # fmt: skip
    faces = (("element face 3\nproperty uchar flag\nproperty list uchar uint vertex_index\n"
             "property list uchar float texcoord\n"),
             [("BB3IB2f", 7, 3, 0, 1, 2, 2, 0.5, 0.5), ("BB3IB0f", 7, 3, 0, 2, 4, 0),
              ("BB3IB1f", 7, 3, 4, 2, 3, 1, 0.5)])  # fmt: skip
    pentagon = ("element face 2\nproperty list uchar int vertex_indices\n",
                [("B5i", 5, 0, 1, 2, 3, 4), ("B0i", 0)])  # fmt: skip
    strips = (STRIPS, [("i8i", 8, 0, 1, 4, 2, -1, 4, 2, 3)])
    other = ("element edge 1\nproperty int a\n", [("i", 3)])
    for elements in (
        [plain, faces], [camera, plain, faces, other], [faces, plain], [camera, listed, pentagon],
        [plain, strips], [listed, other, strips], [strips, camera, listed],
    ):  # fmt: skip
        mesh = sound(load_ply, ply(kind, elements), tmp_path)
        assert mesh.area == pytest.approx(5.0)
    for elements in ([camera, plain], [listed], [camera, listed, other]):
        points = sound(load_ply, ply(kind, elements), tmp_path).points
        assert np.array_equal(points, np.array([row[1:] for row in plain[1]], float))


@pytest.mark.parametrize("kind", ["ply", "ply-big", "ply-text"])
def test_many_faces_of_mixed_length_are_walked(kind: str, tmp_path: Path) -> None:
    """Long runs of triangles and stretches of triangles and quads in turn: no row is lost."""
    rng = np.random.default_rng(8)
    vertices = rng.uniform(size=(500, 3))
    sides = np.where(np.arange(9000) % 4000 < 2500, 3, rng.integers(3, 5, 9000))
    faces = [rng.choice(500, n, replace=False).tolist() for n in sides]
    found = load_ply(find_source(written(tmp_path, "m", mesh_ply(vertices, faces, kind))))
    assert len(found.triangles) == sum(sides - 2)
    first = np.cumsum(sides - 2) - (sides - 2)
    for i in (0, 2600, 5555, 8999):
        mine = found.triangles[first[i] : first[i] + sides[i] - 2]
        assert set(mine.ravel().tolist()) == set(faces[i])


@pytest.mark.parametrize(
    ("kind", "edit", "sentence"),
    [
        ("ply", (b"element face 2", b"element face 4294967295"),
         "says 4294967295 rows of 'face', holds 26 at most"),
        ("ply-text", (b"element face 2", b"element face 99999999999"),
         "says 99999999999 rows of 'face', holds"),
        ("ply-text", (b"3 0 2 3", b"4 0 2 3"), "row 2 of 'face' has 4 values, which is not what"),
        ("ply-text", (b"3 0 2 3", b"3 0 2 4"), "row 2 of 'face' names vertex 4, there are 4"),
        ("ply-text", (b"3 0 2 3", b"3 0 2 -1"), "names vertex -1, there are 4"),
        ("ply-text", (b"3 0 2 3", b"3 0 2 1.5"), "names vertex none, there are 4"),
        ("ply-text", (b"3 0 2 3", b"3 0 2 x"), "row 2 of 'face' holds a word that is no number"),
        ("ply-text", (b"element face 2", b"element face 1"), "header says 1 rows of 'face', more"),
        ("ply", (b"element face 2", b"element face 1"), "header says 1 rows of 'face', 13 bytes"),
        ("ply", (b"list uchar int", b"list char int"), None),
        ("ply", (b"list uchar int", b"list float int"), "length of list 'vertex_indices' is no"),
    ],
)  # fmt: skip
def test_lying_faces_are_refused(
    kind: str, edit: tuple[bytes, bytes], sentence: str | None, tmp_path: Path
) -> None:
    """F37, F38, F42: counts and lists against the bytes, indices against the vertices."""
    content = mesh_ply(SQUARE, HALVES.tolist(), kind)
    assert content.count(edit[0]) == 1
    content = content.replace(*edit)
    if sentence is None:
        assert sound(load_ply, content, tmp_path).area == pytest.approx(1.0)
        return
    with memory_below(10), pytest.raises(ScanError, match=sentence):
        read_bytes(tmp_path, "lie.ply", content)


def test_two_lists_of_a_row_are_held_against_its_words(tmp_path: Path) -> None:
    """A row whose first list fits and whose second is short by one is damaged, not read."""
    head = (
        b"ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\n"
        b"property float z\nelement face 2\nproperty list uchar int vertex_indices\n"
        b"property list uchar float texcoord\nend_header\n0 0 0\n1 0 0\n1 1 0\n0 1 0\n"
    )
    good = head + b"3 0 1 2 2 0.5 0.5\n3 0 2 3 1 0.5\n"
    assert sound(load_ply, good, tmp_path).area == pytest.approx(1.0)
    with pytest.raises(ScanError, match="row 2 of 'face' has 6 values"):
        read_bytes(tmp_path, "short.ply", head + b"3 0 1 2 2 0.5 0.5\n3 0 2 3 2 0.5\n")


def test_a_number_with_an_underscore_is_none(tmp_path: Path) -> None:
    """``0_3`` is a number to Python, and to nobody who writes a mesh."""
    content = mesh_ply(SQUARE, HALVES.tolist(), "ply-text").replace(b"3 0 2 3", b"3 0 2 0_3")
    with pytest.raises(ScanError, match="row 2 of 'face' holds a word that is no number"):
        read_bytes(tmp_path, "under.ply", content)
