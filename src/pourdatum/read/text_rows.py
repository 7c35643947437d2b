"""Rows of numbers in text, found by byte and read in pieces.

One look finds where every piece of rows begins; a piece is then read alone. Every
row must have the same number of words, so that a lost word shifts nothing in silence.
"""

from __future__ import annotations

import io
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.source import Source, opened
from pourdatum.read.text_cells import SWAP_MARKS, Cells, number_of
from pourdatum.read.text_file import TextSource, read_text
from pourdatum.read.text_lines import LONGEST_LINE, RowsAt, whole_lines

__all__ = ["RowsAt", "check_no_more", "check_room", "find_rows", "read_rows"]

_BLOCK: Final = 4 << 20
_BLANKS: Final = Cells()


def find_rows(
    source: Source,
    begin: int,
    rows: int,
    per_piece: int,
    *,
    skip: int = 0,
    cr: bool = False,
    what: str = "points",
) -> tuple[RowsAt, ...]:
    """Byte ranges of ``rows`` non-blank lines from byte ``begin``, in pieces.

    Parameters
    ----------
    skip : int
        Non-blank lines to pass over first.
    cr : bool
        Lines end with a carriage return alone.
    what : str
        What the rows are, for people.

    Raises
    ------
    ScanError
        If the file holds fewer lines, or a line is longer than 64 kB.
    """
    marks = np.arange(skip, skip + rows + per_piece, per_piece)
    marks[-1] = skip + rows
    found: list[int] = []
    done = 0
    for lines in whole_lines(source, begin, cr=cr):
        row = _BLANKS.is_row(lines.data, lines.starts)
        before = np.concatenate([[done], done + np.cumsum(row)])
        # A mark is where the line after that many non-blank lines begins.
        hits = np.searchsorted(before, marks[len(found) :])
        found.extend(lines.edges[hits[hits < len(before)]].tolist())
        done = int(before[-1])
        if len(found) == len(marks):
            break
    if len(found) < len(marks):
        raise ScanError(
            f"says {rows} {what}, holds {max(0, done - skip)}",
            where=source.shown,
            hint="the file is cut short: export or copy it again",
            id="cut-short",
        )
    return tuple(
        RowsAt(a, b, int(m - skip), int(n - m))
        for a, b, m, n in zip(found, found[1:], marks, marks[1:], strict=False)
    )


def read_rows(
    text: TextSource,
    at: RowsAt,
    words: int,
    columns: tuple[int, ...],
    *,
    cr: bool = False,
    cells: Cells = _BLANKS,
) -> NDArray[np.float64]:
    """Numbers of some columns of a piece of rows, (rows, len(columns)) float64.

    Raises
    ------
    ScanError
        If a row has another number of words than ``words`` or one is no number;
        names the row, counted from 1.
    """
    data = read_text(text, at.begin, at.end - at.begin)
    if b"\0" in data:
        raise ScanError(
            f"a zero byte among the rows, at byte {at.begin + data.index(0)}",
            where=text.shown,
            hint="the file is damaged: copy or export it again",
            id="text-rows",
        )
    data = cells.clean(data.replace(b"\r", b"\n") if cr else data)
    _check_words(data, at, words, cells, text)
    try:
        numbers = np.loadtxt(
            io.BytesIO(data),
            usecols=columns,
            ndmin=2,
            comments=None,
            delimiter=cells.separator,
            quotechar='"' if b'"' in data else None,
            encoding="latin-1",
        )
    except ValueError:
        return _read_slowly(data, at, columns, cells, text)
    if len(numbers) != at.rows:  # a quote that is not closed took rows for one
        return _read_slowly(data, at, columns, cells, text)
    return numbers


def check_room(
    source: Source,
    begin: int,
    rows: int,
    words: int,
    *,
    skip: int = 0,
    cr: bool = False,
    what: str = "points",
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
    held = max(0, held - skip)
    what_is = f"holds {held} rows at most"
    if held >= rows:
        what_is = f"its {held} rows have no room for {words} value{'s' * (words > 1)} each"
    raise ScanError(
        f"says {rows} {what}, {what_is}",
        where=source.shown,
        hint="the header is wrong or the file cut short: export it again",
        id="cut-short",
    )


def check_no_more(source: Source, end: int, rows: int, what: str = "points") -> None:
    """Refuse words after the last row: the count in the header cuts the scan short."""
    with opened(source) as stream:
        stream.seek(end)
        more = stream.read(LONGEST_LINE).split()
    if more:
        word = more[0][:20].decode("latin-1")
        raise ScanError(
            f"header says {rows} {what}, more follow them ({word!r} at byte {end})",
            where=source.shown,
            hint="the header is wrong: export the scan again",
            id="more-points",
        )


def _check_words(data: bytes, at: RowsAt, words: int, cells: Cells, text: TextSource) -> None:
    per_line = cells.counts(data)
    if len(per_line) != at.rows:
        raise ScanError(
            f"{len(per_line)} rows read where {at.rows} were found",
            where=text.shown,
            hint="the text is damaged: export it again",
            id="text-rows",
        )
    wrong = np.flatnonzero(per_line != words)
    if len(wrong):
        row = int(wrong[0])
        raise ScanError(
            f"row {at.first_row + row + 1} has {per_line[row]} values, {words} were promised",
            where=text.shown,
            hint="the file is cut short or damaged: export it again",
            id="text-rows",
        )


def _read_slowly(
    data: bytes, at: RowsAt, columns: tuple[int, ...], cells: Cells, text: TextSource
) -> NDArray[np.float64]:
    """Word by word: to name the row at fault, and for ``1.#QNAN`` of some writers."""
    out = np.empty((at.rows, len(columns)))
    lines = (line for line in data.split(b"\n") if line.strip())
    for row, line in enumerate(lines):
        split = cells.split(line)
        for place, column in enumerate(columns):
            word = split[column].decode("latin-1")
            try:
                out[row, place] = np.nan if "#" in word else number_of(word)
            except ValueError:
                raise ScanError(
                    f"row {at.first_row + row + 1}: {_why_no_number(split[column], column, cells)}",
                    where=text.shown,
                    hint="export the scan again, with decimal points",
                    id="text-number",
                ) from None
    return out


def _why_no_number(cell: bytes, column: int, cells: Cells) -> str:
    word = (cell.translate(SWAP_MARKS) if cells.decimal_comma else cell).decode("latin-1")
    if not word:
        return f"no value in column {column + 1}"
    if "," in word and "." in word:
        return f"{word[:40]!r} is no number (marks between thousands?)"
    odd = "." if cells.decimal_comma else ","
    other = " (a decimal comma?)" if odd == "," else " among numbers with decimal commas"
    return f"{word[:40]!r} is no number{other if odd in word else ''}"
