"""Reads levels at single places: a table by an optical level, a laser or a total station.

Rows are name, easting, northing and level, or staff readings with a benchmark, or x, y
and z alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError, ScanError
from pourdatum.read.level_table import ERROR_M, HEADS, SIGHTS, lengths_of, reduce_table
from pourdatum.read.small_table import (
    UNNAMED,
    Table,
    numbers_of,
    read_table,
    unit_of,
    words_of,
)
from pourdatum.read.source import Source, shown
from pourdatum.read.spot_look import ALIASES, MOST_SHOTS, plan_of, renamed, unnamed
from pourdatum.read.spot_unit import check_steepness, metres_taken, stated_unit
from pourdatum.read.table_lines import is_number
from pourdatum.scan import SpotLevels
from pourdatum.units import LENGTH_UNITS, MM, unit_m

SHOT_ERROR_M: Final = 0.001
"""Standard error of a level by staff, laser or reflector on a floor; common practice [m]."""
_ALONG: Final = (
    "along is taken as x and across as y, to the left of it: where across was measured to the"
    " right, the plan is mirrored, areas and volumes are the same"
)
_HEADLESS: Final = {4: ("name", "x", "y", "z"), 3: ("x", "y", "z")}
_COARSE_M: Final = 0.001


@dataclass(frozen=True, eq=False)
class SpotFile:
    """Levels of a file, in metres, no origin subtracted.

    Attributes
    ----------
    spots : SpotLevels
        Not checked yet.
    labels : tuple of str
        What each shot is called in a sentence.
    unit_m, height_unit_m : float
        Metres in one unit of plan and levels.
    unit_words : str
        As the result lists them.
    step_m : float
        Step in which levels are written [m].
    records : int
        Rows of the table.
    notes, warnings : tuples
        What was assumed; (code, text) of what is odd.
    unit_taken : str
        What is said first of a unit that nobody stated; empty where it was.
    """

    spots: SpotLevels
    labels: tuple[str, ...]
    unit_m: float
    height_unit_m: float
    unit_words: str
    step_m: float
    records: int
    notes: tuple[str, ...]
    warnings: tuple[tuple[str, str], ...]
    unit_taken: str = ""


def read_spots(
    source: Source, units: str | None = None, columns: tuple[int, int, int] | None = None
) -> SpotFile:
    """Levels of a file, as they are written.

    Parameters
    ----------
    source : Source
    units : str, optional
        Unit of columns that state none.
    columns : tuple of 3 ints, optional
        Where x, y and level or reading stand, counted from 1, whatever the header says.

    Raises
    ------
    ScanError
        If it is no table, or a word is no number.
    JobError
        If units contradict each other, a level book does not close, or only the user can
        tell the unit or the order of the columns.
    """
    table = _table(source, columns)
    plan_columns = plan_of(table)
    if plan_columns is None:
        missing = ("easting", "northing")["x" in table or "along" in table]
        raise ScanError(
            f"has no column for the {missing}",
            where=source.shown,
            hint=f"name the columns {HEADS}",
            id="table",
        )
    if len(table.rows) > 4 * MOST_SHOTS:
        raise ScanError(
            f"has {len(table.rows)} levels with names, over {4 * MOST_SHOTS}",
            where=source.shown,
            hint="export a cloud of points without names, or thin it out",
            id="too-many-shots",
        )
    asked = None if units is None else unit_m(units, where="--units")
    told = stated_unit(table, plan_columns, units, asked)
    plan_words = told or "m"
    plan = LENGTH_UNITS[plan_words]
    sights = [name for name in SIGHTS if name in table]
    # Each column has the unit of its own head: a staff in mm says nothing of a benchmark.
    shot = sights[0] if sights else "z"
    shot_name = _unit_name(table, shot, plan_words)
    level_name = _unit_name(table, "z" if "z" in table else shot, plan_words)
    lengths = {name: lengths_of(table, name, plan) for name in ("z", *sights) if name in table}
    names = words_of(table, "name") if "name" in table else ("",) * len(table.rows)
    level, floor, level_notes = _levels(table, names, lengths, sights)
    if not floor.any():
        raise ScanError("holds no level of a floor", where=source.shown, id="table")
    x, y = (numbers_of(table, name, empty=np.nan) * plan for name in plan_columns)
    _check_places(table, names, floor, x, y)
    points = np.column_stack([x, y, level])[floor]
    # A benchmark's own reading may be written short.
    step = min(_written_step(table, name, plan_words) for name in sights or ["z"])
    taken = "" if told else metres_taken(points, step, shot_name, table.shown)
    check_steepness(points, table.shown, shot_name)
    error, error_note = _errors(table, shot_name)
    own = np.hypot(error[floor], step / np.sqrt(12.0))
    rows = np.flatnonzero(floor)
    behind = f"{table.shown}: {table.commented} rows behind # are left out"
    words = plan_words if level_name == plan_words else f"{plan_words}, levels {level_name}"
    words += "" if shot_name == level_name else f", readings {shot_name}"
    order: tuple[str, ...] = ()
    if not table.header or columns is not None:
        order = ("columns are taken as " + ", ".join(name or "-" for name in table.names),)
    if plan_columns[0] == "along":
        order += (_ALONG,)
    return SpotFile(
        spots=SpotLevels(tuple(names[k] for k in rows), points, own),
        labels=tuple(_label(names[k], table.lines[k]) for k in rows),
        unit_m=plan,
        height_unit_m=LENGTH_UNITS[level_name],
        unit_words=words,
        step_m=step,
        records=len(table.rows),
        unit_taken=taken,
        notes=(*((taken,) if taken else ()), *order, *level_notes, *error_note),
        warnings=(
            *((("commented-rows", behind),) if table.commented else ()),
            *_coarse(step, source.shown),
        ),
    )


def _table(source: Source, columns: tuple[int, int, int] | None) -> Table:
    try:
        if columns is not None:
            return renamed(read_table(source, ALIASES, headless=unnamed()), columns)
        return read_table(source, ALIASES, headless=_HEADLESS)
    except ScanError as reason:
        if reason.id != UNNAMED:
            raise
        # Which of five columns is north only the user knows.
        hint = f"write a first line with their names: {HEADS}; or tell three: --columns 2,3,4"
        raise JobError(reason.message, where=reason.where, hint=hint, id=reason.id) from None


def _unit_name(table: Table, name: str, plan: str) -> str:
    """Name of the unit of a column: what its head says, else that of the plan."""
    return (unit_of(table, name) if name in table else None) or plan


def _written_step(table: Table, name: str, unit: str) -> float:
    """Step in which a column is written, by its decimals [m]; endless where there is no number."""
    words = [word for word in words_of(table, name) if is_number(word)]
    if any("e" in word.lower() for word in words):
        return 0.0
    if not words:
        return math.inf
    decimals = max(len(word.replace(",", ".").partition(".")[2]) for word in words)
    return float(LENGTH_UNITS[unit_of(table, name) or unit] * 10.0**-decimals)


def _coarse(step_m: float, where: str) -> tuple[tuple[str, str], ...]:
    if step_m <= _COARSE_M * (1 + 1e-9):
        return ()
    return (("coarse-steps", f"{where}: levels are written in steps of {step_m * MM:.3g} mm"),)


def _levels(
    table: Table,
    names: tuple[str, ...],
    lengths: dict[str, NDArray[np.float64]],
    sights: list[str],
) -> tuple[NDArray[np.float64], NDArray[np.bool_], tuple[str, ...]]:
    """Level of each row [m], and which rows are floor: a benchmark is a mark, not floor."""
    if not sights:
        if "z" not in table:
            raise ScanError(
                "has no column for levels or staff readings",
                where=table.shown,
                hint=f"name the columns {HEADS}",
                id="table",
            )
        numbers_of(table, "z")  # An empty cell is an error here.
        return lengths["z"], np.ones(len(table.rows), bool), ()
    labels = [_label(name, line) for name, line in zip(names, table.lines, strict=True)]
    reduced, rows = reduce_table(table, labels, lengths, "unit-unknown")
    level = np.array([np.nan if value is None else value for value in reduced.level_m])
    sighted = np.any([np.isfinite(lengths[name]) for name in sights], axis=0)
    mark = np.array([row.level_m is not None for row in rows]) & sighted
    notes = list(reduced.notes)
    if mark.any():
        told = ", ".join(rows[k].name for k in np.flatnonzero(mark)[:4])
        notes.append(f"benchmarks are not taken as floor: {told}")
    if not reduced.known:
        notes.append("no benchmark is given: levels are counted from the line of sight")
    return level, ~np.isnan(level) & ~mark, tuple(notes)


def _check_places(
    table: Table,
    names: tuple[str, ...],
    floor: NDArray[np.bool_],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
) -> None:
    lost = np.flatnonzero(floor & ~(np.isfinite(x) & np.isfinite(y)))
    if len(lost):
        k = int(lost[0])
        raise ScanError(
            f"line {table.lines[k]}: {_label(names[k], table.lines[k])} has a level but no place",
            where=table.shown,
            hint="give its easting and northing",
            id="table",
        )


def _errors(table: Table, shot_name: str) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Standard error of each row [m]."""
    if "error" not in table:
        note = (
            f"one level is taken to err by {SHOT_ERROR_M * MM:g} mm (one standard deviation): the"
            " table has no column for it"
        )
        return np.full(len(table.rows), SHOT_ERROR_M), (note,)
    unit = unit_of(table, "error") or shot_name
    error = numbers_of(table, "error") * LENGTH_UNITS[unit]
    wrong = np.flatnonzero((error < ERROR_M[0]) | (error > ERROR_M[1]))
    if len(wrong):
        raise ScanError(
            f"line {table.lines[wrong[0]]}: a standard error of {error[wrong[0]] * MM:g} mm is no"
            " error of a level",
            where=table.shown,
            hint="write its unit in the header, such as error [mm]",
            id="table",
        )
    return error, ()


def _label(name: str, line: int) -> str:
    return f"'{shown(name[:30])}' (line {line})" if name else f"the shot in line {line}"
