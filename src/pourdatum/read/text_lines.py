"""Lines of a text of any size, a block at a time, and the rows of numbers among them.

One pass finds where every piece of rows begins; a piece is then read alone. Counts that
a file states are compared with the rows found, so no count lays anything out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.text_cells import Cells, line_begins, words_per_line
from pourdatum.read.text_file import TextSource, opened_text

LONGEST_LINE: Final = 1 << 16
_BLOCK: Final = 4 << 20
_RUNS_MOST: Final = 20_000
_WORD_SHOWN: Final = 40


@dataclass(frozen=True)
class RowsAt:
    """Where ``rows`` rows stand in a file: bytes ``begin`` to ``end``, first row's number."""

    begin: int
    end: int
    first_row: int
    rows: int


@dataclass(frozen=True)
class Run:
    """A line of one word and the rows that follow it, up to the next such line.

    Attributes
    ----------
    word : str
        The word, at most 40 letters.
    at, begin, body, end : int
        Bytes where the word's line, the line after it, the first row after ``lead`` and
        the next run begin.
    rows : int
        Rows, the ``lead`` rows among them.
    words : int
        Words of the first row after ``lead``; 0 without one.
    pieces : tuple of RowsAt
        The rows after ``lead``; their numbers count on over the file.
    """

    word: str
    at: int
    begin: int
    body: int
    end: int
    rows: int
    words: int
    pieces: tuple[RowsAt, ...]


@dataclass(frozen=True, eq=False)
class Lines:
    """Whole lines: the byte of the first, the text, where each begins in it (n,)."""

    begin: int
    data: bytes
    starts: NDArray[np.int64]

    @property
    def edges(self) -> NDArray[np.int64]:
        """Where each line begins in the file and the last one ends, (n + 1,)."""
        return self.begin + np.append(self.starts, len(self.data))


def whole_lines(text: TextSource, begin: int, *, cr: bool = False) -> Iterator[Lines]:
    """All lines from byte ``begin``, in blocks of about 4 MB; never half a line.

    Raises
    ------
    ScanError
        If a line is longer than 64 kB.
    """
    mark = b"\r" if cr else b"\n"
    rest = b""
    position = begin
    with opened_text(text) as stream:
        stream.seek(begin)
        while block := stream.read(_BLOCK):
            data = rest + block
            cut = data.rfind(mark) + 1
            if cut:
                yield _lines(position, data[:cut], mark, text)
                position += cut
            rest = data[cut:]
            if len(rest) > LONGEST_LINE:
                raise _long_line(position, text)
    if rest:
        yield _lines(position, rest, mark, text)


def cr_alone(head: bytes) -> bool:
    r"""Whether lines end with a carriage return alone.

    Examples
    --------
    >>> cr_alone(b"1 2 3\r4 5 6"), cr_alone(b"1 2 3\r\n4 5 6")
    (True, False)
    """
    return b"\r" in head and b"\n" not in head


def ends_with_cr(text: TextSource) -> bool:
    """Whether lines end with a carriage return alone, as the first 64 kB show."""
    with opened_text(text) as stream:
        stream.seek(0)
        head = stream.read(LONGEST_LINE)
    return cr_alone(head)


def find_all_rows(
    text: TextSource, begin: int, per_piece: int, cells: Cells, *, cr: bool = False
) -> tuple[RowsAt, ...]:
    """Every row from byte ``begin`` to the end, in pieces; blank and comment lines are none."""
    begins: list[int] = []
    done = 0
    for lines in whole_lines(text, begin, cr=cr):
        row = cells.is_row(lines.data, lines.starts)
        before = done + np.cumsum(row) - row
        hits = np.flatnonzero(row & (before % per_piece == 0))
        begins.extend((lines.begin + lines.starts[hits]).tolist())
        done += int(np.count_nonzero(row))
    return _pieces(begins, text.size, 0, done, per_piece)


def find_runs(
    text: TextSource, begin: int, per_piece: int, *, lead: int = 0, cr: bool = False
) -> tuple[Run, ...]:
    """Lines of one word and the rows after each, to the end of the file.

    Parameters
    ----------
    begin : int
        Byte from which the first line that is not blank has one word.
    lead : int
        Rows after such a line that belong to a header, not to the pieces.

    Raises
    ------
    ScanError
        If there are more than 20 000 such lines, or one is longer than 64 kB.
    """
    open_runs: list[_OpenRun] = []
    for lines in whole_lines(text, begin, cr=cr):
        words = words_per_line(lines.data, lines.starts)
        edges = lines.edges
        singles = np.flatnonzero(words == 1)
        if len(open_runs) + len(singles) > _RUNS_MOST:
            raise ScanError(
                f"more than {_RUNS_MOST} lines hold one value only",
                where=text.shown,
                hint="this is no table of points: export the scan again",
                id="text-rows",
            )
        cuts = np.unique([0, *singles.tolist(), len(words)]).tolist()
        for first, stop in pairwise(cuts):
            if words[first] == 1:
                line = lines.data[lines.starts[first] :][:LONGEST_LINE].split(maxsplit=1)[0]
                word = line[:_WORD_SHOWN].decode("latin-1")
                open_runs.append(_OpenRun(word, int(edges[first]), int(edges[first + 1])))
            if open_runs:
                _take_rows(open_runs[-1], words[first:stop], edges[first:stop], lead, per_piece)
    return _closed(open_runs, text.size, lead, per_piece)


@dataclass
class _OpenRun:
    word: str
    at: int
    begin: int
    rows: int = 0
    words: int = 0
    begins: tuple[int, ...] = ()


def _take_rows(
    run: _OpenRun, words: NDArray[np.intp], starts: NDArray[np.int64], lead: int, per_piece: int
) -> None:
    row = words > 1
    before = run.rows + np.cumsum(row) - row
    hits = np.flatnonzero(row & (before >= lead) & ((before - lead) % per_piece == 0))
    if len(hits) and not run.begins:
        run.words = int(words[hits[0]])
    run.begins += tuple(starts[hits].tolist())
    run.rows += int(np.count_nonzero(row))


def _closed(runs: list[_OpenRun], size: int, lead: int, per_piece: int) -> tuple[Run, ...]:
    closed: list[Run] = []
    done = 0
    ends = [run.at for run in runs[1:]] + [size]
    for run, end in zip(runs, ends, strict=True):
        rows = max(0, run.rows - lead)
        pieces = _pieces(list(run.begins), end, done, rows, per_piece)
        body = run.begins[0] if run.begins else end
        closed.append(Run(run.word, run.at, run.begin, body, end, run.rows, run.words, pieces))
        done += rows
    return tuple(closed)


def _pieces(
    begins: list[int], end: int, first_row: int, rows: int, per_piece: int
) -> tuple[RowsAt, ...]:
    return tuple(
        RowsAt(a, b, first_row + i * per_piece, min(per_piece, rows - i * per_piece))
        for i, (a, b) in enumerate(zip(begins, [*begins[1:], end], strict=False))
    )


def _lines(position: int, data: bytes, mark: bytes, text: TextSource) -> Lines:
    starts = line_begins(data, mark)
    lines = Lines(position, data, starts)
    lengths = np.diff(lines.edges)
    if np.max(lengths) > LONGEST_LINE:
        raise _long_line(int(lines.edges[np.argmax(lengths)]), text)
    return lines


def _long_line(at: int, text: TextSource) -> ScanError:
    return ScanError(
        f"the line at byte {at} is longer than {LONGEST_LINE} bytes",
        where=text.shown,
        hint="this is no table of points: export the scan again",
        id="text-line",
    )
