"""Free tables of points: XYZ, TXT, CSV, ASC, in text of any layout that can be found out.

Comes last among the formats: what is a format of its own is none of this. How the table
is laid out is the business of ``columns``; here it is read, in pieces, every row held
against the layout.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.columns import Line, find_layout, find_table, lines_of
from pourdatum.read.look import (
    Opened,
    Piece,
    check_voids,
    look_over,
    measured,
    rows_per_piece,
    stored_step,
)
from pourdatum.read.source import HEAD_BYTES, LAST_LINE_OPEN, Source, ends_its_last_line
from pourdatum.read.text_cells import Cells
from pourdatum.read.text_file import TextSource, find_text, opened_text, plain_head
from pourdatum.read.text_lines import LONGEST_LINE, RowsAt, cr_alone, find_all_rows
from pourdatum.read.text_rows import read_rows

_LOOKED_AT: Final = 4 * LONGEST_LINE
_GRID: Final = b"ncols"
_TEXT: Final = frozenset((*b"\t\n\r", *range(32, 127), *range(128, 256)))
_KINDS: Final = (Cells(), Cells(","), Cells(";"), Cells("\t"))
_NUMBERLIKE: Final = re.compile(rb"[+-]?[0-9][0-9,.' ]*(?:[eE][+-]?[0-9]+)?")
_OTHERS: Final = (b"<", b"{", b"[", b"solid")
_MESH_WORDS: Final = frozenset((b"v", b"vn", b"vt", b"vertex", b"f", b"l", b"Ka", b"Kd", b"Ks"))


@dataclass(frozen=True)
class _Rows:
    """How to read a piece."""

    text: TextSource
    at: RowsAt
    cells: Cells
    words: int
    axes: tuple[int, int, int]
    cr: bool


def is_xyz(head: bytes) -> bool:
    r"""Whether the content begins as a table of numbers, or as a grid of heights in text.

    Examples
    --------
    >>> is_xyz(b"X;Y;Z\n1,5;2,5;0\n"), is_xyz(b"v 1 2 3\nv 4 5 6\n"), is_xyz(b"Dear Sir\n")
    (True, False, False)
    """
    plain = plain_head(head)
    if b"\0" in plain:  # text with a few zero bytes is refused by name, not as unknown
        plain = plain.replace(b"\0", b"")
        if not all(byte in _TEXT for byte in plain):
            return False
    if plain.lstrip().lower().startswith(_OTHERS):
        return False
    if plain.lower().startswith(_GRID):
        return True
    cr = cr_alone(plain)
    lines = lines_of(plain, whole=len(head) < HEAD_BYTES, cr=cr) or lines_of(plain, whole=True)
    if not lines:
        return False
    table = find_table(lines)
    if table is None:
        return all(line.is_comment for line in lines) or _mostly_numbers(lines)
    return 0 in table.numeric or not {row[0] for row in table.rows} <= _MESH_WORDS


def open_xyz(
    source: Source, chunk_points: int, columns: tuple[int, int, int] | None = None
) -> Opened:
    """Find out how a table is laid out, check it and look it over.

    Parameters
    ----------
    columns : (int, int, int), optional
        Columns of x, y and z as the user tells them, from 1.

    Raises
    ------
    ScanError
        If it is no table of points, or a row has no numbers or too many.
    JobError
        If only the user can tell the columns.
    """
    text, begin = find_text(source)
    with opened_text(text) as stream:
        stream.seek(begin)
        head = stream.read(_LOOKED_AT)
    _refuse_others(head, source)
    cr = cr_alone(head)
    lines = lines_of(head, begin, whole=begin + len(head) >= text.size, cr=cr)
    layout = find_layout(lines, source.shown, columns)
    per_piece = rows_per_piece(chunk_points, 16 * layout.words)
    found = find_all_rows(text, layout.begin, per_piece, layout.cells, cr=cr)
    records = sum(at.rows for at in found)
    pieces = tuple(
        Piece(
            at.first_row,
            at.rows,
            _Rows(text, at, layout.cells, layout.words, layout.axes, cr),
        )
        for at in found
    )
    look = look_over(source, pieces, read_points, records)
    warnings = check_voids(records - look.kept, records, source)
    step = [stored_step(look.sample[:, i]) for i in range(3)]
    return Opened(
        format="XYZ text",
        records=records,
        pieces=pieces,
        reader=read_points,
        look=look,
        step=(step[0], step[1], step[2]),
        up_by_convention="z" if layout.height_named else None,
        stated_unit=layout.stated_unit,
        notes=(*layout.notes, *(() if ends_its_last_line(source) else (LAST_LINE_OPEN,))),
        warnings=warnings,
    )


def read_points(path: str, start: int, count: int, details: _Rows) -> NDArray[np.float64]:
    """Points of a piece; see ``pourdatum.scan.Reader``."""
    d = details
    return measured(read_rows(d.text, d.at, d.words, d.axes, cr=d.cr, cells=d.cells))


def _mostly_numbers(lines: list[Line]) -> bool:
    """A table of numbers that has no three in a row; it is refused by name, not as unknown."""
    rows = [any(_all_numbers(kind.split(line.text)) for kind in _KINDS) for line in lines]
    return 2 * sum(rows) > len(lines)


def _all_numbers(cells: list[bytes]) -> bool:
    return len(cells) > 1 and all(map(_NUMBERLIKE.fullmatch, cells))


def _refuse_others(head: bytes, source: Source) -> None:
    if head.lower().startswith(_GRID):
        raise ScanError(
            "a grid of heights in text ('ncols'), which is not read",
            where=source.shown,
            hint="export the points themselves, three numbers in a line",
            id="height-grid",
        )
    if b"\0" in head:
        raise ScanError(
            f"a zero byte in a table of text, at byte {head.index(0)}",
            where=source.shown,
            hint="the file is damaged, or UTF-16 without its mark: export it as plain text",
            id="text-rows",
        )
    longest = max(map(len, head.replace(b"\r", b"\n").split(b"\n")))
    if longest > LONGEST_LINE:
        raise ScanError(
            f"a line is longer than {LONGEST_LINE} bytes",
            where=source.shown,
            hint="this is no table of points: export the scan again",
            id="text-line",
        )
