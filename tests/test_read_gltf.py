"""GLB and glTF: what stands in it is read where its nodes put it, and no lie costs memory."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mesh_cases import HALVES, SQUARE, dome_m, sound
from mesh_files import (
    glb_bytes,
    gltf_bytes,
    gltf_document,
    obj_bytes,
    room_mesh,
)
from pourdatum.errors import LimitMet, NoFloor, ScanError
from pourdatum.read import read_scan
from pourdatum.read.glb import load_glb, load_gltf
from pourdatum.read.mesh import SoundMesh
from pourdatum.read.mesh_samples import sample_count
from pourdatum.read.obj import load_obj
from pourdatum.read.source import find_source
from read_bytes import memory_below, read_bytes, written


def placed(nodes: list[dict[str, Any]], **more: Any) -> bytes:
    """A GLB of a unit square whose nodes are these."""
    document, binary = gltf_document(SQUARE, HALVES)
    return glb_bytes({**document, "nodes": nodes, **more}, binary)


def box(mesh: SoundMesh) -> Any:
    """Least and greatest corner of the triangles, (2, 3)."""
    corners = mesh.vertices[mesh.triangles].reshape(-1, 3)
    return np.array([corners.min(axis=0), corners.max(axis=0)])


def test_nested_transforms_are_applied_outermost_last(tmp_path: Path) -> None:
    """Square scaled to 2 x 3, a quarter turn about z, moved; below a node that is moved too."""
    half = float(np.sqrt(0.5))
    nodes = [
        {"children": [1], "translation": [10, 20, 30]},
        {"children": [2], "rotation": [0, 0, half, half]},
        {"mesh": 0, "scale": [2, 3, 1], "translation": [1, 0, 0]},
    ]
    # (x, y) -> (1 + 2 x, 3 y) -> (-3 y, 1 + 2 x) -> + (10, 20, 30)
    found = box(sound(load_glb, placed(nodes), tmp_path))
    assert found == pytest.approx(np.array([[7.0, 21, 30], [10, 23, 30]]), abs=1e-12)


def test_a_matrix_stands_column_by_column(tmp_path: Path) -> None:
    """Twelve to fourteen are the move; a shear leaves the area as it is."""
    matrix = [1, 0, 0, 0, 0.5, 1, 0, 0, 0, 0, 1, 0, 5, 6, 7, 1]
    mesh = sound(load_glb, placed([{"mesh": 0, "matrix": matrix}]), tmp_path)
    assert box(mesh) == pytest.approx(np.array([[5.0, 6, 7], [6.5, 7, 7]]))
    assert mesh.area == pytest.approx(1.0)


def test_a_mesh_counts_at_every_node_that_places_it(tmp_path: Path) -> None:
    """Three copies of 1 m², one of them twice as long: 4 m²; a fourth on the first is left out."""
    nodes = [
        {"mesh": 0},
        {"mesh": 0, "translation": [0, 0, 3]},
        {"mesh": 0, "translation": [0, 0, 6], "scale": [2, 1, 1]},
        {"mesh": 0, "translation": [0, 0, 3]},
    ]
    content = placed(nodes, scenes=[{"nodes": [0, 1, 2, 3]}])
    mesh = sound(load_glb, content, tmp_path)
    assert mesh.area == pytest.approx(4.0)
    assert mesh.notes == ("triangles left out: 2 that lie on others",)


def test_scenes_that_are_not_shown_are_left_out(tmp_path: Path) -> None:
    """The default scene counts; without scenes every node that is below none is a root."""
    nodes = [{"mesh": 0}, {"mesh": 0, "scale": [5, 5, 5]}]
    scenes = [{"nodes": [0]}, {"nodes": [1]}]
    chosen = sound(load_glb, placed(nodes, scenes=scenes, scene=1), tmp_path)
    assert (chosen.area, chosen.notes) == (
        pytest.approx(25.0), ("the file holds 2 scenes, of which scene 1 is read",)
    )  # fmt: skip
    document, binary = gltf_document(SQUARE, HALVES)
    del document["scenes"], document["scene"]
    document["nodes"] = [{"children": [1], "scale": [2, 2, 2]}, {"mesh": 0}]
    assert sound(load_glb, glb_bytes(document, binary), tmp_path).area == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("mode", "corners", "area"),
    [(4, [0, 1, 2, 0, 2, 3], 1.0), (5, [0, 1, 3, 2], 1.0), (6, [0, 1, 2, 3], 1.0),
     (5, [0, 1, 3], 0.5)],
)  # fmt: skip
@pytest.mark.parametrize("kind", [(5121, "<u1"), (5123, "<u2"), (5125, "<u4")])
def test_every_kind_of_triangles_is_read(
    mode: int, corners: list[int], area: float, kind: tuple[int, str], tmp_path: Path
) -> None:
    """Single triangles, strip and fan of a square, with indices of every width."""
    document, binary = gltf_document(SQUARE, HALVES)
    stored = np.array(corners, kind[1]).tobytes()
    document["accessors"][1] |= {"componentType": kind[0], "count": len(corners)}
    document["bufferViews"][1]["byteLength"] = len(stored)
    document["meshes"][0]["primitives"][0]["mode"] = mode
    document["buffers"][0]["byteLength"] = 48 + len(stored)
    mesh = sound(load_glb, glb_bytes(document, binary[:48] + stored), tmp_path)
    assert mesh.area == pytest.approx(area)


def test_points_are_points_and_lines_are_nothing(tmp_path: Path) -> None:
    """Mode 0 is read as it is, without samples or a hint; modes 1 to 3 are left out and told."""
    document, binary = gltf_document(SQUARE, HALVES)
    document["meshes"][0]["primitives"] = [
        {"attributes": {"POSITION": 0}, "mode": mode} for mode in (0, 1, 2, 3)
    ]
    scan = read_bytes(tmp_path, "points.glb", glb_bytes(document, binary))
    assert (scan.points, scan.sensor_hint) == (4, None)
    assert scan.inputs[0].format == "GLB points"
    assert scan.warnings == ()
    assert "3 parts of the mesh are lines and are left out" in scan.assumptions


def test_strides_sparse_values_and_small_integers_are_read(tmp_path: Path) -> None:
    """Positions between normals, one replaced by a sparse value, and as bytes for 0 to 1."""
    document, _ = gltf_document(SQUARE, HALVES)
    table = np.zeros((4, 6), "<f4")
    table[:, :3], table[3, :3] = SQUARE, [9.0, 9.0, 9.0]
    tail = HALVES.astype("<u4").tobytes() + struct.pack("<I3f", 3, 0.0, 1.0, 0.0)
    document["bufferViews"] = [
        {"buffer": 0, "byteLength": 96, "byteStride": 24},
        {"buffer": 0, "byteOffset": 96, "byteLength": 24},
        {"buffer": 0, "byteOffset": 120, "byteLength": 16},
    ]
    document["accessors"][0]["sparse"] = {
        "count": 1,
        "indices": {"bufferView": 2, "componentType": 5125},
        "values": {"bufferView": 2, "byteOffset": 4},
    }
    document["buffers"] = [{"byteLength": 136}]
    mesh = sound(load_glb, glb_bytes(document, table.tobytes() + tail), tmp_path)
    assert np.array_equal(box(mesh), [[0, 0, 0], [1, 1, 0]])

    document, binary = gltf_document(SQUARE, HALVES)
    stored = np.zeros((4, 4), "u1")
    stored[:, :3] = 255 * SQUARE
    document["extensionsRequired"] = ["KHR_mesh_quantization"]
    document["accessors"][0] |= {"componentType": 5121, "normalized": True}
    document["bufferViews"][0] |= {"byteLength": 16, "byteStride": 4}
    document["bufferViews"][1]["byteOffset"] = 16
    document["buffers"] = [{"byteLength": 40}]
    document["nodes"] = [{"mesh": 0, "scale": [51.0, 51.0, 51.0]}]
    mesh = sound(load_glb, glb_bytes(document, stored.tobytes() + binary[48:]), tmp_path)
    assert box(mesh) == pytest.approx(np.array([[0.0, 0, 0], [51, 51, 0]]))
    assert mesh.step == pytest.approx((0.2, 0.2, 0.2))  # 51 m in 255 steps


def test_the_step_is_what_the_file_resolves(tmp_path: Path) -> None:
    """F44: float32 at 500 km has steps of 31 mm; a local mesh that a node moves there has not."""
    far = SQUARE + np.array([500_000.0, 0.0, 0.0])
    here = sound(load_glb, glb_bytes(*gltf_document(far, HALVES)), tmp_path)
    assert here.step[0] == 2.0**-5
    moved = placed([{"mesh": 0, "translation": [500_000.0, 0, 0], "scale": [1000, 1000, 1000]}])
    there = sound(load_glb, moved, tmp_path)
    assert there.step[0] == pytest.approx(1000 * 2.0**-23)
    document = gltf_document(SQUARE * 3 + np.array([4_300_000.0, 0, 0]), HALVES)
    with pytest.raises(NoFloor, match="x is stored in steps of 500 mm"):
        read_bytes(tmp_path, "far.glb", glb_bytes(*document), units="m")


def test_rounded_text_is_told_from_a_grid(tmp_path: Path) -> None:
    """F44: six digits at 5 km are steps of 10 mm; vertices on a grid of 0.1 m are no rounding."""
    x, y = np.arange(0.0, 6.05, 0.1), np.arange(0.0, 4.05, 0.1)
    vertices, triangles = room_mesh(dome_m, x.round(1), y.round(1), wall_m=0.0)
    for decimals, step in ((17, 0.0), (4, 0.0001)):
        fine = np.column_stack([vertices[:, :2], vertices[:, 2].round(decimals)])
        mesh = sound(load_obj, obj_bytes(fine, triangles.tolist()), tmp_path)
        assert mesh.step == (step, step, step)
    rng = np.random.default_rng(4)
    rough = vertices + rng.uniform(0.0, 0.09, vertices.shape) + [5000.0, 5000.0, 0.0]
    six = np.array([[float(f"{v:.6g}") for v in row] for row in rough])
    mesh = sound(load_obj, obj_bytes(six, triangles.tolist()), tmp_path)
    assert mesh.step[:2] == pytest.approx((0.01, 0.01))
    assert mesh.step[2] < 1e-5


def test_data_beside_the_file_are_read_and_watched(tmp_path: Path) -> None:
    """A .bin beside or below, its name with blanks escaped; when it changes, it is refused."""
    document, binary = gltf_document(SQUARE, HALVES)
    (tmp_path / "my data").mkdir()
    for uri, name in (("room%20one.bin", "room one.bin"), ("my%20data/a.bin", "my data/a.bin")):
        written(tmp_path, name, binary)
        scan = read_bytes(tmp_path, "room.gltf", gltf_bytes(document, binary, uri))
        assert scan.points == sample_count(1.0)
        assert f" in {name} (SHA-256 " in scan.assumptions[2]  # and no folder of the machine
        written(tmp_path, name, binary + b"\0")
        with pytest.raises(ScanError, match="file changed while reading"):
            next(scan.chunks()).load()


@pytest.mark.parametrize(
    "uri",
    ["../room.bin", "%2e%2e/room.bin", "a/../../room.bin", "/etc/hostname", "file:///etc/hostname",
     "http://127.0.0.1:9/room.bin", "C:\\room.bin", "..\\room.bin", "//host/room.bin", "room\0.bin",
     ".."],
)  # fmt: skip
def test_data_elsewhere_are_never_opened(
    uri: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """F62: up, to a root, to the network or to a drive: refused, and nothing else is opened."""
    document, binary = gltf_document(SQUARE, HALVES)
    (tmp_path / "in").mkdir()
    written(tmp_path, "room.bin", binary)
    path = written(tmp_path / "in", "room.gltf", gltf_bytes(document, binary, uri))
    was, seen = Path.open, []

    def watched(self: Path, *words: Any, **more: Any) -> Any:
        seen.append(self)
        return was(self, *words, **more)

    monkeypatch.setattr(Path, "open", watched)
    with pytest.raises(ScanError, match=r"buffers\[0\] leads to .* only files beside the glTF"):
        read_scan(path)
    assert set(seen) == {path}


def changed(*keys: str | int, value: Any) -> Callable[[dict[str, Any]], None]:
    """Sets one value deep in a document."""

    def change(document: dict[str, Any]) -> None:
        place: Any = document
        for key in keys[:-1]:
            place = place[key]
        place[keys[-1]] = value

    return change


FOUR_BILLION = 2**32 - 1
PRIMITIVE = ("meshes", 0, "primitives", 0)
LIES: list[tuple[Callable[[dict[str, Any]], None], str]] = [
    (changed("accessors", 0, "count", value=FOUR_BILLION), r"accessors\[0\].count says 4294967295"),
    (changed("accessors", 1, "count", value=10**11), r"says 100000000000 values, .* holds 6"),
    (changed("accessors", 0, "count", value=-1), r"count is -1, which is no whole number"),
    (changed("accessors", 0, "count", value=4.5), r"count is 4.5, which is no whole number"),
    (changed("accessors", 0, "count", value=[4]), r"count is \[4\], which is no whole number"),
    (changed("accessors", 0, "bufferView", value=7), r"bufferView names bufferView 7, there are 2"),
    (changed("accessors", 0, "byteOffset", value=2**40), r"holds 0"),
    (changed("accessors", 0, "type", value="SCALAR"), r"'SCALAR', 5126, where VEC3 is needed"),
    (changed("accessors", 1, "componentType", value=5126), r"5126, where SCALAR is needed"),
    (lambda d: d["accessors"][0].pop("bufferView"), r"accessors\[0\] says 4 values but none are"),
    (lambda d: d["accessors"][0].update(bufferView=None), r"is missing, which is no whole number"),
    (changed("bufferViews", 0, "byteLength", value=10**10), r"of its buffer, which has 72"),
    (changed("bufferViews", 0, "byteStride", value=4), r"byteStride is 4, less than the 12 bytes"),
    (changed("bufferViews", 0, "buffer", value=3), r"names buffer 3, there are 1"),
    (changed("buffers", 0, "byteLength", value=10**12), r"says 1000000000000 bytes, holds 72"),
    (changed("nodes", 0, "mesh", value=9), r"nodes\[0\].mesh names mesh 9, there are 1"),
    (changed("nodes", value=[{"children": [0]}]), r"reached twice: nodes must be a tree"),
    (changed("nodes", value=[{"children": [1, 1]}, {"mesh": 0}]), r"reached twice"),
    (changed("nodes", 0, "scale", value=[1, 2]), r"scale is not 3 numbers"),
    (changed("nodes", 0, "translation", value=[1, 2, 1e999]), r"translation is not 3 numbers"),
    (changed("nodes", 0, "rotation", value=[0, 0, 0, 0]), r"length 0, which is no turn"),
    (changed("nodes", 0, "matrix", value=[10**400] * 16), r"matrix is not 16 numbers"),
    (changed("nodes", 0, "skin", value=0), r"moves the mesh by a skeleton"),
    (changed("scenes", 0, "nodes", value=[4]), r"scenes\[0\].nodes names node 4"),
    (changed("scene", value=2), r"scene names scene 2, there are 1"),
    (changed("scenes", value=[{"nodes": []}]), r"holds no points"),
    (changed("meshes", value={}), r"meshes is not a list of objects"),
    (changed(*PRIMITIVE, "mode", value=9), r"mode is 9, which is no whole number from 0 to 6"),
    (changed(*PRIMITIVE, "attributes", value={}), r"holds no points"),
    (changed("asset", value={"version": "1.0"}), r"glTF version '1.0' is not read"),
    (changed("accessors", 0, "sparse", value={"count": 9}), r"sparse.count is 9"),
    (changed("extensionsRequired", value=["KHR_draco_mesh_compression"]),
     r"compressed by the glTF extension 'KHR_draco_mesh_compression', .*; export .* without comp"),
    (changed("bufferViews", 0, "extensions", value={"EXT_meshopt_compression": {}}),
     r"'EXT_meshopt_compression', which is not read; export the mesh without compression"),
    (changed("extensionsRequired", value=["ACME_odd"]), r"'ACME_odd', which is not read"),
    (changed("extensionsRequired", value="ACME_odd"), r"is not a list of texts"),
    (changed("nodes", 0, "mesh", value=-1), r"nodes\[0\].mesh is -1, .* no whole number 0 or more"),
    (changed("nodes", 0, "matrix", value=[1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 5, 6, 7, 2]),
     r"nodes\[0\].matrix has the last row 0 0 0 2, not 0 0 0 1"),
    (changed("nodes", 0, "extensions", value={"EXT_mesh_gpu_instancing": {}}), r"gpu_instancing"),
]  # fmt: skip


@pytest.mark.parametrize(("lie", "sentence"), LIES)
def test_a_lying_gltf_is_refused(
    lie: Callable[[dict[str, Any]], None], sentence: str, tmp_path: Path
) -> None:
    """F60, F61: each lie by its sentence, on one line, without the memory it asks for."""
    document, binary = gltf_document(SQUARE, HALVES)
    lie(document)
    path = written(tmp_path, "lie.glb", glb_bytes(document, binary))
    with memory_below(10), pytest.raises(ScanError, match=sentence) as info:
        read_scan(path)
    assert "\n" not in str(info.value)


def test_a_compressed_primitive_is_never_zeros(tmp_path: Path) -> None:
    """F61: a primitive whose numbers only a decompressor gives is refused by the extension."""
    document, binary = gltf_document(SQUARE, HALVES)
    for accessor in document["accessors"]:
        del accessor["bufferView"]
    document["extensionsUsed"] = ["KHR_draco_mesh_compression"]
    document["meshes"][0]["primitives"][0]["extensions"] = {
        "KHR_draco_mesh_compression": {"bufferView": 0, "attributes": {"POSITION": 0}}
    }
    told = "the mesh is compressed by .*KHR_draco_mesh_compression.* export the mesh without comp"
    with pytest.raises(ScanError, match=told):
        sound(load_glb, glb_bytes(document, binary), tmp_path)


def test_a_number_without_end_is_told_in_plain_words(tmp_path: Path) -> None:
    """What the language's own refusal advises is of no use to a surveyor."""
    text = b'{"asset": {"version": "2.0"}, "buffers": [{"byteLength": ' + b"9" * 9000 + b"}]}"
    with pytest.raises(ScanError, match="JSON of the mesh is damaged") as info:
        read_bytes(tmp_path, "long.gltf", text)
    assert "sys" not in str(info.value)


