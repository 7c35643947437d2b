"""PCD: text, binary and compressed binary point files.

Layout after the format's public description (versions 0.5 to 0.7): a text header of
named lines, then the records. Compressed bodies hold the fields one after the other,
packed with LZF. Sizes are compared with the file before anything is allocated.

Files of depth cameras mark "no return" with NaN; that is no fault, so these points
are left out and counted whatever their share.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import PurePath
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import LimitMet, ScanError
from pourdatum.read.look import (
    FAR,
    Look,
    Opened,
    Piece,
    Setup,
    check_rest,
    columns_of,
    look_over,
    measured,
    rows_per_piece,
    stored_step,
)
from pourdatum.read.lzf import MOST_RATIO, unpack_lzf
from pourdatum.read.pcd_header import PcdHeader, bad_header, read_header
from pourdatum.read.records import EVERY, Part, read_records, thinned
from pourdatum.read.source import BOM, Source, opened, read_exactly
from pourdatum.read.text_rows import RowsAt, check_no_more, check_room, find_rows, read_rows
from pourdatum.scan import UpAxis

_UNPACKED_MOST: Final = 1 << 30
_PICTURE: Final = 0.95
"""Correlation of a pixel's place with its ray: 1 without a lens's bend, 0.97 at 120 degrees of one
whose pixels stand at even angles."""


@dataclass(frozen=True)
class _Rows:
    """How to read a piece."""

    source: Source
    header: PcdHeader
    at: RowsAt | None = None
    part: Part = EVERY


def is_pcd(head: bytes) -> bool:
    """Whether the content begins as PCD does: comments, then VERSION or FIELDS."""
    head = head.removeprefix(BOM)
    if head.startswith(b"# .PCD"):
        return True
    for line in head.splitlines():
        if line.strip() and not line.startswith(b"#"):
            return line.split()[0] in (b"VERSION", b"FIELDS", b"COLUMNS")
    return False


def open_pcd(source: Source, chunk_points: int) -> Opened:
    """Check a PCD file and look it over.

    Raises
    ------
    ScanError
        If header or body are damaged, cut short, or without points.
    """
    header = read_header(source)
    warnings: tuple[tuple[str, str], ...] = ()
    if header.data == "ascii":
        pieces = _text_pieces(header, source, chunk_points)
    else:
        if header.data == "binary":
            warnings = _check_plain(header, source)
        else:
            _check_packed(header, source)
        pieces = _binary_pieces(header, source, chunk_points)
    look = look_over(source, pieces, read_points, header.points)
    if void := header.points - look.kept:
        text = f"{source.shown}: {void} of {header.points} points had no return"
        warnings += (("no-return", text),)
    turned = "the points are turned and moved by the pose that the file states (VIEWPOINT)"
    binary = header.data != "ascii"
    step = [
        stored_step(
            look.sample[:, i],
            binary and header.fields[c].kind == "F" and header.fields[c].size == 4,
        )
        for i, c in enumerate(header.axes)
    ]
    return Opened(
        format=f"PCD {header.data}",
        records=header.points,
        pieces=pieces,
        reader=read_points,
        thinner=thinned if header.data == "binary" else None,
        look=look,
        step=(step[0], step[1], step[2]),
        up_hint=_camera_up(header, look, pieces[0]),
        setups=()
        if header.pose.is_identity
        else (Setup(PurePath(source.path).stem, header.pose.place),),
        notes=() if header.pose.is_identity else (turned,),
        warnings=warnings,
    )


def read_points(path: str, start: int, count: int, details: _Rows) -> NDArray[np.float64]:
    """Points of a piece that are measurements; see ``pourdatum.scan.Reader``."""
    return details.header.pose.apply(measured(_stored(start, count, details)))


def _stored(start: int, count: int, details: _Rows) -> NDArray[np.float64]:
    """Every record's point in the instrument's frame, whatever it is, (count, 3)."""
    header = details.header
    if header.data == "ascii":
        assert details.at is not None
        columns = tuple(sum(f.count for f in header.fields[:c]) for c in header.axes)
        return read_rows(details.source, details.at, header.words, columns)
    if header.data == "binary":
        return _stored_plain(start, count, details)
    with opened(details.source):
        pass  # what is kept from an earlier piece is only right if the file is still the same
    # Unpacked whole and kept for the next piece.
    x, y, z = (values[start : start + count] for values in _unpacked(details.source, header))
    return columns_of(x, y, z)


def _stored_plain(start: int, count: int, details: _Rows) -> NDArray[np.float64]:
    header = details.header
    layout = np.dtype(
        {
            "names": ["x", "y", "z"],
            "formats": [header.fields[c].dtype for c in header.axes],
            "offsets": [header.offset(c) for c in header.axes],
            "itemsize": header.record_bytes,
        }
    )
    data = read_records(details.source, header.body, layout.itemsize, start, count, details.part)
    records = np.frombuffer(data, layout)
    return columns_of(records["x"], records["y"], records["z"])


_kept: dict[Source, tuple[NDArray[np.generic], ...]] = {}
_keeping = threading.Lock()


def _unpacked(source: Source, header: PcdHeader) -> tuple[NDArray[np.generic], ...]:
    """x, y and z of the whole file; the last file stays, since LZF cannot be entered midway."""
    with _keeping:
        if source not in _kept:
            axes = _unpack(source, header)
            _kept.clear()
            _kept[source] = axes
        return _kept[source]


def _unpack(source: Source, header: PcdHeader) -> tuple[NDArray[np.generic], ...]:
    begins = [header.points * header.offset(c) for c in header.axes]
    sizes = [header.points * header.fields[c].size for c in header.axes]
    enough = max(b + s for b, s in zip(begins, sizes, strict=True))
    with opened(source) as stream:
        size = int.from_bytes(read_exactly(stream, header.body, 4, source), "little")
        packed = read_exactly(stream, header.body + 8, size, source)
    try:
        body = unpack_lzf(packed, header.points * header.record_bytes, enough=enough)
    except ValueError as reason:
        raise ScanError(
            f"compressed data are damaged: {reason}",
            where=source.shown,
            hint="copy or export the scan again",
            id="pcd-packed",
        ) from None
    return tuple(
        np.frombuffer(bytes(body[b : b + s]), header.fields[c].dtype)
        for b, s, c in zip(begins, sizes, header.axes, strict=True)
    )


def _text_pieces(header: PcdHeader, source: Source, chunk_points: int) -> tuple[Piece, ...]:
    check_room(source, header.body, header.points, header.words)
    rows = rows_per_piece(chunk_points, 16 * header.words)
    found = find_rows(source, header.body, header.points, rows)
    check_no_more(source, found[-1].end, header.points)
    return tuple(Piece(at.first_row, at.rows, _Rows(source, header, at)) for at in found)


def _binary_pieces(header: PcdHeader, source: Source, chunk_points: int) -> tuple[Piece, ...]:
    rows = rows_per_piece(chunk_points, header.record_bytes)
    details = _Rows(source, header)
    return tuple(
        Piece(start, min(rows, header.points - start), details)
        for start in range(0, header.points, rows)
    )


def _check_plain(header: PcdHeader, source: Source) -> tuple[tuple[str, str], ...]:
    need = header.points * header.record_bytes
    left = source.size - header.body
    if left < need:
        held = left // header.record_bytes
        raise _cut_short(
            f"says {header.points} points, holds {held}: cut short in row {held + 1}", source
        )
    return check_rest(source, header.body + need, header.record_bytes, header.points)


def _check_packed(header: PcdHeader, source: Source) -> None:
    need = header.points * header.record_bytes
    left = source.size - header.body
    with opened(source) as stream:
        sizes = read_exactly(stream, header.body, 8, source)
    packed = int.from_bytes(sizes[:4], "little")
    unpacked = int.from_bytes(sizes[4:], "little")
    if unpacked != need:
        raise bad_header(
            f"the compressed size says {unpacked} bytes, {header.points} points take {need}", source
        )
    if packed > left - 8:
        raise _cut_short(f"compressed data take {packed} bytes, the file holds {left - 8}", source)
    if unpacked > MOST_RATIO * packed + 64:
        raise bad_header(f"{packed} bytes cannot hold {unpacked} compressed", source)
    if unpacked > _UNPACKED_MOST:
        raise LimitMet(
            f"the compressed body takes {unpacked} bytes unpacked, in one piece",
            where=source.shown,
            hint="export it as plain binary, or split it",
            id="pcd-packed",
        )


def _camera_up(header: PcdHeader, look: Look, first: Piece) -> tuple[UpAxis, str] | None:
    """The vertical of a camera that is held level, where the file is a picture of one.

    A scanner's set-up stands in rows and columns as well, and in a site's coordinates all of
    it may lie ahead; only in a picture is a point as far aside as its column and its row say.
    """
    if not header.organised or look.kept == 0:
        return None
    turn = np.array(header.pose.turn)
    ahead = (look.sample - np.array(header.pose.place)) @ turn
    if np.min(ahead[:, 2]) < 0.0:
        return None
    points = _stored(first.start, first.count, first.details)
    row, column = np.divmod(first.start + np.arange(len(points)), header.width)
    good = (np.abs(points) < FAR).all(axis=1) & (points[:, 2] > 0.0)
    x, y, z = points[good].T
    across, down = _agree(x / z, column[good]), _agree(y / z, row[good])
    if min(abs(across), abs(down)) < _PICTURE:
        return None
    up = -np.sign(down) * turn[:, 1]
    axis = int(np.argmax(np.abs(up)))
    name: UpAxis = ("x", "y", "z")[axis] if up[axis] > 0 else ("-x", "-y", "-z")[axis]
    return name, "the file is a frame of a depth camera, whose rows run downwards"


def _agree(values: NDArray[np.float64], places: NDArray[np.int64]) -> float:
    """How well values grow with places: their correlation, 0 where either stays the same."""
    if len(values) < 2 or np.ptp(values) == 0.0 or np.ptp(places) == 0:
        return 0.0
    return float(np.corrcoef(values, places)[0, 1])


def _cut_short(what: str, source: Source) -> ScanError:
    return ScanError(what, where=source.shown, hint="copy or export it again", id="cut-short")
