"""LAZ: what must hold before the decoder is called, and calling it chunk by chunk.

A packed body is a row of chunks with a table of their sizes at its end. The decoder
allocates what these numbers say and ends the whole process if it cannot, so that they
are all checked here first: the place of the table, the number of chunks, the bytes
and points in each, and in layered chunks the size of every layer.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from itertools import accumulate
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import LimitMet, ScanError
from pourdatum.read.las_header import LasHeader
from pourdatum.read.source import Source, opened, read_exactly

_T = TypeVar("_T")
_CHUNK_POINTS_MOST: Final = 5_000_000
_CHUNK_BYTES_MOST: Final = 1 << 30
_VARIABLE: Final = 0xFFFFFFFF
_ITEMS: Final = dict.fromkeys((0, 6, 7, 8, 9), (1, 2))
_LAYERED_ITEMS: Final = dict.fromkeys((10, 11, 12, 13, 14), (3,))
"""Versions of each packed item that the decoder knows."""
_LAYERS: Final = {10: 9, 11: 1, 12: 2, 13: 1}


@dataclass(frozen=True)
class Packing:
    """How the points are packed: the decoder's own record, and layers in a chunk (0: none)."""

    record: bytes
    record_bytes: int
    layers: int


@dataclass(frozen=True)
class PackedChunk:
    """One chunk: its points, where its bytes lie, and how many of its first points are wanted."""

    points: int
    begin: int
    size: int
    wanted: int | None = None

    @property
    def unpacked(self) -> int:
        """Points that are unpacked from it."""
        return self.points if self.wanted is None else self.wanted


