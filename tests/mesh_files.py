"""Mesh files made by hand from arrays: a room as GLB, glTF, OBJ, STL and PLY.

Layouts after the public descriptions of the formats, from memory; the tests hold them against
a reader of another house.
"""

from __future__ import annotations

import base64
import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Triangles = NDArray[np.int64]

MESH_KINDS = ("glb", "gltf", "obj", "stl", "stl-text", "ply", "ply-big", "ply-text")


def room_mesh(
    level_m: Callable[[Points, Points], Points],
    x_m: Points,
    y_m: Points,
    *,
    wall_m: float = 2.6,
) -> tuple[Points, Triangles]:
    """Vertices (plan x, plan y, level) [m] and triangles of a floor with four walls.

    Parameters
    ----------
    level_m : callable
        Level of the floor at plan places.
    x_m, y_m : (nx,), (ny,) arrays
        Places of the floor's vertices, increasing, as uneven as may be; the first and last
        are the walls.
    wall_m : float
        Height of the walls, of two triangles each; 0 for none.

    Returns
    -------
    (n, 3) float64 array, (m, 3) int64 array
    """
    x, y = np.meshgrid(x_m, y_m)
    vertices = np.stack([x.ravel(), y.ravel(), level_m(x, y).ravel()], axis=1)
    ny, nx = x.shape
    corner = (np.arange(ny - 1)[:, None] * nx + np.arange(nx - 1)).ravel()
    # The diagonal changes from quad to quad: the same one everywhere would lean to one side.
    turn = ((np.arange(ny - 1)[:, None] + np.arange(nx - 1)) % 2 == 1).ravel()
    a, b, c, d = corner, corner + 1, corner + nx + 1, corner + nx
    first = np.where(turn[:, None], np.stack([a, b, d], 1), np.stack([a, b, c], 1))
    second = np.where(turn[:, None], np.stack([b, c, d], 1), np.stack([a, c, d], 1))
    triangles = np.concatenate([first, second])
    if wall_m:
        low = float(vertices[:, 2].min())
        ring = np.array([[x_m[i], y_m[j]] for i, j in ((0, 0), (-1, 0), (-1, -1), (0, -1))])
        walls = [np.column_stack([ring, np.full(4, z)]) for z in (low, low + wall_m)]
        n = len(vertices)
        vertices = np.concatenate([vertices, *walls])
        for i in range(4):
            j = (i + 1) % 4
            quad = [[n + i, n + j, n + 4 + j], [n + i, n + 4 + j, n + 4 + i]]
            triangles = np.concatenate([triangles, np.array(quad)])
    return vertices, triangles


def write_mesh(path: Path, vertices_m: Points, triangles: Triangles, kind: str = "") -> Path:
    """Write a mesh, z up in the arrays; ``kind`` of ``MESH_KINDS``, default the extension."""
    path.write_bytes(mesh_bytes(kind or path.suffix[1:].lower(), vertices_m, triangles))
    return path


def mesh_bytes(kind: str, vertices_m: Points, triangles: Triangles) -> bytes:
    """A mesh file of one of ``MESH_KINDS``; glTF with y up, as its standard lays down."""
    match kind:
        case "glb" | "gltf":
            document, binary = gltf_document(vertices_m @ Y_UP.T, triangles)
            return glb_bytes(document, binary) if kind == "glb" else gltf_bytes(document, binary)
        case "obj":
            return obj_bytes(vertices_m, triangles)
        case "stl":
            return stl_bytes(vertices_m[triangles])
        case "stl-text":
            return stl_text(vertices_m[triangles])
        case "ply" | "ply-big" | "ply-text":
            return mesh_ply(vertices_m, triangles.tolist(), kind)
    raise ValueError(kind)


Y_UP = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
"""From z up to y up: x, level, -y."""


def gltf_document(vertices: Points, triangles: Triangles) -> tuple[dict[str, Any], bytes]:
    """The JSON of a glTF file with one mesh, and its binary data: positions, then indices."""
    stored = np.ascontiguousarray(vertices, "<f4").tobytes()
    corners = np.ascontiguousarray(triangles.ravel(), "<u4").tobytes()
    return {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(vertices), "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": triangles.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteLength": len(stored)},
            {"buffer": 0, "byteOffset": len(stored), "byteLength": len(corners)},
        ],
        "buffers": [{"byteLength": len(stored) + len(corners)}],
    }, stored + corners


def glb_bytes(document: dict[str, Any], binary: bytes) -> bytes:
    """A GLB file of a JSON chunk and a binary chunk."""
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text
    chunks += struct.pack("<I4s", len(binary), b"BIN\0") + binary
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks


def gltf_bytes(document: dict[str, Any], binary: bytes, uri: str | None = None) -> bytes:
    """A glTF file whose data are embedded, or in the file that ``uri`` names."""
    embedded = "data:application/octet-stream;base64," + base64.b64encode(binary).decode()
    buffers = [{**document["buffers"][0], "uri": embedded if uri is None else uri}]
    return json.dumps({**document, "buffers": buffers}, indent=1).encode()


def obj_bytes(vertices: Points, faces: Any, *, form: str = "{v}") -> bytes:
    """An OBJ file; ``form`` gives a corner from its number v, such as ``{v}//{v}``."""
    lines = ["# made by a test", "mtllib none.mtl", "o room one"]
    lines += [f"v {x!r} {y!r} {z!r}" for x, y, z in vertices.tolist()]
    lines += ["f " + " ".join(form.format(v=v + 1) for v in face) for face in faces]
    return ("\n".join(lines) + "\n").encode()


def stl_bytes(corners: Points, *, header: bytes = b"made by a test", count: int = -1) -> bytes:
    """A binary STL file of triangles (m, 3, 3)."""
    table = np.zeros(len(corners), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("a", "<u2")])
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(across, axis=1, keepdims=True)
    table["normal"] = across / np.where(length > 0, length, 1.0)
    table["corners"] = corners
    said = len(corners) if count < 0 else count
    return header.ljust(80, b" ") + struct.pack("<I", said) + table.tobytes()


def stl_text(corners: Points, name: str = "room one") -> bytes:
    """An STL file in text."""
    lines = [f"solid {name}"]
    for triangle in corners.tolist():
        lines += [" facet normal 0 0 1", "  outer loop"]
        lines += [f"   vertex {x!r} {y!r} {z!r}" for x, y, z in triangle]
        lines += ["  endloop", " endfacet"]
    return ("\n".join([*lines, f"endsolid {name}"]) + "\n").encode()


def mesh_ply(vertices: Points, faces: list[list[int]], kind: str = "ply") -> bytes:
    """A PLY file of double vertices and faces of any number of corners."""
    word, order = {
        "ply": ("binary_little_endian", "<"),
        "ply-big": ("binary_big_endian", ">"),
        "ply-text": ("ascii", ""),
    }[kind]
    header = (
        f"ply\nformat {word} 1.0\nelement vertex {len(vertices)}\n"
        "property double x\nproperty double y\nproperty double z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    ).encode()
    if not order:
        rows = [" ".join(map(repr, row)) for row in vertices.tolist()]
        rows += [" ".join(map(str, [len(face), *face])) for face in faces]
        return header + ("\n".join(rows) + "\n").encode()
    body = np.ascontiguousarray(vertices, order + "f8").tobytes()
    for face in faces:
        body += struct.pack(f"{order}B{len(face)}i", len(face), *face)
    return header + body
