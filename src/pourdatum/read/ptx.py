"""PTX: set-ups of a scanner in text, each a grid of points under its pose.

By common usage a block is: columns and rows of the grid; the scanner's place and its
three axes; a 4 x 4 matrix; then columns times rows lines of x, y, z, intensity and
perhaps red, green and blue. Points are in the scanner's frame and in metres. The matrix
takes row vectors, [x y z 1] M, with the translation in its last row. A beam without
return stands as 0 0 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.look import (
    Gatherer,
    Look,
    Opened,
    Piece,
    Setup,
    check_voids,
    measured,
    rows_per_piece,
    stored_step,
    told_returns,
)
from pourdatum.read.pose import Pose
from pourdatum.read.pts import is_count
from pourdatum.read.source import Source
from pourdatum.read.text_cells import number_of
from pourdatum.read.text_file import TextSource, find_text, plain_head, read_text
from pourdatum.read.text_lines import RowsAt, Run, ends_with_cr, find_runs
from pourdatum.read.text_rows import read_rows

_LEAD: Final = 8
_EXACT: Final = 1e-14
_AXES_SLACK: Final = 1e-3
_RIGID_SLACK: Final = 3e-4
"""What the rows of a turn printed with four decimals are off at most, sqrt(3) times 1e-4, from
unit length and right angles. More is scale or shear."""


@dataclass(frozen=True)
class _Block:
    """One set-up: what its grid promises, its pose, whether its axes agree with the matrix."""

    points: int
    pose: Pose
    agrees: bool
    run: Run


@dataclass(frozen=True)
class _Rows:
    """How to read a piece."""

    text: TextSource
    at: RowsAt
    words: int
    pose: Pose
    cr: bool


def is_ptx(head: bytes) -> bool:
    r"""Whether the content begins as PTX does: two counts, then a line of three words.

    Examples
    --------
    >>> is_ptx(b"2\n1\n0 0 0\n1 0 0\n"), is_ptx(b"2\n1 2 3\n4 5 6\n")
    (True, False)
    """
    lines = [line.split() for line in plain_head(head).splitlines() if line.strip()][:7]
    if [len(words) for words in lines[:3]] != [1, 1, 3]:
        return False
    if lines[0][0] == b"0" and len(lines[-1]) == 3:
        return False  # a PTS block of no points, then one of x, y, z
    return all(is_count(words[0].decode("latin-1")) for words in lines[:2])


def open_ptx(source: Source, chunk_points: int) -> Opened:
    """Check a PTX file and look it over.

    Raises
    ------
    ScanError
        If a header is damaged, a matrix no pose, or a grid disagrees with its rows.
    """
    text, begin = find_text(source)
    cr = ends_with_cr(text)
    runs = find_runs(text, begin, rows_per_piece(chunk_points, 100), lead=_LEAD, cr=cr)
    blocks = [_block(i, runs, text, source, cr) for i in range(0, len(runs), 2)]
    pieces = tuple(
        Piece(at.first_row, at.rows, _Rows(text, at, block.run.words, block.pose, cr), setup)
        for setup, block in enumerate(blocks)
        for at in block.run.pieces
    )
    records = sum(block.points for block in blocks)
    look, void = _look_over(source, pieces, records)
    voids = check_voids(void, records, source)
    warned = (*told_returns(records - look.kept - void, records, source), *voids)
    stem = PurePath(source.path).stem
    several = len(blocks) > 1
    step = [stored_step(look.sample[:, i]) for i in range(3)]
    return Opened(
        format="PTX",
        records=records,
        pieces=pieces,
        reader=read_points,
        look=look,
        step=(step[0], step[1], step[2]),
        metres_by_convention=True,
        up_by_convention="z",
        setups=tuple(
            Setup(f"{stem}, set-up {i}" if several else stem, _place(block))
            for i, block in enumerate(blocks, 1)
        ),
        notes=_notes(blocks),
        warnings=warned,
    )


def read_points(path: str, start: int, count: int, details: _Rows) -> NDArray[np.float64]:
    """Points of a piece, placed by the set-up's matrix; see ``pourdatum.scan.Reader``."""
    points = measured(_raw(details))
    returned = (points != 0.0).any(axis=1)
    return details.pose.apply(points if returned.all() else points[returned])


def _raw(details: _Rows) -> NDArray[np.float64]:
    """Rows of a piece as they stand."""
    return read_rows(details.text, details.at, details.words, (0, 1, 2), cr=details.cr)


def _look_over(source: Source, pieces: tuple[Piece, ...], records: int) -> tuple[Look, int]:
    """The look over all pieces, and how many rows are no numbers: a fault, as 0 0 0 is not."""
    gatherer = Gatherer(records)
    void = 0
    for piece in pieces:
        points = read_points(source.path, piece.start, piece.count, piece.details)
        gatherer.add(points)
        if len(points) < piece.count:
            raw = _raw(piece.details)
            void += len(raw) - len(measured(raw))
    return gatherer.result(), void


