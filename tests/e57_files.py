"""E57 files for tests: written by the library, and the same with one thing wrong.

The layout that the changes rely on is that of ASTM E2807, from memory: a header of 48
bytes, pages of 1024 bytes whose last four are a CRC-32C, here computed bit by bit.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from functools import cache
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Points = NDArray[np.float64]
Quaternion = Sequence[float]
E57Scan = tuple[Points, Quaternion | None, Sequence[float] | None]
"""Points in the instrument's own frame (n, 3) [m], turning (w, x, y, z), translation [m]."""

CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")


def write_e57(
    path: str | PathLike[str],
    scans: Sequence[E57Scan],
    *,
    kind: str = "cartesian",
    stored: str = "double",
    scale: float = 1e-5,
    names: Sequence[str | None] | None = None,
    states: Sequence[NDArray[np.integer[Any]] | None] | None = None,
    extras: bool = False,
) -> Path:
    """Write scans as E57.

    Parameters
    ----------
    path : path
    scans : sequence of (points, rotation, translation)
        Points are in the instrument's own frame (see ``seen_from``); a rotation or a
        translation of ``None`` is left out, both: the scan states no pose.
    kind : str
        ``"cartesian"`` or ``"spherical"``.
    stored : str
        ``"double"``, ``"single"`` or ``"scaled"`` (integers in steps of ``scale``).
    names : sequence of str or None, optional
        Of the scans; "station 1", ... otherwise; ``None`` leaves the name out.
    states : sequence, optional
        Invalid state of every point of each scan; ``None`` leaves the field out.
    extras : bool
        Whether records bring intensity and colour as well, and the file an extension.
    """
    from pye57 import libe57

    image = libe57.ImageFile(str(path), "w")
    try:
        image.extensionsAdd("", libe57.E57_V1_0_URI)
        root = image.root()
        root.set("formatName", libe57.StringNode(image, "ASTM E57 3D Imaging Data File"))
        root.set("guid", libe57.StringNode(image, "{made for a test}"))
        root.set("versionMajor", libe57.IntegerNode(image, 1))
        root.set("versionMinor", libe57.IntegerNode(image, 0))
        root.set("coordinateMetadata", libe57.StringNode(image, ""))
        if extras:
            image.extensionsAdd("nor", "http://www.libe57.org/E57_NOR_surface_normals.txt")
        data = libe57.VectorNode(image, True)
        root.set("data3D", data)
        for i, (points, rotation, translation) in enumerate(scans):
            _write_scan(
                libe57, image, data, np.asarray(points, float), rotation, translation,
                kind=kind, stored=stored, scale=scale,
                name=names[i] if names else f"station {i + 1}",
                state=states[i] if states else None, extras=extras,
            )  # fmt: skip
        root.set("images2D", libe57.VectorNode(image, True))
    finally:
        image.close()
    return Path(path)


def seen_from(points: Points, rotation: Quaternion, translation: Sequence[float]) -> Points:
    """Points of the common frame in that of an instrument: what its file would hold.

    Its pose leads back: common = rotation · own + translation.
    """
    w, x, y, z = rotation
    turn = Rotation.from_quat([x, y, z, w])
    return np.asarray(turn.inv().apply(np.asarray(points) - np.asarray(translation)), np.float64)


def spherical(points: Points) -> Points:
    """Range, azimuth, elevation of points (n, 3); E2807: elevation from the xy plane."""
    x, y, z = points.T
    level = np.hypot(x, y)
    return np.stack([np.hypot(level, z), np.arctan2(y, x), np.arctan2(z, level)], axis=1)


