"""The LAS header, checked against the file before anything trusts it.

Field places after the ASPRS LAS specifications 1.0 to 1.4 (public header block,
variable length records). LAZ files carry the same header. Readers at large believe
these numbers: a count or an offset that lies gives them a flat cloud, a short one,
or a hang. Here every number must fit the bytes that are there.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import BinaryIO, Final

from pourdatum.errors import ScanError
from pourdatum.read.look import FAR
from pourdatum.read.source import Source, opened

HEADER_LEAST: Final = {0: 227, 1: 227, 2: 227, 3: 235, 4: 375}
RECORD_LEAST: Final = {
    0: 20, 1: 28, 2: 26, 3: 34, 4: 57, 5: 63, 6: 30, 7: 36, 8: 38, 9: 59, 10: 67,
}  # fmt: skip
"""Bytes that a record of each point format has at least."""
_VLR: Final = struct.Struct("<2x16sHH32x")
_EVLR: Final = struct.Struct("<2x16sHQ32x")
_KEPT_RECORD: Final = 1 << 16
_EVLR_MOST: Final = 1000
_SCALE_MOST: Final = 4.0


@dataclass(frozen=True)
class Record:
    """A variable length record: who defined it, its number, its content."""

    user: str
    number: int
    content: bytes


@dataclass(frozen=True)
class LasHeader:
    """A header whose numbers fit the file.

    Attributes
    ----------
    minor : int
        Version 1.minor.
    packed : bool
        LAZ.
    point_format, record_bytes : int
    points : int
    begin, end : int
        Bytes between which the point data lie.
    scale, offset : tuple of 3 floats
        Coordinate = stored integer x scale + offset.
    low, high : tuple of 3 floats
        The box that the header states; may be wrong.
    wkt : bool
        The flag that a reference system is given as text.
    records : tuple of Record
    warnings : tuple of (code, text)
    """

    minor: int
    packed: bool
    point_format: int
    record_bytes: int
    points: int
    begin: int
    end: int
    scale: tuple[float, float, float]
    offset: tuple[float, float, float]
    low: tuple[float, float, float]
    high: tuple[float, float, float]
    wkt: bool
    records: tuple[Record, ...]
    warnings: tuple[tuple[str, str], ...]

    def record(self, user: str, number: int) -> Record | None:
        """The first record of that kind."""
        return next((r for r in self.records if (r.user, r.number) == (user, number)), None)


def read_las_header(source: Source) -> LasHeader:
    """Parse and check the header of a LAS or LAZ file.

    Raises
    ------
    ScanError
        If a field is not possible; names the field and the value.
    """
    with opened(source) as stream:
        block = stream.read(375)
        size = _checked_size(block, source)
        minor = block[25]
        (begin, vlr_count, point_format, record_bytes, legacy) = struct.unpack_from(
            "<IIBHI", block, 96
        )
        packed = bool(point_format & 0x80)
        point_format &= 0x3F
        if point_format not in RECORD_LEAST:
            raise _bad(f"point format {point_format} is not supported (0 to 10 are)", source)
        if record_bytes < RECORD_LEAST[point_format]:
            raise _bad(
                f"record length {record_bytes} is shorter than point format {point_format} "
                f"needs ({RECORD_LEAST[point_format]})",
                source,
            )
        _check_begin(begin, size, source)
        scale, offset, low, high = _numbers(block, source)
        encoding = int.from_bytes(block[6:8], "little")
        warnings: list[tuple[str, str]] = []
        records = _variable_records(stream, size, begin, vlr_count, source, warnings)
        end = source.size
        points = legacy
        if minor >= 3 and encoding & 2:  # waveforms inside the file stand after the points
            end = _nearer(end, struct.unpack_from("<Q", block, 227)[0], begin)
        if minor >= 4:
            evlr_begin, evlr_count, long_count = struct.unpack_from("<QIQ", block, 235)
            if evlr_count:
                end = _nearer(end, evlr_begin, begin)
                # Where they would begin before the points, the reading is sent past the end.
                start = evlr_begin if evlr_begin >= begin else source.size
                records += _extended_records(stream, start, evlr_count, source, warnings)
            points = _settled_count(legacy, long_count, warnings, source)
    if not packed:
        _check_count(points, begin, end, record_bytes, warnings, source)
    if points == 0:
        raise ScanError(
            "holds no points (the header counts 0)",
            where=source.shown,
            hint="export the scan again",
            id="no-points",
        )
    return LasHeader(
        minor, packed, point_format, record_bytes, points, begin, end,
        scale, offset, low, high, bool(encoding & 16), tuple(records), tuple(warnings),
    )  # fmt: skip


def _checked_size(block: bytes, source: Source) -> int:
    least = HEADER_LEAST.get(block[25], 227) if len(block) > 25 else 227
    if len(block) < least:
        raise ScanError(
            f"LAS header cut short: {len(block)} of {least} bytes",
            where=source.shown,
            hint="copy or export the scan again",
            id="cut-short",
        )
    if block[24] != 1 or block[25] not in HEADER_LEAST:
        raise _bad(f"version {block[24]}.{block[25]} is not supported (1.0 to 1.4 are)", source)
    size = int.from_bytes(block[94:96], "little")
    if size < least:
        raise _bad(f"header size {size} is less than the {least} of version 1.{block[25]}", source)
    return size


def _check_begin(begin: int, size: int, source: Source) -> None:
    if begin < size:
        raise _bad(f"offset to points {begin} lies inside the header of {size} bytes", source)
    if begin > source.size:
        raise _bad(f"point data starts past end of file (byte {begin} of {source.size})", source)


def _numbers(
    block: bytes, source: Source
) -> tuple[
    tuple[float, float, float],
    tuple[float, float, float],
    tuple[float, float, float],
    tuple[float, float, float],
]:
    scale = struct.unpack_from("<3d", block, 131)
    offset = struct.unpack_from("<3d", block, 155)
    for axis, factor, shift in zip("xyz", scale, offset, strict=True):
        if not math.isfinite(factor):
            raise _bad(f"{axis} scale factor is {factor}", source)
        if factor == 0.0:
            raise _bad(f"{axis} scale factor is 0", source)
        if factor < 0.0:
            raise _bad(f"{axis} scale factor is negative ({factor:g}), a mirrored scan", source)
        if factor > _SCALE_MOST:
            raise _bad(f"{axis} scale factor is {factor:g}, too coarse for any scan", source)
        if not abs(shift) < FAR:  # NaN compares false
            raise _bad(f"{axis} offset is {shift:g}", source)
    x1, x0, y1, y0, z1, z0 = struct.unpack_from("<6d", block, 179)
    return scale, offset, (x0, y0, z0), (x1, y1, z1)


def _variable_records(
    stream: BinaryIO,
    size: int,
    begin: int,
    count: int,
    source: Source,
    warnings: list[tuple[str, str]],
) -> list[Record]:
    if count * _VLR.size > begin - size:
        raise _bad(
            f"number of variable length records {count} does not fit into the "
            f"{begin - size} bytes before the points",
            source,
        )
    stream.seek(size)
    block = stream.read(begin - size)
    records = []
    position = 0
    for number in range(count):
        if position + _VLR.size > len(block):
            warnings.append(_skipped("variable length", number, count, source))
            break
        user, kind, length = _VLR.unpack_from(block, position)
        position += _VLR.size
        if position + length > len(block):
            warnings.append(_skipped("variable length", number, count, source))
            break
        records.append(Record(_word(user), kind, block[position : position + length]))
        position += length
    return records


def _extended_records(
    stream: BinaryIO, begin: int, count: int, source: Source, warnings: list[tuple[str, str]]
) -> list[Record]:
    records: list[Record] = []
    position = begin
    for number in range(count):
        stream.seek(min(position, source.size))
        head = stream.read(_EVLR.size)
        user, kind, length = _EVLR.unpack(head) if len(head) == _EVLR.size else (b"", 0, 1 << 63)
        position += _EVLR.size + length
        if position > source.size or number >= _EVLR_MOST:
            warnings.append(_skipped("extended", number, count, source))
            break
        if length <= _KEPT_RECORD:
            records.append(Record(_word(user), kind, stream.read(length)))
    return records


def _settled_count(
    legacy: int, long_count: int, warnings: list[tuple[str, str]], source: Source
) -> int:
    """The 64-bit count holds; the body is checked against it next."""
    if legacy not in (0, long_count):
        text = f"the header counts {legacy} points in its old field and {long_count} in its new one"
        warnings.append(("two-counts", f"{source.shown}: {text}; the new one is used"))
    return long_count


def _check_count(
    points: int,
    begin: int,
    end: int,
    record_bytes: int,
    warnings: list[tuple[str, str]],
    source: Source,
) -> None:
    held, over = divmod(end - begin, record_bytes)
    if points > held:
        raise ScanError(
            f"header says {points} points ({points * record_bytes} bytes), file holds {held} "
            f"({end - begin} bytes)",
            where=source.shown,
            hint="the file is cut short or its header wrong: copy or export it again",
            id="las-count",
        )
    if points < held and (over == 0 or points == 0):
        raise ScanError(
            f"header says {points} points, file holds {held}",
            where=source.shown,
            hint="it was not closed by its writer: export it again",
            id="las-count",
        )
    if rest := end - begin - points * record_bytes:
        text = f"{source.shown}: {rest} bytes after the last point are not read"
        warnings.append(("trailing-bytes", text))


def _nearer(end: int, candidate: int, begin: int) -> int:
    return candidate if begin <= candidate <= end else end


def _skipped(kind: str, number: int, count: int, source: Source) -> tuple[str, str]:
    text = f"{kind} record {number + 1} of {count} runs past its place"
    return "las-records", f"{source.shown}: {text}; it and those after it are skipped"


def _word(raw: bytes) -> str:
    return raw.split(b"\0")[0].decode("latin-1").strip()


def _bad(what: str, source: Source) -> ScanError:
    return ScanError(
        f"LAS header: {what}",
        where=source.shown,
        hint="export the scan again",
        id="las-header",
    )
