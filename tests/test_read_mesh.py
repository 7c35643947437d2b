"""Meshes as scans: points evenly by area, and what all formats of meshes share."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from mesh_cases import HALVES, LOADS, SQUARE, dome_m, metres, refusal_of, sound, uneven_axis
from mesh_files import (
    MESH_KINDS,
    Y_UP,
    glb_bytes,
    gltf_document,
    mesh_bytes,
    mesh_ply,
    obj_bytes,
    room_mesh,
    stl_bytes,
    write_mesh,
)
from pourdatum.errors import ScanError
from pourdatum.floor import find_floor
from pourdatum.read import read_scan
from pourdatum.read.glb import load_glb
from pourdatum.read.mesh import made_sound
from pourdatum.read.mesh_samples import MeshAt, draw, read_samples, sample_count
from pourdatum.read.obj import load_obj
from pourdatum.read.ply_mesh import load_ply
from pourdatum.read.polygons import cut_polygons
from pourdatum.read.source import find_source
from pourdatum.read.stl import load_binary
from pourdatum.surface import make_surface
from pourdatum.uncertainty import SENSORS
from read_bytes import points_of, written


@pytest.mark.parametrize("kind", MESH_KINDS)
def test_every_format_gives_the_same_floor(kind: str, tmp_path: Path) -> None:
    """A tilted plane of 6 x 4 m meshed unevenly: its mean level is that of its middle."""
    vertices, triangles = room_mesh(
        lambda x, y: 0.003 * x - 0.002 * y + 1.0, uneven_axis(6.0), uneven_axis(4.0), wall_m=0.0
    )
    scan = read_scan(write_mesh(tmp_path / "room", vertices, triangles, kind))
    points = metres(points_of(scan), scan)
    assert scan.points == len(points) == pytest.approx(24.0 / 0.01**2, rel=1e-4)
    assert np.ptp(points, axis=0)[:2] == pytest.approx([6.0, 4.0], abs=0.02)
    sampling_m = 4 * float(np.std(points[:, 2])) / np.sqrt(len(points))
    assert float(points[:, 2].mean()) == pytest.approx(1.0 + 0.009 - 0.004, abs=sampling_m)
    assert scan.frame.up == ("y" if kind in ("glb", "gltf") else "z")
    assert scan.sensor_hint == "phone"
    assert "mesh-smoothed" in [code for code, _ in scan.warnings]
    assert "points are taken from its" in " ".join(scan.assumptions)
    assert not [text for code, text in scan.warnings if code == "coarse-steps"]


def test_a_finely_meshed_hump_counts_no_more_than_its_area(tmp_path: Path) -> None:
    """Mean of the dome in closed form: 0.02 (2/3)^2 over the tilted plane's middle.

    Its vertices are 60 times denser in the middle metre: their own mean is 4 mm higher.
    """
    vertices, triangles = room_mesh(dome_m, uneven_axis(6.0), uneven_axis(4.0), wall_m=0.0)
    mesh = sound(load_obj, obj_bytes(vertices, triangles.tolist()), tmp_path)
    count = sample_count(mesh.area)
    points = draw(mesh, np.arange(count), count)
    truth_m = 0.009 - 0.004 + 0.020 * (2 / 3) ** 2
    # The chords of the half-metre mesh lie below the dome by up to (0.5 m)^2 / 8 of its bend.
    chord_m = 0.5**2 / 8 * (0.040 / 9 + 0.040 / 4)
    sampling_m = 4 * float(points[:, 2].std()) / np.sqrt(count)
    mean_m = float(points[:, 2].mean())
    assert truth_m - chord_m - sampling_m < mean_m < truth_m + sampling_m
    assert vertices[:, 2].mean() > truth_m + 0.004
    middle = (np.abs(points[:, :2] - [3.0, 2.0]) < 0.5).all(axis=1)
    assert np.count_nonzero(middle) == pytest.approx(count / 24.0, rel=0.01)


def test_every_triangle_has_its_share_of_points(tmp_path: Path) -> None:
    """Triangles of areas from 1 to 1000, apart along x: each has its share but for 2 points."""
    rng = np.random.default_rng(3)
    side = np.sqrt(rng.uniform(1e-3, 1.0, 400))
    corners = np.zeros((400, 3, 3))
    corners[:, :, 0] = 2.0 * np.arange(400)[:, None]
    corners[:, 1, 0] += side
    corners[:, 2, 1] = side
    mesh = sound(load_binary, stl_bytes(corners), tmp_path)
    points = draw(mesh, np.arange(50_001), 50_001)
    held = np.bincount(np.floor(points[:, 0] / 2 + 1e-6).astype(int), minlength=400)
    share = 50_001 * side**2 / (side**2).sum()
    assert np.abs(held - share).max() < 2.0 + 1e-3 * share.max()


def test_points_lie_evenly_within_two_triangles(tmp_path: Path) -> None:
    """A floor of two triangles, 6 x 4 m: each cell of 50 mm holds 25 points, give or take."""
    vertices, triangles = room_mesh(lambda x, y: 0 * x, np.array([0, 6.0]), np.array([0, 4.0]),
                                    wall_m=0.0)  # fmt: skip
    mesh = sound(load_ply, mesh_ply(vertices, triangles.tolist()), tmp_path)
    points = draw(mesh, np.arange(240_000), 240_000)
    held = np.histogram2d(points[:, 0], points[:, 1], [120, 80], [[0, 6], [0, 4]])[0]
    assert held.min() >= 12
    assert held.max() <= 38
    assert held.std() < 4.0  # 5 if the points were thrown at random


def test_pieces_leave_no_trace(tmp_path: Path) -> None:
    """The same bits in pieces of any size and order, also where single points follow."""
    document, binary = gltf_document(SQUARE, HALVES)
    document["meshes"][0]["primitives"].append({"attributes": {"POSITION": 0}, "mode": 0})
    path = written(tmp_path, "both.glb", glb_bytes(document, binary))
    whole = points_of(read_scan(path))
    assert len(whole) == sample_count(1.0) + 4
    for size in (7_001, 33_334):
        assert np.array_equal(points_of(read_scan(path, chunk_points=size)), whole)
    source = find_source(path)
    ends = read_samples(str(path), len(whole) - 6, 6, MeshAt(source, load_glb))
    assert np.array_equal(ends[-4:], SQUARE)


@pytest.mark.parametrize("kind", MESH_KINDS)
def test_another_house_finds_the_same_area(kind: str, tmp_path: Path) -> None:
    """trimesh, a library that we only test against, reads our files and agrees on the area."""
    trimesh = pytest.importorskip("trimesh")
    vertices, triangles = room_mesh(dome_m, np.linspace(0, 6, 9), np.linspace(0, 4, 7))
    path = write_mesh(tmp_path / f"room.{kind.split('-')[0]}", vertices, triangles, kind)
    theirs = trimesh.load(path, process=False, force="mesh")
    source = find_source(path)
    ours = made_sound(LOADS[kind](source), source)
    assert ours.area == pytest.approx(float(theirs.area), rel=1e-9)
    corners = ours.vertices[ours.triangles].reshape(-1, 3)
    assert np.array_equal([corners.min(axis=0), corners.max(axis=0)], theirs.bounds)


def test_a_room_of_ten_triangles_is_surveyed_as_a_phones(tmp_path: Path) -> None:
    """Floor of two triangles, 24 m², noise 0: the right area, a phone's budget, or as asked."""
    vertices, triangles = room_mesh(lambda x, y: 0.001 * x, np.array([0, 6.0]), np.array([0, 4.0]))
    scan = read_scan(write_mesh(tmp_path / "room.glb", vertices, triangles))
    floor = find_floor(scan)
    assert floor.area_m2 == pytest.approx(24.0, rel=0.002)
    surface = make_surface(scan, floor)
    assert surface.shared == SENSORS["phone"]
    assert make_surface(scan, floor, sensor="tripod").shared == SENSORS["tripod"]
    inside = surface.measured
    x, _ = surface.grid.mesh()
    level_m = surface.height_m[inside] + scan.origin_m[2]
    assert np.abs(level_m - 0.001 * (x[inside] + scan.origin_m[0])).max() < 1e-4