def test_compressed_pictures_do_not_matter(tmp_path: Path) -> None:
    """An extension that only changes the looks is no reason to refuse the floor."""
    document, binary = gltf_document(SQUARE, HALVES)
    document["extensionsRequired"] = ["KHR_texture_basisu", "KHR_materials_unlit"]
    assert sound(load_glb, glb_bytes(document, binary), tmp_path).area == pytest.approx(1.0)


def test_an_index_beyond_the_vertices_is_refused(tmp_path: Path) -> None:
    """It names the greatest index and how many vertices there are."""
    document, binary = gltf_document(SQUARE, HALVES)
    bad = binary[:-4] + struct.pack("<I", FOUR_BILLION)
    with pytest.raises(ScanError, match="name vertex 4294967295, there are 4"):
        sound(load_glb, glb_bytes(document, bad), tmp_path)


def test_nests_and_copies_without_end_are_refused(tmp_path: Path) -> None:
    """JSON 100 000 deep, nodes 20 000 deep (read), and copies that add up to a million."""
    deep = b'{"asset": {"version": "2.0"}, "extras": ' + b"[" * 100_000
    with pytest.raises(ScanError, match=r"the JSON of the mesh is (nested too deeply|damaged)"):
        sound(load_gltf, deep, tmp_path)
    chain: list[dict[str, Any]] = [{"children": [i + 1]} for i in range(20_000)]
    assert sound(load_glb, placed([*chain, {"mesh": 0}]), tmp_path).area == pytest.approx(1.0)
    document, binary = gltf_document(SQUARE, np.repeat(HALVES, 2_000, axis=0))
    document["nodes"] = [{"mesh": 0}] * 2_000
    document["scenes"] = [{"nodes": list(range(2_000))}]
    path = written(tmp_path, "copies.glb", glb_bytes(document, binary))
    with memory_below(20), pytest.raises(LimitMet, match="add up to 8000000 triangles"):
        read_scan(path)


