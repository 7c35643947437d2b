"""Small tables written by people: levels, control shots, staff readings.

A spreadsheet, a data logger and a hand each write a table in their own manner. The
manner is found out here (encoding, separator, decimal comma, header, units in the
header), and where two readings are possible the table is refused: a comma taken for
a separator would shift a level by a column.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import PourdatumError, ScanError
from pourdatum.read.source import Source, find_source, opened, shown
from pourdatum.read.table_heads import UNIT_WORDS, alias_table, name_and_unit, tokens_of
from pourdatum.read.table_lines import (
    SEPARATOR_WORDS,
    Cells,
    content_lines,
    decoded,
    has_decimal_comma,
    is_number,
    number_in,
    separator_of,
    split_line,
    table_fault,
    trimmed,
)

BYTES_CAP: Final = 8 << 20
UNNAMED: Final = "columns-unnamed"
"""Id of the refusal of a table whose columns only the user can name."""
TEXTS: Final = ("name", "note")
"""Columns that are never numbers."""
_SHOWN: Final = 40


@dataclass(frozen=True)
class Table:
    """A table as words.

    Attributes
    ----------
    names : tuple of str
        Of the columns: the caller's where an alias fits, else as written in lower case
        with ``_`` between words.
    heads : tuple of str
        As written; the names where there is no header.
    units : tuple of (str or None)
        Of the columns, by the names of ``pourdatum.units.LENGTH_UNITS``.
    rows : tuple of tuple of str
        Each as long as ``names``.
    lines : tuple of int
        Line of each row in the file, from 1.
    header : bool
        Whether the file has one.
    decimal_comma : bool
    separator : str
        In words: "commas", "semicolons", "tabs", "blanks".
    commented : int
        Lines behind ``#`` that hold as many numbers as a row: left out, to be told.
    shown : str
        The file, for errors.
    fault : type
        Error to raise.
    """

    names: tuple[str, ...]
    heads: tuple[str, ...]
    units: tuple[str | None, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    header: bool
    decimal_comma: bool
    separator: str
    commented: int
    shown: str
    fault: type[PourdatumError]

    def __contains__(self, name: str) -> bool:
        return name in self.names


def read_table(
    file: Source | str,
    aliases: Mapping[str, Sequence[str]],
    *,
    headless: Mapping[int, Sequence[str]] | None = None,
    fault: type[PourdatumError] = ScanError,
) -> Table:
    """Read a small table; see ``parse_table`` for the parameters.

    Raises
    ------
    PourdatumError
        ``fault``, if the file is missing, too large or no table.
    """
    try:
        source = file if isinstance(file, Source) else find_source(file)
        if source.size > BYTES_CAP:
            raise table_fault(
                fault, f"table has over {BYTES_CAP >> 20} MB", source.shown, "thin it out"
            )
        with opened(source) as stream:
            data = stream.read()
    except ScanError as reason:
        raise fault(reason.message, where=reason.where, hint=reason.hint, id=reason.id) from None
    return parse_table(data, aliases, headless=headless, where=source.shown, fault=fault)


def parse_table(
    data: bytes,
    aliases: Mapping[str, Sequence[str]],
    *,
    headless: Mapping[int, Sequence[str]] | None = None,
    where: str = "table",
    fault: type[PourdatumError] = ScanError,
) -> Table:
    r"""Rows of words from the bytes of a table.

    Parameters
    ----------
    data : bytes
    aliases : mapping
        The caller's name of a column, and what people write for it; case, blanks,
        accents and a unit behind the name do not matter.
    headless : mapping, optional
        Names of the columns by their number, for a table without header.
    where : str
        The file, for errors.
    fault : type
        Error to raise: a child of ``PourdatumError``.

    Raises
    ------
    PourdatumError
        ``fault``, with the line at fault.

    Examples
    --------
    >>> table = parse_table(
    ...     b"Point;Easting (ft);Height_ft\n# closed on BM 4\nP1;12,5;0,312\n",
    ...     {"x": ("easting", "e"), "z": ("level", "height")},
    ... )
    >>> table.names, table.units, table.lines
    (('point', 'x', 'z'), (None, 'ft', 'ft'), (3,))
    >>> numbers_of(table, "z")
    array([0.312])
    """
    lines, comments = content_lines(decoded(data, where, fault), where, fault)
    separator = separator_of([text for _, text in lines], where, fault)
    cells = [(number, split_line(text, separator)) for number, text in lines]
    cells = [(number, row) for number, row in cells if any(row)]
    heads, units, cells = _header(cells, comments, separator, aliases)
    if not cells:
        raise table_fault(fault, "holds no row of values", where, "write one row for each place")
    header = heads is not None
    if heads is None:
        heads, units = _without_header(len(trimmed(cells[0][1])), headless, where, fault)
    heads, units, cells = _even(heads, units, cells, where, fault)
    own = alias_table(aliases)
    names = tuple(name_and_unit(head, own)[0] for head in heads)
    # A place may be called 1.2 in a table with decimal commas.
    spoken = [k for k, name in enumerate(names) if name not in TEXTS]
    numeric = [(number, tuple(row[k] for k in spoken)) for number, row in cells]
    comma = separator != "," and has_decimal_comma(numeric, where, fault)
    _check_twins(names, heads, aliases, where, fault)
    return Table(
        names=names,
        heads=heads,
        units=units,
        rows=tuple(row for _, row in cells),
        lines=tuple(number for number, _ in cells),
        header=header,
        decimal_comma=comma,
        separator=SEPARATOR_WORDS.get(separator, repr(separator)),
        commented=_rows_behind_signs(comments, cells, separator, comma),
        shown=where,
        fault=fault,
    )


def words_of(table: Table, name: str) -> tuple[str, ...]:
    """Words of a column.

    Raises
    ------
    PourdatumError
        If there is no such column; names those there are.
    """
    return tuple(row[_index(table, name)] for row in table.rows)


def unit_of(table: Table, name: str) -> str | None:
    """Unit that the header states for a column, ``None`` where it states none."""
    return table.units[_index(table, name)]


def numbers_of(table: Table, name: str, *, empty: float | None = None) -> NDArray[np.float64]:
    r"""Numbers of a column (n,), in the unit of the column.

    Parameters
    ----------
    table : Table
    name : str
    empty : float, optional
        Stands for an empty cell; without it an empty cell is an error.

    Raises
    ------
    PourdatumError
        If there is no such column, or a word is no finite number; names line and column.

    Examples
    --------
    >>> numbers_of(parse_table(b"x,y\n1,2\n3,4O\n", {}), "y")
    Traceback (most recent call last):
    pourdatum.errors.ScanError: table: line 3, column 'y': '4O' is no number; write it in ...
    """
    at = _index(table, name)
    out = np.empty(len(table.rows))
    for i, (row, line) in enumerate(zip(table.rows, table.lines, strict=True)):
        word = row[at]
        if not word and empty is not None:
            out[i] = empty
            continue
        value = number_in(word, table.decimal_comma)
        if value is None:
            what = f"'{shown(word[:_SHOWN])}' is no number" if word else "the value is missing"
            raise table_fault(
                table.fault,
                f"line {line}, column '{shown(table.heads[at][:_SHOWN])}': {what}",
                table.shown,
                "write it in digits, with the unit in the header",
            )
        out[i] = value
    return out


def _index(table: Table, name: str) -> int:
    if name in table.names:
        return table.names.index(name)
    there = ", ".join(shown(head[:_SHOWN]) for head in table.heads[:12])
    raise table_fault(
        table.fault,
        f"has no column '{name}' (it has {there})",
        table.shown,
        "name the columns in the first line",
    )


Units = tuple[str | None, ...]


def _header(
    cells: Cells,
    comments: list[tuple[int, str]],
    separator: str,
    aliases: Mapping[str, Sequence[str]],
) -> tuple[tuple[str, ...] | None, Units, Cells]:
    """Heads and units of the columns, and the rows below them; no heads where there are none."""
    own = alias_table(aliases)
    first = cells[0][1] if cells else ()
    if cells and not any(is_number(word) for word in first):
        heads, cells = first, cells[1:]
    else:
        # Some programs write the names of the columns behind a comment sign.
        begin = cells[0][0] if cells else 0
        above = [split_line(text, separator) for number, text in comments if number < begin]
        said = above[-1] if above else ()
        known = sum(name_and_unit(word, own)[0] in aliases for word in said)
        if len(said) != len(trimmed(first)) or known < 2:
            return None, (), cells
        heads = said
    units = tuple(name_and_unit(head, own)[1] for head in heads)
    if len(cells) > 1 and _is_unit_row(cells[0][1]):
        below = tuple(UNIT_WORDS.get(tokens_of(word)) for word in cells[0][1])
        below = below[: len(units)] + (None,) * (len(units) - len(below))
        units = tuple(a or b for a, b in zip(units, below, strict=True))
        cells = cells[1:]
    return heads, units, cells


def _is_unit_row(row: tuple[str, ...]) -> bool:
    told = [tokens_of(word) for word in row]
    return any(t in UNIT_WORDS for t in told) and all(not t or t in UNIT_WORDS for t in told)


def _without_header(
    width: int,
    headless: Mapping[int, Sequence[str]] | None,
    where: str,
    fault: type[PourdatumError],
) -> tuple[tuple[str, ...], Units]:
    names = (headless or {}).get(width)
    if names is None:
        takes = " or ".join(",".join(n) for n in (headless or {}).values())
        raise fault(
            f"has {width} columns and no line that names them",
            where=where,
            hint=f"write a first line with their names{f', such as {takes}' if takes else ''}",
            id=UNNAMED,
        )
    return tuple(names), (None,) * width


def _even(
    heads: tuple[str, ...], units: Units, cells: Cells, where: str, fault: type[PourdatumError]
) -> tuple[tuple[str, ...], Units, Cells]:
    """The same with every row as long as the header: a lost word shifts nothing in silence."""
    width = len(trimmed(heads))
    # Columns without a name and without a word come from a spreadsheet's empty columns.
    widest = max(len(trimmed(row)) for _, row in cells)
    width = max(width, min(widest, len(heads)))
    out: Cells = []
    for number, row in cells:
        if len(trimmed(row)) > width or len(row) < width:
            raise table_fault(
                fault,
                f"line {number} has {len(row)} values, {width} columns are named or begun with",
                where,
                "mend that line; an empty value keeps its separator",
            )
        out.append((number, row[:width]))
    return heads[:width], units[:width], out


def _check_twins(
    names: tuple[str, ...],
    heads: tuple[str, ...],
    aliases: Mapping[str, Sequence[str]],
    where: str,
    fault: type[PourdatumError],
) -> None:
    for name in aliases:
        twins = [shown(h[:_SHOWN]) for h, n in zip(heads, names, strict=True) if n == name]
        if len(twins) > 1:
            raise table_fault(
                fault,
                f"has several columns for {name}: {', '.join(twins)}",
                where,
                "keep one of them",
            )


def _rows_behind_signs(
    comments: list[tuple[int, str]], cells: Cells, separator: str, comma: bool
) -> int:
    """Comments that hold as many numbers as a row: rows taken out, or names that begin with #."""

    def numbers(row: tuple[str, ...]) -> int:
        return sum(number_in(word, comma) is not None for word in row)

    least = min(numbers(row) for _, row in cells)
    if least == 0:
        return 0
    return sum(numbers(split_line(text, separator)) >= least for _, text in comments)


__all__ = [
    "Table",
    "is_number",
    "numbers_of",
    "parse_table",
    "read_table",
    "unit_of",
    "words_of",
]
