"""PTS: blocks of points in text, each under a line with the number of its points.

By common usage a row is x, y, z, then an intensity, red, green and blue, or only some of
them. Several blocks are several set-ups in one frame; where they stood is not said. A
count that does not agree with the rows is refused either way: one of them is wrong.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePath
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.look import (
    Opened,
    Piece,
    Setup,
    check_voids,
    look_over,
    measured,
    rows_per_piece,
    stored_step,
)
from pourdatum.read.source import Source
from pourdatum.read.text_cells import Cells
from pourdatum.read.text_file import TextSource, find_text, plain_head
from pourdatum.read.text_lines import RowsAt, Run, ends_with_cr, find_runs
from pourdatum.read.text_rows import read_rows

_COUNT: Final = re.compile(r"[0-9]{1,18}")
_WORDS_LEAST: Final = 3


@dataclass(frozen=True)
class _Rows:
    """How to read a piece."""

    text: TextSource
    at: RowsAt
    words: int
    cr: bool


def is_pts(head: bytes) -> bool:
    r"""Whether the content begins as PTS does: a count, then a row of numbers.

    Examples
    --------
    >>> is_pts(b"2\n1 2 3 -700 9 9 9\n4 5 6 -700 9 9 9\n"), is_pts(b"1 2 3\n4 5 6\n")
    (True, False)
    """
    lines = [line.split() for line in plain_head(head).splitlines() if line.strip()]
    while len(lines) > 1 and lines[0] == [b"0"] and len(lines[1]) == 1:
        del lines[0]  # an empty block before the first with points
    if len(lines) < 2 or len(lines[0]) != 1 or len(lines[1]) < _WORDS_LEAST:
        return False
    return is_count(lines[0][0].decode("latin-1")) and all(map(Cells().is_number, lines[1]))


def is_count(word: str) -> bool:
    """Whether a word is a whole number without sign, of a size that files have."""
    return _COUNT.fullmatch(word) is not None


def open_pts(source: Source, chunk_points: int) -> Opened:
    """Check a PTS file and look it over.

    Raises
    ------
    ScanError
        If a count disagrees with its rows, a row with its block, or a word is no number.
    """
    text, begin = find_text(source)
    cr = ends_with_cr(text)
    runs = find_runs(text, begin, rows_per_piece(chunk_points, 100), cr=cr)
    _check(runs, source)
    pieces = tuple(
        Piece(at.first_row, at.rows, _Rows(text, at, run.words, cr), setup)
        for setup, run in enumerate(runs)
        for at in run.pieces
    )
    records = sum(run.rows for run in runs)
    look = look_over(source, pieces, read_points, records)
    warnings = check_voids(records - look.kept, records, source)
    stem = PurePath(source.path).stem
    step = [stored_step(look.sample[:, i]) for i in range(3)]
    return Opened(
        format="PTS",
        records=records,
        pieces=pieces,
        reader=read_points,
        look=look,
        step=(step[0], step[1], step[2]),
        setups=tuple(Setup(f"{stem}, block {i + 1}") for i in range(len(runs)))
        if len(runs) > 1
        else (),
        warnings=warnings,
    )


def read_points(path: str, start: int, count: int, details: _Rows) -> NDArray[np.float64]:
    """Points of a piece; see ``pourdatum.scan.Reader``."""
    d = details
    return measured(read_rows(d.text, d.at, d.words, (0, 1, 2), cr=d.cr))


def _check(runs: tuple[Run, ...], source: Source) -> None:
    for number, run in enumerate(runs, 1):
        if not is_count(run.word):
            raise ScanError(
                f"{run.word!r} at byte {run.at} is neither a point nor a count of points",
                where=source.shown,
                hint="the file is cut short or damaged: export it again",
                id="text-rows",
            )
        if int(run.word) != run.rows:
            block = f"block {number} " if len(runs) > 1 else ""
            raise ScanError(
                f"{block}says {int(run.word)} points, holds {run.rows}",
                where=source.shown,
                hint="the count is wrong or points are lost: export the scan again",
                id="cut-short" if int(run.word) > run.rows else "more-points",
            )
        if run.rows and run.words < _WORDS_LEAST:
            raise ScanError(
                f"row {run.pieces[0].first_row + 1} has {run.words} values, a point needs three",
                where=source.shown,
                hint="export the scan again",
                id="text-rows",
            )