def _write_scan(
    libe57: Any, image: Any, data: Any, points: Points, rotation: Quaternion | None,
    translation: Sequence[float] | None, *, kind: str, stored: str, scale: float,
    name: str | None, state: NDArray[np.integer[Any]] | None, extras: bool,
) -> None:  # fmt: skip
    scan = libe57.StructureNode(image)
    scan.set("guid", libe57.StringNode(image, "{scan}"))
    if name is not None:
        scan.set("name", libe57.StringNode(image, name))
    data.append(scan)
    if rotation is not None or translation is not None:
        pose = libe57.StructureNode(image)
        scan.set("pose", pose)
        for part, keys, values in (
            ("rotation", "wxyz", rotation),
            ("translation", "xyz", translation),
        ):
            if values is not None:
                node = libe57.StructureNode(image)
                pose.set(part, node)
                for key, value in zip(keys, values, strict=True):
                    node.set(key, libe57.FloatNode(image, float(value)))
    columns = dict(zip(CARTESIAN, points.T, strict=True))
    if kind == "spherical":
        columns = dict(zip(SPHERICAL, spherical(points).T, strict=True))
    record = libe57.StructureNode(image)
    for key, values in columns.items():
        record.set(key, _typed(libe57, image, stored, scale, values))
    if state is not None:
        key = f"{kind}InvalidState"
        record.set(key, libe57.IntegerNode(image, 0, 0, 2))
        columns[key] = np.asarray(state, float)
    if extras:
        rng = np.random.default_rng(0)
        record.set("intensity", libe57.FloatNode(image, 0.0, libe57.FloatPrecision.E57_SINGLE))
        record.set("colorRed", libe57.IntegerNode(image, 0, 0, 255))
        record.set("nor:normalX", libe57.FloatNode(image, 0.0, libe57.FloatPrecision.E57_SINGLE))
        record.set("returnCount", libe57.IntegerNode(image, 1, 1, 1))
        columns["intensity"] = rng.uniform(size=len(points))
        columns["colorRed"] = rng.integers(0, 256, len(points)).astype(float)
        columns["nor:normalX"] = rng.uniform(-1, 1, len(points))
        columns["returnCount"] = np.ones(len(points))
    node = libe57.CompressedVectorNode(image, record, libe57.VectorNode(image, True))
    scan.set("points", node)
    if len(points) == 0:
        return
    held = [np.ascontiguousarray(values, np.float64) for values in columns.values()]
    buffers = libe57.VectorSourceDestBuffer()
    for key, values in zip(columns, held, strict=True):
        buffers.append(libe57.SourceDestBuffer(image, key, values, len(values), True, True))
    writer = node.writer(buffers)
    writer.write(len(points))
    writer.close()


def _typed(libe57: Any, image: Any, stored: str, scale: float, values: Points) -> Any:
    if stored == "scaled":
        # Bounds no wider than the values, as writers have it: equal ones take no bits.
        low = int(np.floor(values.min(initial=0) / scale))
        high = int(np.ceil(values.max(initial=0) / scale))
        return libe57.ScaledIntegerNode(image, low, low, high, scale, 0.0)
    single = libe57.FloatPrecision.E57_SINGLE
    precision = single if stored == "single" else libe57.FloatPrecision.E57_DOUBLE
    return libe57.FloatNode(image, 0.0, precision)


PAGE, CONTENT = 1024, 1020
HEADER = struct.Struct("<8sIIQQQQ")
FIELDS = {"major": 1, "minor": 2, "size": 3, "xml": 4, "xml_length": 5, "page": 6}


def content_of(pages: bytes) -> bytearray:
    """The logical bytes of a file, checksums left out."""
    return bytearray().join(pages[i : i + CONTENT] for i in range(0, len(pages), PAGE))


def paged(content: bytes) -> bytes:
    """Logical bytes as pages with their checksums, the last filled up with zeros."""
    content = bytes(content) + bytes(-len(content) % CONTENT)
    rows = [content[i : i + CONTENT] for i in range(0, len(content), CONTENT)]
    return b"".join(row + struct.pack(">I", _crc(row)) for row in rows)


def with_header(pages: bytes, **changes: int) -> bytes:
    """The file with numbers of its header changed, its checksum right."""
    content = content_of(pages)
    numbers = list(HEADER.unpack_from(content))
    for name, value in changes.items():
        numbers[FIELDS[name]] = value
    HEADER.pack_into(content, 0, *numbers)
    return paged(content)


def with_xml(pages: bytes, change: Callable[[bytes], bytes]) -> bytes:
    """The file with another XML, its lengths and checksums right."""
    content = content_of(pages)
    magic, major, minor, _, at, length, page = HEADER.unpack_from(content)
    begin = at // PAGE * CONTENT + at % PAGE
    old = bytes(content[begin : begin + length])
    xml = change(old)
    assert xml != old, "nothing was changed"
    content[begin:] = xml
    size = -(-len(content) // CONTENT) * PAGE
    HEADER.pack_into(content, 0, magic, major, minor, size, at, len(xml), page)
    return paged(bytes(content))


def with_bytes(pages: bytes, at: int, new: bytes) -> bytes:
    """The file with bytes at a logical address changed, its checksums right."""
    content = content_of(pages)
    content[at : at + len(new)] = new
    return paged(bytes(content))


@cache
def _step_of_crc(byte: int) -> int:
    for _ in range(8):
        byte = (byte >> 1) ^ (0x82F63B78 if byte & 1 else 0)
    return byte


def _crc(row: bytes) -> int:
    crc = 0xFFFFFFFF
    for byte in row:
        crc = _step_of_crc((crc ^ byte) & 0xFF) ^ (crc >> 8)
    return crc ^ 0xFFFFFFFF
