"""The triangles and points of a glTF scene, every copy of a mesh where its node puts it.

After the glTF 2.0 specification (Khronos Group, 2021; from memory). Counts, offsets and
indices are compared with the bytes there are before anything is laid out. What would need
a decompressor is refused by name: a mesh of zeros must never pass for a floor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import LimitMet, ScanError
from pourdatum.read.gltf_json import Node
from pourdatum.read.mesh import (
    MOST_VERTICES,
    Mesh,
    Points,
    Step,
    bad_mesh,
    no_points,
    no_triangles,
    steps_of,
)
from pourdatum.read.polygons import cut_strip
from pourdatum.read.pose import turn_of
from pourdatum.read.source import Source

# What changes only the looks of a mesh, or nothing that is not handled here.
_HARMLESS: Final = (
    "KHR_mesh_quantization", "KHR_materials_", "KHR_texture_", "EXT_texture_", "MSFT_texture_",
    "KHR_lights_", "KHR_xmp", "KHR_animation_pointer",
)  # fmt: skip
_COMPRESSED: Final = (
    "KHR_draco_mesh_compression", "EXT_meshopt_compression", "KHR_meshopt_compression",
)  # fmt: skip
_PLACED_FREELY: Final = 1_000_000
"""Triangles and points to which copies may add up whatever the size of the file."""

_LAST_ROW: Final = 1e-6

_KINDS: Final = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_INDEX_KINDS: Final = (5121, 5123, 5125)
_POINTS, _TRIANGLES, _STRIP, _FAN = 0, 4, 5, 6
_LINES: Final = (1, 2, 3)


@dataclass(frozen=True, eq=False)
class Buffer:
    """Bytes of a buffer, or why there are none."""

    data: bytes
    missing: str = ""


@dataclass(frozen=True, eq=False)
class _Part:
    """A primitive: its vertices, and triangles or single points."""

    vertices: Points
    triangles: NDArray[np.int32]
    points: NDArray[np.int64]
    step: Step


class _Parts:
    """The meshes of a file, each decoded when it is first placed."""

    def __init__(self, root: Node, buffers: list[Buffer], source: Source) -> None:
        self._buffers = buffers
        self._views = root.children("bufferViews")
        self._accessors = root.children("accessors")
        self._source = source
        self.meshes = root.children("meshes")
        self._found: dict[int, list[_Part]] = {}
        self._vertices: dict[int, tuple[Points, Step]] = {}
        self._decoded = [0, 0]
        self.limit = max(_PLACED_FREELY, source.size + sum(len(b.data) for b in buffers))
        self.lines = 0

    def of(self, mesh: int) -> list[_Part]:
        """Primitives of a mesh."""
        if mesh not in self._found:
            found = (self._part(node) for node in self.meshes[mesh].children("primitives"))
            self._found[mesh] = [part for part in found if part is not None]
        return self._found[mesh]

    def _part(self, node: Node) -> _Part | None:
        mode = node.whole("mode", _TRIANGLES, most=6)
        if mode in _LINES:
            self.lines += 1
            return None
        attributes = node.child("attributes")
        if not attributes.has("POSITION"):
            return None
        compressed = next((e for e in _COMPRESSED if node.child("extensions").has(e)), "")
        place = attributes.index("POSITION", len(self._accessors), "accessor")
        vertices, step = self._vertices_of(place, compressed)
        self._take(0, len(vertices))
        if node.has("indices"):
            which = node.index("indices", len(self._accessors), "accessor")
            values, _ = self._values(which, "SCALAR", _INDEX_KINDS, compressed)
            self._take(1, len(values))
            corners = values[:, 0].astype(np.int64)
            if len(corners) and int(corners.max()) >= len(vertices):
                node.fail(
                    "indices", f"name vertex {corners.max()}, there are {len(vertices)}"
                    " (counted from 0)",
                )  # fmt: skip
        else:
            self._take(1, len(vertices))
            corners = np.arange(len(vertices))
        if len(vertices) > MOST_VERTICES:
            raise bad_mesh(f"{node.where} holds {len(vertices)} vertices", self._source)
        if mode == _POINTS:
            return _Part(vertices, no_triangles(), corners, step)
        if mode == _TRIANGLES and len(corners) % 3:
            node.fail("", f"has {len(corners)} corners, which make no whole triangles")
        return _Part(vertices, _triangles(corners, mode), np.empty(0, np.int64), step)

    def _vertices_of(self, number: int, compressed: str) -> tuple[Points, Step]:
        """Places of an accessor, decoded once for all primitives that share it."""
        if number in self._vertices:
            return self._vertices[number]
        raw, normalised = self._values(number, "VEC3", tuple(_KINDS), compressed)
        vertices = raw.astype(np.float64)
        step: Step = steps_of(vertices, True) if raw.dtype.kind == "f" else (1.0, 1.0, 1.0)
        if raw.dtype.kind != "f" and normalised:
            most = float(np.iinfo(raw.dtype).max)
            vertices = np.maximum(vertices / most, -1.0)
            step = (1.0 / most, 1.0 / most, 1.0 / most)
        self._vertices[number] = vertices, step
        return vertices, step

    def _take(self, what: int, count: int) -> None:
        """Stop before vertices (0) or corners (1) are laid out that ``scene_mesh`` refuses."""
        self._decoded[what] += count
        if self._decoded[what] > 3 * self.limit:
            name = ("vertices", "corners")[what]
            raise LimitMet(
                f"the parts of its meshes add up to {self._decoded[what]} {name} and more, the "
                f"file is {self._source.size} bytes",
                where=self._source.shown,
                hint="export it without parts that share their points, or a part of it",
                id="gltf-copies",
            )

    def _values(
        self, number: int, shape: str, kinds: tuple[int, ...], compressed: str
    ) -> tuple[NDArray[Any], bool]:
        """Values (count, width) of an accessor, and whether integers stand for 0 to 1."""
        node = self._accessors[number]
        kind = node.whole("componentType")
        if kind not in kinds or node.text("type") != shape:
            node.fail("", f"is of type {node.text('type')[:20]!r}, {kind}, where {shape} is needed")
        dtype = np.dtype(_KINDS[kind])
        width = 3 if shape == "VEC3" else 1
        count = node.whole("count")
        if not node.has("bufferView"):
            if compressed:
                raise _refused(compressed, self._source)
            node.fail("", f"says {count} values but none are stored")
        values = self._stored(node, node.whole("byteOffset", 0), count, dtype, width)
        if node.has("sparse"):
            values = self._replaced(values, node.child("sparse"))
        return values, node.values.get("normalized") is True

    def _stored(
        self, node: Node, offset: int, count: int, dtype: np.dtype[Any], width: int
    ) -> NDArray[Any]:
        """Values (count, width) that stand in a view of a buffer, ``offset`` bytes into it."""
        view = self._views[node.index("bufferView", len(self._views), "bufferView")]
        for name in _COMPRESSED:
            if view.child("extensions").has(name):
                raise _refused(name, self._source)
        buffer = self._buffers[view.index("buffer", len(self._buffers), "buffer")]
        if buffer.missing:
            raise bad_mesh(buffer.missing, self._source)
        begin, length = view.whole("byteOffset", 0), view.whole("byteLength")
        if begin + length > len(buffer.data):
            view.fail(
                "", f"ends at byte {begin + length} of its buffer, which has {len(buffer.data)}"
            )
        size = dtype.itemsize * width
        stride = view.whole("byteStride", size, most=252)
        if stride < size:
            view.fail("byteStride", f"is {stride}, less than the {size} bytes of a value")
        need = offset + (count - 1) * stride + size if count else 0
        if need > length:
            held = max(0, length - offset) // max(stride, 1)
            node.fail("count", f"says {count} values, {view.where} holds {held}")
        if count == 0:
            return np.empty((0, width), dtype)
        begin += offset
        return np.ndarray((count, width), dtype, buffer.data, begin, (stride, dtype.itemsize))

    def _replaced(self, values: NDArray[Any], sparse: Node) -> NDArray[Any]:
        """Values of which some are replaced by others that stand elsewhere."""
        count = sparse.whole("count", most=len(values))
        where, what = sparse.child("indices"), sparse.child("values")
        kind = where.whole("componentType")
        if kind not in _INDEX_KINDS:
            where.fail("componentType", f"is {kind}, which no index has")
        place = self._stored(where, where.whole("byteOffset", 0), count, np.dtype(_KINDS[kind]), 1)
        if count and int(place.max()) >= len(values):
            where.fail("", f"name value {place.max()}, there are {len(values)}")
        changed = values.copy()
        changed[place[:, 0]] = self._stored(
            what, what.whole("byteOffset", 0), count, values.dtype, values.shape[1]
        )
        return changed


def scene_mesh(
    root: Node,
    buffers: list[Buffer],
    source: Source,
    *,
    beside: tuple[Source, ...] = (),
    notes: tuple[str, ...] = (),
    warnings: tuple[tuple[str, str], ...] = (),
) -> Mesh:
    """All triangles and points of the scene, in its own metres and axes.

    Raises
    ------
    ScanError
        If an extension is needed that is not read, or anything leads nowhere.
    LimitMet
        If copies of meshes add up to far more than the file itself holds.
    """
    for name in root.texts("extensionsRequired"):
        if not name.startswith(_HARMLESS):
            raise _refused(name, source)
    parts = _Parts(root, buffers, source)
    said = list(notes)
    placed = _placed(root, parts, said)
    held = sum(len(p.triangles) + len(p.points) for _, found in placed for p in found)
    limit = parts.limit
    if held > limit or sum(len(p.vertices) for _, found in placed for p in found) > 3 * limit:
        raise LimitMet(
            f"{len(placed)} placed meshes add up to {held} triangles, the file is {source.size}"
            " bytes",
            where=source.shown,
            hint="export it without copies, or a part of it",
            id="gltf-copies",
        )
    if parts.lines:
        said.append(f"{parts.lines} parts of the mesh are lines and are left out")
    return _joined(placed, beside, tuple(said), warnings)


def _joined(
    placed: list[tuple[NDArray[np.float64], list[_Part]]],
    beside: tuple[Source, ...],
    notes: tuple[str, ...],
    warnings: tuple[tuple[str, str], ...],
) -> Mesh:
    vertices, triangles, points = [no_points()], [no_triangles()], [no_points()]
    step = np.zeros(3)
    count = 0
    for matrix, found in placed:
        turn, move = matrix[:3, :3], matrix[:3, 3]
        for part in found:
            with np.errstate(invalid="ignore", over="ignore"):
                at = part.vertices @ turn.T + move
            step = np.maximum(step, (np.abs(turn) * np.array(part.step)).max(axis=1))
            if len(part.triangles):
                vertices.append(at)
                triangles.append(part.triangles + np.int32(count))
                count += len(at)
            if len(part.points):
                points.append(at[part.points])
    return Mesh(
        vertices=np.concatenate(vertices),
        triangles=np.concatenate(triangles),
        points=np.concatenate(points),
        step=(float(step[0]), float(step[1]), float(step[2])),
        beside=beside,
        notes=notes,
        warnings=warnings,
    )


def _placed(
    root: Node, parts: _Parts, notes: list[str]
) -> list[tuple[NDArray[np.float64], list[_Part]]]:
    """Each mesh of the scene with the matrix that takes it to the scene's frame."""
    nodes = root.children("nodes")
    if not nodes:
        if parts.meshes:
            notes.append("the file places its meshes nowhere: they are read as they are")
        return [(np.eye(4), parts.of(i)) for i in range(len(parts.meshes))]
    found: list[tuple[NDArray[np.float64], list[_Part]]] = []
    seen: set[int] = set()
    waiting = [(number, np.eye(4)) for number in reversed(_roots(root, nodes, notes))]
    while waiting:
        number, above = waiting.pop()
        node = nodes[number]
        if number in seen:
            node.fail("", "is reached twice: nodes must be a tree, without a circle")
        seen.add(number)
        matrix = above @ _matrix(node)
        if node.has("mesh"):
            for name in ("EXT_mesh_gpu_instancing",):
                if node.child("extensions").has(name):
                    raise _refused(name, root.source)
            if node.has("skin"):
                node.fail("skin", "moves the mesh by a skeleton, which is not read")
            found.append((matrix, parts.of(node.index("mesh", len(parts.meshes), "mesh"))))
        children = node.indices("children", len(nodes), "node")
        waiting.extend((child, matrix) for child in reversed(children))
    return found


