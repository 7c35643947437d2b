"""Marks that two scans show, from a small table: name, place before, place after."""

from __future__ import annotations

from typing import Final

import numpy as np

from pourdatum.errors import JobError
from pourdatum.move import as_place
from pourdatum.read.level_table import lengths_of
from pourdatum.read.small_table import read_table, words_of
from pourdatum.scan import Frame
from pourdatum.tiemarks import TieMark

_ALIASES: Final[dict[str, tuple[str, ...]]] = {
    "name": ("point", "mark", "target", "id", "nr", "no"),
    "x": ("before x", "x before"),
    "y": ("before y", "y before"),
    "z": ("before z", "z before", "level before"),
    "after_x": ("x after",),
    "after_y": ("y after",),
    "after_z": ("z after", "level after"),
}
_PLACES: Final = ("x", "y", "z", "after_x", "after_y", "after_z")
_MOST: Final = 200


def read_marks(path: str, fixed: Frame, moving: Frame) -> list[TieMark]:
    """Marks of a table, in local metres of each scan.

    Parameters
    ----------
    path : str
        Columns name, x, y, z (plan and level in BEFORE) and after_x, after_y, after_z; each in the
        unit of its scan where the head states none.
    fixed, moving : Frame
        Of BEFORE and AFTER.

    Raises
    ------
    JobError
        If it is missing or no table, or a column or value is missing.
    """
    table = read_table(path, _ALIASES, fault=JobError)
    lacking = [name for name in ("name", *_PLACES) if name not in table]
    if lacking:
        raise JobError(
            f"lacks the column{'s' if len(lacking) > 1 else ''} {', '.join(lacking)}",
            where=table.shown,
            hint="name them name,x,y,z,after_x,after_y,after_z",
            id="marks-columns",
        )
    if len(table.rows) > _MOST:
        raise JobError(
            f"has {len(table.rows)} rows, at most {_MOST} marks are taken",
            where=table.shown, hint="leave the best spread ones", id="marks-many",
        )  # fmt: skip
    columns = []
    for frame, names in ((fixed, _PLACES[:3]), (moving, _PLACES[3:])):
        for axis, name in enumerate(names):
            unit_m = frame.upright_unit_m if axis == 2 else frame.unit_m
            columns.append(lengths_of(table, name, unit_m) - frame.origin_m[axis])
    place = np.stack(columns, axis=1)
    called = words_of(table, "name")
    for line, name, row in zip(table.lines, called, place, strict=True):
        if not np.isfinite(row).all():
            raise JobError(
                f"line {line}: {name or 'a mark'} lacks a coordinate",
                where=table.shown, hint="give all six, or take the row out", id="marks-value",
            )  # fmt: skip
    return [
        TieMark(name or f"{k}", as_place(row[:3]), as_place(row[3:]))
        for k, (name, row) in enumerate(zip(called, place, strict=True), 1)
    ]
