"""PLY: text and binary of both byte orders, points and the corners of meshes.

Layout after G. Turk, "The PLY Polygon File Format" (1994): a text header that lists
elements and their properties, then the elements in that order. Only the vertices
are read; what stands after them is left alone. The header is text from a stranger:
it is capped, every word is checked, and sizes are compared with the file before
anything is allocated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.look import (
    Opened,
    Piece,
    check_rest,
    check_voids,
    columns_of,
    look_over,
    measured,
    rows_per_piece,
    stored_step,
)
from pourdatum.read.source import Source, opened, read_exactly
from pourdatum.read.text_rows import RowsAt, check_no_more, check_room, find_rows, read_rows
from pourdatum.scan import Reader

HEADER_BYTES: Final = 1 << 16
HEADER_LINES: Final = 1000
_TYPES: Final = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "int64": "i8", "uint64": "u8",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_ORDERS: Final = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}


@dataclass(frozen=True)
class Element:
    """An element of the header: (name, NumPy type) of each property, ``""`` for a list."""

    name: str
    count: int
    properties: tuple[tuple[str, str], ...]

    @property
    def has_lists(self) -> bool:
        """Whether its records differ in length."""
        return any(not kind for _, kind in self.properties)


@dataclass(frozen=True)
class PlyHeader:
    """What the header says: byte order (``""`` for text), elements, where the body begins."""

    kind: str
    elements: tuple[Element, ...]
    body: int
    cr: bool


@dataclass(frozen=True)
class _BinaryRows:
    """How to read vertices: record layout and the byte of the first record."""

    source: Source
    layout: np.dtype[np.void]
    begin: int


@dataclass(frozen=True)
class _TextRows:
    """How to read vertices in text."""

    source: Source
    at: RowsAt
    words: int
    columns: tuple[int, ...]
    cr: bool


def is_ply(head: bytes) -> bool:
    """Whether the content begins as PLY does."""
    return head[:3] == b"ply" and head[3:4] in (b"\n", b"\r", b" ", b"\t")


def open_ply(source: Source, chunk_points: int) -> Opened:
    """Check a PLY file and look it over.

    Raises
    ------
    ScanError
        If header or body are damaged, cut short, or without points.
    """
    header = read_header(source)
    vertex = _vertex(header, source)
    axes = _axis_columns(vertex, source)
    notes = _mesh_note(header, vertex)
    warnings: tuple[tuple[str, str], ...] = ()
    if _ORDERS[header.kind]:
        pieces, warnings = _binary_pieces(header, vertex, source, chunk_points)
        reader: Reader = read_binary_points
    else:
        pieces = _text_pieces(header, vertex, axes, source, chunk_points)
        reader = read_text_points
    look = look_over(source, pieces, reader, vertex.count)
    void = vertex.count - look.kept
    check_voids(void, vertex.count, source)
    if void:
        warnings += (("void-points", f"{source.shown}: {void} points without numbers left out"),)
    step = [
        stored_step(
            look.sample[:, i], bool(_ORDERS[header.kind]) and vertex.properties[c][1] == "f4"
        )
        for i, c in enumerate(axes)
    ]
    return Opened(
        format=f"PLY {header.kind}",
        records=vertex.count,
        pieces=pieces,
        reader=reader,
        look=look,
        step=(step[0], step[1], step[2]),
        notes=notes,
        warnings=warnings,
    )


def read_binary_points(
    path: str, start: int, count: int, details: _BinaryRows
) -> NDArray[np.float64]:
    """Vertices from a binary body; see ``pourdatum.scan.Reader``."""
    layout = details.layout
    with opened(details.source) as stream:
        data = read_exactly(
            stream, details.begin + start * layout.itemsize, count * layout.itemsize, details.source
        )
    records = np.frombuffer(data, layout)
    points = columns_of(records["x"], records["y"], records["z"])
    return measured(points)


def read_text_points(path: str, start: int, count: int, details: _TextRows) -> NDArray[np.float64]:
    """Vertices from a text body; see ``pourdatum.scan.Reader``."""
    return measured(
        read_rows(details.source, details.at, details.words, details.columns, cr=details.cr)
    )


def read_header(source: Source) -> PlyHeader:
    """Parse the header, within 64 kB and 1000 lines."""
    with opened(source) as stream:
        text = stream.read(HEADER_BYTES)
    cr = b"\n" not in text[: text.find(b"\r") + 2] if b"\r" in text else False
    newline = b"\r" if cr else b"\n"
    kind = ""
    elements: list[Element] = []
    position = 0
    for number in range(1, HEADER_LINES + 1):
        end = text.find(newline, position)
        if end < 0:
            break
        line = text[position:end].decode("latin-1")
        position = end + 1
        match line.split():
            case ["ply"] if number == 1:
                pass
            case [] | ["comment" | "obj_info", *_]:
                pass
            case ["format", word, _] if word in _ORDERS and not kind:
                kind = word
            case ["element", name, count]:
                elements.append(Element(name, _count(count, number, source), ()))
            case ["property", "list", size, item, _] if elements and {size, item} <= _TYPES.keys():
                elements[-1] = _with(elements[-1], line.split()[-1], "")
            case ["property", word, name] if elements and word in _TYPES:
                elements[-1] = _with(elements[-1], name, _TYPES[word])
            case ["end_header"]:
                if not kind:
                    raise _bad_header("no line 'format'", source)
                return PlyHeader(kind, tuple(elements), position, cr)
            case _:
                raise _bad_header(f"line {number} is not understood: {line.strip()[:60]!r}", source)
    raise _bad_header(
        f"no 'end_header' within {HEADER_BYTES // 1024} kB and {HEADER_LINES} lines", source
    )


def _with(element: Element, name: str, kind: str) -> Element:
    return Element(element.name, element.count, (*element.properties, (name, kind)))


def _count(word: str, number: int, source: Source) -> int:
    if not (word.isascii() and word.isdigit() and len(word) < 20):
        raise _bad_header(f"line {number}: {word[:30]!r} is no count", source)
    return int(word)


def _vertex(header: PlyHeader, source: Source) -> Element:
    vertices = [e for e in header.elements if e.name == "vertex"]
    if len(vertices) > 1:
        raise _bad_header("element 'vertex' stands twice", source)
    if not vertices or vertices[0].count == 0:
        raise ScanError(
            "holds no points (0 vertices)",
            where=source.shown,
            hint="export the scan again, as points",
            id="no-points",
        )
    return vertices[0]


def _axis_columns(vertex: Element, source: Source) -> tuple[int, int, int]:
    names = [name.lower() for name, _ in vertex.properties]
    for axis in "xyz":
        if names.count(axis) != 1 or not vertex.properties[names.index(axis)][1]:
            raise _bad_header(
                f"the vertices need one number '{axis}', the header lists {', '.join(names)[:80]}",
                source,
            )
    return names.index("x"), names.index("y"), names.index("z")


def _mesh_note(header: PlyHeader, vertex: Element) -> tuple[str, ...]:
    faces = sum(e.count for e in header.elements if e.name == "face")
    if not faces:
        return ()
    return (f"the file is a mesh of {faces} faces; its {vertex.count} corners are read as points",)


def _layout(element: Element, order: str, source: Source) -> np.dtype[np.void]:
    if element.has_lists:
        raise ScanError(
            f"element '{element.name}' holds lists and stands before the end of the vertices",
            where=source.shown,
            hint="export the points alone",
            id="ply-lists",
        )
    # Only x, y and z need their names; others may repeat or be odd.
    return np.dtype(
        [
            (name.lower() if name.lower() in ("x", "y", "z") else f"p{i}", order + kind)
            for i, (name, kind) in enumerate(element.properties)
        ]
    )


def _binary_pieces(
    header: PlyHeader, vertex: Element, source: Source, chunk_points: int
) -> tuple[tuple[Piece, ...], tuple[tuple[str, str], ...]]:
    order = _ORDERS[header.kind]
    begin = header.body
    for element in header.elements[: header.elements.index(vertex)]:
        if element.count:
            begin += element.count * _layout(element, order, source).itemsize
    layout = _layout(vertex, order, source)
    left = source.size - begin
    if left < vertex.count * layout.itemsize:
        raise ScanError(
            f"says {vertex.count} points, holds {max(0, left // layout.itemsize)}: cut short in "
            f"row {max(0, left // layout.itemsize) + 1}",
            where=source.shown,
            hint="export or copy it again",
            id="cut-short",
        )
    warnings: tuple[tuple[str, str], ...] = ()
    if not any(e.count for e in header.elements[header.elements.index(vertex) + 1 :]):
        end = begin + vertex.count * layout.itemsize
        warnings = check_rest(source, end, layout.itemsize, vertex.count)
    details = _BinaryRows(source, layout, begin)
    rows = rows_per_piece(chunk_points, layout.itemsize)
    return (
        tuple(
            Piece(start, min(rows, vertex.count - start), details)
            for start in range(0, vertex.count, rows)
        ),
        warnings,
    )


def _text_pieces(
    header: PlyHeader,
    vertex: Element,
    axes: tuple[int, int, int],
    source: Source,
    chunk_points: int,
) -> tuple[Piece, ...]:
    if vertex.has_lists:
        _layout(vertex, "<", source)
    before = sum(e.count for e in header.elements[: header.elements.index(vertex)])
    words = len(vertex.properties)
    check_room(source, header.body, vertex.count, words, skip=before, cr=header.cr)
    found = find_rows(
        source,
        header.body,
        vertex.count,
        rows_per_piece(chunk_points, 16 * words),
        skip=before,
        cr=header.cr,
    )
    if not any(e.count for e in header.elements[header.elements.index(vertex) + 1 :]):
        check_no_more(source, found[-1].end, vertex.count)
    return tuple(
        Piece(at.first_row, at.rows, _TextRows(source, at, words, axes, header.cr)) for at in found
    )


def _bad_header(what: str, source: Source) -> ScanError:
    return ScanError(
        f"PLY header: {what}",
        where=source.shown,
        hint="export the scan again",
        id="ply-header",
    )
