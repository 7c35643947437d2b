"""Scan files made from bytes: good ones, and the same with one thing wrong."""

from __future__ import annotations

import io
import struct
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pourdatum.errors import PourdatumError, ScanError
from pourdatum.read import read_scan
from pourdatum.scan import Scan

RECORD_BYTES = {0: 20, 1: 28, 2: 26, 3: 34, 4: 57, 5: 63, 6: 30, 7: 36, 8: 38, 9: 59, 10: 67}
HEADER_BYTES = {0: 227, 1: 227, 2: 227, 3: 235, 4: 375}

# Where each field of a LAS header stands, and how it is packed (LAS specification 1.4).
LAS_FIELDS = {
    "encoding": (6, "<H"),
    "major": (24, "B"),
    "minor": (25, "B"),
    "header_size": (94, "<H"),
    "begin": (96, "<I"),
    "vlr_count": (100, "<I"),
    "point_format": (104, "B"),
    "record_bytes": (105, "<H"),
    "legacy_count": (107, "<I"),
    "x_scale": (131, "<d"),
    "y_scale": (139, "<d"),
    "z_scale": (147, "<d"),
    "x_offset": (155, "<d"),
    "y_offset": (163, "<d"),
    "z_offset": (171, "<d"),
    "x_high": (179, "<d"),
    "evlr_begin": (235, "<Q"),
    "evlr_count": (243, "<I"),
    "count": (247, "<Q"),
}


def room_points(count: int = 3000, seed: int = 5) -> NDArray[np.float64]:
    """Points of a room of 6 x 4 x 2.6 m [m]: floor and four walls, z up."""
    rng = np.random.default_rng(seed)
    u, v = rng.uniform(size=(2, count))
    kind = rng.choice(5, count, p=[0.6, 0.1, 0.1, 0.1, 0.1])
    wall = np.array([[6 * u, 0 * u, 2.6 * v], [6 * u, 4 + 0 * u, 2.6 * v],
                     [0 * u, 4 * u, 2.6 * v], [6 + 0 * u, 4 * u, 2.6 * v]])  # fmt: skip
    every = np.concatenate([np.array([[6 * u, 4 * v, 0 * u]]), wall])
    points = every[kind, :, np.arange(count)] + rng.normal(0.0, 0.0015, (count, 3))
    return np.asarray(points, np.float64)


def points_of(scan: Scan) -> NDArray[np.int64]:
    """Every lattice point of a scan, in order, (n, 3)."""
    return np.concatenate([chunk.load() for chunk in scan.chunks()])


def in_order(points: NDArray[np.int64]) -> NDArray[np.int64]:
    """The same points sorted: two multisets are equal where their sorted arrays are."""
    return points[np.lexsort(points.T)]


def written(folder: Path, name: str, content: bytes) -> Path:
    """The path of a file that holds the content."""
    path = folder / name
    path.write_bytes(content)
    return path


def read_bytes(folder: Path, name: str, content: bytes, **options: object) -> Scan:
    """The scan in a file that holds the content."""
    return read_scan(written(folder, name, content), **options)  # type: ignore[arg-type]


def refused_at_once(
    path: Path, sentence: str, *, megabytes: int, act: Callable[[Path], object] = read_scan
) -> None:
    """Assert that a file is refused by its sentence, on one line, in little memory."""
    with memory_below(megabytes), pytest.raises(ScanError, match=sentence) as info:
        act(path)
    assert str(info.value).startswith(f"{path}: ")
    assert "\n" not in str(info.value)


def exit_status_of(call: Callable[[], object]) -> int:
    """0 where the call succeeds, else the exit status of its refusal; others pass through."""
    try:
        call()
    except PourdatumError as refusal:
        return refusal.exit_status
    return 0


@contextmanager
def memory_below(megabytes: float) -> Iterator[None]:
    """Fail where more memory than that is asked for at once."""
    tracemalloc.start()
    try:
        yield
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < megabytes * 1e6, f"{peak / 1e6:.1f} MB were asked for"