def test_twins_and_flat_triangles_are_left_out(tmp_path: Path) -> None:
    """F66: a sheet with both its sides counts once, whatever its corners' order and indices."""
    soup = np.concatenate([SQUARE[HALVES], SQUARE[HALVES][:, ::-1], SQUARE[[[0, 1, 1], [2, 2, 2]]]])
    mesh = sound(load_binary, stl_bytes(soup), tmp_path)
    assert mesh.area == pytest.approx(1.0)
    assert mesh.notes[0] == "triangles left out: 2 without area and 2 that lie on others"


def test_concave_polygons_keep_their_area(tmp_path: Path) -> None:
    """An L, a dart, a comb of 22 corners, and a ring cut open: areas by the shoelace formula."""
    comb = [(i, y) for i in range(10) for y in ((1, 0) if i % 2 else (0, 1))] + [(9, -1), (0, -1)]
    ring = [(0, 0), (4, 0), (4, 4), (0, 4), (0, 0), (1, 1), (1, 3), (3, 3), (3, 1), (1, 1)]
    ell = [(0, 0), (6, 0), (6, 2), (3, 2), (3, 4), (0, 4)]
    dart = [(0, 0), (2, 1), (0, 2), (1, 1)]
    tilt = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
    for corners in (ell, dart, comb, ring):
        x, y = np.array(corners, float).T
        truth = abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2
        for turn in range(len(corners)):
            flat = np.roll(np.column_stack([x, y, 0 * x]), turn, axis=0) @ tilt
            cut = cut_polygons([(np.array([0]), np.arange(len(x))[None])], flat)
            a, b, c = (flat[cut[:, i]] for i in range(3))
            area = np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2
            assert area == pytest.approx(truth, rel=1e-9)


