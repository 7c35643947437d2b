"""LAS 1.0 to 1.4, LAZ, and COPC read as the LAZ file that it is.

Stored coordinates are 32-bit integers; times scale plus offset, in float64, they are
the file's coordinates. Points flagged as withheld or classed as noise (7 low, 18 high)
are left out, as are those whose writer had no number for them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.compiled import compiled_loops
from pourdatum.errors import ScanError
from pourdatum.read.crs import stated_unit
from pourdatum.read.las_header import LasHeader, read_las_header
from pourdatum.read.laz import PackedChunk, Packing, read_packing, unpack
from pourdatum.read.look import Gatherer, Look, Opened, Piece, check_voids, rows_per_piece
from pourdatum.read.records import EVERY, Part, read_records, thinned
from pourdatum.read.source import Source
from pourdatum.scan import Frame

_NO_NUMBER: Final = -(2**31)
"""What a NaN becomes when a writer casts it to a 32-bit integer."""
_NOISE: Final = (7, 18)
_DISTINCT_LEAST: Final = 20
_STEP_SAMPLE_LEAST: Final = 1000
_BOX_SLACK_STEPS: Final = 2.0
_CHUNKS_SEEN: Final = 49
_WHOLE_CHUNKS: Final = 7
"""As many points are looked at as so many whole chunks hold, from the beginnings of more."""
_LOOK_POINTS: Final = 1_000_000


@dataclass(frozen=True)
class _Rows:
    """How to read a piece: plain records, or packed chunks."""

    source: Source
    header: LasHeader
    packing: Packing | None = None
    chunks: tuple[PackedChunk, ...] = ()
    inside_box: bool = False
    """Whether points outside the header's box mean damage."""
    part: Part = EVERY
    """Which records are read: blocks of plain ones, or the beginnings of packed chunks."""


def is_las(head: bytes) -> bool:
    """Whether the content begins as LAS and LAZ do."""
    return head.startswith(b"LASF")


def open_las(source: Source, chunk_points: int) -> Opened:
    """Check a LAS or LAZ file and look it over.

    Raises
    ------
    ScanError
        If header, table of chunks or body are damaged, cut short, or without points.
    """
    header = read_las_header(source)
    unit, unit_warnings = stated_unit(header, source)
    slim = replace(header, records=())  # what pieces carry to workers
    if header.packed:
        packing, chunks = read_packing(header, source)
        seen = _look_packed(source, slim, packing, chunks)
        pieces = _packed_pieces(source, slim, packing, chunks, chunk_points, seen.boxed)
    else:
        seen = _look_plain(source, slim)
        rows = rows_per_piece(chunk_points, header.record_bytes)
        details = _Rows(source, slim)
        pieces = tuple(
            Piece(start, min(rows, header.points - start), details)
            for start in range(0, header.points, rows)
        )
    return Opened(
        format=_name(header),
        records=header.points,
        pieces=pieces,
        reader=read_las_points,
        thinner=thinned,
        lattice_reader=read_las_lattice,
        look=seen.look,
        step=seen.step,
        metres_by_convention=True,
        up_by_convention="z",
        stated_unit=unit,
        warnings=header.warnings + unit_warnings + _left_out(seen, header, source),
    )


def read_las_points(path: str, start: int, count: int, details: _Rows) -> NDArray[np.float64]:
    """Points of a piece; see ``pourdatum.scan.Reader``."""
    stored, keep = _stored(details, start, count)
    points = _scaled(stored[keep] if not keep.all() else stored, details.header)
    if details.inside_box:
        _check_box(points, details.header, details.source)
    return points


def read_las_lattice(
    path: str, start: int, count: int, details: _Rows, frame: Frame
) -> NDArray[np.int64] | None:
    """See ``pourdatum.scan.LatticeReader``: in one compiled loop, where there is one."""
    loops = compiled_loops("cellloop", worth=False)
    if loops is None or frame.rotation is not None:
        return None
    header = details.header
    records = _all_records(details, start, count)
    stored = np.ndarray((len(records), 3), "<i4", records, 0, (header.record_bytes, 4))
    axes, factors = frame.axes_and_factors()
    out = np.empty((len(records), 3), np.int64)
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    kept = loops.las_lattice(
        stored, *_marks(records, header), _NOISE, _NO_NUMBER,
        header.scale, header.offset, axes, factors, frame.origin_m, out, low, high,
    )  # fmt: skip
    if details.inside_box and kept:
        least, most = _box_with_slack(header)
        if (low < least).any() or (high > most).any():
            return None  # the plain way says what is wrong
    return out[:kept]