def test_parts_that_share_their_points_cost_them_once(tmp_path: Path) -> None:
    """400 primitives of one accessor of 30 000 points are refused within 30 MB, before they are
    decoded; 20 of them are read.
    """
    corners = SQUARE[np.tile(HALVES, (5_000, 1)).ravel()]
    document, binary = gltf_document(corners, np.arange(30_000).reshape(-1, 3))
    (primitive,) = document["meshes"][0]["primitives"]
    del primitive["indices"]
    document["meshes"][0]["primitives"] = [primitive] * 400
    path = written(tmp_path, "shared.glb", glb_bytes(document, binary))
    with memory_below(30), pytest.raises(LimitMet, match=r"add up to 3030000 (vertices|corners)"):
        read_scan(path)
    document["meshes"][0]["primitives"] = [primitive] * 20
    few = written(tmp_path, "few.glb", glb_bytes(document, binary))
    assert len(load_glb(find_source(few)).triangles) == 200_000


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (struct.pack("<4sII", b"glTF", 2, 12), "header cut short: 12 of 20 bytes"),
        (struct.pack("<4sII", b"glTF", 1, 99) + bytes(87), "GLB version 1 is not read"),
        (struct.pack("<4sII", b"glTF", 2, FOUR_BILLION) + bytes(87), "says 4294967295 bytes"),
        (struct.pack("<4sIII4s", b"glTF", 2, 99, FOUR_BILLION, b"JSON") + bytes(79),
         "chunk 1 says 4294967295 bytes, 79 are left"),
        (struct.pack("<4sIII4s", b"glTF", 2, 99, 79, b"BIN\0") + bytes(79), "is not JSON"),
        (b'{"asset": {"version": "2.0"}', "damaged or cut short"),
        (b'{"asset": []}', "asset is no object"),
        (b'{"asset": {"version": "2.0"}, "buffers": [{"byteLength": 4, "uri": "data:x;base64,?"}]}',
         "its base64 is damaged"),
        (b'{"asset": {"version": "2.0"}, "buffers": [{"byteLength": 4, "uri": "none.bin"}]}',
         r"buffers\[0\] needs the file 'none.bin': no such file; copy it beside"),
    ],
)  # fmt: skip
def test_a_damaged_container_is_refused(content: bytes, sentence: str, tmp_path: Path) -> None:
    """F60: chunk lengths and counts against the bytes there are."""
    with memory_below(10), pytest.raises(ScanError, match=sentence):
        read_bytes(tmp_path, "bad.glb", content)


def test_the_json_of_a_glb_may_name_things_freely(tmp_path: Path) -> None:
    """Names of people in any script, and keys that no one knows, change nothing."""
    document, binary = gltf_document(SQUARE, HALVES)
    document["nodes"][0] |= {"name": "Büro 床\n", "extras": {"mesh": 9}}
    assert json.loads(json.dumps(document)) == document
    assert sound(load_glb, glb_bytes(document, binary), tmp_path).area == pytest.approx(1.0)
