"""Rows of numbers in text, found by byte and read in pieces.

One look finds where every piece of rows begins; a piece is then read alone. Every
row must have the same number of words, so that a lost word shifts nothing in silence.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.source import Source, opened, read_exactly

_BLOCK: Final = 4 << 20
_LONGEST_LINE: Final = 1 << 16
_LF: Final = 10
_CR: Final = 13
_SPACE: Final = 32


@dataclass(frozen=True)
class RowsAt:
    """Where ``rows`` rows stand in a file: bytes ``begin`` to ``end``, first row's number."""

    begin: int
    end: int
    first_row: int
    rows: int


def find_rows(
    source: Source, begin: int, rows: int, per_piece: int, *, skip: int = 0, cr: bool = False
) -> tuple[RowsAt, ...]:
    """Byte ranges of ``rows`` non-blank lines from byte ``begin``, in pieces.

    Parameters
    ----------
    skip : int
        Non-blank lines to pass over first.
    cr : bool
        Lines end with a carriage return alone.

    Raises
    ------
    ScanError
        If the file holds fewer lines, or a line is longer than 64 kB.
    """
    marks = np.arange(skip, skip + rows + per_piece, per_piece)
    marks[-1] = skip + rows
    found: list[int] = []
    done = 0  # non-blank lines that ended before this block
    full = False  # the line that runs into this block has words already
    line_begin = begin
    position = begin
    with opened(source) as stream:
        stream.seek(begin)
        while len(found) < len(marks) and (block := stream.read(_BLOCK)):
            text = np.frombuffer(block, np.uint8)
            ends = np.flatnonzero(text == (_CR if cr else _LF))
            words = np.flatnonzero(text > _SPACE)
            upto = np.searchsorted(words, ends)
            solid = np.diff(upto, prepend=0) > 0
            if len(ends):
                solid[0] |= full
            ended = done + np.cumsum(solid)
            starts = np.concatenate([[line_begin], position + ends + 1])
            _check_line_lengths(np.append(starts, position + len(text)), source)
            before = np.concatenate([[done], ended])
            # A mark is where the line after that many non-blank lines begins.
            hits = np.searchsorted(before, marks[len(found) :])
            found.extend(int(starts[h]) for h in hits[hits < len(starts)])
            done = int(before[-1])
            full = bool(len(words) > (upto[-1] if len(ends) else 0)) or (full and not len(ends))
            line_begin = int(starts[-1])
            position += len(text)
        if len(found) < len(marks) and done + full >= marks[-1]:
            found.extend([source.size] * (len(marks) - len(found)))  # no line end at the end
    if len(found) < len(marks):
        raise ScanError(
            f"says {rows} points, holds {max(0, done + full - skip)}",
            where=source.shown,
            hint="the file is cut short: export or copy it again",
            id="cut-short",
        )
    return tuple(
        RowsAt(a, b, int(m - skip), int(n - m))
        for a, b, m, n in zip(found, found[1:], marks, marks[1:], strict=False)
    )


def read_rows(
    source: Source, at: RowsAt, words: int, columns: tuple[int, ...], *, cr: bool = False
) -> NDArray[np.float64]:
    """Numbers of some columns of a piece of rows, (rows, len(columns)) float64.

    Raises
    ------
    ScanError
        If a row has another number of words than ``words`` or one is no number;
        names the row, counted from 1.
    """
    with opened(source) as stream:
        data = read_exactly(stream, at.begin, at.end - at.begin, source)
    if cr:
        data = data.replace(b"\r", b"\n")
    _check_words(data, at, words, source)
    try:
        numbers = np.loadtxt(
            io.BytesIO(data), usecols=columns, ndmin=2, comments=None, encoding="latin-1"
        )
    except ValueError:
        numbers = _read_slowly(data, at, columns, source)
    if len(numbers) != at.rows:
        raise ScanError(
            f"{len(numbers)} rows read where {at.rows} were found",
            where=source.shown,
            hint="the text is damaged: export it again",
            id="text-rows",
        )
    return numbers


def check_room(
    source: Source, begin: int, rows: int, words: int, *, skip: int = 0, cr: bool = False
) -> None:
    """Refuse a count of rows that the bytes cannot hold, before anything is laid out for it.

    Every word takes a character and a separator, at the least.
    """
    if rows * 2 * words - 1 <= source.size - begin:
        return
    held = 0
    last = b"\n"
    with opened(source) as stream:
        stream.seek(begin)
        while block := stream.read(_BLOCK):
            held += block.count(b"\r" if cr else b"\n")
            last = block
    held += not last.endswith((b"\n", b"\r"))
    raise ScanError(
        f"says {rows} points, holds {max(0, held - skip)} rows at most",
        where=source.shown,
        hint="the header is wrong or the file cut short: export it again",
        id="cut-short",
    )


def check_no_more(source: Source, end: int, rows: int) -> None:
    """Refuse words after the last row: the count in the header cuts the scan short."""
    with opened(source) as stream:
        stream.seek(end)
        more = stream.read(_LONGEST_LINE).split()
    if more:
        word = more[0][:20].decode("latin-1")
        raise ScanError(
            f"header says {rows} points, more follow them ({word!r} at byte {end})",
            where=source.shown,
            hint="the header is wrong: export the scan again",
            id="more-points",
        )


def _check_line_lengths(starts: NDArray[np.int64], source: Source) -> None:
    if np.max(np.diff(starts)) > _LONGEST_LINE:
        at = int(starts[np.argmax(np.diff(starts))])
        raise ScanError(
            f"the line at byte {at} is longer than {_LONGEST_LINE} bytes",
            where=source.shown,
            hint="this is no table of points: export the scan again",
            id="text-line",
        )


def _check_words(data: bytes, at: RowsAt, words: int, source: Source) -> None:
    text = np.frombuffer(b"\n" + data + b"\n", np.uint8)
    solid = text > _SPACE
    begins = np.flatnonzero(solid[1:] > solid[:-1])
    ends = np.flatnonzero(text[1:] == _LF)
    per_line = np.diff(np.searchsorted(begins, ends), prepend=0)
    per_line = per_line[per_line > 0]
    wrong = np.flatnonzero(per_line != words)
    if len(wrong):
        row = int(wrong[0])
        raise ScanError(
            f"row {at.first_row + row + 1} has {per_line[row]} values, {words} were promised",
            where=source.shown,
            hint="the file is cut short or damaged: export it again",
            id="text-rows",
        )


def _read_slowly(
    data: bytes, at: RowsAt, columns: tuple[int, ...], source: Source
) -> NDArray[np.float64]:
    """Word by word: to name the row at fault, and for ``1.#QNAN`` of some writers."""
    out = np.empty((at.rows, len(columns)))
    lines = (line for line in data.split(b"\n") if line.strip())
    for row, line in enumerate(lines):
        split = line.split()
        for place, column in enumerate(columns):
            word = split[column].decode("latin-1")
            try:
                out[row, place] = np.nan if "#" in word else float(word)
            except ValueError:
                comma = " (a decimal comma?)" if "," in word else ""
                raise ScanError(
                    f"row {at.first_row + row + 1}: {word[:40]!r} is no number{comma}",
                    where=source.shown,
                    hint="export the scan again, with decimal points",
                    id="text-number",
                ) from None
    return out