@dataclass(frozen=True, eq=False)
class _LasLook:
    """A look, with the step of the stored integers and what was left out.

    ``boxed`` tells that the header's box holds what was seen, ``all_seen`` that this was
    every point; if not, the look's box and count are those of the header.
    """

    look: Look
    dropped: int
    step: tuple[float, float, float] = (1.0, 1.0, 1.0)
    all_seen: bool = True
    boxed: bool = False


def _stored(details: _Rows, start: int, count: int) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """Stored integers of every record (n, 3), and which of them are measurements."""
    header = details.header
    records = _all_records(details, start, count)
    stored = np.ascontiguousarray(records[:, :12]).view("<i4")
    keep = ~_void(stored)
    flags, withheld, kinds, kind_bits = _marks(records, header)
    keep &= (flags & withheld) == 0
    kind = kinds & kind_bits
    for noise in _NOISE:
        keep &= kind != noise
    return stored, keep


def _marks(
    records: NDArray[np.uint8], header: LasHeader
) -> tuple[NDArray[np.uint8], int, NDArray[np.uint8], int]:
    """Flags of every record and the bit for withheld; classes and the bits they take."""
    if header.point_format >= 6:
        return records[:, 15], 4, records[:, 16], 255
    # Version 1.0 leaves the byte to its writer.
    withheld, kind_bits = (128, 31) if header.minor >= 1 else (0, 0)
    return records[:, 15], withheld, records[:, 15], kind_bits


