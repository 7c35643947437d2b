"""Reads control shots from a table: levels, or staff readings that give levels.

Three kinds of table are told by their columns: levels (``name,x,y,z``), staff readings
(``name,x,y,level,staff``, the benchmark's row with its level) and a level book
(``name,x,y,level,backsight,intermediate,foresight``). Places are ``x,y`` or
``easting,northing`` in the scan's coordinates, or ``along,across`` from a corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.read.level_table import (
    BOOKED,
    COLUMNS,
    ERROR_M,
    SIGHTS,
    lengths_of,
    reduce_table,
)
from pourdatum.read.small_table import Table, read_table, unit_of, words_of

Array = NDArray[np.float64]
PlaceKind = Literal["xy", "map", "along-across"]

_ALIASES: Final[dict[str, tuple[str, ...]]] = {
    **COLUMNS,
    "x": (),
    "y": (),
    "east": ("easting", "e", "rechtswert"),
    "north": ("northing", "n", "hochwert"),
}
_PLANS: Final[tuple[tuple[str, str, PlaceKind], ...]] = (
    ("x", "y", "xy"), ("east", "north", "map"), ("along", "across", "along-across"),
)  # fmt: skip
_NO_LENGTHS: Final = ("name", "setup", "error")
_OF_FILES: Final = {
    "no-such-file": ("is missing", "check the path"),
    "not-a-file": ("is missing or no regular file", "check the path"),
    "file-empty": ("is empty", "write one row for each shot"),
}
"""What is said of files in general, said of this one."""
_MOST_SHOTS: Final = 500
"""A level takes half a minute; a list of thousands is a scan, and is read as one."""


@dataclass(frozen=True)
class ControlRow:
    """A shot as its file gives it, in metres.

    Attributes
    ----------
    line : int
    name : str
    kind : "xy", "map" or "along-across"
        What ``place_m`` is: columns x and y, easting and northing, or distances from a corner.
    place_m : tuple
        In the scan's own coordinates, no origin subtracted [m].
    level_m : float
        [m]
    error_m : float or None
        As stated, one standard deviation [m].
    setup : int or None
        Set-up from which it was read.
    """

    line: int
    name: str
    kind: PlaceKind
    place_m: tuple[float, float]
    level_m: float
    error_m: float | None
    setup: int | None


@dataclass(frozen=True)
class ControlFile:
    """Shots of a file.

    Attributes
    ----------
    rows : tuple of ControlRow
    has_level : bool
        Whether the levels hang on a known one.
    from_readings : bool
        Whether they come from staff readings.
    notes : tuple of str
        What was assumed.
    level_unit, place_unit : str or None
        As the heads state them; None where one of them states none.
    """

    rows: tuple[ControlRow, ...]
    has_level: bool
    from_readings: bool
    notes: tuple[str, ...] = ()
    level_unit: str | None = None
    place_unit: str | None = None


def read_control(path: str, *, unit_m: float, height_unit_m: float | None = None) -> ControlFile:
    """Control shots of a file.

    Parameters
    ----------
    path : str
    unit_m, height_unit_m : float
        Metres in one unit of the scan's plan and heights: units of columns that state none.

    Raises
    ------
    JobError
        If it is missing or no table, a column or value is missing, or the book does not close.
    """
    table = _table(path)
    height_m = unit_m if height_unit_m is None else height_unit_m
    if len(table.rows) > _MOST_SHOTS:
        raise _refuse(
            f"has {len(table.rows)} rows, at most {_MOST_SHOTS} control shots are taken",
            table.shown,
            "leave the best spread ones",
        )
    names = _names(table)
    plan = {column for pair in _PLANS for column in pair[:2]}
    lengths = {
        column: lengths_of(table, column, unit_m if column in plan else height_m)
        for column in _ALIASES
        if column in table and column not in _NO_LENGTHS
    }
    _check_names(table, names, lengths)
    errors = _errors(table)
    reduced, _ = reduce_table(table, names, lengths, "control-unit")
    rows = []
    for k, line in enumerate(table.lines):
        found = _place(table, lengths, k)
        level = reduced.level_m[k]
        if found is None:
            continue
        if level is None:
            raise _refuse(
                f"line {line}: {names[k]} has a place and no level or reading",
                table.shown,
                "write its level, or take the row out",
            )
        kind, place = found
        rows.append(ControlRow(line, names[k], kind, place, level, errors[k], reduced.setup[k]))
    if not rows:
        raise _refuse(
            "holds no control shot: no row has a place",
            table.shown,
            "give x,y or along,across for each shot",
        )
    readings = any(column in table for column in SIGHTS)
    return ControlFile(
        tuple(rows),
        reduced.known,
        readings,
        reduced.notes,
        _stated(table, ("z", *SIGHTS)),
        _stated(table, ("x", "y", "east", "north", "along", "across")),
    )


def _stated(table: Table, columns: tuple[str, ...]) -> str | None:
    """Unit that all of these columns state; that of the last, where they differ."""
    units = [unit_of(table, column) for column in columns if column in table]
    return None if None in units else units[-1]


def check_control(path: str) -> None:
    """Raise ``JobError`` where a control file is missing, no table, or lacks a column.

    What needs no scan to be said is said before minutes of reading.
    """
    _table(path)


def _table(path: str) -> Table:
    try:
        table = read_table(path, _ALIASES, headless={4: ("name", "x", "y", "z")}, fault=JobError)
    except JobError as reason:
        said, hint = _OF_FILES.get(reason.id, (reason.message, reason.hint))
        joint = " " if said.startswith(("is ", "has ", "holds ")) else ": "
        raise _refuse(f"control file{joint}{said}", reason.where, hint) from None
    if not table.header:
        # Surveyors write easting first or northing first: a guess would turn the floor.
        raise _refuse(
            "has no line that names its columns",
            table.shown,
            "begin it with their names, such as name,x,y,z or name,easting,northing,level",
        )
    plan = [pair[:2] for pair in _PLANS if pair[0] in table and pair[1] in table]
    for first, second, kind in _PLANS:
        # Beside x and y, a length or a width is that of something else.
        apart = kind == "along-across" and len(plan) > 0
        if (first in table) != (second in table) and not apart:
            has, lacks = (first, second) if first in table else (second, first)
            raise _refuse(
                f"has a column {has} and none for {lacks}", table.shown, "places need both"
            )
    if not plan:
        raise _refuse(
            f"has no columns of places (it has {', '.join(table.heads[:8])})",
            table.shown,
            "name them x,y or easting,northing or along,across",
        )
    if ("x", "y") in plan and ("east", "north") in plan:
        raise _refuse("has both x,y and easting,northing", table.shown, "keep one of them")
    if "z" not in table and not any(column in table for column in SIGHTS):
        raise _refuse(
            f"has no column of levels or readings (it has {', '.join(table.heads[:8])})",
            table.shown,
            "name it z or level, or staff, or backsight, intermediate and foresight",
        )
    if "staff" in table and any(column in table for column in BOOKED):
        raise _refuse(
            "has both staff readings and backsights or foresights",
            table.shown,
            "keep one manner of booking",
        )
    return table


def _names(table: Table) -> list[str]:
    written = words_of(table, "name") if "name" in table else ("",) * len(table.rows)
    return [
        "".join(c for c in name if c.isprintable())[:60] or f"line {line}"
        for name, line in zip(written, table.lines, strict=True)
    ]


def _check_names(table: Table, names: list[str], lengths: dict[str, Array]) -> None:
    """Refuse two shots of one name: no sentence could say which of them is meant.

    A point that is read from more than one set-up keeps its name.
    """
    if "name" not in table or any(column in table for column in BOOKED):
        return
    setups = words_of(table, "setup") if "setup" in table else ("",) * len(table.rows)
    first: dict[tuple[str, str], int] = {}
    for k, (name, line) in enumerate(zip(names, table.lines, strict=True)):
        if _place(table, lengths, k) is None:
            continue
        before = first.setdefault((name.casefold(), setups[k]), line)
        if before != line:
            raise _refuse(
                f"lines {before} and {line} both are shot {name}",
                table.shown,
                "give each shot a name of its own, or take the row that is written twice out",
            )


def _errors(table: Table) -> list[float | None]:
    if "error" not in table:
        return [None] * len(table.rows)
    if unit_of(table, "error") is None:
        raise _refuse(
            "the column of errors states no unit", table.shown, "name it error_mm", "control-unit"
        )
    errors = [
        None if math.isnan(error) else float(error) for error in lengths_of(table, "error", 1.0)
    ]
    for line, error in zip(table.lines, errors, strict=True):
        if error is not None and not ERROR_M[0] <= error <= ERROR_M[1]:
            raise _refuse(
                f"line {line}: an error of {error * 1000:g} mm is out of range: permitted from "
                f"{ERROR_M[0] * 1000:g} to {ERROR_M[1] * 1000:g} mm",
                table.shown,
                "give one standard deviation of the level",
            )
    return errors


def _place(
    table: Table, lengths: dict[str, Array], k: int
) -> tuple[PlaceKind, tuple[float, float]] | None:
    """Kind and place of a row; None where it has none."""
    for first, second, kind in _PLANS:
        if first not in lengths or second not in lengths:
            continue
        a, b = float(lengths[first][k]), float(lengths[second][k])
        if math.isfinite(a) and math.isfinite(b):
            return kind, (a, b)
        if math.isfinite(a) or math.isfinite(b):
            raise _refuse(
                f"line {table.lines[k]}: {first if math.isnan(a) else second} is missing",
                table.shown,
                "a place needs both, and a benchmark off the floor neither",
            )
    return None


def _refuse(message: str, where: str, hint: str, id: str = "control") -> JobError:
    return JobError(message, where=where, hint=hint, id=id)
