"""Whether a table holds levels at single places, and what people call its columns.

A list of a few hundred places is no cloud: it is told from one by its names, and where
it has none, by standing wide and flat.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from pourdatum.errors import PourdatumError
from pourdatum.read.small_table import Table, numbers_of, parse_table
from pourdatum.read.source import HEAD_BYTES
from pourdatum.read.table_lines import is_number

MOST_SHOTS: Final = 2500
"""A longer list without names is a cloud; one with names is refused."""
ALIASES: Final[dict[str, tuple[str, ...]]] = {
    "name": ("point", "point id", "point no", "point number", "point name", "pt", "pt id", "pt no",
             "id", "no", "nr", "number", "shot", "station", "mark", "label", "punkt",
             "punktnummer"),
    "x": ("easting", "east", "e", "x coordinate", "rechtswert", "ost"),
    "y": ("northing", "north", "n", "y coordinate", "hochwert", "nord"),
    "z": ("level", "height", "elevation", "elev", "h", "rl", "reduced level", "altitude", "höhe",
          "hoehe", "kote", "niveau", "z coordinate"),
    "staff": ("staff reading", "reading", "rod", "rod reading"),
    "back": ("backsight", "back sight", "bs"),
    "between": ("intermediate", "intermediate sight", "inter sight", "intersight", "is"),
    "fore": ("foresight", "fore sight", "fs"),
    "setup": ("set up", "instrument setup"),
    "error": ("sigma", "sd", "standard deviation", "standard error", "accuracy", "uncertainty"),
    "note": ("note", "notes", "code", "description", "desc", "remark", "remarks", "comment"),
}  # fmt: skip
SIGHTS: Final = ("staff", "back", "between", "fore")
_FLAT: Final = 0.25
_LEAST_ROWS: Final = 3


def looks_like_spots(head: bytes, size: int) -> bool:
    r"""Whether content begins as a table of levels at single places.

    Parameters
    ----------
    head : bytes
        First bytes of the file.
    size : int
        Bytes of the file.

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
    if table.header:
        if "x" not in table or "y" not in table:
            return False
        if rows > MOST_SHOTS:
            return False  # numbered points of a cloud
        if any(name in table for name in SIGHTS) or ("name" in table and "z" in table):
            return True
        spoken = tuple(head.strip().lower() for head in table.heads[:3]) != ("x", "y", "z")
        if "z" not in table or len(table.names) > 4 or (spoken and rows > MOST_SHOTS):
            return False
        return rows <= MOST_SHOTS and _stand_apart(table, "xyz")
    if rows > MOST_SHOTS:
        return False
    if len(table.names) == 3:
        return _stand_apart(table, ("a", "b", "c"))
    return len(table.names) in (4, 5) and _named_rows(table)


def _first_rows(head: bytes) -> Table | None:
    """The table in the first bytes; fewer lines of it where a later one is at fault."""
    lines = head.splitlines(keepends=True) if b"\0" not in head else [head]
    for count in dict.fromkeys((len(lines), 40, 12, 4, 2)):
        if count > len(lines):
            continue
        try:
            headless = {k: tuple("abcde"[:k]) for k in (3, 4, 5)}
            return parse_table(b"".join(lines[:count]), ALIASES, headless=headless)
        except PourdatumError:
            continue
    return None


def _stand_apart(table: Table, names: str | tuple[str, ...]) -> bool:
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
