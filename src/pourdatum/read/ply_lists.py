"""Records of a PLY body whose lists make them differ in length.

Where a record begins is only known when the one before was read. Binary records are
walked in runs of the same lengths, as in a mesh of triangles; the lengths are checked
against the bytes that are left before anything is laid out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.mesh import bad_mesh, cut_short
from pourdatum.read.ply_header import Element, PlyHeader, bad_header
from pourdatum.read.source import Source, opened, read_exactly
from pourdatum.read.text_cells import number_of
from pourdatum.read.text_rows import check_room, find_rows

_RUN: Final = 1 << 16
_SHORT_RUN: Final = 16
_ONE_BY_ONE: Final = 4096
_LARGEST: Final = 1 << 24
_TEXT_ROWS: Final = 1 << 14
_GATHER: Final = 1 << 20
_SPACE: Final = 32
_LF: Final = 10

Group = tuple[NDArray[np.int64], NDArray[np.int64]]


@dataclass(frozen=True, eq=False)
class Places:
    """Where one property of each record stands: first byte, and items in it."""

    at: NDArray[np.int64]
    items: NDArray[np.int64]


def walk(
    data: bytes, begin: int, element: Element, order: str, wanted: list[int], source: Source
) -> tuple[int, list[Places]]:
    """The byte after an element, and the places of some of its properties.

    Parameters
    ----------
    data : bytes
        Body of the file.
    begin : int
        Byte of the first record.
    wanted : list of int
        Numbers of the properties to find.

    Raises
    ------
    ScanError
        If the bytes do not hold what the header or a list says.
    """
    kinds = [np.dtype(order + p.kind).itemsize for p in element.properties]
    sizes = [p.size for p in element.properties]
    for p in element.properties:
        if p.is_list and p.size[0] == "f":
            raise bad_header(f"the length of list '{p.name[:30]}' is no whole number", source)
    least = sum(np.dtype(s).itemsize if s else k for s, k in zip(sizes, kinds, strict=True))
    if element.count * least > len(data) - begin:
        held = max(0, len(data) - begin) // least
        raise cut_short(
            f"says {element.count} rows of '{element.name[:30]}', holds {held} at most", source
        )
    if not element.has_lists:
        start = begin + least * np.arange(element.count, dtype=np.int64)
        offsets = np.cumsum([0, *kinds])
        one = np.ones(element.count, np.int64)
        return begin + element.count * least, [Places(start + offsets[w], one) for w in wanted]
    found = [
        Places(np.empty(element.count, np.int64), np.empty(element.count, np.int64)) for _ in wanted
    ]
    walker = _Walker(data, element, order, kinds, source)
    row, at, alone = 0, begin, 0
    while row < element.count:
        record = walker.record(row, at)
        run = 1 if alone else walker.run(record, at, min(_RUN, element.count - row))
        alone = alone - 1 if alone else (_ONE_BY_ONE if run < _SHORT_RUN else 0)
        starts = at + record.bytes * np.arange(run) if run > 1 else at
        for place, w in zip(found, wanted, strict=True):
            place.at[row : row + run] = starts + record.offsets[w]
            place.items[row : row + run] = record.items[w]
        row += run
        at += run * record.bytes
    return at, found


@dataclass(frozen=True)
class _Record:
    """Items and offset of each property of a record, and its bytes."""

    items: tuple[int, ...]
    offsets: tuple[int, ...]
    bytes: int


class _Walker:
    """Reads the lengths of records and finds how many after one have the same."""

    def __init__(
        self, data: bytes, element: Element, order: str, kinds: list[int], source: Source
    ) -> None:
        self._data = data
        self._element = element
        self._order = order
        self._kinds = kinds
        self._source = source
        self._lengths = [
            (np.dtype(p.size).itemsize, p.size[0] == "i") if p.size else None
            for p in element.properties
        ]

    def record(self, row: int, at: int) -> _Record:
        """The record that begins at a byte."""
        items, offsets = [], []
        place = at
        for kind, length in zip(self._kinds, self._lengths, strict=True):
            n = 1
            if length is not None:
                size, signed = length
                n = int.from_bytes(
                    self._data[place : place + size],
                    "big" if self._order == ">" else "little",
                    signed=signed,
                )
                place += size
            items.append(n)
            offsets.append(place - at)
            if n < 0 or place + n * kind > len(self._data):
                raise self._too_long(row, n, length is not None)
            place += n * kind
        return _Record(tuple(items), tuple(offsets), place - at)

    def run(self, record: _Record, at: int, most: int) -> int:
        """How many records from a byte on have lists as long as those of the first."""
        if record.bytes > _LARGEST:
            return 1
        most = min(most, (len(self._data) - at) // record.bytes)
        same = np.ones(most, bool)
        for p, n, offset in zip(
            self._element.properties, record.items, record.offsets, strict=True
        ):
            if p.is_list:
                kind = np.dtype(self._order + p.size)
                begin = at + offset - kind.itemsize
                # The last record ends within the data, so a view of its strides does as well.
                lengths: NDArray[np.int64] = np.ndarray(
                    (most,), kind, self._data, begin, (record.bytes,)
                )
                same &= lengths == n
        other = np.flatnonzero(~same)
        return int(other[0]) if other.size else most

    def _too_long(self, row: int, n: int, is_list: bool) -> ScanError:
        name = self._element.name[:30]
        if n < 0:
            return bad_mesh(f"row {row + 1} of '{name}' says a list of {n} values", self._source)
        what = f" says a list of {n} values and" if is_list else ""
        return cut_short(
            f"row {row + 1} of {self._element.count} of '{name}'{what} ends beyond the file",
            self._source,
        )


def gather(data: bytes, at: NDArray[np.int64], items: int, kind: str) -> NDArray[np.generic]:
    """Values (m, items) that begin at bytes ``at`` (m,)."""
    size = np.dtype(kind).itemsize
    raw = np.frombuffer(data, np.uint8)
    out = np.empty((len(at), items), kind)
    rows = max(1, _GATHER // max(1, items * size))
    step = np.arange(items * size)
    for begin in range(0, len(at), rows):
        part = raw[at[begin : begin + rows, None] + step]
        out[begin : begin + rows] = part.view(kind)
    return out


def lists_of(data: bytes, places: Places, kind: str) -> list[Group]:
    """Lists of three items and more, sorted by their length: (row, items (m, n))."""
    groups = []
    for n in np.unique(places.items):
        if n >= 3:
            rows = np.flatnonzero(places.items == n)
            values = gather(data, places.at[rows], int(n), kind)
            groups.append((rows, whole(values)))
    return groups


def whole(values: NDArray[np.generic]) -> NDArray[np.int64]:
    """Items as int64; what is beyond, no whole number or no number becomes 2^62."""
    if values.dtype.kind == "f":
        good = np.abs(values) < 2.0**53
        good &= np.floor(np.where(good, values, 0.5)) == values
        return np.where(good, values, 2.0**62).astype(np.int64)
    if values.dtype.kind == "u" and values.dtype.itemsize == 8:
        return np.asarray(np.minimum(values, np.uint64(2**62)), np.int64)
    return values.astype(np.int64)


def text_lists(source: Source, header: PlyHeader, element: Element, wanted: int) -> list[Group]:
    """Lists of three items and more of one property of an element in text, as ``lists_of``.

    Raises
    ------
    ScanError
        If a row does not hold what its lists say, or a word is no number.
    """
    found: dict[int, list[Group]] = {}
    for first, data in _text_blocks(source, header, element):
        block = _first_lists(data, element) if wanted == 0 else None
        if block is None:
            rows = _slow_rows(data, first, element, [wanted], source)
            lists = [row[0] for row in rows]
            length = np.array([len(items) for items in lists])
            items = np.concatenate(lists)
        else:
            length, items = block
        begin = np.cumsum(length) - length
        for n in np.unique(length[length >= 3]):
            rows_n = np.flatnonzero(length == n)
            values = items[begin[rows_n][:, None] + np.arange(n)]
            found.setdefault(int(n), []).append((first + rows_n, whole(values)))
    return [
        (np.concatenate([r for r, _ in parts]), np.concatenate([v for _, v in parts]))
        for _, parts in sorted(found.items())
    ]


def text_values(
    source: Source, header: PlyHeader, element: Element, wanted: list[int]
) -> NDArray[np.float64]:
    """Single values (rows, len(wanted)) of an element in text whose rows hold lists as well."""
    parts = [
        np.array(_slow_rows(data, first, element, wanted, source)).reshape(-1, len(wanted))
        for first, data in _text_blocks(source, header, element)
    ]
    return np.concatenate(parts)


def _text_blocks(
    source: Source, header: PlyHeader, element: Element
) -> Iterator[tuple[int, bytes]]:
    """Number of the first row, and whole lines, of each piece of an element."""
    before = sum(e.count for e in header.before(element))
    words = max(1, len(element.properties))
    what = f"rows of '{element.name[:30]}'"
    check_room(source, header.body, element.count, words, skip=before, cr=header.cr, what=what)
    found = find_rows(
        source, header.body, element.count, _TEXT_ROWS, skip=before, cr=header.cr, what=what
    )
    for at in found:
        with opened(source) as stream:
            data = read_exactly(stream, at.begin, at.end - at.begin, source)
        yield at.first_row, data.replace(b"\r", b"\n") if header.cr else data


def _first_lists(
    data: bytes, element: Element
) -> tuple[NDArray[np.int64], NDArray[np.float64]] | None:
    """Lengths and items of lists that stand first in their rows; ``None`` if one is odd."""
    if any(p.is_list for p in element.properties[1:]):
        return None  # where the other lists end is not checked here
    if b"_" in data:
        return None
    try:
        values = np.fromiter(map(float, data.split()), np.float64)
    except ValueError:
        return None
    text = np.frombuffer(b"\n" + data + b"\n", np.uint8)
    solid = text > _SPACE
    begins = np.flatnonzero(solid[1:] > solid[:-1])
    per_line = np.diff(np.searchsorted(begins, np.flatnonzero(text[1:] == _LF)), prepend=0)
    per_line = per_line[per_line > 0]
    starts = np.cumsum(per_line) - per_line
    said = values[starts]
    others = len(element.properties) - 1
    most = per_line - 1 - others
    good = (said >= 0) & (said == most)
    if not good.all():
        return None
    length = said.astype(np.int64)
    inside = np.repeat(starts + 1, length) + _count_up(length)
    return length, values[inside]


def _count_up(length: NDArray[np.int64]) -> NDArray[np.int64]:
    """0, 1, ... for each length, one after the other."""
    upto = np.arange(int(length.sum()))
    begin: NDArray[np.int64] = np.cumsum(length) - length
    return np.asarray(upto - np.repeat(begin, length))


def _slow_rows(
    data: bytes, first: int, element: Element, wanted: list[int], source: Source
) -> list[list[NDArray[np.float64]]]:
    """Word by word: values of some properties of each row."""
    lines = (line.split() for line in data.split(b"\n") if line.strip())
    return [_row(line, first + i + 1, element, wanted, source) for i, line in enumerate(lines)]


def _row(
    line: list[bytes], number: int, element: Element, wanted: list[int], source: Source
) -> list[NDArray[np.float64]]:
    try:
        values = [float("nan") if b"#" in word else number_of(word) for word in line]
    except ValueError:
        raise bad_mesh(
            f"row {number} of '{element.name[:30]}' holds a word that is no number", source
        ) from None
    kept = {}
    place = 0
    for i, p in enumerate(element.properties):
        n = 1
        if p.is_list:
            said = values[place] if place < len(values) else -1.0
            place += 1
            if not (0 <= said <= len(values) and said == int(said)):
                break
            n = int(said)
        kept[i] = np.array(values[place : place + n])
        place += n
    if place != len(values) or len(kept) < len(element.properties):
        raise bad_mesh(
            f"row {number} of '{element.name[:30]}' has {len(values)} values, which is not what"
            " its lists say: the file is cut short or damaged",
            source,
        )
    return [kept[w] for w in wanted]