def read_packing(header: LasHeader, source: Source) -> tuple[Packing, tuple[PackedChunk, ...]]:
    """Check how a LAZ body is packed, and find its chunks.

    Raises
    ------
    ScanError
        If the packing is of an unknown kind or its numbers do not fit the file.
    LimitMet
        If one chunk would take more than 1 GiB unpacked.
    """
    import lazrs

    record = header.record("laszip encoded", 22204)
    if record is None or len(record.content) < 34:
        raise _bad("the record that says how it is packed is missing", source)
    chunk_points, layers = _checked_record(record.content, header, source)
    table, count = _table_place(header, source)
    expected = -(-header.points // chunk_points)
    if chunk_points != _VARIABLE and count != expected:
        raise _bad(
            f"number of chunks is {count}, {header.points} points in chunks of {chunk_points} "
            f"take {expected}",
            source,
        )
    if count > header.points or count > table - header.begin:
        raise _bad(f"number of chunks is {count}, more than points or bytes", source)
    with opened(source) as stream:
        stream.seek(table)
        sizes = guarded(
            lambda: lazrs.read_chunk_table_only(stream, lazrs.LazVlr(record.content)),
            "the chunk table does not decode",
            source,
        )
    chunks = _chunks(sizes, header, table, chunk_points, source)
    return Packing(record.content, header.record_bytes, layers), chunks


def unpack(packing: Packing, chunks: tuple[PackedChunk, ...], source: Source) -> NDArray[np.uint8]:
    """Records of neighbouring chunks, (n, record_bytes) bytes."""
    import lazrs

    begin = chunks[0].begin
    with opened(source) as stream:
        packed = read_exactly(stream, begin, sum(c.size for c in chunks), source)
    if packing.layers:
        view = memoryview(packed)
        for chunk in chunks:
            _check_layers(view[chunk.begin - begin :], chunk, packing, source)
    out = np.zeros(sum(c.unpacked for c in chunks) * packing.record_bytes, np.uint8)
    guarded(
        lambda: lazrs.decompress_points_with_chunk_table(
            packed, packing.record, out, [(c.unpacked, c.size) for c in chunks], _selection(packing)
        ),
        f"the data of the chunk at byte {begin} do not decode",
        source,
    )
    return out.reshape(-1, packing.record_bytes)


def guarded(call: Callable[[], _T], what: str, source: Source) -> _T:
    """Call the decoder; its errors and its panics become ours."""
    try:
        return call()
    except BaseException as reason:
        # A panic of the decoder derives from BaseException, and its class has no public name.
        if isinstance(reason, Exception) or type(reason).__name__ == "PanicException":
            raise _damaged(f"{what} ({str(reason)[:80]})", source) from None
        raise


def _checked_record(content: bytes, header: LasHeader, source: Source) -> tuple[int, int]:
    """Points in a chunk and layers in it, from the packing record."""
    kind, coder = struct.unpack_from("<HH", content, 0)
    (chunk_points,) = struct.unpack_from("<I", content, 12)
    (item_count,) = struct.unpack_from("<H", content, 32)
    if kind not in (2, 3) or coder != 0:
        raise _bad(f"packing of kind {kind} (no chunks) is not read by this version", source)
    if len(content) < 34 + 6 * item_count or item_count == 0:
        raise _bad(f"the packing record of {len(content)} bytes lists {item_count} items", source)
    known = _ITEMS if kind == 2 else _LAYERED_ITEMS
    total = layers = 0
    for i in range(item_count):
        item, size, version = struct.unpack_from("<HHH", content, 34 + 6 * i)
        if version not in known.get(item, ()):
            raise _bad(f"item {item} packed in version {version} is not read", source)
        total += size
        layers += _LAYERS.get(item, size)
    if total != header.record_bytes:
        raise _bad(f"packed items of {total} bytes in records of {header.record_bytes}", source)
    if chunk_points == 0 or (chunk_points > _CHUNK_POINTS_MOST and chunk_points != _VARIABLE):
        raise _bad(f"chunk size is {chunk_points} points (1 to {_CHUNK_POINTS_MOST})", source)
    return chunk_points, layers if kind == 3 else 0


def _table_place(header: LasHeader, source: Source) -> tuple[int, int]:
    """Byte of the chunk table, and the number of chunks that it says."""
    with opened(source) as stream:
        (table,) = struct.unpack("<q", read_exactly(stream, header.begin, 8, source))
        if table == -1:  # written to a pipe: the place stands at the very end
            (table,) = struct.unpack("<q", read_exactly(stream, source.size - 8, 8, source))
        if not header.begin + 8 < table <= source.size - 8:
            raise _bad(
                f"chunk table at byte {table}, point data from {header.begin} to {source.size}: "
                "the compressed data end early",
                source,
            )
        version, count = struct.unpack("<II", read_exactly(stream, table, 8, source))
    if version != 0 or count == 0:
        raise _bad(f"chunk table of version {version} with {count} chunks", source)
    return table, count


def _chunks(
    sizes: list[tuple[int, int]],
    header: LasHeader,
    table: int,
    chunk_points: int,
    source: Source,
) -> tuple[PackedChunk, ...]:
    if chunk_points == _VARIABLE:
        points = [p for p, _ in sizes]
    else:
        points = [min(chunk_points, header.points - i * chunk_points) for i in range(len(sizes))]
    body = header.begin + 8
    if sum(points) != header.points:
        raise _bad(
            f"the chunks hold {sum(points)} points, the header counts {header.points}", source
        )
    if sum(b for _, b in sizes) != table - body:
        raise _bad(
            f"the chunks take {sum(b for _, b in sizes)} bytes, {table - body} are there", source
        )
    if max(points) > _CHUNK_POINTS_MOST:
        raise _bad(f"a chunk of {max(points)} points is beyond {_CHUNK_POINTS_MOST}", source)
    if max(points) * header.record_bytes > _CHUNK_BYTES_MOST:
        raise LimitMet(
            f"one chunk unpacks to {max(points) * header.record_bytes} bytes",
            where=source.shown,
            hint="export the scan in smaller chunks, without extra fields",
            id="laz-chunk",
        )
    begins = accumulate((b for _, b in sizes), initial=body)
    chunks = tuple(
        PackedChunk(p, begin, size)
        for p, begin, (_, size) in zip(points, begins, sizes, strict=False)
    )
    for chunk in chunks:
        if not chunk.points and chunk.size:
            raise _bad(f"the chunk at byte {chunk.begin} holds bytes and no points", source)
    return tuple(chunk for chunk in chunks if chunk.points)


def _check_layers(packed: memoryview, chunk: PackedChunk, packing: Packing, source: Source) -> None:
    """A layered chunk: its first point, its count, the size of each layer, the layers."""
    head = packing.record_bytes + 4 + 4 * packing.layers
    if chunk.size < head:
        raise _damaged(f"the chunk at byte {chunk.begin} is shorter than its head", source)
    count, *layers = struct.unpack_from(f"<{1 + packing.layers}I", packed, packing.record_bytes)
    if count != chunk.points or sum(layers) != chunk.size - head:
        raise _damaged(
            f"the chunk at byte {chunk.begin} says {count} points in {sum(layers)} bytes, "
            f"{chunk.points} in {chunk.size - head} are there",
            source,
        )


def _selection(packing: Packing) -> object:
    """Only what is used: coordinates, class, flags. Plain chunks decode whole anyway."""
    import lazrs

    return lazrs.DecompressionSelection(
        lazrs.SELECTIVE_DECOMPRESS_XY_RETURNS_CHANNEL
        | lazrs.SELECTIVE_DECOMPRESS_Z
        | lazrs.SELECTIVE_DECOMPRESS_CLASSIFICATION
        | lazrs.SELECTIVE_DECOMPRESS_FLAGS
    )


def _bad(what: str, source: Source) -> ScanError:
    return ScanError(
        f"LAZ: {what}",
        where=source.shown,
        hint="copy it again, or export it again as LAZ or LAS",
        id="laz-header",
    )


def _damaged(what: str, source: Source) -> ScanError:
    return ScanError(
        f"compressed data are damaged: {what}",
        where=source.shown,
        hint="copy or export the scan again",
        id="laz-damaged",
    )
