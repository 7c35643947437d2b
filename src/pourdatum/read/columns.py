"""How a table of points in free text is laid out: separator, decimal mark, header, order.

All of it is found from the first 1000 lines and then held against every row. Columns
are named by the header; without one the first three columns of numbers are taken, past
a column that counts the points, and that is stated. What the user tells goes before both.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from pourdatum.errors import JobError, ScanError
from pourdatum.read.column_names import Header, find_header, shown_names
from pourdatum.read.look import StatedUnit
from pourdatum.read.text_cells import Cells

LINES_LOOKED_AT: Final = 1000
_HEADER_LINES: Final = 200
_SHOWN: Final = 40
_FITTING_LEAST: Final = 0.5
_COUNTING_ROWS: Final = (3, 10)
_WORDS_MOST: Final = 1000
_COUNTING_SHARE: Final = 0.8
_NAMES: Final = {";": "semicolons", "|": "bars", ",": "commas", "\t": "tabs"}
# The rarer a mark is in numbers and names, the surer it separates.
_KINDS: Final = (
    Cells(";"), Cells(";", True), Cells("|"), Cells("|", True), Cells("\t"), Cells("\t", True),
    Cells(","), Cells(",", True), Cells(), Cells(None, True),
)  # fmt: skip
_WHOLE: Final = re.compile(rb"[0-9]{1,18}")
_THOUSANDS: Final = re.compile(rb"[0-9][ ,.'][0-9]{3}[,.]")
_LEADING_ZERO: Final = re.compile(rb"0[0-9]+")


@dataclass(frozen=True)
class Line:
    """A line of the head that is not blank: the byte where it begins, its text."""

    begin: int
    text: bytes

    @property
    def is_comment(self) -> bool:
        """Whether it begins with ``#`` or ``//``."""
        return self.text.startswith((b"#", b"//"))


@dataclass(frozen=True)
class Layout:
    """How a table is laid out.

    Attributes
    ----------
    cells : Cells
        How cells are told apart.
    words : int
        Cells of every row.
    axes : (int, int, int)
        Columns of x, y and z, from 0.
    begin : int
        Byte of the first row.
    height_named : bool
        The header calls a column a height, in words of survey.
    stated_unit : StatedUnit or None
        From the header.
    notes : tuple of str
        What was assumed.
    """

    cells: Cells
    words: int
    axes: tuple[int, int, int]
    begin: int
    height_named: bool = False
    stated_unit: StatedUnit | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Table:
    """The rows of the head under one way of telling cells apart."""

    cells: Cells
    words: int
    first: int
    rows: tuple[list[bytes], ...]
    share: float
    numbers: float

    @property
    def numeric(self) -> list[int]:
        """Columns that hold numbers in most rows."""
        return [
            i
            for i in range(self.words)
            if 2 * sum(self.cells.is_number(row[i]) for row in self.rows) > len(self.rows)
        ]

    @property
    def used(self) -> int:
        """Columns up to the last that is not empty in every row."""
        return max(i + 1 for i in range(self.words) if any(row[i] for row in self.rows))


def lines_of(head: bytes, begin: int = 0, *, whole: bool, cr: bool = False) -> list[Line]:
    """The first 1000 lines of a head that are not blank; its last may be cut off."""
    mark = b"\r" if cr else b"\n"
    lines: list[Line] = []
    position = 0
    while position < len(head) and len(lines) < LINES_LOOKED_AT:
        end = head.find(mark, position)
        if end < 0 and not whole:
            break
        end = len(head) if end < 0 else end
        if text := head[position:end].strip():
            lines.append(Line(begin + position, text))
        position = end + 1
    return lines