def _roots(root: Node, nodes: list[Node], notes: list[str]) -> list[int]:
    """Nodes at which the scene begins."""
    scenes = root.children("scenes")
    if scenes:
        which = root.index("scene", len(scenes), "scene") if root.has("scene") else 0
        if len(scenes) > 1:
            notes.append(f"the file holds {len(scenes)} scenes, of which scene {which} is read")
        return scenes[which].indices("nodes", len(nodes), "node")
    below = {c for node in nodes for c in node.indices("children", len(nodes), "node")}
    roots = [i for i in range(len(nodes)) if i not in below]
    if not roots:
        nodes[0].fail("", "is below itself: nodes must be a tree, without a circle")
    return roots


def _matrix(node: Node) -> NDArray[np.float64]:
    """From the node's frame to that of the node above."""
    columns = node.numbers("matrix", 16)
    if columns is not None:
        matrix = np.array(columns).reshape(4, 4).T
        if not np.allclose(matrix[3], (0.0, 0.0, 0.0, 1.0), rtol=0.0, atol=_LAST_ROW):
            last = " ".join(f"{v:g}" for v in matrix[3])
            node.fail("matrix", f"has the last row {last}, not 0 0 0 1")
        return matrix
    out = np.eye(4)
    turn = node.numbers("rotation", 4)
    if turn is not None:
        length = float(np.linalg.norm(turn))
        if not 0.5 < length < 2.0:
            node.fail("rotation", f"has length {length:.3g}, which is no turn")
        x, y, z, w = np.array(turn) / length
        out[:3, :3] = turn_of(w, x, y, z)
    scale = node.numbers("scale", 3)
    if scale is not None:
        out[:3, :3] *= np.array(scale)
    move = node.numbers("translation", 3)
    if move is not None:
        out[:3, 3] = move
    return out


def _triangles(corners: NDArray[np.int64], mode: int) -> NDArray[np.int32]:
    if mode == _STRIP:
        return cut_strip(corners)
    if mode == _FAN:
        first = np.broadcast_to(corners[:1], max(len(corners) - 2, 0))
        return np.stack([corners[1:-1], corners[2:], first], axis=1).astype(np.int32)
    return corners.reshape(-1, 3).astype(np.int32)


def _refused(name: str, source: Source) -> ScanError:
    compressed = name in _COMPRESSED
    what = "the mesh is compressed by" if compressed else "needs"
    return ScanError(
        f"{what} the glTF extension {name[:60]!r}, which is not read",
        where=source.shown,
        hint=f"export the mesh without {'compression' if compressed else 'it'}",
        id="gltf-extension",
    )
