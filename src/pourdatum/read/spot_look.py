"""Whether a table holds levels at single places, and what people call its columns.

A list of a few hundred places is no cloud: it is told from one by its names, and where
it has none, by standing wide and flat.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pourdatum.errors import JobError, PourdatumError
from pourdatum.read.level_table import COLUMNS, SIGHTS
from pourdatum.read.small_table import Table, numbers_of, parse_table
from pourdatum.read.source import HEAD_BYTES
from pourdatum.read.table_lines import is_number

MOST_SHOTS: Final = 2500
"""A longer list without names is a cloud; one with names is refused."""
ALIASES: Final[dict[str, tuple[str, ...]]] = {
    **COLUMNS,
    "name": (*COLUMNS["name"], "station"),
    "x": ("easting", "east", "e", "x coordinate", "rechtswert", "ost"),
    "y": ("northing", "north", "n", "y coordinate", "hochwert", "nord"),
    "note": ("note", "notes", "code", "description", "desc", "remark", "remarks", "comment"),
}
_CLOUD_ROWS: Final = 1000
"""Fewer points are no cloud that a floor is found in."""
_MOST_COLUMNS: Final = 20
_FLAT: Final = 0.25
_LEAST_ROWS: Final = 3


def plan_of(table: Table) -> tuple[str, str] | None:
    """The columns of places: x and y, else along and across; None where they are not both there."""
    pairs = (("x", "y"), ("along", "across"))
    return next((pair for pair in pairs if pair[0] in table and pair[1] in table), None)


def unnamed() -> Mapping[int, Sequence[str]]:
    """Names of columns without a header, of which three will be told."""
    return {
        width: tuple(f"column {k}" for k in range(1, width + 1))
        for width in range(3, _MOST_COLUMNS + 1)
    }


def renamed(table: Table, columns: tuple[int, int, int]) -> Table:
    """A table whose columns the user tells: x, y, and levels, or readings where the head says so.

    What else the header takes for a place or a level is left out; the first column of a table
    without header is the name, if it is none of the three.

    Raises
    ------
    JobError
        If there are no such columns.
    """
    if len(set(columns)) < 3 or not all(1 <= c <= len(table.names) for c in columns):
        raise JobError(
            f"'{','.join(map(str, columns))}' are not three of the {len(table.names)} columns of"
            f" {table.shown}",
            where="--columns",
            hint="count from 1, in the order x, y, level",
            id="columns",
        )
    kept = ("name", "note", "error", "setup")
    names = [name if name in kept else "" for name in table.names]
    x, y, z = (c - 1 for c in columns)
    if not table.header and 0 not in (x, y, z):
        names[0] = "name"
    names[x], names[y] = "x", "y"
    names[z] = "staff" if table.names[z] == "staff" else "z"
    return replace(table, names=tuple(names))


def looks_like_spots(head: bytes, size: int, columns: tuple[int, int, int] | None = None) -> bool:
    r"""Whether content begins as a table of levels at single places.

    Parameters
    ----------
    head : bytes
        First bytes of the file.
    size : int
        Bytes of the file.
    columns : tuple of 3 ints, optional
        Where x, y and level stand, as told: then a table too short for a cloud is a list.

    Examples
    --------
    >>> looks_like_spots(b"point;easting;northing;level\nP1;1,5;2,5;0,312\n", 46)
    True
    >>> looks_like_spots(b"LASF" + bytes(400), 404)
    False
    """
    if size > len(head) and len(head) >= HEAD_BYTES:
        # The last line is cut off.
        head = head[: max(head.rfind(b"\n"), head.rfind(b"\r")) + 1]
    table = _first_rows(head)
    if table is None:
        return False
    rows = len(table.rows) * size / max(len(head), 1)
    if columns is not None:
        if rows > MOST_SHOTS or max(columns) > len(table.names):
            return False
        return rows < _CLOUD_ROWS or _stand_apart(renamed(table, columns), ("x", "y", "z"))
    if table.header:
        if rows < _CLOUD_ROWS and _speaks_of_places(table):
            return True  # What its header lacks is asked for when it is read.
        if plan_of(table) is None:
            return False
        if rows > MOST_SHOTS:
            return False  # numbered points of a cloud
        if any(name in table for name in SIGHTS) or ("name" in table and "z" in table):
            return True
        spoken = tuple(head.strip().lower() for head in table.heads[:3]) != ("x", "y", "z")
        if "z" not in table or len(table.names) > 4 or (spoken and rows > MOST_SHOTS):
            return False
        return rows <= MOST_SHOTS and _stand_apart(table, ("x", "y", "z"))
    if rows > MOST_SHOTS:
        return False
    if len(table.names) == 3:
        return _stand_apart(table, table.names)
    return len(table.names) in (4, 5) and _named_rows(table)


def _speaks_of_places(table: Table) -> bool:
    """Whether the header names shots, and some of what is said of them."""
    said = ("x", "y", "along", "across", "z", *SIGHTS)
    return "name" in table and any(name in table for name in said)


def _first_rows(head: bytes) -> Table | None:
    """The table in the first bytes; fewer lines of it where a later one is at fault."""
    lines = head.splitlines(keepends=True) if b"\0" not in head else [head]
    for count in dict.fromkeys((len(lines), 40, 12, 4, 2)):
        if count > len(lines):
            continue
        try:
            return parse_table(b"".join(lines[:count]), ALIASES, headless=unnamed())
        except PourdatumError:
            continue
    return None


def _stand_apart(table: Table, names: Sequence[str]) -> bool:
    """Whether places stand wide and flat as levels do, not on walls as the points of a cloud."""
    from scipy.spatial import cKDTree

    try:
        points = np.column_stack([numbers_of(table, name) for name in names])
    except PourdatumError:
        return False
    if len(points) < _LEAST_ROWS:
        return True
    away, near = (np.asarray(part) for part in cKDTree(points[:, :2]).query(points[:, :2], k=2))
    rise = np.abs(points[:, 2] - points[near[:, 1], 2])
    return bool(np.quantile(rise, 0.9) < _FLAT * max(float(np.median(away[:, 1])), 1e-12))


def _named_rows(table: Table) -> bool:
    """Whether rows without a header begin with names, and not with numbers measured."""
    first = [row[0] for row in table.rows]
    numbers = [[is_number(word) for word in row[1:4]] for row in table.rows]
    if not all(all(row) for row in numbers):
        return False
    if len(table.names) == 5 and all(is_number(row[4]) for row in table.rows):
        return False
    if not all(is_number(word) for word in first):
        return True
    counted = [int(word) for word in first if word.isdecimal()]
    return len(counted) == len(first) > 1 and all(np.diff(counted) > 0)
