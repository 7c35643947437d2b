"""PLY: text and binary of both byte orders, points and meshes.

Layout after G. Turk, "The PLY Polygon File Format" (1994): a text header that lists
elements and their properties, then the elements in that order. Points are read in
pieces; what stands after them is left alone. A file with faces is a mesh and read by
``ply_mesh``. Sizes are compared with the file before anything is allocated.
"""

from __future__ import annotations

from dataclasses import dataclass

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
from pourdatum.read.mesh_samples import open_mesh
from pourdatum.read.ply_header import Element, PlyHeader, read_header
from pourdatum.read.ply_mesh import axes_of, is_mesh, load_ply, vertex_of
from pourdatum.read.records import EVERY, Part, read_records, thinned
from pourdatum.read.source import BOM, Source
from pourdatum.read.text_rows import RowsAt, check_no_more, check_room, find_rows, read_rows
from pourdatum.scan import Reader


@dataclass(frozen=True)
class _BinaryRows:
    """How to read vertices: record layout and the byte of the first record."""

    source: Source
    layout: np.dtype[np.void]
    begin: int
    part: Part = EVERY


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
    text = head.removeprefix(BOM)
    return text[:3] == b"ply" and text[3:4] in (b"\n", b"\r", b" ", b"\t")


def open_ply(source: Source, chunk_points: int) -> Opened:
    """Check a PLY file and look it over.

    Raises
    ------
    ScanError
        If header or body are damaged, cut short, or without points.
    """
    header = read_header(source)
    vertex = vertex_of(header, source)
    axes = axes_of(vertex, source)
    if is_mesh(header):
        return open_mesh(source, chunk_points, load_ply, f"PLY {header.kind}")
    warnings: tuple[tuple[str, str], ...] = ()
    if header.order:
        pieces, warnings = _binary_pieces(header, vertex, source, chunk_points)
        reader: Reader = read_binary_points
    else:
        pieces = _text_pieces(header, vertex, axes, source, chunk_points)
        reader = read_text_points
    look = look_over(source, pieces, reader, vertex.count)
    void = vertex.count - look.kept
    warnings += check_voids(void, vertex.count, source)
    step = [
        stored_step(look.sample[:, i], bool(header.order) and vertex.properties[c].kind == "f4")
        for i, c in enumerate(axes)
    ]
    return Opened(
        format=f"PLY {header.kind}",
        records=vertex.count,
        pieces=pieces,
        reader=reader,
        thinner=thinned if header.order else None,
        look=look,
        step=(step[0], step[1], step[2]),
        warnings=warnings,
    )


def read_binary_points(
    path: str, start: int, count: int, details: _BinaryRows
) -> NDArray[np.float64]:
    """Vertices from a binary body; see ``pourdatum.scan.Reader``."""
    layout = details.layout
    data = read_records(details.source, details.begin, layout.itemsize, start, count, details.part)
    records = np.frombuffer(data, layout)
    points = columns_of(records["x"], records["y"], records["z"])
    return measured(points)


def read_text_points(path: str, start: int, count: int, details: _TextRows) -> NDArray[np.float64]:
    """Vertices from a text body; see ``pourdatum.scan.Reader``."""
    return measured(
        read_rows(details.source, details.at, details.words, details.columns, cr=details.cr)
    )


def _layout(element: Element, order: str) -> np.dtype[np.void]:
    # Only x, y and z need their names; others may repeat or be odd.
    return np.dtype(
        [
            (p.name.lower() if p.name.lower() in ("x", "y", "z") else f"p{i}", order + p.kind)
            for i, p in enumerate(element.properties)
        ]
    )


def _binary_pieces(
    header: PlyHeader, vertex: Element, source: Source, chunk_points: int
) -> tuple[tuple[Piece, ...], tuple[tuple[str, str], ...]]:
    begin = header.body
    for element in header.before(vertex):
        if element.count:
            begin += element.count * _layout(element, header.order).itemsize
    layout = _layout(vertex, header.order)
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
    if not any(e.count for e in header.after(vertex)):
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
    before = sum(e.count for e in header.before(vertex))
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
    if not any(e.count for e in header.after(vertex)):
        check_no_more(source, found[-1].end, vertex.count)
    return tuple(
        Piece(at.first_row, at.rows, _TextRows(source, at, words, axes, header.cr)) for at in found
    )
