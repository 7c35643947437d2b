"""Tables that a spreadsheet opens: UTF-8, comma, a header row with units in the names."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

Cell = str | int | float | bool | None


def write_table(path: str | Path, header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    """Write a CSV file; None is an empty cell."""
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(header)
    for row in rows:
        table.writerow([_cell(value) for value in row])
    Path(path).write_bytes(text.getvalue().encode("utf-8"))


def _cell(value: Cell) -> str:
    """A value as cell text; text that a spreadsheet would run as a formula is quoted.

    Examples
    --------
    >>> [_cell(value) for value in (-1.5, "=1+1", "hump 1", None, True)]
    ['-1.5', "'=1+1", 'hump 1', '', 'yes']
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
    return repr(value)
