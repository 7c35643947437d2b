"""GLB and glTF: the container, and the buffers inside, embedded and beside it.

After the glTF 2.0 specification (Khronos Group, 2021; from memory): GLB is a header of 12
bytes and chunks of JSON and binary data; a glTF file is the JSON alone, its data embedded as
base64 or in files beside it. A name of such a file comes from a stranger: it may only lead to
a file beside or below, never up, to a root, or to the network.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import Final
from urllib.parse import unquote

from pourdatum.errors import ScanError
from pourdatum.read.gltf_json import Node, parse_json
from pourdatum.read.gltf_scene import Buffer, scene_mesh
from pourdatum.read.look import Opened
from pourdatum.read.mesh import Mesh, bad_mesh, cut_short
from pourdatum.read.mesh_samples import open_mesh
from pourdatum.read.source import Source, find_source, opened, read_exactly, shown

_HEADER: Final = 12
_CHUNK: Final = 8
_JSON: Final = 0x4E4F534A
_BINARY: Final = 0x004E4942
_MOST_CHUNKS: Final = 64
_KEYS: Final = (
    b'"accessors"', b'"asset"', b'"bufferViews"', b'"buffers"', b'"extensionsUsed"',
    b'"extensionsRequired"', b'"meshes"', b'"nodes"', b'"scenes"', b'"materials"', b'"images"',
)  # fmt: skip


def is_glb(head: bytes) -> bool:
    """Whether the content begins as GLB does."""
    return head[:4] == b"glTF"


def is_gltf(head: bytes) -> bool:
    """Whether the content is JSON that begins with something of glTF."""
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    return text.startswith(b"{") and any(key in text for key in _KEYS)


def open_glb(source: Source, chunk_points: int) -> Opened:
    """Check a GLB file and look its points over.

    Raises
    ------
    ScanError
        If it is damaged, cut short, compressed in a way that is not read, or without points.
    """
    return _open(source, chunk_points, glb=True)


def open_gltf(source: Source, chunk_points: int) -> Opened:
    """Check a glTF file and look its points over; see ``open_glb``."""
    return _open(source, chunk_points, glb=False)


def _open(source: Source, chunk_points: int, *, glb: bool) -> Opened:
    # Metres and y up are laid down by the specification, clause 3.4.
    return open_mesh(
        source,
        chunk_points,
        load_glb if glb else load_gltf,
        "GLB" if glb else "glTF",
        metres_by_convention=True,
        up_by_convention="y",
    )


def load_glb(source: Source) -> Mesh:
    """The mesh of a GLB file."""
    warnings: tuple[tuple[str, str], ...] = ()
    with opened(source) as stream:
        if source.size < _HEADER + _CHUNK:
            raise cut_short(f"header cut short: {source.size} of {_HEADER + _CHUNK} bytes", source)
        head = read_exactly(stream, 0, _HEADER, source)
        version, length = (int.from_bytes(head[i : i + 4], "little") for i in (4, 8))
        if version != 2:
            raise bad_mesh(f"GLB version {version} is not read", source, "export it as glTF 2.0")
        if length > source.size:
            raise cut_short(f"says {length} bytes, holds {source.size}", source)
        if rest := source.size - length:
            text = f"{source.shown}: {rest} bytes after the mesh are not read"
            warnings = (("trailing-bytes", text),)
        chunks: list[tuple[int, bytes]] = []
        at = _HEADER
        while at < length and len(chunks) < _MOST_CHUNKS:
            if at + _CHUNK > length:
                raise cut_short(f"chunk {len(chunks) + 1} begins at the end of the file", source)
            mark = read_exactly(stream, at, _CHUNK, source)
            size, kind = (int.from_bytes(mark[i : i + 4], "little") for i in (0, 4))
            at += _CHUNK
            if at + size > length:
                raise cut_short(
                    f"chunk {len(chunks) + 1} says {size} bytes, {length - at} are left", source
                )
            wanted = kind in (_JSON, _BINARY)
            chunks.append((kind, read_exactly(stream, at, size, source) if wanted else b""))
            at += size
    if not chunks or chunks[0][0] != _JSON:
        raise bad_mesh("the first chunk of the GLB file is not JSON", source)
    binary = chunks[1][1] if len(chunks) > 1 and chunks[1][0] == _BINARY else None
    return _mesh(parse_json(chunks[0][1], source), binary, source, warnings)


def load_gltf(source: Source) -> Mesh:
    """The mesh of a glTF file."""
    with opened(source) as stream:
        text = read_exactly(stream, 0, source.size, source)
    return _mesh(parse_json(text, source), None, source, ())


def _mesh(
    root: Node, binary: bytes | None, source: Source, warnings: tuple[tuple[str, str], ...]
) -> Mesh:
    version = root.child("asset").text("version", "missing")
    if not version.startswith("2."):
        raise bad_mesh(
            f"glTF version {version[:20]!r} is not read", source, "export it as glTF 2.0"
        )
    buffers, beside = _buffers(root, binary, source)
    notes = tuple(
        f"the numbers of the mesh are in {file.shown} (SHA-256 {digest})" for file, digest in beside
    )
    return scene_mesh(
        root, buffers, source, beside=tuple(file for file, _ in beside), notes=notes,
        warnings=warnings,
    )  # fmt: skip


def _buffers(
    root: Node, binary: bytes | None, source: Source
) -> tuple[list[Buffer], list[tuple[Source, str]]]:
    """Bytes of every buffer; those that no one may need stay empty and say why."""
    found: list[Buffer] = []
    beside: list[tuple[Source, str]] = []
    for i, node in enumerate(root.children("buffers")):
        length = node.whole("byteLength")
        if not node.has("uri"):
            if i == 0 and binary is not None:
                found.append(_of_length(binary, length, node))
            else:
                found.append(Buffer(b"", f"{node.where} has no data"))
            continue
        uri = node.text("uri")
        if uri[:5].lower() == "data:":
            found.append(_of_length(_embedded(uri, node), length, node))
        else:
            file, data = _beside(uri, length, node, source)
            found.append(Buffer(data))
            beside.append((file, hashlib.sha256(data).hexdigest()))
    return found, beside


def _of_length(data: bytes, length: int, node: Node) -> Buffer:
    if length > len(data):
        raise cut_short(f"{node.where} says {length} bytes, holds {len(data)}", node.source)
    return Buffer(data[:length])


def _embedded(uri: str, node: Node) -> bytes:
    """Data that stand in the JSON itself."""
    kind, comma, text = uri.partition(",")
    if not comma or not kind.lower().endswith(";base64"):
        node.fail("uri", "is embedded, but not as base64")
    try:
        return base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        node.fail("uri", "is embedded, but its base64 is damaged or cut short")


def _beside(uri: str, length: int, node: Node, source: Source) -> tuple[Source, bytes]:
    """A file beside or below the glTF file, and its bytes."""
    name = unquote(uri)
    parts = PurePosixPath(name).parts
    if (
        not parts
        or any(mark in name for mark in (":", "\\", "\0"))
        or name.startswith("/")
        or ".." in parts
    ):
        raise ScanError(
            f"{node.where} leads to {shown(name)[:80]!r}, only files beside the glTF are read",
            where=source.shown,
            hint="export it as GLB, which is one file",
            id="gltf-uri",
        )
    try:
        # Shown by its name in the mesh: results name no folder of the machine.
        found = find_source(Path(source.path).parent.joinpath(*parts))
        file = replace(found, typed=str(PurePosixPath(*parts)))
    except ScanError as reason:
        raise ScanError(
            f"{node.where} needs the file {shown(name)[:80]!r}: {reason.message}",
            where=source.shown,
            hint="copy it beside the glTF file, or export as GLB",
            id="gltf-uri",
        ) from reason
    if file.size < length:
        raise cut_short(f"{node.where} says {length} bytes, {file.shown} holds {file.size}", source)
    with opened(file) as stream:
        return file, read_exactly(stream, 0, length, file)