def _block(first: int, runs: tuple[Run, ...], text: TextSource, source: Source, cr: bool) -> _Block:
    name = f"set-up {first // 2 + 1}"
    columns = runs[first]
    if columns.rows or first + 1 == len(runs):
        raise _bad(f"{name}: {columns.word!r} at byte {columns.at} is not followed by a "
                   "second count (columns, then rows of the grid)", source)  # fmt: skip
    run = runs[first + 1]
    for one in (columns, run):
        if not is_count(one.word):
            raise _bad(f"{name}: {one.word!r} at byte {one.at} is no count", source)
    if run.rows < _LEAD:
        raise _bad(f"{name}: {run.rows} lines of place, axes and matrix, not 8", source)
    header = read_text(text, run.begin, run.body - run.begin)
    place, axes, matrix = _numbers(header, cr, name, source)
    pose = _pose(matrix, name, source)
    points = int(columns.word) * int(run.word)
    held = run.rows - _LEAD
    if points != held:
        said = f"{int(columns.word)} x {int(run.word)} = {points}"
        raise ScanError(
            f"{name} says {said} points, holds {held}",
            where=source.shown,
            hint="the grid is wrong or points are lost: export the scan again",
            id="cut-short" if points > held else "more-points",
        )
    if held and run.words < 3:
        raise _bad(f"{name}: its first point has {run.words} values, not three", source)
    agrees = bool(
        np.allclose(place, pose.place, rtol=0.0, atol=_AXES_SLACK)
        and np.allclose(axes, matrix[:3, :3], rtol=0.0, atol=_AXES_SLACK)
    )
    return _Block(points, pose, agrees, run)


def _numbers(
    header: bytes, cr: bool, name: str, source: Source
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Place (3,), axes (3, 3) and matrix (4, 4) as they stand."""
    rows: list[list[float]] = []
    lines = [line for line in header.split(b"\r" if cr else b"\n") if line.strip()][:_LEAD]
    for number, line in enumerate(lines, 3):
        words = line.decode("latin-1").split()
        wanted = 3 if number < 7 else 4
        try:
            row = [number_of(word) for word in words]
        except ValueError:
            row = []
        if len(row) != wanted or not np.isfinite(row).all():
            raise _bad(
                f"{name}: line {number} of its header should be {wanted} numbers: "
                f"{' '.join(words)[:60]!r}",
                source,
            )
        rows.append(row)
    return np.array(rows[0]), np.array(rows[1:4]), np.array(rows[4:])


def _pose(matrix: NDArray[np.float64], name: str, source: Source) -> Pose:
    turn, shift = matrix[:3, :3], matrix[3, :3]
    if not np.allclose(matrix[:, 3], (0.0, 0.0, 0.0, 1.0), rtol=0.0, atol=1e-9):
        last = " ".join(f"{v:g}" for v in matrix[:, 3])
        raise _bad(f"{name}: the last column of the matrix is {last}, not 0 0 0 1", source)
    off = float(np.max(np.abs(turn @ turn.T - np.eye(3))))
    if off > _RIGID_SLACK:
        raise _bad(f"{name}: the matrix scales or shears (by up to {off:.2g})", source)
    if np.linalg.det(turn) < 0.0:
        raise _bad(f"{name}: the matrix mirrors", source)
    # The nearest turn: what the digits left off must not stretch a room.
    left, _, right = np.linalg.svd(turn)
    if off > _EXACT:
        turn = left @ right
    # Row vectors: a new coordinate is a column of the matrix times the point.
    rows = [(float(a), float(b), float(c)) for a, b, c in turn.T]
    x, y, z = (float(v) for v in shift)
    return Pose((x, y, z), tuple(rows))


def _place(block: _Block) -> tuple[float, float, float] | None:
    """Where the scanner stood; not known where points were joined and the pose left out."""
    return None if block.pose.is_identity else block.pose.place


def _notes(blocks: list[_Block]) -> tuple[str, ...]:
    notes: tuple[str, ...] = ()
    if not all(block.pose.is_identity for block in blocks):
        notes += ("the points are turned and moved by the matrix of each set-up",)
    if odd := [str(i) for i, block in enumerate(blocks, 1) if not block.agrees]:
        which = ", ".join(odd[:8]) + (", ..." if len(odd) > 8 else "")
        why = "the scanner's place and axes differ from the matrix; the matrix is used"
        notes += (f"set-up {which}: {why}",)
    return notes


def _bad(what: str, source: Source) -> ScanError:
    return ScanError(what, where=source.shown, hint="export the scan again", id="ptx-header")