def test_polygons_without_end_are_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Polygons that cross themselves cost a bounded number of steps, whatever their number."""
    monkeypatch.setattr("pourdatum.read.polygons._MOST_WORK", 50_000)
    rng = np.random.default_rng(6)
    vertices = np.column_stack([rng.uniform(size=(400, 2)), np.zeros(400)])
    faces = [rng.permutation(400)[:30].tolist() for _ in range(100)]
    with pytest.raises(ScanError, match="too many or too large to be cut; export the mesh as tri"):
        sound(load_obj, obj_bytes(vertices, faces), tmp_path)
    assert sound(load_obj, obj_bytes(vertices, faces[:2]), tmp_path).area > 0.0


@pytest.mark.parametrize("kind", MESH_KINDS)
def test_cut_anywhere_is_refused(kind: str, tmp_path: Path) -> None:
    """A small file cut at every length: refused, never a crash, never half a mesh unnoticed.

    Text cannot show a cut within its last word; an OBJ, which says no count, not one
    between two lines.
    """
    content = mesh_bytes(kind, SQUARE @ Y_UP, HALVES)
    path = tmp_path / "cut"
    unnoticed = []
    for length in range(1, len(content)):
        path.write_bytes(content[:length])
        refusal = refusal_of(lambda: LOADS[kind](find_source(path)))
        assert "\n" not in refusal
        if not refusal:
            unnoticed.append(length)
    last_word = {
        "gltf": content.rfind(b"}") + 1,
        "stl-text": content.rfind(b"endsolid") + 8,
        "ply-text": content.rfind(b" ") + 2,
    }
    if kind != "obj":
        assert all(length >= last_word.get(kind, len(content)) for length in unnoticed)
    else:
        between = {i for i in range(1, len(content)) if content[:i].endswith(b"\n")}
        assert between <= set(unnoticed)
        # Inside the first face its vertices are known and some are in no face yet.
        face = content.index(b"\nf ") + 1
        assert not set(unnoticed) & set(range(face + 2, content.index(b"\n", face)))


def test_any_bytes_are_a_mesh_or_a_sentence(tmp_path: Path) -> None:
    """Files with some bytes changed at random: read, or refused by name, nothing else."""
    rng = np.random.default_rng(12)
    path = tmp_path / "flipped"
    refused = 0
    for kind in MESH_KINDS:
        content = np.frombuffer(mesh_bytes(kind, SQUARE, HALVES), np.uint8)
        for _ in range(120):
            flipped = content.copy()
            flipped[rng.integers(0, len(content), 3)] = rng.integers(0, 256, 3)
            path.write_bytes(flipped.tobytes())
            source = find_source(path)
            refusal = refusal_of(lambda k=kind, s=source: made_sound(LOADS[k](s), s))
            assert "\n" not in refusal
            refused += bool(refusal)
    assert 100 < refused < 120 * len(MESH_KINDS)
