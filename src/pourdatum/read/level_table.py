"""What a table of levels calls its columns, and its readings as levels.

Spot lists and control files are written by the same people with the same instruments: heads,
units and the reduction of readings are theirs in common. Each column has the unit of its own
head; a staff in millimetres says nothing of a benchmark in metres.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.levelbook import BookRow, Reduced, reduce_book, reduce_readings
from pourdatum.read.small_table import Table, numbers_of, unit_of, words_of
from pourdatum.units import LENGTH_UNITS

Array = NDArray[np.float64]

HEADS: Final = "name,x,y,level or name,x,y,staff"
"""What errors offer to those who ask how to name columns."""
COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "name": ("point", "point id", "point no", "point number", "point name", "pt", "pt id", "pt no",
             "id", "no", "nr", "number", "shot", "spot", "mark", "label", "punkt", "punktnummer"),
    "along": ("length", "distance along", "chainage"),
    "across": ("width", "distance across", "offset"),
    "z": ("level", "height", "elevation", "elev", "h", "rl", "reduced level", "altitude", "höhe",
          "hoehe", "kote", "niveau", "z coordinate"),
    "staff": ("staff reading", "staff height", "reading", "laser", "laser reading",
              "level reading", "rod", "rod reading"),
    "back": ("backsight", "back sight", "bs"),
    "between": ("intermediate", "intermediate sight", "inter sight", "intersight", "is"),
    "fore": ("foresight", "fore sight", "fs"),
    "setup": ("set up", "instrument setup"),
    "error": ("sigma", "sd", "standard deviation", "standard error", "accuracy", "uncertainty"),
}  # fmt: skip
SIGHTS: Final = ("staff", "back", "between", "fore")
BOOKED: Final = SIGHTS[1:]
ERROR_M: Final = (1e-5, 0.05)
"""Standard errors that a level can have [m]."""
_STAFF_M: Final = (0.02, 10.0)
"""Readings that a staff can have, longest of a campaign [m]."""


def lengths_of(table: Table, column: str, default_m: float) -> Array:
    r"""A column (n,) [m], NaN where a cell is empty.

    Parameters
    ----------
    table : Table
    column : str
    default_m : float
        Metres in one unit of a column whose head states none.

    Examples
    --------
    >>> from pourdatum.read.small_table import parse_table
    >>> table = parse_table(b"name,level,staff_mm\nBM,52,1000\n", COLUMNS)
    >>> float(lengths_of(table, "z", 1.0)[0]), float(lengths_of(table, "staff", 1.0)[0])
    (52.0, 1.0)
    """
    unit = unit_of(table, column)
    factor = default_m if unit is None else LENGTH_UNITS[unit]
    return numbers_of(table, column, empty=np.nan) * factor


def reduce_table(
    table: Table, names: Sequence[str], lengths: Mapping[str, Array], id: str
) -> tuple[Reduced, tuple[BookRow, ...]]:
    """Levels of the rows of a table that holds readings, or levels and readings.

    Parameters
    ----------
    table : Table
    names : sequence of str
        What each row is called in a sentence.
    lengths : mapping
        Columns in metres: ``z`` and those of ``SIGHTS``, where there are such.
    id : str
        Of the refusal of readings that no staff shows.

    Raises
    ------
    JobError
        If no staff shows such a reading, benchmarks disagree, or a book does not close.
    """
    _check_readings(table, lengths, id)
    setups = words_of(table, "setup") if "setup" in table else ("",) * len(table.rows)

    def at(column: str, k: int) -> float | None:
        if column not in lengths or np.isnan(lengths[column][k]):
            return None
        return float(lengths[column][k])

    rows = tuple(
        BookRow(line, names[k], at("z", k), at("back", k), at("between", k), at("fore", k),
                at("staff", k), setups[k])
        for k, line in enumerate(table.lines)
    )  # fmt: skip
    book = any(column in table for column in BOOKED)
    return (reduce_book if book else reduce_readings)(rows, table.shown), rows


def _check_readings(table: Table, lengths: Mapping[str, Array], id: str) -> None:
    read = np.concatenate([np.empty(0), *(lengths[name] for name in SIGHTS if name in lengths)])
    read = np.abs(read[np.isfinite(read)])
    if read.size and not _STAFF_M[0] <= read.max() <= _STAFF_M[1]:
        raise JobError(
            f"the longest staff reading is {read.max():.4g} m, which no staff shows",
            where=table.shown,
            hint="give its unit in the header: staff_m, staff_mm, staff_ft",
            id=id,
        )