def find_table(lines: Sequence[Line]) -> Table | None:
    r"""The table that the lines hold, told by the separator that makes most rows.

    Examples
    --------
    >>> table = find_table(lines_of(b"x;y;z\n1,5;2;3\n4,5;5;6\n", whole=True))
    >>> table.cells.separator, table.cells.decimal_comma, table.first
    (';', True, 1)
    """
    best: Table | None = None
    for table in (table for kind in _KINDS if (table := _table(lines, kind))):
        rows, most = len(table.rows), 0 if best is None else len(best.rows)
        same = best is not None and best.cells.separator == table.cells.separator
        if rows > most or (best and same and rows == most and table.numbers > best.numbers):
            best = table
    return best if best is not None and best.share >= _FITTING_LEAST else None


def find_layout(
    lines: Sequence[Line], where: str, columns: tuple[int, int, int] | None = None
) -> Layout:
    """How the table is laid out of which ``lines`` are the beginning.

    Parameters
    ----------
    lines : sequence of Line
    where : str
        The file, for errors.
    columns : (int, int, int), optional
        Columns of x, y and z as the user tells them, from 1.

    Raises
    ------
    ScanError
        If the lines are no table of points.
    JobError
        If only the user can tell the columns, or told columns are not there.
    """
    table = find_table(lines)
    if table is None:
        raise no_table(lines, where)
    _refuse_commas_everywhere(table, where)
    above = [line.text for line in lines[: table.first]]
    told = None if columns is None else _told(table, columns, where)
    header = find_header(above, table.cells, table.words, where, fewest=table.used, told=told)
    layout = _by_place(table, told) if header is None else _by_header(table, header)
    below = 0 if header is None else header.line + 1
    _check_no_row_above(table, lines[below : table.first], layout.axes, where)
    notes = layout.notes
    if table.cells.decimal_comma:
        between = _NAMES.get(table.cells.separator or "", "blanks")
        notes = (*notes, f"numbers are read with decimal commas, columns apart by {between}")
    return replace(layout, begin=lines[table.first].begin, notes=notes)


def no_table(lines: Sequence[Line], where: str) -> ScanError:
    """The refusal of text that holds no table of points; shows the first line at fault."""
    shown = next((line for line in lines if not line.is_comment), None)
    if shown is None:
        what = "nothing but comments"
    else:
        numbers = max(sum(kind.is_number(c) for c in kind.split(shown.text)) for kind in _KINDS)
        text = shown.text[:_SHOWN].decode("latin-1")
        if numbers < 3:
            marks = " (marks between thousands?)" if _THOUSANDS.search(shown.text) else ""
            what = f"the first line holds {numbers} numbers: {text!r}{marks}"
        elif numbers > _WORDS_MOST:
            what = f"the first line holds {numbers} numbers, from {text!r} on"
        else:
            what = f"the lines differ in their number of values, from {text!r} on"
    return ScanError(
        f"no table of points: {what}",
        where=where,
        hint="a point is a line with three numbers or more, as many in every line",
        id="no-table",
    )


def _table(lines: Sequence[Line], cells: Cells) -> Table | None:
    split = [[] if line.is_comment else cells.split(line.text) for line in lines]
    fit = [sum(cells.is_number(cell) for cell in row) >= 3 for row in split]
    lengths = Counter(len(row) for row, good in zip(split, fit, strict=True) if good)
    if not lengths:
        return None
    words = lengths.most_common(1)[0][0]
    if words > _WORDS_MOST:
        return None
    good = [fits and len(row) == words for row, fits in zip(split, fit, strict=True)]
    first = good.index(True)
    if sum(not line.is_comment for line in lines[:first]) > _HEADER_LINES:
        return None
    rows = tuple(row for row, fits in zip(split, good, strict=True) if fits)
    below = sum(not line.is_comment for line in lines[first:])
    numbers = sum(cells.is_number(cell) for row in rows for cell in row) / (words * len(rows))
    return Table(replace(cells, comments=True), words, first, rows, len(rows) / below, numbers)


