"""Staff readings become levels: level of the line of sight minus the reading.

The arithmetic of the level book by height of collimation (any textbook of levelling, e.g.
Schofield and Breach, Engineering Surveying, chapter 3; from memory): a backsight on a
known level gives the line of sight, every further reading a level below it, a foresight
and a backsight on one point carry it to the next set-up. What a closing benchmark
disagrees by is shared out evenly over the set-ups.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pourdatum.errors import JobError
from pourdatum.units import MM

CLOSURE_M: Final = 0.005
"""Misclosure allowed, times the root of the number of set-ups [m]; the usual allowance for
work on building sites, from memory."""
SIGHTS_AGREE_M: Final = 0.005
"""How far two benchmarks sighted from one set-up may disagree [m]."""


@dataclass(frozen=True)
class BookRow:
    """A row of a level book, in metres; what is not in the row is None.

    Attributes
    ----------
    line : int
        In its file.
    name : str
    level_m : float or None
        Known level of the point.
    back_m, between_m, fore_m : float or None
        Backsight, intermediate sight and foresight.
    staff_m : float or None
        A reading that is not said to be one of these: a backsight where the level is known.
    setup : str
        Which set-up a ``staff_m`` was read from.
    """

    line: int
    name: str
    level_m: float | None = None
    back_m: float | None = None
    between_m: float | None = None
    fore_m: float | None = None
    staff_m: float | None = None
    setup: str = ""


@dataclass(frozen=True)
class Reduced:
    """Levels of the rows of a book.

    Attributes
    ----------
    level_m : tuple of (float or None)
        One for each row; None where the row gives none.
    setup : tuple of (int or None)
        Set-up it was read from; None for a level that was given.
    known : bool
        Whether they hang on a known level; else they are right but for a common sum.
    notes : tuple of str
        Closures.
    """

    level_m: tuple[float | None, ...]
    setup: tuple[int | None, ...]
    known: bool
    notes: tuple[str, ...] = ()


def reduce_readings(rows: Sequence[BookRow], where: str) -> Reduced:
    """Levels from single staff readings, one or more benchmarks to each set-up.

    Parameters
    ----------
    rows : sequence of BookRow
        Rows without a reading keep the level they have.
    where : str
        The file, for errors.

    Raises
    ------
    JobError
        If benchmarks disagree, or one of several set-ups has none.

    Examples
    --------
    >>> rows = [BookRow(2, "BM", level_m=10.0, staff_m=1.5), BookRow(3, "A", staff_m=1.52)]
    >>> round(reduce_readings(rows, "control.csv").level_m[1], 6)
    9.98
    """
    order = list(dict.fromkeys(row.setup for row in rows if row.staff_m is not None))
    sight: dict[str, float] = {}
    known = [row for row in rows if row.level_m is not None and row.staff_m is not None]
    for setup in order:
        own = [(row, row.level_m + row.staff_m) for row in known if row.setup == setup]  # type: ignore[operator]
        if not own:
            if len(order) > 1 or known or any(row.level_m is not None for row in rows):
                raise _refuse(
                    f"set-up {setup!r} has no benchmark"
                    if setup
                    else "the readings have no benchmark, while other rows have levels",
                    where,
                    "give each set-up a row with both level and staff",
                )
            sight[setup] = 0.0
            continue
        heights = [height for _, height in own]
        if max(heights) - min(heights) > SIGHTS_AGREE_M:
            names = ", ".join(f"{row.name} {height:.4f} m" for row, height in own)
            raise _refuse(
                f"benchmarks disagree by {(max(heights) - min(heights)) * MM:.1f} mm on the line "
                f"of sight ({names})",
                where,
                "check their levels and readings",
            )
        sight[setup] = sum(heights) / len(heights)
    levels = [
        row.level_m
        if row.level_m is not None
        else (None if row.staff_m is None else sight[row.setup] - row.staff_m)
        for row in rows
    ]
    setups = [
        order.index(row.setup) if row.level_m is None and row.staff_m is not None else None
        for row in rows
    ]
    return Reduced(tuple(levels), tuple(setups), bool(known) or not order)


def reduce_book(rows: Sequence[BookRow], where: str) -> Reduced:
    """Levels from a level book with backsights, intermediate sights and foresights.

    Parameters
    ----------
    rows : sequence of BookRow
        In the order of the book.
    where : str
        The file, for errors.

    Raises
    ------
    JobError
        If a sight comes before any backsight, a set-up is not tied to the one before, or the
        book does not close.

    Examples
    --------
    A change point carries the line of sight on:

    >>> rows = [
    ...     BookRow(2, "BM", level_m=10.0, back_m=1.5),
    ...     BookRow(3, "A", between_m=1.6),
    ...     BookRow(4, "CP", fore_m=1.2, back_m=0.9),
    ...     BookRow(5, "B", between_m=1.3),
    ... ]
    >>> [round(level, 6) for level in reduce_book(rows, "book.csv").level_m]
    [10.0, 9.9, 10.3, 9.9]
    """
    levels: list[float | None] = []
    setups: list[int | None] = []
    notes: list[str] = []
    at: dict[str, float] = {}
    sight: float | None = None
    tied = any(row.level_m is not None for row in rows)
    # Rows since the last known level, and the set-ups since then: they share a misclosure.
    open_rows: list[tuple[int, int]] = []
    setup = last_known = -1
    for number, row in enumerate(rows):
        level: float | None = None
        seen = row.fore_m if row.fore_m is not None else row.between_m
        if row.fore_m is not None and row.between_m is not None:
            raise _refuse(f"line {row.line}: {row.name} has two readings from one set-up", where)
        if seen is not None:
            if sight is None:
                raise _refuse(
                    f"line {row.line}: {row.name} is read before any backsight",
                    where,
                    "begin the book with the backsight on the benchmark",
                )
            level = sight - seen
            open_rows.append((number, setup))
        if row.level_m is not None:
            if level is not None:
                off = level - row.level_m
                count = setup - last_known
                notes.append(_closed(row, off, count, where))
                for index, own in open_rows:
                    share = off * (own - last_known) / count
                    base = level if index == number else levels[index]
                    if index != number and base is not None:
                        levels[index] = base - share
                        at[rows[index].name] = base - share
            level = row.level_m
            open_rows, last_known = [], setup
        if row.back_m is not None:
            base = level if level is not None else at.get(row.name)
            if base is None:
                if sight is not None or tied:
                    raise _refuse(
                        f"line {row.line}: the backsight on {row.name} hangs on no known level",
                        where,
                        "give the level of that point, or a foresight on it before",
                    )
                base = 0.0
            level = base
            sight = base + row.back_m
            setup += 1
            if row.level_m is not None:
                last_known = setup - 1
        levels.append(level)
        setups.append(None if row.level_m is not None or level is None else setup)
        if level is not None:
            at[row.name] = level
    return Reduced(tuple(levels), tuple(setups), tied, tuple(notes))


def _closed(row: BookRow, off_m: float, count: int, where: str) -> str:
    allowed = CLOSURE_M * math.sqrt(max(count, 1))
    if abs(off_m) > allowed:
        raise _refuse(
            f"line {row.line}: the book closes on {row.name} with {off_m * MM:+.1f} mm, over the "
            f"{allowed * MM:.1f} mm allowed for {count} set-ups",
            where,
            "check the readings and the benchmark's level, or level again",
        )
    shared = ", shared out over the set-ups" if count > 1 else ""
    return f"control: the level book closes on {row.name} to {off_m * MM:+.1f} mm{shared}"


def _refuse(message: str, where: str, hint: str = "check the row") -> JobError:
    return JobError(message, where=where, hint=hint, id="control-book")