def _all_records(details: _Rows, start: int, count: int) -> NDArray[np.uint8]:
    """Records of a piece (n, bytes), plain or unpacked."""
    if details.packing is None:
        header = details.header
        size = header.record_bytes
        data = read_records(details.source, header.begin, size, start, count, details.part)
        return np.frombuffer(data, np.uint8).reshape(-1, size)
    chunks = details.chunks
    if details.part.one_in > 1:
        chunks = tuple(replace(c, wanted=-(-c.points // details.part.one_in)) for c in chunks)
    return unpack(details.packing, chunks, details.source)


def _scaled(stored: NDArray[np.int32], header: LasHeader) -> NDArray[np.float64]:
    scale, offset = np.array(header.scale), np.array(header.offset)
    return np.asarray(stored * scale + offset, np.float64)


def _box_with_slack(header: LasHeader) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The header's box, as much wider as its writer may have rounded."""
    slack = _BOX_SLACK_STEPS * np.asarray(header.scale)
    return np.asarray(header.low) - slack, np.asarray(header.high) + slack


def _check_box(points: NDArray[np.float64], header: LasHeader, source: Source) -> None:
    if len(points) == 0:
        return
    low, high = _box_with_slack(header)
    if (points.min(axis=0) < low).any() or (points.max(axis=0) > high).any():
        outside = int(np.count_nonzero(((points < low) | (points > high)).any(axis=1)))
        raise ScanError(
            f"compressed data are damaged: {outside} points lie outside the box in the header",
            where=source.shown,
            hint="copy or export the scan again",
            id="laz-damaged",
        )


def _look_plain(source: Source, header: LasHeader) -> _LasLook:
    """Every record of a small body; of a large one a part, if it lies in the header's box."""
    one_in = -(-header.points // _LOOK_POINTS)
    if one_in > 1:
        seen = _gather_rows(_Rows(source, header, part=Part(one_in)))
        low, high = _stated_box(header)
        if _holds(low, high, seen.look):
            look = Look(low, high, seen.look.sample, header.points)
            return _in_file_units(replace(seen, look=look, all_seen=False), header)
    return _in_file_units(_gather_rows(_Rows(source, header)), header)


def _gather_rows(details: _Rows) -> _LasLook:
    header = details.header
    rows = rows_per_piece(_LOOK_POINTS, header.record_bytes) * details.part.one_in
    parts = (
        (details, start, min(rows, header.points - start))
        for start in range(0, header.points, rows)
    )
    return _gather(parts, details.source, -(-header.points // details.part.one_in))


def _gather(parts: Iterable[tuple[_Rows, int, int]], source: Source, about: int) -> _LasLook:
    """A look at pieces (what to read, first record, records), of about so many in all."""
    gatherer = Gatherer(about)
    records = void = 0
    for details, start, count in parts:
        stored, keep = _stored(details, start, count)
        records += len(stored)
        void += int(np.count_nonzero(_void(stored)))
        gatherer.add(stored[keep].astype(np.float64))
    check_voids(void, records, source)
    return _LasLook(gatherer.result(), dropped=records - gatherer.kept)


def _stated_box(header: LasHeader) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least and greatest stored numbers that the header states; may be anything."""
    with np.errstate(all="ignore"):
        low, high = (
            np.rint((np.asarray(end) - header.offset) / header.scale)
            for end in (header.low, header.high)
        )
    return low, high


def _holds(low: NDArray[np.float64], high: NDArray[np.float64], look: Look) -> bool:
    return bool(
        np.isfinite([low, high]).all()
        and (look.low >= low - _BOX_SLACK_STEPS).all()
        and (look.high <= high + _BOX_SLACK_STEPS).all()
    )


def _look_packed(
    source: Source, header: LasHeader, packing: Packing, chunks: tuple[PackedChunk, ...]
) -> _LasLook:
    """A part tells the rest, if it lies in the box that the header states.

    A chunk is what was measured one after another: a patch of floor, or of a wall. The beginnings
    of many show more of the room than a few whole ones.
    """
    picked = np.unique(np.linspace(0, len(chunks) - 1, _CHUNKS_SEEN).round().astype(int))
    some = Part(-(-len(picked) // _WHOLE_CHUNKS))
    seen = _gather_chunks(source, header, packing, [chunks[i] for i in picked], some)
    low, high = _stated_box(header)
    boxed = _holds(low, high, seen.look)
    if some.one_in > 1:
        if not boxed:
            seen = _gather_chunks(source, header, packing, list(chunks))
        else:
            look = Look(low, high, seen.look.sample, header.points)
            seen = replace(seen, look=look, all_seen=False)
    return replace(_in_file_units(seen, header), boxed=boxed)


def _gather_chunks(
    source: Source,
    header: LasHeader,
    packing: Packing,
    chunks: list[PackedChunk],
    part: Part = EVERY,
) -> _LasLook:
    parts = (
        (_Rows(source, header, packing, (chunk,), part=part), 0, chunk.points) for chunk in chunks
    )
    return _gather(parts, source, sum(-(-chunk.points // part.one_in) for chunk in chunks))


def _void(stored: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Which records (n, 3) have a coordinate that is no number."""
    x, y, z = stored.T  # a column at a time: over three side by side NumPy is slow
    return np.asarray((x == _NO_NUMBER) | (y == _NO_NUMBER) | (z == _NO_NUMBER))


def _in_file_units(seen: _LasLook, header: LasHeader) -> _LasLook:
    """A look at stored integers as a look at coordinates; the step they really use."""
    scale, offset = np.asarray(header.scale), np.asarray(header.offset)
    look = seen.look
    x, y, z = (s * _common_step(look.sample[:, i]) for i, s in enumerate(header.scale))
    in_units = Look(
        look.low * scale + offset,
        look.high * scale + offset,
        look.sample * scale + offset,
        look.kept,
    )
    return replace(seen, look=in_units, step=(x, y, z))


def _common_step(stored: NDArray[np.float64]) -> int:
    """Greatest number of which all differences are multiples; 1 where too few to tell."""
    if len(stored) < _STEP_SAMPLE_LEAST:
        return 1
    levels = np.unique(stored).astype(np.int64)
    if len(levels) < _DISTINCT_LEAST:
        return 1
    return int(np.gcd.reduce(np.diff(levels)))


def _packed_pieces(
    source: Source,
    header: LasHeader,
    packing: Packing,
    chunks: tuple[PackedChunk, ...],
    chunk_points: int,
    boxed: bool,
) -> tuple[Piece, ...]:
    """Whole packed chunks, as many as fit into a piece."""
    most = rows_per_piece(chunk_points, header.record_bytes)
    pieces: list[Piece] = []
    group: list[PackedChunk] = []
    start = held = 0
    for chunk in (*chunks, None):
        if group and (chunk is None or held + chunk.points > most):
            details = _Rows(source, header, packing, tuple(group), boxed)
            pieces.append(Piece(start, held, details))
            start, held, group = start + held, 0, []
        if chunk is not None:
            group.append(chunk)
            held += chunk.points
    return tuple(pieces)


def _left_out(seen: _LasLook, header: LasHeader, source: Source) -> tuple[tuple[str, str], ...]:
    if not seen.dropped:
        return ()
    which = f"{seen.dropped} of {header.points}" if seen.all_seen else "some"
    return (("noise-points", f"{source.shown}: {which} points (withheld, noise) are left out"),)


def _name(header: LasHeader) -> str:
    if header.record("copc", 1) is not None:
        return "COPC"
    return f"{'LAZ' if header.packed else 'LAS'} 1.{header.minor}"