def _told(table: Table, columns: tuple[int, int, int], where: str) -> tuple[int, int, int]:
    """Told columns counted from 0."""
    if len(set(columns)) < 3 or not all(1 <= c <= table.words for c in columns):
        told = ",".join(map(str, columns))
        raise JobError(
            f"'{told}' are not three of the {table.words} columns of {where}",
            where="--columns",
            hint="count from 1, in the order x, y, z",
            id="columns",
        )
    return columns[0] - 1, columns[1] - 1, columns[2] - 1


def _by_header(table: Table, header: Header) -> Layout:
    named = header.columns
    used = [header.names[i] for i in named.axes]
    notes: tuple[str, ...] = ()
    if [name.lower() for name in used] != ["x", "y", "z"] or named.axes != (0, 1, 2):
        notes = (f"columns {shown_names(used)} of the header are taken as x, y, z",)
    return Layout(
        table.cells, table.words, named.axes, 0, named.height_named, named.stated_unit, notes
    )


def _by_place(table: Table, told: tuple[int, int, int] | None) -> Layout:
    """The columns told, or the first three of numbers, past one that counts the points."""
    if told is not None:
        return Layout(table.cells, table.words, told, 0)
    numeric = table.numeric
    counting = _counts_points(table, numeric)
    x, y, z = numeric[1:4] if counting else numeric[:3]
    past = f"column {numeric[0] + 1} counts the points, " if counting else ""
    note = f"no header names the columns: {past}{x + 1}, {y + 1}, {z + 1} are taken as x, y, z"
    return Layout(table.cells, table.words, (x, y, z), 0, notes=(note,))


def _counts_points(table: Table, numeric: Sequence[int]) -> bool:
    """Whether the first column counts up, by one nearly always, and none of the next does."""
    if len(numeric) < 4 or len(table.rows) < _COUNTING_ROWS[0]:
        return False
    if len(table.rows) < _COUNTING_ROWS[1] and any(
        _WHOLE.fullmatch(row[i]) for row in table.rows for i in numeric[1:4]
    ):
        return False  # too few to tell whole coordinates from numbers of points
    return [_counts_up([row[i] for row in table.rows]) for i in numeric[:4]] == [True] + 3 * [False]


def _counts_up(cells: Sequence[bytes]) -> bool:
    if not all(_WHOLE.fullmatch(cell) for cell in cells):
        return False
    values = [int(cell) for cell in cells]
    steps = [b - a for a, b in pairwise(values)]
    return min(steps) > 0 and steps.count(1) >= _COUNTING_SHARE * len(steps)


def _refuse_commas_everywhere(table: Table, where: str) -> None:
    """Commas between columns and in numbers: ``1,05,2,10`` has cells such as ``05``."""
    if table.cells.separator != "," or table.cells.decimal_comma:
        return
    numeric = table.numeric[1:]
    cells = [row[i] for row in table.rows for i in numeric]
    odd = next((cell for cell in cells if _LEADING_ZERO.fullmatch(cell)), None)
    if odd is None or any(b"." in cell for cell in cells):
        return
    raise ScanError(
        f"the value '{odd.decode()}' looks like the decimals of a number with a decimal comma, "
        "and commas also part the columns",
        where=where,
        hint="export the table with decimal points, or with semicolons between the columns",
        id="decimal-comma",
    )


def _check_no_row_above(
    table: Table, lines: Sequence[Line], axes: tuple[int, int, int], where: str
) -> None:
    """A damaged row at the top must not pass for a header."""
    for line in lines:
        if line.is_comment:
            continue
        row = table.cells.split(line.text)
        numbers = [table.cells.is_number(cell) for cell in row]
        if all(numbers) or (len(row) == table.words and any(numbers[i] for i in axes)):
            text = line.text[:_SHOWN].decode("latin-1")
            raise ScanError(
                f"the line above the first whole row is neither names nor {table.words} values: "
                f"{text!r}",
                where=where,
                hint="export the table again, or take the line out",
                id="text-rows",
            )