def las_bytes(
    stored: NDArray[np.integer],
    *,
    point_format: int = 3,
    minor: int = 2,
    scale: float = 0.0001,
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0),
    extra: int = 0,
    records: tuple[tuple[str, int, bytes], ...] = (),
    classes: NDArray[np.integer] | None = None,
    flags: NDArray[np.integer] | None = None,
    tail: bytes = b"",
) -> bytes:
    """A LAS file of stored integers (n, 3), laid out by hand.

    ``classes`` and ``flags`` are the bytes of classification and of its flags; formats 0
    to 5 have both in one byte, given in ``classes``.
    """
    size = HEADER_BYTES[minor]
    vlrs = b"".join(
        struct.pack("<H16sHH32s", 0, user.encode(), number, len(content), b"") + content
        for user, number, content in records
    )
    length = RECORD_BYTES[point_format] + extra
    body = np.zeros((len(stored), length), np.uint8)
    body[:, :12] = np.ascontiguousarray(stored, "<i4").view(np.uint8).reshape(-1, 12)
    if classes is not None:
        body[:, 16 if point_format >= 6 else 15] = classes
    if flags is not None:
        body[:, 15] = flags
    header = bytearray(size)
    header[:4] = b"LASF"
    low, high = (np.asarray(f(stored, axis=0)) * scale + offset for f in (np.min, np.max))
    struct.pack_into("<12d", header, 131, scale, scale, scale, *offset,
                     high[0], low[0], high[1], low[1], high[2], low[2])  # fmt: skip
    fields = {
        "major": 1, "minor": minor, "header_size": size, "begin": size + len(vlrs),
        "vlr_count": len(records), "point_format": point_format, "record_bytes": length,
        "legacy_count": len(stored) if point_format < 6 else 0,
    }  # fmt: skip
    if minor == 4:
        fields["count"] = len(stored)
    return with_fields(bytes(header) + vlrs + body.tobytes() + tail, **fields)


def with_fields(content: bytes, **fields: float) -> bytes:
    """A LAS file with some fields of its header set."""
    out = bytearray(content)
    for name, value in fields.items():
        place, layout = LAS_FIELDS[name]
        struct.pack_into(layout, out, place, value)
    return bytes(out)


def laz_bytes(
    points_m: NDArray[np.float64],
    *,
    point_format: int = 3,
    scale: float = 0.0001,
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0),
    chunk_points: int = 500,
    **dimensions: NDArray[np.integer],
) -> bytes:
    """A LAZ file, packed by the compressor itself so that the chunks are small."""
    import laspy
    import lazrs

    header = laspy.LasHeader(
        point_format=point_format, version="1.4" if point_format > 5 else "1.2"
    )
    header.scales, header.offsets = np.full(3, scale), np.array(offset)
    las = laspy.LasData(header)
    las.x, las.y, las.z = points_m.T
    for name, values in dimensions.items():
        las[name] = values
    plain = io.BytesIO()
    las.write(plain)
    content = plain.getvalue()
    begin = struct.unpack_from("<I", content, 96)[0]
    usual = bytes(lazrs.LazVlr.new_for_compression(point_format, 0).record_data())
    record = usual[:12] + struct.pack("<I", chunk_points) + usual[16:]
    head = struct.pack("<H16sHH32s", 0, b"laszip encoded", 22204, len(record), b"") + record
    packed = io.BytesIO()
    packed.write(content[:begin] + head)
    compressor = lazrs.LasZipCompressor(packed, lazrs.LazVlr(record))
    compressor.compress_many(np.frombuffer(content[begin:], np.uint8))
    compressor.done()
    return with_fields(
        packed.getvalue(), begin=begin + len(head), vlr_count=1, point_format=point_format | 0x80
    )


