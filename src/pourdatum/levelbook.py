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
from dataclasses import dataclass, field
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
    lines: list[_Line] = []
    notes: list[str] = []
    # Rows read from a set-up, and the last level and set-up of each point by its name.
    read: list[tuple[int, float] | None] = []
    at: dict[str, tuple[int | None, float]] = {}
    tied = any(row.level_m is not None for row in rows)
    for row in rows:
        found: tuple[int, float] | None = None
        seen = row.fore_m if row.fore_m is not None else row.between_m
        if row.fore_m is not None and row.between_m is not None:
            raise _refuse(f"line {row.line}: {row.name} has two readings from one set-up", where)
        if seen is not None:
            if not lines:
                raise _refuse(
                    f"line {row.line}: {row.name} is read before any backsight",
                    where,
                    "begin the book with the backsight on the benchmark",
                )
            found = len(lines) - 1, lines[-1].height_m - seen
            at[row.name] = found
            if row.level_m is not None:
                lines[-1].closures.append((row, found[1] - row.level_m))
        if row.level_m is not None:
            at[row.name] = None, row.level_m
        if row.back_m is not None:
            _close(lines, notes, where)
            if row.name not in at:
                if lines or tied:
                    raise _refuse(
                        f"line {row.line}: the backsight on {row.name} hangs on no known level",
                        where,
                        "give the level of that point, or a foresight on it before",
                    )
                at[row.name] = 0, 0.0
                found = 0, 0.0
            parent, base = at[row.name]
            if found is None and parent is not None:
                found = parent, base
            lines.append(_Line(base + row.back_m, parent if lines else None))
        read.append(found)
    _close(lines, notes, where)
    moved: list[float] = []
    for line in lines:
        # One that nothing closes goes with the one it hangs on.
        inherited = moved[line.parent] if line.parent is not None else 0.0
        moved.append(inherited if line.off_m is None else line.off_m)
    levels = tuple(
        row.level_m
        if row.level_m is not None
        else (None if found is None else found[1] - moved[found[0]])
        for row, found in zip(rows, read, strict=True)
    )
    setups = tuple(
        None if row.level_m is not None or found is None else found[0]
        for row, found in zip(rows, read, strict=True)
    )
    return Reduced(levels, setups, tied, tuple(notes))


@dataclass
class _Line:
    """A line of sight as booked, and what is to be taken off it.

    Attributes
    ----------
    height_m : float
        As the readings carry it on from the first known level, nothing shared out.
    parent : int or None
        Set-up from which the point of its backsight was read; None where that is known.
    closures : list of (BookRow, float)
        Known points read from it, and what they disagree by [m].
    off_m : float or None
        Correction; None where nothing closed it.
    """

    height_m: float
    parent: int | None
    closures: list[tuple[BookRow, float]] = field(default_factory=list)
    off_m: float | None = None


def _close(lines: list[_Line], notes: list[str], where: str) -> None:
    """Share what the last set-up closes with over those since the last known level."""
    if not lines or not lines[-1].closures:
        return
    closures = lines[-1].closures
    path = [lines[-1]]
    while path[-1].parent is not None and lines[path[-1].parent].off_m is None:
        path.append(lines[path[-1].parent])
    above = path[-1].parent
    before = 0.0 if above is None else lines[above].off_m or 0.0
    count = len(path)
    for row, off in closures:
        notes.append(_closed(row, off - before, count, where))
    offs = [off for _, off in closures]
    if max(offs) - min(offs) > SIGHTS_AGREE_M:
        names = ", ".join(f"{row.name} {off * MM:+.1f} mm" for row, off in closures)
        raise _refuse(
            f"known points read from one set-up disagree by {(max(offs) - min(offs)) * MM:.1f} mm "
            f"({names})",
            where,
            "check their levels and readings",
        )
    mean = sum(offs) / len(offs)
    for k, line in enumerate(reversed(path), 1):
        line.off_m = before + (mean - before) * k / count


def _closed(row: BookRow, off_m: float, count: int, where: str) -> str:
    allowed = CLOSURE_M * math.sqrt(count)
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