def ply_bytes(
    columns: dict[str, NDArray[np.generic]],
    *,
    kind: str = "binary_little_endian",
    before: str = "",
    before_body: bytes = b"",
    after: str = "",
    after_body: bytes = b"",
    newline: str = "\n",
) -> bytes:
    """A PLY file with the vertices' columns in the order and types given."""
    names = {"i1": "char", "u1": "uchar", "i2": "short", "u2": "ushort", "i4": "int",
             "u4": "uint", "f4": "float", "f8": "double"}  # fmt: skip
    count = len(next(iter(columns.values())))
    lines = ["ply", f"format {kind} 1.0", "comment made by a test", *before.splitlines()]
    lines.append(f"element vertex {count}")
    lines += [f"property {names[c.dtype.str[1:]]} {name}" for name, c in columns.items()]
    lines += [*after.splitlines(), "end_header", ""]
    header = newline.join(lines).encode()
    if kind == "ascii":
        rows = zip(*(c.tolist() for c in columns.values()), strict=True)
        body = "".join(" ".join(map(repr, row)) + newline for row in rows).encode()
    else:
        order = "<" if kind == "binary_little_endian" else ">"
        table = np.empty(count, [(n, order + c.dtype.str[1:]) for n, c in columns.items()])
        for name, column in columns.items():
            table[name] = column
        body = table.tobytes()
    return header + before_body + body + after_body


def pcd_bytes(
    columns: dict[str, NDArray[np.generic]],
    *,
    data: str = "binary",
    viewpoint: str = "0 0 0 1 0 0 0",
    height: int = 1,
    **lines: str,
) -> bytes:
    """A PCD file; ``lines`` set header lines, e.g. ``POINTS="12"``; columns may be (n, k)."""
    count = len(next(iter(columns.values())))
    letters = {"f": "F", "i": "I", "u": "U"}
    wide = {name: c.reshape(count, -1) for name, c in columns.items()}
    said = {
        "VERSION": "0.7",
        "FIELDS": " ".join(wide),
        "SIZE": " ".join(str(c.dtype.itemsize) for c in wide.values()),
        "TYPE": " ".join(letters[c.dtype.kind] for c in wide.values()),
        "COUNT": " ".join(str(c.shape[1]) for c in wide.values()),
        "WIDTH": str(count // height),
        "HEIGHT": str(height),
        "VIEWPOINT": viewpoint,
        "POINTS": str(count),
        "DATA": data,
    } | lines
    head = "# .PCD v0.7 - Point Cloud Data file format\n"
    header = (head + "".join(f"{k} {v}\n" for k, v in said.items() if v)).encode()
    if data == "ascii":
        rows = (np.concatenate([c[i].astype(object) for c in wide.values()]) for i in range(count))
        return header + "".join(" ".join(map(str, row)) + "\n" for row in rows).encode()
    if data == "binary":
        table = np.empty(count, [(n, c.dtype, c.shape[1]) for n, c in wide.items()])
        for name, column in wide.items():
            table[name] = column.reshape(table[name].shape)
        return header + table.tobytes()
    body = b"".join(np.ascontiguousarray(c).tobytes() for c in wide.values())
    packed = pack_lzf(body)
    return header + struct.pack("<II", len(packed), len(body)) + packed


def pack_lzf(data: bytes) -> bytes:
    """LZF, greedily: copies of three bytes or more from up to 8 kB back, else literals."""
    out = bytearray()
    literal = bytearray()
    last: dict[bytes, int] = {}

    def flush() -> None:
        for i in range(0, len(literal), 32):
            run = literal[i : i + 32]
            out.append(len(run) - 1)
            out.extend(run)
        literal.clear()

    i = 0
    while i < len(data):
        key = data[i : i + 3]
        back = i - last.get(key, -(1 << 20)) - 1
        last[key] = i
        if len(key) < 3 or back >= 8192:
            literal.append(data[i])
            i += 1
            continue
        flush()
        length = 3
        begin = i - back - 1
        while length < 264 and i + length < len(data) and data[begin + length] == data[i + length]:
            length += 1
        short = length - 2
        if short < 7:
            out.append((short << 5) | (back >> 8))
        else:
            out.extend(((7 << 5) | (back >> 8), short - 7))
        out.append(back & 255)
        i += length
    flush()
    return bytes(out)


def columns_of(points: NDArray[np.floating]) -> dict[str, NDArray[np.generic]]:
    """x, y and z of points as columns, in their own type."""
    return {axis: np.ascontiguousarray(points[:, i]) for i, axis in enumerate("xyz")}


def by_laspy(content: bytes) -> NDArray[np.float64]:
    """Coordinates as laspy reads them, (n, 3)."""
    import laspy

    data = laspy.read(io.BytesIO(content))
    return np.stack([np.asarray(data[axis], float) for axis in "xyz"], axis=1)
